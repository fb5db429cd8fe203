"""Pictures for the retoucher: mask, overlay with outlines, before and after."""
from __future__ import annotations

import io

import numpy as np

from .table import Spots, _write_bytes

#: Outline colour of each kind (sRGB), chosen to differ in lightness as well as hue. The shape says the same: a speck
#: is ringed, a fibre boxed with rounded corners, a scratch boxed, a drying mark set in a lozenge.
COLOURS = {"speck": (255, 64, 64), "fibre": (80, 220, 255), "scratch": (255, 220, 0), "drying mark": (230, 120, 255)}


def picture(positive) -> np.ndarray:
    """uint8 (h, w, 3) for showing: a Positive through its tone curve, an array by the sRGB curve."""
    if hasattr(positive, "encode"):
        out = positive.encode("srgb", bits=8)
    else:
        v = np.clip(np.asarray(positive, np.float32), 0, 1)
        out = (255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055) + 0.5).astype(np.uint8)
    return np.repeat(out[..., None], 3, axis=2) if out.ndim == 2 else out


def overlay(positive, spots: Spots, *, numbers: bool = False) -> np.ndarray:
    """The picture, dimmed a little, with every spot outlined.

    Parameters
    ----------
    positive : Positive or array
    spots : Spots
    numbers : bool
        Write row numbers beside the outlines.

    Returns
    -------
    ndarray uint8 (h, w, 3)
        Ring: speck. Box with round corners: fibre. Box: scratch. Lozenge: drying mark. A dark spot's outline is
        double, a doubtful one's broken off at half brightness.
    """
    from PIL import Image, ImageDraw

    base = picture(positive)
    image = Image.fromarray((base.astype(np.uint16) * 3 // 4).astype(np.uint8))
    pen = ImageDraw.Draw(image)
    line = max(1, round(max(spots.shape) / 2500))
    for spot in spots.doubtful + spots.rows:
        colour = COLOURS[spot.kind]
        if spot.doubtful:
            colour = tuple(c // 2 for c in colour)
        for more in ((4 * line,) if spot.light else (4 * line, 7 * line)):
            _outline(pen, spot, more, colour, line)
        if numbers:
            x, y, w, _ = spot.box
            pen.text((x + w + 5 * line, y - 5 * line), str(spot.row), fill=colour)
    return np.asarray(image)


def _outline(pen, spot, more, colour, line) -> None:
    x, y, w, h = spot.box
    cx, cy = x + (w - 1) / 2, y + (h - 1) / 2
    if spot.kind == "speck":
        r = np.hypot(w, h) / 2 + more
        pen.ellipse([cx - r, cy - r, cx + r, cy + r], outline=colour, width=line)
    elif spot.kind == "drying mark":
        rx, ry = w + more, h + more
        pen.polygon([(cx - rx, cy), (cx, cy - ry), (cx + rx, cy), (cx, cy + ry)], outline=colour, width=line)
    else:
        ends = [x - more, y - more, x + w - 1 + more, y + h - 1 + more]
        if spot.kind == "fibre":
            pen.rounded_rectangle(ends, min(w + 2 * more, h + 2 * more) / 3, outline=colour, width=line)
        else:
            pen.rectangle(ends, outline=colour, width=line)


def save_overlay(path, positive, spots: Spots, *, numbers: bool = True, quality: int = 90) -> None:
    """Write `overlay` as a JPEG (or PNG, by the name's ending)."""
    _save(path, overlay(positive, spots, numbers=numbers), quality=quality)


def save_mask(path, spots: Spots) -> None:
    """Write the mask as an 8-bit grey PNG of the picture's size, 255 on spots."""
    _save(path, np.where(spots.labels > 0, np.uint8(255), np.uint8(0)))


def before_after(positive, clean, spots: Spots, row: int, *, margin: int = 40, zoom: int = 1) -> np.ndarray:
    """Crops around one row before and after repair, side by side with a white line between; uint8 (h, w, 3)."""
    x, y, w, h = spots[row].box
    height, width = spots.shape
    part = (slice(max(y - margin, 0), min(y + h + margin, height)), slice(max(x - margin, 0), min(x + w + margin, width)))
    both = [np.repeat(np.repeat(picture(p)[part], zoom, 0), zoom, 1) for p in (positive, clean)]
    return np.concatenate([both[0], np.full((both[0].shape[0], 2, 3), 255, np.uint8), both[1]], axis=1)


def _save(path, pixels: np.ndarray, **options) -> None:
    from PIL import Image

    data = io.BytesIO()
    jpeg = str(path).lower().endswith((".jpg", ".jpeg"))
    Image.fromarray(pixels).save(data, "JPEG" if jpeg else "PNG", **(options if jpeg else {}))
    _write_bytes(path, data.getvalue())
