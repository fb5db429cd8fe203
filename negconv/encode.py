"""From linear light to code values: output primaries, gamut, tone, transfer; one pass over strips.

Colours outside the output gamut are drawn towards their own luminance until no channel is negative, so hue and
lightness stay and only saturation gives way. The tone curve acts on the largest and the smallest channel and carries
the middle one in proportion between them, so highlights go to white without a change of hue.
"""
from __future__ import annotations

from functools import lru_cache

import numpy as np

from . import colour, kernel
from .parallel import over
from .tone import ToneCurve

#: Linear values above this share one code value (six stops over diffuse white; the curve has flattened long before).
TOP = 64.0
TONE_ENTRIES, CODE_ENTRIES = 1 << 14, 1 << 18
PIXELS = 1 << 16


def encode(linear: np.ndarray, tone: ToneCurve, *, space: str = "srgb", bits: int = 16, primaries: str = "srgb",
           threads: int = 2) -> np.ndarray:
    """Code values uint8 or uint16 of scene-linear light; see `Positive.encode`.

    Notes
    -----
    Both curves are tables over the square root of light, fine where eyes are: within one 16-bit code value of the
    formulas, for curves of very low contrast from four decades under white up (tests/test_encode.py).
    """
    encoder = Encoder(tone, space=space, bits=bits, primaries=primaries, grey=linear.ndim == 2)
    out = np.empty(linear.shape, encoder.dtype)
    flat_in, flat_out = (a.reshape(-1, encoder.channels) for a in (linear, out))

    def work(i0: int, i1: int) -> None:
        for i in range(i0, i1, PIXELS):
            encoder(flat_in[i:min(i + PIXELS, i1)], flat_out[i:min(i + PIXELS, i1)])

    over(len(flat_in), work, size=PIXELS * 8, threads=threads)
    return out


class Encoder:
    """Tables and matrix of one output, for strips of pixels on any thread."""

    def __init__(self, tone: ToneCurve, *, space: str = "srgb", bits: int = 16, primaries: str = "srgb", grey: bool = False) -> None:
        if bits not in (8, 16):
            raise ValueError(f"bits must be 8 or 16, not {bits!r}")
        self.channels = 1 if grey else 3
        self.dtype = np.uint8 if bits == 8 else np.uint16
        self.toned = None if tone == ToneCurve.off() else _table(tone.apply, TONE_ENTRIES, TOP)
        self.coded = _codes(space, bits)
        same = grey or primaries == space_primaries(space)
        self.matrix = None if same else np.ascontiguousarray(colour.matrix(primaries, space), np.float32)
        self.luminance = np.asarray(colour.luminance(space), np.float32)

    def __call__(self, linear: np.ndarray, out: np.ndarray) -> None:
        """Scene-linear light float32 (n, C) into code values, (n, C) or rows of them (rows, n // rows, C)."""
        if kernel.loops is not None and linear.flags.c_contiguous and out[0].flags.c_contiguous:
            kernel.loops.encode(linear, len(linear), self.channels, self.matrix, self.luminance, self.toned, TONE_ENTRIES, TOP,
                                self.coded, CODE_ENTRIES, 8 * self.coded.itemsize, out)
            return
        if self.channels == 1:
            v = np.maximum(linear[:, 0], np.float32(0))
            out[...] = _look(self.coded, v if self.toned is None else _lerp(self.toned, v)).reshape(out.shape)
            return
        v = np.ascontiguousarray(linear.T) if self.matrix is None else np.matmul(self.matrix, linear.T)
        _into_gamut(v, self.luminance)
        if self.toned is not None:
            _tone_keeping_hue(v, self.toned)
        out[...] = _look(self.coded, v).T.reshape(out.shape)


def space_primaries(space: str) -> str:
    """The primaries of a space: a linear space has those of sRGB."""
    return colour.SPACES[space].primaries if space in colour.SPACES else space


def _table(function, entries: int, top: float) -> np.ndarray:
    root = np.linspace(0, 1, entries)
    return np.asarray(function(root * root * top), np.float32)


@lru_cache(maxsize=2)
def _codes(space: str, bits: int) -> np.ndarray:
    root, full = np.linspace(0, 1, CODE_ENTRIES), (1 << bits) - 1
    out = np.empty(CODE_ENTRIES, np.uint8 if bits == 8 else np.uint16)
    # By parts, in memory that is used again: memory touched for the first time costs more than the powers.
    for part in (slice(i, i + 8192) for i in range(0, CODE_ENTRIES, 8192)):
        out[part] = np.floor(np.clip(colour.encode(root[part] * root[part], space), 0, 1) * full + 0.5)
    out.flags.writeable = False
    return out


def _look(codes: np.ndarray, v: np.ndarray) -> np.ndarray:
    at = np.sqrt(v)
    at *= np.float32(CODE_ENTRIES - 1)
    at += np.float32(0.5)
    np.minimum(at, np.float32(CODE_ENTRIES - 1), out=at)
    return codes.take(at.astype(np.int32), mode="clip")


def _lerp(table: np.ndarray, v: np.ndarray) -> np.ndarray:
    at = np.sqrt(v * np.float32(1 / TOP))
    at *= np.float32(TONE_ENTRIES - 1)
    np.minimum(at, np.float32(TONE_ENTRIES - 1.01), out=at)
    low = at.astype(np.int32)
    np.subtract(at, low, out=at, dtype=np.float32, casting="unsafe")
    left = table.take(low, mode="clip")
    low += 1
    at *= table.take(low, mode="clip") - left
    at += left
    return at


def _into_gamut(v: np.ndarray, luminance: np.ndarray) -> None:
    """Planes (3, n) with a negative channel drawn towards their luminance until it is zero, in place."""
    low = np.minimum(np.minimum(v[0], v[1]), v[2])
    where = np.flatnonzero(low < 0)
    if where.size:
        out = v[:, where]
        y = np.maximum(luminance @ out, 0)
        keep = y / np.maximum(y - low[where], np.float32(1e-12))
        v[:, where] = (out - low[where]) * keep  # y + (out - y) * keep, written so that the lowest is zero itself


def _tone_keeping_hue(v: np.ndarray, table: np.ndarray) -> None:
    """The tone curve on the largest and smallest of planes (3, n), the rest in proportion, in place."""
    ends = np.empty((2, v.shape[1]), np.float32)
    np.minimum(np.minimum(v[0], v[1], out=ends[0]), v[2], out=ends[0])
    np.maximum(np.maximum(v[0], v[1], out=ends[1]), v[2], out=ends[1])
    toned = _lerp(table, ends)
    span = ends[1] - ends[0]
    span += np.float32(1e-12)
    ratio = np.subtract(toned[1], toned[0])
    ratio /= span
    v -= ends[0]
    v *= ratio
    v += toned[0]
