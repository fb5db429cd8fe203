"""Local contrast and veil: moves that look at a pixel's surroundings."""
from __future__ import annotations


import numpy as np

from ..settings import Choice, Number, Settings, described, setting
from ..values import frozen
from .grid import (CEILING, Enlarged, box, guided, in_strips, luminance, reduced, reduction, scaled_by_stops, stops_of)


@described
@frozen(kw_only=True)
class LocalContrast(Settings):
    """Contrast of detail against its surroundings, the large tones left where they are."""

    strength: float = setting(0.0, Number(-1, 2), "Detail multiplied by 1 + strength; 0 is off, under 0 softens.")
    radius: float = setting(0.03, Number(0.005, 0.2, "of the short side"), "Size of the surroundings.")
    edge: float = setting(0.5, Number(0.05, 4, "stops"), "Steps well above this are edges and get no halo.")
    grain: float = setting(1.2, Number(1, 3), "What is finer than a 750th of the long side, grain with it, is multiplied by this at most.")

    def apply(self, linear: np.ndarray) -> np.ndarray:
        """The picture with its detail raised.

        Parameters
        ----------
        linear : ndarray float32 (h, w) or (h, w, 3)

        Returns
        -------
        ndarray of the same shape

        Notes
        -----
        In stops of luminance, as F. Durand and J. Dorsey, "Fast bilateral filtering for the display of high-dynamic-range
        images" (SIGGRAPH 2002) split base and detail, but with the guided filter's base ``a L + b``. Detail
        ``(1 - a) L - b`` is split again at the size of a block of the small picture (a 1/750 of the long side), and
        what is finer has a gain of its own, so that grain stays what it is.
        """
        if not self.strength:
            return linear
        k = reduction(linear.shape)
        small = stops_of(reduced(linear, k))
        a, b = guided(small, small, self.radius * min(small.shape), self.edge)
        coarse = small if k > 1 else _smoothed(small)
        shape = linear.shape[:2]
        middle = Enlarged(self.strength * ((1 - a) * coarse - b), shape, k)
        share = Enlarged(min(self.strength, self.grain - 1) * (1 - a), shape, k)
        ground = Enlarged(coarse, shape, k)

        def stops(y0: int, y1: int, rows: np.ndarray) -> np.ndarray:
            fine = stops_of(luminance(rows))
            fine -= ground.rows(y0, y1)
            fine *= share.rows(y0, y1)
            fine += middle.rows(y0, y1)
            return fine

        return scaled_by_stops(linear, stops)


@described
@frozen(kw_only=True)
class Veil(Settings):
    """A veil of stray light or haze taken off."""

    strength: float = setting(0.0, Number(0, 1), "Share of the veil taken off; 0 is off.")
    kind: str = setting("even", Choice(("even", "depth")),
                        "even: the same light added everywhere, as by flare; depth: haze that grows with distance.")

    def apply(self, linear: np.ndarray) -> np.ndarray:
        """The picture with less veil.

        Parameters
        ----------
        linear : ndarray float32 (h, w) or (h, w, 3)

        Returns
        -------
        ndarray of the same shape

        Notes
        -----
        Both undo ``I = J t + A (1 - t)`` (H. Koschmieder, "Theorie der horizontalen Sichtweite", 1924). Even: what the
        darkest `DARK_SHARE` of the picture still holds is the veil; it is subtracted and white kept at 1. Depth: t from
        the dark channel (K. He, J. Sun and X. Tang, "Single image haze removal using dark channel prior", IEEE TPAMI
        33(12), 2011), drawn along edges by the guided filter, not under `LEAST_SEEN`.
        """
        if not self.strength:
            return linear
        k = reduction(linear.shape)
        planes = reduced(linear, k, of=lambda rows: np.minimum(rows if rows.ndim == 3 else rows[..., None], np.float32(CEILING)))
        return self._even(linear, planes) if self.kind == "even" else self._depth(linear, planes, k)

    def _even(self, linear: np.ndarray, planes: np.ndarray) -> np.ndarray:
        veil = self.strength * np.clip(np.quantile(planes.reshape(-1, planes.shape[2]), DARK_SHARE, axis=0), 0, 0.8)
        gain = (1 / (1 - veil)).astype(np.float32)
        out = np.empty_like(linear)

        def work(y0: int, y1: int) -> None:
            np.subtract(linear[y0:y1], np.float32(veil), out=out[y0:y1])
            out[y0:y1] *= gain

        veil = veil.astype(np.float32)
        in_strips(len(linear), work)
        return out

    def _depth(self, linear: np.ndarray, planes: np.ndarray, k: int) -> np.ndarray:
        from scipy.ndimage import minimum_filter

        short = min(planes.shape[:2])
        patch = max(3, round(PATCH * short) | 1)
        planes = np.clip(planes, 0, BRIGHTEST_HAZE)
        dark = minimum_filter(planes.min(axis=2), patch, mode="nearest")
        haziest = dark.ravel() >= np.quantile(dark, 0.95)
        hazy = planes.reshape(-1, planes.shape[2])[haziest]
        # The brightest of the haziest is the air. The paper looks among the haziest 0.1 %; with thin haze those may all
        # be dark things, which would pass for a darker air and take off twice the haze there is.
        bright = hazy[np.argsort(hazy.sum(axis=1))[-max(1, len(hazy) // 200):]]
        air = np.maximum(np.median(bright, axis=0), 0.05).astype(np.float32)
        clear = 1 - KEPT * minimum_filter((planes / air).min(axis=2), patch, mode="nearest")
        guide = np.sqrt(luminance(planes if planes.shape[2] == 3 else planes[..., 0]))
        a, b = guided(guide, clear.astype(np.float32), 2 * patch, 0.06)
        shape, strength = linear.shape[:2], np.float32(self.strength)
        slope, level = Enlarged(a, shape, k), Enlarged(b, shape, k)
        out = np.empty_like(linear)

        def work(y0: int, y1: int) -> None:
            rows = linear[y0:y1]
            t = np.sqrt(np.clip(luminance(rows), np.float32(0), np.float32(BRIGHTEST_HAZE)))
            t *= slope.rows(y0, y1)
            t += level.rows(y0, y1)
            np.clip(t, np.float32(LEAST_SEEN), np.float32(1), out=t)
            # A share of the veil stays: the picture seen through what is left of it.
            gain = (1 - strength) + strength / t
            if linear.ndim == 3:
                gain = gain[..., None]
            ground = air if linear.ndim == 3 else air[0]
            np.subtract(rows, ground, out=out[y0:y1])
            out[y0:y1] *= gain
            out[y0:y1] += ground

        in_strips(len(linear), work)
        return out


#: Share of the picture taken for black when an even veil is measured.
DARK_SHARE = 0.002
#: Of the dark channel's patch, of the short side (15 pixels of 400 in the paper).
PATCH = 15 / 400
#: Share of the haze that is taken off, so that distance stays to be seen; and the least share of the scene's own light
#: reckoned with (the paper's 0.1 doubles grain and colour noise in what can hardly be seen).
KEPT, LEAST_SEEN = 0.95, 0.2
#: Haze is no brighter than this; beyond are lamps and sparks.
BRIGHTEST_HAZE = 2.0


def _smoothed(values: np.ndarray) -> np.ndarray:
    """A picture so small that it was not reduced still has its finest detail set apart."""
    return box(values, 1)
