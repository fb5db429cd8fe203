"""The contact sheet: frames in order on a black ground, with numbers and names."""
from __future__ import annotations

import math
from dataclasses import field

import numpy as np

from .values import frozen

#: Proportion of the sheet (an 8 x 10 inch paper) that the number of columns aims at.
PAPER = 8 / 10
_GROUND, _TEXT, _SOFT = (0, 0, 0), (236, 236, 236), (150, 150, 150)
#: Pixels a frame is given at least; a sheet of very many frames becomes larger.
_SMALLEST = 150


@frozen(eq=False)
class Proof:
    """One frame as it is shown: small pictures and what is said beside them.

    Attributes
    ----------
    number : int
        Its place on the roll, from 1.
    name : str
        File name.
    picture : ndarray uint8 (h, w, 3) or (h, w), or None
        The positive in sRGB; None where there is none.
    before : ndarray uint8 (h, w, 3) or None
        The capture as it came, in the same coordinates as `outline`.
    outline : tuple of (x, y)
        Corners of the frame that was found, in pixels of `before`.
    spots : tuple of (x, y, radius, kind)
        In shares of the picture's width (x, radius) and height (y).
    facts : tuple of (label, value)
    warnings : tuple of str
    settings : str
        The recipe as text.
    """

    number: int
    name: str
    picture: np.ndarray | None = field(default=None, repr=False)
    before: np.ndarray | None = field(default=None, repr=False)
    outline: tuple[tuple[float, float], ...] = ()
    spots: tuple[tuple[float, float, float, str], ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    settings: str = field(default="", repr=False)


def contact_sheet(proofs, *, title: str = "", notes: str = "", columns: int | None = None, width: int = 2400) -> np.ndarray:
    """A sheet of frames.

    Parameters
    ----------
    proofs : sequence of Proof
        In the order of the roll; any count, upright and lying ones mixed. All are drawn to one scale, as frames of one
        film are.
    title, notes : str
        Written above the frames.
    columns : int, optional
        By default as many as make a sheet of about 8 to 10.
    width : int
        Pixels; more where frames would become too small.

    Returns
    -------
    ndarray uint8 (H, W, 3), sRGB

    Examples
    --------
    >>> contact_sheet([Proof(1, "frame01.tif", np.full((20, 30), 128, np.uint8))], width=300).shape[1]
    300
    """
    from PIL import Image, ImageDraw

    shapes = [_shape(p) for p in proofs]
    cell_w = max((w for _, w in shapes), default=1.0)
    columns = columns or _columns(len(shapes), cell_w, max((h for h, _ in shapes), default=1.0))
    width = max(width, columns * _SMALLEST)
    margin, gap = width // 40, width // 100
    side = max(8.0, (width - 2 * margin + gap) / columns / cell_w - gap / cell_w)
    text = max(9, min(round(width / 110), round(side / 9)))
    line = round(text * 1.5)
    head = _heading(title, notes, width, margin, text)
    tallest = [round(max(h for h, _ in shapes[i:i + columns]) * side) for i in range(0, len(shapes), columns)]
    start = margin + sum(size * 3 // 2 for _, _, size in head) + (text if head else 0)
    tops = [start + sum(tallest[:i]) + i * (line + gap) for i in range(len(tallest) + 1)]
    sheet = Image.new("RGB", (width, tops[-1] + margin - gap), _GROUND)
    pen = ImageDraw.Draw(sheet)
    y = margin
    for words, colour, size in head:
        pen.text((margin, y), words, fill=colour, font=_font(size))
        y += size * 3 // 2
    for i, (proof, shape) in enumerate(zip(proofs, shapes)):
        left = margin + (i % columns) * (side * cell_w + gap)
        bottom = tops[i // columns] + tallest[i // columns]
        h, w = (max(1, round(v * side)) for v in shape)
        box = (round(left), bottom - h)
        if proof.picture is None:
            pen.rectangle([*box, box[0] + w - 1, box[1] + h - 1], outline=_SOFT)
            pen.text((box[0] + w / 2, box[1] + h / 2), "not converted", fill=_SOFT, font=_font(text), anchor="mm")
        else:
            small = Image.fromarray(proof.picture).convert("RGB").resize((w, h), Image.Resampling.LANCZOS, reducing_gap=3.0)
            sheet.paste(small, box)
        room = side * cell_w
        number = f"{proof.number}"
        under = round(bottom + line * 0.2)
        pen.text((left, under), number, fill=_TEXT, font=_font(text))
        used = pen.textlength(number + "  ", font=_font(text))
        pen.text((left + used, under), _fit(pen, proof.name, room - used, text), fill=_SOFT, font=_font(text))
    return np.asarray(sheet)


def _shape(proof: Proof) -> tuple[float, float]:
    """Height and width, the longer one 1, so that frames of one film come to one scale whatever they were reduced by."""
    if proof.picture is None:
        return 2 / 3, 1.0
    h, w = proof.picture.shape[:2]
    return h / max(h, w), w / max(h, w)


def _columns(count: int, cell_w: float, cell_h: float) -> int:
    best = min(range(1, max(count, 1) + 1), key=lambda c: abs(
        math.log(c * cell_w / (math.ceil(max(count, 1) / c) * (cell_h + 0.12)) / PAPER)))
    return max(best, min(count, 2))


def _heading(title: str, notes: str, width: int, margin: int, text: int) -> list[tuple[str, tuple, int]]:
    from PIL import Image, ImageDraw

    pen = ImageDraw.Draw(Image.new("L", (1, 1)))
    big = max(text, round(width / 70))
    lines = [(_fit(pen, title, width - 2 * margin, big), _TEXT, big)] if title else []
    if notes:
        lines.append((_fit(pen, notes, width - 2 * margin, text), _SOFT, text))
    return lines


def _font(size: int):
    from PIL import ImageFont

    return ImageFont.load_default(size)


def _fit(pen, words: str, room: float, size: int) -> str:
    """`words` with the middle left out where they are too long."""
    words = "".join(c if c.isprintable() else "?" for c in words)[:500]
    if pen.textlength(words, font=_font(size)) <= room:
        return words
    low, high = 0, len(words)
    while low < high:
        keep = (low + high + 1) // 2
        if pen.textlength(_middle(words, keep), font=_font(size)) <= room:
            low = keep
        else:
            high = keep - 1
    return _middle(words, low) if low else ""


def _middle(words: str, keep: int) -> str:
    back = keep // 2
    return words[:keep - back] + "..." + (words[-back:] if back else "")
