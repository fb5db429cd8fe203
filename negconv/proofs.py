"""From finished positives to a contact sheet or a proof page: pictures read back small, with what their sidecars say."""
from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np

from . import colour
from .reading import read
from .errors import InputError
from .files import check_free, place, stage
from .frame import Frame
from .output import read_sidecar, sidecar_path
from .recipe import Recipe
from .sheet import Proof, contact_sheet
from .spots.table import in_words

#: Long side a picture is kept at.
LARGE = 1200
PICTURES = frozenset((".tif", ".tiff", ".png", ".jpg", ".jpeg"))
WRITES = {".jpg": "JPEG", ".jpeg": "JPEG", ".png": "PNG", ".html": "", ".htm": ""}


def write_sheet(paths, out, *, title: str = "", columns: int | None = None, overwrite: bool = False, captures=()) -> tuple[str, ...]:
    """Write a contact sheet of positives.

    Parameters
    ----------
    paths : sequence of path-like
        Positives, or folders of them.
    out : path-like
        ``.jpg`` or ``.png`` for a sheet, ``.html`` for a proof page.
    title : str
    columns : int, optional
        Frames a row of the sheet.
    overwrite : bool
    captures : sequence of path-like
        Captures, or folders of them, that may be shown beside the positives made from them. A sidecar alone never
        leads to a file.

    Returns
    -------
    tuple of str
        One line for each picture that could not be read; it keeps its place on the sheet.

    Raises
    ------
    InputError
    """
    out = os.fspath(out)
    kind = WRITES.get(Path(out).suffix.lower())
    if kind is None:
        raise InputError(out, "is neither .jpg, .png nor .html", "name a file with one of these endings")
    check_free([out], overwrite=overwrite)
    beside = _by_name(captures) if kind == "" else {}
    proofs = [proof_of(path, number, beside) for number, path in enumerate(_positives(paths, out), 1)]
    if all(p.picture is None for p in proofs):
        raise InputError(out, f"would show no picture ({proofs[0].warnings[0]})", "name positives, or a folder of them")
    if kind == "":
        from .proof import proof_page

        data = proof_page(proofs, title=title)
    else:
        from PIL import Image

        file = io.BytesIO()
        Image.fromarray(contact_sheet(proofs, title=title, columns=columns)).save(file, kind, quality=92)
        data = file.getvalue()
    place(stage(out, [data], hashed=False), overwrite=overwrite)
    return tuple(p.warnings[0] for p in proofs if p.picture is None)


def proof_of(path: str, number: int, captures: dict[str, str] | None = None) -> Proof:
    """A positive as it is shown; one that cannot be read keeps its place, with the reason."""
    name = os.path.basename(path)
    try:
        record = read_sidecar(sidecar_path(path))
    except InputError:
        record = {}
    try:
        picture = _small(path, str(_at(record, "output", "space", default="srgb")))
    except InputError as error:
        return Proof(number, name, warnings=(str(error),))
    solved = _at(record, "solved", default={})
    before, outline = _before(record, captures or {})
    return Proof(number, name, picture, before, outline, _spots(record, picture), tuple(_facts(record, solved)),
                 tuple(str(w) for w in _at(record, "warnings", default=[])), _settings(record))


def _positives(paths, out: str) -> list[str]:
    from .gather import natural

    found = []
    for path in map(os.fspath, paths):
        if not os.path.isdir(path):
            found.append(path)
            continue
        inside = [os.path.join(path, n) for n in sorted(os.listdir(path), key=natural)
                  if Path(n).suffix.lower() in PICTURES and not n.startswith(".")]
        # In a folder of ours the pictures with a sidecar are the positives; sheets and maps have none.
        ours = [p for p in inside if os.path.exists(sidecar_path(p))]
        found += [p for p in ours or inside if not (os.path.exists(out) and os.path.samefile(p, out))]
    if not found:
        raise InputError(os.fspath(paths[0]) if len(paths) else None, "holds no positives", "convert a roll first")
    return found


