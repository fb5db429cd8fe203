"""A second look at candidates: the picture itself, which the numbers of `features` sum up and throw away.

Each is cut out at its own scale, and once more four times coarser with what lies around; a small net sees both.
"""
from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np

from ..values import frozen
from . import compiled, noise
from .company import COMPANY
from .components import greatest
from .features import NAMES

#: Side of a cut, and how much coarser the second one is.
SIDE, COARSER = 32, 4
#: Coarsest scale looked at.
COARSEST = 64
#: Candidates from this confidence on are looked at, and the most of them (the surest): a look costs 0.2 ms.
WORTH_A_LOOK, MOST = 0.2, 2000
#: Share of the look in the log odds, the rest is the trees'; and what is added to them, so that spots are listed from where
#: F1 is about best and clean frames stay clean.
SHARE, SHIFT = 0.5, -0.4
#: The most a look may make of what the trees give less than these log odds (0.82): of 1,200 such pieces on 80 frames of
#: photographs, and 200 on invented scenes, none that both thus believed in was picture.
ALONE, BACKED = 0.9, 1.5
#: Range of a cut in contrasts, grains to a unit in its second channel, and range of that; least contrast and grain in steps.
IN_CONTRAST, GRAINS, IN_GRAIN, FAINTEST, FINEST = 2.0, 6.0, 3.0, 20.0, 2.0
#: Range of the features, in standard deviations.
FAR = 4.0
#: Cuts that go through the net together.
BATCH = 64


def pyramid(plane: np.ndarray, most: int, *, threads: int = 1) -> dict[int, np.ndarray]:
    """The plane at scales 1, 2, 4 .. `most`, as far as there is anything left of it."""
    out, scale = {1: plane}, 1
    while scale < most and min(plane.shape) >= 4:
        plane, scale = noise.halved(plane, threads=threads), 2 * scale
        out[scale] = plane
    return out


