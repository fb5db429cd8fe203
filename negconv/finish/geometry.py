"""Straighten, turn, mirror, crop: where the picture's pixels come from.

`picture_cut` folds a frame's own position and everything the user asked for into one `Cut`, so that a capture is
resampled once. `straighten`, `crop` and `turn` do the same to a finished `Positive`, for work in a notebook.
"""
from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

import numpy as np

from ..resample import Cut, cut
from ..values import frozen
from .grid import reduced, stops_of

if TYPE_CHECKING:
    from ..positive import Positive

#: A rectangle may miss a whole pixel by this much and still count it: rounding, not picture.
SLACK = 1e-3


def picture_cut(corners, shape: tuple[int, int], *, own: float | None = None, turn: int = 0, mirror: bool = False,
                angle: float | None = None, level: float = 0.0, crop: tuple[float, float, float, float] | None = None,
                aspect: float | None = None, inset: float = 0.0, rebate: float = 0.0) -> Cut:
    """The cut that takes a frame out of a capture, as the user wants to see it.

    In this order: the frame at its own angle (or `angle`), `inset` or `rebate`, mirrored, turned, levelled, cropped,
    brought to an aspect. Whatever turns a rectangle keeps the largest one of its shape that lies inside.

    Parameters
    ----------
    corners : (4, 2) array_like
        Outer corners of the frame in capture pixels, clockwise from top left, pixel centres at integers (the corners
        of a whole W x H capture are -0.5, -0.5 and so on). A frame that is no rectangle gives the rectangle inside.
    shape : (int, int)
        Height and width of the capture.
    own : float or None
        The frame's own angle, degrees clockwise from level; None takes the mean of its top and bottom edge.
    turn : {0, 90, 180, 270}
        Degrees clockwise, after mirroring.
    mirror : bool
        Left and right exchanged.
    angle : float or None
        Direction of the picture's top edge in the capture, degrees clockwise from level; None takes the frame's.
    level : float
        A further turn of the picture as seen, degrees clockwise.
    crop : (x, y, w, h) or None
        The part to keep, as fractions of the picture as it then is.
    aspect : float or None
        Width to height of the part to keep.
    inset, rebate : float
        Cut off inside, and kept around the frame, in short sides. The border stops short of the capture's edge.

    Returns
    -------
    Cut
        Scale 1.

    Examples
    --------
    >>> whole = [(-0.5, -0.5), (99.5, -0.5), (99.5, 59.5), (-0.5, 59.5)]
    >>> picture_cut(whole, (60, 100), turn=90).shape
    (100, 60)
    """
    quad = np.asarray(corners, float)
    along = quad[1] - quad[0] + quad[2] - quad[3]
    own = math.atan2(along[1], along[0]) if own is None else math.radians(own)
    centre, size = _inside(quad, own)
    if angle is not None:
        size = _turned_inside(size, math.radians(angle) - own)
        own = math.radians(angle)
    ex, ey = np.array([math.cos(own), math.sin(own)]), np.array([-math.sin(own), math.cos(own)])
    short = size.min()
    size = np.maximum(size - 2 * inset * short, 1)
    if rebate:
        size = size + 2 * _border(centre, size, ex, ey, rebate * short, shape)

    if mirror:
        ex = -ex
    for _ in range(turn // 90):
        ex, ey, size = -ey, ex, size[::-1]
    if level:
        t = math.radians(level)
        size = _turned_inside(size, t)
        ex, ey = math.cos(t) * ex - math.sin(t) * ey, math.sin(t) * ex + math.cos(t) * ey
    if crop is not None:
        x, y, w, h = crop
        w, h = min(w, 1 - x), min(h, 1 - y)
        centre = centre + ex * size[0] * (x + w / 2 - 0.5) + ey * size[1] * (y + h / 2 - 0.5)
        size = size * (w, h)
    if aspect is not None:
        size = np.array([min(size[0], size[1] * aspect), min(size[1], size[0] / aspect)])
    w, h = (max(1, int(n + SLACK)) for n in size)
    origin = centre - ex * (w - 1) / 2 - ey * (h - 1) / 2
    return Cut(tuple((float(ex[i]), float(ey[i]), float(origin[i])) for i in range(2)), (h, w))


def _inside(quad: np.ndarray, angle: float) -> tuple[np.ndarray, np.ndarray]:
    """Centre and size of the rectangle at `angle` that the sides of a nearly rectangular quad leave."""
    axes = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    u, v = axes @ quad.T
    left, right = max(u[0], u[3]), min(u[1], u[2])
    top, bottom = max(v[0], v[1]), min(v[2], v[3])
    middle = np.array([(left + right) / 2, (top + bottom) / 2])
    return axes.T @ middle, np.maximum(np.array([right - left, bottom - top]), 1)


def _turned_inside(size: np.ndarray, turn: float) -> np.ndarray:
    """Size of the largest rectangle of the same shape and centre inside one turned against it by `turn` radians."""
    w, h = size
    c, s = abs(math.cos(turn)), abs(math.sin(turn))
    return size * min(w / (w * c + h * s), h / (w * s + h * c))


def _border(centre, size, ex, ey, wanted: float, shape: tuple[int, int]) -> float:
    """How far a rectangle may grow on all sides, up to `wanted`, without leaving the capture."""
    room = wanted
    for sx in (-1, 1):
        for sy in (-1, 1):
            corner = centre + sx * ex * size[0] / 2 + sy * ey * size[1] / 2
            out = sx * ex + sy * ey
            for i, n in enumerate((shape[1], shape[0])):
                if out[i] > 1e-9:
                    room = min(room, (n - 0.5 - corner[i]) / out[i])
                elif out[i] < -1e-9:
                    room = min(room, (-0.5 - corner[i]) / out[i])
    return max(0.0, room)


def straighten(positive: Positive, angle: float) -> Positive:
    """A positive turned clockwise by `angle` degrees, the largest picture of its shape inside kept.

    This resamples again; in a recipe `level` does the same with the capture's one resampling.
    """
    return _recut(positive, level=angle)


def turn(positive: Positive, degrees: int = 0, *, mirror: bool = False) -> Positive:
    """A positive turned clockwise by quarter turns, after exchanging left and right if asked; no resampling."""
    return _recut(positive, turn=degrees % 360, mirror=mirror)


def crop(positive: Positive, rect: tuple[float, float, float, float] | None = None, *, aspect: float | None = None,
         inset: float = 0.0) -> Positive:
    """Part of a positive, on whole pixels.

    Parameters
    ----------
    positive : Positive
    rect : (x, y, w, h) or None
        Fractions of the picture.
    aspect : float or None
        Width to height, as large as it fits.
    inset : float
        Cut off inside each edge first, in short sides.
    """
    return _recut(positive, crop=rect, aspect=aspect, inset=inset)


def _recut(positive: Positive, **geometry) -> Positive:
    h, w = positive.shape
    corners = [(-0.5, -0.5), (w - 0.5, -0.5), (w - 0.5, h - 0.5), (-0.5, h - 0.5)]
    where = picture_cut(corners, (h, w), **geometry)
    if not geometry.get("level"):
        whole = np.round(np.array(where.matrix)[:, 2] + 1e-6)
        where = Cut(tuple((*row[:2], float(o)) for row, o in zip(np.round(where.matrix).tolist(), whole)), where.shape)
    both = np.array(positive.to_capture) @ np.vstack([where.matrix, (0, 0, 1)])
    return replace(positive, linear=cut(positive.linear, where),
                   density=None if positive.density is None else cut(positive.density, where),
                   to_capture=tuple(tuple(map(float, row)) for row in both))


# ---- horizon --------------------------------------------------------------------------------------------------------

#: A horizon further from level than this is something else.
STEEPEST = 12.0
#: Confidence from which `level = "horizon"` is followed.
TRUSTED = 0.5


@frozen
class Horizon:
    """A near-level line found in a picture.

    Attributes
    ----------
    level : float
        The turn, in degrees clockwise, that makes it level.
    confidence : float
        0 to 1: share of the picture's width the line holds, less what the next best line at another angle holds.
    start, end : (x, y)
        Its ends as fractions of the picture.
    """

    level: float
    confidence: float
    start: tuple[float, float]
    end: tuple[float, float]

    def to_dict(self) -> dict:
        return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self).items()}

    @classmethod
    def from_dict(cls, values: dict) -> Horizon:
        return cls(values["level"], values["confidence"], tuple(values["start"]), tuple(values["end"]))


