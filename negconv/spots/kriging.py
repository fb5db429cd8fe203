"""The likeliest light inside a hole, and detail as rough as what lies around it.

Kriging (Matheron, "Principles of geostatistics", Economic Geology 58, 1963): the best linear prediction of the pixels
of a hole from a ring of pixels around it, given how strongly light at one place goes with light at another. That
correlation is the picture's own, from a window around the hole, so that an edge or a row of tiles is carried across
along its own direction, and grain is averaged away where there is nothing else.

A prediction is smoother than the picture. What it lacks is taken from a place nearby, predicted in the same way and
subtracted from what is really there (conditional simulation: Journel and Huijbregts, *Mining Geostatistics*, 1978).
"""
from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..values import frozen
from . import compiled
from .grain import Grain

#: Width of the ring around a hole that it is predicted from.
RING = 8
#: Standard deviation of the weight for the local mean, which is taken from means of blocks.
LOCAL, BLOCK = 8.0, 4
#: Pixels of the ring that are used: all of the nearest, fewer further away. Above 100, LAPACK may start threads.
POINTS = 96
#: Share of white noise added to the variance: keeps the equations well conditioned.
NUGGET = 0.002
#: How channels differ from their mean is taken for noisier by the share of noise to the rest of it to this power: not at all
#: at the edge of a hue, much in what is grey. And the most that share may be: beyond, blotches of noise are left in the detail.
UNSURE, GREY = 3, 1.5
#: Places that are tried as a source of detail; the strength at which its fine part is put back, and the share of the grain's
#: coarse part: that costs most of what grain costs in error, and little of it is seen.
PLACES, STRENGTH, COARSE = 80, 0.97, 0.75
#: The most a source's detail is made stronger.
GAIN = 1.3
#: Fine detail beyond this many times its mean is an edge of the place it comes from, and cut.
MOST = 2.5
#: Filling works on asinh(linear * this): logarithmic in the lights, linear in the shadows, any sign.
TOE = 50.0
#: The prediction may leave the range of the ring by this share of the range.
BEYOND = 0.03
#: How far a pixel can be trusted: not at all, as the rim of dirt, wholly.
DIRT, RIM, CLEAR = 0, 1, 2


@frozen
class Size:
    """Of windows around holes.

    Attributes
    ----------
    window : int
        Side of the window the correlation is taken from.
    inner : int
        Side of the inner window, which must hold a hole and its ring.
    weight : float
        Standard deviation of the weight over the window.
    """

    window: int
    inner: int
    weight: float

    @property
    def margin(self) -> int:
        return (self.window - self.inner) // 2

    @property
    def span(self) -> int:
        """Lags along a side."""
        return 2 * self.inner - 1

    @property
    def zero(self) -> int:
        """Place of lag 0 in a table of all lags."""
        return (self.inner - 1) * (self.span + 1)

    @property
    def hole(self) -> int:
        """Extent of the largest hole that goes in."""
        return self.inner - 2 * RING - 2


#: Most dirt is small, and half of the window tells as much of it.
SMALL, LARGE = Size(72, 42, 27.0), Size(96, 56, 36.0)


def bent(linear: np.ndarray) -> np.ndarray:
    """Linear light on the scale the filling works on."""
    # asinh by a logarithm takes a fifth of the time, and what it loses near 0 lies far below a code value.
    # Dirt may be as bright as it likes.
    with np.errstate(over="ignore"):
        light = linear * np.float32(TOE)
    size = np.minimum(np.abs(light), np.float32(1e18))
    return np.copysign(np.log(np.sqrt(size * size + 1) + size), light)


def straight(light: np.ndarray) -> np.ndarray:
    """The inverse of `bent`."""
    return np.sinh(light) / np.float32(TOE)


def mean_of(values):
    """Means of the rows of (n, c): numpy's own along a short axis take ten times as long."""
    total = values[:, 0].copy()
    for c in range(1, values.shape[1]):
        total += values[:, c]
    return total / np.float32(values.shape[1])


