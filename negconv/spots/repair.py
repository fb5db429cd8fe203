"""`repair`: spots filled from their surroundings, with structure carried across and the film's own grain.

Each hole is filled with what lies around the places whose surroundings match the hole's own best, corrected by the
difference along the rim, carried inwards (copying by gradients, after Perez, Gangnet and Blake, "Poisson image
editing", ACM Trans. Graphics 22(3), 2003; the carrying by inverse distance rather than by solving the equation). An edge
that runs into the hole runs through it, because the best match lies along that edge; grain is real grain.
"""
from __future__ import annotations

from dataclasses import is_dataclass, replace

import numpy as np

from ..errors import InputError
from .components import connected
from .kinds import grouped

#: Pixels the mask is grown by before filling: the blur of the copying lens. Everything outside stays as it was.
GROW = 2
#: Share of the fill in the outermost grown pixel.
FEATHER = 0.6
#: Width of the surroundings that are matched, reach of the search, and side of the pieces a long spot is filled in.
RIM, REACH, PIECE = 5, 24, 20
#: Matches that are mixed, and how much of the best one's deviation from the mixture (its grain) is kept.
MATCHES, KEPT = 4, 0.9
#: Samples of the rim and of the hole at which matches are compared.
SAMPLES = 80
#: Filling works on asinh(linear * this): logarithmic in the lights, linear in the shadows, any sign.
TOE = 50.0


def repair(positive, spots, *, seed: int = 0):
    """Fill spots.

    Parameters
    ----------
    positive : Positive, or float array (h, w, 3) or (h, w)
        Scene-linear, before tone.
    spots : Spots, or bool array (h, w)
        What to fill. The mask is grown by two pixels (city-block distance); no pixel beyond changes.
    seed : int
        For grain where no match can be found.

    Returns
    -------
    Positive or ndarray
        As `positive`, repaired; the input is left as it is.

    Raises
    ------
    InputError
        If the mask has another size.

    Examples
    --------
    >>> light = np.full((60, 80), 0.18, np.float32)
    >>> light[30:33, 40:44] = 5.0
    >>> mask = light > 1
    >>> round(float(repair(light, mask)[31, 41]), 3)
    0.18
    """
    linear = positive.linear if hasattr(positive, "linear") else np.asarray(positive)
    mask = np.asarray(spots.labels if hasattr(spots, "labels") else spots) > 0
    if mask.shape != linear.shape[:2]:
        raise InputError("mask", f"is {mask.shape[1]} x {mask.shape[0]} pixels, the picture "
                         f"{linear.shape[1]} x {linear.shape[0]}", "give a mask of the picture's own size")
    out = np.array(linear, np.float32)
    planes = out if out.ndim == 3 else out[..., None]
    rng = np.random.default_rng(seed)
    index, share = _grown(mask)
    if len(index):
        known = np.ones(mask.shape, bool)
        known.reshape(-1)[index] = False
        part, _ = connected(index, mask.shape[1])
        where = np.arange(len(index))
        for _, members in grouped(where, part):
            y, x = index[members] // mask.shape[1], index[members] % mask.shape[1]
            for piece in _pieces(y, x):
                _fill(planes, known, y[piece], x[piece], share[members[piece]], rng)
    if is_dataclass(positive) and hasattr(positive, "linear"):
        return replace(positive, linear=out)
    return out


