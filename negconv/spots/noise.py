"""The picture as film density in whole steps, and the grain in it."""
from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from ..robust import quantile
from . import compiled

#: Steps of one unit of density in an int16 plane. Four pixels must add up without overflow, hence `_TOP`.
STEPS = 2000
_LOW, _TOP = -1.0, 4.09
#: Without a density, one is made up from linear light: a film of slope 0.6 whose toe lies at 1 % of white. Only its
#: shape matters (logarithmic in the lights, linear in the deepest shadows), since all later limits are multiples of
#: the grain found in it.
SLOPE, TOE = 0.6, 0.01
#: Rows a strip.
STRIP = 64
#: Share of the light dirt takes that is taken at its outline. The edge itself lies at half; a little more hides it.
EDGE = 0.4


def film_plane(linear: np.ndarray, density: np.ndarray | None, *, threads: int = 2) -> np.ndarray:
    """Density above base as int16, `STEPS` to a unit of density.

    Parameters
    ----------
    linear : float array (h, w) or (h, w, 3)
        Scene-linear positive; used where there is no density.
    density : float array (h, w) or None

    Returns
    -------
    ndarray int16 (h, w)
    """
    h, w = linear.shape[:2]
    out = np.empty((h, w), np.int16)
    colour = linear.ndim == 3
    low, top = np.float32(_LOW * STEPS), np.float32(_TOP * STEPS)
    fast = compiled.loops and density is not None and density.dtype == np.float32 and density.flags.c_contiguous

    def work(y0: int, y1: int) -> None:
        if fast:
            return compiled.loops.in_steps(density, y0 * w, y1 * w, STEPS, low, top, out)
        if density is not None:
            value = np.multiply(density[y0:y1], np.float32(STEPS), dtype=np.float32)
        else:
            value = np.multiply(linear[y0:y1], np.float32(1 / TOE), dtype=np.float32)
            np.maximum(value, np.float32(0), out=value)
            value += np.float32(1)
            np.log(value, out=value)
            if colour:
                value = value[..., 0] + value[..., 1] + value[..., 2]
            value *= np.float32(STEPS * SLOPE / np.log(10) / (3 if colour else 1))
        np.nan_to_num(value, copy=False, nan=0.0)
        np.clip(value, low, top, out=value)
        np.rint(value, out=value)
        np.copyto(out[y0:y1], value, casting="unsafe")

    over(threads, h, work)
    return out


def halved(plane: np.ndarray, *, threads: int = 2, negated: bool = False) -> np.ndarray:
    """Means of 2 x 2 pixels of a plane or of the negated one, int16; an odd last row or column is left out."""
    h, w = plane.shape[0] // 2, plane.shape[1] // 2
    out = np.empty((h, w), np.int16)

    def work(y0: int, y1: int) -> None:
        if compiled.loops:
            return compiled.loops.halve(plane, *plane.shape, y0, y1, -1 if negated else 1, out)
        rows = plane[2 * y0:2 * y1, :2 * w]
        rows = np.negative(rows) if negated else rows
        tall = rows[0::2] + rows[1::2]
        np.add(tall[:, 0::2], tall[:, 1::2], out=out[y0:y1])
        out[y0:y1] >>= 2

    over(threads, h, work)
    return out


def turned(plane: np.ndarray) -> np.ndarray:
    """Rows for columns, by strips, so that what is read stays in the cache."""
    out = np.empty(plane.shape[::-1], plane.dtype)
    if compiled.loops and plane.flags.c_contiguous:
        compiled.loops.turned(plane, *plane.shape, out)
        return out
    for y in range(0, len(plane), STRIP):
        out[:, y:y + STRIP] = plane[y:y + STRIP].T
    return out


def tiles(shape, tile: int) -> tuple[int, int]:
    """Rows and columns of tiles; a remainder belongs to the last whole one."""
    return max(shape[0] // tile, 1), max(shape[1] // tile, 1)


def tile_stats(plane: np.ndarray, tile: int, *, threads: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Mean density and roughness of each tile, in steps; float32 (rows, columns) both.

    Roughness is the mean absolute second difference over two pixels (beyond most of the grain's own correlation;
    blind to gradients), scaled to the standard deviation of normal noise.
    """
    h, w = plane.shape
    rows, columns = tiles(plane.shape, tile)
    mean, rough = np.empty((2, rows, columns), np.int64)
    # E|x| of a normal variable is sqrt(2 / pi) sigma, and a - (b + c) / 2 has 1.5 times the variance.
    scale = np.float32(1 / (np.sqrt(2 / np.pi) * np.sqrt(1.5)))

    def work(r0: int, r1: int) -> None:
        if compiled.loops:
            return compiled.loops.tile_sums(plane, h, w, tile, rows, columns, r0, r1, mean, rough)
        for r in range(r0, r1):
            part = plane[r * tile:(r + 1) * tile:2, :columns * tile].astype(np.int16)
            side = part[:, :-4] + part[:, 4:]
            side >>= 1
            step = np.zeros_like(part)
            np.subtract(part[:, 2:-2], side, out=step[:, 2:-2])
            np.abs(step, out=step)
            for source, target in ((part, mean), (step, rough)):
                target[r] = source.sum(axis=0, dtype=np.int32).reshape(columns, -1).sum(axis=1)

    over(threads, rows, work, size=4)
    n = ((np.minimum((np.arange(rows) + 1) * tile, h) - np.arange(rows) * tile + 1) // 2 * min(tile, w))[:, None]
    return (mean / n).astype(np.float32), (rough / n).astype(np.float32) * scale


def grain_curve(mean: np.ndarray, rough: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The film's grain at rising densities: the roughness of the smoothest fifth of the tiles of like density.

    Texture only ever adds roughness, so the lower edge of roughness against density is the film's grain.

    Returns
    -------
    density, grain : float arrays (n,)
        In steps.
    """
    order = np.argsort(mean, axis=None)
    count = int(np.clip(len(order) // 40, 1, 12))
    groups = np.array_split(order, count)
    flat_mean, flat_rough = mean.ravel(), rough.ravel()
    at = np.array([flat_mean[g].mean() for g in groups])
    low = np.array([quantile(flat_rough[g], 0.2) for g in groups])
    if count >= 3:
        # A group of nothing but texture must not raise the grain far above its neighbours'.
        padded = np.pad(low, 1, mode="edge")
        low = np.minimum(low, 1.5 * np.minimum(padded[:-2], padded[2:]))
    return at, low


def on_curve(mean: np.ndarray, curve: tuple[np.ndarray, np.ndarray], *, least: float) -> np.ndarray:
    """Grain at densities by a curve of `grain_curve`, in steps: float32 of the shape of `mean`."""
    return np.maximum(np.interp(mean, *curve), least).astype(np.float32)


def grain_at(mean: np.ndarray, rough: np.ndarray, *, least: float) -> np.ndarray:
    """Grain of each tile."""
    return on_curve(mean, grain_curve(mean, rough), least=least)


def edge(contrast):
    """Steps above its ground at which the outline of dirt lies that stands out by so many; of a scratch, both negative."""
    return -STEPS * np.log10(1 - EDGE * (1 - 10.0 ** -(contrast / STEPS)))


def over(threads: int, total: int, work, size: int = STRIP) -> None:
    """``work(start, stop)`` over 0 .. total in parts, on threads."""
    spans = [(i, min(i + size, total)) for i in range(0, total, size)]
    if threads <= 1 or len(spans) == 1:
        for a, b in spans:
            work(a, b)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, a, b) for a, b in spans]:
            done.result()
