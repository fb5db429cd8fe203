"""Where film, rebate and picture lie in a capture."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .capture import block_mean
from .levels import FLOOR, PANEL, Level, Parts, bare_panel, even_tones, log_light, parts
from .rectangles import Found, best_turn, edge_maps, rectangles, to_plan, turned
from .sides import corners_of, refine, sample

#: The long side of the proxy that frames are sought on.
PROXY = 1500
#: The long side of the plan: the coarser picture in which rectangles are looked for before their sides are refined.
PLAN = 760
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
    flattened = getattr(source, "flattened", None)
    return [frame.scaled(k) for frame in frames_in(proxy, film_format, flattened=flattened)]


def frames_in(proxy: np.ndarray, film_format: str | None = None, *, flattened: bool | None = None) -> list[Frame]:
    """As `find_frames`, of a capture already reduced (float32 (h, w, 3)), in its own pixels.

    `flattened` is None when it is not known whether 1.0 is the bare panel.
    """
    return list(look(proxy, film_format, flattened=flattened).frames)


@dataclass(frozen=True, eq=False)
class Look:
    """What was seen in a proxy: its frames and the base level they rest on (None when no even tone was found)."""

    frames: tuple[Frame, ...]
    base: Level | None


def look(proxy: np.ndarray, film_format: str | None = None, *, flattened: bool | None = None) -> Look:
    """Frames and base level of a capture already reduced, in its own pixels."""
    aspect = None if film_format is None else format_named(film_format).aspect
    h, w = proxy.shape[:2]
    k = -(-max(h, w) // PLAN)
    plan = block_mean(proxy, k) if k > 1 else proxy
    if min(plan.shape[:2]) < 24:
        return Look((_whole(w, h, film_format, "the capture is too small to look for a frame"),), None)
    log = log_light(plan)
    best = None
    for base in _bases(even_tones(log, rigid=bool(flattened)), flattened):
        attempt = _attempt(log, base, aspect)
        if best is None or _better(attempt, best):
            best = attempt
    if best is None or not best.found or max(s for f in best.found for s in f.support) < 0.25:
        return Look((_whole(w, h, film_format, "no edge of a picture was found, so all that the capture shows is used"),),
                    None if best is None else best.base)
    frames = [_refined(proxy, k, best, found, film_format) for found in best.found]
    return Look(tuple(frames), best.base)


@dataclass(frozen=True, eq=False)
class _Attempt:
    """Rectangles found with one tone taken for the base."""

    base: Level
    parts: Parts
    degrees: float
    found: tuple[Found, ...]
    shape: tuple[int, int]
    brighter: float             # share of the pixels inside them that let through more than this base


def _bases(tones: list[Level], flattened: bool | None) -> list[Level]:
    """The tones that may be the base, brightest first."""
    first = 0
    for i, tone in enumerate(tones[:-1]):
        if bare_panel(tone, flattened):
            first = i + 1
    return tones[first:first + 3]


def _attempt(log: np.ndarray, base: Level, aspect: float | None) -> _Attempt:
    judged = parts(log, base)
    degrees = best_turn(*edge_maps(judged.kinds, judged.density, base.spread))
    kinds, density = turned(judged.kinds, judged.density, degrees)
    found = rectangles(kinds, density, base.spread, aspect)
    inside = [kinds[int(f.top):int(f.bottom), int(f.left):int(f.right)].ravel() for f in found]
    brighter = float((np.concatenate(inside) == PANEL).mean()) if inside else 1.0
    return _Attempt(base, judged, degrees, tuple(found), kinds.shape, brighter)


def _better(this: _Attempt, other: _Attempt) -> bool:
    """Whether a darker tone makes the better base: its pictures lie inside the other's and hold nothing brighter."""
    if not this.found:
        return False
    if not other.found:
        return True
    rests = [s for f in this.found for s, on in zip(f.support, f.rests) if on == "rebate"]
    strong = len(rests) >= 2 * len(this.found) and float(np.median(rests)) > 0.5
    return strong and this.brighter < 0.004


def _refined(proxy: np.ndarray, k: int, attempt: _Attempt, found: Found, film_format: str | None) -> Frame:
    points = to_plan([(found.left, found.top), (found.right, found.top), (found.right, found.bottom),
                      (found.left, found.bottom)], attempt.degrees, attempt.shape, attempt.parts.kinds.shape)
    h, w = proxy.shape[:2]
    points = _to_view(points * k + (k - 1) / 2, found.rests, w, h)
    half = max(h, w) / 2
    base = attempt.base
    level = np.float32(np.mean(base.log))
    c = base.surface

    def density(x, y):
        light = sample(proxy, x, y)
        value = np.log10(np.maximum(light, np.float32(FLOOR))).mean(axis=-1)
        u, v = (x - (w - 1) / 2) / half, (y - (h - 1) / 2) / half
        surface = c[0] + c[1] * u + c[2] * v + c[3] * u * u + c[4] * u * v + c[5] * v * v
        return level + surface - value, (x > -0.5) & (x < w - 0.5) & (y > -0.5) & (y < h - 0.5)

    sides = [refine(density, points[i], points[(i + 1) % 4], rests=found.rests[i], reach=4.0 * k, noise=base.spread,
                    outward=3.0 * k) for i in range(4)]
    corners = corners_of(points, sides)
    corners = sorted_corners(corners)
    (xa, ya), (xb, yb) = corners[:2]
    angle = math.degrees(math.atan2(yb - ya, xb - xa))
    basis = tuple(f"{name}: {on}" + ("" if on == "view" else f", seen along {side.support:.0%}")
                  for name, on, side in zip(("top", "right", "bottom", "left"), found.rests, sides))
    return Frame(tuple(corners), angle, 0.9, basis, film_format)


def _to_view(points: np.ndarray, rests, w: int, h: int) -> list[tuple[float, float]]:
    """Corners (clockwise) whose sides that rest on the view lie along the view's border."""
    borders = ((0.0, -0.5, 1.0, 0.0), (w - 0.5, 0.0, 0.0, 1.0), (0.0, h - 0.5, 1.0, 0.0), (-0.5, 0.0, 0.0, 1.0))
    lines = []
    for i in range(4):
        if rests[i] == "view":
            lines.append(borders[i])
        else:
            (xa, ya), (xb, yb) = points[i], points[(i + 1) % 4]
            lines.append((xa, ya, xb - xa, yb - ya))
    corners = []
    for i in range(4):
        (xa, ya, ua, va), (xb, yb, ub, vb) = lines[i - 1], lines[i]
        s = ((xb - xa) * vb - (yb - ya) * ub) / (ua * vb - va * ub)
        corners.append((float(xa + s * ua), float(ya + s * va)))
    return corners


def sorted_corners(corners) -> list[tuple[float, float]]:
    """Clockwise corners, beginning with the top left one."""
    i = min(range(4), key=lambda j: corners[j][0] + corners[j][1])
    return list(corners[i:]) + list(corners[:i])


def _whole(w: int, h: int, film_format: str | None, why: str) -> Frame:
    return Frame.rectangle(0, 0, w, h, confidence=0.0, basis=("the whole view",), format=film_format, warnings=(why,))


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