def krige(planes: np.ndarray, trust: np.ndarray, holes, tint: np.ndarray, uneven: np.ndarray, use: np.ndarray, *, grain: Grain,
          size: Size = LARGE, seed: int = 0):
    """Fill holes.

    Parameters
    ----------
    planes : float32 array (h, w, c)
        Scene-linear.
    trust : uint8 array (h, w)
        `DIRT`, `RIM` or `CLEAR`.
    holes : list of int arrays
        Flat indices of the pixels of each, rim included; none larger than `size.hole`.
    tint, uneven, use : arrays (n, c), (n,), bool (n,)
        For each hole what dirt adds to its rim, the variance of that, and whether the rim is to be used at all.
    grain : Grain
        On the scale of `bent`.
    size : Size
        Of the windows.
    seed : int

    Returns
    -------
    list of ((n, c) float32 array, float), or None
        Linear light for each hole and the variance around it on the filling's scale; None where too little is known.
    """
    rng = np.random.default_rng(seed)
    count, colours = len(holes), planes.shape[2]
    # The pixels of all holes, one hole after the other.
    begin = np.cumsum([0] + [len(hole) for hole in holes])
    of = np.repeat(np.arange(count), np.diff(begin))
    place = np.stack(np.divmod(np.concatenate(holes), planes.shape[1]))
    corner = (np.minimum.reduceat(place, begin[:-1], axis=1) + np.maximum.reduceat(place, begin[:-1], axis=1) + 1) // 2
    corner -= size.window // 2
    y, x = place - corner[:, of]
    light, trust, mean, grey, rest = _surroundings(planes, trust, np.ascontiguousarray(corner.T), size)
    table, variance = _correlation(rest, size)
    uneven = (uneven / np.maximum(variance, 1e-12)).astype(np.float32)
    ring, ok, distance, near = _ring(trust, begin, y, x, use, size)
    offset = _sources(grey, trust, begin, y, x, ring, ok, distance, rng, size.window)
    rough, share, noise = _looks(light, trust, near, size)

    at = y * size.window + x
    each = np.arange(count + 1) * POINTS
    values, other, level = (_picked(v, each, p.reshape(-1)).reshape(count, POINTS, colours) for v, p in (
        (light, ring), (light, ring + np.where(ok, offset[:, None], 0)), (mean, ring)))
    rim = ok & (np.take_along_axis(trust.reshape(count, -1), ring, 1) == RIM)
    plain = ok & ~rim
    low, high, spread = _limits(values, level, plain)
    values *= ok[..., None]
    other *= ok[..., None]
    values -= rim[..., None] * tint[:, None]
    place = ring // size.window * size.span + ring % size.window
    diagonal = (1 + NUGGET + rim * uneven[:, None]).astype(np.float32)
    given = np.concatenate([values, other], axis=2)
    if colours == 1:
        solved, left = _solved(table, place, ok, diagonal, given, size)
    else:
        # What channels have in common is carried across; how they differ only as far as it is more than noise.
        common = np.stack([np.einsum("nc,npc->np", share, v) for v in (values, other)], axis=2)
        solved, left = (np.repeat(v, colours, axis=2) for v in _solved(table, place, ok, diagonal, common, size))
        more, shift = _solved(table, place, ok, diagonal + noise[:, None] ** UNSURE,
                              given - np.repeat(common, colours, axis=2), size)
        solved += more
        left += shift

    both = _predicted(table, y * size.span + x + size.zero, begin, place, solved)
    base, fill, rest = _put_together(both, left, low, high, mean, light, begin, of, at, offset)
    for i in np.flatnonzero(offset == 0).tolist():
        own = slice(begin[i], begin[i + 1])
        rest[own] = rng.standard_normal(rest[own].shape, dtype=np.float32) * grain.at("pixel", base[own])[:, None]
    coarse = np.add.reduceat(grain.at("coarse", base), begin[:-1]) / np.diff(begin)
    filled = straight(fill + _detail(rest, fill, begin, y, x, rough, coarse)).astype(np.float32)
    enough, spread = plain.sum(axis=1) >= 8, spread.tolist()
    return [(filled[begin[i]:begin[i + 1]], spread[i]) if enough[i] else None for i in range(count)]


