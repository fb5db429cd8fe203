"""The means the moves share: a small picture to solve on, its way back to full size, and strips.

Whatever is smooth is solved on the picture reduced to about `GRID` pixels, so that a proxy and the full-size picture get
the same treatment, and is brought back row by row while the full-size picture passes through the cache.
"""
from __future__ import annotations

import numpy as np

from ..parallel import over
from ..tone import MIDDLE_GREY

#: Pixels on the long side of the picture on which everything smooth is solved.
GRID = 750
#: Tones this many stops under middle grey are below any negative's base, and count as this dark.
DARKEST = -12.0
#: Light that counts in solving, four stops over white: a speck of dust is a hundred thousand times lighter than the
#: picture, and must not spread into its surroundings through a mean.
CEILING = 16.0
#: Luminance of linear sRGB (IEC 61966-2-1). It steers moves that then treat all channels alike.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
#: Rows a strip: some 50 microseconds an operation, and still within the cache.
ROWS = 32


def reduction(shape: tuple[int, ...]) -> int:
    """By how much a picture is reduced for solving."""
    return max(1, -(-max(shape[:2]) // GRID))


def luminance(linear: np.ndarray) -> np.ndarray:
    """float32 luminance of (h, w, 3), or of a grey picture, up to `CEILING`."""
    return np.minimum(linear if linear.ndim == 2 else linear @ LUMINANCE, np.float32(CEILING))


def stops_of(light: np.ndarray) -> np.ndarray:
    """Stops about middle grey, not under `DARKEST`."""
    out = np.maximum(light, np.float32(MIDDLE_GREY * 2.0 ** DARKEST))
    out *= np.float32(1 / MIDDLE_GREY)
    return np.log2(out, out=out)


def reduced(linear: np.ndarray, k: int, of=luminance) -> np.ndarray:
    """Means of `of(linear)` over k x k blocks; blocks at the right and lower edge may be smaller.

    Parameters
    ----------
    linear : ndarray float32 (h, w) or (h, w, 3)
    k : int
    of : function of some rows of `linear`, giving (n, w) or (n, w, C)

    Returns
    -------
    ndarray float32 (ceil(h / k), ceil(w / k)) or with C
    """
    h, w = linear.shape[:2]
    if k == 1:
        return np.array(of(linear), np.float32)
    probe = of(linear[:1])
    out = np.empty((-(-h // k), -(-w // k)) + probe.shape[2:], np.float32)
    heights, widths = (np.minimum(k, n - np.arange(0, n, k)).astype(np.float32) for n in (h, w))
    weight = (1 / (heights[:, None] * widths)).reshape(out.shape[:2] + (1,) * (out.ndim - 2))
    each = max(1, ROWS // k)

    def work(i0: int, i1: int) -> None:
        for i in range(i0, i1, each):
            part = of(linear[i * k:min(i + each, i1) * k])
            n = -(-len(part) // k)
            sums = np.zeros((n, out.shape[1] * k) + part.shape[2:], np.float32)
            for r in range(min(k, len(part))):
                rows = part[r::k]
                sums[:len(rows), :w] += rows
            total = out[i:i + n]
            total[...] = sums[:, ::k]
            for c in range(1, k):
                total += sums[:, c::k]
            total *= weight[i:i + n]

    in_strips(len(out), work, each * 8)
    return out


class Enlarged:
    """A small picture seen at full size, linear between block centres, some rows at a time.

    Parameters
    ----------
    small : ndarray float32 (ceil(h / k), ceil(w / k))
    shape : (int, int)
        Height and width at full size.
    k : int
    """

    def __init__(self, small: np.ndarray, shape: tuple[int, int], k: int) -> None:
        self.small, self.k = small, k
        (self.row, self.down), (self.column, self.right) = (_between(n, m, k) for n, m in zip(shape, small.shape))

    def rows(self, y0: int, y1: int) -> np.ndarray:
        """float32 (y1 - y0, w)"""
        if self.k == 1:
            return self.small[y0:y1]
        first, last = self.row[y0], min(self.row[y1 - 1] + 1, len(self.small) - 1)
        few = self.small[first:last + 1]
        wide = _mix(few.take(self.column, 1), few.take(np.minimum(self.column + 1, few.shape[1] - 1), 1), self.right)
        low = self.row[y0:y1] - first
        return _mix(wide[low], wide[np.minimum(low + 1, len(wide) - 1)], self.down[y0:y1, None])


def in_strips(height: int, work, rows: int = ROWS) -> None:
    """`work(y0, y1)` over 0..height, a few rows at a time, on two threads; an error in any strip is raised."""
    over(height, work, size=rows)


def scaled_by_stops(linear: np.ndarray, stops) -> np.ndarray:
    """A picture with each pixel multiplied by ``2 ** stops``; `stops(y0, y1, rows)` gives float32 (y1 - y0, w).

    Where it gives 0, not a bit of the picture changes.
    """
    out = np.empty_like(linear)

    def work(y0: int, y1: int) -> None:
        rows = linear[y0:y1]
        gain = np.exp2(stops(y0, y1, rows))
        np.multiply(rows, gain if linear.ndim == 2 else gain[..., None], out=out[y0:y1])

    in_strips(len(linear), work)
    return out


def box(values: np.ndarray, radius: float) -> np.ndarray:
    """Mean over a square of side ``2 * radius + 1``; the border repeats."""
    from scipy.ndimage import uniform_filter

    return uniform_filter(values, 2 * max(1, round(radius)) + 1, mode="nearest")


def guided(guide: np.ndarray, values: np.ndarray, radius: float, edge: float) -> tuple[np.ndarray, np.ndarray]:
    """The guided filter's linear model: the smoothed values are ``a * guide + b``.

    K. He, J. Sun and X. Tang, "Guided image filtering", IEEE TPAMI 35(6), 2013. Solved on a small picture and applied
    to a large guide it is the fast variant of K. He and J. Sun, arXiv:1505.00996, 2015.

    Parameters
    ----------
    guide, values : ndarray (h, w)
    radius : float
        Of the window, in pixels.
    edge : float
        A step of the guide this high, amid a window, is half kept.

    Returns
    -------
    a, b : ndarray float32 (h, w)
    """
    g, v = guide.astype(np.float64), values.astype(np.float64)
    mean_g, mean_v = box(g, radius), box(v, radius)
    spread = np.maximum(box(g * g, radius) - mean_g ** 2, 0)
    both = spread if guide is values else box(g * v, radius) - mean_g * mean_v
    a = both / (spread + edge * edge / 4)
    b = mean_v - a * mean_g
    return box(a, radius).astype(np.float32), box(b, radius).astype(np.float32)


def guided_stops(linear: np.ndarray, *, radius: float = 0.008, edge: float = 0.5):
    """A function that gives rows of a picture's tones: stops about grey, smooth within tones, sharp at edges.

    Parameters
    ----------
    linear : ndarray float32 (h, w) or (h, w, 3)
    radius : float
        Of the smoothing, in short sides.
    edge : float
        Height of a step that is half kept, in stops.
    """
    k = reduction(linear.shape)
    small = stops_of(reduced(linear, k))
    a, b = guided(small, small, radius * min(small.shape), edge)
    slope, level = Enlarged(a, linear.shape[:2], k), Enlarged(b, linear.shape[:2], k)

    def rows(y0: int, y1: int) -> np.ndarray:
        tone = stops_of(luminance(linear[y0:y1]))
        tone *= slope.rows(y0, y1)
        tone += level.rows(y0, y1)
        return tone

    return rows


def _between(full: int, small: int, k: int) -> tuple[np.ndarray, np.ndarray]:
    at = np.clip((np.arange(full) + 0.5) / k - 0.5, 0, small - 1)
    low = np.minimum(at.astype(int), max(small - 2, 0))
    return low, (at - low).astype(np.float32)


def _mix(left: np.ndarray, right: np.ndarray, share: np.ndarray) -> np.ndarray:
    right -= left
    right *= share
    right += left
    return right
