"""Split toning: a hue for the shadows and one for the highlights, as toned prints have."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..settings import Number, Settings, described, setting

_HUE = Number(0, 360, "degrees, CIE h_ab")
_CHROMA = Number(0, 60, "CIE C*ab at L* 50")


@described
@dataclass(frozen=True, kw_only=True)
class SplitTone(Settings):
    """Two hues over the tone scale; luminance stays as it is."""

    shadow_hue: float = setting(250.0, _HUE, "Hue of the shadows.")
    shadow_chroma: float = setting(0.0, _CHROMA, "Strength of that hue; 0 is off.")
    highlight_hue: float = setting(75.0, _HUE, "Hue of the highlights.")
    highlight_chroma: float = setting(0.0, _CHROMA, "Strength of that hue; 0 is off.")
    crossing: float = setting(0.0, Number(-6, 6, "stops about middle grey"), "Tone at which both are half present.")