def _limits(values, level, there):
    """Of the points (n, points, c) that are there the least and the greatest of value and level together, and a little beyond,
    two of (n, c); and the variance of the values, the mean of the channels, float64 (n,)."""
    n, points, colours = values.shape
    if compiled.loops:
        (low, high), spread = np.empty((2, n, colours), np.float32), np.empty(n)
        compiled.loops.limits(values, level, there, n, points, colours, BEYOND, low, high, spread)
        return low, high, spread
    both = values + level
    low = np.where(there[..., None], both, np.float32(np.inf)).min(axis=1)
    high = np.where(there[..., None], both, np.float32(-np.inf)).max(axis=1)
    with np.errstate(invalid="ignore"):  # where there are none
        more = np.float32(BEYOND) * (high - low)
        low, high = low - more, high + more
    number = np.maximum(there.sum(axis=1), 1)[:, None]
    part = values * there[..., None]
    rest = (part - (part.sum(axis=1) / number)[:, None]) * there[..., None]
    return low, high, ((rest * rest).sum(axis=1) / number).mean(axis=1)


def _predicted(table, lag, begin, place, solved):
    """Sums of the solutions, each weighted by its point's correlation with a pixel: (pixels, columns).

    `lag` is the place in the table of each pixel's lag to a point at 0; those of hole i are begin[i] .. begin[i + 1] - 1.
    """
    out = np.empty((len(lag), solved.shape[2]), np.float32)
    if compiled.loops:
        solved = np.ascontiguousarray(solved)
        compiled.loops.predicted(table, *table.shape, lag, begin, place, place.shape[1], solved, solved.shape[2], out)
        return out
    for i, (a, b) in enumerate(zip(begin[:-1], begin[1:])):
        out[a:b] = table[i].take(lag[a:b, None] - place[i]) @ solved[i]
    return out


def _put_together(both, left, low, high, mean, light, begin, of, at, offset):
    """Of the pixels of holes, at places in their windows, the mean of the channels' local means, (pixels,); what they are
    filled with, (pixels, c), within the limits (n, c); and what the prediction lacks of the place `offset` further on,
    (pixels, c).

    `both` (pixels, 2 c) are the predictions of either, less the means `left` (n, 1, 2 c)."""
    n, colours = low.shape
    if compiled.loops:
        base, (fill, rest) = np.empty(len(at), np.float32), np.empty((2, len(at), colours), np.float32)
        compiled.loops.put_together(both, np.ascontiguousarray(left), low, high, mean, light, n, colours, mean[0, 0].size,
                                    begin, at, offset, base, fill, rest)
        return base, fill, rest
    both = both + left[of, 0]
    base = _picked(mean, begin, at)
    fill = np.clip(base + both[:, :colours], low[of], high[of])
    return mean_of(base), fill, _picked(light, begin, at + offset[of]) - both[:, colours:]


def _solved(table, place, ok, diagonal, given, size):
    """Solutions for values given (n, POINTS, k), and the mean of each column (n, 1, k).

    The equations hold the correlations between the points of each hole, nothing for those that do not count. The mean of
    what the local mean leaves is not known to be 0: ordinary kriging.
    """
    n, points = place.shape
    if compiled.loops:
        # In singles: the white noise in the diagonal is a thousand times what rounding may add to it.
        given, solved = np.ascontiguousarray(given), np.empty(given.shape, np.float32)
        left = np.empty((n, 1, given.shape[2]), np.float32)
        compiled.loops.solve(table, *table.shape, place, points, size.zero, ok, diagonal, given, given.shape[2], solved, left)
        return solved, left
    right = np.concatenate([given, ok[..., None].astype(np.float32)], axis=2)
    matrix = np.take_along_axis(table, (place[:, :, None] - place[:, None] + size.zero).reshape(n, -1), 1)
    matrix = matrix.reshape(n, points, points).astype(float) * (ok[:, :, None] & ok[:, None])
    matrix[:, np.arange(points), np.arange(points)] = diagonal
    solved = np.linalg.solve(matrix, right).astype(np.float32, copy=False)
    weight, solved = solved[..., -1:], solved[..., :-1]
    left = solved.sum(axis=1, keepdims=True) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-6)
    return solved - weight * left, left


