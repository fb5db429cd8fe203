"""Local contrast and veil: moves that look at a pixel's surroundings.

Both are solved on a picture reduced to about `GRID` pixels and applied at full size through the guided filter's linear
model (K. He, J. Sun and X. Tang, "Guided image filtering", IEEE TPAMI 35(6), 2013; solved small as in K. He and J. Sun,
"Fast guided filter", arXiv:1505.00996, 2015), so that a proxy and the full-size picture get the same treatment and an
edge keeps its place to the pixel.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..settings import Choice, Number, Settings, described, setting
from ..tone import MIDDLE_GREY
from .masks import enlarge

#: Pixels on the long side of the picture on which everything smooth is solved.
GRID = 750
#: Tones darker than this many stops under middle grey are below any negative's base and count as this dark.
DARKEST = -12.0
#: Luminance of linear sRGB (IEC 61966-2-1); it steers the moves, which then treat all channels alike.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


@described
@dataclass(frozen=True, kw_only=True)
class LocalContrast(Settings):
    """Contrast of detail against its surroundings, the large tones left where they are."""

    strength: float = setting(0.0, Number(-1, 2), "Detail multiplied by 1 + strength; 0 is off, under 0 softens.")
    radius: float = setting(0.03, Number(0.005, 0.2, "of the short side"), "Size of the surroundings.")
    edge: float = setting(0.5, Number(0.05, 4, "stops"), "Steps well above this are edges and get no halo.")
    grain: float = setting(1.2, Number(1, 3), "Grain and the finest detail are multiplied by this at most.")


@described
@dataclass(frozen=True, kw_only=True)
class Veil(Settings):
    """A veil of stray light or haze taken off."""

    strength: float = setting(0.0, Number(0, 1), "Share of the veil taken off; 0 is off.")
    kind: str = setting("even", Choice(("even", "depth")),
                        "even: the same light added everywhere, as by flare; depth: haze that grows with distance.")
