"""Even illumination: dividing a capture by a frame of the bare panel.

Only the smooth part of the panel frame is used. Its dust and its noise belong to that one exposure and must not
print into pictures, so it is reduced to a coarse field by a robust surface fit plus the smoothed median of what the
surface leaves.
"""
from __future__ import annotations

import os
from dataclasses import field, replace

import numpy as np

from . import kernel
from .capture import CEILING, Capture, means_and_clipped
from .reading import read, read_rows
from .errors import InputError
from .robust import median
from .rows import window_of
from .values import frozen

#: Cells along the long side of the field: fine enough for the light of a panel, too coarse for dust.
CELLS = 144
#: A panel frame whose median is below this share of saturation is too dark to divide by.
TOO_DARK = 0.02


@frozen(eq=False)
class PanelField:
    """The light of the bare panel over the capture, smooth.

    Attributes
    ----------
    grid : ndarray float32 (h, w, 3)
        Light relative to saturation at the centres of square cells.
    cell : int
        Capture pixels a cell along each axis.
    size : tuple
        Height and width of the captures it fits, in pixels.
    camera : str
        Camera of the panel frame, empty if unknown.
    exposure : float or None
        Relative exposure of the panel frame (seconds x ISO / aperture squared), where the file says.
    source : str
    notes : tuple of str
    """

    grid: np.ndarray = field(repr=False)
    cell: int
    size: tuple[int, int]
    camera: str = ""
    exposure: float | None = None
    source: str = ""
    notes: tuple[str, ...] = ()

    @property
    def unevenness(self) -> float:
        """Darkest over brightest of the field, as a fraction lost (0 = perfectly even), worst channel."""
        return float(1 - (self.grid.min(axis=(0, 1)) / self.grid.max(axis=(0, 1))).min())

    def wide(self, width: int, reduced: int = 1) -> np.ndarray:
        """float32 (h, width, 3): 1 / light, interpolated along x for samples that stand for `reduced` pixels each."""
        x = np.arange(width) * reduced + (reduced - 1) / 2
        low, share = self._between(x, self.grid.shape[1])
        inverse, share = 1 / self.grid, share[:, None]
        out = np.empty((len(inverse), width, 3), np.float32)
        for cells, line in zip(inverse, out):  # of which each stays in the cache
            np.take(cells, low, axis=0, out=line, mode="clip")
            line += np.diff(cells, axis=0).take(low, axis=0) * share
        return out

    def rows(self, wide: np.ndarray, y0: int, y1: int, reduced: int = 1, out: np.ndarray | None = None) -> np.ndarray:
        """float32 (y1 - y0, width, 3): 1 / light for sample rows y0..y1, from `wide`."""
        low, share = self.between_rows(y0, y1, reduced)
        out = np.empty((y1 - y0,) + wide.shape[1:], np.float32) if out is None else out[:y1 - y0]
        for i in range(y1 - y0):
            np.subtract(wide[low[i] + 1], wide[low[i]], out=out[i])
            out[i] *= share[i]
            out[i] += wide[low[i]]
        return out

    def between_rows(self, y0: int, y1: int, reduced: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """The row of cells above each of the sample rows y0..y1, int64, and how far below it that lies, float32, in cells."""
        return self._between(np.arange(y0, y1) * reduced + (reduced - 1) / 2, self.grid.shape[0])

    def _between(self, position: np.ndarray, cells: int) -> tuple[np.ndarray, np.ndarray]:
        at = (position - (self.cell - 1) / 2) / self.cell  # half a cell lies outside the centres: on along the slope
        low = np.clip(at.astype(np.int64), 0, cells - 2)
        return low, (at - low).astype(np.float32)

    def match(self, capture: Capture) -> float:
        """The factor that brings this field to the capture's exposure; an InputError when they do not belong together."""
        size = tuple(n * capture.reduced for n in capture.shape)
        if any(abs(a - b) > 2 * capture.reduced for a, b in zip(size, self.size)):
            raise InputError(self.source or "panel frame", f"is {self.size[1]} x {self.size[0]} pixels but the capture "
                             f"{os.path.basename(capture.path) or 'given'} is {size[1]} x {size[0]}",
                             "photograph the bare panel with the same camera and crop")
        if self.camera and capture.meta.camera and self.camera != capture.meta.camera:
            raise InputError(self.source or "panel frame", f"was taken with {self.camera} but the capture with "
                             f"{capture.meta.camera}", "photograph the bare panel with the same camera")
        ours = exposure_value(capture)
        return ours / self.exposure if ours and self.exposure else 1.0

    def __repr__(self) -> str:
        h, w = self.size
        return f"PanelField({w} x {h}, unevenness {self.unevenness:.1%}, from {self.source or 'array'})"


def exposure_value(capture: Capture) -> float | None:
    """Seconds x ISO / aperture squared; an unknown ISO or aperture counts as unchanged. None without a time."""
    meta = capture.meta
    return meta.exposure_s and meta.exposure_s * (meta.iso or 100) / (meta.aperture or 1) ** 2


def panel_field(panel) -> PanelField:
    """The smooth field of one panel frame, or of the mean of several.

    Parameters
    ----------
    panel : Capture, path, ndarray (H, W, 3), PanelField, or a sequence of captures or paths

    Raises
    ------
    InputError
        If a frame is saturated, nearly black, or the frames differ in size.
    """
    if isinstance(panel, PanelField):
        return panel
    if isinstance(panel, (list, tuple)):
        if not panel:
            raise InputError("panel", "is an empty list", "give one panel frame or more")
        fields = [panel_field(p) for p in panel]
        if any(f.size != fields[0].size for f in fields):
            raise InputError(fields[-1].source or "panel frame", "differs in size from the other panel frames",
                             "use frames of one camera and crop")
        grid = np.mean([f.grid / (f.exposure or 1) for f in fields], axis=0) * (fields[0].exposure or 1)
        return replace(fields[0], grid=grid.astype(np.float32), source=" + ".join(f.source for f in fields))
    capture = panel if isinstance(panel, Capture) else read_rows(panel, reduced=True)
    name = capture.path or "panel frame"
    size = tuple(n * capture.reduced for n in capture.shape)
    cell = min(-(-max(capture.shape) // CELLS), *capture.shape)
    grid, clipped = means_and_clipped(capture.samples, cell, 1 / capture.white, capture.white * CEILING,
                                      8 if min(capture.shape) >= 1000 else 4)
    if clipped > 0.01:
        raise InputError(name, f"is saturated over {clipped:.0%} of its area", "photograph the panel with a shorter exposure")
    if median(grid) < TOO_DARK:
        raise InputError(name, f"is nearly black (median {median(grid):.2%} of saturation)",
                         "photograph the bare, lit panel with a longer exposure")
    return PanelField(_smooth(grid), cell * capture.reduced, size, capture.meta.camera, exposure_value(capture), capture.path)


def flatten(capture, panel) -> Capture:
    """A capture divided by the light of the bare panel: transmittance, bare panel = 1.0.

    Parameters
    ----------
    capture : Capture, path or ndarray (H, W, 3)
    panel : whatever `panel_field` takes

    Returns
    -------
    Capture
        ``flattened=True``, float32.

    Examples
    --------
    >>> import numpy as np
    >>> light = np.tile(np.linspace(0.4, 0.8, 64, dtype=np.float32)[None, :, None], (48, 1, 3))
    >>> flat = flatten(light * np.float32(0.25), light).data
    >>> bool(abs(flat - 0.25).max() < 0.002)
    True
    """
    capture = capture if isinstance(capture, Capture) else read(capture)
    if capture.flattened:
        return capture
    return divided(capture, panel_field(panel), np.empty((*capture.shape, 3), np.float32))


def divided(capture: Capture, field: PanelField, out: np.ndarray) -> Capture:
    """A capture divided by a panel's light into `out`, float32 (H, W, 3), which may be its own samples."""
    light, (h, w) = Light(capture, field), capture.shape
    for y in range(0, h, 32):
        light.window(y, min(y + 32, h), 0, w, out[y:y + 32])
    return replace(capture, samples=out, white=1.0, flattened=True)


_NONE = np.empty(0)


class Light:
    """Capture rows as panel-relative light."""

    def __init__(self, capture: Capture, field: PanelField | None) -> None:
        self.samples, self.scale, self.reduced = capture.samples, np.float32(1 / capture.white), capture.reduced
        self.field = field
        self.wide = None
        if field is not None:
            self.low, self.share = field.between_rows(0, capture.shape[0], capture.reduced)
            self.wide = field.wide(capture.shape[1], capture.reduced)
            self.wide *= np.float32(1 / (field.match(capture) * capture.white))

    def window(self, y0: int, y1: int, x0: int, x1: int, out: np.ndarray) -> np.ndarray:
        lines, left = window_of(self.samples, y0, y1, x0, x1)
        if kernel.loops is not None and lines.flags.c_contiguous and lines.dtype in (np.uint16, np.float32):
            return self._compiled(lines, left, y0, x0, out)
        part = lines[:, left:left + x1 - x0]
        if self.field is None:
            return np.multiply(part, self.scale, out=out)
        light = np.empty_like(out) if np.may_share_memory(part, out) else out
        self.field.rows(self.wide[:, x0:x1], y0, y1, self.reduced, light)
        return np.multiply(part, light, out=out)

    def _compiled(self, lines: np.ndarray, left: int, y0: int, x0: int, out: np.ndarray) -> np.ndarray:
        (n, width, channels), low, share, fields, stride = lines.shape, _NONE, _NONE, 0, 0
        if self.field is not None:
            low, share = self.low[y0:y0 + n], self.share[y0:y0 + n]
            fields, stride = self.wide.shape[:2]
        kernel.loops.light(lines, lines.dtype == np.uint16, width * channels, left * channels, n, out.shape[1] * channels,
                           self.wide, fields, stride * channels, x0 * channels, low, share, self.scale, out)
        return out


def _smooth(grid: np.ndarray) -> np.ndarray:
    """A robust polynomial surface in log light, plus the smoothed median of its residual, per channel.

    The surface carries the fall-off to the very corners, where a median alone is biased; the residual carries what
    no polynomial fits (the pattern of the lamps).
    """
    h, w = grid.shape[:2]
    if min(h, w) < 2:
        grid = np.repeat(np.repeat(grid, 3 - min(h, 2), axis=0), 3 - min(w, 2), axis=1)
        h, w = grid.shape[:2]
    y, x = np.linspace(-1, 1, h), np.linspace(-1, 1, w)
    degree = 6 if min(h, w) >= 24 else min(2, min(h, w) - 1)
    down, across = _chebyshev(y, degree), _chebyshev(x, degree)
    terms = np.stack([np.outer(down[i], across[j]) for i in range(degree + 1) for j in range(degree + 1 - i)], axis=-1)
    # So few terms are as well told by every second cell, where there are thousands.
    some = (slice(None, None, 2 if min(h, w) >= 64 else 1),) * 2
    basis = np.ascontiguousarray(terms[some]).reshape(-1, terms.shape[-1])
    out = np.empty((h, w, 3), np.float32)
    size = 9 if min(h, w) >= 24 else 1
    for c in range(3):
        log = np.log(np.maximum(grid[..., c], 1e-5)).astype(float)
        seen = log[some].ravel()
        weight = np.ones_like(seen)
        for _ in range(4):
            weighted = basis * weight[:, None]
            factors = np.linalg.solve(weighted.T @ basis + 1e-9 * np.eye(basis.shape[1]), weighted.T @ seen)
            rest = seen - basis @ factors
            spread = 1.4826 * median(np.abs(rest - median(rest))) + 1e-6
            weight = 1 / (1 + (rest / (3 * spread)) ** 2)
        surface = terms @ factors
        rest = log - surface
        if size > 1:
            rest = _rounded(_median(rest.astype(np.float32), size))
        out[..., c] = np.exp(surface + rest)
    return out


def _chebyshev(x: np.ndarray, degree: int) -> list[np.ndarray]:
    """Chebyshev polynomials T_0 .. T_degree at `x` (Abramowitz and Stegun 22.7.4). (numpy.polynomial takes longer to be imported.)"""
    out = [np.ones_like(x), x]
    while len(out) <= degree:
        out.append(2 * x * out[-1] - out[-2])
    return out[:degree + 1]


def _median(values: np.ndarray, size: int) -> np.ndarray:
    """The median of every second one of the size x size neighbours (size // 2 even) of each value; edges repeat. (scipy.ndimage takes
    longer to be imported than all of this.)"""
    around = np.lib.stride_tricks.sliding_window_view(np.pad(values, size // 2, mode="edge"), (size, size))[..., ::2, ::2]
    around = around.reshape(*values.shape, -1)
    middle = around.shape[-1] // 2
    return np.partition(around, middle, axis=-1)[..., middle]


def _rounded(values: np.ndarray, sigma: float = 2.0) -> np.ndarray:
    """Under a Gaussian of `sigma` cells, cut off at four of them; edges repeat."""
    reach = int(4 * sigma + 0.5)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    weights /= weights.sum()
    for axis in (0, 1):
        padded = np.pad(values, [(reach, reach) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        values = np.lib.stride_tricks.sliding_window_view(padded, len(weights), axis=axis) @ weights
    return values
