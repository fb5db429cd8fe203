"""From a scene to a developed negative and to what a camera sees of it over a light panel.

The path is the physical one. Linear scene light exposes layers, whose sensitivities overlap (`Stock.exposing`). Each
layer develops a density by its characteristic curve: a straight line with a soft corner at the toe and another at the
shoulder. Each dye absorbs in three spectral bands (`Stock.dyes`), over the density of the base
(`Stock.base`). A camera channel sees a mixture of the bands (`Camera.mixing`). The bands are the three monochromatic
primaries of ITU-R BT.2020, so that a camera has an honest colour matrix.

All stocks, cameras and panels are invented.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

#: Linear BT.2020 to CIE XYZ (ITU-R BT.2020-2, table 2, D65; derived by the usual equations, four decimals).
_BT2020_TO_XYZ = ((0.6370, 0.1446, 0.1689), (0.2627, 0.6780, 0.0593), (0.0, 0.0281, 1.0610))

_FINEST = 1 / 2048          # steps of the development table, in stops
_LOWEST, _HIGHEST = -16, 10  # its range of log2 exposure


@dataclass(frozen=True)
class Stock:
    """An invented film.

    Attributes
    ----------
    kind : {"colour", "mono"}
    exposing : (layers, 3)
        Linear sRGB to layer exposure; rows add up to 1, so that grey exposes all layers alike.
    gamma, speed, toe, shoulder, dmax : (layers,)
        Slope of the straight line; log10 exposure at which it meets the base; widths of the toe (in log10 exposure)
        and of the shoulder (in density); highest density above base. Width 0 is a corner.
    dyes : (3, layers)
        Density in the bands red, green, blue for one unit of each layer's density.
    base : (3,)
        Density of the unexposed, developed film in the three bands.
    grain : (layers,)
        Standard deviation of density at density 1, over one pixel.
    """

    name: str
    kind: str
    exposing: tuple[tuple[float, ...], ...]
    gamma: tuple[float, ...]
    speed: tuple[float, ...]
    toe: tuple[float, ...]
    shoulder: tuple[float, ...]
    dmax: tuple[float, ...]
    dyes: tuple[tuple[float, ...], ...]
    base: tuple[float, float, float]
    grain: tuple[float, ...]

    @property
    def layers(self) -> int:
        return len(self.gamma)

    def curve(self, log_exposure, layer: int = 0) -> np.ndarray:
        """Density above base of one layer at log10 exposure (0 = the exposure of linear 1.0)."""
        above = np.asarray(log_exposure, float) - self.speed[layer]
        density = self.gamma[layer] * _bend(above, self.toe[layer])
        top, width = self.dmax[layer], self.shoulder[layer]
        # At no density the bend at the top would still take `lost` away; give it back so that unexposed film is base.
        lost = _bend(top, width) - top
        return top + lost - _bend(top + lost - density, width)


def _bend(x, width: float):
    """From 0 to x with a soft corner at 0, `width` wide."""
    return np.maximum(x, 0.0) if width == 0 else width * np.logaddexp(0.0, np.asarray(x) / width)


def straight_line(stock: Stock, reach: float = 5.0) -> Stock:
    """`stock` without toe, shoulder and grain, straight from `reach` decades below linear 1.0 up: for exactness."""
    n = stock.layers
    return replace(stock, name=stock.name + ", straight", speed=(-reach,) * n, toe=(0.0,) * n, shoulder=(0.0,) * n,
                   dmax=(20.0,) * n, grain=(0.0,) * n)


STOCKS = {stock.name: stock for stock in (
    Stock("colour 1", "colour",
          ((0.66, 0.25, 0.09), (0.10, 0.86, 0.04), (0.04, 0.11, 0.85)),
          gamma=(0.56, 0.58, 0.61), speed=(-2.02, -2.06, -2.08), toe=(0.24, 0.22, 0.22), shoulder=(0.16, 0.16, 0.16),
          dmax=(2.2, 2.3, 2.4),
          dyes=((1.00, 0.07, 0.02), (0.13, 1.00, 0.08), (0.05, 0.16, 1.00)), base=(0.22, 0.66, 0.98),
          grain=(0.018, 0.017, 0.022)),
    Stock("colour 2", "colour",
          ((0.60, 0.29, 0.11), (0.14, 0.81, 0.05), (0.04, 0.14, 0.82)),
          gamma=(0.63, 0.65, 0.70), speed=(-1.93, -1.96, -1.92), toe=(0.18, 0.20, 0.21), shoulder=(0.20, 0.20, 0.20),
          dmax=(2.4, 2.4, 2.6),
          dyes=((1.00, 0.05, 0.01), (0.10, 1.00, 0.05), (0.04, 0.12, 1.00)), base=(0.20, 0.52, 0.80),
          grain=(0.024, 0.022, 0.030)),
    Stock("mono 1", "mono", ((0.30, 0.48, 0.22),), gamma=(0.62,), speed=(-2.00,), toe=(0.22,), shoulder=(0.20,),
          dmax=(2.1,), dyes=((1.00,), (1.02,), (1.05,)), base=(0.20, 0.21, 0.23), grain=(0.020,)),
    Stock("mono 2", "mono", ((0.24, 0.46, 0.30),), gamma=(0.74,), speed=(-1.80,), toe=(0.16,), shoulder=(0.18,),
          dmax=(2.3,), dyes=((0.97,), (1.00,), (1.06,)), base=(0.30, 0.28, 0.31), grain=(0.032,)),
)}


@dataclass(frozen=True)
class Camera:
    """An invented camera.

    Attributes
    ----------
    mixing : (3, 3)
        Channel red, green, blue from the three bands; rows add up to 1.
    response : (3,)
        Channel values of a white surface under D65, green 1.
    """

    make: str
    model: str
    mixing: tuple[tuple[float, float, float], ...]
    response: tuple[float, float, float]
    pattern: str = "RGGB"
    black: int = 512
    white: int = 16383
    electrons: float = 45000.0
    read_noise: float = 4.0

    @property
    def matrix(self) -> np.ndarray:
        """XYZ (D65) to camera, as in the tag ColorMatrix1 of a DNG; float array (3, 3)."""
        return np.diag(self.response) @ np.array(self.mixing) @ np.linalg.inv(_BT2020_TO_XYZ)

    def panel(self, light) -> np.ndarray:
        """Channels of a bare panel whose bands are `light`, the largest 1; float array (3,)."""
        value = np.array(self.response) * (np.array(self.mixing) @ np.asarray(light, float))
        return value / value.max()

    def relative(self, light) -> np.ndarray:
        """Band transmittance to channel transmittance (bare panel = 1) under `light`; float array (3, 3)."""
        weighted = np.array(self.mixing) * np.asarray(light, float)
        return weighted / weighted.sum(axis=1, keepdims=True)


CAMERAS = {camera.model: camera for camera in (
    Camera("Invented", "Copy A", ((0.90, 0.09, 0.01), (0.06, 0.86, 0.08), (0.01, 0.09, 0.90)), (0.52, 1.0, 0.66)),
    Camera("Invented", "Copy B", ((0.86, 0.13, 0.01), (0.09, 0.85, 0.06), (0.01, 0.13, 0.86)), (0.61, 1.0, 0.58),
           pattern="GBRG", black=256, white=4095, electrons=30000.0),
)}

#: Light of two panels in the three bands.
PANELS = {"white": (0.94, 1.0, 1.02), "warm": (1.10, 1.0, 0.82)}


def development(stock: Stock) -> list[np.ndarray]:
    """Densities of each layer over log2 exposure in fine steps: what `develop` looks up. float32 arrays."""
    steps = np.arange(_LOWEST, _HIGHEST + _FINEST, _FINEST) * np.log10(2.0)
    return [stock.curve(steps, layer).astype(np.float32) for layer in range(stock.layers)]


def develop(scene: np.ndarray, stock: Stock, *, exposure: float = 0.0,
            tables: list[np.ndarray] | None = None) -> np.ndarray:
    """Layer densities above base.

    Parameters
    ----------
    scene : float32 array (h, w, 3)
        Linear sRGB.
    exposure : float
        Stops more (or less) than the stock's rated exposure.
    tables : list of array, optional
        `development` of the stock, for who develops many strips.

    Returns
    -------
    float32 array (h, w, layers)
    """
    gain = 2.0 ** exposure
    tables = development(stock) if tables is None else tables
    out = np.empty(scene.shape[:2] + (stock.layers,), np.float32)
    for y in range(0, scene.shape[0], 64):
        strip = scene[y:y + 64]
        for layer, table in enumerate(tables):
            light = strip[..., 0] * np.float32(stock.exposing[layer][0] * gain)
            for c in (1, 2):
                light += strip[..., c] * np.float32(stock.exposing[layer][c] * gain)
            np.maximum(light, np.float32(2.0 ** _LOWEST), out=light)
            np.log2(light, out=light)
            light -= _LOWEST
            light *= 1 / _FINEST
            light += 0.5
            out[y:y + 64, :, layer] = table.take(light.astype(np.int32), mode="clip")
    return out


def grain(density: np.ndarray, stock: Stock, rng: np.random.Generator) -> np.ndarray:
    """Layer densities with grain: rms grows with the square root of density, correlated over one to two pixels.

    `density` is float32 (h, w, layers), changed in place and returned.
    """
    for layer in range(stock.layers):
        if stock.grain[layer] > 0:
            noise = rng.standard_normal((density.shape[0] + 1, density.shape[1] + 1), dtype=np.float32)
            noise[:-1] += np.float32(0.5) * noise[1:]
            noise[:, :-1] += np.float32(0.5) * noise[:, 1:]
            noise = noise[:-1, :-1]
            deviation = np.sqrt(np.maximum(density[..., layer], 0) + np.float32(0.06))
            deviation *= np.float32(stock.grain[layer] / 1.25)
            deviation *= noise
            density[..., layer] += deviation
    return density


def bands(density: np.ndarray, stock: Stock) -> np.ndarray:
    """Transmittance in the three bands, relative to the bare panel, of layer densities (h, w, layers); float32."""
    out = np.empty(density.shape[:2] + (3,), np.float32)
    to_log2 = -np.log2(10.0)
    for band in range(3):
        total = density[..., 0] * np.float32(to_log2 * stock.dyes[band][0])
        for layer in range(1, stock.layers):
            total += density[..., layer] * np.float32(to_log2 * stock.dyes[band][layer])
        total += np.float32(to_log2 * stock.base[band])
        np.exp2(total, out=out[..., band])
    return out


@dataclass(frozen=True, eq=False)
class Negative:
    """A negative on a bare panel, seen by a camera without noise, with the truth behind it.

    Attributes
    ----------
    transmittance : float32 array (h, w, 3)
        Camera channels, bare panel = 1.
    base : tuple (3,)
        The same for unexposed film.
    exposures : float32 array (h, w, layers)
        Layer exposures (linear; grey 0.18 gives 0.18 in each).
    """

    transmittance: np.ndarray
    base: tuple[float, float, float]
    exposures: np.ndarray
    stock: Stock


def make_negative(scene: np.ndarray, stock: Stock, *, exposure: float = 0.0, camera: Camera | None = None,
                  light=(1.0, 1.0, 1.0), rng: np.random.Generator | None = None) -> Negative:
    """A negative of `scene`, in scene geometry, without holder, mosaic or noise.

    Parameters
    ----------
    scene : float32 array (h, w, 3)
        Linear sRGB.
    exposure : float
        Stops over the rated exposure.
    camera : Camera, optional
        Without one, the channels are the three bands.
    light : (3,)
        The panel's light in the bands.
    rng : numpy.random.Generator, optional
        Given, grain is added.

    Examples
    --------
    >>> grey = np.full((2, 3, 3), 0.18, np.float32)
    >>> negative = make_negative(grey, STOCKS["mono 1"])
    >>> bool((negative.transmittance < negative.base).all())
    True
    """
    density = develop(scene, stock, exposure=exposure)
    if rng is not None:
        grain(density, stock, rng)
    seen = np.eye(3) if camera is None else camera.relative(light)
    through = bands(density, stock) @ seen.T.astype(np.float32)
    exposures = scene @ np.array(stock.exposing, np.float32).T * np.float32(2.0 ** exposure)
    return Negative(through, base_of(stock, seen), exposures, stock)


def base_of(stock: Stock, seen=np.eye(3)) -> tuple[float, float, float]:
    """Channel transmittance of unexposed film; `seen` is `Camera.relative`."""
    return tuple(float(v) for v in np.asarray(seen) @ 10.0 ** -np.array(stock.base))