def _picked(values, begin, place):
    """Of planes (n, c, ...) the values at places begin[i] .. begin[i + 1] - 1 of window i: (pixels, c)."""
    n, colours = values.shape[:2]
    if compiled.loops:
        out = np.empty((len(place), colours), np.float32)
        compiled.loops.picked(values, n, colours, values[0, 0].size, begin, place, out)
        return out
    return values.reshape(n, colours, -1)[np.repeat(np.arange(n), np.diff(begin)), :, place]


def _looks(light, trust, near, size):
    """How rough each channel is near a hole, and of colour what share each has in what they have in common and how noisy the
    rest is (`_roughness`, `_colour`)."""
    n, colours = light.shape[:2]
    if compiled.loops:
        rough, share, noise = np.empty((n, colours), np.float32), np.empty((n, colours), np.float32), np.empty(n, np.float32)
        compiled.loops.looks(light, trust, near, n, colours, size.window, size.inner, GREY, rough, share, noise)
        return rough, share, noise
    inner = np.s_[..., size.margin:-size.margin, size.margin:-size.margin]
    clear = trust[inner] == CLEAR
    return _roughness(light[inner], clear, near), *(_colour(light[inner], clear) if colours > 1 else (None, None))


def _noise(light, clear):
    """Variance of the noise in each channel, by steps over two pixels: (n, c)."""
    noise = np.float32(0)
    for one, other in ((np.s_[..., 2:], np.s_[..., :-2]), (np.s_[..., 2:, :], np.s_[..., :-2, :])):
        both = clear[one] & clear[other]
        step = (light[one] - light[other]) * both[:, None]
        noise = noise + _squares(step) / np.maximum(4 * both.sum(axis=(1, 2)), 1)[:, None].astype(np.float32)
    return noise


def _colour(light, clear):
    """What share each channel has in what they have in common, the noisier the less: (n, c); and how noisy the rest is, as
    variance of noise over that of all else: (n,), at most GREY."""
    share = 1 / np.maximum(_noise(light, clear), np.float32(1e-9))
    share /= share.sum(axis=1, keepdims=True)
    rest = (light - np.einsum("nc,ncij->nij", share, light)[:, None]) * clear[:, None]
    known = np.maximum(clear.sum(axis=(1, 2)), 1)[:, None].astype(np.float32)
    spread = (_squares(rest) / known - (rest.sum(axis=(2, 3)) / known) ** 2).mean(axis=1)
    noise = _noise(rest, clear).mean(axis=1)
    return share, noise / np.maximum(spread - noise, noise / np.float32(GREY) + np.float32(1e-12))


def _squares(values):
    return np.einsum("ncij,ncij->nc", values, values)


