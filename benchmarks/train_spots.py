"""Make the scorer of `negconv.spots` anew: candidates of many dirty negatives, boosted trees fitted to them, and a net.

Scenes and films are in the repository or ship with scikit-image. Half of the frames have dirt from the repository's generator,
half (given ``--outlines``) outlines of real dirt. The shipped constants were made by

    python benchmarks/train_spots.py --outlines defect-outlines.npz --photographs DIR

where DIR held 82 more photographs, of any subject.

With ``--held-out`` the trees are fitted to half of the scenes and judged on the other half, and the other way round; without,
they are fitted to all of them and written to negconv/spots/scorer.json, the net (`train_look.py`) beside it to look.npz.
"""
from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spot_scenes  # noqa: E402
import spots  # noqa: E402
import train_look  # noqa: E402
from negconv.spots import candidates, channels, company, features, find, noise, score  # noqa: E402

#: Trees for light and for dark candidates, their depth, and how many of them see the first columns only.
TREES, DEPTH, GLANCES = {True: 400, False: 100}, {True: 6, False: 4}, 16
#: Step of the first trees and of the others, and share of the dirt that may be lost after the first, and after a quarter of all.
#: Light candidates are looked at again (`negconv.spots.look`), so that it pays to keep more of them.
GLANCING, RATE, LOST = 0.3, 0.1, {True: (0.008, 0.012), False: (0.02, 0.04)}
#: Frames of each photograph from a file, of each at hand, and of each invented scene.
FRAMES = {"file": 14, "photo": 14, "": 12}
#: Share of the pieces of real outlines that are faint.
FAINT = 0.2
#: Share of the picture's candidates that is used (there are many), and the share of candidates that must be dirt at
#: confidence 0.5: many candidates lie over one place and the likeliest speaks for it, so the even odds of one are too few. Of
#: those seen among others one speaks for each place, and even odds are even.
USED, CUT = 0.5, {True: 0.65, False: 0.7}


def gather(name: str, seed: int, shape, *, clean: bool = False, dirt=None) -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    """Features and targets (1 dirt, 0 picture, nan neither) of all candidates of one frame, by sign."""
    s = spot_scenes.sample(name, seed, shape, clean=clean, dirt=dirt)
    linear, density, _ = find._parts(s.positive, None)
    colour = channels.Channels.of(s.positive)
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
        for level in candidates.levels(plane, light=light, threads=1):
            parts = candidates.parts(level, light=light)
            if parts is None:
                continue
            n = len(parts.step)
            known = features.measure(parts, frame)
            index, owner, _ = find.outline(level.full, find.Seeds.of(level, parts.index, parts.part, known.ground),
                                        noise.edge(known.contrast))
            area = np.maximum(np.bincount(owner, minlength=n), 1)
            right = np.bincount(owner, grown.reshape(-1)[index], n) / area
            on = np.bincount(owner, close.reshape(-1)[index], n) / area
            y = np.full(n, np.nan, np.float32)
            y[(right >= 0.6) & (on >= 0.5)] = 1
            y[right < 0.45] = 0
            xs.append(np.concatenate([features.glance(parts, frame), known.values, features.colours(parts, colour)], axis=1))
            ys.append(y)
        if xs:
            out[light] = np.concatenate(xs), np.concatenate(ys)
    return out


def _grown(mask: np.ndarray, by: int) -> np.ndarray:
    from scipy import ndimage

    return ndimage.binary_dilation(mask, iterations=by)


