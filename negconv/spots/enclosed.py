"""Light spots that a dark line encloses (the counter of a letter, the gap between two leaves), lamps, and parts of them.

Dirt is brighter than all that is around it. A counter is as bright as the paper the letter stands on, and only the stroke
next to it is darker, so that its contrast to the nearest pixels says nothing. Dirt does not shine either: around a lamp air,
lens and film spread its light, so that on all sides it is lighter near than further off. And where what lies next to a spot is in part as light as the spot, that
may be the rim of something larger, such as a lamp's disc.
"""
from __future__ import annotations

import numpy as np

from ..positive import Positive
from .table import Spots

#: Pixels from the spot in which the stroke is sought, and how far beyond (in widths of the spot, within limits) the paper is.
NEAR, REACH, SHORTEST, LONGEST = (1.5, 4.0), 2.0, 10, 48
#: Of a spot's contrast (log10 of light) to what is next to it, the least that must be left against what lies beyond.
LEFT = 0.35
#: Of what is next to a spot, the share that is as light (but for a share of the contrast) from which on it is a rim.
RIM, AS_LIGHT = 0.3, 0.15
#: Pixels from the spot in which a glow is sought, beyond what the copying lens blurs, and by how much (log10 of light) it must
#: be lighter there than further off, on each of four sides.
GLOWING, GLOW = (4.0, 9.0), 0.1
#: How far from side to side the light next to a lamp may differ, or what it falls by further off (log10 of light): one of the two
#: is even about a lamp (on the demo's both, by 0.1; about dirt on uneven ground by 0.2 and 0.6).
EVEN = (0.15, 0.25)


def enclosed(positive: Positive, spots: Spots, rows=None, *, dense=frozenset()) -> frozenset[int]:
    """Rows of `spots` that stand out from the pixels next to them alone, or from a part of those, or that glow.

    Parameters
    ----------
    positive : Positive
    spots : Spots
        Of this positive.
    rows : collection of int, optional
        Those to be looked at; all by default.
    dense : collection of int
        Those that are denser than film gets (`opaque`): lamps alone may be, and a lamp glows alike on all sides.

    Examples
    --------
    >>> page = np.full((60, 60), 0.8, np.float32)
    >>> page[20:40, 20:40] = 0.05
    >>> page[27:33, 27:33] = 0.8
    >>> letter = Spots.from_mask(page[...] * 0 + np.pad(np.ones((6, 6)), 27) > 0)
    >>> sorted(enclosed(Positive(page), letter)) == [s.row for s in letter.rows]
    True
    """
    from scipy.ndimage import distance_transform_edt

    h, w = spots.labels.shape
    found = []
    for spot in spots.rows:
        if not spot.light or (rows is not None and spot.row not in rows):
            continue
        reach = int(np.clip(REACH * spot.width + NEAR[1], SHORTEST, LONGEST))
        x, y, across, down = spot.box
        part = np.s_[max(y - reach, 0):min(y + down + reach, h), max(x - reach, 0):min(x + across + reach, w)]
        own = spots.labels[part] == spot.row
        away = distance_transform_edt(~own)
        picture = spots.labels[part] == 0
        light = positive.linear[part]
        log = np.log10(np.maximum(light if light.ndim == 2 else light.mean(axis=2), 1e-4))
        near = picture & (away > NEAR[0]) & (away <= NEAR[1])
        beyond = picture & (away > 0.6 * reach) & (away <= reach)
        if min(near.sum(), beyond.sum(), own.sum()) < 4:
            continue
        level = np.median(log[own])
        contrast = level - np.median(log[near])
        rim = np.mean(log[near] >= level - AS_LIGHT * contrast) > RIM
        even = EVEN if spot.row in dense else (np.inf, np.inf)
        faint = level - np.median(log[beyond]) < LEFT * contrast
        if contrast > 0 and (faint or rim) or _glows(log, picture, away, own, beyond, even):
            found.append(spot.row)
    return frozenset(found)


def _glows(log, picture, away, own, beyond, even) -> bool:
    """Whether it is lighter near a spot than further off, on each of its four sides, and about as light or by about as much."""
    y, x = np.nonzero(own)
    dy, dx = (v - m for v, m in zip(np.indices(own.shape), (y.mean(), x.mean())))
    side = np.where(np.abs(dx) > np.abs(dy), np.where(dx > 0, 0, 1), np.where(dy > 0, 2, 3))
    near = picture & (away > GLOWING[0]) & (away <= GLOWING[1])
    levels, falls = [], []
    for k in range(4):
        one, other = log[near & (side == k)], log[beyond & (side == k)]
        if min(len(one), len(other)) < 4 or np.median(one) - np.median(other) < GLOW:
            return False
        levels.append(np.median(one))
        falls.append(np.median(one) - np.median(other))
    return bool(np.ptp(levels) <= even[0] or np.ptp(falls) <= even[1])
