"""Light spots denser than anything their frame shows and film prints: they lie on it.

What takes more light than a negative's highlights do, far more than all else in its frame, and about as much in every channel,
no scene has printed: no letter, no button, no patch of a chart.
"""
from __future__ import annotations

import numpy as np

from ..positive import Positive
from .channels import Channels
from .table import Spots

#: Density above base that highlights on film hardly reach (from memory: 1.5 to 1.8), the share of the frame's other pixels that
#: may lie over what a spot is compared with, and by how much it must exceed that.
FILM, FEW, MARGIN = 2.0, 1e-4, 0.4
#: The most by which the densities of the channels may differ, as a share of that density.
ALIKE = 0.35
#: Pixels of a frame that are looked at for that, about.
SEEN = 4_000_000
#: Where more than so many are as dense they are lit windows or lamps, for dirt so large is rare.
RARE = 4


def opaque(positive: Positive, spots: Spots, *, wider: float = 0) -> frozenset[int]:
    """Light rows of `spots` wider than so many pixels that are denser than film gets; none where there are many.

    Parameters
    ----------
    positive : Positive
        None is opaque where it carries no density.
    spots : Spots
        Of this positive.
    wider : float

    Examples
    --------
    >>> density = np.full((60, 60), 0.8, np.float32)
    >>> density[20:40, 20:40] = 2.6
    >>> blot = Spots.from_mask(density > 1)
    >>> sorted(opaque(Positive(density, density=density), blot)) == [s.row for s in blot.rows]
    True
    """
    if positive.density is None:
        return frozenset()
    dense = []
    for spot in spots.rows:
        if spot.light and spot.width > wider:
            x, y, across, down = spot.box
            own = np.nonzero(spots.labels[y:y + down, x:x + across] == spot.row)
            y, x = own[0] + y, own[1] + x
            level = float(np.median(positive.density[y, x]))
            if level >= FILM and _alike(positive, y, x, level):
                dense.append((spot.row, level))
    if not 0 < len(dense) <= RARE:
        return frozenset()
    step = int(np.ceil(np.sqrt(positive.density.size / SEEN)))
    rest = positive.density[::step, ::step][spots.labels[::step, ::step] == 0]
    last = len(rest) - 1 - int(FEW * len(rest))
    top = np.partition(rest, last)[last] if len(rest) else np.inf
    return frozenset(row for row, level in dense if level >= top + MARGIN)


def _alike(positive, y, x, level: float) -> bool:
    channels = Channels.of(positive)
    return channels is None or bool(np.ptp(np.median(channels.at(y, x), axis=0)) <= ALIKE * level)
