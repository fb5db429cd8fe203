"""The fused pass: capture code values to balanced scene-linear light, strip by strip.

Everything decided on the proxy arrives here folded into a few small arrays (`Stages`), so that a full-size capture
is read once and written once. What is computed, per pixel::

    t  = capture / panel                        linear; light fall-off gone
    v  = max(before @ t, held * t)              film channels, base = 1
    D  = -log10 v                               density above base
    D' = unmix @ D                              one density a dye layer
    h  = table_c[D'_c]                          film exposure, after the balance's slope and offset
    rgb = after @ h + bias                      linear, in the output primaries

The plain reference, written with the library's own value functions, stands in tests/test_invert.py.
"""
from __future__ import annotations

import math
from contextlib import contextmanager
from dataclasses import replace
from threading import Lock
from typing import Callable, Iterator

import numpy as np

from . import kernel
from .capture import Capture
from .encode import Encoder
from .flat import Light, PanelField
from .parallel import over
from .resample import LOBES, Cut, RowShifts, Shears, cut
from .values import frozen

#: Densities the tables cover, and entries per unit of density (linear interpolation between them).
D_LOW, D_HIGH, PER_DENSITY = -1.0, 6.0, 2048
#: Relative transmittance below this is zero light plus noise (density 5.5, beyond any film and any camera).
TINY = 10.0 ** -5.5
#: Pixels one numpy operation works on: few enough for a strip and its scratch to stay in a core's cache, enough for
#: two threads to get past the interpreter's lock (see `negconv.parallel`).
PIXELS = 160_000
#: Tiles of a picture, and how many of their rows are made in one go: the more, the fewer lines a turned run begins with only to
#: leave them, and the more memory is written to before any of it is used again.
TILE_ROWS, TILE_COLUMNS, MOST, FEWEST = 2048, 4096, 256, 128


@frozen(eq=False)
class Stages:
    """The arithmetic of one inversion as arrays; C is 3 for colour and 1 for mono.

    Attributes
    ----------
    before : ndarray (3, 3)
        Panel-relative capture values to film channels, divided by the base's.
    held : ndarray (3,)
        Panel-relative capture values to the least that is left in a film channel (`negconv.film.HELD`).
    unmix : ndarray (C, 3)
    tables : ndarray (C, N)
        Film exposure at densities ``D_LOW + i / PER_DENSITY``.
    after : ndarray (C, C)
    bias : ndarray (C,)
    density : ndarray (3,)
        Weights of the mean density kept for spotting.
    """

    before: np.ndarray
    held: np.ndarray
    unmix: np.ndarray
    tables: np.ndarray
    after: np.ndarray
    bias: np.ndarray
    density: np.ndarray

    @staticmethod
    def grid() -> np.ndarray:
        """The densities at which `tables` are given."""
        return D_LOW + np.arange(int((D_HIGH - D_LOW) * PER_DENSITY) + 1) / PER_DENSITY


