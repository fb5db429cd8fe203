"""What the ground around a light spot says of how sure it is.

On ground that was exposed, even all round and with nothing near that is half as light, a picture holds no small thing with a
sharp outline that is so much denser, and as much in every channel: a letter has its next stroke beside it, a glint the rest of
its thing, a patch of a chart its edge. On ground that was not exposed there are stars and lamps, and each of them looks like
dirt; but then they are many.
"""
from __future__ import annotations

import numpy as np

from ..positive import Positive
from ..robust import median, quantile
from .channels import Channels
from .enclosed import sectors
from .opaque import ALIKE
from .table import Spots

#: Density above base from which on ground was exposed: night is clear film.
EXPOSED = 0.3
#: Least confidence of what its ground may make sure.
NEARLY = 0.8
#: Pixels from the spot in which the ground is looked at, beyond what the copying lens blurs: as far as the spot is long, for so
#: far from each other letters stand, within limits; and the fewest that tell.
BEYOND, SHORTEST, LONGEST, FEWEST = 3, 14, 48, 200
#: Shares of the spot's contrast: the most that anything on its ground is lighter than that, that the ground's sectors differ, and
#: that is left of it in the pixels next to the outline. The cork of the demo's pinboard has light grains of its own from 0.16 on.
LIGHTER, SECTORS, BLURRED = 0.5, 0.15, 0.25
#: Least confidence of small ones on exposed ground, and how small, as a share of the picture's short side: the smaller, the less is
#: lost if it was picture after all. Pixels from the picture's border within which that may be the rebate's edge.
LIKELY, SMALL, BORDER = 0.85, 0.005, 3
#: So many light spots on clear film that leave doubt, and so many for each that leaves none, and they are stars or lamps. (On
#: frames of photographs there are 14 in all at most; in ten nights of the demo 26 and more, and 1.0 to 2.4 for each.) And the
#: share of those in doubt that are no wider than a sure one that is a star.
MANY, OUTNUMBERED, WIDEST = 20, 0.5, 0.95
#: Doubtful spots from this confidence on count among them, `find.PICTURE` is one of these.
HEARD = 0.35


def on_even_ground(positive: Positive, spots: Spots, rows) -> frozenset[int]:
    """Of rows of `spots` that leave doubt the light ones that are nearly sure and lie alone on even, exposed ground; none without
    a density.

    Examples
    --------
    >>> density = np.full((60, 60), 0.8, np.float32)
    >>> density[28:32, 27:32] = 1.2
    >>> from dataclasses import replace
    >>> spots = Spots.from_mask(density > 1)
    >>> spots = replace(spots, rows=tuple(replace(s, confidence=0.8) for s in spots.rows))
    >>> sorted(on_even_ground(Positive(density, density=density), spots, {1}))
    [1]
    """
    from scipy.ndimage import distance_transform_edt

    if positive.density is None:
        return frozenset()
    h, w = spots.labels.shape
    channels, found, doubted = Channels.of(positive), [], set(rows)
    for spot in spots.rows:
        if spot.row not in doubted or not spot.light or spot.confidence < NEARLY:
            continue
        x, y, across, down = spot.box
        reach = int(np.clip(max(across, down), SHORTEST, LONGEST))
        x0, y0 = max(x - reach, 0), max(y - reach, 0)
        part = np.s_[y0:min(y + down + reach, h), x0:min(x + across + reach, w)]
        labels, density = spots.labels[part], positive.density[part]
        own, free = labels == spot.row, labels == 0
        if doubted.intersection(labels[~(own | free)].tolist()):
            continue
        # Most are far from it, as is seen without knowing how far from the spot each pixel is.
        outer = free.copy()
        outer[max(y - BEYOND - y0, 0):y + down + BEYOND - y0, max(x - BEYOND - x0, 0):x + across + BEYOND - x0] = False
        rest = density[outer]
        if len(rest) and rest.max() - (level := median(rest)) > 2 * LIGHTER * (median(density[own]) - level):
            continue
        away = distance_transform_edt(~own)
        ground, rim = free & (away > BEYOND) & (away <= reach), free & (away <= 1)
        if ground.sum() < FEWEST or not rim.any():
            continue
        level = median(density[ground])
        contrast = median(density[own]) - level
        if not (level >= EXPOSED and contrast > 0 and density[ground].max() - level <= LIGHTER * contrast
                and median(density[rim]) - level <= BLURRED * contrast and _range(density, ground, own) <= SECTORS * contrast):
            continue
        if channels is not None:
            inner, outer = (median(channels.at(v + y0, u + x0), axis=0) for v, u in map(np.nonzero, (own, ground)))
            if not np.ptp(inner - outer) <= ALIKE * np.mean(inner - outer):
                continue
        found.append(spot.row)
    return frozenset(found)


def small(positive: Positive, spots: Spots, rows) -> frozenset[int]:
    """Of rows of `spots` that leave doubt the light ones that are likely, small and on exposed ground; none without a density."""
    if positive.density is None:
        return frozenset()
    h, w = positive.shape
    return frozenset(s.row for s in spots.rows if s.row in rows and s.light and s.confidence >= LIKELY
                     and s.area <= (SMALL * min(h, w)) ** 2 and min(s.x, s.y, w - 1 - s.x, h - 1 - s.y) > BORDER
                     and around(positive, s) >= EXPOSED)


def around(positive: Positive, spot) -> float:
    """Density above base of the ground round a spot."""
    x, y, across, down = spot.box
    part = positive.density[max(y - BEYOND, 0):y + down + BEYOND, max(x - BEYOND, 0):x + across + BEYOND]
    return median(np.concatenate([part[0], part[-1], part[:, 0], part[:, -1]]))


def _range(density, ground, own) -> float:
    """How far the medians of the eight sectors of the ground around a spot lie apart."""
    return np.ptp([median(part) for part in sectors(own, density, ground) if len(part)])


def starry(positive: Positive, spots: Spots, sure) -> frozenset[int]:
    """Of the rows of `spots` that leave no doubt the light ones on clear film, where those that do leave doubt outnumber them and
    are as wide."""
    if positive.density is None:
        return frozenset()

    dark = [s for s in (*spots.rows, *spots.doubtful) if s.light and s.confidence >= HEARD and around(positive, s) < EXPOSED]
    plain, doubted = ([s for s in dark if (s.row in sure) == own] for own in (True, False))
    if len(doubted) < MANY or len(doubted) <= OUTNUMBERED * len(plain):
        return frozenset()
    # What is wider than nearly all of those is none of them.
    widest = quantile([s.width for s in doubted], WIDEST)
    return frozenset(s.row for s in plain if s.width <= widest)
