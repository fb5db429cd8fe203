"""Sides of pictures that show as a step too small for any pixel: the veil of a lens, on shadows as clear as rebate.

Flare lights all of a gate, so that even the darkest part of a picture is a little denser than the rebate beside it, by
less than the grain but all along its sides. Means over rows of pixels beside a line tell it.
"""
from __future__ import annotations

import numpy as np

#: Densities beyond these tell no more of a veil: print, dirt, stars.
CLEAREST, DENSEST = -0.02, 0.05
#: Rows on either side of a line that are compared, in all and close by, and pixels along it that are taken together.
DEEP, CLOSE, ALONG = 5, 2, 15
#: The least step that counts, and how many standard deviations of the noise left in a mean it must be; a step so many
#: times as large counts in full.
LEAST, SURELY, PLAIN = 0.0012, 2.5, 3.0
#: How far from a line it may be found again, in pixels, and by how much it may turn, in degrees.
REACH, TURNS = 4.0, 0.6


def veil_of(density: np.ndarray, film: np.ndarray) -> np.ndarray:
    """Density where it may be a veil's, float32 (H, W), 0 where no `film` is (bool)."""
    out = np.clip(density, np.float32(CLEAREST), np.float32(DENSEST))
    out *= film
    return out


def least_step(noise: float) -> float:
    """The least step that counts where single pixels have this standard deviation."""
    return max(LEAST, SURELY * noise * (2 / (DEEP * ALONG)) ** 0.5)


def rows_of(veil: np.ndarray, film: np.ndarray, noise: float) -> np.ndarray:
    """For every row, the step from the rows before it to those after, where film lies along much of all of them."""
    count = np.count_nonzero(film, axis=1)
    mean = veil.sum(axis=1) / np.maximum(count, 1)
    much = count > 0.6 * count.max(initial=1)
    sums, wide = (np.concatenate([[0.0], np.cumsum(v)]) for v in (mean, ~much))
    p = np.arange(DEEP, len(mean) - DEEP - 2)
    out = np.zeros(len(mean))
    out[p] = (sums[p + 2 + DEEP] - sums[p + 2] - sums[p] + sums[p - DEEP]) / DEEP
    out[p] *= wide[p + 2 + DEEP] == wide[p - DEEP]
    return np.maximum(out - least_step(noise) / 2, 0.0)


def along(veil: np.ndarray, film: np.ndarray, p: int, noise: float) -> np.ndarray:
    """How much speaks for a side, entered downwards at row `p`, at every place along it: -0.5 to 1; float (W,)."""
    if p < DEEP or p + 2 + DEEP > len(veil):
        return np.zeros(veil.shape[1])
    known = film[p - DEEP:p + 2 + DEEP].all(axis=0)
    some = np.concatenate([[0], np.cumsum(known)])
    low = np.clip(np.arange(veil.shape[1]) - ALONG // 2, 0, None)
    high = np.clip(low + ALONG, None, veil.shape[1])
    count = some[high] - some[low]
    # Close to the line the step is as large as further off, or it lies elsewhere.
    mean = np.inf
    for deep in (DEEP, CLOSE):
        step = (veil[p + 2:p + 2 + deep].mean(axis=0) - veil[p - deep:p].mean(axis=0)) * known
        sums = np.concatenate([[0.0], np.cumsum(step)])
        mean = np.minimum(mean, (sums[high] - sums[low]) / np.maximum(count, 1))
    least = least_step(noise)
    return np.clip((mean - least) / ((PLAIN - 1) * least), -0.5, 1.0) * (2 * count > ALONG)


def line(veil: np.ndarray, film: np.ndarray, at: float, low: int, high: int, noise: float):
    """A side close to row `at` from columns `low` to `high`: its offset downwards from there and its slope, in rows to
    half its length, places (n,) along it where it is seen, from -1 to 1, and the share of such; None for none."""
    size = (high - low) // ALONG
    first = int(round(at)) - int(REACH) - 3
    count = 2 * (int(REACH) + 3) + 1
    if size < 6 or first < DEEP or first + count + DEEP + 2 > len(veil):
        return None
    columns = slice(low, low + size * ALONG)
    rows = slice(first - DEEP, first + count + DEEP + 2)
    known = film[rows, columns].reshape(-1, size, ALONG).sum(axis=2)
    means = veil[rows, columns].reshape(-1, size, ALONG).sum(axis=2) / np.maximum(known, 1)
    sums = np.concatenate([np.zeros((1, size)), np.cumsum(means, axis=0)])
    p = np.arange(count) + DEEP
    least = least_step(noise)
    steps = np.minimum(*((sums[p + 2 + deep] - sums[p + 2] - sums[p] + sums[p - deep]) / deep
                         for deep in (DEEP, CLOSE)))
    steps = np.clip(steps, -2 * least, 2 * PLAIN * least) * (known.min(axis=0) * 2 > ALONG)
    s = (np.arange(size) + 0.5) * 2 / size - 1
    half = (high - low) / 2
    best = (0.0, 0.0, 0.0)
    column = np.arange(size)
    for slope in np.tan(np.radians(np.linspace(-TURNS, TURNS, 13))) * half:
        for offset in np.arange(-REACH, REACH + 0.01, 0.5):
            place = np.clip(offset + slope * s + at - first, 0, count - 1.001)
            i = place.astype(int)
            value = steps[i, column] * (1 - place + i) + steps[i + 1, column] * (place - i)
            total = float(value.mean()) - 0.1 * least * (abs(slope) / half / 0.0105 + abs(offset) / REACH)
            if total > best[0]:
                best = (total, float(offset), float(slope))
    total, offset, slope = best
    if total < least / 2:
        return None
    i = np.clip(np.rint(offset + slope * s + at - first), 0, count - 1).astype(int)
    seen = steps[i, column] > least
    return offset + 0.5, slope, s[seen], float(seen.mean())
