"""Soft masks: where a dodge or burn acts, as weights from 0 (not at all) to 1 (fully).

Points are fractions of the picture's width and height, so that a mask means the same at proxy and at full size, and
distances (feathers) are fractions of the picture's short side. Every feather is a smoothstep, which leaves both of its
ends with no slope: an edge in the slope is what the eye reads as a halo (Mach bands). Outside its feather a mask is
exactly 0, inside exactly 1.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import reduce
from pathlib import Path

import numpy as np

from ..reading import read_mask
from ..settings import FilePath, Group, Kind, Listing, Number, Numbers, SettingError, Settings, described, setting
from ..values import frozen
from .grid import Enlarged, guided_stops, in_strips

Rows = Callable[[int, int], np.ndarray]


class Mask(Settings):
    """Base of all masks."""

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        """A function that gives the weights of some rows, float32 (y1 - y0, w).

        Parameters
        ----------
        linear : ndarray float32 (h, w) or (h, w, 3)
            The picture as it reaches the move.
        folder : str
            Where names of files start.
        """
        raise NotImplementedError

    def for_stops(self, stops: float) -> Mask:
        """The mask as a move of so many stops needs it: soft enough for tones to keep their order."""
        return self

    def weights(self, linear: np.ndarray, folder: str = "") -> np.ndarray:
        """All rows: float32 (h, w)."""
        rows, out = self.rows(linear, folder), np.empty(linear.shape[:2], np.float32)

        def work(y0: int, y1: int) -> None:
            out[y0:y1] = rows(y0, y1)

        in_strips(len(out), work)
        return out


def _places(point: tuple[float, float], linear: np.ndarray) -> tuple[float, float]:
    """Fractions of a picture to pixels."""
    h, w = linear.shape[:2]
    return point[0] * w - 0.5, point[1] * h - 0.5


_POINT = Numbers("x, y", -2, 3, "of width and height")


@described
@frozen(kw_only=True)
class Gradient(Mask):
    """A straight transition: 0 up to `start`, rising to 1 at `end` and beyond.

    Examples
    --------
    >>> import numpy as np
    >>> Gradient(start=(0.5, 1), end=(0.5, 0)).weights(np.ones((4, 2), np.float32))[:, 0].astype(float).round(2).tolist()
    [0.96, 0.68, 0.32, 0.04]
    """

    start: tuple[float, float] = setting((0.5, 0.6), _POINT, "Where the mask begins to rise from 0.")
    end: tuple[float, float] = setting((0.5, 0.4), _POINT, "Where it has reached 1.")

    def __post_init__(self) -> None:
        super().__post_init__()
        if max(abs(a - b) for a, b in zip(self.start, self.end)) < 1e-6:
            raise SettingError("end", f"= {list(self.end)!r}: must differ from start")

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        h, w = linear.shape[:2]
        (x0, y0), (x1, y1) = _places(self.start, linear), _places(self.end, linear)
        length = (x1 - x0) ** 2 + (y1 - y0) ** 2
        across = ((np.arange(w) - x0) * (x1 - x0) / length).astype(np.float32)
        down = ((np.arange(h) - y0) * (y1 - y0) / length).astype(np.float32)[:, None]
        return lambda a, b: smoothstep(across + down[a:b])


@described
@frozen(kw_only=True)
class Ellipse(Mask):
    """An ellipse: 1 inside, falling to 0 over the feather around it."""

    centre: tuple[float, float] = setting((0.5, 0.5), _POINT, "Its centre.")
    radii: tuple[float, float] = setting((0.25, 0.25), Numbers("x, y", 0.001, 5, "of width and height"),
                                         "Its half axes, before it is turned.")
    angle: float = setting(0.0, Number(-180, 180, "degrees"), "By how much it is turned, clockwise.")
    feather: float = setting(0.1, Number(0, 2, "of the short side"), "Width of the soft edge, outwards.")

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        h, w = linear.shape[:2]
        rx, ry = self.radii[0] * w, self.radii[1] * h
        feather = self.feather * min(h, w)
        x0, y0 = _places(self.centre, linear)
        x = np.arange(w, dtype=np.float32) - np.float32(x0)
        y = (np.arange(h, dtype=np.float32) - np.float32(y0))[:, None]
        c, s = np.float32(np.cos(np.radians(self.angle))), np.float32(np.sin(np.radians(self.angle)))

        def rows(y0: int, y1: int) -> np.ndarray:
            u, v = x * c + y[y0:y1] * s, y[y0:y1] * c - x * s
            inner = np.sqrt((u / np.float32(rx)) ** 2 + (v / np.float32(ry)) ** 2)
            if feather <= 0:
                return (inner <= 1).astype(np.float32)
            outer = np.sqrt((u / np.float32(rx + feather)) ** 2 + (v / np.float32(ry + feather)) ** 2)
            # 1 on the inner ellipse, 0 on the outer, and straight along every ray between them.
            share = inner * (1 - outer) / np.maximum(inner - outer, np.float32(1e-9))
            return smoothstep(np.where(inner <= 1, np.float32(1), share))

        return rows


@described
@frozen(kw_only=True)
class Polygon(Mask):
    """A polygon: 1 inside, falling to 0 over the feather around it."""

    points: tuple[tuple[float, float], ...] = setting(
        ((0.0, 0.0), (1.0, 0.0), (0.5, 0.5)), Listing(_POINT, 3), "Its corners in order.")
    feather: float = setting(0.05, Number(0, 2, "of the short side"), "Width of the soft edge, outwards.")

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        h, w = linear.shape[:2]
        feather = self.feather * min(h, w)
        # The distance to the outline is smooth away from it, so a soft edge is drawn small and enlarged.
        k = max(1, int(feather / 24)) if feather else 1
        small_h, small_w = -(-h // k), -(-w // k)
        xy = np.array([(x * w, y * h) for x, y in self.points], np.float32) / np.float32(k) - np.float32(0.5)
        inside, distance = _polygon_distance(xy, small_h, small_w)
        if feather <= 0:
            return lambda y0, y1: inside[y0:y1].astype(np.float32)
        soft = smoothstep(np.where(inside, np.float32(1), 1 - distance * np.float32(k / feather)))
        return Enlarged(soft, (h, w), k).rows


@described
@frozen(kw_only=True)
class Tonal(Mask):
    """A range of tones, measured in stops about middle grey on the picture as it reaches the move.

    The luminance is smoothed first, keeping edges (see `negconv.finish.grid.guided`), so that grain is not copied
    into the mask. A move of many stops widens the feather to twice as many, because a steeper one would print some
    darker tones lighter than the lighter ones beside them.
    """

    low: float = setting(-1.0, Number(-20, 20, "stops about middle grey"), "Darkest tone fully inside.")
    high: float = setting(20.0, Number(-20, 20, "stops about middle grey"), "Lightest tone fully inside.")
    feather: float = setting(1.0, Number(0.01, 10, "stops"), "Over how many stops it falls to 0 beyond both ends.")

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.high < self.low:
            raise SettingError("high", f"= {self.high:g}: must not be under low ({self.low:g} stops)")

    def for_stops(self, stops: float) -> Mask:
        # A smoothstep is steepest in its middle, by 1.5 over its width.
        return replace(self, feather=min(max(self.feather, 2 * abs(stops)), 10.0))

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        stops = guided_stops(linear)
        per_stop = np.float32(1 / self.feather)
        foot, top = np.float32(self.low - self.feather), np.float32(self.high + self.feather)

        def rows(y0: int, y1: int) -> np.ndarray:
            tone = stops(y0, y1)
            return smoothstep((tone - foot) * per_stop) * smoothstep((top - tone) * per_stop)

        return rows


@described
@frozen(kw_only=True)
class Painted(Mask):
    """A mask of the user's own: a grey picture, black 0 to white 1, stretched over the whole positive."""

    file: str = setting("mask.png", FilePath("the name of a picture file"), "PNG or TIFF, 8 or 16 bits.")

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        """The file's rows.

        Raises
        ------
        InputError
            If the file is missing or no picture.
        """
        grey = read_mask(Path(folder) / self.file)
        h, w = linear.shape[:2]
        if grey.shape != (h, w):
            from PIL import Image

            grey = np.asarray(Image.fromarray(grey).resize((w, h), Image.Resampling.BILINEAR))
        grey = np.clip(grey, 0, 1)
        return lambda y0, y1: grey[y0:y1]


