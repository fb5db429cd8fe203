"""Regenerates the constants of the generic colour film (negconv/generic.py) over invented spectral worlds.

Each world is a stock, a panel and a camera drawn at random, and a scene photographed in it (tests/spectral.py; stocks,
panels, cameras and scenes that the tests hold back are drawn with other numbers). A film is 18 values: unmixing,
gammas, toe, matrix, and where red and blue start. Each value is linear in 14 features of the camera's matrix and of the
scene's densities, so that what is seen of a roll adapts the film to it. The coefficients minimise the CIELAB error
(chroma weighted less, as in CIE94) of 48 reflectances in every world, absolute error over worlds, by damped
Gauss-Newton with a ridge; greys are held grey by the mean slope, as the balance does later.

Prints the constants and the mean CIEDE2000 over the worlds of the fit and over others. Some minutes on one core.
"""
from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
# In place of this folder, where `import colour` would find a benchmark and not colour-science.
sys.path[:1] = [str(ROOT), str(ROOT / "tests")]

import spectral  # noqa: E402

from negconv import balance, colour, generic  # noqa: E402
from negconv.capture import Meta  # noqa: E402
from negconv.film import DENSEST, THINNEST, Film  # noqa: E402

PATCHES = np.concatenate([spectral.reflectances("babel_average"), spectral.reflectances("PMC")[:24]])
GREYS = np.arange(18, 24)
OFF = ~np.eye(3, dtype=bool)
#: CIELAB units that a grey's slope off by a factor e in one layer is worth.
TILT = 8.0
TO_XYZ = np.array(colour.matrix("srgb", "xyz-d50"))


class Worlds:
    """Densities of the patches in every world (W, P, 3), and of a scene in it."""

    def __init__(self, count: int, first: int, patches: np.ndarray = PATCHES) -> None:
        self.density, self.scene, self.meta = [], [], []
        number = first
        while len(self.density) < count:
            world = spectral.drawn_world(number)
            number += 1
            meta = Meta(camera_matrix=tuple(map(tuple, world.camera_matrix)), kind="raw")
            if np.linalg.cond(world.camera_matrix) > 12:
                continue  # a camera that cannot tell colours apart
            film = Film.colour()
            rng = np.random.default_rng([11, number])
            seen, pixels = spectral.drawn_scene(rng)
            stops = float(np.clip(rng.normal(0.3, 0.9), -1.5, 2.5))
            scene = np.repeat(world.negative(seen, stops), np.minimum(pixels, 300), axis=0)
            scene = scene * 10 ** rng.normal(0, 0.006, scene.shape)
            self.density.append(film.densities(world.negative(patches, stops), world.base, meta))
            self.scene.append(film.densities(scene, world.base, meta))
            self.meta.append(meta)
        self.density = np.array(self.density)
        self.xyz = spectral.xyz(patches)
        self.lab = spectral.lab(self.xyz)

    def features(self, film: Film) -> np.ndarray:
        return np.array([balance._features(film, d, m) for d, m in zip(self.scene, self.meta)])


def lab(xyz: np.ndarray) -> np.ndarray:
    ratio = xyz / np.array(colour.PCS_WHITE)
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def matrices(off: np.ndarray) -> np.ndarray:
    out = np.zeros((len(off), 3, 3))
    out[:, OFF] = off
    return out + np.eye(3) * (1 - out.sum(axis=2))[:, None, :]


def log_exposures(values: np.ndarray, density: np.ndarray) -> np.ndarray:
    layers = np.clip(np.einsum("wpc,wdc->wpd", density, matrices(values[:, :6])), THINNEST, DENSEST)
    gamma, toe = np.exp(values[:, 6:9])[:, None], np.exp(values[:, 9])[:, None, None]
    z = layers / gamma / toe
    edge = -np.log1p(-0.1)
    held = np.maximum(z, edge)
    return toe * (held + np.log(-np.expm1(-held)) + (np.minimum(z, edge) - edge) / 0.1)