class _Strip:
    """Scratch and folded constants for strips of one thread; every operation writes into given memory.

    Inside a strip channels are planes: a matrix then is one BLAS call and a per-channel constant runs along memory.
    """

    def __init__(self, stages: Stages, pixels: int) -> None:
        channels, n = stages.tables.shape
        self.before = np.ascontiguousarray(stages.before, np.float32)
        # Where film channels are the camera's own, nothing can fall below the share that is held.
        plain = not np.any(stages.before - np.diag(np.diag(stages.before)))
        self.held = None if plain else stages.held.astype(np.float32)[:, None]
        # log10 costs more than log: its factor goes into the unmixing, with the sign and the table's scale.
        self.unmix = np.ascontiguousarray(stages.unmix * (-PER_DENSITY / np.log(10)), np.float32)
        self.weights = np.ascontiguousarray(stages.density * (-1 / np.log(10)), np.float32)
        self.zero, self.last = np.float32(-D_LOW * PER_DENSITY), np.float32(n - 1.01)
        self.first = (np.arange(channels, dtype=np.int32) * n)[:, None]
        self.value = np.ascontiguousarray(stages.tables.ravel(), np.float32)
        self.step = np.diff(self.value, append=self.value[-1:])
        self.matrix = np.ascontiguousarray(stages.after, np.float32)
        self.after = np.ascontiguousarray(self.matrix.T)
        self.bias = stages.bias.astype(np.float32)
        self.v, self.least = np.empty(3 * pixels, np.float32), np.empty(3 * pixels, np.float32)
        self.d, self.h, self.g = (np.empty(channels * pixels, np.float32) for _ in range(3))
        self.i = np.empty(channels * pixels, np.int32)

    def __call__(self, t: np.ndarray, out: np.ndarray, density: np.ndarray | None) -> None:
        """t (n, 3) panel-relative -> out (n, C) linear, density (n,)."""
        n, channels = len(t), len(self.first)
        if kernel.loops is not None:
            kernel.loops.develop(t, n, channels, self.before, self.held, self.unmix, self.weights, self.value,
                                 len(self.value) // channels, self.matrix, self.bias, TINY, self.zero, self.last, out, density)
            return
        v = self.v[:3 * n].reshape(3, n)
        d, h, g, i = (a[:channels * n].reshape(channels, n) for a in (self.d, self.h, self.g, self.i))
        np.matmul(self.before, t.T, out=v)
        if self.held is not None:
            least = self.least[:3 * n].reshape(3, n)
            np.multiply(t.T, self.held, out=least)
            np.maximum(v, least, out=v)
        np.maximum(v, np.float32(TINY), out=v)
        np.log(v, out=v)
        if density is not None:
            np.matmul(self.weights, v, out=density)
        np.matmul(self.unmix, v, out=d)
        d += self.zero
        np.clip(d, np.float32(0), self.last, out=d)
        np.copyto(i, d, casting="unsafe")  # truncates
        np.subtract(d, i, out=d, dtype=np.float32, casting="unsafe")
        i += self.first
        np.take(self.step, i, out=h, mode="clip")
        h *= d
        np.take(self.value, i, out=g, mode="clip")
        h += g
        if channels == 1:
            np.multiply(h[0], self.after[0, 0], out=out[:, 0])
        else:
            np.matmul(h.T, self.after, out=out)
        if self.bias.any():
            out += self.bias


def invert(capture: Capture, where: Cut, stages: Stages, *, field: PanelField | None = None, threads: int = 2,
           keep_density: bool = True, encoder: Encoder | None = None,
           done: Callable[[np.ndarray], None] | None = None) -> tuple[np.ndarray | None, np.ndarray | None]:
    """The picture a cut describes, inverted.

    Parameters
    ----------
    capture : Capture
        Not yet flattened when `field` is given.
    where : Cut
    stages : Stages
    field : PanelField or None
    threads : int
    keep_density : bool
        Also return the mean density above base, for spotting.
    encoder : Encoder, optional
        Encode each strip while it is in the cache, and keep no linear picture.
    done : callable, optional
        Called in this thread with runs of rows of the picture as they are finished, from the top down, while others are made.
        Their memory is used again when it returns, and no whole picture is kept.

    Returns
    -------
    linear : ndarray float32 (h, w, 3), or (h, w) for mono; code values where an encoder was given; None where `done` was
    density : ndarray float32 (h, w) or None
    """
    h, w = where.shape
    channels = len(stages.tables)
    dtype = np.float32 if encoder is None else encoder.dtype
    out = np.empty((h, w, channels), dtype) if done is None else None
    density = np.empty((h, w), np.float32) if keep_density else None
    source = _source(capture, where, field, threads)
    runs = list(_runs(h))
    tiles = _Tiles(source, where.shape)
    rows = max(1, PIXELS // tiles.wide)
    parts: dict[int, np.ndarray] = {}
    spare: list[np.ndarray] = []
    idle: list[tuple] = []  # memory of threads that work on nothing
    lock = Lock()

    def memory() -> tuple:
        pixels = rows * tiles.wide
        return (_Strip(stages, pixels), np.empty((pixels, 3), np.float32), np.empty((pixels, channels), np.float32),
                None if density is None else np.empty(pixels, np.float32))

    def work(start: int, stop: int) -> None:
        run = start // tiles.count
        (first, last), top, part = runs[run], 0, out
        if part is None:
            with lock:
                if run not in parts:
                    parts[run] = _taken(spare, (last - first, w, channels), dtype)
            top, part = first, parts[run]
        try:
            own = idle.pop()
        except IndexError:
            own = memory()
        strip, light, made, dense = own
        with tiles.begun(run, first, last) as (x0, x1, read):
            for y in range(first, last, rows):
                n = min(rows, last - y)
                m = n * (x1 - x0)
                t = light[:m]
                read(y, y + n, t.reshape(n, x1 - x0, 3))
                place = part[y - top:y - top + n, x0:x1]
                here = encoder is None and x1 - x0 == w
                linear = place.reshape(-1, channels) if here else made[:m]
                strip(t, linear, None if dense is None else dense[:m])
                if encoder is not None:
                    encoder(linear, place)
                elif not here:
                    place[...] = linear.reshape(place.shape)
                if density is not None:
                    density[y:y + n, x0:x1] = dense[:m].reshape(n, x1 - x0)
        idle.append(own)

    def deliver(start: int, stop: int) -> None:
        if stop % tiles.count:
            return
        part = parts.pop(start // tiles.count)
        done(part if channels == 3 else part[..., 0])
        spare.append(part.base)

    over(len(runs) * tiles.count, work, size=1, threads=threads, done=None if done is None else deliver)
    if out is None:
        return None, density
    return (out if channels == 3 else out[..., 0]), density


class _Tiles:
    """The tiles of a picture, gone through in columns from the top down.

    Turned rows ask for many lines, most of them those of the rows above: who goes on with a column has them still.
    """

    def __init__(self, source: _Upright, shape: tuple[int, int]) -> None:
        self.source, (self.height, self.width) = source, shape
        self.count = 1 if source.whole_rows else min(self.width, max(2, -(-self.width // TILE_COLUMNS)))
        self.wide = -(-self.width // self.count)
        self._lock = Lock()
        self._left: dict[int, list[int]] = {}  # by runs of rows, the columns nobody has begun
        self._open: dict[int, tuple] = {}      # by columns, the row after those that were made, what reads on, and its memory

    @contextmanager
    def begun(self, run: int, first: int, last: int) -> Iterator[tuple[int, int, Callable]]:
        """Of one column that is left of rows first..last: x0, x1 and what reads rows y0..y1 of it into an array."""
        with self._lock:
            left = self._left.setdefault(run, list(range(self.count)))
            column = next((c for c in left if c in self._open and self._open[c][0] == first), left[0])
            left.remove(column)
            row, read, scratch = self._open.pop(column, (None, None, None))
        x0, x1 = column * self.wide, min((column + 1) * self.wide, self.width)
        y0 = first - first % TILE_ROWS
        if row != first or first == y0:
            scratch = scratch or _Scratch()
            read = self.source.tile(y0, min(y0 + TILE_ROWS, self.height), x0, x1, scratch)
        yield x0, x1, lambda a, b, out: read(a - y0, b - y0, out)
        with self._lock:
            if self._open.get(column, (-1,))[0] < last:
                self._open[column] = last, read, scratch


def _runs(height: int) -> Iterator[tuple[int, int]]:
    """Rows made in one go, within a tile, fewer towards the end, so that no thread waits long for another."""
    y = 0
    while y < height:
        end = min(y + min(MOST, max(FEWEST, (height - y) // 4)), y - y % TILE_ROWS + TILE_ROWS, height)
        yield y, end
        y = end


def _taken(spare: list[np.ndarray], shape: tuple[int, ...], dtype) -> np.ndarray:
    """An array of memory that is free again, or new."""
    try:
        return spare.pop()[:shape[0]]
    except IndexError:
        return np.empty((MOST, *shape[1:]), dtype)[:shape[0]]


def _source(capture: Capture, where: Cut, field: PanelField | None, threads: int):
    """What gives the cut's tiles as panel-relative light."""
    light = Light(capture, field)
    shears = Shears.of(where, capture.shape)
    if shears is not None and (shears.turn == np.eye(2)).all():
        return _Upright(light.window, where, shears, capture.shape)
    # A quarter turn, a mirror, a scale: the panel is divided out first, over the whole capture.
    flat = np.empty(capture.samples.shape, np.float32)
    over(len(flat), lambda y0, y1: light.window(y0, y1, 0, flat.shape[1], flat[y0:y1]), size=64, threads=threads)
    if shears is None:
        whole = cut(flat, where)
        return _Upright(_window(whole), Cut.rectangle(0, 0, where.shape[1], where.shape[0]), None, whole.shape[:2])
    turned = Cut(((shears.cosine, -shears.b, shears.origin[0]), (shears.b, shears.cosine, shears.origin[1])), where.shape)
    return _Upright(_window(shears.turned(flat)), turned, replace(shears, turn=np.eye(2)), shears.size)


class _Scratch:
    """Memory of one thread, used again from tile to tile: memory touched for the first time costs more than arithmetic."""

    def __init__(self) -> None:
        self._flat: dict[str, np.ndarray] = {}

    def array(self, name: str, shape: tuple[int, ...]) -> np.ndarray:
        size = math.prod(shape)
        if name not in self._flat or self._flat[name].size < size:
            self._flat[name] = np.empty(size + size // 8, np.float32)
        return self._flat[name][:size].reshape(shape)


def _window(array: np.ndarray):
    def read(y0: int, y1: int, x0: int, x1: int, out: np.ndarray) -> np.ndarray:
        out[...] = array[y0:y1, x0:x1]
        return out
    return read


class _Upright:
    """Tiles of a cut that is no more than a small turn of its source.

    A turned tile is three shears of a window of the source not much larger than itself, so that a capture of any size needs
    no second copy.
    """

    def __init__(self, window, where: Cut, shears: Shears | None, size: tuple[int, int]) -> None:
        self.window, self.where, self.size = window, where, size
        self.still = shears is None or shears.still
        x, y = where.to_capture(0, 0)
        h, w = where.shape
        # Whole pixels inside the capture are read as they lie; all else goes through the shears, which repeat the edge.
        self.whole_rows = self.still and 0 <= x <= size[1] - w and 0 <= y <= size[0] - h

    def tile(self, y0: int, y1: int, x0: int, x1: int, scratch: _Scratch):
        """A function that fills an array with rows of the tile, counted from its top, each time with rows further down."""
        if self.whole_rows:
            left, top = (int(round(v)) for v in self.where.to_capture(x0, y0))
            return lambda a, b, out: self.window(top + a, top + b, left, left + x1 - x0, out)
        (a, b, _), (d, e, _) = self.where.matrix
        x, y = self.where.to_capture(x0, y0)
        shears = Shears.of(Cut(((a, b, x), (d, e, y)), (y1 - y0, x1 - x0)), self.size)
        return _Turned(self.window, shears, self.size, scratch)


class _Turned:
    """Rows of a turned tile, from the top down: of the plane between the shears only the lines some rows need are kept.

    A line is as good as none once the rows it makes are made, so that a tile of any height needs no more memory than its
    turn spans, and that memory stays in the cache.
    """

    def __init__(self, window, shears: Shears, size: tuple[int, int], scratch: _Scratch) -> None:
        self.window, self.size, self.scratch = window, size, scratch
        self.shifts, self.shifts_out = shears.shifts(3), shears.shifts_out()
        (self.top, lines), (first, self.count) = shears.lines, shears.columns
        height, width = size
        at = shears.origin[0] + shears.a * (np.arange(self.top, self.top + lines) - shears.origin[1]) + first
        self.x0 = int(np.clip(np.floor(at.min()) - LOBES, 0, width - 1))
        self.x1 = int(np.clip(np.ceil(at.max()) + self.count + LOBES, self.x0 + 1, width))
        self.shifts_in = RowShifts.to(at - self.x0)
        self.rows = max(1, PIXELS // self.count)
        first, last = self.shifts.needed(0, self.rows)
        self.ring = scratch.array("ring", (last - first, self.count, 3))
        self.filled = 0

    def __call__(self, a: int, b: int, out: np.ndarray) -> None:
        for y in range(a, b, self.rows):
            n = min(self.rows, b - y)
            first, last = self.shifts.needed(y, y + n)
            self._fill(max(first, self.filled), last)
            shifted = self.scratch.array("shifted", (n, self.count, 3))
            self.shifts.rows(self.ring, y, shifted)
            self.shifts_out.rows(shifted, y, out[y - a:y - a + n])

    def _fill(self, start: int, stop: int) -> None:
        """Lines start..stop of `Shears.start` of a window of the source."""
        height, length = self.size[0], len(self.ring)
        buffer = self.scratch.array("rows", (self.rows, self.x1 - self.x0, 3))
        while start < stop:
            at = start % length
            n = min(self.rows, stop - start, length - at)
            # Rows beyond the capture repeat its edge; they only reach pixels outside the picture.
            y0, y1 = (min(max(self.top + start + k, 0), height - 1) for k in (0, n - 1))
            line = self.window(y0, y1 + 1, self.x0, self.x1, buffer[:y1 + 1 - y0])
            if len(line) < n:
                line = line[np.clip(np.arange(self.top + start, self.top + start + n), y0, y1) - y0]
            self.shifts_in.rows(line, start, self.ring[at:at + n])
            start += n
        self.filled = start