#: Masks by the word that names them in a recipe; those made of other masks follow below.
MASKS = {"gradient": Gradient, "ellipse": Ellipse, "polygon": Polygon, "tonal": Tonal, "painted": Painted}


@frozen
class AnyMask(Kind):
    """A mask, or a table whose `kind` says which."""

    allowed: str = "a mask: a table whose kind is gradient, ellipse, polygon, tonal, painted, product, union or complement"

    def read(self, value):
        if isinstance(value, tuple(MASKS.values())):
            return value
        if not isinstance(value, dict):
            raise ValueError
        rest = dict(value)
        kind = rest.pop("kind", None)
        if kind not in MASKS:
            raise SettingError("kind", f"= {kind!r}: must be one of {', '.join(MASKS)}")
        return Group(MASKS[kind]).read(rest)

    def plain(self, value):
        return {"kind": next(k for k, v in MASKS.items() if type(value) is v), **value.to_dict()}


@described
@frozen(kw_only=True)
class Product(Mask):
    """Where all of several masks act: their weights multiplied."""

    masks: tuple[Mask, ...] = setting((Gradient(), Tonal()), Listing(AnyMask(), 1), "The masks.")

    def for_stops(self, stops: float) -> Mask:
        return replace(self, masks=tuple(mask.for_stops(stops) for mask in self.masks))

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        each = [mask.rows(linear, folder) for mask in self.masks]
        return lambda y0, y1: reduce(np.multiply, (rows(y0, y1) for rows in each))


