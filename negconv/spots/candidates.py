"""Everything that stands out: narrow light (or dark) parts at several scales, at a threshold set by grain and texture."""
from __future__ import annotations


import numpy as np

from ..values import frozen
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


@frozen(eq=False)
class Level:
    """One scale: the plane (density in steps, its sign turned for dark spots), what stands out, and tile values."""

    scale: int
    full: np.ndarray       # the plane at full size, its sign as it is
    sign: int              # of `plane` against that
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


@frozen(eq=False)
class Parts:
    """Connected parts of a level above each of its thresholds; those of a higher one lie within those of a lower.

    Attributes
    ----------
    index, part : int32 arrays (n,)
        Flat index and part of each pixel; sorted by threshold, then index.
    threshold : float32 array (n,)
    step : int array (count,)
        Number of the threshold of each part.
    sums : float64 array (count, len(SUMS))
        Of each part.
    """

    level: Level
    index: np.ndarray
    part: np.ndarray
    threshold: np.ndarray
    step: np.ndarray
    sums: np.ndarray

    def only(self, take: np.ndarray, *, given_up: bool = False) -> Parts:
        """Some of the parts, numbered anew; bool array (count,). They may take the room of all, where those are given up."""
        if take.all():
            return self
        number = np.cumsum(take, dtype=np.int32) - np.int32(1)
        if compiled.loops:
            many = int(self.sums[take, 0].sum())
            index, part, threshold = (v[:many] if given_up else np.empty(many, v.dtype)
                                      for v in (self.index, self.part, self.threshold))
            compiled.loops.some(self.index, self.part, self.threshold, len(self.index), take, number, len(take), many,
                                index, part, threshold)
        else:
            inside = take[self.part]
            index, part, threshold = self.index[inside], number[self.part[inside]], self.threshold[inside]
        return Parts(self.level, index, part, threshold, self.step[take], self.sums.compress(take, axis=0))


def levels(plane: np.ndarray, *, light: bool = True, threads: int = 2, half: np.ndarray | None = None):
    """The scales of a plane, finest first (a generator: one is in memory at a time); the half of a plane may be known."""
    full, depths, sign = plane, None, 1 if light else -1
    half = half if light else None
    # Dark spots are sought from half size on, so that the whole plane need not be negated.
    wanted = range(LEVELS) if light else DARK_LEVELS
    for k in range(wanted[-1] + 1):
        if k:
            plane = noise.halved(plane, threads=threads, negated=k == 1 and not light) if half is None else half
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
            half = noise.halved(plane, threads=threads) if half is None else half
        if k != 1 or depths is None:
            depths = dark_depths(plane if k else half, threads)
        holes = dark_detail(depths, peaks.shape)
        yield Level(2 ** k, full, sign, plane, height, tile, grain, start, peaks, near,
                    around(tops, (0.75, 1.0), threads), np.sort(peaks, axis=None), mean_around(rough), holes, curve)


def dark_depths(plane: np.ndarray, threads: int) -> np.ndarray:
    """Depth of the narrow dark detail around each tile, (3, rows, columns): median, upper quartile and greatest.

    A picture has dark detail as well as light; dirt is light alone, so that this is the picture's own however dirty it is.
    """
    if min(plane.shape) < 2 * SQUARE:
        return np.ones((3, 1, 1), np.float32)
    return around(top_hat(plane, SQUARE, TILE, threads=threads, light=False)[1], (0.5, 0.75, 1.0), threads)


