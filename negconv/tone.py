"""`ToneCurve`: from scene-linear light to the light a print or display gives.

The curve is drawn in stops about middle grey, as a photographer reads it: a straight line of slope `contrast` through
grey, bent by a shoulder that lets highlights reach white softly and by a toe that holds shadows open. It acts on one
value at a time, so that it can be tabulated, and middle grey stays where it is.
"""
from __future__ import annotations

import math

import numpy as np

from .settings import Listing, Number, Numbers, SettingError, Settings, described, setting
from .values import frozen

#: Linear light of middle grey, an 18 % reflector (common practice, no source).
MIDDLE_GREY = 0.18
#: Stops from middle grey to white.
WHITE_STOPS = math.log2(1 / MIDDLE_GREY)
#: Stops below grey at which half of the toe's lift is reached, before the toe itself widens it.
TOE_REACH = 4.0
#: Exponent of the shoulder; 2 leaves the slope and the curvature at grey untouched.
BEND = 2.0


@described
@frozen(kw_only=True)
class ToneCurve(Settings):
    """A smooth S about middle grey, and a curve of the user's own after it.

    The user's points go through a monotone cubic (PCHIP: Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980; as in
    scipy.interpolate). A setting outside its limits is a `ValueError` of one line.

    Examples
    --------
    >>> curve = ToneCurve(contrast=1.5)
    >>> round(float(curve.apply(0.18)), 6)
    0.18
    >>> ToneCurve.off().apply([0.0, 0.25, 3.0]).tolist()
    [0.0, 0.25, 3.0]
    """

    exposure: float = setting(0.0, Number(-10, 10, "stops"), "Light added before the curve.")
    contrast: float = setting(1.25, Number(0.25, 4), "Slope at middle grey on logarithmic axes; 1 leaves contrast alone.")
    toe: float = setting(0.5, Number(0, 4, "stops"),
                         "How much lighter the deepest shadows print than the straight line would; 0 is off.")
    shoulder: float = setting(2.0, Number(0, 8, "stops"),
                              "How far above white still prints darker than paper white; 0 keeps white at white.")
    points: tuple[tuple[float, float], ...] = setting(
        (), Listing(Numbers("in, out", 0, 100, "CIE L*")),
        "A curve of your own after the S, rising; the ends (0, 0) and (100, 100) are added where not given.",
        "[[0, 0], [25, 20], [100, 100]]")

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "points", _with_ends(self.points))

    @classmethod
    def off(cls) -> ToneCurve:
        """The curve that changes nothing."""
        return cls(contrast=1.0, toe=0.0, shoulder=0.0)

    def apply(self, linear) -> np.ndarray:
        """Display-linear light of scene-linear light.

        Parameters
        ----------
        linear : array_like, any shape
            0.18 is middle grey. Negative and undefined values count as black.

        Returns
        -------
        ndarray of the same shape and floating type (float64 for anything else)
            0 to 1, never falling with `linear`. `ToneCurve.off()` returns the values as they are, over 1 too.
        """
        given = np.asarray(linear)
        dtype = given.dtype if given.dtype.kind == "f" else np.float64
        if self == ToneCurve.off():
            return given.astype(dtype)
        light = np.fmax(given.astype(np.float64), 0.0)
        with np.errstate(divide="ignore"):
            stops = np.log2(light / MIDDLE_GREY) + self.exposure
        out = np.minimum(MIDDLE_GREY * np.exp2(self.stops(stops)), 1.0)
        if self.points:
            from scipy.interpolate import PchipInterpolator

            x, y = np.array(self.points).T
            out = _light(np.clip(PchipInterpolator(x, y)(_lightness(out)), 0.0, 100.0))
        return np.asarray(out, dtype)

    def stops(self, stops) -> np.ndarray:
        """The S alone: stops about grey in the scene (after `exposure`) to stops about grey in the print.

        Notes
        -----
        Below grey, with t = -u / (4 + toe / contrast): ``v = contrast u + toe t**3 / (1 + t**3)``, whose slope stays
        above zero for every toe. Above, up to ``U = log2(1 / 0.18) + shoulder``: ``v = A f(contrast u / A)`` with
        ``f(s) = s / sqrt(1 + s**2)`` and A such that v(U) is white; a straight line that never reaches white before U
        stays straight.
        """
        u = np.asarray(stops, float)
        c, top = self.contrast, WHITE_STOPS + self.shoulder
        with np.errstate(invalid="ignore"):
            t = np.maximum(-u, 0) / (TOE_REACH + self.toe / c)
            lift = self.toe * (1 - 1 / (1 + t ** 3))
            over = c * np.clip(u, 0, top)
        excess = (c * top / WHITE_STOPS) ** BEND - 1
        if excess > 1e-12:
            span = c * top / excess ** (1 / BEND)
            over = over / (1 + (over / span) ** BEND) ** (1 / BEND)
        beyond = np.maximum(u - top, 0) if excess <= 1e-12 else 0.0
        return np.where(u > 0, over + c * beyond, c * np.minimum(u, 0) + lift)


def _with_ends(pairs: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if not pairs:
        return ()
    if pairs[0][0] > 0:
        pairs = ((0.0, 0.0), *pairs)
    if pairs[-1][0] < 100:
        pairs = (*pairs, (100.0, 100.0))
    if any(b[0] <= a[0] or b[1] < a[1] for a, b in zip(pairs, pairs[1:])):
        raise SettingError("points", f"= {[list(p) for p in pairs]!r}: L* in must rise from point to point and L* out "
                                     "must never fall")
    return pairs


def _lightness(y: np.ndarray) -> np.ndarray:
    """CIE L* of relative luminance (CIE 15:2018, 8.2.1.1)."""
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


def _light(lightness: np.ndarray) -> np.ndarray:
    """Relative luminance of CIE L*."""
    return np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness / (29 / 3) ** 3)
