"""ICC profiles of the output spaces, built from the same numbers that encode the pixels (ICC.1:2022)."""
from __future__ import annotations

import hashlib
import struct
from functools import lru_cache

import numpy as np

from . import colour

#: Profiles carry a date; a fixed one keeps the bytes of a file from depending on the day (ICC.1:2022, 7.2.8).
_DATE = (2026, 1, 1, 0, 0, 0)


@lru_cache(maxsize=None)
def icc_profile(space: str, grey: bool = False) -> bytes:
    """The profile of an output space.

    Parameters
    ----------
    space : str
        Key of `negconv.colour.SPACES`.
    grey : bool
        The one-channel profile of the same transfer function.

    Returns
    -------
    bytes
        A version 4 display profile: primaries and parametric curves, or one grey curve; the white adapted to D50 by
        the linear Bradford matrix, which is kept in the chromatic adaptation tag.

    Examples
    --------
    >>> icc_profile("srgb")[36:40]
    b'acsp'
    """
    this = colour.SPACES[space]
    own = colour.white(colour.PRIMARIES[this.primaries][3])
    curve = _curve(this.segments)
    tags = {b"desc": _text(this.title + (", grey" if grey else "")), b"cprt": _text("No rights reserved (CC0)"),
            b"wtpt": _xyz(colour.PCS_WHITE)}
    if not np.allclose(own, colour.PCS_WHITE, atol=1e-3):
        tags[b"chad"] = b"sf32\0\0\0\0" + _fixed(colour.adaptation(own, colour.PCS_WHITE).ravel())
    if grey:
        tags[b"kTRC"] = curve
    else:
        columns = np.array(colour.matrix(space, "xyz-d50")).T
        for name, column in zip((b"r", b"g", b"b"), columns):
            tags[name + b"XYZ"] = _xyz(column)
            tags[name + b"TRC"] = curve
    return _assembled(tags, b"GRAY" if grey else b"RGB ")


def _curve(segments: tuple[float, ...]) -> bytes:
    """10.18: parametricCurveType, function 3, or a plain power."""
    if segments[0] == 1.0:
        return b"para\0\0\0\0" + struct.pack(">HH", 0, 0) + _fixed([1.0])
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + _fixed(segments)


def _text(text: str) -> bytes:
    """10.15: multiLocalizedUnicodeType with one record."""
    data = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(data), 28) + data


def _xyz(values) -> bytes:
    """10.31: XYZType."""
    return b"XYZ \0\0\0\0" + _fixed(values)


def _fixed(values) -> bytes:
    """4.6: s15Fixed16Number."""
    return np.floor(np.asarray(values, float) * 65536 + 0.5).astype(">i4").tobytes()


def _assembled(tags: dict[bytes, bytes], device: bytes) -> bytes:
    """7.2 and 7.3: header, tag table, and each different element once, on four-byte bounds."""
    table, body, places = b"", b"", {}
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        if data not in places:
            places[data] = start + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", name, places[data], len(data))
    header = struct.pack(">I4sI4s4s4s6H4s4sI4s4sQI12s4s", start + len(body), b"\0\0\0\0", 0x04400000, b"mntr", device,
                         b"XYZ ", *_DATE, b"acsp", b"\0\0\0\0", 0, b"\0\0\0\0", b"\0\0\0\0", 0, 0,
                         _fixed(colour.PCS_WHITE), b"\0\0\0\0")
    header += b"\0" * (128 - len(header))
    # 7.2.18: the identifier is the MD5 of the profile while flags, intent and identifier are zero.
    whole = header + struct.pack(">I", len(tags)) + table + body
    return whole[:84] + hashlib.md5(whole, usedforsecurity=False).digest() + whole[100:]
