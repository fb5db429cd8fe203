"""Density: transmittance, optical density, unmixing and characteristic curves, as pure functions of arrays.

Densities are ISO 5-1 transmission densities of a capture's channels, with the bare panel as incident light.
"""
from __future__ import annotations

import math

import numpy as np

from .values import frozen

#: Transmittance below this is taken for no light at all (density 6).
TINY = 1e-6
#: A bend of a curve narrower than this is a corner.
NARROW = 1e-6


def transmittance(density) -> np.ndarray:
    """``10 ** -density`` (ISO 5-1), of the input's floating type."""
    return np.power(10.0, -_floating(density))


def density(transmittance, base=1.0) -> np.ndarray:
    """Optical density, ``-log10(transmittance / base)`` (ISO 5-1).

    Parameters
    ----------
    transmittance : array_like
        Any shape; below `TINY` (and NaN) it counts as `TINY`, so that the result is finite.
    base : array_like
        Transmittance the density is measured above, positive and finite; 1 is the bare panel.

    Returns
    -------
    ndarray
        Of the input's floating type.

    Examples
    --------
    >>> density([1.0, 0.1, 0.02]).round(3).tolist()
    [0.0, 1.0, 1.699]
    """
    light = _floating(transmittance)
    base = np.asarray(base, light.dtype)
    if not (np.isfinite(base).all() and (base > 0).all()):
        raise ValueError(f"the base must be positive and finite, not {base}")
    return np.log10(base) - np.log10(np.fmax(light, base * light.dtype.type(TINY)))


def unmix(density, matrix) -> np.ndarray:
    """Density of each dye layer from densities (..., 3) of channels that see several: ``density @ matrix.T``."""
    values = _floating(density)
    return values @ np.asarray(matrix, values.dtype).T


@frozen
class Curve:
    """A characteristic curve: a straight line with a soft toe and a soft shoulder.

    ``y = gamma * toe * ln(1 + exp((log_h - start) / toe))``, then
    ``D = shoulder * (ln(1 + exp(top / shoulder)) - ln(1 + exp((top - y) / shoulder)))``.

    Attributes
    ----------
    gamma : float
        Slope of the straight line, density per log10 exposure.
    start : float
        Log10 exposure at which the straight line, drawn on, meets the base. Log exposure 0 is a white diffuser at the
        film's rated speed; where a film is not calibrated only differences mean something.
    toe : float
        Width of the bend at the start, in log10 exposure; 0 is a corner.
    top : float or None
        Density above base at which the film can get no denser; None for no shoulder.
    shoulder : float
        Width of the bend at the top, in density; 0 is a corner.

    Notes
    -----
    `log_exposure` is the inverse in closed form where the curve has at least a tenth (toe) or a quarter (shoulder) of
    its slope and goes on straight from there, so that it is monotone and finite for every finite density.

    Examples
    --------
    >>> curve = Curve(gamma=0.6, start=-2.0, toe=0.2)
    >>> round(float(curve.density(-1.0)), 4), round(float(curve.log_exposure(curve.density(-1.0))), 6)
    (0.6008, -1.0)
    """

    gamma: float = 0.6
    start: float = -2.0
    toe: float = 0.0
    top: float | None = None
    shoulder: float = 0.0

    def __post_init__(self) -> None:
        for name in ("gamma", "start", "toe", "shoulder"):
            object.__setattr__(self, name, float(getattr(self, name)))
        if self.top is not None:
            object.__setattr__(self, "top", float(self.top))
        top = 1.0 if self.top is None else self.top
        if not (0.01 <= self.gamma <= 100 and abs(self.start) <= 100 and 0 <= self.toe <= 100
                and 0 <= self.shoulder <= 100 and 0 < top <= 100):
            raise ValueError(f"no characteristic curve: {self!r}")

    def density(self, log_exposure) -> np.ndarray:
        """Density above base at a log10 exposure, any shape."""
        above = _floating(log_exposure) - self.start
        y = self.gamma * _bend(above, self.toe)
        if self.top is None:
            return y
        return _bend(np.asarray(self.top, y.dtype), self.shoulder) - _bend(self.top - y, self.shoulder)

    def log_exposure(self, density) -> np.ndarray:
        """Log10 exposure of a density above base, any shape; see the notes for what lies off the curve."""
        y = _floating(density)
        if self.top is not None:
            y = self.top - _unbend(_bend(np.asarray(self.top, y.dtype), self.shoulder) - y, self.shoulder, 0.25)
        return self.start + _unbend(y / self.gamma, self.toe, 0.1)

    def to_dict(self) -> dict:
        """JSON-able values."""
        values = {"gamma": self.gamma, "start": self.start, "toe": self.toe}
        return values if self.top is None else {**values, "top": self.top, "shoulder": self.shoulder}

    @classmethod
    def from_dict(cls, values: dict) -> Curve:
        """The inverse of `to_dict`."""
        return cls(**values)


