"""Make the scorer of `negconv.spots` anew: candidates of many invented dirty negatives, and boosted trees fitted to them.

Everything is in the repository or ships with scikit-image: scenes, films, dirt. With ``--held-out`` the trees
are fitted to half of the scenes and judged on the other half, and the other way round; without, they are fitted to all of them
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

TREES, DEPTH = 260, 5
#: Share of the picture's candidates that is used (there are many), and the share of candidates that must be dirt at
#: confidence 0.5: many candidates lie over one place and the likeliest speaks for it, so the even odds of one are too few.
USED, CUT = 0.5, {True: 0.65, False: 0.9}


def gather(name: str, seed: int, shape, *, clean: bool = False, dirt=None, make=spot_scenes.sample) -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    """Features and targets (1 dirt, 0 picture, nan neither) of all candidates of one frame, by sign."""
    s = make(name, seed, shape, clean=clean, dirt=dirt)
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
        for level in candidates.levels(plane, light=light, most=candidates.LEVELS if light else find.DARK_LEVELS, threads=1):
            parts = candidates.parts(level, light=light)
            if parts is None:
                continue
            n = len(parts.step)
            known = features.measure(parts, linear, frame)
            index, owner, _ = find.outline(level, parts.index, parts.part, known.ground, known.contrast)
            area = np.maximum(np.bincount(owner, minlength=n), 1)
            right = np.bincount(owner, grown.reshape(-1)[index], n) / area
            on = np.bincount(owner, close.reshape(-1)[index], n) / area
            y = np.full(n, np.nan, np.float32)
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


def fit(x: np.ndarray, y: np.ndarray, *, seed: int = 0, trees: int = TREES, depth: int = DEPTH, rate: float = 0.12,
        leaf: int = 80, ridge: float = 20.0, bins: int = 32) -> dict:
    """Boosted trees on the logistic loss (Friedman, "Greedy function approximation", Ann. Statist. 29(5), 2001; second
    order as usual since), on binned features, half of the rows and of the columns at a time.

    Trees are full: at each depth, each node has a feature and the bin above which its rows go right.
    """
    rng = np.random.default_rng(seed)
    n, columns = x.shape
    edges = [np.unique(np.quantile(x[:: max(1, n // 50000), j], np.linspace(0, 1, bins + 1)[1:-1]).astype(np.float32))
             for j in range(columns)]
    binned = np.stack([np.searchsorted(e, x[:, j], side="right") for j, e in enumerate(edges)]).astype(np.uint8)
    start = float(np.log(y.mean() / (1 - y.mean())))
    total = np.full(n, start)
    out = []
    for _ in range(trees):
        rows = np.flatnonzero(rng.random(n) < 0.5)
        p = 1 / (1 + np.exp(-total[rows]))
        slope, bend = p - y[rows], p * (1 - p)
        node = np.zeros(len(rows), np.int64)
        chosen, limits = [], []
        pick = np.sort(rng.permutation(columns)[:columns // 2])
        part = {int(j): binned[j][rows] for j in pick}
        for d in range(depth):
            k = 2 ** d
            gain, which, limit = np.full(k, 1e-6), np.zeros(k, np.int64), np.full(k, 255, np.int64)
            for j, b in part.items():
                key = node * bins + b
                g, h, c = (np.bincount(key, v, k * bins).reshape(k, bins).cumsum(axis=1) for v in (slope, bend, None))
                g1, h1, c1 = g[:, -1:], h[:, -1:], c[:, -1:]
                won = g ** 2 / (h + ridge) + (g1 - g) ** 2 / (h1 - h + ridge) - g1 ** 2 / (h1 + ridge)
                won[(c < leaf) | (c1 - c < leaf)] = 0
                best = won.argmax(axis=1)
                better = won[np.arange(k), best] > gain
                gain[better] = won[np.arange(k), best][better]
                which[better], limit[better] = j, best[better]
            chosen += which.tolist()
            limits += limit.tolist()
            node = node * 2 + (binned[which[node], rows] > limit[node])
        k = 2 ** depth
        leaves = -rate * np.bincount(node, slope, k) / (np.bincount(node, bend, k) + ridge)
        out.append({"features": chosen, "limits": limits, "leaves": leaves})
        at = np.zeros(n, np.int64)
        for d in range(depth):
            here = 2 ** d - 1 + at
            at = at * 2 + (binned[np.array(chosen)[here], np.arange(n)] > np.array(limits)[here])
        total += leaves[at]
    return {"start": start, "edges": edges, "features": [t["features"] for t in out],
            "limits": [t["limits"] for t in out], "leaves": [t["leaves"] for t in out]}


#: How each scene is made into a frame: a plain inversion, and the way of a copy stand through the whole chain.
makers = [spot_scenes.sample, spot_scenes.copied]


def collect(names, seeds, *, progress=True, cache=None) -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    rows = {True: [], False: []}
    for seed in seeds:
        for name in names:
            rng = np.random.default_rng([seed, len(name)])
            shape = (int(rng.integers(320, 640)), int(rng.integers(400, 800)))
            file = None if cache is None else Path(cache, f"{name.replace(':', '-')}-{seed}.npz")
            if file is not None and file.exists():
                data = np.load(file)
                got = {sign: (data[f"x{sign}"], data[f"y{sign}"]) for sign in (True, False) if f"x{sign}" in data}
            else:
                got = {}
                for make in makers:
                    for sign, xy in gather(name, seed, shape, clean=seed % 6 == 5, make=make).items():
                        got[sign] = tuple(np.concatenate(v) for v in zip(got[sign], xy)) if sign in got else xy
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


def scorer(data, *, seed=0) -> dict:
    """Trees for both signs."""
    out = {}
    for light, (x, y) in data.items():
        rng = np.random.default_rng(seed)
        keep = (y == 1) | (rng.random(len(y)) < USED)
        trees = fit(x[keep], y[keep], seed=seed, trees=TREES if light else 60, depth=DEPTH if light else 4)
        trees["start"] += float(np.log(USED) - np.log(CUT[light] / (1 - CUT[light])))
        out["light" if light else "dark"] = trees
    return out


def write(nets: dict, path) -> None:
    """Plain numbers, four significant digits."""
    def plain(v):
        if isinstance(v, (list, np.ndarray)):
            return [plain(a) for a in v]
        return int(v) if isinstance(v, (int, np.integer)) else float(f"{v:.4g}")

    body = {"features": list(features.NAMES)}
    for sign, net in nets.items():
        body[sign] = {k: plain(v) for k, v in net.items()}
    Path(path).write_text(json.dumps(body, separators=(",", ":")) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=9, help="frames of each scene")
    parser.add_argument("--held-out", action="store_true", help="fit to one half of the scenes, judge on the other")
    parser.add_argument("--outlines", help="outlines of real dirt (see spot_scenes.outlined), for half of the copied frames")
    parser.add_argument("--cache", help="folder that keeps the candidates of each frame")
    parser.add_argument("--output", default=str(Path(find.__file__).with_name("scorer.json")))
    args = parser.parse_args()
    if args.cache:
        Path(args.cache).mkdir(parents=True, exist_ok=True)
    if args.outlines:
        real = spot_scenes.outlined(args.outlines)
        makers.append(lambda name, seed, shape, *, clean=False, dirt=None: spot_scenes.copied(
            name, seed, shape, dirt=real if seed % 2 == 0 else None, clean=clean))
    names = spot_scenes.names()
    if args.held_out:
        import spots

        for half in (0, 1):
            start = time.process_time()
            nets = scorer(collect(names[half::2], range(args.seeds), cache=args.cache))
            print(f"half {half}: {time.process_time() - start:.0f} s", flush=True)
            write(nets, args.output + f".{half}")
            spots.table(names[1 - half::2], [100], nets=args.output + f".{half}")
        return
    write(scorer(collect(names, range(args.seeds), cache=args.cache)), args.output)


if __name__ == "__main__":
    main()
