"""What is known of each candidate: the numbers its score is made from."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .candidates import Level, Rung
from .kinds import Shapes, shapes
from .noise import STEPS

#: Names of the columns `measure` returns, in their order.
NAMES = ("contrast/grain", "contrast", "contrast/texture", "contrast/strongest around", "contrast/typical around",
         "share as strong around", "rank in frame", "peak/contrast", "flatness", "drop at 1", "drop at 2", "drop inside",
         "slope outside", "open sides", "least side", "side spread", "area", "length", "width", "slenderness", "straightness",
         "fill", "outline", "density", "density under", "density over the film's", "colour spread", "colour least",
         "colour known", "colour of rest", "level", "step", "grain", "texture/grain", "steepness of frame",
         "steepness over frame's", "core 2", "core 4", "own share", "size on film")


@dataclass(frozen=True, eq=False)
class Measured:
    """What is known of the parts of a rung.

    Attributes
    ----------
    values : float32 array (count, len(NAMES))
    ground : float array (count,)
        Height (over the opening) of what lies around each part, in steps.
    contrast : float array (count,)
        Of each part over that ground, in steps.
    """

    values: np.ndarray
    ground: np.ndarray
    contrast: np.ndarray


def measure(rung: Rung, linear: np.ndarray, frame: Frame) -> Measured:
    """Features of every part of a rung."""
    level, index, part, n = rung.level, rung.index, rung.part, rung.count
    width = level.plane.shape[1]
    rows = level.plane.shape[0]
    plane, height = level.plane.reshape(-1), level.height.reshape(-1)
    shape = shapes(index, part, n, width)
    value = height[index].astype(np.float32)
    dense = plane[index].astype(np.float32)
    area = shape.area.astype(np.float32)

    def mean(v):
        return (np.bincount(part, v, n) / area).astype(np.float32)

    first, second = mean(value), mean(value * value)
    total = second / first
    peak = np.zeros(n, np.float32)
    np.maximum.at(peak, part, value)
    core2 = mean(value > rung.threshold * 1.3)
    core4 = mean(value > rung.threshold * 2)
    spread = np.sqrt(np.maximum(second - first * first, 0)) / first

    # Pairs across the outline: inside 1, on it, outside 1, 2, 3, in four directions.
    y, x = index // width, index % width
    sums = np.zeros((10, n))
    colour = np.zeros((3, n))
    bright = np.zeros((3, n))
    squares = np.zeros(n)
    sides = []
    hue = linear.ndim == 3
    met = []
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        off = dy * width + dx
        room = ((y + 4 * dy >= 0) & (y + 4 * dy < rows) & (x + 4 * dx >= 0) & (x + 4 * dx < width)
                & (y - dy >= 0) & (y - dy < rows) & (x - dx >= 0) & (x - dx < width))
        out = np.flatnonzero(room)
        out = out[height[index[out] + off] <= rung.threshold[out]]
        at, who = index[out], part[out]
        met.append((off, at, who, out))
        sums[0] += np.bincount(who, minlength=n)
        sums[9] += np.bincount(who, np.minimum(height[at + 3 * off], value[out]), n)
    ground = np.where(sums[0] > 0, sums[9] / np.maximum(sums[0], 1), 0.0)
    contrast = np.maximum(total - ground, 1).astype(np.float32)
    for off, at, who, out in met:
        here = plane[at].astype(np.float32)
        inner = plane[at - off].astype(np.float32)
        beyond = [plane[at + k * off].astype(np.float32) for k in (1, 2, 3, 4)]
        ref = contrast[who]
        two = (np.maximum(here, inner) - beyond[1]) / ref
        sums[1] += np.bincount(who, (here - beyond[0]) / ref, n)
        sums[2] += np.bincount(who, two, n)
        sums[3] += np.bincount(who, (inner - here) / ref, n)
        sums[4] += np.bincount(who, (beyond[1] - beyond[3]) / ref, n)
        sums[5] += np.bincount(who, two < 0.35, n)
        squares += np.bincount(who, two * two, n)
        side = np.bincount(who, two, n)
        count = np.bincount(who, minlength=n)
        sides.append(np.where(count > 0, side / np.maximum(count, 1), np.nan))
        if hue:
            inside = _pixels(linear, at - off * (area[who] > 8), width, level.scale)
            outside = _pixels(linear, at + 2 * off, width, level.scale)
            for c in range(3):
                colour[c] += np.bincount(who, inside[:, c] - outside[:, c], n)
                bright[c] += np.bincount(who, inside[:, c], n)
    pairs = np.maximum(sums[0], 1)
    edge = sums / pairs
    side_spread = np.sqrt(np.maximum(squares / pairs - edge[2] ** 2, 0))
    with np.errstate(all="ignore"):
        least = np.fmin.reduce(sides)
    least = np.where(np.isfinite(least), least, edge[2])

    strongest, typical, share = _neighbours(level, shape, contrast)
    ty = np.minimum(shape.y.astype(np.int64) // level.tile, level.grain.shape[0] - 1)
    tx = np.minimum(shape.x.astype(np.int64) // level.tile, level.grain.shape[1] - 1)
    grain, texture = level.grain[ty, tx], np.maximum(level.texture[ty, tx], 1)
    rank = 1 - np.searchsorted(level.rank, contrast) / level.rank.size
    density = mean(dense)
    if hue:
        colour /= pairs
        bright /= pairs
        middle = colour.mean(axis=0)
        safe = np.where(np.abs(middle) > 0.02, middle, np.where(middle < 0, -0.02, 0.02))
        colour_spread, colour_least = colour.std(axis=0) / np.abs(safe), (colour / safe).min(axis=0)
        rest = bright.std(axis=0)
    else:
        colour_spread, colour_least, rest = np.zeros(n), np.ones(n), np.zeros(n)

    log = lambda v: np.log(np.maximum(v, 1e-3))  # noqa: E731
    columns = (log(contrast / grain), log(contrast / STEPS), log(contrast / texture), log(contrast / strongest),
               log(contrast / typical), share, log(rank + 1e-3), (peak - ground) / contrast, spread * total / contrast, edge[1], edge[2], edge[3], edge[4],
               edge[5], least, side_spread, log(area), log(shape.length), log(shape.width),
               log(shape.length / np.maximum(shape.width, 1)), log(shape.long_axis / shape.short_axis),
               area / (0.785 * shape.long_axis * shape.short_axis + 1e-3), log(shape.edge / np.sqrt(area)),
               density / STEPS, (density - contrast) / STEPS, (density - frame.top) / STEPS, np.minimum(colour_spread, 3),
               np.clip(colour_least, -2, 1), np.full(n, float(hue)), np.minimum(rest, 1.0), np.full(n, np.log2(level.scale)),
               np.full(n, float(rung.step)), log(grain / STEPS), log(texture / grain),
               np.full(n, frame.steepness), edge[2] - frame.steepness, core2, core4, log(contrast / total),
               log(np.sqrt(area) * level.scale))
    return Measured(np.stack(columns, axis=1).astype(np.float32), ground, contrast)


class Frame:
    """What is known of the frame as a whole: a density few of its pixels exceed, and how steep its own edges get."""

    def __init__(self, plane: np.ndarray) -> None:
        sample = plane[::7, ::5]
        self.top = float(np.percentile(sample, 99.5))
        self.steepness = _steepness(plane)


def _steepness(plane: np.ndarray) -> float:
    """The share of a rise over four pixels that happens within two, at the frame's strongest edges: 0.5 soft, 1 sharp."""
    part = plane[::3].astype(np.float32)
    if part.shape[1] < 16:
        return 0.75
    four = np.abs(part[:, 4:] - part[:, :-4])
    two = np.abs(part[:, 3:-1] - part[:, 1:-3])
    limit = np.percentile(four[:, ::3], 97)
    chosen = four >= max(limit, 1)
    return float(two[chosen].sum() / max(four[chosen].sum(), 1))


