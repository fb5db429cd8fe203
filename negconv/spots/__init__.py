"""Spotting: find dust, hairs, scratches and drying marks on the positive, list them, repair them."""
from __future__ import annotations

from .enclosed import enclosed
from .find import find_spots
from .ground import on_even_ground, starry
from .opaque import opaque
from .overlay import before_after, overlay, save_mask, save_overlay
from .repair import repair
from .table import Spot, Spots
from .track import Track, Tracked, track

__all__ = ["Spot", "Spots", "Track", "Tracked", "before_after", "enclosed", "find_spots", "on_even_ground", "opaque",
           "overlay", "repair", "save_mask", "save_overlay", "starry", "track"]
