"""Hairs followed beyond what was found of them.

A hair takes the same share of the light all along, so that it adds the same density to whatever it lies on, and it is of
even width. Where it crosses something as light as itself, or fine detail, it is not seen as a thing of its own; from its
ends on it can be followed by that.
"""
from __future__ import annotations

import numpy as np

from . import compiled
from .components import greatest
from .kinds import shapes

#: A hair is at least so much longer than wide, and so long; and no wider than that.
SLENDER, SHORTEST, WIDEST = 4.0, 16.0, 24.0
#: Turns tried at each step (shares of the sharpest), the radius of that in widths, and what a turn of one radian costs of the
#: contrast.
TURNS, RADIUS, COST = np.linspace(-1, 1, 7), 1.5, 0.35
#: Share of the hair's own contrast that is left where it still is, against the lighter of its sides alone, and the most there
#: may be.
LEFT, LIGHTER, MOST = 0.5, 0.25, 1.8
#: Widths of a stretch that may be missing, the least and the most pixels of it, and how far a hair goes on beyond its own length.
MISSING, SHORT, LONG, FURTHER = 2.0, 8, 20, 10.0
#: Pixels beside a hair from its edge on that it is compared with.
BESIDE = (1.5, 2.5, 3.5)


def followed(plane: np.ndarray, index: np.ndarray, part: np.ndarray, count: int, taken: np.ndarray):
    """Pixels by which hairs go on beyond their ends.

    Parameters
    ----------
    plane : int16 array (h, w)
        Density in steps.
    index, part : int arrays (n,)
        Flat indices, sorted, and the part each belongs to.
    count : int
    taken : bool array (count,)
        Parts that may be hairs.

    Returns
    -------
    index, part : int arrays
        Further pixels, each once.
    """
    h, w = plane.shape
    form = shapes(index, part, count, w)
    hair = taken & (form.length >= SLENDER * form.width) & (form.length >= SHORTEST) & (form.width <= WIDEST)
    here = hair[part]
    if not here.any():
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    number = np.cumsum(hair) - 1
    of = np.flatnonzero(hair)
    owner = number[part[here]]
    lines = middles(index[here], owner, len(of), w, form.width[of])
    width = np.maximum(form.width[of], 1.5)
    own = np.full(len(of), np.nan)
    at, angle, which = [], [], []
    for i, line in enumerate(lines):
        if len(line) < 3:
            continue
        way = np.gradient(line, axis=0)
        deep = contrast(plane, line, np.arctan2(way[:, 1], way[:, 0])[:, None], np.full(len(line), width[i]))[0][:, 0]
        own[i] = np.median(deep)
        if not own[i] > 0:
            continue
        # An outline may run past the hair at its ends.
        there = np.flatnonzero(deep >= LEFT * own[i])
        line = line[min(there[0], len(line) - 3):max(there[-1] + 1, 3)]
        if len(line) < 3:
            continue
        for end, inner in ((line[0], line[2]), (line[-1], line[-3])):
            at.append(end)
            angle.append(np.arctan2(*(end - inner)[::-1]))
            which.append(i)
    if not at:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    at, angle, which = np.array(at), np.array(angle), np.array(which)
    paths = _walk(plane, at, angle, width[which], own[which], form.length[of][which], index, part, of[which])
    out, who = [], []
    for path, i in zip(paths, which):
        if len(path):
            pixels = _painted(path, width[i] / 2, plane.shape)
            out.append(pixels)
            who.append(np.full(len(pixels), of[i]))
    if not out:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    out, who = np.concatenate(out), np.concatenate(who)
    out, first = np.unique(out, return_index=True)
    fresh = index[np.minimum(np.searchsorted(index, out), len(index) - 1)] != out
    return out[fresh], who[first][fresh]


