"""Resizing and sharpening for output: the last moves, and none by default."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..settings import Choice, Number, Settings, described, setting


@described
@dataclass(frozen=True, kw_only=True)
class Resize(Settings):
    """A smaller picture, for the web."""

    long_side: int = setting(0, Number(0, 100000, "pixels", whole=True), "Longest side; 0 keeps the size. Never enlarges.")


@described
@dataclass(frozen=True, kw_only=True)
class Sharpen(Settings):
    """Sharpening for the size and medium of the output."""

    amount: float = setting(0.0, Number(0, 5), "Fine detail multiplied by 1 + amount; 0 is off.")
    radius: float = setting(1.0, Number(0.1, 500), "Standard deviation of what counts as fine.")
    unit: str = setting("px", Choice(("px", "um")), "Radius in output pixels, or in micrometres on the film.")
    limit: float = setting(0.5, Number(0.01, 4, "stops"), "No pixel is moved further than this.")
