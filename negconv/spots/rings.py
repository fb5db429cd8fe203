"""Drying marks: faint closed rims, light in the positive, found by adding up along them.

Pieces of thin light lines vote for the middles of circles they may lie on; around each of the best middles the picture
is laid out by direction and distance, and the closed way round along which the rim stands out most is the mark's
outline.
"""
from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np

from ..robust import median
from ..values import frozen
from . import compiled, noise
from .lines import UNIT, evened, pieces
from .noise import STEPS
from .score import HEARD, Trees

#: Pixels of the full picture in one of the plane marks are sought in, and rows of a piece of rim.
SCALE, PIECE = 4, 8
#: Least sum of a piece, in standard deviations of noise, and the most that its vote counts.
LEAST, MOST = 2.6, 6.0
#: Distances from the middle that are voted for, side of the cells votes are counted in, and how many rims are kept.
RADII, CELL, MANY = (5, 7, 10, 14, 20, 28, 40), 3, 40
#: Least votes for a middle, in standard deviations of the votes for such a radius, and how many middles of a radius
#: are tried.
VOTES, FIRST = 2.0, 12
#: Directions looked in, and how far beyond the distance voted for, as a factor.
ANGLES, BEYOND = 64, 1.7
#: What one step in or out costs, in standard deviations of noise.
BENT = 0.35
#: The most that a step from inside to outside may be, in depths of the rim: beyond, it is the edge of something.
EDGE = 4.0
#: Where a rim must have ended: what is left of it eight pixels aside, less its depth, over its depth.
THIN = -0.7
#: Least mean of a rim, in standard deviations of noise.
LEAST_MEAN = 1.2
#: Pixels of the half-size picture by which a rim may be moved.
CLOSE = 5
#: Names of the columns of a mark's values, in their order.
NAMES = ("mean", "least quarter", "least eighth", "share there", "radius", "out of round", "jagged", "contrast",
         "contrast/grain", "uneven", "inside over contrast", "texture", "votes", "mean close", "least quarter close",
         "share there close",
         "contrast close", "profile beside", "plainer", "all")