def middles(index, part, count: int, width: int, wide) -> list:
    """The middle line of each strip, as points (x, y) about a width apart.

    Pixels are numbered by their steps from one end; the middle of those of like number lies on the line.
    """
    steps = _steps_along(index, part, count, width)
    size = np.maximum(np.rint(wide).astype(np.int64), 2)[part]
    longest = greatest(steps, part, count).astype(np.int64)
    # What is left over at the far end belongs to the last group.
    group = np.minimum(steps // size, np.maximum((longest[part] + 1) // size - 1, 0))
    groups = int(group.max()) + 1
    key = part * groups + group
    number = np.bincount(key, minlength=count * groups)
    x, y = (np.bincount(key, v, count * groups) / np.maximum(number, 1) for v in (index % width, index // width))
    lines = np.stack([x, y], axis=1).reshape(count, groups, 2)
    there = number.reshape(count, groups) > 0
    return [line[has] for line, has in zip(lines, there)]


def _steps_along(index, part, count: int, width: int) -> np.ndarray:
    """Steps of each pixel from one end of its part, the pixel furthest from its first."""
    if compiled.loops:
        steps = np.empty(len(index), np.int32)
        index, part = np.ascontiguousarray(index, np.int32), np.ascontiguousarray(part, np.int32)
        compiled.loops.steps_along(index, part, len(index), count, width, steps)
        return steps
    near = _neighbours(index, part, width)
    far = _steps(near, _firsts(part, count))
    end = np.zeros(count, np.int64)
    order = np.argsort(far, kind="stable")
    end[part[order]] = order
    return _steps(near, end)


def _firsts(part, count) -> np.ndarray:
    """Position of the first pixel of each part."""
    first = np.zeros(count, np.int64)
    first[part[::-1]] = np.arange(len(part))[::-1]
    return first


def _neighbours(index, part, width: int) -> np.ndarray:
    """Positions of the eight neighbours of each pixel within its part, (8, n); -1 where there is none."""
    n = len(index)
    near = np.full((8, n), -1)
    for k, move in enumerate((1, width - 1, width, width + 1)):
        at = np.minimum(np.searchsorted(index, index + move), n - 1)
        there = np.flatnonzero((index[at] == index + move) & (part[at] == part))
        near[k, there], near[k + 4, at[there]] = at[there], there
    return near


def _steps(near, start) -> np.ndarray:
    """Steps of each pixel from the one of its part that is among `start`; 0 where there is no way."""
    steps, last = np.full(near.shape[1], -1), np.empty(near.shape[1], np.int64)
    steps[start], fresh, k = 0, np.asarray(start), 0
    while len(fresh):
        k += 1
        fresh = near[:, fresh].ravel()
        fresh = fresh[fresh >= 0]
        fresh = fresh[steps[fresh] < 0]
        # Each but once: the last to write its number there.
        number = np.arange(len(fresh))
        last[fresh] = number
        fresh = fresh[last[fresh] == number]
        steps[fresh] = k
    return np.maximum(steps, 0)


def contrast(plane: np.ndarray, points, angles, width) -> np.ndarray:
    """How far strips through points (n, 2) along each of their angles (n, k) stand out of both sides, and of the lighter; (n, k).
    """
    h, w = plane.shape
    half, beside = width[:, None] / 2, np.array(BESIDE)
    across = np.stack([half * np.array([-0.5, 0, 0.5]), half + beside, -half - beside], axis=1)
    cosine, sine = np.cos(angles), np.sin(angles)
    step = np.maximum(width, 3)[:, None] * np.array([-0.5, -0.25, 0, 0.25, 0.5])
    if compiled.loops:
        got = np.empty((3, *angles.shape))
        compiled.loops.strip_means(plane, h, w, np.ascontiguousarray(points, np.float64), cosine, sine, *angles.shape, step,
                                   across, *step.shape[1:], *across.shape[2:], got)
    else:
        ax, ay, x0, y0 = cosine[..., None, None], sine[..., None, None], *points.T[..., None, None, None]
        got, on = [], step[:, None, :, None]
        for t in np.moveaxis(across, 1, 0)[:, :, None, None]:
            x = np.rint(x0 + ax * on - ay * t).astype(np.int64)
            y = np.rint(y0 + ay * on + ax * t).astype(np.int64)
            got.append(plane[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)].mean(axis=(2, 3)))
    middle, one, other = got
    lighter = middle - np.maximum(one, other)
    # An edge of the picture beside it is no lack of the hair's own.
    return (lighter + middle - (one + other) / 2) / 2, lighter


def _walk(plane, at, angle, width, own, length, index, part, of):
    """The further points of each end of parts `of`, until they meet another: list of arrays (n, 2)."""
    h, w = plane.shape
    step = np.maximum(width / 2, 2.0)
    sharpest = step / (RADIUS * width)
    missing = np.clip(MISSING * width, SHORT, LONG)
    active = np.arange(len(at))
    paths, kept = [[] for _ in at], np.zeros(len(at), np.int64)
    walked, lost, run = np.zeros(len(at)), np.zeros(len(at)), np.zeros(len(at), np.int64)
    most = FURTHER * length
    at, angle = at.copy(), angle.copy()
    while len(active):
        turns = sharpest[active][:, None] * TURNS
        turn = angle[active][:, None] + turns
        move = step[active][:, None]
        points = np.stack([at[active][:, :1] + move * np.cos(turn), at[active][:, 1:] + move * np.sin(turn)], axis=2)
        k = len(TURNS)
        deep, least = contrast(plane, points.reshape(-1, 2), turn.reshape(-1, 1), np.repeat(width[active], k))
        share, least = (v.reshape(-1, k) / own[active][:, None] for v in (deep, least))
        share[least < LIGHTER] = 0
        best = (np.minimum(share, 1) - COST * np.abs(turns)).argmax(axis=1)
        row = np.arange(len(active))
        share, turn, points = share[row, best], turn[row, best], points[row, best]
        x, y = np.rint(np.clip(points, 0, (w - 1, h - 1))).astype(np.int64).T
        place = np.minimum(np.searchsorted(index, y * w + x), len(index) - 1)
        taken = index[place] == y * w + x
        met = taken & (part[place] != of[active])
        seen = (share >= LEFT) & (share <= MOST)
        # Its own pixels, met again, say nothing.
        good = seen & ~taken
        # Where it is not seen it is taken to go straight on.
        turn = np.where(seen, angle[active] + 0.8 * (turn - angle[active]), angle[active])
        straight = at[active] + step[active][:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        at[active] = np.where(seen[:, None], points, straight)
        angle[active] = turn
        walked[active] += step[active]
        lost[active] = np.where(good, 0, lost[active] + step[active])
        run[active] = np.where(good, run[active] + 1, 0)
        for i, other in zip(active, met):
            paths[i].append(at[i].copy())
            if run[i] >= 2 or other:
                kept[i] = len(paths[i])
        x, y = at[active].T
        inside = (x > 0) & (y > 0) & (x < w - 1) & (y < h - 1)
        active = active[inside & ~met & (lost[active] <= missing[active]) & (walked[active] < most[active])]
    return [np.array(p[:k]).reshape(-1, 2) for p, k in zip(paths, kept)]


def _painted(path, radius, shape) -> np.ndarray:
    """Flat indices of the pixels within a radius of the points of a path."""
    h, w = shape
    path = np.concatenate([path, (path[1:] + path[:-1]) / 2])
    reach = int(np.ceil(radius))
    dy, dx = (v.ravel() for v in np.mgrid[-reach:reach + 1, -reach:reach + 1])
    x, y = np.rint(path[:, :1]).astype(np.int64) + dx, np.rint(path[:, 1:]).astype(np.int64) + dy
    near = np.hypot(x - path[:, :1], y - path[:, 1:]) <= radius
    near &= (x >= 0) & (y >= 0) & (x < w) & (y < h)
    return np.unique(y[near] * w + x[near])