def _grown(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flat indices of the mask grown by `GROW` (city block), and the share of the fill in each of them."""
    h, w = mask.shape
    index = np.flatnonzero(mask)
    share = np.ones(len(index), np.float32)
    edge = index
    for step in range(1, GROW + 1):
        y, x = edge // w, edge % w
        near = np.unique(np.concatenate([edge[y > 0] - w, edge[y < h - 1] + w, edge[x > 0] - 1, edge[x < w - 1] + 1]))
        edge = np.setdiff1d(near, index, assume_unique=True)
        index = np.concatenate([index, edge])
        share = np.concatenate([share, np.full(len(edge), FEATHER if step == GROW else 1.0, np.float32)])
    order = np.argsort(index)
    return index[order], share[order]


def _pieces(y: np.ndarray, x: np.ndarray) -> list[np.ndarray]:
    """A part's pixels in pieces small enough to be filled in one go, along the part."""
    if max(np.ptp(y), np.ptp(x)) < 1.6 * PIECE:
        return [np.arange(len(y))]
    cell = (y - y.min()) // PIECE * 10000 + (x - x.min()) // PIECE
    return [members for _, members in grouped(np.arange(len(y)), cell)]


def _fill(planes, known, y, x, share, rng) -> None:
    """Fill one hole in place, and count it as known from then on."""
    height, width = known.shape
    reach = REACH + max(np.ptp(y), np.ptp(x)) // 2
    top, left = max(int(y.min()) - RIM - reach, 0), max(int(x.min()) - RIM - reach, 0)
    part = (slice(top, min(int(y.max()) + RIM + reach + 1, height)), slice(left, min(int(x.max()) + RIM + reach + 1, width)))
    light = np.arcsinh(planes[part] * np.float32(TOE))
    sure = known[part]
    h, w = sure.shape
    light = light.reshape(h * w, -1)
    sure = sure.reshape(-1)
    hy, hx = y - top, x - left
    hole = hy * w + hx

    y0, y1 = max(hy.min() - RIM, 0), min(hy.max() + RIM + 1, h)
    x0, x1 = max(hx.min() - RIM, 0), min(hx.max() + RIM + 1, w)
    ry, rx = (v.ravel() for v in np.mgrid[y0:y1, x0:x1])
    rim = ry * w + rx
    near = sure[rim]
    ry, rx, rim = ry[near], rx[near], rim[near]
    if not len(rim):
        return
    square = (hy[:, None] - ry) ** 2 + (hx[:, None] - rx) ** 2
    close = square.min(axis=0)
    inside = close <= RIM * RIM
    if not inside.any():
        return
    ry, rx, rim, square, close = ry[inside], rx[inside], rim[inside], square[:, inside], close[inside]
    carry = square.astype(np.float32) ** -1.5
    fill = _copied(light, sure, hole, rim, close, carry, (y0, y1, x0, x1), (h, w), reach)
    if fill is None:
        carry /= carry.sum(axis=1, keepdims=True)
        smooth = carry @ light[rim]
        rest = light[rim] - light[rim].mean(axis=0)
        fill = smooth + rng.standard_normal(smooth.shape) * 0.5 * np.median(np.abs(rest), axis=0)
    before = planes[y, x]
    planes[y, x] = before + share[:, None] * (np.sinh(fill).astype(np.float32) / np.float32(TOE) - before)
    known[y, x] = True


def _copied(light, sure, hole, rim, close, carry, box, shape, reach):
    """The hole's values from the best matches, or None where there are none."""
    h, w = shape
    y0, y1, x0, x1 = box
    grey = light.mean(axis=1)
    step = 3
    oy = np.arange(-min(reach, y0), min(reach, h - y1) + 1)
    ox = np.arange(-min(reach, x0), min(reach, w - x1) + 1)
    rim_at = rim[:: max(1, len(rim) // SAMPLES)]
    weight = 1 / (2.0 + close[:: max(1, len(rim) // SAMPLES)]).astype(np.float32)
    weight /= weight.sum()
    hole_at = hole[:: max(1, len(hole) // SAMPLES)]
    there = grey[rim_at]

    def costs(dy, dx):
        off = dy * w + dx
        good = sure[rim_at[None, :] + off[:, None]].all(axis=1)
        good[good] = sure[hole_at[None, :] + off[good][:, None]].all(axis=1)
        off, dy, dx = off[good], dy[good], dx[good]
        rest = grey[rim_at[None, :] + off[:, None]] - there
        mean = rest @ weight
        return (rest * rest) @ weight - 0.75 * mean * mean, off, dy, dx

    dy, dx = (v.ravel() for v in np.meshgrid(oy[::step], ox[::step], indexing="ij"))
    cost, off, dy, dx = costs(dy, dx)
    if not len(cost):
        return None
    best = np.argsort(cost)[:4]
    fy, fx = (v.ravel() for v in np.mgrid[-1:2, -1:2])
    ny, nx = (dy[best][:, None] + fy).ravel(), (dx[best][:, None] + fx).ravel()
    ok = (ny >= oy[0]) & (ny <= oy[-1]) & (nx >= ox[0]) & (nx <= ox[-1])
    more_cost, more_off, _, _ = costs(ny[ok], nx[ok])
    off, first = np.unique(np.concatenate([off, more_off]), return_index=True)
    cost = np.concatenate([cost, more_cost])[first]
    chosen = []
    for i in np.argsort(cost)[:4 * MATCHES]:
        if sure[hole + off[i]].all():
            chosen.append(i)
            if len(chosen) == MATCHES:
                break
    if not chosen:
        return None
    trust = np.exp(-(cost[chosen] - cost[chosen[0]]) / (0.3 * cost[chosen[0]] + 1e-6))
    trust /= trust.sum()
    fills = []
    for i in chosen:
        source = rim + off[i]
        weights = carry * sure[source]
        weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1e-12)
        fills.append(light[hole + off[i]] + weights @ (light[rim] - light[source]))
    mixed = sum(t * f for t, f in zip(trust, fills))
    return mixed + KEPT * (fills[0] - mixed)
