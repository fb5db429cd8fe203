"""Where film, rebate and picture lie in a capture."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .capture import block_mean

#: The long side of the proxy that frames are sought on.
PROXY = 1500
#: Below this confidence a frame is not trusted and the whole gate is used in its place.
TRUSTED = 0.5


@dataclass(frozen=True)
class Format:
    """A negative format.

    Attributes
    ----------
    width_mm, height_mm : float
        Nominal picture size, longer side first.
    frames : tuple of int
        How many frames a roll holds; empty for sheets.
    perforated : bool
    """

    width_mm: float
    height_mm: float
    frames: tuple[int, ...] = ()
    perforated: bool = False

    @property
    def aspect(self) -> float:
        """Long side over short side."""
        return self.width_mm / self.height_mm


#: Nominal picture sizes: common practice, no source. The films themselves: ISO 732 (roll film), ISO 1007 (135).
FORMATS = {
    "135": Format(36.0, 24.0, (36, 24, 12), True),
    "135 half": Format(24.0, 18.0, (72,), True),
    "135 panorama": Format(65.0, 24.0, (21,), True),
    "6x4.5": Format(56.0, 41.5, (15, 16)),
    "6x6": Format(56.0, 56.0, (12,)),
    "6x7": Format(69.5, 56.0, (10,)),
    "6x8": Format(76.0, 56.0, (9,)),
    "6x9": Format(84.0, 56.0, (8,)),
    "6x12": Format(112.0, 56.0, (6,)),
    "6x17": Format(168.0, 56.0, (4,)),
    "4x5": Format(121.0, 96.0),
    "5x7": Format(171.0, 121.0),
    "8x10": Format(245.0, 194.0),
}


def format_named(name: str) -> Format:
    """A format by its name, spaces and case aside; ``ValueError`` names the known ones."""
    wanted = "".join(name.lower().split())
    for known, value in FORMATS.items():
        if "".join(known.split()) == wanted:
            return value
    raise ValueError(f"unknown film format {name!r}; known are {', '.join(FORMATS)}")


@dataclass(frozen=True)
class Frame:
    """One picture on film, as it lies in a capture.

    Attributes
    ----------
    corners : ((x, y), ...) four of them
        Outer corners of the picture, clockwise from the one at the top left of the capture; pixel centres at integers.
    angle : float
        Degrees, direction of the top edge with y down: the picture must be turned back by it.
    confidence : float
        0..1: the share of such answers whose corners are within 0.5 % of the long side.
    basis : tuple of str
        What each side (top, right, bottom, left) rests on, and other evidence, in words.
    format : str or None
    warnings : tuple of str
    """

    corners: tuple[tuple[float, float], ...]
    angle: float
    confidence: float = 1.0
    basis: tuple[str, ...] = ()
    format: str | None = None
    warnings: tuple[str, ...] = ()

    @classmethod
    def rectangle(cls, x: float, y: float, w: float, h: float, **others) -> Frame:
        """An upright frame; `x`, `y` is the outer corner of its first pixel, so pixel (x, y) is its first."""
        left, top, right, bottom = x - 0.5, y - 0.5, x + w - 0.5, y + h - 0.5
        return cls(((left, top), (right, top), (right, bottom), (left, bottom)), 0.0, **others)

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in capture pixels: means of opposite sides."""
        a, b, c, d = (np.array(p) for p in self.corners)
        return (float(np.hypot(*(b - a)) + np.hypot(*(c - d))) / 2, float(np.hypot(*(d - a)) + np.hypot(*(c - b))) / 2)

    @property
    def trusted(self) -> bool:
        return self.confidence >= TRUSTED

    def scaled(self, k: int) -> Frame:
        """The same frame in a capture with `k` times the pixels along each axis."""
        corners = tuple((x * k + (k - 1) / 2, y * k + (k - 1) / 2) for x, y in self.corners)
        return Frame(corners, self.angle, self.confidence, self.basis, self.format, self.warnings)

    def reduced(self, k: int) -> Frame:
        """The same frame in a capture reduced `k` times."""
        corners = tuple(((x - (k - 1) / 2) / k, (y - (k - 1) / 2) / k) for x, y in self.corners)
        return Frame(corners, self.angle, self.confidence, self.basis, self.format, self.warnings)

    def to_dict(self) -> dict:
        return {"corners": [list(c) for c in self.corners], "angle": self.angle, "confidence": self.confidence,
                "basis": list(self.basis), "format": self.format, "warnings": list(self.warnings)}

    @classmethod
    def from_dict(cls, values: dict) -> Frame:
        return cls(tuple((float(x), float(y)) for x, y in values["corners"]), float(values["angle"]),
                   float(values["confidence"]), tuple(values.get("basis", ())), values.get("format"),
                   tuple(values.get("warnings", ())))

    def __repr__(self) -> str:
        w, h = self.size
        x, y = self.corners[0]
        name = f", {self.format}" if self.format else ""
        return (f"Frame({w:.0f} x {h:.0f} px from ({x:.1f}, {y:.1f}), turned {self.angle:+.2f} degrees, "
                f"confidence {self.confidence:.2f}{name})")


def linear_of(source) -> np.ndarray:
    """float32 (H, W, 3) of a capture or an array; a grey plane is repeated."""
    data = np.asarray(source.data if hasattr(source, "data") and not isinstance(source, np.ndarray) else source,
                      np.float32)
    if data.ndim == 2:
        data = data[..., None]
    return np.repeat(data, 3, axis=2) if data.shape[2] == 1 else data[..., :3]


