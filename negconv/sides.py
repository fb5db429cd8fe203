"""The sides of a picture to a fraction of a pixel.

Across each side, profiles of density are read at many places; each gives the point where density has risen half way
from rebate to picture. A line, bent where the lens bends it, is put through the points, and what lies off it (edge
print, dust, clear shadows) loses its say.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Side:
    """One side: ``offset + slope * s + bend * (s * s - 1)`` across, for s from -1 to 1 along it.

    Attributes
    ----------
    support : float
        Share of the places along it where the edge was seen where the line has it.
    reach : float
        From the first to the last such place, as a share of the side.
    scatter : float
        Robust deviation of those, in pixels.
    """

    offset: float
    slope: float
    bend: float
    support: float
    reach: float
    scatter: float

    def at(self, s):
        """Pixels into the picture at places `s`."""
        return self.offset + self.slope * s + self.bend * (s * s - 1)


def sample(plane: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Bilinear values of (h, w) or (h, w, C) at points; the border is repeated."""
    h, w = plane.shape[:2]
    x, y = np.clip(x, 0, w - 1.001), np.clip(y, 0, h - 1.001)
    ix, iy = x.astype(np.intp), y.astype(np.intp)
    fx, fy = (x - ix).astype(np.float32), (y - iy).astype(np.float32)
    if plane.ndim == 3:
        fx, fy = fx[..., None], fy[..., None]
    upper = plane[iy, ix] * (1 - fx) + plane[iy, ix + 1] * fx
    lower = plane[iy + 1, ix] * (1 - fx) + plane[iy + 1, ix + 1] * fx
    return upper * (1 - fy) + lower * fy