def _small(path: str, space: str) -> np.ndarray:
    """uint8 sRGB, at most `LARGE` pixels a side."""
    capture = read(path)
    linear = capture.proxy(LARGE).data
    if capture.meta.grey:
        linear = linear[..., 0]
    elif space in colour.SPACES and space != "linear":
        linear = linear @ np.asarray(colour.matrix(space, "srgb"), np.float32).T
    return np.floor(255 * np.clip(colour.encode(np.clip(linear, 0, 1), "srgb"), 0, 1) + 0.5).astype(np.uint8)


def _by_name(captures) -> dict[str, str]:
    from .gather import find_captures

    return {os.path.basename(p): p for p in find_captures(captures)} if len(captures) else {}


def _before(record: dict, captures: dict[str, str]):
    path = captures.get(str(_at(record, "inputs", "capture", "file", default="")))
    if path is None:
        return None, ()
    try:
        small = read(path, reduced=True).proxy(800)
        frame = Frame.from_dict(_at(record, "solved", "frame", default={})).reduced(small.reduced)
    except (InputError, KeyError, TypeError, ValueError):
        return None, ()
    light = small.data / max(float(np.percentile(small.data, 99.5)), 1e-6)
    shown = np.floor(255 * colour.encode(np.clip(light, 0, 1), "srgb") + 0.5).astype(np.uint8)
    return shown, frame.corners


def _spots(record: dict, picture: np.ndarray):
    h, w = _number(_at(record, "output", "height")), _number(_at(record, "output", "width"))
    rows = _at(record, "spots", "rows", default=[])
    if not h or not w or not isinstance(rows, list):
        return ()
    out = []
    for row in rows[:5000]:
        x, y, area = (_number(_at(row, key)) for key in ("x", "y", "area"))
        if None not in (x, y, area):
            out.append(((x + 0.5) / w, (y + 0.5) / h, 2 * (area / np.pi) ** 0.5 / w, str(_at(row, "kind", default="speck"))))
    return tuple(out)


def _facts(record: dict, solved):
    frame, base, film = (_at(solved, k, default={}) for k in ("frame", "base", "film"))
    angle, confidence = _number(_at(frame, "angle")), _number(_at(frame, "confidence"))
    if angle is not None and confidence is not None:
        yield "Frame", f"turned {angle:+.2f} degrees, confidence {confidence:.2f}"
    density = [_number(d) for d in _at(base, "density", default=[])] if isinstance(_at(base, "density"), list) else []
    if density and None not in density:
        yield "Base density", f"{', '.join(f'{d:.2f}' for d in density)} ({_at(base, 'source', default='')})"
    if _at(film, "name"):
        yield "Film", str(_at(film, "name"))
    if _at(solved, "balance", "source"):
        yield "Balance", str(_at(solved, "balance", "source"))
    counts = _at(record, "spots", "counts", default={})
    if isinstance(counts, dict) and counts:
        yield "Spots", in_words({kind: n for kind, n in counts.items() if _number(n) is not None})
    capture = _at(record, "inputs", "capture", "file")
    if capture:
        yield "Capture", str(capture)


def _settings(record: dict) -> str:
    settings = _at(record, "settings")
    if settings is None:
        return ""  # nobody knows how it was made
    try:
        return Recipe.from_dict(settings).to_toml()
    except (ValueError, TypeError, KeyError):
        return ""


def _at(values, *keys, default=None):
    """A value deep in a record from who knows where; the default where anything on the way is not as it should be."""
    for key in keys:
        if not isinstance(values, dict) or values.get(key) is None:
            return default
        values = values[key]
    return values


def _number(value) -> float | None:
    ok = isinstance(value, (int, float)) and not isinstance(value, bool) and np.isfinite(value)
    return float(value) if ok else None