def proxy_of(source, long_side: int = PROXY) -> tuple[np.ndarray, int]:
    """float32 (h, w, 3) of at most `long_side` pixels a side, and how many pixels of `source` one stands for."""
    if hasattr(source, "proxy"):
        small = source.proxy(long_side)
        return linear_of(small), small.reduced // source.reduced
    data = linear_of(source)
    k = -(-max(data.shape[:2]) // long_side)
    return (data, 1) if k <= 1 else (block_mean(data, k), k)


def find_frames(source, film_format: str | None = None) -> list[Frame]:
    """The pictures in a capture, in reading order.

    Parameters
    ----------
    source : Capture, or ndarray (H, W, 3) linear in light
    film_format : str, optional
        A key of `FORMATS`; its aspect ratio steadies the answer.

    Returns
    -------
    list of Frame
        At least one; in pixels of `source`.
    """
    proxy, k = proxy_of(source)
    flattened = bool(getattr(source, "flattened", False))
    return [frame.scaled(k) for frame in frames_in(proxy, film_format, flattened=flattened)]


def frames_in(proxy: np.ndarray, film_format: str | None = None, *, flattened: bool = False) -> list[Frame]:
    """As `find_frames`, of a capture already reduced (float32 (h, w, 3)), in its own pixels."""
    if film_format is not None:
        format_named(film_format)
    h, w = proxy.shape[:2]
    log = np.log10(np.maximum(proxy, 1e-5)).mean(axis=2)
    top = np.percentile(log[::4, ::4], 99.5)
    picture = log < top - 0.1
    dark = log < top - 2.2
    lit = ~dark
    rows, columns = np.flatnonzero(lit.mean(axis=1) > 0.3), np.flatnonzero(lit.mean(axis=0) > 0.3)
    if len(rows) < 8 or len(columns) < 8:
        return [Frame.rectangle(0, 0, w, h, confidence=0.0, warnings=("no film was found",))]
    y0, y1, x0, x1 = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
    sides = [_side(picture[y0:y1, x0:x1]), _side(picture[y0:y1, x0:x1][::-1]),
             _side(picture[y0:y1, x0:x1].T), _side(picture[y0:y1, x0:x1].T[::-1])]
    (t, ts), (b, bs), (l, ls), (r, rs) = sides
    t, b, l, r, bs, rs = t + y0, y1 - 1 - b, l + x0, x1 - 1 - r, -bs, -rs
    xm, ym = (x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2

    def meet(y, ys, x, xs):
        # y = y + ys (X - xm) and X = x + xs (Y - ym)
        X = (x + xs * (y - ys * xm - ym)) / (1 - xs * ys)
        return float(X), float(y + ys * (X - xm))

    corners = (meet(t, ts, l, ls), meet(t, ts, r, rs), meet(b, bs, r, rs), meet(b, bs, l, ls))
    (xa, ya), (xb, yb) = corners[:2]
    return [Frame(corners, math.degrees(math.atan2(yb - ya, xb - xa)), 0.9, ("rebate",), film_format)]


def _side(picture: np.ndarray) -> tuple[float, float]:
    """Position at the middle column and slope of the topmost edge of the picture."""
    h, w = picture.shape
    columns = np.arange(w // 10, w - w // 10, 4)
    depth = h // 3
    block = picture[:depth, columns]
    clear = ~block
    first_clear = np.where(clear.any(axis=0), clear.argmax(axis=0), 0)
    after = block & (np.arange(depth)[:, None] > first_clear)
    long = after.copy()
    for i in range(1, 12):
        long[:-i] &= after[i:]
    found = long.any(axis=0)
    if found.sum() < 8:
        return 0.0, 0.0
    x, y = columns[found] - (w - 1) / 2, long.argmax(axis=0)[found] - 0.5
    keep = np.ones(len(x), bool)
    for tol in (20, 6, 2, 2):
        slope, at = np.polyfit(x[keep], y[keep], 1) if tol < 20 else (0.0, np.median(y))
        keep = np.abs(y - at - slope * x) < tol + 0.05 * w * (tol == 20)
        if keep.sum() < 8:
            break
    return float(at), float(slope)


def picture_mask(frames, shape: tuple[int, int], *, inset: float = 0.02, reduced: int = 1) -> np.ndarray:
    """bool (h, w): the pixels of a proxy that lie inside a frame.

    Parameters
    ----------
    frames : Frame or sequence of Frame
        In pixels of the capture.
    shape : (int, int)
        Of the proxy.
    inset : float
        Kept away from the frame's edges, as a share of its shorter side.
    reduced : int
        How many capture pixels a proxy pixel stands for.
    """
    y, x = np.ogrid[:shape[0], :shape[1]]
    mask = np.zeros(shape, bool)
    for frame in [frames] if isinstance(frames, Frame) else frames:
        small = frame.reduced(reduced)
        margin = inset * min(small.size)
        inside = np.ones(shape, bool)
        for (xa, ya), (xb, yb) in zip(small.corners, small.corners[1:] + small.corners[:1]):
            length = math.hypot(xb - xa, yb - ya) or 1.0
            inside &= ((xb - xa) * (y - ya) - (yb - ya) * (x - xa)) >= margin * length
        mask |= inside
    return mask
