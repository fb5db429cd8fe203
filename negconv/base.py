"""The base: what unexposed, developed film lets through, sampled from the rebate."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frame import linear_of, picture_mask, proxy_of


@dataclass(frozen=True)
class FilmBase:
    """Base plus fog.

    Attributes
    ----------
    rgb : (3,)
        Transmittance relative to the panel once flattened, else relative to saturation.
    spread : (3,)
        Relative standard deviation (robust) of the pixels behind it.
    pixels : int
        How many proxy pixels that were.
    source : str
        Where it was sampled.
    warnings : tuple of str
    """

    rgb: tuple[float, float, float]
    spread: tuple[float, float, float] = (0.0, 0.0, 0.0)
    pixels: int = 0
    source: str = "given"
    warnings: tuple[str, ...] = ()

    @property
    def density(self) -> tuple[float, float, float]:
        """Base density (D-min) of the channels, ``-log10(rgb)``."""
        return tuple(float(v) for v in -np.log10(self.rgb))

    def to_dict(self) -> dict:
        return {"rgb": list(self.rgb), "density": list(self.density), "spread": list(self.spread),
                "pixels": self.pixels, "source": self.source, "warnings": list(self.warnings)}

    @classmethod
    def from_dict(cls, values: dict) -> FilmBase:
        return cls(tuple(map(float, values["rgb"])), tuple(map(float, values.get("spread", (0, 0, 0)))),
                   int(values.get("pixels", 0)), values.get("source", "given"), tuple(values.get("warnings", ())))

    def __repr__(self) -> str:
        rgb = ", ".join(f"{v:.4f}" for v in self.rgb)
        density = ", ".join(f"{v:.2f}" for v in self.density)
        return f"FilmBase(rgb {rgb}; density {density}; {self.source})"


def sample_base(source, frames=None, *, rect=None) -> FilmBase:
    """The base of a capture.

    Parameters
    ----------
    source : Capture, or ndarray (H, W, 3) linear in light
    frames : sequence of Frame, optional
        What lies inside them is picture.
    rect : (x, y, w, h), optional
        Where the base is to be read, in pixels of `source`; frames are then not needed.

    Returns
    -------
    FilmBase
    """
    proxy, k = proxy_of(source)
    if rect is not None:
        x, y, w, h = rect
        pixels = linear_of(source)[int(y):int(y + h), int(x):int(x + w)].reshape(-1, 3)
        return _base_of(pixels, "rectangle")
    mask = np.ones(proxy.shape[:2], bool)
    if frames:
        mask &= ~picture_mask(frames, proxy.shape[:2], inset=-0.01, reduced=k)
    pixels = proxy[mask]
    log = np.log10(np.maximum(pixels, 1e-5)).mean(axis=1)
    top = np.percentile(log, 99)
    return _base_of(pixels[np.abs(log - top) < 0.1], "rebate")


def _base_of(pixels: np.ndarray, where: str) -> FilmBase:
    rgb = np.median(pixels, axis=0)
    spread = 1.4826 * np.median(np.abs(pixels - rgb), axis=0) / rgb
    return FilmBase(tuple(map(float, rgb)), tuple(map(float, spread)), len(pixels), where)
