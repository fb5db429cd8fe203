"""Dark scratches and long hairs: lines of lost or added density, told from the picture's own by how they run over it.

A scratch or a hair is as sharp as the copying lens draws, keeps its width and its depth, lets through what lies on both
sides of it, and ends where it likes; a wire, a joint or a stroke is as soft as the picture and ends where its object ends.
Over texture a hair is no thing of its own at any pixel, but it is along its length. Light lines are dark ones of the
negated plane.
"""
from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np

from ..robust import quantile
from ..values import frozen
from . import compiled, noise
from .channels import Channels
from .features import Frame
from .lines import Line, lines
from .noise import STEPS
from .score import HEARD, WEIGHED, Trees

#: Pixels looked at on either side of a line, and rows averaged along it.
REACH, BLOCK = 16, 8
#: Pixels at half depth beyond which a line is something in the picture.
WIDEST = 11
#: By how many pixels a line found may be moved to where it is darkest, first and then.
MOVES = (5, 3)
#: The scales lines are sought at, the most that are looked into, and the most that are kept.
SCALES, TRIED, MANY = (2, 4), 90, 90
#: Share of the usual depth at which a scratch ends.
END = 0.4
#: Pixels by which a line found is drawn out at either end: pieces end where their strip ends.
DRAWN_OUT = 64
#: The most, in depths of the line, that its surroundings may vary across it (usually and anywhere) and its sides may
#: differ.
HOPELESS = (0.7, 2.5, 1.5)
#: Pixels beyond an end that are looked at.
BEYOND = (6, 38)
#: Pixels within which other lines are near.
NEAR = 200
#: Doubt any frame leaves.
DOUBT = 0.1
#: Names of the columns of a scratch's values, in their order.
NAMES = ("sum", "length", "contrast", "contrast/grain", "contrast/noise", "width", "left edge", "right edge",
         "edge over frame's", "sides apart", "spread of that", "uneven", "share there", "through", "through known",
         "uneven for its ground",
         "least density", "density over low", "angle", "bend", "ground along", "shoulder", "lobe", "ends at the edge",
         "ground changes beyond", "goes on beyond", "colour spread", "colour least", "colour most", "width uneven",
         "scale", "pieces a pixel", "darker side over low", "rough", "parallel near", "near", "alike", "parallel",
         "plainer", "all")
_AT = np.arange(-REACH, REACH + 1)


@frozen(eq=False)
class Scratch:
    """A line looked into.

    Attributes
    ----------
    points, normals : float array (n, 2)
        x, y a pixel apart along it, and the direction across.
    half : (float, float)
        Its width to either side at half its depth.
    contrast : float
        Density it lacks, in steps.
    values : float32 array
        The columns of `NAMES` that are its own.
    """

    points: np.ndarray
    normals: np.ndarray
    half: tuple[float, float]
    contrast: float
    values: np.ndarray

    def pixels(self, shape) -> np.ndarray:
        """Flat indices of its pixels in a picture of that shape, sorted."""
        low, high = max(self.half[0], 0.5), max(self.half[1], 0.5)
        across = np.arange(-np.floor(2 * low) / 2, np.floor(2 * high) / 2 + 0.01, 0.5)
        points, normals = self.points, self.normals
        # Blocks end short of the picture's edge.
        for at, inner in ((0, 1), (-1, -2)):
            more = points[at] + (points[at] - points[inner]) * np.arange(1, BLOCK + 1)[:, None]
            if not _places(more[-1:], normals[:1], np.zeros(1), shape)[2].all():
                points = np.concatenate([points, more])
                normals = np.concatenate([normals, np.repeat(normals[at][None], BLOCK, axis=0)])
        x, y, inside = _places(points, normals, across, shape)
        return np.unique((y * shape[1] + x)[inside])


