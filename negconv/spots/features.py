"""What is known of each candidate: the numbers its score is made from."""
from __future__ import annotations


import numpy as np

from ..robust import quantile
from ..values import frozen
from . import compiled
from .candidates import Level, Parts
from .channels import Channels
from .kinds import shapes
from .noise import STEPS, halved, on_curve

#: Names of the columns that cost next to nothing, in their order (`glance`).
FIRST = ("height/grain", "height", "height/typical around", "height/strong around", "height/strongest around", "height rank",
         "peak/height", "spread of height", "pixels", "height core 1.3", "height core 2", "level", "step", "texture/grain",
         "peak over the film's", "peak over the brightest around", "peak over bright around",
         "roughness/grain", "height/roughness", "height/dark detail", "height/strong dark detail", "height/strongest dark detail")
#: Names of the columns that need each candidate's surroundings, in their order (`measure`).
SECOND = ("contrast/grain", "contrast", "contrast/typical around", "contrast/strong around", "contrast/strongest around",
          "rank in frame", "peak/contrast", "flatness", "drop at 1", "drop at 2", "drop inside", "slope outside",
          "open sides", "least side", "side spread", "ring spread", "ring range", "ring over opening", "area", "length", "width",
          "slenderness", "straightness", "fill", "outline", "density over the film's", "density over the brightest around",
          "density over bright around", "steepness over frame's", "own share", "size", "sharpest drop",
          "contrast/strong dark detail", "contrast/strongest dark detail", "ring/grain", "grain inside", "grain inside/there")
#: Names of the columns that need the channels, in their order (`colours`).
THIRD = ("colour spread", "colour least", "red over green", "blue over green")
NAMES = FIRST + SECOND + THIRD


@frozen(eq=False)
class Measured:
    """What is known of the parts of a level.

    Attributes
    ----------
    values : float32 array (count, len(SECOND))
    ground : float array (count,)
        Height (over the opening) of what lies around each part, in steps.
    contrast : float array (count,)
        Of each part over that ground, in steps.
    top : float array (count,)
        Of the highest pixel of each over it, in steps.
    """

    values: np.ndarray
    ground: np.ndarray
    contrast: np.ndarray
    top: np.ndarray


