"""Dodge, burn and edge burn in stops, and the order in which all moves are made."""
from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..settings import Choice, Group, Listing, Number, Settings, described, setting
from ..values import frozen
from .grid import scaled_by_stops
from .local import LocalContrast, Veil
from .masks import AnyMask, Gradient, Mask, smoothstep
from .output import Resize, Sharpen
from .toning import SplitTone

if TYPE_CHECKING:
    from ..positive import Positive


@described
@frozen(kw_only=True)
class LocalExposure(Settings):
    """One dodge or one burn: light given or held back through a mask."""

    stops: float = setting(0.5, Number(0, 6, "stops"), "How much, where the mask is 1.")
    mask: Mask = setting(Gradient(), AnyMask(), "Where.")


def dodge(linear: np.ndarray, stops: float, mask: Mask, *, folder: str = "") -> np.ndarray:
    """A picture made lighter through a mask.

    Parameters
    ----------
    linear : ndarray float32 (h, w) or (h, w, 3)
    stops : float
        How much, where the mask is 1; half of it where the mask is 0.5.
    mask : Mask
    folder : str
        Where the name of a mask file starts.

    Returns
    -------
    ndarray of the same shape
        Where the mask is 0, equal to the bit.

    Examples
    --------
    >>> import numpy as np
    >>> from negconv.finish.masks import Ellipse
    >>> grey = np.full((9, 9), 0.18, np.float32)
    >>> lit = dodge(grey, 1.0, Ellipse(radii=(0.2, 0.2), feather=0.1))
    >>> float(lit[4, 4] / grey[4, 4]), float(lit[0, 0] / grey[0, 0])
    (2.0, 1.0)
    """
    weights, stops = mask.for_stops(stops).rows(linear, folder), np.float32(stops)
    return scaled_by_stops(linear, lambda y0, y1, rows: weights(y0, y1) * stops)


def burn(linear: np.ndarray, stops: float, mask: Mask, *, folder: str = "") -> np.ndarray:
    """A picture made darker through a mask; see `dodge`."""
    return dodge(linear, -stops, mask, folder=folder)


@described
@frozen(kw_only=True)
class EdgeBurn(Settings):
    """The edges of the picture held darker, shaped to its aspect."""

    stops: float = setting(0.0, Number(-4, 4, "stops"), "How much darker at the corners; 0 is off, under 0 lightens.")
    shape: str = setting("centre", Choice(("centre", "edges")),
                         "By distance from the centre (an ellipse of the picture's aspect) or from the nearest edges.")
    start: float = setting(0.4, Number(0, 0.99),
                           "Where it begins: 0 at the centre, 1 at the corner (centre) or at the edge (edges).")

    def apply(self, linear: np.ndarray) -> np.ndarray:
        """The picture (h, w) or (h, w, 3) with its edges burned; not a bit changes inside `start`."""
        if not self.stops:
            return linear
        h, w = linear.shape[:2]
        start, stops = np.float32(self.start), np.float32(-self.stops)
        # Distance from the centre, 1 at the outermost pixel of each axis.
        x = np.abs(np.linspace(-1, 1, w, dtype=np.float32)) if w > 1 else np.zeros(1, np.float32)
        y = (np.abs(np.linspace(-1, 1, h, dtype=np.float32)) if h > 1 else np.zeros(1, np.float32))[:, None]
        if self.shape == "centre":
            def weights(y0: int, y1: int) -> np.ndarray:
                return smoothstep((np.sqrt((x * x + y[y0:y1] ** 2) / np.float32(2)) - start) / (1 - start))
        else:
            # Distances in short sides, so that the band is as wide at the short edges as at the long ones.
            short = min(h, w)
            across, down = (smoothstep((1 - (1 - d) * np.float32(n / short) - start) / (1 - start))
                            for d, n in ((x, w), (y, h)))

            def weights(y0: int, y1: int) -> np.ndarray:
                return 1 - (1 - across) * (1 - down[y0:y1])
        return scaled_by_stops(linear, lambda y0, y1, rows: weights(y0, y1) * stops)