@frozen(eq=False)
class Ring:
    """A closed rim.

    Attributes
    ----------
    points : float array (n, 2)
        x, y around it, pixels of the full picture.
    contrast : float
        Density over what lies on both sides, in steps.
    values : float32 array
    """

    points: np.ndarray
    contrast: float
    values: np.ndarray

    def pixels(self, shape, half: float = 2.0) -> np.ndarray:
        """Flat indices of its pixels in a picture of that shape, sorted."""
        closed = np.concatenate([self.points, self.points[:1]])
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        s = np.arange(0, along[-1], 0.5)
        line = np.stack([np.interp(s, along, closed[:, k]) for k in (0, 1)], axis=1)
        way = np.roll(line, -3, axis=0) - np.roll(line, 3, axis=0)
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        across = np.arange(-half, half + 0.01, 0.5)
        x = np.rint(line[:, :1] - way[:, 1:] * across).astype(np.int64)
        y = np.rint(line[:, 1:] + way[:, :1] * across).astype(np.int64)
        inside = (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
        return np.unique((y * shape[1] + x)[inside])


def find(plane: np.ndarray, *, threads: int = 1, half: np.ndarray | None = None) -> tuple[list[Ring], np.ndarray]:
    """Rims that may be drying marks, and the columns `NAMES` of each, float32 (n, len(NAMES)). The half may be known."""
    half = noise.halved(plane, threads=threads) if half is None else half
    small = noise.halved(half, threads=threads)
    found: list[Ring] = []
    if min(small.shape) >= 48:
        for radius, x, y, votes in middles(small):
            found += rims(small, x, y, radius, votes)
    quarter, size = NAMES.index("least quarter"), NAMES.index("radius")
    found.sort(key=lambda ring: -(ring.values[0] + ring.values[quarter]))
    out: list[Ring] = []
    places: list[tuple[np.ndarray, float]] = []
    for ring in found:
        middle, near = ring.points.mean(axis=0), 0.5 * SCALE * np.exp(ring.values[size])
        if len(out) < MANY and all(np.hypot(*(middle - other)) > max(near, reach) for other, reach in places):
            out.append(ring)
            places.append((middle, near))
    out = closer(half, out) if out else out
    if not out:
        return [], np.zeros((0, len(NAMES)), np.float32)
    values = np.stack([r.values for r in out])
    mean = values[:, 0]
    among = np.log1p(np.stack([(mean[None] > mean[:, None]).sum(axis=1), np.full(len(out), len(out))], axis=1))
    return out, np.concatenate([values, among], axis=1).astype(np.float32)


def closer(half: np.ndarray, rings: list[Ring]) -> list[Ring]:
    """Those rims that are thin, moved to where they stand out most at half size, with what they say there."""
    h, w = half.shape
    n = 2 * ANGLES
    points = np.stack([np.repeat(r.points, 2, axis=0) for r in rings])
    points[:, 1::2] = (points[:, 1::2] + np.roll(points, -1, axis=1)[:, 1::2]) / 2
    points = (points + 0.5) / 2 - 0.5
    way = np.roll(points, -3, axis=1) - np.roll(points, 3, axis=1)
    way /= np.maximum(np.hypot(way[..., 0], way[..., 1]), 1e-9)[..., None]
    away = np.stack([way[..., 1], -way[..., 0]], axis=-1)
    at = np.arange(-CLOSE - 4, CLOSE + 5)
    x = np.clip(np.rint(points[..., :1] + away[..., :1] * at).astype(np.int64), 0, w - 1)
    y = np.clip(np.rint(points[..., 1:] + away[..., 1:] * at).astype(np.int64), 0, h - 1)
    level = half.reshape(-1)[y * w + x].astype(np.float32)
    inner = np.arange(4, len(at) - 4)
    deep = level[..., inner] - np.maximum((level[..., inner + 3] + level[..., inner + 4]) / 2,
                                          (level[..., inner - 3] + level[..., inner - 4]) / 2)
    size = np.maximum(np.median(np.abs(np.diff(level, axis=2)), axis=(1, 2)) / 0.954 * 1.3, 2)[:, None, None]
    score = np.clip(deep / size + 0.5, -3, 3)
    step = _closed(score)
    every = np.arange(len(rings))[:, None]
    said = score[every, np.arange(n), step]
    move = inner[step] + at[0]
    move = (np.roll(move, 1, axis=1) + move + np.roll(move, -1, axis=1)) / 3
    points = points + away * move[..., None]
    across = np.clip(inner[step][..., None] + np.arange(-8, 9), 0, len(at) - 1)
    profile = np.median(level[every[..., None], np.arange(n)[:, None], across], axis=1)
    out = []
    for i, ring in enumerate(rings):
        rim = profile[i, 7:10].mean() - max(profile[i, :5].mean(), profile[i, -5:].mean())
        lobe = (profile[i, [3, 4, 12, 13]].max() - profile[i, 7:10].max()) / max(rim, 1.0)
        if lobe > THIN:
            continue
        quarters = said[i].reshape(4, -1).mean(axis=1)
        more = (said[i].mean(), quarters.min(), (said[i] > 0.5).mean(), np.log(max(rim, 1) / STEPS),
                np.clip(lobe, -3, 3))
        values = np.concatenate([ring.values, np.float32(more)])
        out.append(Ring((points[i] + 0.5) * 2 - 0.5, max(float(rim), 1.0), values))
    return out


def middles(small: np.ndarray):
    """Middles and radii that many pieces of light line lie around: x, y, radius, votes, the most first."""
    h, w = small.shape
    down = np.negative(small)
    found = []
    for across in (False, True):
        plane = noise.turned(down) if across else down
        least = LEAST * UNIT * np.sqrt(PIECE)
        p = pieces(evened(plane), least, PIECE)
        middle = np.stack([p[:, 1] + p[:, 2] / 2, p[:, 0] * PIECE + (PIECE - 1) / 2], axis=1)
        way = np.stack([p[:, 2], np.full(len(p), PIECE - 1)], axis=1)
        way /= np.hypot(*way.T)[:, None]
        if across:
            middle, way = middle[:, ::-1], way[:, ::-1]
        found.append(np.concatenate([middle, way, p[:, 3:] / (UNIT * np.sqrt(PIECE))], axis=1))
    found = np.concatenate(found)
    if not len(found):
        return []
    rows, columns = h // CELL + 1, w // CELL + 1
    weight = np.minimum(found[:, 4], MOST) / MOST
    out = []
    for radius in RADII:
        votes = _voted(found, weight, radius, (h, w), (rows, columns))
        # A rim out of round misses its middle by some of its radius.
        reach = max(1, round(0.25 * radius / CELL))
        padded = np.pad(votes, reach + 1)[:-1, :-1].cumsum(axis=0).cumsum(axis=1)
        side = 2 * reach + 1
        total = padded[side:, side:] - padded[:-side, side:] - padded[side:, :-side] + padded[:-side, :-side]
        total = total[:rows, :columns]
        total = (total - median(total)) / max(float(total.std()), 1e-6)
        best = np.flatnonzero(total > VOTES)
        best = best[np.argsort(-total.reshape(-1)[best], kind="stable")[:60 * FIRST]]
        kept: list[tuple[int, int]] = []
        for y, x in zip(*np.unravel_index(best, total.shape)):
            if all(np.hypot(x - u, y - v) * CELL > 0.5 * radius for v, u in kept):
                kept.append((y, x))
            if len(kept) == FIRST:
                break
        if kept:
            at = np.array(kept)
            out.append((radius, (at[:, 1] + 0.5) * CELL, (at[:, 0] + 0.5) * CELL, total[at[:, 0], at[:, 1]]))
    return out


def _voted(found, weight, radius, shape, cells) -> np.ndarray:
    """Votes of pieces (x, y, direction, sum) for the middles of circles of a radius, by cell."""
    distances = radius * np.array([-1.15, -1, -0.87, 0.87, 1, 1.15])
    if compiled.loops:
        votes = np.zeros(cells)
        compiled.loops.vote(found, weight, len(found), distances, len(distances), *shape, CELL, cells[1], votes)
        return votes
    x = (found[:, 0] - found[:, 3] * distances[:, None]).ravel()
    y = (found[:, 1] + found[:, 2] * distances[:, None]).ravel()
    ok = (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
    cell = y[ok].astype(int) // CELL * cells[1] + x[ok].astype(int) // CELL
    return np.bincount(cell, np.tile(weight, len(distances))[ok], cells[0] * cells[1]).reshape(cells)


def rims(small: np.ndarray, x: np.ndarray, y: np.ndarray, radius: float, votes: np.ndarray) -> list[Ring]:
    """For each of some middles the closed way round along which a rim stands out most, where there is any."""
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    cos, sin = np.cos(angle), np.sin(angle)
    turn, many = np.arange(ANGLES), np.arange(len(x))[:, None]
    for again in (True, True, False):
        level, deep, score, at = _laid_out(small, x, y, radius, cos, sin)
        way = _closed(score)
        radii = at[way].astype(float)
        smooth = (np.roll(radii, 1, axis=1) + radii + np.roll(radii, -1, axis=1)) / 3
        if again:
            x, y = x + (smooth * cos).mean(axis=1), y + (smooth * sin).mean(axis=1)
    said, rim = score[many, turn, way], deep[many, turn, way]
    line = level[many, turn, at[way]]
    far = level.shape[2] - 1
    inner, outer = (level[many, turn, np.clip(at[way] + k, 0, far)] for k in (-4, 4))
    # Over the denser side: a step has none.
    contrast = np.median(line, axis=1) - np.maximum(np.median(inner, axis=1), np.median(outer, axis=1))
    across = np.abs(np.diff(level, axis=2)).reshape(len(x), -1)
    grain = np.median(across, axis=1) / 0.954 + 1
    out = []
    step = np.abs(np.median(outer - inner, axis=1))
    for i in np.flatnonzero((said.mean(axis=1) >= LEAST_MEAN) & (contrast > 0) & (step <= EDGE * contrast)):
        quarters, eighths = said[i].reshape(4, -1).mean(axis=1), said[i].reshape(8, -1).mean(axis=1)
        jagged = np.abs(np.diff(np.append(radii[i], radii[i, 0]))).mean() / np.sqrt(radii[i].mean())
        values = (said[i].mean(), quarters.min(), eighths.min(), (said[i] > 0.5).mean(), np.log(radii[i].mean()),
                  smooth[i].std() / radii[i].mean(), jagged, np.log(contrast[i] / STEPS),
                  np.log(contrast[i] / grain[i]), rim[i].std() / contrast[i],
                  step[i] / contrast[i], across[i].mean() / grain[i], votes[i])
        points = np.stack([x[i] + cos * smooth[i], y[i] + sin * smooth[i]], axis=1)
        out.append(Ring((points + 0.5) * SCALE - 0.5, float(contrast[i]), np.array(values, np.float32)))
    return out


def _laid_out(small, x, y, radius, cos, sin):
    """The picture around middles by direction and distance; how much it stands out; that in noise's units, limited."""
    h, w = small.shape
    r = np.arange(int(np.ceil(radius * BEYOND)) + 6)
    xx = np.rint(x[:, None, None] + cos[:, None] * r).astype(np.int64)
    yy = np.rint(y[:, None, None] + sin[:, None] * r).astype(np.int64)
    inside = (xx >= 0) & (yy >= 0) & (xx < w) & (yy < h)
    level = small.reshape(-1)[np.clip(yy, 0, h - 1) * w + np.clip(xx, 0, w - 1)].astype(np.float32)
    at = np.arange(max(3, int(0.45 * radius)), len(r) - 4)
    deep = level[..., at] - np.maximum((level[..., at + 3] + level[..., at + 4]) / 2,
                                       (level[..., at - 3] + level[..., at - 2]) / 2)
    middle = np.median(deep, axis=(1, 2), keepdims=True)
    size = np.maximum(np.median(np.abs(deep - middle), axis=(1, 2), keepdims=True) / 0.6745, 2)
    score = np.clip((deep - middle) / size, -3, 3)
    score[~inside[..., at + 4]] = -0.5
    return level, deep, score, at


def _closed(score: np.ndarray) -> np.ndarray:
    """Columns (k, n) of the closed ways with the greatest sums in (k, n, m); from row to row they step aside by one."""
    k, n, m = score.shape
    if compiled.loops:
        out = np.empty((k, n), np.int64)
        compiled.loops.closed(np.ascontiguousarray(score, np.float32), k, n, m, BENT, out)
        return out
    total, back = np.zeros((k, m), np.float32), np.zeros((2 * n, k, m), np.int8)
    wide = np.full((k, m + 2), -1e9, np.float32)
    # Twice round, and the middle of both rounds kept: it is far from where they begin and end.
    for i in range(2 * n):
        wide[:, 1:-1] = total
        low, high = wide[:, :-2] - BENT, wide[:, 2:] - BENT
        best = np.maximum(np.maximum(low, high), total)
        back[i] = np.where(best == total, 0, np.where(best == low, -1, 1))
        total = best + score[:, i % n]
    at, every = total.argmax(axis=1), np.arange(k)
    out = np.empty((k, n), np.int64)
    for i in range(2 * n - 1, n // 2 - 1, -1):
        if i < n // 2 + n:
            out[:, i % n] = at
        at = at + back[i, every, at]
    return out


def search(plane: np.ndarray, *, threads: int = 1, half: np.ndarray | None = None):
    """Drying marks of a plane whose rim is light in the positive: what a drop leaves blocks light.

    Returns
    -------
    index, owner : int arrays (n,)
        Flat indices of pixels, and the mark each belongs to.
    confidence : float array (count,)
    contrast : float array (count,)
        Density.
    """
    found, values = find(plane, threads=threads, half=half)
    confidence = scorer()(values) if found else np.zeros(0)
    taken = np.flatnonzero(confidence >= HEARD)
    pixels = [found[i].pixels(plane.shape) for i in taken]
    owner = np.repeat(np.arange(len(taken)), [len(p) for p in pixels])
    contrast = np.array([found[i].contrast for i in taken]) / STEPS
    return np.concatenate([*pixels, np.zeros(0, np.int64)]), owner, confidence[taken], contrast


@lru_cache(maxsize=1)
def scorer() -> Trees:
    """The trees in rings.json (benchmarks/train_marks.py makes them)."""
    data = json.loads(Path(__file__).with_name("rings.json").read_text())
    if tuple(data["columns"]) != NAMES:
        raise ValueError("rings.json was made for other columns; run benchmarks/train_marks.py")
    return Trees(data["start"], tuple(np.array(e, np.float32) for e in data["edges"]), np.array(data["features"]),
                 np.array(data["limits"]), np.array(data["leaves"], np.float32))