@described
@frozen(kw_only=True)
class Union(Mask):
    """Where any of several masks acts: ``1 - (1 - a)(1 - b)...``, without a crease where they meet."""

    masks: tuple[Mask, ...] = setting((Gradient(), Ellipse()), Listing(AnyMask(), 1), "The masks.")

    def for_stops(self, stops: float) -> Mask:
        return replace(self, masks=tuple(mask.for_stops(stops) for mask in self.masks))

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        each = [mask.rows(linear, folder) for mask in self.masks]
        return lambda y0, y1: 1 - reduce(np.multiply, (1 - rows(y0, y1) for rows in each))


@described
@frozen(kw_only=True)
class Complement(Mask):
    """Everywhere another mask does not act."""

    mask: Mask = setting(Gradient(), AnyMask(), "The mask.")

    def for_stops(self, stops: float) -> Mask:
        return replace(self, mask=self.mask.for_stops(stops))

    def rows(self, linear: np.ndarray, folder: str = "") -> Rows:
        rows = self.mask.rows(linear, folder)
        return lambda y0, y1: 1 - rows(y0, y1)


MASKS |= {"product": Product, "union": Union, "complement": Complement}


def smoothstep(t: np.ndarray) -> np.ndarray:
    """``3 t**2 - 2 t**3`` within 0..1, 0 below and 1 above."""
    t = np.clip(t, np.float32(0), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


def _polygon_distance(xy: np.ndarray, h: int, w: int) -> tuple[np.ndarray, np.ndarray]:
    """Even-odd inside (h, w) and distance to the outline in pixels (h, w), at pixel centres."""
    x = np.arange(w, dtype=np.float32)[None, :]
    y = np.arange(h, dtype=np.float32)[:, None]
    inside = np.zeros((h, w), bool)
    square = np.full((h, w), np.inf, np.float32)
    for (x0, y0), (x1, y1) in zip(xy, np.roll(xy, -1, axis=0)):
        dx, dy = x1 - x0, y1 - y0
        if dy != 0:
            crossing = (y0 > y) != (y1 > y)
            inside ^= crossing & (x < (x0 + (y - y0) * (dx / dy)))
        length = dx * dx + dy * dy
        t = np.clip(((x - x0) * dx + (y - y0) * dy) / length, 0, 1) if length else np.float32(0)
        np.minimum(square, (x - x0 - t * dx) ** 2 + (y - y0 - t * dy) ** 2, out=square)
    return inside, np.sqrt(square)
