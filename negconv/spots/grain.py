"""How strong the film's grain is at each level of light, from the smoothest places of a picture."""
from __future__ import annotations


import numpy as np

from ..values import frozen
from .noise import grain_at

#: Side of the tiles, and how many there are along each side of the picture at most.
TILE, TILES = 24, 20


@frozen(eq=False)
class Grain:
    """Standard deviations against level; arrays (n,), levels rising.

    Attributes
    ----------
    level : ndarray
    pixel : ndarray
        Of one pixel of one channel.
    coarse : ndarray
        Of the mean of 3 x 3 pixels of all channels.
    """

    level: np.ndarray
    pixel: np.ndarray
    coarse: np.ndarray

    def at(self, which: str, level):
        """One of the deviations at other levels."""
        return np.interp(level, self.level, getattr(self, which)).astype(np.float32)


def measure_grain(planes: np.ndarray, known: np.ndarray, scale) -> Grain:
    """Grain of a picture.

    Parameters
    ----------
    planes : float array (h, w, c)
    known : array (h, w)
        0 where there is dirt.
    scale : callable
        From `planes` to the scale on which grain is measured.

    Returns
    -------
    Grain
        Nothing but zeros if the picture is too small to tell.
    """
    h, w, colours = planes.shape
    side = min(TILE, h, w)
    rows, columns = min(h // side, TILES), min(w // side, TILES)
    y = (np.linspace(0, h - side, rows).astype(int)[:, None] + np.arange(side)).ravel()
    x = (np.linspace(0, w - side, columns).astype(int)[:, None] + np.arange(side)).ravel()

    def tiled(values):
        parts = values.reshape(rows, side, columns, side, -1)
        return parts.transpose(0, 2, 4, 1, 3).reshape(rows * columns, -1, side, side)

    clear = tiled(known[y[:, None], x] > 0).all(axis=(1, 2, 3))
    light = tiled(scale(planes[y[:, None], x]))[clear]
    if len(light) < 4 or side < 12:
        return Grain(*np.zeros((3, 1), np.float32))
    level = light.mean(axis=(1, 2, 3))
    means = _mean3(light)
    rough = (_rough(light, 3), _rough(means.mean(axis=1, keepdims=True), 4))
    order = np.argsort(level)
    return Grain(level[order], *(grain_at(level, r, least=0.0)[order] for r in rough))


def _mean3(light):
    tall = light[:, :, :-2] + light[:, :, 1:-1] + light[:, :, 2:]
    return (tall[..., :-2] + tall[..., 1:-1] + tall[..., 2:]) / 9


def _rough(light, gap):
    """Standard deviation by second differences over `gap` pixels, which do not see gradients."""
    rest = light[:, :, gap:-gap] - (light[:, :, :-2 * gap] + light[:, :, 2 * gap:]) / 2
    return np.sqrt(np.mean(rest * rest, axis=(1, 2, 3)) / 1.5)
