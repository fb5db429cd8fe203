"""Spotting: find dust, hairs, scratches and drying marks on the positive, list them, repair them."""
from __future__ import annotations

from .find import find_spots
from .overlay import before_after, overlay, save_mask, save_overlay
from .repair import repair
from .table import Spot, Spots
from .track import Track, Tracked, track
from .unasked import left_alone

__all__ = ["Spot", "Spots", "Track", "Tracked", "before_after", "find_spots", "left_alone", "overlay", "repair", "save_mask",
           "save_overlay", "track"]