def glance(parts: Parts, frame: Frame) -> np.ndarray:
    """The first columns of every part of a level, float32 (count, len(FIRST)): enough to drop most of the picture."""
    level, n = parts.level, len(parts.step)
    width = level.plane.shape[1]
    area, total, squares, core2, core4, peak, top, middle, _ = parts.sums.T
    mean, square = total / area, squares / area
    core2, core4, middle = core2 / area, core4 / area, middle.astype(np.int64)
    height = square / mean
    grain, rough, (typical, strong, _, strongest), (bright, brightest), (hole, deep, deepest) = _of_tiles(
        level, middle // width, middle % width)
    rough = np.maximum(rough, 1)
    rank = 1 - np.searchsorted(level.rank, height) / level.rank.size
    spread = np.sqrt(np.maximum(square - mean * mean, 0)) / mean
    columns = (_log(height / grain), _log(height / STEPS), _log(height / typical), _log(height / strong),
               _log(height / strongest), _log(rank), peak / height, spread, _log(area), core2, core4,
               np.full(n, np.log2(level.scale)), parts.step, _log(strong / grain), (top - frame.top) / STEPS,
               (top - brightest) / STEPS, (top - bright) / STEPS, _log(rough / grain), _log(height / rough),
               _log(height / hole), _log(height / deep), _log(height / deepest))
    return _side_by_side(columns, n)


def _of_tiles(level: Level, y: np.ndarray, x: np.ndarray):
    """Grain, roughness, what is around, tops and holes of the tiles that pixels lie in; of each (n,), or several of these."""
    rows, across = level.grain.shape
    at = np.minimum(y // level.tile, rows - 1) * across + np.minimum(x // level.tile, across - 1)
    # One place is looked up far sooner than a pair.
    grain, rough, near, tops, holes = (v.reshape(*v.shape[:-2], -1).take(at, axis=-1) for v in (
        level.grain, level.rough, level.around, level.tops, level.holes))
    return grain, rough, np.maximum(near, 1), tops, np.maximum(holes, 1)


def _side_by_side(columns, n: int) -> np.ndarray:
    """Columns (n,) as a float32 array (n, columns)."""
    out = np.empty((n, len(columns)), np.float32)
    for k, column in enumerate(columns):
        out[:, k] = column
    return out


def _log(v) -> np.ndarray:
    return np.log(np.maximum(v, 1e-3))


def measure(parts: Parts, frame: Frame) -> Measured:
    """The second features of every part of a level."""
    level, index, part, n = parts.level, parts.index, parts.part, len(parts.step)
    shape = shapes(index, part, n, level.plane.shape[1])
    area, total, squares, _, _, peak, _, _, dense = parts.sums.T
    first, second = (total / area).astype(np.float32), (squares / area).astype(np.float32)
    density = (dense / area).astype(np.float32)
    total = second / first
    spread = np.sqrt(np.maximum(second - first * first, 0)) / first

    ground, contrast, met, uneven = _across(parts, total)
    edge = met / np.maximum(met[PAIRS], 1)
    side_spread = np.sqrt(np.maximum(edge[SPREAD] - edge[TWO] ** 2, 0))
    with np.errstate(all="ignore"):
        least = np.fmin.reduce(met[SIDE] / met[SIDES])
        rings = met[REACH] / met[SIDES]
        ring_range = (np.fmax.reduce(rings) - np.fmin.reduce(rings)) / contrast
    least = np.where(np.isfinite(least), least, edge[TWO])
    ring_range = np.where(np.isfinite(ring_range), ring_range, 0)
    ring_spread = np.sqrt(np.maximum(edge[RINGS] - edge[RING] ** 2, 0)) / contrast
    grain, _, (typical, strong, _, strongest), (bright, brightest), (_, deep, deepest) = _of_tiles(
        level, shape.y.astype(np.int64), shape.x.astype(np.int64))
    inside, most = _grain_inside(uneven), on_curve(density, level.curve, least=1)
    rank = 1 - np.searchsorted(level.rank, contrast) / level.rank.size
    log = _log
    columns = (log(contrast / grain), log(contrast / STEPS), log(contrast / typical), log(contrast / strong),
               log(contrast / strongest), log(rank), (peak - ground) / contrast, spread * total / contrast, edge[ONE],
               edge[TWO], edge[INNER], edge[SLOPE], edge[OPEN], least, side_spread, ring_spread, ring_range,
               ground / contrast, log(area),
               log(shape.length), log(shape.width), log(shape.length / np.maximum(shape.width, 1)),
               log(shape.long_axis / shape.short_axis), area / (0.785 * shape.long_axis * shape.short_axis + 1e-3),
               log(shape.edge / np.sqrt(area)), (density - frame.top) / STEPS, (density - brightest) / STEPS,
               (density - bright) / STEPS,
               edge[TWO] - frame.steepness, log(contrast / total), log(np.sqrt(area) * level.scale),
               edge[SHARP], log(contrast / deep), log(contrast / deepest), log(ring_spread * contrast / grain),
               log(inside / grain), log(inside / most))
    return Measured(_side_by_side(columns, n), ground, contrast, peak - ground)


def _grain_inside(uneven: np.ndarray) -> np.ndarray:
    """Roughness within each part, as the grain is measured; 0 where too few pixels tell.

    Dirt hides the grain or shows that of the dark place it lies on; a light place of the picture has the grain of its density.
    """
    twice, number = uneven.T
    # As in `noise.tile_stats`.
    rough = twice / 2 / np.maximum(number, 1) / (np.sqrt(2 / np.pi) * np.sqrt(1.5))
    return np.where(number >= 6, rough, 0).astype(np.float32)


def colours(parts: Parts, channels: Channels | None) -> np.ndarray:
    """The third features of every part of a level, float32 (count, len(THIRD)): how alike the channels change across it.

    What lies on the film adds the same density to all channels; what the film shows adds what its layers and dyes make of it.
    """
    n = len(parts.step)
    if channels is None:
        return np.tile(np.array([0, 1, 0, 0], np.float32), (n, 1))
    colour = _across_channels(parts, channels)
    middle = colour.mean(axis=0)
    safe = np.where(np.abs(middle) > 0.02, middle, np.where(middle < 0, -0.02, 0.02))
    columns = (np.minimum(colour.std(axis=0) / np.abs(safe), 3), np.clip((colour / safe).min(axis=0), -2, 1),
               *np.clip((colour[[0, 2]] - colour[1]) / safe, -3, 3))
    return np.stack(columns, axis=1).astype(np.float32)


class Frame:
    """What is known of the frame as a whole: a density few of its pixels exceed, how steep its own edges get, and its half."""

    def __init__(self, plane: np.ndarray, *, threads: int = 1) -> None:
        self.half = halved(plane, threads=threads)
        sample = plane[::7, ::5]
        self.top = float(quantile(sample, 0.995))
        self.steepness = _steepness(plane)


def _steepness(plane: np.ndarray) -> float:
    """The share of a rise over four pixels that happens within two, at the frame's strongest edges: 0.5 soft, 1 sharp."""
    # Steps are limited so far that what they differ by is no overflow.
    part = plane[::max(3, plane.shape[0] // 400)]
    if part.shape[1] < 16:
        return 0.75
    four = np.abs(part[:, 4:] - part[:, :-4])
    two = np.abs(part[:, 3:-1] - part[:, 1:-3])
    chosen = np.flatnonzero(four >= max(quantile(four[:, ::3], 0.97), 1))
    return float(two.reshape(-1)[chosen].sum() / max(four.reshape(-1)[chosen].sum(), 1))


#: Rows of `_across`: sums over the pairs.
LOW, ONE, INNER, SLOPE, OPEN, SHARP, SPREAD, RINGS = range(8)
#: Of the four sides: sums of the fall over two pixels, of the density three pixels out, and pairs.
SIDE, REACH, SIDES = slice(8, 12), slice(12, 16), slice(16, 20)
#: The last three over all sides.
TWO, RING, PAIRS, EDGES = 20, 21, 22, 20


def _across(parts: Parts, total: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What lies across the outlines: pairs of a pixel inside and those outside, to the four sides.

    Parameters
    ----------
    parts : Parts
    total : float32 array (count,)
        Height of each part.

    Returns
    -------
    ground : float array (count,)
        Mean height three pixels out.
    contrast : float32 array (count,)
        Height over that ground.
    met : float64 array (PAIRS + 1, count)
        Falls are in contrasts.
    uneven : int64 array (count, 2)
        Twice the size of the second differences along rows within each, and how many there are.
    """
    contrast, sums, uneven = _pairs(parts, total)
    met = np.empty((PAIRS + 1, len(sums)))
    met[:EDGES] = sums.T
    for row, of in ((TWO, SIDE), (RING, REACH), (PAIRS, SIDES)):
        met[row] = met[of].sum(axis=0)
    ground = np.where(met[PAIRS] > 0, met[LOW] / np.maximum(met[PAIRS], 1), 0.0)
    for rows in (ONE, TWO, INNER, SLOPE, SHARP, SIDE):
        met[rows] /= contrast
    met[SPREAD] /= contrast.astype(np.float64) ** 2
    return ground, contrast, met, uneven


def _pairs(parts: Parts, total: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Contrast of each part, float32 (count,), the sums over its pairs in steps, int64 (count, EDGES), and `uneven`."""
    level, index, part, n = parts.level, parts.index, parts.part, len(parts.step)
    if compiled.loops:
        contrast, out, uneven = np.empty(n, np.float32), np.zeros((n, EDGES), np.int64), np.zeros((n, 2), np.int64)
        compiled.loops.across(index, part, parts.threshold, len(index), level.height, level.plane, *level.plane.shape,
                              level.full, *level.full.shape, level.sign, level.scale, total.astype(np.float32), n,
                              contrast, out, uneven)
        return contrast, out, uneven
    width = level.plane.shape[1]
    plane, height = level.plane.reshape(-1), level.height.reshape(-1)
    out = np.zeros((n, EDGES), np.int64)

    def add(row, who, value):
        out[:, row] += np.bincount(who, value, n).astype(np.int64)

    falls, owners = [], []
    for side, (off, at, who) in enumerate(_sides(parts)):
        inner, here, *beyond = (plane[at + k * off].astype(np.int64) for k in (-1, 0, 1, 2, 3, 4))
        two = np.maximum(here, inner) - beyond[1]
        for row, value in ((LOW, np.minimum(height[at + 3 * off], height[at])), (ONE, here - beyond[0]),
                           (INNER, inner - here), (SLOPE, beyond[1] - beyond[3]),
                           (SHARP, _sharpest(level, at, off, width)), (SPREAD, two * two),
                           (RINGS, beyond[2] * beyond[2]), (SIDE.start + side, two), (REACH.start + side, beyond[2]),
                           (SIDES.start + side, None)):
            add(row, who, value)
        falls.append(two)
        owners.append(who)
    pairs = out[:, SIDES].sum(axis=1)
    contrast = np.maximum(total - np.where(pairs > 0, out[:, LOW] / np.maximum(pairs, 1), 0.0), 1).astype(np.float32)
    falls, owners = np.concatenate(falls).astype(np.float32), np.concatenate(owners)
    add(OPEN, owners, falls / contrast[owners] < np.float32(0.35))
    inside = np.flatnonzero((index[4:] - index[:-4] == 4) & (part[4:] == part[:-4]))
    at, who = index[inside], part[inside]
    uneven = np.abs(2 * plane[at + 2].astype(np.int64) - plane[at] - plane[at + 4])
    return contrast, out, np.stack([np.bincount(who, v, n) for v in (uneven, None)], axis=1).astype(np.int64)


def _sides(parts: Parts):
    """To each of the four sides: the step, and the pixels with their parts from which it leads out, with room for four."""
    level, index, part = parts.level, parts.index, parts.part
    rows, width = level.plane.shape
    height = level.height.reshape(-1)
    y, x = index // width, index % width
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        off = dy * width + dx
        beyond = np.clip(index + off, 0, len(height) - 1)
        out = np.flatnonzero(height[beyond] <= parts.threshold)
        yy, xx = y[out], x[out]
        out = out[(yy + 4 * dy >= 0) & (yy + 4 * dy < rows) & (xx + 4 * dx >= 0) & (xx + 4 * dx < width)
                  & (yy - dy >= 0) & (yy - dy < rows) & (xx - dx >= 0) & (xx - dx < width)]
        yield off, index[out], part[out]


#: About as many pairs to a side of a part as its colour is taken from, and the pixels from which on a part has an inside.
ENOUGH, DEEP = 20, 8


def _some(at, who, count: int, width: int):
    """Pairs spread evenly over long sides: a colour needs no more."""
    every = 1 + np.bincount(who, minlength=count) // ENOUGH
    keep = (at // width + at % width) % every[who] == 0
    return at[keep], who[keep]


def _across_channels(parts: Parts, channels: Channels) -> np.ndarray:
    """Means over the same pairs of the fall in each channel; (3, count)."""
    level, n = parts.level, len(parts.step)
    width, area = level.plane.shape[1], np.bincount(parts.part, minlength=n)
    if compiled.loops and channels.linear.dtype == np.float32 and channels.linear.flags.c_contiguous:
        out = np.zeros((n, 4))
        compiled.loops.falls(parts.index, parts.part, parts.threshold, len(parts.index), level.height, *level.height.shape,
                             area.astype(np.int32), n, ENOUGH, DEEP, level.scale, channels.linear, *channels.linear.shape[:2],
                             *channels.packed, out)
        return out[:, :3].T / np.maximum(out[:, 3], 1)
    colour, pairs = np.zeros((3, n)), np.zeros(n)
    for off, at, who in _sides(parts):
        at, who = _some(at, who, n, width)
        inside = _pixels(channels, at - off * (area[who] > DEEP), width, level.scale)
        outside = _pixels(channels, at + 2 * off, width, level.scale)
        pairs += np.bincount(who, minlength=n)
        for c in range(3):
            colour[c] += np.bincount(who, inside[:, c] - outside[:, c], n)
    return colour / np.maximum(pairs, 1)


def _sharpest(level: Level, at: np.ndarray, off: int, width: int) -> np.ndarray:
    """The greatest fall within two pixels of the full picture on the way out across the outline, in steps."""
    full, s = level.full, level.scale
    dy, dx = {1: (0, 1), -1: (0, -1), width: (1, 0), -width: (-1, 0)}[off]
    y, x = at // width * s + s // 2, at % width * s + s // 2
    last, best = [], None
    for k in range(-(s // 2) - 1, s + s // 2 + 3):
        yy, xx = y + k * dy, x + k * dx
        np.clip(yy, 0, full.shape[0] - 1, out=yy)
        np.clip(xx, 0, full.shape[1] - 1, out=xx)
        value = level.sign * full[yy, xx].astype(np.int32)
        if len(last) == 2:
            fall = last.pop(0) - value
            best = fall if best is None else np.maximum(best, fall)
        last.append(value)
    return best


def _pixels(channels: Channels, index: np.ndarray, width: int, scale: int) -> np.ndarray:
    """Channel densities at pixels of a level; (n, 3)."""
    return channels.at(index // width * scale + scale // 2, index % width * scale + scale // 2)
