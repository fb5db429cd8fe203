"""`Frame`: where a picture lies in a capture, and the formats of film."""
from __future__ import annotations

import math

import numpy as np

from .values import frozen

#: Below this confidence a frame is not trusted and the whole gate is used in its place.
TRUSTED = 0.3
#: Degrees by which two directions written to a file may differ and be one.
SAME = 1e-4


@frozen
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


@frozen
class Frame:
    """One picture on film, as it lies in a capture.

    Attributes
    ----------
    corners : ((x, y), ...) four of them
        Outer corners of the picture, clockwise from the one at the top left of the capture; pixel centres at integers.
    angle : float
        Degrees, direction of the top edge with y down: the picture must be turned back by it. Of a picture whose top or
        bottom the holder or the view cuts, that of its own sides.
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
    def direction(self) -> float:
        """Degrees by which the picture is turned: top and bottom edge in the mean, for it may be seen at a slant; its
        angle where that is not the top edge's, since one of the two is no edge of the picture then."""
        a, b, c, d = (np.array(p) for p in self.corners)
        top, both = (math.degrees(math.atan2(y, x)) for x, y in (b - a, b - a + c - d))
        return both if abs(self.angle - top) < SAME else self.angle

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


def sorted_corners(corners) -> list[tuple[float, float]]:
    """Clockwise corners, beginning with the top left one."""
    i = min(range(4), key=lambda j: corners[j][0] + corners[j][1])
    return list(corners[i:]) + list(corners[:i])


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
    mask = np.zeros(shape, bool)
    x, y = np.arange(shape[1], dtype=np.int32), np.arange(shape[0])
    for frame in [frames] if isinstance(frames, Frame) else frames:
        small = frame.reduced(reduced)
        margin = inset * min(small.size)
        # Of each row, what lies inside all four sides is one run of pixels.
        first, last = np.full(shape[0], -1.0), np.full(shape[0], float(shape[1]))
        for (xa, ya), (xb, yb) in zip(small.corners, small.corners[1:] + small.corners[:1]):
            dx, dy = xb - xa, yb - ya
            room = dx * (y - ya) + dy * xa - margin * (math.hypot(dx, dy) or 1.0)  # x dy may be this at most
            if dy > 0:
                np.minimum(last, np.floor(room / dy), out=last)
            elif dy < 0:
                np.maximum(first, np.ceil(room / dy), out=first)
            else:
                last[room < 0] = -1.0
        first, last = (np.clip(v, -1, shape[1]).astype(np.int32)[:, None] for v in (first, last))
        mask |= (x >= first) & (x <= last)
    return mask
