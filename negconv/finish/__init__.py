"""Darkroom moves on the positive: pure functions from a picture to a new picture.

They act in scene-linear light, after the inversion and before the tone curve, so that every control works the right
way round and a stop is a stop.
"""
from __future__ import annotations

from .geometry import Horizon, crop, find_horizon, picture_cut, straighten, turn
from .local import LocalContrast, Veil
from .masks import Complement, Ellipse, Gradient, Mask, Painted, Polygon, Product, Tonal, Union
from .moves import EdgeBurn, LocalExposure, Moves, apply_moves, burn, dodge
from .output import Resize, Sharpen
from .toning import SplitTone

__all__ = ["Complement", "EdgeBurn", "Ellipse", "Gradient", "Horizon", "LocalContrast", "LocalExposure", "Mask", "Moves",
           "Painted", "Polygon", "Product", "Resize", "Sharpen", "SplitTone", "Tonal", "Union", "Veil", "apply_moves",
           "burn", "crop", "dodge", "find_horizon", "picture_cut", "straighten", "turn"]
