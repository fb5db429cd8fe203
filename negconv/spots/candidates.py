"""Everything that stands out: narrow light (or dark) parts at several scales, at a threshold set by grain and texture."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import compiled, noise
from .components import connected

#: Side of the square no candidate may hold, in pixels of its level; each level halves the picture.
SQUARE = 11
LEVELS = 5
#: Side of the tiles in which grain and texture are measured, and how many around count as surroundings.
TILE, REACH = 16, 3
#: Thresholds start at this many times the grain and rise by a factor, but by no more than a step of density.
GRAINS, RUNG, STEP = 6.0, 1.6, 0.14
#: Dark spots are scratches: plain, thin and long. Those are as plain at half size, where there is a quarter to look through.
DARK_GRAINS, DARK_LEAST, DARK_LEVELS = 8.0, 14, (1, 2)
RUNGS = 26
#: What is below this share of the usual peak around is part of the texture, and the share of the picture that may stand out.
USUAL, MOST = 0.75, 0.1
#: Least and greatest area of a candidate in pixels of its level.
LEAST, GREATEST = 4, 30000


@dataclass(frozen=True, eq=False)
class Level:
    """One scale: the plane (density in steps, its sign turned for dark spots), what stands out, and tile values."""

    scale: int
    full: np.ndarray       # the plane at full size, same sign
    plane: np.ndarray
    height: np.ndarray     # int16 (h, w): top-hat
    tile: int
    grain: np.ndarray      # float32 (rows, columns)
    start: np.ndarray      # lowest threshold
    peaks: np.ndarray      # greatest height in each tile
    around: np.ndarray     # (4, rows, columns): median, upper quartile, upper tenth and greatest of the peaks around
    tops: np.ndarray       # (2, rows, columns): upper quartile and greatest density of the tiles around
    rank: np.ndarray       # peaks, sorted
    rough: np.ndarray      # roughness of the tiles around
    holes: np.ndarray      # (3, rows, columns): median, upper quartile and greatest depth of the dark detail around
    curve: tuple[np.ndarray, np.ndarray]    # grain at rising densities: the densities, and the grain


@dataclass(frozen=True, eq=False)
class Parts:
    """Connected parts of a level above each of its thresholds; those of a higher one lie within those of a lower.

    Attributes
    ----------
    index, part, rung : int arrays (n,)
        Flat index, part, and number of the threshold, of each pixel; sorted by rung, then index.
    threshold : float32 array (n,)
    step : int array (count,)
        Number of the threshold of each part.
    """

    level: Level
    index: np.ndarray
    part: np.ndarray
    rung: np.ndarray
    threshold: np.ndarray
    step: np.ndarray

    def only(self, take: np.ndarray) -> Parts:
        """Some of the parts, numbered anew; bool array (count,)."""
        inside = take[self.part]
        return Parts(self.level, self.index[inside], (np.cumsum(take) - 1)[self.part[inside]], self.rung[inside],
                     self.threshold[inside], self.step[take])


def levels(plane: np.ndarray, *, light: bool = True, threads: int = 2):
    """The scales of a plane, finest first (a generator: one is in memory at a time)."""
    if not light:
        plane = np.negative(plane)
    full, half = plane, None
    wanted = range(LEVELS) if light else DARK_LEVELS
    for k in range(wanted[-1] + 1):
        if k:
            plane = noise.halved(plane, threads=threads) if half is None else half
            half = None
        if min(plane.shape) < 2 * SQUARE:
            return
        if k not in wanted:
            continue
        tile = TILE
        height, peaks, tops = top_hat(plane, SQUARE, tile, threads=threads)
        mean, rough = noise.tile_stats(plane, tile, threads=threads)
        curve = noise.grain_curve(mean, rough)
        grain = noise.on_curve(mean, curve, least=4.0 / 2 ** k)
        near = around(peaks, (0.5, 0.75, 0.9, 1.0), threads)
        start = np.maximum(np.float32(GRAINS if light else DARK_GRAINS) * grain, np.float32(USUAL if light else 1) * near[0])
        if k == 0:
            # Dark detail of the whole picture is taken from its half, where a quarter is to be looked through.
            half = noise.halved(plane, threads=threads)
        holes = dark_detail(plane if k else half, peaks.shape, threads)
        yield Level(2 ** k, full, plane, height, tile, grain, start, peaks, near,
                    around(tops, (0.75, 1.0), threads), np.sort(peaks, axis=None), mean_around(rough), holes, curve)


def dark_detail(plane: np.ndarray, shape: tuple[int, int], threads: int) -> np.ndarray:
    """Depth of the narrow dark detail around each tile, (3, *shape): median, upper quartile and greatest.

    A picture has dark detail as well as light; dirt is light alone, so that this is the picture's own however dirty it is.
    """
    if min(plane.shape) < 2 * SQUARE:
        return np.ones((3, *shape), np.float32)
    depths = around(top_hat(np.negative(plane), SQUARE, TILE, threads=threads)[1], (0.5, 0.75, 1.0), threads)
    rows, columns = (np.minimum(np.arange(n) * m // n, m - 1) for n, m in zip(shape, depths.shape[1:]))
    return depths[:, rows[:, None], columns]


def parts(level: Level, *, light: bool = True) -> Parts | None:
    """Parts of a level at rising thresholds, or None."""
    index, threshold = above(level)
    least = LEAST if light else DARK_LEAST
    width = level.plane.shape[1]
    value = level.height.reshape(-1)[index].astype(np.float32)
    found, total = [], 0
    for step in range(RUNGS if len(index) else 0):
        if compiled.loops:
            index, threshold = np.ascontiguousarray(index, np.int64), np.ascontiguousarray(threshold)
            kept, owner, at = np.empty(len(index), np.int64), np.empty(len(index), np.int64), np.empty(len(index), np.float32)
            pixels, count, left = compiled.loops.rung(index, value, threshold, len(index), width, least, GREATEST, RUNG - 1,
                                                      STEP * noise.STEPS, kept, owner, at)
            found.append((kept[:pixels], owner[:pixels] + total, np.full(pixels, step), at[:pixels], np.full(count, step)))
            total += count
            index, value, threshold = index[:left], value[:left], threshold[:left]
            if not left:
                break
            continue
        part, count = connected(index, width)
        area = np.bincount(part, minlength=count)
        keep = (area >= least) & (area <= GREATEST)
        number = np.cumsum(keep) - 1
        inside = keep[part]
        if inside.any():
            here = index[inside]
            found.append((here, number[part[inside]] + total, np.full(len(here), step), threshold[inside],
                          np.full(int(keep.sum()), step)))
            total += int(keep.sum())
        threshold = threshold + np.minimum(np.float32(RUNG - 1) * threshold, np.float32(STEP * noise.STEPS))
        stay = (value > threshold) & (area >= least)[part]
        index, value, threshold = index[stay], value[stay], threshold[stay]
        if not len(index):
            break
    return Parts(level, *map(np.concatenate, zip(*found))) if total else None


def above(level: Level) -> tuple[np.ndarray, np.ndarray]:
    """Flat indices of all pixels above the lowest threshold, and that threshold."""
    h, w = level.height.shape
    rows, columns = level.start.shape
    across = np.minimum(np.arange(w) // level.tile, columns - 1)

    def over(limit, each):
        for r in range(0, rows, each):
            y0, y1 = r * level.tile, (h if r == rows - 1 else (r + 1) * level.tile)
            line = np.minimum(limit[r], 32000).astype(np.int16)[across]
            yield y0, level.height[y0:y1] > line

    # More than that share of the picture standing out is texture everywhere: start higher there. Some rows tell.
    limit, each = level.start, max(1, rows // 16)
    for _ in range(6):
        if np.mean([found.mean() for _, found in over(limit, each)]) <= MOST:
            break
        limit = limit * 1.4
    index = np.concatenate([np.flatnonzero(found) + y0 * w for y0, found in over(limit, 1)])
    y, x = index // w, index % w
    return index, limit[np.minimum(y // level.tile, rows - 1), np.minimum(x // level.tile, columns - 1)].astype(np.float32)


def around(values: np.ndarray, shares, threads: int = 2) -> np.ndarray:
    """Quantiles of the tile values within `REACH` tiles, the tile itself and its neighbours left out."""
    h, w = values.shape
    reach_y, reach_x = min(REACH, h - 1), min(REACH, w - 1)
    padded = np.pad(values, ((reach_y, reach_y), (reach_x, reach_x)), mode="reflect")
    window = np.lib.stride_tricks.sliding_window_view(padded, (2 * reach_y + 1, 2 * reach_x + 1))
    outer = np.ones(window.shape[2:], bool)
    outer[max(reach_y - 1, 0):reach_y + 2, max(reach_x - 1, 0):reach_x + 2] = False
    if not outer.any():
        outer[:] = True
    take = [int(round(s * (int(outer.sum()) - 1))) for s in shares]
    out = np.empty((len(take), h, w), np.float32)

    def work(y0: int, y1: int) -> None:
        ordered = np.sort(window[y0:y1][:, :, outer], axis=2)
        for k, i in enumerate(take):
            out[k, y0:y1] = ordered[..., i]

    noise.over(threads, h, work, size=32)
    return out


def mean_around(values: np.ndarray) -> np.ndarray:
    """Means of the tile values within `REACH` tiles, the tile itself and its neighbours left out where there are others."""
    def sums(v, reach):
        padded = np.pad(v.astype(np.float64), reach)
        total = np.pad(padded.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
        side = 2 * reach + 1
        return total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]

    ones = np.ones(values.shape)
    count, total = sums(ones, REACH) - sums(ones, 1), sums(values, REACH) - sums(values, 1)
    return np.where(count > 0.5, total / np.maximum(count, 1), values).astype(np.float32)


def top_hat(plane: np.ndarray, side: int, tile: int, *, threads: int = 2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What is left of a plane without its opening by a square; the greatest value of that and of the plane in each tile."""
    h, w = plane.shape
    rows, columns = noise.tiles(plane.shape, tile)
    out = np.empty((h, w), np.int16)
    peaks, tops = np.zeros((2, rows, columns), np.int16)
    half = side // 2
    pad, top, bottom = 2 * half, np.int16(32767), np.int16(-32768)

    def work(r0: int, r1: int) -> None:
        if compiled.loops:
            return compiled.loops.top_hat(plane, h, w, side, tile, rows, columns, r0, r1, out, peaks, tops)
        y0, y1 = r0 * tile, (h if r1 == rows else r1 * tile)
        n = y1 - y0
        a = np.full((n + 2 * pad, w + 2 * pad), top, np.int16)
        low, high = max(y0 - pad, 0), min(y1 + pad, h)
        a[low - y0 + pad:high - y0 + pad, pad:pad + w] = plane[low:high]
        b = np.empty_like(a)
        a, b = _slide(np.minimum, a, b, side, 0)
        a, b = _slide(np.minimum, a, b, side, 1)
        # a[i, j] now is the erosion at row y0 - half + i, column j - half; beyond the picture there is none.
        a = a[:n + 2 * half, :w + 2 * half]
        a[:, :half], a[:, half + w:] = bottom, bottom
        a[:max(half - y0, 0)] = bottom
        if y1 + half > h:
            a[h - y1 - half:] = bottom
        a = np.ascontiguousarray(a)
        b = np.empty_like(a)
        a, b = _slide(np.maximum, a, b, side, 0)
        a, b = _slide(np.maximum, a, b, side, 1)
        np.subtract(plane[y0:y1], a[:n, :w], out=out[y0:y1])
        for r in range(r0, r1):
            part = slice(r * tile, h if r == rows - 1 else (r + 1) * tile)
            for source, target in ((out, peaks), (plane, tops)):
                target[r] = np.maximum.reduceat(source[part].max(axis=0), np.arange(columns) * tile)

    noise.over(threads, rows, work, size=max(1, noise.STRIP // tile))
    return out, peaks, tops


def _slide(op, a: np.ndarray, b: np.ndarray, side: int, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """`op` over `side` entries from each entry on, by doubling; result and spare memory.

    The last ``side - 1`` entries along the axis are not meaningful.
    """
    reach = 1
    while reach < side:
        step = min(reach, side - reach)
        if axis == 0:
            op(a[:-step], a[step:], out=b[:-step])
            b[-step:] = a[-step:]
        else:
            op(a[:, :-step], a[:, step:], out=b[:, :-step])
            b[:, -step:] = a[:, -step:]
        a, b = b, a
        reach += step
    return a, b
