"""Resizing and sharpening for output: the last moves, and none by default."""
from __future__ import annotations


import numpy as np

from ..errors import InputError
from ..settings import Choice, Number, Settings, described, setting
from ..values import frozen
from .grid import CEILING, luminance


@described
@frozen(kw_only=True)
class Resize(Settings):
    """A smaller picture, for the web."""

    long_side: int = setting(0, Number(0, 100000, "pixels", whole=True), "Longest side; 0 keeps the size. Never enlarges.")

    def shape(self, shape: tuple[int, int]) -> tuple[int, int]:
        """Height and width that a picture of some height and width gets."""
        longest = max(shape)
        if not 0 < self.long_side < longest:
            return tuple(shape)
        return tuple(max(1, round(n * self.long_side / longest)) for n in shape)

    def apply(self, linear: np.ndarray) -> np.ndarray:
        """The picture (h, w) or (h, w, 3) reduced in linear light.

        The kernel has no negative lobe and light over `negconv.finish.grid.CEILING` counts as that much, so that a
        spark or a speck gets no dark ring.
        """
        from PIL import Image

        h, w = self.shape(linear.shape[:2])
        if (h, w) == linear.shape[:2]:
            return linear
        planes = linear[..., None] if linear.ndim == 2 else linear
        out = np.empty((h, w, planes.shape[2]), np.float32)
        for c in range(planes.shape[2]):
            plane = Image.fromarray(np.minimum(planes[..., c], np.float32(CEILING)))
            out[..., c] = plane.resize((w, h), Image.Resampling.HAMMING)
        return out[..., 0] if linear.ndim == 2 else out


@described
@frozen(kw_only=True)
class Sharpen(Settings):
    """Sharpening for the size and medium of the output."""

    amount: float = setting(0.0, Number(0, 5), "Fine detail multiplied by 1 + amount; 0 is off.")
    radius: float = setting(1.0, Number(0.1, 500), "Standard deviation of what counts as fine.")
    unit: str = setting("px", Choice(("px", "um")), "Radius in output pixels, or in micrometres on the film.")
    limit: float = setting(0.5, Number(0.01, 4, "stops"), "No pixel is moved further than this.")

    def apply(self, linear: np.ndarray, pixel_um: float | None = None) -> np.ndarray:
        """The sharpened picture.

        Parameters
        ----------
        linear : ndarray float32 (h, w) or (h, w, 3)
        pixel_um : float or None
            Micrometres on the film a pixel; needed where the radius is in micrometres.

        Returns
        -------
        ndarray of the same shape

        Raises
        ------
        InputError
            If the radius is in micrometres and the scale is not known.

        Notes
        -----
        Unsharp masking of the square root of luminance, near to how lightness is seen, so that dark and light sides of
        an edge are moved alike; all channels are scaled alike, so hue stays.
        """
        if not self.amount:
            return linear
        if self.unit == "um" and not pixel_um:
            raise InputError("sharpening in micrometres", "needs the film format, which gives the scale",
                             'set format in the recipe, or unit = "px"')
        from scipy.ndimage import gaussian_filter

        radius = self.radius / pixel_um if self.unit == "um" else self.radius
        root = np.sqrt(np.maximum(luminance(linear), np.float32(0)))
        gain = root - gaussian_filter(root, radius, mode="nearest", truncate=3.0)
        gain *= np.float32(self.amount)
        np.divide(gain, np.maximum(root, np.float32(1e-4)), out=gain)
        gain += np.float32(1)
        most = np.float32(2 ** (self.limit / 2))
        np.clip(gain, 1 / most, most, out=gain)
        gain *= gain
        return linear * (gain if linear.ndim == 2 else gain[..., None])
