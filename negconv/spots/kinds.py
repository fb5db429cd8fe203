"""What a spot is, from its outline."""
from __future__ import annotations


import numpy as np

from ..values import frozen
from . import compiled

#: How many times as long as wide a fibre or a scratch is at least, and how many pixels long.
SLENDER, SHORTEST = 4, 8


@frozen(eq=False)
class Shapes:
    """Shape measurements of many parts at once; arrays (n,) unless said."""

    area: np.ndarray
    x: np.ndarray
    y: np.ndarray
    box: np.ndarray        # (n, 4) x, y, w, h
    length: np.ndarray     # along the part, from its outline
    width: np.ndarray      # mean across
    long_axis: np.ndarray  # full axes of the ellipse with the same moments
    short_axis: np.ndarray
    angle: np.ndarray      # radians, of the long axis
    edge: np.ndarray       # pixel sides that face the outside


def shapes(index: np.ndarray, part: np.ndarray, count: int, width: int) -> Shapes:
    """Measure parts.

    Parameters
    ----------
    index : int array (n,)
        Flat indices of the parts' pixels below 2^31, those of each part rising.
    part : int array (n,)
        Part of each pixel, 0 .. count - 1.
    count, width : int

    Notes
    -----
    Length and width follow from area A and perimeter P as the sides of the rectangle that has both:
    ``P / 4 + sqrt(P^2 / 16 - A)``. It holds for curved strips too, where a bounding box or moments do not.
    Counted pixel sides make a slanted outline longer than it is by up to sqrt 2; the mean factor is 4 / pi
    (Crofton's formula for the square grid).
    """
    area, cx, cy, xx, yy, xy, x0, y0, x1, y1, shared = _forms(index, part, count, width)
    safe = np.maximum(area, 1)
    xx, yy, xy = xx / safe + 1 / 12, yy / safe + 1 / 12, xy / safe
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    area = area.astype(np.int64)
    box = np.where(area[:, None] > 0, np.stack([x0, y0, x1 - x0 + 1, y1 - y0 + 1], axis=1), 0).astype(np.int64)
    edge = (4 * area - 2 * shared).astype(np.int64)
    outline = edge * (np.pi / 4)
    root = np.sqrt(np.maximum(outline ** 2 / 16 - area, 0))
    length = np.maximum(outline / 4 + root, 4 * np.sqrt(mean + half) * 0.87)
    return Shapes(area, cx, cy, box, length, area / np.maximum(length, 1), 4 * np.sqrt(mean + half),
                  4 * np.sqrt(np.maximum(mean - half, 1 / 12)), np.arctan2(2 * xy, xx - yy) / 2, edge)


def bounds(index, part, count: int, width: int) -> np.ndarray:
    """Least x and y and greatest x and y of each part, float64 (4, count); pixels in any order."""
    return _forms(index, part, count, width)[6:10]


def _forms(index, part, count: int, width: int) -> np.ndarray:
    """Of each part: pixels, mean x and y, sums of squares and products about it, least and greatest x and y, and pairs of
    its pixels side by side; float64 (11, count)."""
    if compiled.loops:
        out = np.zeros((count, 11))
        index, part = np.ascontiguousarray(index, np.int32), np.ascontiguousarray(part, np.int32)
        compiled.loops.form(index, part, len(index), count, width, out)
        return out.T
    y, x = index // width, index % width
    area = np.bincount(part, minlength=count)
    safe, first = np.maximum(area, 1), np.zeros(count, np.int64)
    first[part[::-1]] = index[::-1]
    dx, dy = x - first[part] % width, y - first[part] // width
    sx, sy, xx, yy, xy = (np.bincount(part, v, count) for v in (dx, dy, dx * dx, dy * dy, dx * dy))
    cx, cy = (sx + area * (first % width)) / safe, (sy + area * (first // width)) / safe
    low, high = np.full((2, count), np.inf), np.full((2, count), -1.0)
    for k, v in enumerate((x, y)):
        np.minimum.at(low[k], part, v)
        np.maximum.at(high[k], part, v)
    # Each part on a sheet of its own.
    key = index + part.astype(np.int64) * (int(index.max(initial=0)) + width + 1)
    right, down = (np.isin(key + step, key) for step in (1, width))
    right &= x < width - 1
    shared = np.bincount(part[right], minlength=count) + np.bincount(part[down], minlength=count)
    return np.stack([area, cx, cy, xx - sx * sx / safe, yy - sy * sy / safe, xy - sx * sy / safe, *low, *high, shared])


def slender(shape: Shapes) -> np.ndarray:
    """Which parts are fibres or scratches, if they are not faint and bent; bool array."""
    return (shape.length >= SLENDER * np.maximum(shape.width, 1)) & (shape.length >= SHORTEST)


def kinds(shape: Shapes, light: np.ndarray, contrast: np.ndarray | None = None) -> list[str]:
    """The kind of each part: speck, fibre, scratch or drying mark.

    A fibre is at least four times as long as wide. A scratch is one that is straight: its ellipse is so slender that
    the strip cannot bend. Dark strips are scratches, since what lies on the film is light. A drying mark is
    large, faint and open: a ring or a tide line, whose pixels fill little of its box.
    """
    strip = slender(shape)
    reach = np.maximum(np.hypot(shape.box[:, 2], shape.box[:, 3]), 1)
    straight = shape.long_axis / np.maximum(shape.short_axis, 1e-9)
    spread = shape.short_axis / np.maximum(shape.width, 1)
    out = []
    for i in range(len(shape.area)):
        faint = contrast is not None and contrast[i] < 0.12
        if strip[i]:
            scratch = not light[i] or (straight[i] >= 12 and spread[i] < 2.2 and reach[i] >= 40)
            if faint and light[i] and not scratch and straight[i] < 3 and reach[i] >= 25:
                out.append("drying mark")
            else:
                out.append("scratch" if scratch else "fibre")
        elif faint and shape.area[i] > 400:
            out.append("drying mark")
        else:
            out.append("speck")
    return out


def spot_rows(shape: Shapes, light, confidence, pixel_um, *, first: int = 1, doubtful: bool = False,
              source: str = "found", contrast=None) -> list:
    """`Spot` rows of measured parts, numbered from `first` in the parts' order."""
    from .table import Spot

    kind = kinds(shape, light, contrast)
    um = None if not pixel_um else float(pixel_um)
    return [Spot(first + i, round(float(shape.x[i]), 2), round(float(shape.y[i]), 2), int(shape.area[i]),
                 round(float(shape.length[i]), 1), round(float(shape.width[i]), 1),
                 None if um is None else round(float(shape.length[i]) * um, 1),
                 None if um is None else round(float(shape.width[i]) * um, 1),
                 tuple(int(v) for v in shape.box[i]), kind[i], bool(light[i]), round(float(confidence[i]), 3),
                 doubtful, source) for i in range(len(shape.area))]


def grouped(index: np.ndarray, label: np.ndarray):
    """Pairs of a label and the indices that carry it, labels rising."""
    order = np.argsort(label, kind="stable")
    values, starts = np.unique(label[order], return_index=True)
    return list(zip(values.tolist(), np.split(index[order], starts[1:])))
