"""Samples that stay where they are, in a file or a sensor's mosaic, and are handed out a few rows at a time.

Memory touched for the first time costs more than reading it again from the system's cache of the file: a capture that
is looked at once for its proxy and inverted once needs no array of its own.
"""
from __future__ import annotations

import math
import os
from typing import Callable, Iterator

import numpy as np

from . import kernel
from .errors import InputError

#: Bytes of rows asked for at a time where a whole picture is passed over.
AT_ONCE = 4 << 20


class Rows:
    """In place of an array uint16 or float32 (H, W, 3): its shape and dtype, and its rows as they are asked for.

    Parameters
    ----------
    shape : (int, int, int)
    part : callable
        ``part(y0, y1, x0, x1)``: new array (y1 - y0, x1 - x0, 3), C-contiguous; on any thread.
    means : callable, optional
        ``means(k, scale, ceiling, every)``: as `negconv.capture.means_and_clipped`, in less time.
    dtype : dtype
    """

    def __init__(self, shape: tuple[int, int, int], part: Callable[[int, int, int, int], np.ndarray],
                 means: Callable[[int, float, float, int], tuple[np.ndarray, float]] | None = None, dtype=np.uint16) -> None:
        self.shape, self.part, self.means, self.dtype = shape, part, means, np.dtype(dtype)

    def whole(self) -> np.ndarray:
        """All of them as an array."""
        return self.part(0, self.shape[0], 0, self.shape[1])


def rows_of_file(path: str, start: int, shape: tuple[int, int, int], table: np.ndarray | None = None) -> Rows:
    """Rows of uncompressed samples of 16 bits, in the order of this machine's bytes, from byte `start` of a file; or of what a `table`,
    float32 (65536,), has for them.

    They are read, not mapped: of a file cut short meanwhile a map would end the process.
    """
    file = open(path, "rb", buffering=0)
    pixel = 2 * shape[2]
    line = pixel * shape[1]
    filled = _filled if kernel.loops is None else kernel.loops.read_window

    def read(work: Callable, *arguments) -> None:
        try:
            whole = work(file.fileno(), *arguments)
        except OSError as error:
            raise InputError(path, f"cannot be read ({(error.strerror or str(error)).lower()})",
                             "check the file and its folder") from error
        if not whole:
            raise InputError(path, "was cut short while it was read", "copy it again")

    def part(y0: int, y1: int, x0: int, x1: int) -> np.ndarray:
        out = np.empty((y1 - y0, x1 - x0, shape[2]), np.uint16)
        n, run = y1 - y0, pixel * (x1 - x0)
        if run == line:
            n, run = 1, n * line
        read(filled, start + y0 * line + x0 * pixel, line, n, run, out)
        if table is None:
            return out
        light = np.empty(out.shape, np.float32)
        if kernel.loops is None:
            return table.take(out, out=light, mode="clip")
        kernel.loops.look_up(out, out.size, table, light)
        return light

    def means(k: int, scale: float, ceiling: float, every: int) -> tuple[np.ndarray, float]:
        (h, w, channels), full = shape, np.zeros(1, np.int64)
        out = np.empty((h // k, w // k, channels), np.float32)
        if table is None and ceiling < math.inf:
            ceiling = math.ceil(ceiling)  # whole numbers are compared as such
        read(kernel.loops.file_means, start, *shape, k, table, np.float32(scale / (k * k)), ceiling, every, out, full)
        return out, float(full[0]) / (-(-h // every) * -(-w // every))

    return Rows(shape, part, None if kernel.loops is None else means, np.uint16 if table is None else np.float32)


def _filled(file: int, at: int, pitch: int, n: int, count: int, out: np.ndarray) -> bool:
    """``count`` bytes at ``at``, at ``at + pitch`` and so on, ``n`` times; False where the file ends before."""
    rest = memoryview(out.reshape(-1)).cast("B")
    for i in range(n):
        have = 0
        while have < count:
            got = os.preadv(file, [rest[i * count + have:(i + 1) * count]], at + i * pitch + have)
            if not got:
                return False
            have += got
    return True


def rows_of_mosaic(mosaic: np.ndarray, top: int, left: int, shape: tuple[int, int, int], places: tuple[int, ...],
              black: tuple[int, ...], white: int) -> Rows:
    """Cells of two by two samples of a mosaic as pixels: red, mean of the greens, blue, less black, at most `white`.

    Parameters
    ----------
    mosaic : ndarray uint16, C-contiguous
    top, left : int
        Where the first cell begins.
    places, black : tuple of four
        Where in a cell red, two greens and blue lie (0 to 3), and their black levels.
    """
    def part(y0: int, y1: int, x0: int, x1: int) -> np.ndarray:
        out = np.empty((y1 - y0, x1 - x0, shape[2]), np.uint16)
        kernel.loops.halve(mosaic, mosaic.shape[1], top + 2 * y0, left + 2 * x0, y1 - y0, x1 - x0, places, black, white, out)
        return out

    return Rows(shape, part)


def rows_under(samples: np.ndarray, ceiling: int) -> Rows:
    """Rows of an array, nothing in them above `ceiling`."""
    return Rows(samples.shape, lambda y0, y1, x0, x1: np.minimum(samples[y0:y1, x0:x1], np.uint16(ceiling)))


def rows_of(samples, y0: int, y1: int) -> np.ndarray:
    """Rows y0..y1 of an array or of `Rows`."""
    return samples.part(y0, y1, 0, samples.shape[1]) if isinstance(samples, Rows) else samples[y0:y1]


def window_of(samples, y0: int, y1: int, x0: int, x1: int) -> tuple[np.ndarray, int]:
    """Rows y0..y1 of an array, or of `Rows` no more of them than columns x0..x1; and which of their columns is x0."""
    return (samples.part(y0, y1, x0, x1), 0) if isinstance(samples, Rows) else (samples[y0:y1], x0)


def in_parts(samples, multiple: int) -> Iterator[tuple[int, np.ndarray]]:
    """All of an array or of `Rows` from the top down: a row, and that row and those after it, a multiple of `multiple`."""
    height = lines = samples.shape[0]
    if isinstance(samples, Rows):
        lines = multiple * max(1, AT_ONCE // (samples.dtype.itemsize * multiple * samples.shape[1] * samples.shape[2]))
    for y in range(0, height, lines):
        yield y, rows_of(samples, y, min(y + lines, height))
