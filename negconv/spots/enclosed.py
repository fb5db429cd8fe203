"""Light spots that a dark line encloses (the counter of a letter, the gap between two leaves), lamps, and parts of them.

Dirt is brighter than all that is around it. A counter is as bright as the paper the letter stands on, and only the stroke
next to it is darker, so that its contrast to the nearest pixels says nothing. Dirt does not shine either: around a lamp air,
lens and film spread its light, so that on all sides it is lighter near than further off; where a bar hides that, the other lamps
of its row tell. And where what lies next to a spot is in part as light as the spot, that
may be the rim of something larger, such as a lamp's disc.
"""
from __future__ import annotations

import numpy as np

from ..positive import Positive
from ..robust import median
from .table import Spots

#: Pixels from the spot in which the stroke is sought, and how far beyond (in widths of the spot, within limits) the paper is.
NEAR, REACH, SHORTEST, LONGEST = (1.5, 4.0), 2.0, 10, 48
#: Of a spot's contrast (log10 of light) to what is next to it, the least that must be left against what lies beyond.
LEFT = 0.35
#: Of what is next to a spot, the share that is as light (but for a share of the contrast) from which on it is a rim.
RIM, AS_LIGHT = 0.3, 0.15
#: How long a stretch of a long spot is, as often as that is far.
STRETCH = 8
#: Pixels from the spot in which a glow is sought, beyond what the copying lens blurs; in how many of its eight sectors there may
#: be something else, such as a bar of the window it hangs in; and in the others what the light falls by further off: at least, as
#: a share of what is next to the spot, and of the greatest of them, for a glow is as much light on all sides, whatever it lies on.
GLOWING, OTHER, GLOW, ALIKE = (4.0, 9.0), 2, 0.03, 0.45
#: Of so many lamps another is one, that is as wide and as light as they are, in log10; narrower ones are as wide as the lens
#: blurs, in pixels, as dirt is too.
OF_A_ROW, AS_WIDE, AS_BRIGHT, DISC = 2, 0.06, 0.06, 8.0
#: By so much, as a share, it may be lighter in the outer half of those pixels than in the inner one, by its grain: a glow falls all
#: the way, while dirt on fur may by chance have lighter hairs all round.
UNEVEN = 0.02


def enclosed(positive: Positive, spots: Spots, rows=None) -> frozenset[int]:
    """Rows of `spots` that stand out from the pixels next to them alone, or from a part of those, or that glow, or are as those are.

    Parameters
    ----------
    positive : Positive
    spots : Spots
        Of this positive.
    rows : collection of int, optional
        Those to be looked at; all by default.

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
    found, lamps, others = [], [], []
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
        light = light if light.ndim == 2 else light.mean(axis=2)
        log = np.log10(np.maximum(light, 1e-4))
        near = picture & (away > NEAR[0]) & (away <= NEAR[1])
        beyond = picture & (away > 0.6 * reach) & (away <= reach)
        if min(near.sum(), beyond.sum(), own.sum()) < 4:
            continue
        glows = _glows(light, picture, away, own, beyond)
        if glows or _hemmed_in(log, own, near, beyond, STRETCH * reach):
            found.append(spot.row)
        if spot.width > DISC:
            (lamps if glows else others).append((spot.row, np.log10(spot.width), median(log[own])))
    # Lamps of one kind hang in a row: before a bar as broad as itself one is known by the others.
    alike = [row for row, wide, level in others
             if sum(abs(wide - a) < AS_WIDE and abs(level - b) < AS_BRIGHT for _, a, b in lamps) >= OF_A_ROW]
    return frozenset(found + alike)


def _hemmed_in(log, own, near, beyond, stretch: int) -> bool:
    """Whether a spot stands out from what is next to it alone, or from a part of that, as a rim does: along most of its stretches,
    for a scratch crosses light ground and dark."""
    axis = int(own.shape[1] > own.shape[0])
    judged = []
    for some in np.array_split(np.arange(own.shape[axis]), max(round(own.shape[axis] / stretch), 1)):
        here = (slice(None),) * axis + (slice(some[0], some[-1] + 1),)
        inner, close, far = (log[here][where[here]] for where in (own, near, beyond))
        if min(len(inner), len(close), len(far)) < 4:
            continue
        level = median(inner)
        contrast = level - median(close)
        rim = np.mean(close >= level - AS_LIGHT * contrast) > RIM
        faint = level - median(far) < LEFT * contrast
        judged.append(bool(contrast > 0 and (faint or rim)))
    return 2 * sum(judged) > len(judged)


def _glows(light, picture, away, own, beyond) -> bool:
    """Whether it is lighter near a spot than further off, by about as much light on all sides but for a few."""
    near = picture & (away > GLOWING[0]) & (away <= GLOWING[1])
    inner = away <= np.mean(GLOWING)
    falls, begins = [], []
    for close, far, one, other in zip(*(sectors(own, light, where) for where in (near & inner, near & ~inner, near, beyond))):
        if min(len(one), len(other)) < 4:
            return False
        falls.append(median(one) - median(other))
        if len(close) and len(far):
            begins.append(median(close) / max(median(far), 1e-4) - 1)
    falls, begins = sorted(falls), sorted(begins)
    if len(begins) <= OTHER or begins[OTHER] < -UNEVEN:
        return False
    return any(least >= max(GLOW * median(light[near]), ALIKE * most) for least, most in zip(falls, falls[-1 - OTHER:]))


def sectors(own, values, where) -> list[np.ndarray]:
    """The values at some pixels around a spot, by the eighth of the circle about its middle they lie in."""
    y, x = (np.mean(v) for v in np.nonzero(own))
    v, u = np.nonzero(where)
    sector = ((np.arctan2(v - y, u - x) / (2 * np.pi) + 0.5) * 8).astype(int) % 8
    return [values[v, u][sector == k] for k in range(8)]