def profiles(density, start, end, side: Side, across: np.ndarray) -> np.ndarray:
    """Density at distances `across` from a side, into the picture, at many places along it; float (places, n)."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    s = np.linspace(-0.95, 0.95, 80)
    at = across[None, :] + side.at(s)[:, None]
    middle = (start + end) / 2
    return density(middle[0] + along[0] * s[:, None] * length / 2 + inward[0] * at,
                   middle[1] + along[1] * s[:, None] * length / 2 + inward[1] * at)[0]


def overhang(density, start, end, side: Side, slope: float, reach: float, noise: float) -> float:
    """How far, in pixels, the picture reaches out over a side: its content cannot lie outside it, whatever its outline.

    Measured against a line through the side's middle with `slope`; 0 where nothing hangs over, and where what does goes
    on to the end of `reach` (another picture, print, dirt). Positive outwards.
    """
    across = np.arange(-reach, 4.01, 0.5)
    straight = Side(side.offset, slope, side.bend, 0.0, 0.0, 0.0)
    profile = profiles(density, start, end, straight, across)
    inside = profile[:, -4:].mean(axis=1)
    within = profile >= 0.5 * inside[:, None]
    # The last place, coming from inside, that is still half as dense as the inside.
    runs = np.logical_and.accumulate(within[:, ::-1], axis=1).sum(axis=1)
    out = -across[np.clip(len(across) - runs, 0, len(across) - 1)]
    out[(inside < 0.06 + 3 * noise) | (runs >= len(across))] = 0.0
    # Dirt and print are short.
    lasting = np.sort(np.stack([out[:-2], out[1:-1], out[2:]]), axis=0)[0]
    return float(max(lasting.max(), 0.0))


def refine(density, start, end, *, rests: str, reach: float, noise: float,
           beyond: Side | None = None) -> Side:
    """One side found again in the finer picture.

    Parameters
    ----------
    density : callable (x, y) -> density above base at those points, and bool: inside the view
    start, end : (x, y)
        Where the side is now, going clockwise round the picture.
    rests : {"rebate", "holder", "view"}
    reach : float
        How far to look on both sides, in pixels.
    noise : float
    beyond : Side, optional
        Given, the side is looked for only inwards from there.

    Returns
    -------
    Side
        Offsets in pixels, positive into the picture.
    """
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.hypot(*(end - start)))
    if rests == "view" or length < 12:
        return Side(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    places = int(np.clip(length / 3, 40, 320))
    s = np.linspace(-0.985, 0.985, places)
    step = 0.5
    across = np.arange(-reach, reach + step / 2, step)
    middle = (start + end) / 2
    from_ = Side(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if beyond is not None:
        from_ = beyond
        across = np.arange(0, reach + step / 2, step)
    at = across[None, :] + from_.at(s)[:, None]
    px = middle[0] + along[0] * s[:, None] * length / 2 + inward[0] * at
    py = middle[1] + along[1] * s[:, None] * length / 2 + inward[1] * at
    profile, seen = density(px, py)
    if rests == "holder":
        profile = -np.clip(profile, 0.0, 3.0)       # light grows inwards
        least = 0.25
    else:
        profile = np.clip(profile, 0.0, 0.6)
        least = 0.02 + 2 * noise
    offset, slope, bend = 0.0, 0.0, 0.0
    window = reach
    support = span = scatter = 0.0
    for turn in range(5):
        guess = offset + slope * s + bend * (s * s - 1)
        at, strength = _crossings(profile, across, guess, window, least)
        # A place speaks once it rises by the least step; beyond four times that, none speaks louder.
        weight = np.clip(strength / (4 * least), 0, 1) * (strength > least) * seen.mean(axis=1)
        if (weight > 0).sum() < max(6, 0.03 * places):
            return replace(from_, support=0.0, reach=0.0, scatter=0.0)
        if turn == 0:
            offset = _weighted_mode(at, weight, 1.0)
            window = max(reach * 0.6, 3.0)
            continue
        fit = None
        for _ in range(6):
            rest = at - (offset + slope * s + bend * (s * s - 1))
            scatter = max(1.4826 * float(_weighted_median(np.abs(rest), weight)), 0.15)
            scale = min(max(3.0 * scatter, 0.6), 2.5)
            use = weight / (1 + (rest / (0.5 * scale)) ** 2) * (np.abs(rest) < 2 * scale)
            good = use > 0
            spread = np.ptp(s[good]) if good.any() else 0
            terms = np.stack([np.ones_like(s), s, s * s - 1], axis=1)
            # Too little of the side in view: the slope, and even more the bend, stay near what they were.
            many = use.sum()
            pull = np.array([0.0, 0.6 / max(spread, 0.1) ** 2, 1.5 / max(spread, 0.1) ** 4]) * (1 + 0.02 * places)
            if spread < 1.2 or turn < 2:
                pull[2] = 1e6
            a = (terms * use[:, None]).T @ terms + np.diag(pull + 1e-9)
            fit = np.linalg.solve(a, (terms * use[:, None]).T @ at)
            offset, slope, bend = map(float, fit)
            if many < 3:
                break
        window = 3.0 if turn >= 2 else max(reach * 0.4, 3.0)
    rest = np.abs(at - (offset + slope * s + bend * (s * s - 1)))
    close = (rest < max(1.0, 2.5 * scatter)) & (weight > 0.05)
    support = float(close.mean())
    if close.any():
        span = float(np.ptp(s[close]) / 2)
    return Side(from_.offset + offset, from_.slope + slope, from_.bend + bend, support, span, scatter)


def _crossings(profile, across, guess, window, least):
    """Where every profile has risen half way, searched within `window` of `guess`: positions and the rise."""
    low = np.abs(across[None, :] - guess[:, None]) <= window
    n = profile.shape[1]
    steep = np.zeros_like(profile)
    steep[:, 2:-2] = profile[:, 4:] - profile[:, :-4]
    steep[~low] = -1
    best = steep.argmax(axis=1)
    rows = np.arange(len(profile))
    lo, hi = np.clip(best - 6, 0, n - 1), np.clip(best + 6, 0, n - 1)
    before, after = profile[rows, lo], profile[rows, hi]
    half = (before + after) / 2
    index = np.arange(n)[None, :]
    inside = (index >= lo[:, None]) & (index < hi[:, None])
    up = (profile[:, :-1] <= half[:, None]) & (profile[:, 1:] > half[:, None]) & inside[:, :-1]
    first = np.abs(np.where(up, index[:, :-1] - best[:, None] + 0.0, 1e6)).argmin(axis=1)
    a, b = profile[rows, first], profile[rows, first + 1]
    share = np.clip((half - a) / np.maximum(b - a, 1e-6), 0, 1)
    step = across[1] - across[0]
    rise = np.where(up[rows, first], after - before, 0.0)
    return across[first] + share * step, np.maximum(rise, 0)


def _weighted_median(values, weight):
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return values[order][np.searchsorted(total, total[-1] / 2)]


def _weighted_mode(values, weight, width):
    bins = np.bincount(((values - values.min()) / (width / 2)).astype(int), weight)
    sums = np.convolve(bins, (1, 2, 1), "same")
    return float(values.min() + (sums.argmax() + 0.5) * width / 2)


def corners_of(points, sides) -> list[tuple[float, float]]:
    """Where the four sides (top, right, bottom, left) meet, from the corners they were measured from (clockwise)."""
    points = [np.asarray(p, float) for p in points]
    frames = []
    for i in range(4):
        start, end = points[i], points[(i + 1) % 4]
        length = np.hypot(*(end - start))
        along = (end - start) / length
        frames.append(((start + end) / 2, along, np.array([-along[1], along[0]]), length))

    def line(i, s):
        middle, along, inward, length = frames[i]
        side = sides[i]
        point = middle + along * s * length / 2 + inward * side.at(s)
        tangent = along * length / 2 + inward * (side.slope + 2 * side.bend * s)
        return point, tangent

    out = []
    for i in range(4):
        before = (i - 1) % 4
        p, q = 1.0, -1.0
        for _ in range(4):
            (a, ta), (b, tb) = line(before, p), line(i, q)
            dp, dq = np.linalg.solve(np.stack([ta, -tb], axis=1), b - a)
            p, q = p + dp, q + dq
        out.append(tuple(map(float, line(i, q)[0])))
    return out