_EXAMPLE = '''stops = 0.7
mask = { kind = "product", masks = [
    { kind = "gradient", start = [0.5, 0.55], end = [0.5, 0.3] },
    { kind = "tonal", low = 0.5, feather = 1.5 },
] }'''


@described
@frozen(kw_only=True)
class Moves(Settings):
    """Every darkroom move, made in this order: veil, local contrast, dodge, burn, edge burn, split tone, resize,
    sharpen."""

    veil: Veil = setting(Veil(), Group(Veil), "A veil of stray light or haze taken off.")
    local_contrast: LocalContrast = setting(LocalContrast(), Group(LocalContrast), "Contrast of detail.")
    dodge: tuple[LocalExposure, ...] = setting((), Listing(Group(LocalExposure)),
                                               "Light given through masks, in this order.", _EXAMPLE)
    burn: tuple[LocalExposure, ...] = setting((), Listing(Group(LocalExposure)),
                                              "Light held back through masks, in this order.", _EXAMPLE)
    edge_burn: EdgeBurn = setting(EdgeBurn(), Group(EdgeBurn), "The edges held darker.")
    split_tone: SplitTone = setting(SplitTone(), Group(SplitTone), "Two hues over the tone scale.")
    resize: Resize = setting(Resize(), Group(Resize), "A smaller picture.")
    sharpen: Sharpen = setting(Sharpen(), Group(Sharpen), "Sharpening for output.")

    def apply(self, linear: np.ndarray, *, folder: str = "", pixel_um: float | None = None) -> np.ndarray:
        """All moves on an array.

        Parameters
        ----------
        linear : ndarray float32 (h, w) or (h, w, 3)
            Scene-linear, 0.18 middle grey.
        folder : str
            Where names of mask files start.
        pixel_um : float or None
            Micrometres on the film a pixel of `linear`.

        Returns
        -------
        ndarray float32
            `linear` itself where every move is off; (h, w, 3) of a grey picture if it was toned.
        """
        shape = linear.shape
        linear = self.local_contrast.apply(self.veil.apply(linear))
        for one in self.dodge:
            linear = dodge(linear, one.stops, one.mask, folder=folder)
        for one in self.burn:
            linear = burn(linear, one.stops, one.mask, folder=folder)
        linear = self.resize.apply(self.split_tone.apply(self.edge_burn.apply(linear)))
        return self.sharpen.apply(linear, pixel_um and pixel_um * max(shape[:2]) / max(linear.shape[:2]))


def apply_moves(positive: Positive, recipe) -> Positive:
    """A positive with a recipe's darkroom moves made.

    Parameters
    ----------
    positive : Positive
    recipe : Recipe or Moves

        Of a recipe the tone curve is taken too, so that one call shows a change.

    Returns
    -------
    Positive
        The same object where nothing changes. `density` and `to_capture` follow a resize.

    Examples
    --------
    >>> import numpy as np, negconv
    >>> from negconv.finish import Moves, EdgeBurn, apply_moves
    >>> grey = negconv.Positive(np.full((40, 60), 0.18, np.float32))
    >>> burned = apply_moves(grey, Moves(edge_burn=EdgeBurn(stops=1.0)))
    >>> float(burned.linear[0, 0] / 0.18)
    0.5
    """
    moves = getattr(recipe, "moves", recipe)
    tone = getattr(recipe, "tone", positive.tone)
    if tone != positive.tone:
        positive = replace(positive, tone=tone)
    linear = moves.apply(positive.linear, folder=getattr(recipe, "folder", ""), pixel_um=positive.pixel_um)
    if linear is positive.linear:
        return positive
    (h, w), (oh, ow) = linear.shape[:2], positive.shape
    if (h, w) == (oh, ow):
        return replace(positive, linear=linear)
    sx, sy = ow / w, oh / h
    scaled = tuple((a * sx, b * sy, c + a * (sx - 1) / 2 + b * (sy - 1) / 2) for a, b, c in positive.to_capture)
    return replace(positive, linear=linear, to_capture=scaled,
                   density=None if positive.density is None else moves.resize.apply(positive.density),
                   pixel_um=None if positive.pixel_um is None else positive.pixel_um * sx)
