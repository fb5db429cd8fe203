"""Which spots are left as they are unless they are asked for: a doubtful one on a map costs a glance, one painted over may have
been a letter."""
from __future__ import annotations

from ..positive import Positive
from .enclosed import enclosed
from .ground import on_even_ground, small, starry
from .opaque import opaque
from .table import Spot, Spots

#: Confidence from which a light and a dark spot is repaired unasked; what is less sure is on the map only.
REPAIRED, REPAIRED_DARK = 0.93, 0.98
#: A line no wider than this share of the picture's short side (an eighth of a millimetre of 6x9), and no narrower than a lens draws,
#: in pixels, is sure sooner: scratches and hairs are narrow, and what is taken for one (a joint between bricks, a stem, the bar of a
#: pane) is as a rule wider.
NARROW, FINEST = 0.0025, 1.5
SCRATCHED, HAIRY = 0.85, 0.9
#: Nor is one repaired unasked that is wider than this share of the picture's short side (about a millimetre of 6x9):
#: dirt that large is rare, and a thing of the picture painted over is lost (at 0.03 the largest lamp of the demo was);
#: unless it is denser than film gets.
WIDEST = 0.02
#: What is light and wider than this share (a quarter of a millimetre of 6x9) must be as sure as that, or lie alone on even ground: it
#: may be a letter, the head of a pin, a lamp. Of what is painted over on two rolls of the demo four of 44 things of the picture stay
#: for it, two of them strokes of a sign's letters, and two of 988 pieces of dirt; without even ground 14 and six, and on the demo
#: itself chips in plain sight on the chart.
BROAD, BROADLY = 0.004, 0.96


def left_alone(positive: Positive, spots: Spots, *, told=frozenset()) -> frozenset[int]:
    """Rows of `spots` that a repair unasked does not touch.

    Parameters
    ----------
    positive : Positive
    spots : Spots
        Of this positive.
    told : collection of int
        Rows somebody has decided on, which are looked at no further.

    Examples
    --------
    >>> import numpy as np
    >>> from dataclasses import replace
    >>> light = np.full((400, 600), 0.18, np.float32)
    >>> light[20:26, 30:36] = light[40:46, 30:36] = 2
    >>> spots = Spots.from_mask(light > 1)
    >>> doubted, sure = (replace(s, confidence=c) for s, c in zip(spots.rows, (0.8, 0.99)))
    >>> sorted(left_alone(Positive(light), replace(spots, rows=(doubted, sure)))) == [doubted.row]
    True
    """
    wide, rows = WIDEST * min(positive.shape), {s.row for s in spots.rows}
    dense = opaque(positive, spots, wider=wide / 2)
    doubted = {s.row for s in spots.rows if s.confidence < _least(s, min(positive.shape))}
    left = {s.row for s in spots.rows if s.width > wide and s.row not in dense}
    open_ = doubted - left - {*told}
    left |= doubted - on_even_ground(positive, spots, open_) - small(positive, spots, open_)
    left |= enclosed(positive, spots, rows - left - {*told})
    left |= starry(positive, spots, rows - left) - dense
    return frozenset(left - {*told})


def _least(spot: Spot, side: int) -> float:
    """Confidence from which a spot is repaired, in a picture whose short side has so many pixels."""
    if spot.kind == "scratch" and spot.width <= NARROW * side:
        return SCRATCHED
    if spot.kind == "fibre" and spot.light and FINEST <= spot.width <= NARROW * side:
        return HAIRY
    if not spot.light:
        return REPAIRED_DARK
    return BROADLY if spot.width > BROAD * side else REPAIRED