def find_horizon(linear: np.ndarray) -> Horizon | None:
    """The horizon of a picture, to be offered, not silently applied.

    Edges that are near level and run the same way (light over dark, or dark over light) vote for lines (R. O. Duda and
    P. E. Hart, "Use of the Hough transformation to detect lines and curves in pictures", CACM 15(1), 1972); the line
    held by most columns is then fitted to where the edge lies in each column.

    Parameters
    ----------
    linear : ndarray (h, w) or (h, w, 3)
        Scene-linear picture; anything over about 1500 pixels is reduced first.

    Returns
    -------
    Horizon or None
        None where no line holds a quarter of the width.
    """
    from scipy.ndimage import gaussian_filter

    k = max(1, -(-max(linear.shape[:2]) // 1500))
    tones = gaussian_filter(stops_of(reduced(linear, k)), 1.5)
    h, w = tones.shape
    if h < 24 or w < 48:
        return None
    slope = np.gradient(tones, axis=0)
    across = np.gradient(tones, axis=1)
    level = np.abs(across) < np.abs(slope) * math.tan(math.radians(STEEPEST + 6))
    # One edge a column and place: a maximum of the slope along the column.
    size = np.abs(slope)
    peak = np.zeros_like(level)
    peak[1:-1] = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:])
    floor = max(0.02, float(np.median(size)) * 2)
    margin = max(2, h // 50)
    peak[:margin] = peak[-margin:] = False
    ys, xs = np.nonzero(peak & level & (size > floor))
    if len(xs) < w // 4:
        return None
    sign = slope[ys, xs] > 0
    strength = np.minimum(size[ys, xs], np.percentile(size[ys, xs], 90)).astype(float)
    strength /= strength.max()

    best, votes = None, []
    for degrees in np.arange(-STEEPEST, STEEPEST + 0.01, 0.25):
        offset = ys - (xs - w / 2) * math.tan(math.radians(degrees))
        at = np.round(offset / 2).astype(int) + h
        count = [np.bincount(at[s], strength[s], 3 * h) for s in (sign, ~sign)]
        score = max((float((c + np.r_[c[1:], 0]).max()), int((c + np.r_[c[1:], 0]).argmax()), i) for i, c in enumerate(count))
        votes.append((score[0], degrees))
        if best is None or score[0] > best[0]:
            best = (score[0], degrees, (score[1] - h + 0.5) * 2, score[2] == 0)
    _, degrees, middle, rising = best
    line = _fit(xs[sign == rising], ys[sign == rising], slope, degrees, middle, w)
    if line is None:
        return None
    tangent, height, held, x0, x1 = line
    fitted = math.degrees(math.atan(tangent))
    other = max((v for v, d in votes if abs(d - degrees) > 2), default=0.0)
    lead = 1 - min(1.0, other / best[0])
    if held < 0.25 or abs(fitted) > STEEPEST:
        return None
    y = lambda x: height + tangent * (x - w / 2)  # noqa: E731
    return Horizon(-fitted, float(min(1.0, held) * min(1.0, 2 * lead)),
                   ((x0 + 0.5) / w, (y(x0) + 0.5) / h), ((x1 + 0.5) / w, (y(x1) + 0.5) / h))


def _fit(xs, ys, slope, degrees: float, middle: float, w: int):
    """Slope, height at the middle, share of columns held, first and last column of the line near a coarse one."""
    sub = ys.astype(float)
    before, here, after = (np.abs(slope[ys + d, xs]) for d in (-1, 0, 1))
    bend = before - 2 * here + after
    sub += np.where(bend < 0, np.clip(0.5 * (before - after) / np.minimum(bend, -1e-12), -0.5, 0.5), 0)
    tangent, height = math.tan(math.radians(degrees)), middle
    for reach in (6.0, 3.0, 2.0, 1.5, 1.5):
        near = np.abs(sub - height - tangent * (xs - w / 2)) < reach
        if near.sum() < max(12, w // 8):
            return None
        tangent, height = np.polyfit(xs[near] - w / 2, sub[near], 1)
    columns = np.unique(xs[near])
    return float(tangent), float(height), len(columns) / w, int(columns[0]), int(columns[-1])