def _surroundings(planes, trust, corner, size):
    """What lies in the windows from their corners (n, 2) on.

    Returns
    -------
    light : float32 array (n, c, window, window)
        What the local mean leaves of it.
    seen : uint8 array (n, window, window)
        `DIRT` (outside the picture as well), `RIM` or `CLEAR`.
    mean : float32 array (n, c, window, window)
        The local mean.
    grey, rest : float32 arrays (n, window, window)
        The mean of the channels before that is taken off, and after, where it is known.
    """
    if compiled.loops and planes.flags.c_contiguous:
        n, colours, side = len(corner), planes.shape[2], (size.window, size.window)
        light, mean, grey, rest = (np.empty((n, *of, *side), np.float32) for of in ((colours,), (colours,), (), ()))
        seen = np.empty((n, *side), np.uint8)
        compiled.loops.surroundings(planes, trust, *planes.shape, corner, n, size.window, BLOCK, TOE,
                                    np.ascontiguousarray(_bell(size).T), light, seen, mean, grey, rest)
        return light, seen, mean, grey, rest
    light, seen = _windows(planes, trust, corner, size)
    clear = seen == CLEAR
    mean = _local_mean(light * clear[:, None], clear, size)
    grey = _grey(light)
    light -= mean
    return light, seen, mean, grey, _grey(light) * clear


def _windows(planes, trust, corner, size):
    """Light (n, c, window, window) and trust in the windows from their corners on; outside the picture there is none."""
    height, width, colours = planes.shape
    light = np.zeros((len(corner), colours, size.window, size.window), np.float32)
    seen = np.zeros((len(corner), size.window, size.window), np.uint8)
    for i, (cy, cx) in enumerate(corner):
        y0, y1, x0, x1 = max(cy, 0), min(cy + size.window, height), max(cx, 0), min(cx + size.window, width)
        here = (slice(y0 - cy, y1 - cy), slice(x0 - cx, x1 - cx))
        light[(i, slice(None), *here)] = planes[y0:y1, x0:x1].transpose(2, 0, 1)
        seen[(i, *here)] = trust[y0:y1, x0:x1]
    np.copyto(light, 0, where=(seen == DIRT)[:, None])
    return bent(light), seen


