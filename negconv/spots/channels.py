"""Back from linear light to density in each channel of the film, at chosen pixels."""
from __future__ import annotations


import numpy as np

from ..values import frozen

#: Densities at which a film's exposures are tabulated on the way back, and steps of log exposure the way back is tabulated in.
_GRID, _FINE = np.linspace(-0.3, 3.2, 701), 4096
#: Linear light below which there is no telling, where no film is known.
_TOE = np.float32(0.01)


@frozen(eq=False)
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
        Layer density at log exposures that rise by equal steps,
    low, steps : arrays (3,)
        from the least on, so many to a unit.
    apart : array (3, 3)
        Layer densities to channel densities.
    """

    linear: np.ndarray
    back: np.ndarray | None = None
    bias: np.ndarray | None = None
    tables: np.ndarray | None = None
    low: np.ndarray | None = None
    steps: np.ndarray | None = None
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
        logs = np.maximum.accumulate(np.log(balance.tables(film, _GRID)), axis=1)
        even = np.linspace(logs[:, 0], logs[:, -1], _FINE, axis=1)
        tables = np.stack([np.interp(e, log, _GRID) for e, log in zip(even, logs)])
        steps = (_FINE - 1) / np.maximum(logs[:, -1] - logs[:, 0], 1e-6)
        return cls(linear, *(np.asarray(v, np.float32) for v in (back, balance.bias, tables, logs[:, 0], steps, apart)))

    @property
    def packed(self) -> tuple:
        """Whether a film is known, and the way back as the compiled loop takes it."""
        none = np.zeros(0, np.float32)
        return (self.back is not None, *(none if v is None else np.ascontiguousarray(v) for v in (
            self.back, self.bias, self.tables, self.low, self.steps, self.apart)), _FINE)

    def at(self, y, x) -> np.ndarray:
        """Density (n, 3) at pixels."""
        light = self.linear[y, x].astype(np.float32)
        if self.back is None:
            return np.log10(np.clip(np.nan_to_num(light, copy=False), 0, 1e6) + _TOE)
        exposure = (light - self.bias) @ self.back.T
        # What is no number is as dark as can be.
        exposure = np.log(np.fmin(np.fmax(exposure, np.float32(1e-8)), np.float32(1e6)))
        place = np.clip((exposure - self.low) * self.steps, 0, np.float32(_FINE - 1.01))
        whole = place.astype(np.int32)
        place -= whole
        whole += np.arange(3, dtype=np.int32) * _FINE
        flat = self.tables.reshape(-1)
        below = flat[whole]
        return (below + (flat[whole + 1] - below) * place) @ self.apart.T
