"""`Capture`: linear camera RGB and what its file says about how it was taken.

Nothing bends code values before the film's own curve does: black level off, linear, camera-native channels, no white balance.
"""
from __future__ import annotations

import math
from dataclasses import field, fields, replace
from pathlib import Path

import numpy as np

from . import kernel
from .rows import Rows, in_parts
from .values import frozen

#: Long side of the proxy all automatic decisions are made on.
PROXY = 1500
#: A channel from this share of saturation on is at its ceiling (rounding in a demosaic).
CEILING = 0.998
#: Light, as a share of saturation, that nothing in a capture taken with a lit panel stays under all over: ten stops below it, where
#: a camera's noise begins. Common practice, no source.
BLACK = 0.001


@frozen
class Meta:
    """What a file says about a capture; every field may be unknown (``None`` or empty).

    Attributes
    ----------
    camera_matrix : 3x3 tuple or None
        CIE XYZ (D65) to camera RGB, as the DNG tag ColorMatrix (DNG 1.6, "Mapping Camera Color Space to CIE XYZ").
    assumed : str
        What was assumed about linearity, in words.
    notes : tuple of str
        What a user should hear about this file.
    """

    make: str = ""
    model: str = ""
    lens: str = ""
    exposure_s: float | None = None
    aperture: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    time: str = ""
    orientation: int = 1
    camera_matrix: tuple[tuple[float, float, float], ...] | None = None
    kind: str = "array"
    grey: bool = False
    bits: int = 16
    assumed: str = "linear, as given"
    notes: tuple[str, ...] = ()

    @property
    def camera(self) -> str:
        """Make and model in one string, the make not said twice."""
        return self.model if self.model.startswith(self.make) else f"{self.make} {self.model}".strip()

    def to_dict(self) -> dict:
        """JSON-able values, one key a field."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    @classmethod
    def from_dict(cls, values: dict) -> Meta:
        """The inverse of `to_dict`; unknown keys are an error."""
        values = dict(values)
        if values.get("camera_matrix") is not None:
            values["camera_matrix"] = tuple(tuple(map(float, row)) for row in values["camera_matrix"])
        values["notes"] = tuple(values.get("notes", ()))
        return cls(**values)


def _plain(value):
    return [_plain(v) for v in value] if isinstance(value, tuple) else value


@frozen(eq=False)
class Capture:
    """One photographed negative, linear in light.

    Attributes
    ----------
    samples : ndarray (H, W, 3), uint16 or float32
        Code values above black, in camera-native channels, upright. Inside a roll they may be `negconv.rows.Rows`.
    white : float
        The code value of saturation: ``data = samples / white``.
    meta : Meta
    path : str
        Where it was read from; empty for an array.
    flattened : bool
        True once divided by a panel frame; then 1.0 is the bare panel.
    reduced : int
        How many capture pixels one sample stands for along each axis.

    Examples
    --------
    >>> import numpy as np
    >>> float(Capture(np.full((4, 6, 3), 8000, np.uint16), white=16000.0).data[0, 0, 0])
    0.5
    """

    samples: np.ndarray = field(repr=False)
    white: float = 1.0
    meta: Meta = Meta()
    path: str = ""
    flattened: bool = False
    reduced: int = 1

    @property
    def data(self) -> np.ndarray:
        """float32 (H, W, 3), linear; 1.0 is saturation, or the bare panel once flattened."""
        samples = self.samples.whole() if isinstance(self.samples, Rows) else self.samples
        if samples.dtype == np.float32 and self.white == 1.0:
            return samples
        return samples * np.float32(1.0 / self.white)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in samples."""
        return self.samples.shape[:2]

    def saturated(self) -> np.ndarray:
        """bool (H, W, 3): where a channel is at its ceiling (within 0.2 %, for demosaic rounding)."""
        if self.flattened:
            raise ValueError("saturation is lost once a capture is flattened; ask the capture as read")
        return self.samples >= self.white * CEILING

    def proxy(self, long_side: int = PROXY) -> Capture:
        """A smaller capture of block means; the picture the automatic decisions are made on.

        Proxy pixel x has its centre at ``x * k + (k - 1) / 2`` of this capture, k being the factor in ``reduced``.
        """
        k = min(-(-max(self.shape) // long_side), *self.shape)
        if k <= 1:
            return replace(self, samples=self.data, white=1.0)
        return replace(self, samples=block_mean(self.samples, k, 1.0 / self.white), white=1.0, reduced=self.reduced * k)

    def __repr__(self) -> str:
        h, w = self.shape
        what = "flattened, 1.0 = bare panel" if self.flattened else "1.0 = saturation"
        name = Path(self.path).name or "array"
        small = f", reduced {self.reduced}x" if self.reduced > 1 else ""
        camera = f", {self.meta.camera}" if self.meta.camera else ""
        return f"Capture({name}: {w} x {h}, {self.meta.kind}{camera}, linear, {what}{small})"

    def _repr_png_(self) -> bytes:
        from .colour import preview_png

        return preview_png(self.proxy(900).data)


def block_mean(samples, k: int, scale: float = 1.0) -> np.ndarray:
    """Means over k x k blocks, float32 (H // k, W // k, C), multiplied by `scale`; a short last block is dropped."""
    if isinstance(samples, Rows):
        return means_and_clipped(samples, k, scale, math.inf, 1)[0]
    h, w, channels = samples.shape[0] // k, samples.shape[1] // k, samples.shape[2]
    out = np.empty((h, w, channels), np.float32)
    scale = np.float32(scale / (k * k))
    if kernel.loops is not None and samples.flags.c_contiguous and samples.dtype in (np.uint16, np.float32):
        kernel.loops.block_mean(samples, samples.dtype == np.uint16, samples.shape[1], channels, k, h, w, scale, out)
        return out
    wide = np.uint32 if samples.dtype.kind == "u" else np.float32
    for y in range(h):
        rows = samples[y * k:(y + 1) * k, :w * k].sum(axis=0, dtype=wide).reshape(w, k, channels)
        line = rows[:, 0].astype(wide)
        for i in range(1, k):
            line += rows[:, i]
        np.multiply(line, scale, out=out[y], casting="unsafe")
    return out


def means_and_clipped(samples, k: int, scale: float, ceiling: float, every: int) -> tuple[np.ndarray, float]:
    """`block_mean` of an array or of `Rows`, and the share of every `every`-th pixel each way that has a channel at `ceiling` or
    above."""
    if isinstance(samples, Rows) and samples.means is not None:
        return samples.means(k, scale, ceiling, every)
    means, full = [], [np.zeros((0, 0), bool)]
    if samples.dtype.kind == "u" and ceiling < math.inf:
        ceiling = math.ceil(ceiling)  # whole numbers are compared as such
    for y, lines in in_parts(samples, k):
        means.append(block_mean(lines, k, scale))
        if ceiling < math.inf:
            over = lines[-y % every::every, ::every] >= ceiling
            full.append(over[..., 0] | over[..., 1] | over[..., 2])
    share = np.mean(np.concatenate([f.ravel() for f in full])) if len(full) > 1 else 0.0
    return np.concatenate(means), float(share)
