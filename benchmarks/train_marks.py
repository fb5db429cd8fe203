"""Make `negconv/spots/rings.json` anew: rims of many negatives with drying marks, and boosted trees fitted to them.

Scenes are those of `train_scratches.py`. Marks are drawn: closed lines out of round, some of them open, rims of uneven
depth, slightly denser or thinner inside, lighter or darker. Confidence is the share of such rims that are marks. The
shipped constants are those of ``python benchmarks/train_marks.py``. With ``--held-out`` nothing is written.
"""
from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spot_scenes  # noqa: E402
import train_scratches  # noqa: E402
from negconv.spots import find, noise, rings  # noqa: E402
from negconv.synthetic.dirt import make_dirt  # noqa: E402

OPTIONS = {"trees": 60, "depth": 2, "leaf": 6, "ridge": 4.0}


@dataclass(frozen=True, eq=False)
class Marked:
    """Drying marks and some dust over a negative; truth as in `negconv.synthetic.dirt.Dirt`."""

    factor: np.ndarray     # (h, w, 1), multiplies transmittance
    labels: np.ndarray     # int32 (h, w): 1 on light rims, 2 on dark ones

    def over(self, film, base):
        """Transmittance of the film with its marks."""
        return (film * self.factor).astype(np.float32)


def mark(shape, rng):
    """Density a mark adds, its rim (bool), and whether it is light in the positive."""
    from scipy import ndimage

    h, w = shape
    n, radius = 240, np.exp(rng.uniform(np.log(18), np.log(150)))
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    r = np.ones(n)
    for k in range(2, 7):
        r += rng.normal(0, 0.16 / k) * np.cos(k * turn + rng.uniform(0, 6.3))
    x, y = rng.uniform(0.6 * radius, (w - 0.6 * radius, h - 0.6 * radius))
    stretch = rng.uniform(0.75, 1.3)
    dy, dx = np.mgrid[:h, :w].astype(np.float32)
    dx, dy = (dx - x) * stretch, (dy - y) / stretch
    at = np.mod(np.arctan2(dy, dx), 2 * np.pi)
    rim = radius * np.clip(r, 0.4, None)
    out = np.hypot(dx, dy) - np.interp(at, np.append(turn, 2 * np.pi), np.append(rim, rim[0]))
    width = rng.uniform(1, 3) * (1 + 0.004 * radius)
    # A tide line is steeper outside than inside.
    line = np.exp(-0.5 * (out / np.where(out > 0, 0.6 * width, rng.uniform(0.7, 2) * width)) ** 2)
    uneven = 1 + ndimage.gaussian_filter1d(rng.normal(0, 1, n), 14, mode="wrap")
    uneven = np.clip(np.interp(at, np.append(turn, 2 * np.pi), np.append(uneven, uneven[0])), 0.2, 1.8)
    deep = rng.uniform(0.03, 0.13)
    inside = 0.25 * rng.normal() * deep / (1 + np.exp(np.clip(out / (1.5 * width), -30, 30)))
    where = np.abs(out) <= 1.2 * width
    if rng.random() < 0.2:
        arc = np.abs(np.angle(np.exp(1j * (at - rng.uniform(0, 6.3))))) < rng.uniform(1.8, 2.8)
        line, where = line * ndimage.gaussian_filter(arc.astype(float), 3), where & arc
    light = bool(rng.random() < 0.85)
    return (deep * line * uneven + inside) * (1 if light else -1), where, light


def marked(shape, rng, soft) -> Marked:
    """As `spot_scenes.sample` takes it."""
    from scipy import ndimage

    density, labels = np.zeros(shape, np.float32), np.zeros(shape, np.int32)
    for _ in range(int(rng.integers(2, 6))):
        more, where, light = mark(shape, rng)
        if where.sum() >= 60 and not labels[ndimage.binary_dilation(where, iterations=5)].any():
            density += more
            labels[where] = 1 if light else 2
    dust = make_dirt(shape, rng, specks=int(rng.uniform(0, 40)), fibres=int(rng.integers(0, 5)),
                     scratches=int(rng.integers(0, 2)), size=float(np.exp(rng.uniform(np.log(4), np.log(12)))),
                     depth=(0.35, 1.0), soft=soft)
    return Marked((dust.factor * 10 ** -density)[..., None], labels)


def gather(name, seed):
    """Values and targets (1 mark, 0 picture, nan neither) of the rims of one frame with marks, and without."""
    from scipy import ndimage

    frame = spot_scenes.sample(name, seed, (800, 1150), dirt=marked, grain=(0.005, 0.03))
    out = []
    for positive, truth in ((frame.positive, frame.dirt.labels), (frame.clean, None)):
        linear, density, _ = find._parts(positive, None)
        plane = noise.film_plane(linear, density, threads=1)
        found, values = rings.find(plane)
        on = np.zeros(len(found))
        if truth is not None:
            near = ndimage.binary_dilation(truth == 1, iterations=3).reshape(-1)
            on = np.array([near[r.pixels(plane.shape)].mean() for r in found])
        out.append((values, np.where(on >= 0.55, 1.0, np.where(on < 0.35, 0.0, np.nan))))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="*", default=[1, 2, 3, 4])
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--cache", metavar="FILE.npz", help="keep the rims, or take them from there")
    args = parser.parse_args()
    if args.cache and Path(args.cache).exists():
        x, y, frame, scene = (np.load(args.cache)[k] for k in "xyfs")
    else:
        rows = []
        for seed in args.seeds:
            for name in spot_scenes.names():
                for values, target in gather(name, seed):
                    rows.append((values, target, np.full(len(target), len(rows)), np.full(len(target), name)))
            print(f"seed {seed}: {sum(np.nansum(r[1]) for r in rows):.0f} marks among "
                  f"{sum(len(r[1]) for r in rows)} rims", flush=True)
        x, y, frame, scene = (np.concatenate(v) for v in zip(*rows))
        if args.cache:
            np.savez(args.cache, x=x, y=y, f=frame, s=scene)
    sure = train_scratches.judged(x, y, scene, options=OPTIONS)
    for least in (0.3, 0.5, 0.7):
        false = np.bincount(frame[(sure >= least) & (y == 0)], minlength=frame.max() + 1)
        false = false[1::2]
        print(f"confidence {least}: {(sure >= least)[y == 1].mean():.2f} of the marks looked into, {false.mean():.3f} "
              f"false on a frame without any, {false.max()} at most")
    if not args.held_out:
        trees = train_scratches.fitted(x, y, OPTIONS)
        Path(rings.__file__).with_name("rings.json").write_text(json.dumps(
            {"columns": list(rings.NAMES), **train_scratches.plain(trees)}) + "\n")


if __name__ == "__main__":
    main()