@frozen
class TableCurve:
    """A characteristic curve given by points, straight between and beyond them.

    Attributes
    ----------
    points : tuple of (density, log10 exposure)
        At least two, both rising.

    Examples
    --------
    >>> float(TableCurve(((0.0, -2.0), (1.2, 0.0))).log_exposure(0.6))
    -1.0
    """

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", tuple((float(d), float(x)) for d, x in self.points))
        array = np.array(self.points)
        if len(self.points) < 2 or not (np.abs(array) <= 100).all() or not (np.diff(array, axis=0) > 1e-6).all():
            raise ValueError("a curve's points must be at least two, -100 to 100, with density and log exposure rising")

    def density(self, log_exposure) -> np.ndarray:
        """Density above base at a log10 exposure, any shape."""
        d, x = np.array(self.points).T
        return _interpolate(_floating(log_exposure), x, d)

    def log_exposure(self, density) -> np.ndarray:
        """Log10 exposure of a density above base, any shape."""
        d, x = np.array(self.points).T
        return _interpolate(_floating(density), d, x)

    def to_dict(self) -> dict:
        """JSON-able values."""
        return {"points": [list(p) for p in self.points]}

    @classmethod
    def from_dict(cls, values: dict) -> TableCurve:
        """The inverse of `to_dict`."""
        return cls(tuple(tuple(p) for p in values["points"]))


@frozen
class DensityEncoding:
    """Integers that hold densities: ``code = density * per_density + offset``.

    Attributes
    ----------
    bits : int
    offset, per_density : float
    """

    bits: int
    offset: float
    per_density: float

    def decode(self, code) -> np.ndarray:
        """Density of code values, float64."""
        return (np.asarray(code, np.float64) - self.offset) / self.per_density

    def encode(self, density) -> np.ndarray:
        """Code values of densities, rounded, held within the range; uint16."""
        code = np.floor(np.asarray(density, np.float64) * self.per_density + self.offset + 0.5)
        return np.clip(code, 0, 2 ** self.bits - 1).astype(np.uint16)

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest density that can be held."""
        return float(self.decode(0)), float(self.decode(2 ** self.bits - 1))


#: Academy density exchange encodings, SMPTE ST 2065-3:2012.
ADX10 = DensityEncoding(10, 95.0, 500.0)
ADX16 = DensityEncoding(16, 1520.0, 8000.0)


def _bend(x, width: float) -> np.ndarray:
    """From 0 to x with a bend at 0 that is `width` wide."""
    return np.maximum(x, 0) if width < NARROW else width * np.logaddexp(0, x / width)


def _unbend(y, width: float, least: float) -> np.ndarray:
    """The inverse of `_bend` where its slope is `least` or more, straight on below."""
    if width < NARROW:
        # A corner has no inverse below it; the line goes on.
        return y
    z = y / width
    edge = -math.log1p(-least)
    held = np.maximum(z, edge)
    return width * (held + np.log(-np.expm1(-held)) + (np.minimum(z, edge) - edge) / least)


def _interpolate(at: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    slope = np.diff(y) / np.diff(x)
    i = np.clip(np.searchsorted(x, at) - 1, 0, len(slope) - 1)
    return (y[i] + slope[i] * (at - x[i])).astype(at.dtype)


def _floating(values) -> np.ndarray:
    values = np.asarray(values)
    return values if values.dtype in (np.float32, np.float64) else values.astype(np.float64)