def find(plane: np.ndarray, colour: Channels | None, frame: Frame, *, light: bool = False,
         threads: int = 1) -> tuple[list[Scratch], np.ndarray]:
    """Lines that may be scratches (or hairs), and the columns `NAMES` of each, float32 (n, len(NAMES))."""
    small, found = plane, []
    for scale in range(1, SCALES[-1] + 1):
        if scale & (scale - 1) == 0 and scale > 1:
            small = frame.half if scale == 2 and not light else noise.halved(small, threads=threads, negated=scale == 2)
            if scale in SCALES:
                found += lines(small, scale)
    found.sort(key=lambda line: -line.sum)
    low = float(quantile((-1 if light else 1) * plane[::7, ::5], 0.01))
    cells = np.zeros((plane.shape[0] // 4 + 3, plane.shape[1] // 4 + 3), bool)
    out, tried = [], 0
    for line in found:
        if len(out) == MANY or tried == TRIED:
            break
        points = resampled(line.points)
        if _taken(cells, points):
            continue
        tried += 1
        scratch = measure(plane, colour, frame, low, line, points, light)
        if scratch is None or _taken(cells, scratch.points):
            continue
        _take(cells, scratch.points)
        out.append(scratch)
    if not out:
        return [], np.zeros((0, len(NAMES)), np.float32)
    return out, np.concatenate([np.stack([s.values for s in out]), among(out)], axis=1)


def _taken(cells, points) -> bool:
    if compiled.loops:
        return compiled.loops.taken(cells, *cells.shape, 4, points, len(points)) > 0.5 * len(points)
    y, x = (points[:, ::-1] // 4).astype(int).T + 1
    return cells[np.clip(y, 0, cells.shape[0] - 1), np.clip(x, 0, cells.shape[1] - 1)].mean() > 0.5


def _take(cells, points) -> None:
    """The cells of points and those next to them are taken."""
    if compiled.loops:
        compiled.loops.take(cells, *cells.shape, 4, np.ascontiguousarray(points), len(points))
        return
    y, x = (points[:, ::-1] // 4).astype(int).T + 1
    y, x = np.clip(y, 0, cells.shape[0] - 1), np.clip(x, 0, cells.shape[1] - 1)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            cells[np.clip(y + dy, 0, cells.shape[0] - 1), np.clip(x + dx, 0, cells.shape[1] - 1)] = True


def resampled(points: np.ndarray) -> np.ndarray:
    """Points a pixel apart along a polyline; a multiple of `BLOCK` of them."""
    if compiled.loops:
        points = np.ascontiguousarray(points, np.float64)
        return np.frombuffer(compiled.loops.resampled(points, len(points), BLOCK)).reshape(-1, 2)
    step = np.hypot(*np.diff(points, axis=0).T)
    points = points[np.concatenate([[True], step > 0])]
    at = np.concatenate([[0], np.cumsum(step[step > 0])])
    n = max(int(at[-1]) // BLOCK * BLOCK, BLOCK)
    s = np.arange(n) + (at[-1] - n) / 2
    return np.stack([np.interp(s, at, points[:, k]) for k in (0, 1)], axis=1)


def _smooth(v, reach):
    """Running means over 2 reach + 1 rows; beyond the ends goes what lies within, turned about the end."""
    reach = min(reach, (len(v) - 1) // 2)
    if reach < 1:
        return v
    v = np.concatenate([2 * v[0] - v[reach:0:-1], v, 2 * v[-1] - v[-2:-reach - 2:-1]])
    total = np.cumsum(v, axis=0)
    out = total[2 * reach:].copy()
    out[1:] -= total[:-2 * reach - 1]
    return out / (2 * reach + 1)


def _across(points, reach):
    """Unit vectors across a line, whose direction is that of its running mean."""
    points = _smooth(points, reach)
    along = np.empty_like(points)
    along[1:-1], along[0], along[-1] = points[2:] - points[:-2], points[1] - points[0], points[-1] - points[-2]
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


def _places(points, normals, at, shape):
    """Columns and rows of pixels across a line, and which lie in the picture."""
    x = np.rint(points[:, :1] + normals[:, :1] * at).astype(np.int64)
    y = np.rint(points[:, 1:] + normals[:, 1:] * at).astype(np.int64)
    return x, y, (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])


def straightened(plane, points, normals, sign: int = 1):
    """The picture along a line, of that sign, laid straight: float32 (n, 2 REACH + 1)."""
    h, w = plane.shape
    if compiled.loops:
        out = np.empty((len(points), len(_AT)), np.float32)
        points, normals = (np.ascontiguousarray(v, np.float64) for v in (points, normals))
        compiled.loops.straightened(plane, h, w, sign, points, normals, len(points), REACH, out)
        return out
    x = np.rint(points[:, :1] + normals[:, :1] * _AT).astype(np.int32)
    y = np.rint(points[:, 1:] + normals[:, 1:] * _AT).astype(np.int32)
    if x.min() < 0 or y.min() < 0 or x.max() >= w or y.max() >= h:
        np.minimum(np.maximum(x, 0, out=x), w - 1, out=x)
        np.minimum(np.maximum(y, 0, out=y), h - 1, out=y)
    return sign * plane.reshape(-1)[y * w + x].astype(np.float32)


def laid(plane, points, sign: int = 1):
    """A line moved to where it is darkest, drawn out straight at both ends and laid straight.

    Parameters
    ----------
    plane : int16 array (h, w)
    points : float array (n, 2)
        x, y a pixel apart (`resampled`).
    sign : int
        Of the plane: a light line is dark where it is -1.

    Returns
    -------
    points, normals : float arrays (m, 2)
    rows : float32 array (m, 2 REACH + 1)
        The picture across it (`straightened`).
    before, after : int
        By how many blocks it was drawn out at the first end and the last.
    """
    if compiled.loops:
        n, most = len(points), len(points) + 2 * DRAWN_OUT
        out, normals, rows = np.empty((most, 2)), np.empty((most, 2)), np.empty((most, len(_AT)), np.float32)
        before, after = compiled.loops.laid(plane, *plane.shape, sign, np.ascontiguousarray(points), n,
                                            np.array(MOVES, np.int64), len(MOVES), REACH, BLOCK, DRAWN_OUT, out, normals, rows)
        n += before + after
        return out[:n], normals[:n], rows[:n], before // BLOCK, after // BLOCK
    points, before, after = _drawn_out(_centred(plane, points, sign), plane.shape)
    normals = _across(points, 12)
    return points, normals, straightened(plane, points, normals, sign), before, after


def _centred(plane, points, sign):
    """Points a pixel apart moved to where a line is darkest."""
    n, middle = len(points), REACH - 1
    points = _smooth(points[:: BLOCK // 2], 2)
    for reach in MOVES:
        normals = _across(points, 3)
        level = _smooth(straightened(plane, points, normals, sign), 4)
        level = level[:, :-2] + level[:, 1:-1] + level[:, 2:]
        beside = np.minimum(level[:, middle - reach - 6:middle - reach].max(axis=1),
                            level[:, middle + reach + 1:middle + reach + 7].max(axis=1))
        deep = np.maximum(beside[:, None] - level[:, middle - reach:middle + reach + 1], 0)
        deep = np.maximum(deep - 0.5 * deep.max(axis=1, keepdims=True), 0) + 1e-6
        move = (deep * np.arange(-reach, reach + 1)).sum(axis=1) / deep.sum(axis=1)
        points = points + normals * _smooth(move, 3)[:, None]
    at, every = np.arange(0, n, BLOCK // 2), np.arange(n)
    return _smooth(np.stack([np.interp(every, at, v) for v in points.T], axis=1), 4)


def _drawn_out(points, shape):
    """A line drawn out straight at both ends, within the picture; and by how many blocks at the first and the last."""
    h, w = shape
    parts, blocks = [points], []
    within = min(3 * BLOCK, len(points) - 1)
    for at, inner, front in ((0, within, True), (-1, -1 - within, False)):
        on = points[at] - points[inner]
        on /= max(np.hypot(*on), 1e-9)
        more = points[at] + on * np.arange(1, DRAWN_OUT + 1)[:, None]
        out = np.flatnonzero((more < 0).any(axis=1) | (more[:, 0] > w - 1) | (more[:, 1] > h - 1))
        n = (out[0] if len(out) else len(more)) // BLOCK * BLOCK
        blocks.append(n // BLOCK)
        parts = [more[:n][::-1], *parts] if front else [*parts, more[:n]]
    return np.concatenate(parts), *blocks


def _median(values, axis=-1):
    """numpy's without its checks."""
    values = np.moveaxis(np.sort(values, axis=axis), axis, 0) if values.ndim > 1 else np.sort(values)
    n = len(values)
    return (values[(n - 1) // 2] + values[n // 2]) / 2


def _profile(rows, n: int, known: slice) -> tuple[np.ndarray, np.ndarray]:
    """Means of n blocks of rows, and across the known ones the median of what stands out of their sides."""
    if compiled.loops:
        mean, out = np.empty((n, rows.shape[1]), np.float32), np.empty(rows.shape[1], np.float32)
        compiled.loops.profile(rows, n, BLOCK, rows.shape[1], known.start, known.stop, mean, out)
        return mean, out
    mean = rows[:n * BLOCK].reshape(n, BLOCK, -1).mean(axis=1)
    return mean, _median(mean[known] - (_median(mean[known, 2:8]) + _median(mean[known, -8:-2]))[:, None] / 2, 0)


def measure(plane: np.ndarray, colour: Channels | None, frame: Frame, low: float, line: Line, points: np.ndarray,
            light: bool = False) -> Scratch | None:
    """What is known of a line with points a pixel apart; None where nothing is left of it. Few pixels of the frame lie below a
    density `low`; light lines are dark ones of the negated plane."""
    sign = -1 if light else 1
    points, normals, rows, before, after = laid(plane, points, sign)
    n = len(rows) // BLOCK
    if n < 2:
        return None
    known = slice(before, n - after)
    mean, profile = _profile(rows, n, known)
    bottom = profile[REACH - 1:REACH + 2].mean()
    if bottom >= 0:
        return None
    edge = -noise.edge(-bottom) if light else bottom / 2
    right, left = _half(profile[REACH:], edge), _half(profile[REACH::-1], edge)
    if left + right > WIDEST:
        return None
    a, b = min(int(np.ceil(right)) + 1, REACH - 4), min(int(np.ceil(left)) + 1, REACH - 4)
    core = max(int(min(left, right) / 2), 0)
    # Of a scratch half of the light it lets through lies above half of the density it lacks.
    edge = -noise.edge(-bottom) if light else noise.edge(profile[REACH - 1:REACH + 2].min())
    half = _half(profile[REACH::-1], edge), _half(profile[REACH:], edge)

    def levels(mean):
        one, other = mean[:, REACH - b - 3:REACH - b + 1].mean(axis=1), mean[:, REACH + a:REACH + a + 4].mean(axis=1)
        return one, other, mean[:, REACH - core:REACH + core + 1].mean(axis=1)

    one, other, middle = levels(mean)
    deep = np.minimum(one, other) / 2 + (one + other) / 4 - middle
    there = deep > END * _median(deep[known][deep[known] >= _median(deep[known])])
    on = np.flatnonzero(there[known]) + before
    if len(on) < 2:
        return None
    part = slice(n - 1 - _onward(there[::-1], n - 1 - on[0], n - before), _onward(there, on[-1], n - after) + 1)
    n = part.stop - part.start
    points, normals, rows = (v[part.start * BLOCK:part.stop * BLOCK] for v in (points, normals, rows))
    mean, one, other, middle, deep, there = (v[part] for v in (mean, one, other, middle, deep, there))
    contrast, apart = float(_median(deep)), one - other
    if contrast <= 0:
        return None
    ground = (one + other) / 2
    profile = _median(mean - ground[:, None], 0) / contrast
    outer = np.abs(np.concatenate([profile[:REACH - b - 3], profile[REACH + a + 4:]]))
    shoulder, lobe, sides = _median(outer), outer.max(), _median(np.abs(apart)) / contrast
    if shoulder > HOPELESS[0] or lobe > HOPELESS[1] or sides > HOPELESS[2]:
        return None
    beside = np.concatenate([rows[:, :REACH - b], rows[:, REACH + a + 1:]], axis=1)
    # The median of |x - y| of normal noise is 0.954 sigma.
    grain = float(_median(np.abs(beside[:, 4:] - beside[:, :-4]).ravel())) / 0.954 + 1
    unsure = grain * np.sqrt(1 / (BLOCK * (2 * core + 1)) + 1 / (8 * BLOCK))
    edges = [float((v[2:] - v[:-2]).max()) for v in (profile[REACH:REACH + a + 4], profile[REACH::-1][:b + 4])]
    own, through = ground - ground.mean(), middle - middle.mean()
    varies = max(float((own * own).mean()) - unsure ** 2 / 3, 1e-6)
    slope = min(max(float((own * through).mean()) / (varies + unsure ** 2), -2.0), 3.0)
    # Depth as a straight line of the ground: what is scratched off may be a share of what is there.
    share = (own * (deep - deep.mean())).mean() / max(float((own * own).mean()), 1e-6)
    left_over = float(np.std(deep - share * own)) / contrast
    way = points[-1] - points[0]
    angle = abs((np.degrees(np.arctan2(way[1], way[0])) + 45) % 90 - 45)
    bend = np.hypot(*(points - points[0] - way * np.linspace(0, 1, len(points))[:, None]).T).max() / len(points)
    borders, change, goes_on = _beyond(plane, points, normals, way, one, other, contrast, a, b, core, sign)
    spread, least, most = _hue(colour, points, normals, a, b, core, plane.shape, light)
    dip = (ground[:, None] - mean[:, REACH - b:REACH + a + 1]).sum(axis=1) / np.maximum(deep, 0.3 * contrast)
    wide = max(_median(dip), 0.5)
    values = (np.log(line.sum), np.log(len(points)), np.log(contrast / STEPS), np.log(contrast / grain),
              np.log(contrast / unsure) + 0.5 * np.log(n), left + right, *edges, min(edges) - frame.steepness,
              sides, apart.std() / contrast,
              (_median(np.abs(deep - contrast)) - 0.67 * unsure) / contrast, there.mean(), slope,
              np.log((varies + 1) / unsure ** 2), left_over, middle.min() / STEPS,
              (_median(middle) - low) / STEPS, angle, np.log(bend + 1e-3),
              np.log(_median(np.abs(np.diff(ground))) / unsure + 0.01), shoulder, lobe, borders, change, goes_on,
              spread, least, most, _median(np.abs(dip - wide)) / wide, line.scale, line.pieces / len(points),
              (min(_median(one), _median(other)) - low) / STEPS, np.std(middle - _smooth(middle, 2)) / contrast)
    return Scratch(points, normals, half, contrast, np.array(values, np.float32))


def _onward(there, last, known):
    """The last of the blocks that go on beyond `last`, if that is the last of those known; one may be missing."""
    if last == known - 1:
        while last + 1 < len(there) and there[last + 1:last + 3].any():
            last += 1 if there[last + 1] else 2
    return last


def _half(profile, edge):
    """Steps from the middle of a profile to where it has risen to its edge."""
    profile = profile.tolist()  # numbers of an array are slow one by one
    for i in range(1, REACH - 3):
        if profile[i] > edge:
            before = profile[i - 1]
            return i - 1 + (edge - before) / (profile[i] - before) if before <= edge else i - 0.5
    return float(REACH - 4)


def _beyond(plane, points, normals, way, one, other, contrast, a, b, core, sign):
    """At how many ends the picture ends too; how much the ground changes beyond an end; how deep the line is there."""
    h, w = plane.shape
    borders, change, goes_on = 0, 0.0, -9.0
    for at, rows in ((0, slice(0, 4)), (-1, slice(-4, None))):
        on = np.array([normals[at, 1], -normals[at, 0]])
        on *= np.sign(on @ way or 1) * (1 if at else -1)
        further = points[at] + on * np.arange(*BEYOND)[:, None]
        inside = (further > 1).all(axis=1) & (further[:, 0] < w - 2) & (further[:, 1] < h - 2)
        if inside.mean() < 0.75:
            borders += 1
            continue
        level = _median(straightened(plane, further, np.repeat(normals[at][None], len(further), axis=0), sign), 0)
        here, there = level[REACH - b - 3:REACH - b + 1].mean(), level[REACH + a:REACH + a + 4].mean()
        change = max(change, min(max(abs(here - one[rows].mean()), abs(there - other[rows].mean())) / contrast, 6.0))
        goes_on = max(goes_on, ((here + there) / 2 - level[REACH - core:REACH + core + 1].mean()) / contrast)
    return borders, change, 0.0 if borders == 2 else goes_on


def _hue(colour, points, normals, a, b, core, shape, light):
    """Spread, least and greatest of the three channels' contrasts, over their mean."""
    if colour is None:
        return 0.0, 1.0, 1.0
    n = len(points)
    some = np.arange(n) if n <= 48 else np.linspace(0, n - 1, 48).astype(int)
    inner = (-1, 0, 1) if core else (0,)
    x, y, _ = _places(points[some], normals[some], np.array((*inner, a + 1, a + 2, -b - 1, -b - 2), float), shape)
    x, y = np.minimum(np.maximum(x, 0), shape[1] - 1), np.minimum(np.maximum(y, 0), shape[0] - 1)
    density = colour.at(y.ravel(), x.ravel()).reshape(*x.shape, 3)
    k = len(inner)
    deep = _median(density[:, k:].mean(axis=1) - density[:, :k].mean(axis=1), 0) * (-1 if light else 1)
    mean = max(float(deep.mean()), 0.004)
    least, most = min(max(float(deep.min()) / mean, -3.0), 1.0), min(max(float(deep.max()) / mean, 0.0), 5.0)
    return min(float(deep.std()) / mean, 4.0), least, most


def among(scratches: list[Scratch]) -> np.ndarray:
    """What the other lines say of each: how many are parallel, near, alike, plainer; float32 (n, 6)."""
    n = len(scratches)
    middle = np.array([s.points[len(s.points) // 2] for s in scratches])
    way = np.array([s.points[-1] - s.points[0] for s in scratches])
    way /= np.maximum(np.hypot(*way.T), 1)[:, None]
    total, deep = (np.array([s.values[NAMES.index(name)] for s in scratches]) for name in ("sum", "contrast"))
    other = ~np.eye(n, dtype=bool)
    parallel = (np.abs(way[:, None, 0] * way[:, 1] - way[:, None, 1] * way[:, 0]) < 0.12) & other
    near = (np.hypot(*(middle[:, None] - middle).transpose(2, 0, 1)) < NEAR) & other
    alike = parallel & (np.abs(deep[:, None] - deep) < 0.5)
    counts = [parallel & near, near, alike, parallel, total > total[:, None], np.ones((n, n), bool)]
    return np.log1p(np.stack([c.sum(axis=1) for c in counts], axis=1)).astype(np.float32)


def search(plane: np.ndarray, colour: Channels | None, frame: Frame, *, light: bool = False, threads: int = 1):
    """Dark scratches of a plane, or light lines.

    Returns
    -------
    index, owner : int arrays (n,)
        Flat indices of pixels, and the scratch each belongs to.
    confidence : float array (count,)
    contrast : float array (count,)
        Density that is lacking, or added.
    """
    found, values = find(plane, colour, frame, light=light, threads=threads)
    confidence = confidences(values, light=light)
    # Candidates may speak for light lines (`backing`).
    taken = np.flatnonzero(confidence >= (WEIGHED if light else HEARD))
    pixels = [found[i].pixels(plane.shape) for i in taken]
    owner = np.repeat(np.arange(len(taken)), [len(p) for p in pixels])
    contrast = np.array([found[i].contrast for i in taken]) / STEPS
    return np.concatenate([*pixels, np.zeros(0, np.int64)]), owner, confidence[taken], contrast


def doubts(alone: np.ndarray) -> np.ndarray:
    """The doubt lines leave of a frame: what is likelier a scratch than not leaves little, or many scratches would be held
    for the picture's."""
    return alone * (1 - alone) ** 2


def confidences(values: np.ndarray, *, light: bool = False) -> np.ndarray:
    """Share of lines with such values that are scratches; `values` are those of all lines of a frame.

    Where many lines leave doubt they are the picture's, so that all of them are believed less.
    """
    trees, (start, own, others), _ = scorer(light)
    alone = np.clip(trees(values), 1e-4, 1 - 1e-4)
    doubt = doubts(alone)
    return 1 / (1 + np.exp(-(start + own * np.log(alone / (1 - alone)) + others * np.log(doubt.sum() - doubt + DOUBT))))


@lru_cache(maxsize=2)
def scorer(light: bool = False) -> tuple[Trees, tuple[float, float, float], tuple[float, ...]]:
    """What is in scratches.json or hairs.json (benchmarks/train_scratches.py): trees, the weights of `confidences`, and of light
    lines those of `backing.backed`."""
    data = json.loads(Path(__file__).with_name("hairs.json" if light else "scratches.json").read_text())
    if tuple(data["columns"]) != NAMES:
        raise ValueError("scratches.json and hairs.json were made for other columns; run benchmarks/train_scratches.py")
    return Trees(data["start"], tuple(np.array(e, np.float32) for e in data["edges"]), np.array(data["features"]),
                 np.array(data["limits"]), np.array(data["leaves"], np.float32)), tuple(data["among"]), tuple(data.get("backed", ()))