def _pixels(linear: np.ndarray, index: np.ndarray, width: int, scale: int) -> np.ndarray:
    """log10 of the linear values at pixels of a level, with a toe; (n, 3)."""
    y, x = index // width * scale + scale // 2, index % width * scale + scale // 2
    return np.log10(np.maximum(linear[y, x], 0) + np.float32(0.01))


def _neighbours(level: Level, shape: Shapes, contrast: np.ndarray, reach: int = 3):
    """Greatest and median peak of the tiles around that hold nothing of the part, and the share that reach 0.7 of it."""
    rows, columns = level.peaks.shape
    x0, y0, w, h = shape.box.T
    ty, tx = np.minimum(shape.y.astype(np.int64) // level.tile, rows - 1), np.minimum(
        shape.x.astype(np.int64) // level.tile, columns - 1)
    values = []
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            yy, xx = ty + dy, tx + dx
            own = (yy >= y0 // level.tile) & (yy <= (y0 + h - 1) // level.tile) & (
                xx >= x0 // level.tile) & (xx <= (x0 + w - 1) // level.tile)
            ok = (yy >= 0) & (yy < rows) & (xx >= 0) & (xx < columns) & ~own
            values.append(np.where(ok, level.peaks[np.clip(yy, 0, rows - 1), np.clip(xx, 0, columns - 1)], -1))
    values = np.sort(np.stack(values, axis=1), axis=1)
    known = (values >= 0).sum(axis=1)
    total = values.shape[1]
    take = lambda k: values[np.arange(len(values)), np.clip(k, 0, total - 1)].astype(np.float32)  # noqa: E731
    strongest = np.maximum(take(np.full(len(values), total - 1)), 1)
    typical = np.maximum(take(total - 1 - known // 2), 1)
    share = ((values >= 0.7 * contrast[:, None]) & (values >= 0)).sum(axis=1) / np.maximum(known, 1)
    return strongest, typical, share
