"""Dodge, burn and edge burn in stops, and the order in which all moves are made."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..settings import Choice, Group, Listing, Number, Settings, described, setting
from .local import LocalContrast, Veil
from .masks import AnyMask, Gradient, Mask, smoothstep
from .output import Resize, Sharpen
from .toning import SplitTone


@described
@dataclass(frozen=True, kw_only=True)
class LocalExposure(Settings):
    """One dodge or one burn: light given or held back through a mask."""

    stops: float = setting(0.5, Number(0, 6, "stops"), "How much, where the mask is 1.")
    mask: Mask = setting(Gradient(), AnyMask(), "Where.")


@described
@dataclass(frozen=True, kw_only=True)
class EdgeBurn(Settings):
    """The edges of the picture held darker, shaped to its aspect."""

    stops: float = setting(0.0, Number(-4, 4, "stops"), "How much darker at the corners; 0 is off, under 0 lightens.")
    shape: str = setting("centre", Choice(("centre", "edges")),
                         "By distance from the centre (an ellipse of the picture's aspect) or from the nearest edges.")
    start: float = setting(0.4, Number(0, 0.99),
                           "Where it begins: 0 at the centre, 1 at the corner (centre) or at the edge (edges).")


_EXAMPLE = '''stops = 0.7
mask = { kind = "product", masks = [
    { kind = "gradient", start = [0.5, 0.55], end = [0.5, 0.3] },
    { kind = "tonal", low = 0.5, high = 20.0, feather = 1.0 },
] }'''


@described
@dataclass(frozen=True, kw_only=True)
class Moves(Settings):
    """Every darkroom move, made in this order: veil, local contrast, dodge, burn, edge burn, split tone, resize,
    sharpen."""

    veil: Veil = setting(Veil(), Group(Veil), "A veil of stray light or haze taken off.")
    local_contrast: LocalContrast = setting(LocalContrast(), Group(LocalContrast), "Contrast of detail.")
    dodge: tuple[LocalExposure, ...] = setting((), Listing(Group(LocalExposure)), "Light given through masks, in this order.",
                                          _EXAMPLE)
    burn: tuple[LocalExposure, ...] = setting((), Listing(Group(LocalExposure)), "Light held back through masks, in this order.",
                                         _EXAMPLE)
    edge_burn: EdgeBurn = setting(EdgeBurn(), Group(EdgeBurn), "The edges held darker.")
    split_tone: SplitTone = setting(SplitTone(), Group(SplitTone), "Two hues over the tone scale.")
    resize: Resize = setting(Resize(), Group(Resize), "A smaller picture.")
    sharpen: Sharpen = setting(Sharpen(), Group(Sharpen), "Sharpening for output.")