def centres(index: np.ndarray, owner: np.ndarray, count: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Of each outline the pixel nearest to the middle of all: y and x, int arrays (count,)."""
    area = np.bincount(owner, minlength=count)
    y, x = index // width, index % width
    my, mx = (np.bincount(owner, v, count) / np.maximum(area, 1) for v in (y, x))
    away = (y - my[owner]) ** 2 + (x - mx[owner]) ** 2
    least = -greatest(-away, owner, count, least=-np.inf)
    first = np.flatnonzero(away == least[owner])[::-1]
    at = np.zeros(count, np.int64)
    at[owner[first]] = index[first]
    return at // width, at % width


def cuts(planes: dict[int, np.ndarray], index, owner, y, x, scale, coarser: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Cuts of the picture round candidates, and how much of each pixel their outlines cover.

    Parameters
    ----------
    planes : dict
        As `pyramid` returns them.
    index, owner : int arrays (n,)
        Outlines at full size.
    y, x, scale : int arrays (count,)
        Where, at full size, and the scale each candidate was found at.
    coarser : int

    Returns
    -------
    density : int16 array (count, SIDE, SIDE)
    cover : float32 array (count, SIDE, SIDE)
        0 to 1.
    """
    count, width = len(y), planes[1].shape[1]
    density = np.empty((count, SIDE, SIDE), np.int16)
    step = scale * coarser
    for s in np.unique(step).tolist():
        these = np.flatnonzero(step == s)
        plane = planes[min(s, max(planes))]
        top, left = y[these] // s - SIDE // 2, x[these] // s - SIDE // 2
        inside = (np.minimum(top, left) >= 0) & (top + SIDE <= plane.shape[0]) & (left + SIDE <= plane.shape[1])
        if inside.any():
            windows = np.lib.stride_tricks.sliding_window_view(plane, (SIDE, SIDE))
            density[these[inside]] = windows[top[inside], left[inside]]
        rows, columns = (np.clip(v[~inside, None] + np.arange(SIDE), 0, n - 1) for v, n in zip((top, left), plane.shape))
        density[these[~inside]] = plane[rows[:, :, None], columns[:, None, :]]
    if compiled.loops:
        cover = np.zeros((count, SIDE, SIDE), np.float32)
        index, owner, y, x, step = (np.ascontiguousarray(v, np.int64) for v in (index, owner, y, x, step))
        compiled.loops.covers(index, owner, len(index), width, y, x, step, count, SIDE, cover)
        return density, cover
    s = step[owner]
    v = (index // width) // s - (y // step)[owner] + SIDE // 2
    u = (index % width) // s - (x // step)[owner] + SIDE // 2
    inside = (v >= 0) & (v < SIDE) & (u >= 0) & (u < SIDE)
    key = (owner[inside] * SIDE + v[inside]) * SIDE + u[inside]
    cover = np.bincount(key, minlength=count * SIDE * SIDE).reshape(count, SIDE, SIDE).astype(np.float32)
    cover /= (step * step)[:, None, None]
    return density, cover


def in_units(density, cover, inside, contrast, grain) -> np.ndarray:
    """What the net sees of candidates, float32 (count, SIDE, SIDE, 3): density over the ground in contrasts, the same in
    grains, and the outline.

    Parameters
    ----------
    density, cover : arrays (count, SIDE, SIDE)
        As `cuts` returns them.
    inside, contrast, grain : arrays (count,)
        Mean density within each outline, how much that stands out, and the grain there, in steps.
    """
    contrast, grain = np.maximum(contrast, FAINTEST), np.maximum(grain, FINEST)
    out = np.empty((*density.shape, 3), np.float32)
    if compiled.loops:
        ground, per_contrast, per_grain = (v.astype(np.float32) for v in (inside - contrast, 1 / contrast, 1 / (GRAINS * grain)))
        compiled.loops.in_units(np.ascontiguousarray(density), np.ascontiguousarray(cover), len(density), density[0].size,
                                ground, per_contrast, per_grain, IN_CONTRAST, IN_GRAIN, out)
        return out
    above = density - (inside - contrast).astype(np.float32)[:, None, None]
    for k, (unit, most) in enumerate(((contrast, IN_CONTRAST), (GRAINS * grain, IN_GRAIN))):
        np.clip(above * (1 / unit).astype(np.float32)[:, None, None], -most, most, out=out[..., k])
    out[..., 2] = cover
    return out


def normal(values, middle, spread) -> np.ndarray:
    """Features in standard deviations, float32; what is not known is in the middle."""
    return np.clip(np.nan_to_num((values - middle) / spread), -FAR, FAR).astype(np.float32)


@frozen(eq=False)
class Net:
    """Two towers of convolutions over the cuts, a layer over the features, and two layers over what they say.

    Attributes
    ----------
    weights : dict of float32 arrays
        Of each layer: kernel (inputs, outputs), inputs of a convolution by row, column, channel; and what is added (outputs,).
    middle, spread : float32 arrays (features,)
        Of each feature where the net was fitted.
    """

    weights: dict[str, tuple[np.ndarray, np.ndarray]]
    middle: np.ndarray
    spread: np.ndarray

    def __call__(self, fine: np.ndarray, wide: np.ndarray, values: np.ndarray, *, threads: int = 1) -> np.ndarray:
        """Log odds (n,) of cuts (n, SIDE, SIDE, 3) and features (n, features)."""
        values = normal(values, self.middle, self.spread)
        out = np.empty(len(values), np.float32)

        def work(a: int, b: int) -> None:
            part = slice(a, b)
            picture = np.concatenate([self._tower("fine", fine[part]), self._tower("wide", wide[part])], axis=1)
            both = np.concatenate([self._layer("picture", picture), self._layer("features", values[part])], axis=1)
            kernel, add = self.weights["last"]
            out[part] = (self._layer("both", both) @ kernel + add)[:, 0]

        noise.over(threads, len(values), work, size=BATCH)
        return out

    def _tower(self, name: str, x: np.ndarray) -> np.ndarray:
        x = convolved(x, *self.weights[f"{name} 1"], step=2)
        x = convolved(x, *self.weights[f"{name} 2"], pool=True)
        return convolved(x, *self.weights[f"{name} 3"], pool=True).reshape(len(x), -1)

    def _layer(self, name: str, x: np.ndarray) -> np.ndarray:
        kernel, add = self.weights[name]
        return np.maximum(x @ kernel + add, 0)


def convolved(x: np.ndarray, kernel: np.ndarray, add: np.ndarray, *, step: int = 1, pool: bool = False) -> np.ndarray:
    """What is above nothing of a convolution, zeros around: (n, h, w, c) to (n, h / step, w / step, outputs), or the greatest
    of each 2 x 2 of that."""
    n, h, w, c = x.shape
    side = round((kernel.shape[0] / c) ** 0.5)
    if compiled.loops and kernel.shape[1] <= 32:
        apart = 2 * step if pool else step
        out = np.empty((n, h // apart, w // apart, kernel.shape[1]), np.float32)
        x, kernel, add = (np.ascontiguousarray(v, np.float32) for v in (x, kernel, add))
        compiled.loops.convolved(x, n, h, w, c, kernel, add, side, step, pool, kernel.shape[1], out)
        return out
    padded = np.zeros((n, h + side - 1, w + side - 1, c), np.float32)
    padded[:, side // 2:side // 2 + h, side // 2:side // 2 + w] = x
    a, b, d, e = padded.strides
    rows, columns = h // step, w // step
    # A row of a kernel lies together in memory: it is copied as one.
    windows = np.lib.stride_tricks.as_strided(padded, (n, rows, columns, side, side * c), (a, step * b, step * d, b, e))
    out = windows.reshape(n * rows * columns, -1) @ kernel
    out += add
    np.maximum(out, 0, out=out)
    out = out.reshape(n, rows, columns, -1)
    return pooled(out) if pool else out


def pooled(x: np.ndarray) -> np.ndarray:
    """The greatest of each 2 x 2."""
    x = np.maximum(x[:, ::2], x[:, 1::2])
    return np.maximum(x[:, :, ::2], x[:, :, 1::2])


LAYERS = ("fine 1", "fine 2", "fine 3", "wide 1", "wide 2", "wide 3", "picture", "features", "both", "last")


@lru_cache(maxsize=2)
def net(path: str | None = None) -> Net:
    """The net whose numbers are in look.npz (benchmarks/train_look.py makes them)."""
    with np.load(path or Path(__file__).with_name("look.npz")) as data:
        if tuple(data["features"].tolist()) != NAMES + COMPANY:
            raise ValueError("look.npz was made for other features; run benchmarks/train_look.py")
        weights = {k: tuple(data[f"{k}, {part}"].astype(np.float32) for part in ("kernel", "add")) for k in LAYERS}
        return Net(weights, data["middle"].astype(np.float32), data["spread"].astype(np.float32))


def odds(plane: np.ndarray, index, owner, scale, contrast, values, *, threads: int = 1) -> np.ndarray:
    """Log odds (count,) that candidates are dirt.

    Parameters
    ----------
    plane : int16 array (h, w)
    index, owner : int arrays (n,)
        Outlines at full size.
    scale, contrast : arrays (count,)
        The scale each was found at, and its density above what is around.
    values : float32 array (count, len(NAMES) + len(COMPANY))
        All that is known of each, by itself and among the others.
    """
    count = len(scale)
    if not count:
        return np.zeros(0, np.float32)
    y, x = centres(index, owner, count, plane.shape[1])
    contrast = contrast * noise.STEPS
    grain = contrast / np.exp(values[:, NAMES.index("contrast/grain")])
    inside = np.bincount(owner, plane.reshape(-1)[index], count) / np.maximum(np.bincount(owner, minlength=count), 1)
    planes = pyramid(plane, COARSEST)
    fine, wide = (in_units(*cuts(planes, index, owner, y, x, scale, c), inside, contrast, grain) for c in (1, COARSER))
    return net()(fine, wide, values, threads=threads)