@lru_cache(maxsize=4)
def _bell(size):
    """Weights of the blocks' means in the local mean, (window, blocks)."""
    centre = (np.arange(size.window // BLOCK) + 0.5) * BLOCK - 0.5
    return np.exp(-0.5 * ((np.arange(size.window)[:, None] - centre) / LOCAL) ** 2).astype(np.float32)


def _grey(light):
    """The mean of the channels."""
    total = light[:, 0].copy()
    for c in range(1, light.shape[1]):
        total += light[:, c]
    total *= np.float32(1 / light.shape[1])
    return total


def _local_mean(light, sure, size):
    """The mean of what is known around each pixel of the windows, (n, c, size.window, size.window)."""
    bell = _bell(size)
    mean, total = (bell @ _summed(v) @ bell.T for v in (light, sure.astype(np.float32)))
    mean /= total[:, None] + np.float32(1e-20)
    return mean


def _summed(values):
    """Sums over blocks of the last two axes."""
    tall = values[..., 0::BLOCK, :].copy()
    for i in range(1, BLOCK):
        tall += values[..., i::BLOCK, :]
    return sum(tall[..., i::BLOCK] for i in range(BLOCK))


def _correlation(grey, size):
    """Correlation over lags up to `size.inner`, 1 at lag 0: (n, size.span * size.span).

    The spectrum is a power and so never negative, which makes the equations solvable whatever the picture.
    """
    n, window, inner = len(grey), size.window, size.inner
    bell, total = _weight(size)
    if compiled.loops:
        table, square = np.empty((n, size.span ** 2), np.float32), np.empty(n, np.float32)
        compiled.loops.correlation(grey, n, window, inner, bell, table, square)
    else:
        spectrum = np.fft.rfft2((grey * (bell[:, None] * bell)).astype(float))
        cov = np.fft.irfft2(spectrum.real ** 2 + spectrum.imag ** 2, (window, window))
        lags = np.arange(1 - inner, inner)
        square = cov[:, 0, 0]
        table = (cov[:, lags[:, None], lags] / np.maximum(square, 1e-12)[:, None, None]).reshape(n, -1).astype(np.float32)
    return table, square / total


@lru_cache(maxsize=4)
def _weight(size):
    """The weight of a window's rows and columns, and the sum of the squares of that of all its pixels."""
    bell = np.exp(-0.5 * ((np.arange(size.window) - (size.window - 1) / 2) / size.weight) ** 2).astype(np.float32)
    return bell, np.sum((bell[:, None] * bell) ** 2)


def _distance(clear, hole):
    """Steps from each hole (n, inner, inner) in the inner window: 0 inside, 99 where it is too far to matter."""
    distance = np.where(hole, np.float32(0), np.float32(99))
    todo, grown = np.arange(len(clear)), hole
    for step in range(1, clear.shape[1]):
        wide = grown.copy()
        wide[:, 1:] |= grown[:, :-1]
        wide[:, :-1] |= grown[:, 1:]
        wide[:, :, 1:] |= grown[:, :, :-1]
        wide[:, :, :-1] |= grown[:, :, 1:]
        part = distance[todo]
        part[wide & ~grown] = step
        distance[todo] = part
        grown = wide
        if step >= RING:
            # A hole within a crowd has few known pixels near: look further for those.
            few = ((distance[todo] < 99) & clear[todo]).reshape(len(todo), -1).sum(axis=1) < POINTS // 2
            if not few.any():
                break
            todo, grown = todo[few], grown[few]
    return distance


def _ring(trust, begin, y, x, rim, size):
    """The pixels each hole is predicted from; `rim` (n,) says whether its rim is among them.

    Returns
    -------
    ring : int array (n, POINTS)
        Places in the window, rising.
    ok : bool array (n, POINTS)
        Which of them count.
    distance : float32 array (n, POINTS)
        From the dirt, in steps.
    near : uint8 array (n, inner, inner)
        Within `RING` steps of the hole.
    """
    n, side, margin = len(trust), size.inner, size.margin
    thin = _thinned(side)
    if compiled.loops:
        ring, ok, distance = (np.empty((n, POINTS), t) for t in (np.int64, bool, np.float32))
        near = np.empty((n, side, side), np.uint8)
        compiled.loops.ring(trust, n, size.window, side, RING, POINTS, POINTS // 2, begin, y, x, rim, thin, ring, ok, distance,
                            near)
        return ring, ok, distance, near
    trust = trust[:, margin:-margin, margin:-margin]
    hole = np.zeros(trust.shape, bool)
    hole[np.repeat(np.arange(n), np.diff(begin)), y - margin, x - margin] = True
    distance = _distance(trust == CLEAR, hole)
    near = (distance <= RING).astype(np.uint8)
    use = ((trust == CLEAR) | (trust == RIM) & rim[:, None, None]) & (distance < 99)
    distance += np.float32(2)
    # Of those equally near it is not the first row's that count: the far end of a long hole would be filled from nothing near it.
    apart = np.float32(1) + np.float32(0.01) * (thin - np.float32(1))
    order = np.where(use, distance * np.where((distance > 4) | (trust == RIM), thin, apart), np.float32(1e6)).reshape(n, -1)
    ring = np.sort(np.argsort(order, axis=1, kind="stable")[:, :POINTS], axis=1)
    ok = np.take_along_axis(order, ring, 1) < 1e6
    distance = np.take_along_axis(distance.reshape(n, -1), ring, 1)
    return (ring // side + margin) * size.window + ring % side + margin, ok, distance, near


@lru_cache(maxsize=4)
def _thinned(side):
    """By how much further away than it is each pixel of an inner window counts."""
    return 1 + 1.5 * np.random.default_rng(0).random((side, side), dtype=np.float32)


def _sources(grey, trust, begin, y, x, ring, ok, distance, rng, window):
    """Offset in the window to the place whose surroundings are most like each hole's; 0 where there is none."""
    reach = window // 2 - 8
    tries = rng.integers(-reach, reach + 1, (2 * PLACES, 2))
    tries = tries[(np.abs(tries) > 4).any(axis=1)]
    weight = ok / (1 + distance)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), np.float32(1e-9))
    out = np.zeros(len(grey), np.int64)
    if compiled.loops:
        compiled.loops.sources(grey, trust, len(grey), window, begin, y, x, ring, weight, ring.shape[1], tries, len(tries),
                               PLACES, out)
        return out
    for i in np.flatnonzero(ok.any(axis=1)).tolist():
        at, w, hy, hx = ring[i][ok[i]], weight[i][ok[i]], *(v[begin[i]:begin[i + 1]] for v in (y, x))
        ry, rx = at // window, at % window
        low = (-min(hy.min(), ry.min()), -min(hx.min(), rx.min()))
        high = (window - 1 - max(hy.max(), ry.max()), window - 1 - max(hx.max(), rx.max()))
        move = tries[((tries >= low) & (tries <= high)).all(axis=1)][:PLACES]
        step = move[:, 0] * window + move[:, 1]
        here, seen = grey[i].ravel(), trust[i].ravel() == CLEAR
        step = step[seen[hy * window + hx + step[:, None]].all(axis=1)]
        step = step[seen[at + step[:, None]].all(axis=1)]
        if not len(step):
            continue
        rest = here[at + step[:, None]] - here[at]
        mean = rest @ w
        out[i] = step[np.argmin((rest * rest) @ w - 0.75 * mean * mean)]
    return out


def _roughness(light, clear, near):
    """Mean absolute difference from the mean of 3 x 3 pixels, where all nine are clear and near a hole: (n, c)."""
    mean, all_clear = _boxed(light) / 9, _boxed(clear.astype(np.uint8)) == 9
    weight = (all_clear & near[:, 1:-1, 1:-1]).astype(np.float32)
    fine = np.abs(light[:, :, 1:-1, 1:-1] - mean)
    return np.einsum("ncij,nij->nc", fine, weight) / np.maximum(weight.sum(axis=(1, 2)), 1)[:, None]


def _boxed(values):
    """Sums over 3 x 3 pixels of the last two axes, of which the outermost pixels are lost."""
    tall = values[..., :-2, :] + values[..., 1:-1, :] + values[..., 2:, :]
    return tall[..., :-2] + tall[..., 1:-1] + tall[..., 2:]


def _detail(rest, fill, begin, y, x, rough, grain):
    """Detail from residuals: the fine part as rough as the surroundings, a share of the coarse as far as it is grain."""
    if compiled.loops:
        out = np.empty(rest.shape, np.float32)
        compiled.loops.detail(rest, fill, begin, y, x, *rough.shape, rough, grain.astype(float), COARSE, STRENGTH, MOST, GAIN,
                              out)
        return out
    return np.concatenate([_of_one(*(v[a:b] for v in (rest, fill, y, x)), *each)
                           for a, b, *each in zip(begin[:-1], begin[1:], rough, grain)])


def _of_one(rest, fill, y, x, rough, grain):
    """The same of one hole."""
    colours = rest.shape[1]
    y, x = y - y.min() + 1, x - x.min() + 1
    box = np.zeros((2 * colours + 1, y.max() + 2, x.max() + 2), np.float32)
    box[:colours, y, x], box[colours:-1, y, x], box[-1, y, x] = rest.T, fill.T, 1
    total = _boxed(box)[:, y - 1, x - 1].T
    mean = total[:, :-1] / total[:, -1:]
    coarse = mean[:, :colours]
    fine = rest - coarse
    size = np.abs(fine).mean(axis=0) + np.float32(1e-9)
    fine = np.clip(fine, -MOST * size, MOST * size)
    own = np.abs(fill - mean[:, colours:]).mean(axis=0)
    fine *= np.minimum(np.sqrt(np.maximum((STRENGTH * rough) ** 2 - own ** 2, 0)) / size, GAIN)
    size = np.sqrt(np.mean(coarse.mean(axis=1) ** 2))
    return fine + coarse * (COARSE * min(1.0, grain / max(size, 1e-9)))
