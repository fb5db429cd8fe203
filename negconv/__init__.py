"""negconv: camera captures of film negatives into finished positives.

Names are imported on first use, so that ``import negconv`` costs nothing until a picture is read.
"""
from __future__ import annotations

from importlib import import_module

__version__ = "0.1.0"

_HOMES = {
    "InputError": "errors",
    "Capture": "capture", "Meta": "capture", "read": "reading",
    "flatten": "flat", "PanelField": "flat", "panel_field": "flat",
    "Cut": "resample",
    "Frame": "frame", "find_frames": "search", "FORMATS": "frame",
    "FilmBase": "base", "sample_base": "base",
    "Film": "film",
    "calibrate": "chart",
    "Balance": "balance",
    "ToneCurve": "tone",
    "Positive": "positive",
    "Spots": "spots", "find_spots": "spots", "repair": "spots",
    "Recipe": "recipe",
    "convert": "conversion", "plan": "conversion", "apply": "conversion", "Plan": "conversion",
    "Roll": "roll",
    "contact_sheet": "sheet",
}

__all__ = sorted(_HOMES) + ["__version__"]


def __getattr__(name: str):
    if name in _HOMES:
        value = getattr(import_module(f".{_HOMES[name]}", __name__), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
