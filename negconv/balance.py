"""`Balance`: exposure, neutral, and black and white points, from the picture area of one frame or of a roll."""
from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from . import colour
from .film import Film

#: Scene-linear value of the anchor.
GREY = 0.18
#: Film exposures are held within this many decades of white, so that dust and noise stay finite in single precision.
DECADES = 6.0
#: Pixels a frame's statistics are taken from.
SAMPLE = 20_000


@dataclass(frozen=True)
class Balance:
    """What makes a film's exposures a balanced picture.

    ``linear = gain * (matrix @ 10 ** (slope * log_h + offset)) - black``; C values each, C = 1 for mono.

    Attributes
    ----------
    slope, offset : (C,)
        Per layer, so that greys expose all layers alike from shadow to highlight.
    gain, black : (C,)
        Per channel of linear sRGB.
    combine : (1, 3) or None
        For mono: weights of the channels' densities, over `Film.unmix`.
    source : str
        What it was solved from.
    warnings : tuple of str
    """

    slope: tuple[float, ...] = (1.0, 1.0, 1.0)
    offset: tuple[float, ...] = (0.0, 0.0, 0.0)
    gain: tuple[float, ...] = (1.0, 1.0, 1.0)
    black: tuple[float, ...] = (0.0, 0.0, 0.0)
    combine: tuple[tuple[float, float, float], ...] | None = None
    source: str = "none"
    warnings: tuple[str, ...] = ()

    def unmix(self, film: Film) -> np.ndarray:
        """Matrix (C, 3) from channel densities to layer densities."""
        return np.array(film.unmix if self.combine is None else self.combine)

    def tables(self, film: Film, grid) -> np.ndarray:
        """Balanced film exposures (C, N) at layer densities `grid` (N,)."""
        log_h = np.stack([curve.log_exposure(np.asarray(grid, float)) for curve in film.curves])
        return self._exposures(log_h.T).T

    def matrix(self, film: Film) -> np.ndarray:
        """Matrix (C, C) from balanced film exposures to linear sRGB, gain included."""
        return np.array(self.gain)[:, None] * np.array(film.matrix)

    @property
    def bias(self) -> np.ndarray:
        """(C,) added after the matrix."""
        return -np.array(self.black)

    def apply(self, film: Film, densities) -> np.ndarray:
        """Linear sRGB (..., 3), or (..., 1) for mono, of densities above base (..., 3) from `Film.densities`.

        The plain way to what the fused pass computes.
        """
        layers = np.asarray(densities, float) @ self.unmix(film).T
        log_h = np.stack([curve.log_exposure(layers[..., c]) for c, curve in enumerate(film.curves)], axis=-1)
        return self._exposures(log_h) @ self.matrix(film).T + self.bias

    def _exposures(self, log_h: np.ndarray) -> np.ndarray:
        return 10.0 ** np.clip(np.array(self.slope) * log_h + self.offset, -DECADES, DECADES)

    def to_dict(self) -> dict:
        """JSON-able values."""
        return {k: ([list(r) for r in v] if k == "combine" and v else list(v) if isinstance(v, tuple) else v)
                for k, v in asdict(self).items()}

    @classmethod
    def from_dict(cls, values: dict) -> Balance:
        """The inverse of `to_dict`."""
        combine = values.get("combine")
        return cls(**{k: tuple(v) if isinstance(v, list) else v for k, v in values.items() if k != "combine"},
                   combine=None if combine is None else tuple(tuple(r) for r in combine))


def solve_balance(densities, film: Film, *, exposure: float = 0.0, neutral: str = "auto") -> Balance:
    """Balance one frame, or many alike.

    Parameters
    ----------
    densities : array_like (N, 3), or sequence of such
        Densities above base (`Film.densities`) of the picture area, in raster order.
    film : Film
    exposure : float
        Stops added after the anchor.
    neutral : {"auto", "none"}
    """
    frames = [densities] if np.ndim(densities[0]) == 1 else list(densities)
    d = np.concatenate([_sample(f) for f in frames])
    log_h = film.log_exposures(d)
    if film.kind == "mono":
        anchor = _trimmed(log_h[:, 0])
        return Balance((1.0,), (float(np.log10(GREY) - anchor + exposure * np.log10(2)),), (1.0,), (0.0,), source="frame")
    middle = np.median(log_h, axis=0) if neutral == "auto" else np.zeros(3)
    level = np.log10(np.maximum(10.0 ** (log_h - middle) @ np.array(film.matrix).T @ colour.luminance("srgb"), 1e-6))
    offset = np.log10(GREY) - _trimmed(level) - middle + exposure * np.log10(2)
    return Balance(offset=tuple(offset.tolist()), source="frame")


def _sample(values) -> np.ndarray:
    values = np.asarray(values, float).reshape(-1, 3)
    return values[::max(1, len(values) // SAMPLE)]


def _trimmed(values: np.ndarray) -> float:
    low, high = np.percentile(values, [10, 90])
    return float(values[(values >= low) & (values <= high)].mean())
