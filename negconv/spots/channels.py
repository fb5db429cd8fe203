"""Back from linear light to density in each channel of the film, at chosen pixels."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Densities at which a film's exposures are tabulated on the way back.
_GRID = np.linspace(-0.3, 3.2, 701)
#: Linear light below which there is no telling, where no film is known.
_TOE = np.float32(0.01)


@dataclass(frozen=True, eq=False)
class Channels:
    """Three densities at a pixel. What lies on the film takes the same share of light in each: it adds the same to all three.

    Where the positive says which film and balance made it, its light is led back through both; a plain array is taken
    for a film whose density is the logarithm of light.

    Attributes
    ----------
    linear : float array (h, w, 3)
    back : array (3, 3) or None
        Linear light to balanced film exposures.
    bias : array (3,)
    tables : array (3, n)
        Log exposure at layer densities `grid`, rising.
    apart : array (3, 3)
        Layer densities to channel densities.
    """

    linear: np.ndarray
    back: np.ndarray | None = None
    bias: np.ndarray | None = None
    tables: np.ndarray | None = None
    apart: np.ndarray | None = None

    @classmethod
    def of(cls, positive) -> Channels | None:
        """Of a positive or an array; None for black and white."""
        linear = np.asarray(getattr(positive, "linear", positive))
        if linear.ndim != 3 or linear.shape[2] != 3:
            return None
        film, balance = getattr(positive, "film", None), getattr(positive, "balance", None)
        if film is None or balance is None or film.layers != 3:
            return cls(linear)
        try:
            back, apart = np.linalg.inv(balance.matrix(film)), np.linalg.inv(balance.unmix(film))
        except np.linalg.LinAlgError:
            return cls(linear)
        tables = np.maximum.accumulate(np.log(balance.tables(film, _GRID)), axis=1)
        return cls(linear, back.astype(np.float32), np.asarray(balance.bias, np.float32), tables, apart.astype(np.float32))

    def at(self, y, x) -> np.ndarray:
        """Density (n, 3) at pixels."""
        light = np.nan_to_num(self.linear[y, x].astype(np.float32), nan=0.0, posinf=1e6, neginf=0.0)
        if self.back is None:
            return np.log10(np.clip(light, 0, 1e6) + _TOE)
        exposure = np.log(np.maximum((light - self.bias) @ self.back.T, np.float32(1e-8)))
        layers = np.stack([np.interp(exposure[:, c], self.tables[c], _GRID) for c in range(3)], axis=1)
        return layers.astype(np.float32) @ self.apart.T
