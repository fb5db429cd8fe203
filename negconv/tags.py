"""Tags of a classic TIFF (TIFF 6.0, sections 2 and 8; EXIF 2.32, 4.6.3), as `tifffile` gives them.

Only of a file in which nothing is out of the ordinary: everything else is left to tifffile, which takes longer to be
imported than a frame takes to be found.
"""
from __future__ import annotations

import os
import struct

#: Bytes and letter for `struct` of each type a tag may have; two numbers make a fraction.
_TYPES = {1: (1, ""), 2: (1, ""), 3: (2, "H"), 4: (4, "I"), 5: (8, "II"), 6: (1, "b"), 7: (1, ""), 8: (2, "h"), 9: (4, "i"),
          10: (8, "ii"), 11: (4, "f"), 12: (8, "d"), 13: (4, "I")}
#: A directory of more tags than this, or a tag of more bytes, is not ordinary.
_MOST, _LONGEST = 1000, 1 << 22
EXIF = 34665


def ordinary_tags(path: str) -> tuple[dict[int, object], bool, str] | None:
    """The first directory of a TIFF.

    Parameters
    ----------
    path : str

    Returns
    -------
    tags : dict
        Values by code: a number, a tuple of them (fractions as numerators and denominators in turn), str, or bytes; a
        dict of the same under `EXIF`.
    alone : bool
        No other directory follows.
    order : {"<", ">"}
        Of the bytes.
    None
        In place of all, where tifffile has to be asked.
    """
    try:
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
            head = file.read(8)
            order = {b"II*\0": "<", b"MM\0*": ">"}.get(head[:4])
            if order is None:
                return None
            tags, following = _directory(file, struct.unpack(order + "I", head[4:])[0], order, size)
            if EXIF in tags:
                tags[EXIF], _ = _directory(file, tags[EXIF], order, size)
            return tags, following == 0, order
    except (OSError, ValueError, TypeError, struct.error):
        return None


def _directory(file, start: int, order: str, size: int) -> tuple[dict, int]:
    """Tags of the directory that starts at a byte, and where the next one does."""
    file.seek(start)
    count, = struct.unpack(order + "H", file.read(2))
    if not 0 < count <= _MOST:
        raise ValueError
    entries = file.read(12 * count)
    following, = struct.unpack(order + "I", file.read(4))
    tags = {}
    for at in range(0, 12 * count, 12):
        code, kind, n = struct.unpack_from(order + "HHI", entries, at)
        width, letter = _TYPES[kind] if kind in _TYPES else (0, "")
        nbytes = width * n
        if not nbytes or nbytes > _LONGEST or code in tags:
            raise ValueError
        data = entries[at + 8:at + 8 + nbytes]
        if nbytes > 4:
            offset, = struct.unpack(order + "I", data[:4])
            if offset + nbytes > size:
                raise ValueError
            file.seek(offset)
            data = file.read(nbytes)
        tags[code] = _value(data, kind, letter, n, order)
    return tags, following


def _value(data: bytes, kind: int, letter: str, n: int, order: str):
    if kind in (1, 7):
        return data
    if kind == 2:
        return data.rstrip(b"\0").decode("utf-8").strip()
    numbers = struct.unpack(f"{order}{len(letter) * n}{letter[0]}", data)
    return numbers[0] if len(numbers) == 1 else numbers


def parts_of(tags: dict) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """Where the strips or tiles of a picture lie in its file, and their bytes; None where that is not told for each."""
    offsets, counts = (tags.get(tile, tags.get(strip)) for tile, strip in ((324, 273), (325, 279)))
    offsets, counts = (v if isinstance(v, tuple) else (v,) for v in (offsets, counts))
    if len(offsets) != len(counts) or not all(isinstance(v, int) for v in (*offsets, *counts)):
        return None
    return offsets, counts