def predicted(values: np.ndarray, worlds: Worlds) -> tuple[np.ndarray, np.ndarray]:
    """L*a*b* (W, P, 3), each layer's slope over the greys made the layers' mean; logarithm (W, 3) of those slopes over it."""
    log_h = log_exposures(values, worlds.density)
    true = np.log10(worlds.xyz[GREYS, 1])
    x = true - true.mean()
    greys = log_h[:, GREYS]
    middle = greys.mean(axis=1)
    slope = np.maximum(np.einsum("wgc,g->wc", greys - middle[:, None], x) / (x @ x), 0.1)
    even = (log_h - middle[:, None]) * (slope.mean(axis=1, keepdims=True) / slope)[:, None] + true.mean()
    rgb = np.einsum("wpc,wdc->wpd", 10.0 ** np.clip(even, -6, 2), matrices(values[:, 10:16]))
    return lab(rgb @ TO_XYZ.T), np.log(slope / slope.mean(axis=1, keepdims=True))


def fit(worlds: Worlds, features: np.ndarray, start: np.ndarray, ridge: float, rounds: int) -> np.ndarray:
    """Coefficients (16, F) of the values."""
    count, width = len(features), features.shape[1]
    size = len(start)
    chroma = np.hypot(worlds.lab[:, 1], worlds.lab[:, 2])
    weight = np.stack([np.ones_like(chroma), 1 / (1 + 0.03 * chroma), 1 / (1 + 0.03 * chroma)], axis=1)
    coefficients = np.zeros((size, width))
    coefficients[:, 0] = start
    first = coefficients.copy()
    hold = np.full((size, width), ridge * count / 1000)
    hold[:, 0] *= 0.1

    def residual(values):
        got, tilt = predicted(values, worlds)
        return np.concatenate([((got - worlds.lab) * weight).reshape(count, -1), TILT * np.sqrt(len(weight)) * tilt], axis=1)

    def cost(c):
        left = residual(features @ c.T)
        each = np.sqrt((left ** 2).sum(axis=1) / len(weight))
        return left, each, each.sum() + 0.5 * (hold * (c - first) ** 2).sum()

    left, each, total = cost(coefficients)
    damping = 1.0
    for _ in range(rounds):
        values = features @ coefficients.T
        here = residual(values)
        slopes = []
        for k in range(size):
            moved = values.copy()
            moved[:, k] += 1e-4
            slopes.append((residual(moved) - here) / 1e-4)
        slopes = np.stack(slopes, axis=-1)
        share = 1 / (len(weight) * np.maximum(each, 0.5))
        normal = np.einsum("w,wap,waq->wpq", share, slopes, slopes, optimize=True)
        right = np.einsum("w,wap,wa->wp", share, slopes, left, optimize=True)
        normal = np.einsum("wpq,wf,wg->pfqg", normal, features, features, optimize=True).reshape(size * width, -1)
        right = (right.T @ features + hold * (coefficients - first)).ravel()
        normal += np.diag(hold.ravel())
        for _ in range(8):
            step = np.linalg.solve(normal + 0.1 * damping * np.diag(np.diag(normal)), -right).reshape(size, width)
            trial = cost(coefficients + step)
            if trial[2] < total:
                break
            damping *= 4
        else:
            break
        done = total - trial[2] < 1e-4 * total
        coefficients, (left, each, total) = coefficients + step, trial
        damping = max(damping / 4, 1e-4)
        if done:
            break
    return coefficients


def starts(values: np.ndarray, worlds: Worlds) -> np.ndarray:
    """Where greys of each world lie in the log exposures of its film: red above green, blue above green, mean; (W, 3)."""
    greys = log_exposures(values, worlds.density)[:, GREYS[1:5]].mean(axis=1)
    level = np.log10(worlds.xyz[GREYS[1:5], 1]).mean()
    return np.stack([greys[:, 0] - greys[:, 1], greys[:, 2] - greys[:, 1], greys.mean(axis=1) - level], axis=1)


