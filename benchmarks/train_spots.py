"""Make the scorer of `negconv.spots` anew: candidates of many invented dirty negatives, and a small network fitted to them.

Everything is in the repository or ships with scikit-image: scenes, films, dirt. With ``--held-out`` a network is
fitted to half of the scenes and judged on the other half, and the other way round; without, it is fitted to all of them
and written to negconv/spots/scorer.json.
"""
from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spot_scenes  # noqa: E402
from negconv.spots import candidates, features, find, noise  # noqa: E402

HIDDEN = (32, 16)


def gather(name: str, seed: int, shape, *, clean: bool = False, dirt=None) -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    """Features and targets (1 dirt, 0 picture, nan neither) of all candidates of one frame, by sign."""
    s = spot_scenes.sample(name, seed, shape, clean=clean, dirt=dirt)
    linear, density, _ = find._parts(s.positive, None)
    plane = noise.film_plane(linear, density, threads=1)
    frame = features.Frame(plane)
    out = {}
    for light in (True, False):
        truth = np.zeros(shape, np.int32)
        if not clean:
            wanted = np.array([0] + [d.label * (d.light == light) for d in s.dirt.defects], np.int32)
            truth = wanted[s.dirt.labels]
        close, grown = _grown(truth > 0, 1), _grown(truth > 0, 2)
        xs, ys = [], []
        full = None
        for level in candidates.levels(plane, light=light, most=candidates.LEVELS if light else find.DARK_LEVELS, threads=1):
            full = level.plane if full is None else full
            for rung in candidates.rungs(level):
                known = features.measure(rung, linear, frame)
                index, owner, _ = find.outline(rung, np.ones(len(rung.index), bool), np.arange(rung.count), known.ground,
                                               known.contrast, full)
                area = np.maximum(np.bincount(owner, minlength=rung.count), 1)
                right = np.bincount(owner, grown.reshape(-1)[index], rung.count) / area
                on = np.bincount(owner, close.reshape(-1)[index], rung.count) / area
                y = np.full(rung.count, np.nan, np.float32)
                y[(right >= 0.6) & (on >= 0.5)] = 1
                y[right < 0.45] = 0
                xs.append(known.values)
                ys.append(y)
        if xs:
            out[light] = np.concatenate(xs), np.concatenate(ys)
    return out


def _grown(mask: np.ndarray, by: int) -> np.ndarray:
    from scipy import ndimage

    return ndimage.binary_dilation(mask, iterations=by)


def fit(x: np.ndarray, y: np.ndarray, *, seed: int = 0, epochs: int = 14, batch: int = 1024) -> dict:
    """A network of two hidden layers (tanh), by Adam (Kingma and Ba, 2015) on the logistic loss."""
    rng = np.random.default_rng(seed)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-3
    x = np.clip((x - mean) / scale, -4, 4).astype(np.float32)
    sizes = (x.shape[1], *HIDDEN, 1)
    weights = [rng.normal(0, 1 / np.sqrt(a), (a, b)).astype(np.float32) for a, b in zip(sizes, sizes[1:])]
    biases = [np.zeros(b, np.float32) for b in sizes[1:]]
    params = weights + biases
    moment, square = [np.zeros_like(p) for p in params], [np.zeros_like(p) for p in params]
    steps = epochs * (len(x) // batch + 1)
    t = 0
    for _ in range(epochs):
        order = rng.permutation(len(x))
        for i in range(0, len(x), batch):
            pick = order[i:i + batch]
            h = [x[pick]]
            for w, b in zip(weights[:-1], biases[:-1]):
                h.append(np.tanh(h[-1] @ w + b))
            p = 1 / (1 + np.exp(-np.clip(h[-1] @ weights[-1] + biases[-1], -30, 30)))
            d = (p - y[pick][:, None]) / len(pick)
            grads_w, grads_b = [], []
            for k in range(len(weights) - 1, -1, -1):
                grads_w.insert(0, h[k].T @ d + 1e-5 * weights[k])
                grads_b.insert(0, d.sum(axis=0))
                if k:
                    d = (d @ weights[k].T) * (1 - h[k] ** 2)
            t += 1
            rate = 4e-3 * 0.5 * (1 + np.cos(np.pi * t / steps)) + 2e-5
            for p_, g, m, s in zip(params, grads_w + grads_b, moment, square):
                m += 0.1 * (g - m)
                s += 0.001 * (g * g - s)
                p_ -= rate * (m / (1 - 0.9 ** t)) / (np.sqrt(s / (1 - 0.999 ** t)) + 1e-8)
    return {"mean": mean, "scale": scale, "weights": weights, "biases": biases}


def collect(names, seeds, *, progress=True, cache=None) -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    rows = {True: [], False: []}
    for seed in seeds:
        for name in names:
            rng = np.random.default_rng([seed, len(name)])
            shape = (int(rng.integers(360, 900)), int(rng.integers(420, 1000)))
            file = None if cache is None else Path(cache, f"{name.replace(':', '-')}-{seed}.npz")
            if file is not None and file.exists():
                data = np.load(file)
                got = {sign: (data[f"x{sign}"], data[f"y{sign}"]) for sign in (True, False) if f"x{sign}" in data}
            else:
                got = gather(name, seed, shape, clean=seed % 6 == 5)
                if file is not None:
                    np.savez(file, **{f"{k}{sign}": v for sign, xy in got.items() for k, v in zip("xy", xy)})
            for sign, xy in got.items():
                rows[sign].append(xy)
        if progress:
            print(f"seed {seed}: {sum(len(y) for _, y in rows[True])} light, {sum(len(y) for _, y in rows[False])} dark",
                  flush=True)
    out = {}
    for sign, parts in rows.items():
        x, y = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        known = np.isfinite(y)
        out[sign] = x[known], y[known]
    return out


def network(data, *, seed=0) -> dict:
    return {"light": fit(*data[True], seed=seed), "dark": fit(*data[False], seed=seed + 1)}


def write(nets: dict, path) -> None:
    """Plain numbers, four significant digits."""
    def plain(v):
        if isinstance(v, list):
            return [plain(a) for a in v]
        return json.loads(np.array2string(np.asarray(v, float), threshold=10 ** 9, max_line_width=10 ** 9, separator=",",
                                          formatter={"float_kind": lambda a: f"{a:.4g}"}))

    body = {"features": list(features.NAMES)}
    for sign, net in nets.items():
        body[sign] = {k: plain(v) for k, v in net.items()}
    Path(path).write_text(json.dumps(body, separators=(",", ":")) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=8, help="frames of each scene")
    parser.add_argument("--held-out", action="store_true", help="fit to one half of the scenes, judge on the other")
    parser.add_argument("--cache", help="folder that keeps the candidates of each frame")
    parser.add_argument("--output", default=str(Path(find.__file__).with_name("scorer.json")))
    args = parser.parse_args()
    if args.cache:
        Path(args.cache).mkdir(parents=True, exist_ok=True)
    names = spot_scenes.names()
    if args.held_out:
        import spots

        for half in (0, 1):
            start = time.process_time()
            nets = network(collect(names[half::2], range(args.seeds), cache=args.cache))
            print(f"half {half}: {time.process_time() - start:.0f} s", flush=True)
            write(nets, args.output + f".{half}")
            spots.table(names[1 - half::2], [100], nets=args.output + f".{half}")
        return
    write(network(collect(names, range(args.seeds), cache=args.cache)), args.output)


if __name__ == "__main__":
    main()