def dark_detail(depths: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """What `dark_depths` returns, for the tiles of another scale, (3, *shape)."""
    rows, columns = (np.minimum(np.arange(n) * m // n, m - 1) for n, m in zip(shape, depths.shape[1:]))
    return depths[:, rows[:, None], columns]


def parts(level: Level, *, light: bool = True) -> Parts | None:
    """Parts of a level at rising thresholds, or None."""
    index, value, threshold = above(level)
    least = LEAST if light else DARK_LEAST
    room = [np.empty(2 * len(index), t) for t in (np.int32, np.int32, np.float32)]
    counts, end, total = [], 0, 0
    while len(index) and len(counts) < RUNGS:
        more = end + len(index) - len(room[0])
        if more > 0:
            room = [np.concatenate([v, np.empty(more + len(v) // 2, v.dtype)]) for v in room]
        pixels, count, index, value, threshold = _rung(index, value, threshold, level.plane.shape[1], least, total,
                                                       [v[end:end + len(index)] for v in room])
        counts.append(count)
        end += pixels
        total += count
    if not total:
        return None
    index, part, threshold = (v[:end] for v in room)
    step = np.repeat(np.arange(len(counts)), counts)
    return Parts(level, index, part, threshold, step, _sums(level, index, part, threshold, total))


def _rung(index, value, threshold, width: int, least: int, total: int, room):
    """Parts above one threshold, numbered from `total`: their pixels, part and threshold are written to the arrays of `room`.

    Returns
    -------
    pixels, count : int
    index, value, threshold : arrays
        The pixels above the next threshold, their height and that.
    """
    share, most = np.float32(RUNG - 1), np.float32(STEP * noise.STEPS)
    if compiled.loops:
        pixels, count, left = compiled.loops.rung(index, value, threshold, len(index), width, least, GREATEST, share, most,
                                                  total, *room)
        # Copies, lest the room for all is kept for few.
        return pixels, count, *(v if 2 * left > len(v) else v.copy() for v in (index[:left], value[:left], threshold[:left]))
    part, count = connected(index, width)
    area = np.bincount(part, minlength=count)
    keep = (area >= least) & (area <= GREATEST)
    number = np.cumsum(keep, dtype=np.int32) - np.int32(1) + np.int32(total)
    inside = keep[part]
    after = threshold + np.minimum(share * threshold, most)
    stay = (value > after) & (area >= least)[part]
    pixels = int(inside.sum())
    for to, values in zip(room, (index, number[part], threshold)):
        to[:pixels] = values[inside]
    return pixels, int(keep.sum()), index[stay], value[stay], after[stay]


#: Sums over the pixels of each part: pixels, sum and sum of squares of the height, pixels above 1.3 and 2 thresholds,
#: greatest height and density, one of its pixels, and the sum of its density.
SUMS = ("pixels", "height", "squares", "core", "deep", "peak", "top", "place", "density")


def _sums(level, index, part, threshold, n: int) -> np.ndarray:
    """`Parts.sums`."""
    height, plane = level.height.reshape(-1), level.plane.reshape(-1)
    if compiled.loops:
        out = np.zeros((n, len(SUMS)))
        out[:, SUMS.index("top")] = -32768
        compiled.loops.tally(index, part, threshold, len(index), height, plane, height.size, out, n)
        return out
    value = height[index].astype(np.float32)
    peak, top, middle = np.zeros(n), np.full(n, -32768.0), np.empty(n)
    np.maximum.at(peak, part, value)
    np.maximum.at(top, part, plane[index])
    middle[part] = index
    return np.stack([np.bincount(part, minlength=n), np.bincount(part, value, n), np.bincount(part, value * value, n),
                     np.bincount(part[value > threshold * np.float32(1.3)], minlength=n),
                     np.bincount(part[value > threshold * np.float32(2)], minlength=n), peak, top, middle,
                     np.bincount(part, plane[index], n)], axis=1)


def above(level: Level) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Flat indices (int32) of all pixels above the lowest threshold, their height and that threshold (float32)."""
    rows = level.start.shape[0]
    # More than that share of the picture standing out is texture everywhere: start higher there. Some rows tell.
    limit, some = level.start, range(0, rows, max(1, rows // 16))
    for _ in range(6):
        share = np.mean([_over(level, limit, r, r + 1, count=True) for r in some])
        if share <= MOST:
            break
        limit = limit * 1.4
    return _over(level, limit, 0, rows, room=int(1.2 * share * level.height.size) + 1000)


def _over(level: Level, limit: np.ndarray, r0: int, r1: int, *, count: bool = False, room: int = 0):
    """Of some rows of tiles the pixels above the limit of their tile as in `above`, or only their share."""
    h, w = level.height.shape
    rows, columns = limit.shape
    y0, y1 = r0 * level.tile, (h if r1 == rows else r1 * level.tile)
    whole, limit = np.minimum(limit, 32000).astype(np.int16), limit.astype(np.float32)
    if compiled.loops:
        out = [np.empty(0, t) for t in (np.int32, np.float32, np.float32)]
        of = (level.height, h, w, level.tile, rows, columns, r0, r1, level.peaks, whole, limit)
        if count:
            return compiled.loops.over(*of, 0, *out) / ((y1 - y0) * w)
        # Where the room is too little, it is told how much is needed.
        n = room
        for _ in range(2):
            out = [np.empty(n, v.dtype) for v in out]
            n = compiled.loops.over(*of, n, *out)
            if n <= len(out[0]):
                break
        return [v[:n] for v in out]
    tall = np.minimum(np.arange(y0, y1) // level.tile, rows - 1)
    across = np.minimum(np.arange(w) // level.tile, columns - 1)
    found = level.height[y0:y1] > whole[tall][:, across]
    if count:
        return found.mean()
    y, x = np.nonzero(found)
    index = ((y + y0) * w + x).astype(np.int32)
    return index, level.height.reshape(-1)[index].astype(np.float32), limit[tall[y], across[x]]


def around(values: np.ndarray, shares, threads: int = 2) -> np.ndarray:
    """Quantiles of the tile values within `REACH` tiles, the tile itself and its neighbours left out."""
    h, w = values.shape
    reach_y, reach_x = min(REACH, h - 1), min(REACH, w - 1)
    padded = np.pad(values, ((reach_y, reach_y), (reach_x, reach_x)), mode="reflect")
    outer = np.ones((2 * reach_y + 1, 2 * reach_x + 1), bool)
    outer[max(reach_y - 1, 0):reach_y + 2, max(reach_x - 1, 0):reach_x + 2] = False
    if not outer.any():
        outer[:] = True
    take = [int(round(s * (int(outer.sum()) - 1))) for s in shares]
    out = np.empty((len(take), h, w), np.float32)
    if compiled.loops and values.dtype == np.int16:
        y, x = np.nonzero(outer)
        offsets = y * padded.shape[1] + x
        compiled.loops.quantiles(padded, padded.shape[1], h, w, offsets, len(offsets), np.array(take), len(take), out)
        return out
    window = np.lib.stride_tricks.sliding_window_view(padded, outer.shape)

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

    def numbers(reach):
        tall, wide = (np.minimum(np.arange(n) + reach, n - 1) - np.maximum(np.arange(n) - reach, 0) + 1 for n in values.shape)
        return tall[:, None] * wide

    count, total = numbers(REACH) - numbers(1), sums(values, REACH) - sums(values, 1)
    return np.where(count > 0.5, total / np.maximum(count, 1), values).astype(np.float32)


def top_hat(plane: np.ndarray, side: int, tile: int, *, threads: int = 2, light: bool = True):
    """What is left of a plane without its opening by a square; the greatest value of that and of the plane in each tile.

    Of the negated plane (not light) only the greatest value in each tile is kept: None, that, None.
    """
    h, w = plane.shape
    rows, columns = noise.tiles(plane.shape, tile)
    out = np.empty((h, w) if light or not compiled.loops else 0, np.int16)
    peaks, tops = np.zeros((2, rows, columns), np.int16)
    if not light and not compiled.loops:
        plane = np.negative(plane)
    half = side // 2
    pad, top, bottom = 2 * half, np.int16(32767), np.int16(-32768)

    def work(r0: int, r1: int) -> None:
        if compiled.loops:
            return compiled.loops.top_hat(plane, h, w, 1 if light else -1, side, tile, rows, columns, r0, r1, light, out,
                                          peaks, tops)
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
    return (out, peaks, tops) if light else (None, peaks, None)


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