def error(values: np.ndarray, worlds: Worlds) -> np.ndarray:
    return spectral.delta_e(predicted(values, worlds)[0], worlds.lab[None]).mean(axis=1)


def said(values: np.ndarray) -> str:
    return f"mean {values.mean():.2f}, 90 % below {np.quantile(values, 0.9):.2f}, worst world {values.max():.2f}"


def listing(name: str, values: np.ndarray) -> str:
    """A constant as it stands in the module, lines up to 120 characters."""
    import textwrap

    if values.ndim == 1:
        rows = [", ".join(f"{v:.4g}" for v in values)]
    else:
        rows = ["(" + ", ".join(f"{v:.4g}" for v in row) + ")," for row in np.where(np.abs(values) < 5e-5, 0, values)]
    wrapped = ["\n".join(textwrap.wrap(row, 114, initial_indent="    ", subsequent_indent="     ")) for row in rows]
    return f"{name} = (\n" + "\n".join(wrapped) + "\n)"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--worlds", type=int, default=700, help="worlds of the fit (default: 700)")
    parser.add_argument("--held-back", type=int, default=100, help="worlds to judge it by (default: 100)")
    parser.add_argument("--ridge", type=float, default=6.0, help="weight that keeps coefficients small (default: 6)")
    args = parser.parse_args()

    worlds = Worlds(args.worlds, 0)
    others = Worlds(args.held_back, 100_000, spectral.reflectances("cc_ohta"))
    one = np.ones((args.worlds, 1))
    first = np.concatenate([np.zeros(6), np.full(3, np.log(0.6)), [np.log(0.2)], np.zeros(6)])
    still = fit(worlds, one, first, args.ridge, 40)
    middle = starts(one @ still.T, worlds).mean(axis=0)
    print(f"# one film for all: {said(error(one @ still.T, worlds))}")
    print(f"#   held back: {said(error(np.ones((args.held_back, 1)) @ still.T, others))}")

    # Features are taken with the film as it is before it is adapted.
    generic.STILL, generic.START = (*still[:, 0], *middle[:2]), -middle[2]
    table = np.zeros((18, 15))
    film = Film.colour()
    raw = worlds.features(film)
    mean, spread = raw.mean(axis=0), raw.std(axis=0)

    def standard(values):
        return np.concatenate([np.ones((len(values), 1)), np.clip((values - mean) / spread, -2.5, 2.5)], axis=1)

    features, judged = standard(raw), standard(others.features(film))
    table[:16] = fit(worlds, features, still[:, 0], args.ridge, 40)
    places = starts(features @ table[:16].T, worlds)
    hold = np.eye(15)
    hold[0, 0] = 0
    shift = np.linalg.solve(features.T @ features + 5 * hold, features.T @ places)
    table[16:] = shift[:, :2].T
    print(f"# adapted: {said(error(features @ table[:16].T, worlds))}")
    print(f"#   held back: {said(error(judged @ table[:16].T, others))}")
    left = starts(judged @ table[:16].T, others) - judged @ shift
    tilt = predicted(judged @ table[:16].T, others)[1]
    print(f"#   greys' slopes off by {tilt.std():.3f}")
    print(f"#   greys off by {left[:, :2].std():.3f} decades before the balance, level by {left[:, 2].std():.3f}")
    cameras = np.array([m.camera_matrix for m in worlds.meta])
    cameras = cameras[np.linalg.cond(cameras) < 4].mean(axis=0)
    wide = np.linalg.inv(colour.to_xyz("romm")) @ colour.adaptation(colour.white("D65"), colour.white("D50"))
    for name, array in (("WIDE", wide), ("TYPICAL_CAMERA", cameras), ("STILL", np.array([*still[:, 0], *middle[:2]])),
                        ("FEATURES", np.array([mean, spread])), ("VALUES", table)):
        print(listing(name, array))
    print(f"START, ADAPTED_START = {-middle[2]:.4f}, {-shift[0, 2]:.4f}")


if __name__ == "__main__":
    main()