def fit(x: np.ndarray, y: np.ndarray, *, seed: int = 0, trees: int = 320, depth: int = 5, rate: float = RATE,
        leaf: int = 80, ridge: float = 20.0, bins: int = 32, glances: int = 0, lost=()) -> dict:
    """Boosted trees on the logistic loss (Friedman, "Greedy function approximation", Ann. Statist. 29(5), 2001; second
    order as usual since), on binned features, half of the rows and of the columns at a time.

    Trees are full: at each depth, each node has a feature and the bin above which its rows go right. The first `glances`
    trees see the first columns only, a quarter of all not the third; the sums below which they settle the matter are `stops`.
    """
    rng = np.random.default_rng(seed)
    n, columns = x.shape
    edges = [np.unique(np.quantile(x[:: max(1, n // 50000), j], np.linspace(0, 1, bins + 1)[1:-1]).astype(np.float32))
             for j in range(columns)]
    binned = np.stack([np.searchsorted(e, x[:, j], side="right") for j, e in enumerate(edges)]).astype(np.uint8)
    start = float(np.log(y.mean() / (1 - y.mean())))
    total, alive = np.full(n, start), np.arange(n)
    out, stops = [], []
    for number in range(trees):
        rows = alive[rng.random(len(alive)) < 0.5]
        p = 1 / (1 + np.exp(-total[rows]))
        slope, bend = p - y[rows], p * (1 - p)
        node = np.zeros(len(rows), np.int64)
        chosen, limits = [], []
        seen = (len(features.FIRST) if number < glances
                else columns - len(features.THIRD) if glances and number < trees // 4 else columns)
        pick = np.sort(rng.permutation(seen)[:seen // 2])
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
        leaves = -(GLANCING if number < glances else rate) * np.bincount(node, slope, k) / (np.bincount(node, bend, k) + ridge)
        out.append({"features": chosen, "limits": limits, "leaves": leaves})
        at = np.zeros(len(alive), np.int64)
        for d in range(depth):
            here = 2 ** d - 1 + at
            at = at * 2 + (binned[np.array(chosen)[here], alive] > np.array(limits)[here])
        total[alive] += leaves[at]
        if glances and number + 1 in (glances, trees // 4):
            # What is settled here the later trees never see.
            stops.append((number + 1, float(np.quantile(total[alive[y[alive] == 1]], lost[len(stops)]))))
            alive = alive[total[alive] > stops[-1][1]]
    return {"start": start, "edges": edges, "features": [t["features"] for t in out],
            "limits": [t["limits"] for t in out], "leaves": [t["leaves"] for t in out], "stops": stops}


def frames(names, outlines=None):
    """What is rendered: name, seed, shape, whether clean, and whether with outlines of real dirt."""
    for name in names:
        for seed in range(FRAMES.get(name.partition(":")[0], FRAMES[""])):
            rng = np.random.default_rng([seed, sum(map(ord, name))])
            shape = (int(rng.integers(420, 760)), int(rng.integers(520, 1000)))
            real = outlines is not None and rng.random() < 0.5
            yield name, seed, shape, bool(rng.random() < 0.2), real


def _each(work, names, outlines, *args, jobs):
    """``work(frame, outlines, *args)`` of all frames, on processes."""
    every = list(frames(names, outlines))
    with ProcessPoolExecutor(jobs) as pool:
        yield from zip(every, pool.map(work, every, *([a] * len(every) for a in (outlines, *args)), chunksize=4))


def _gathered(frame, outlines, cache):
    name, seed, shape, clean, real = frame
    family, _, which = name.partition(":")
    file = None if cache is None else Path(cache, f"{family}-{Path(which).stem}-{seed}.npz")
    if file is not None and file.exists():
        data = np.load(file)
        return {sign: (data[f"x{sign}"], data[f"y{sign}"]) for sign in (True, False) if f"x{sign}" in data}
    got = gather(name, seed, shape, clean=clean, dirt=spot_scenes.outlined(outlines, FAINT) if real else None)
    if file is not None:
        np.savez(file, **{f"{k}{sign}": v for sign, xy in got.items() for k, v in zip("xy", xy)})
    return got


def collect(names, *, outlines=None, cache=None, jobs=2) -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    """Features and targets of all frames, by sign."""
    rows = {True: [], False: []}
    for (name, seed, *_), got in _each(_gathered, names, outlines, cache, jobs=jobs):
        for sign, xy in got.items():
            rng = np.random.default_rng([seed, sum(map(ord, name)), sign])
            keep = np.isfinite(xy[1]) & ((xy[1] == 1) | (rng.random(len(xy[1])) < USED))
            rows[sign].append((xy[0][keep], xy[1][keep]))
    out = {sign: tuple(np.concatenate([p[k] for p in parts]) for k in (0, 1)) for sign, parts in rows.items()}
    print(", ".join(f"{len(y)} {'light' if sign else 'dark'}" for sign, (_, y) in out.items()), flush=True)
    return out


def _heard(frame, path, outlines, cache):
    spots.use(path)
    name, seed = frame
    family, _, which = name.partition(":")
    file = Path(cache, f"heard-{Path(path).name}-{family}-{Path(which).stem}-{seed}.npz")
    return train_look.kept(file, name, seed, outlines)


def heard(names, path, *, outlines=None, cache, jobs=2) -> list[dict[str, np.ndarray]]:
    """Candidates of scenes that the trees in a file, which have not seen those, hear; and what they look like."""
    every = [(name, seed) for name in names for seed in train_look.seeds(name)]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(_heard, every, *([v] * len(every) for v in (path, outlines, cache)), chunksize=4))


def scorer(data, *, seed=0) -> dict:
    """Trees for both signs."""
    out = {}
    for light, (x, y) in data.items():
        trees = fit(x, y, seed=seed, trees=TREES[light], depth=DEPTH[light], glances=GLANCES, lost=LOST[light])
        shift = float(np.log(USED) - np.log(CUT[light] / (1 - CUT[light])))
        trees["start"] += shift
        trees["stops"] = [(number, least + shift) for number, least in trees["stops"]]
        out["light" if light else "dark"] = trees
    return out


def train(names, outlines, cache, path, jobs) -> tuple[dict, dict]:
    """The trees, and the numbers of the net. What company and a look at the picture tell is learnt on scenes that the trees
    heard there have not seen."""
    frames = []
    for half in (0, 1):
        part = f"{path}.half{half}"
        write(scorer(collect(names[half::2], outlines=outlines, cache=cache, jobs=jobs)), part)
        frames += heard(names[1 - half::2], part, outlines=outlines, cache=cache, jobs=jobs)
        Path(part).unlink()
    nets = scorer(collect(names, outlines=outlines, cache=cache, jobs=jobs))
    write(nets, path)
    rows = train_look.together(frames)
    alone = rows["alone"] & (rows["conf"] > 0)
    x, y = rows["cols"][alone], (rows["right"][alone] >= 0.5).astype(np.float32)
    print(f"{len(y)} in company, {y.mean():.2f} of them dirt", flush=True)
    nets["company"] = fit(x, y, trees=200, depth=4, leaf=30, rate=0.06)
    write(nets, path)
    spots.use(path)
    return nets, train_look.fit(rows, score.in_company(rows["cols"]))


def write(nets: dict, path) -> None:
    """Plain numbers, four significant digits."""
    def plain(v):
        if isinstance(v, (list, tuple, np.ndarray)):
            return [plain(a) for a in v]
        return int(v) if isinstance(v, (int, np.integer)) else float(f"{v:.4g}")

    body = {"features": list(features.NAMES), "company's": list(company.COMPANY)}
    for sign, net in nets.items():
        body[sign] = {k: plain(v) for k, v in net.items()}
    Path(path).write_text(json.dumps(body, separators=(",", ":")) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--held-out", action="store_true", help="fit to one half of the scenes, judge on the other")
    parser.add_argument("--outlines", help="outlines of real dirt (see spot_scenes.outlined), for half of the frames")
    parser.add_argument("--photographs", help="a folder of more photographs")
    parser.add_argument("--cache", help="folder that keeps the candidates of each frame for another run")
    parser.add_argument("--output", default=str(Path(find.__file__).with_name("scorer.json")))
    parser.add_argument("--net", default=str(Path(find.__file__).with_name("look.npz")))
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    kept = None if args.cache else tempfile.TemporaryDirectory()
    cache = args.cache or kept.name
    Path(cache).mkdir(parents=True, exist_ok=True)
    names = spot_scenes.names() + train_look.names(args.photographs)
    for half in (0, 1) if args.held_out else (None,):
        path, net = (p if half is None else f"{p}.{half}" for p in (args.output, args.net))
        start = time.perf_counter()
        _, numbers = train(names if half is None else names[half::2], args.outlines, cache, path, args.jobs)
        with open(net, "wb") as file:
            np.savez_compressed(file, **numbers)
        print(f"{path}: {time.perf_counter() - start:.0f} s", flush=True)
        if half is not None:
            outlines = spot_scenes.outlined(args.outlines) if args.outlines else None
            spots.table(names[1 - half::2], [100], nets=(path, net), dirt=outlines)


if __name__ == "__main__":
    main()
