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

from dataclasses import dataclass

import numpy as np

from .capture import Capture
from .encode import Encoder
from .flat import PanelField
from .parallel import over
from .resample import Cut, Shears

#: Densities the tables cover, and entries per unit of density (linear interpolation between them).
D_LOW, D_HIGH, PER_DENSITY = -1.0, 6.0, 2048
#: Relative transmittance below this is zero light plus noise (density 5.5, beyond any film and any camera).
TINY = 10.0 ** -5.5
#: Rows a strip: small enough for a strip and its scratch to stay in a core's cache.
STRIP = 8


@dataclass(frozen=True, eq=False)
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
        self.after = np.ascontiguousarray(stages.after.T, np.float32)
        self.bias = stages.bias.astype(np.float32)
        self.v, self.least = np.empty(3 * pixels, np.float32), np.empty(3 * pixels, np.float32)
        self.d, self.h, self.g = (np.empty(channels * pixels, np.float32) for _ in range(3))
        self.i = np.empty(channels * pixels, np.int32)

    def __call__(self, t: np.ndarray, out: np.ndarray, density: np.ndarray | None) -> None:
        """t (n, 3) panel-relative -> out (n, C) linear, density (n,)."""
        n, channels = len(t), len(self.first)
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
           keep_density: bool = True, encoder: Encoder | None = None) -> tuple[np.ndarray, np.ndarray | None]:
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

    Returns
    -------
    linear : ndarray float32 (h, w, 3), or (h, w) for mono; code values where an encoder was given
    density : ndarray float32 (h, w) or None
    """
    h, w = where.shape
    channels = len(stages.tables)
    out = np.empty((h, w, channels), np.float32 if encoder is None else encoder.dtype)
    density = np.empty((h, w), np.float32) if keep_density else None
    samples = capture.samples
    shears = Shears.of(where, capture.shape)
    light = _Light(capture, field)
    if shears is None or (shears.still and not _inside(where, capture.shape)):
        from .resample import cut

        flat = np.empty(samples.shape, np.float32)
        over(len(flat), lambda y0, y1: light.rows(y0, y1, flat[y0:y1]), size=256, threads=threads)
        plane = cut(flat, where)
        rows = lambda y0, y1, out: plane[y0:y1]  # noqa: E731
    elif shears.still:
        view, (x0, y_0) = shears.turned, (int(shears.origin[0]), int(shears.origin[1]))
        if (shears.turn == np.eye(2)).all():
            def rows(y0, y1, out):
                return light.window(y_0 + y0, y_0 + y1, x0, x0 + w, out)
        else:
            flat = np.empty(samples.shape, np.float32)
            over(len(flat), lambda y0, y1: light.rows(y0, y1, flat[y0:y1]), size=256, threads=threads)
            plane = view(flat)[y_0:y_0 + h, x0:x0 + w]
            rows = lambda y0, y1, out: np.ascontiguousarray(plane[y0:y1])  # noqa: E731
    else:
        plane = _start(threads, samples, light, shears)
        over(plane.shape[1], lambda c0, c1: shears.shift_columns(plane, c0, c1), size=512, threads=threads)

        def rows(y0, y1, out):
            shears.shift_out(plane, y0, y1, out)
            return out

    def work(y0: int, y1: int) -> None:
        strip = _Strip(stages, STRIP * w)
        buffer = np.empty((STRIP, w, 3), np.float32)
        scratch = None if encoder is None else np.empty((STRIP * w, channels), np.float32)
        for y in range(y0, y1, STRIP):
            n = min(STRIP, y1 - y)
            t = rows(y, y + n, buffer[:n]).reshape(-1, 3)
            target = out[y:y + n].reshape(-1, channels)
            linear = target if scratch is None else scratch[:n * w]
            strip(t, linear, None if density is None else density[y:y + n].reshape(-1))
            if encoder is not None:
                encoder(linear, target)

    over(h, work, size=STRIP * 16, threads=threads)
    return (out if channels == 3 else out[..., 0]), density


class _Light:
    """Capture rows as panel-relative light."""

    def __init__(self, capture: Capture, field: PanelField | None) -> None:
        self.samples, self.scale, self.reduced = capture.samples, np.float32(1 / capture.white), capture.reduced
        self.field = field
        self.wide = None
        if field is not None:
            self.wide = field.wide(capture.shape[1], capture.reduced) * np.float32(1 / (field.match(capture) * capture.white))

    def rows(self, y0: int, y1: int, out: np.ndarray) -> np.ndarray:
        return self.window(y0, y1, 0, self.samples.shape[1], out)

    def window(self, y0: int, y1: int, x0: int, x1: int, out: np.ndarray) -> np.ndarray:
        part = self.samples[y0:y1, x0:x1]
        if self.field is None:
            return np.multiply(part, self.scale, out=out)
        self.field.rows(self.wide[:, x0:x1], y0, y1, self.reduced, out)
        return np.multiply(part, out, out=out)


def _inside(where: Cut, size: tuple[int, int]) -> bool:
    h, w = where.shape
    corners = [where.to_capture(x, y) for x in (0, w - 1) for y in (0, h - 1)]
    return all(0 <= x <= size[1] - 1 and 0 <= y <= size[0] - 1 for x, y in corners)


def _start(threads: int, samples: np.ndarray, light: _Light, shears: Shears) -> np.ndarray:
    """`Shears.start` with the panel divided out on the way, so that the capture is read once."""
    if not (shears.turn == np.eye(2)).all():
        flat = np.empty(samples.shape, np.float32)
        over(len(flat), lambda y0, y1: light.rows(y0, y1, flat[y0:y1]), size=256, threads=threads)
        return shears.start(flat)
    (top, lines), (_, count) = shears.lines, shears.columns
    plane = np.empty((lines, count, 3), np.float32)
    height, width = shears.size

    def work(i0: int, i1: int) -> None:
        buffer = np.empty((STRIP, width, 3), np.float32)
        for i in range(i0, i1, STRIP):
            n = min(STRIP, i1 - i)
            # Rows beyond the capture repeat its edge; they only reach pixels outside the picture.
            y0, y1 = (min(max(top + i + k, 0), height - 1) for k in (0, n - 1))
            m = y1 - y0 + 1
            light.rows(y0, y0 + m, buffer[:m])
            line = buffer[:m]
            if m < n:
                line = line[np.clip(np.arange(top + i, top + i + n), y0, y1) - y0]
            shears.shift_in(line, top + i, plane[i:i + n])

    over(lines, work, size=STRIP * 16, threads=threads)
    return plane
