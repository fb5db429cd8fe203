"""Make `negconv/spots/scratches.json` anew: lines of many scratched negatives, and boosted trees fitted to them.

Scenes are those of `spot_scenes.py` and one more, of bars, poles and wires: what scratches must be told from.
Scratches are drawn: along the film and across it, from handling, kinks; grey or in some layers only; a share of the
density gone, or more light let through. Given ``--outlines``, a third of them are outlines of real scratches. Given
``--photographs``, what the lines of a frame say of each other is learnt on those as well, since on photographs the trees
are surer and more often right than on scenes they have not seen. The shipped trees are those of

    python benchmarks/train_scratches.py --outlines defect-outlines.npz

and the three numbers ``among`` those of ``--seeds 1 2 --photographs DIR`` beside it, where DIR held 82 photographs.

With ``--hairs`` it is `negconv/spots/hairs.json`, of light lines: hairs, fibres and scratches in the back, drawn and
(given ``--outlines``) real, on the scenes and on photographs. The shipped constants are those of

    python benchmarks/train_scratches.py --hairs --outlines defect-outlines.npz --photographs DIR

where DIR held 38 photographs of any subject; ``among`` was fitted anew to say the same when `scratches.doubts` changed. What
candidates on them say of light lines (``backed``) is learnt on photographs that the trees and the net of candidates have not
seen: ``--hairs --backing DIR`` fits that alone; DIR held 41.
With ``--held-out`` nothing is written: each quarter of the scenes is judged by trees fitted to the others.
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
import train_look  # noqa: E402
import train_spots  # noqa: E402
from negconv.spots import backing, channels, features, find, noise, score, scratches  # noqa: E402
from negconv.synthetic import scenes  # noqa: E402
from negconv.synthetic.dirt import make_dirt  # noqa: E402

OPTIONS = {"trees": 150, "depth": 3, "leaf": 12, "ridge": 4.0}
#: Frames of bars for each seed of the other scenes.
BARS = 5
#: Log odds by which more is asked of light lines than that they are likelier hairs than not.
ASKED = 1.25
#: Frames of each photograph and of each scene that light lines are learnt from.
PHOTOGRAPHED, INVENTED = 3, 1


def bars(shape, rng):
    """Bars, poles, wires and joints, darker than what lies behind, over part of the picture or all of it."""
    from PIL import Image, ImageDraw

    h, w = shape
    ground = rng.uniform(0.15, 0.7) * (1 + 0.3 * scenes.clouds(shape, rng.choice([20, 80, 200]), rng))
    if rng.random() < 0.6:
        ground = ground * (1 + rng.uniform(0.02, 0.2) * scenes.texture(shape, rng))
    image = Image.fromarray(np.maximum(ground, 0.02).astype(np.float32)).resize((2 * w, 2 * h))
    pen = ImageDraw.Draw(image)
    for _ in range(int(rng.integers(1, 12))):
        value, width = float(rng.uniform(0.01, 0.15)), int(np.exp(rng.uniform(np.log(3), np.log(50))))
        kind = rng.choice(["whole", "part", "wire", "grid"], p=[0.4, 0.3, 0.2, 0.1])
        turn = rng.choice([0, rng.normal(0, 0.03), rng.uniform(-1, 1)], p=[0.5, 0.3, 0.2])
        angle = (0 if rng.random() < 0.5 else np.pi / 2) + turn
        long = 4 * max(h, w) if kind in ("whole", "grid") else rng.uniform(60, 1.5 * w)
        middle, along = rng.uniform((0, 0), (2 * w, 2 * h)), np.array([np.cos(angle), np.sin(angle)]) * long / 2
        side = np.array([-np.sin(angle), np.cos(angle)])
        if kind == "wire":
            sag = rng.uniform(-60, 60)
            points = [tuple(middle + t * along + side * sag * (1 - t * t)) for t in np.linspace(-1, 1, 40)]
            pen.line(points, fill=value, width=max(2, width // 4))
            continue
        step = rng.uniform(2, 8) * width
        for k in range(-12, 13) if kind == "grid" else (0,):
            at = middle + k * step * side
            pen.line([tuple(at - along), tuple(at + along)], fill=value, width=width)
    light = np.asarray(image.resize((w, h), Image.Resampling.BOX))
    return (np.maximum(light, 0.005)[..., None] * rng.uniform(0.75, 1.1, 3)).astype(np.float32)


spot_scenes.HARD["bars"] = bars


@dataclass(frozen=True, eq=False)
class Scratched:
    """Scratches and some dust over a negative, in each of its layers; truth as in `negconv.synthetic.dirt.Dirt`."""

    factor: np.ndarray     # (h, w, 3), multiplies transmittance
    removed: np.ndarray    # (h, w, 3), share of density above base that is gone
    labels: np.ndarray     # int32 (h, w), of the scratches
    dust: np.ndarray       # bool (h, w)

    def over(self, film, base):
        """Transmittance of the scratched film."""
        base = np.asarray(base, np.float32).reshape(-1)
        return (film * self.factor * (base / np.maximum(film, 1e-6)) ** self.removed).astype(np.float32)


def outline(shape, rng) -> np.ndarray:
    """The outline of one scratch, points (n, 2)."""
    from scipy.ndimage import gaussian_filter1d

    h, w = shape
    kind = rng.choice(["transport", "handling", "kink"], p=[0.5, 0.35, 0.15])
    if kind == "transport":
        long = max(h, w) * rng.uniform(0.15, 1.3)
        angle = (0 if rng.random() < 0.75 else np.pi / 2) + rng.normal(0, 0.015)
        bend, width, uneven = rng.normal(0, 0.02), np.exp(rng.uniform(np.log(1.2), np.log(6))), 0.1
    elif kind == "handling":
        long, angle, bend = np.exp(rng.uniform(np.log(40), np.log(600))), rng.uniform(0, np.pi), rng.normal(0, 0.15)
        width, uneven = np.exp(rng.uniform(np.log(1.5), np.log(9))), 0.2
    else:
        long, angle, bend = rng.uniform(30, 150), rng.uniform(0, np.pi), rng.normal(0, 0.8)
        width, uneven = rng.uniform(1.2, 3), 0.2
    n = max(12, int(long / 6))
    angle = angle + bend * np.linspace(-0.5, 0.5, n) + np.cumsum(rng.normal(0, 0.004, n))
    line = np.cumsum(np.stack([np.cos(angle), np.sin(angle)], 1) * (long / n), axis=0)
    line += rng.uniform((0, 0), (w, h)) - line.mean(axis=0)
    half = width / 2 * np.clip(1 + 2 * uneven * gaussian_filter1d(rng.normal(0, 1, n), 3), 0.3, 2)
    half *= np.clip(np.minimum(np.arange(n), np.arange(n)[::-1]) / 2 + 0.4, 0, 1)
    side = np.stack([-np.sin(angle), np.cos(angle)], 1) * half[:, None]
    return np.concatenate([line + side, (line - side)[::-1]])


def real(path) -> list[np.ndarray]:
    """Outlines of scratches in a file with ``pts``, ``starts`` and ``kind``, about 7 micrometres a pixel."""
    data = np.load(path)
    begins = data["starts"]
    found = [data["pts"][a:b].astype(float) for k, a, b in zip(data["kind"], begins, begins[1:])
             if str(k) == "Scratch" and b - a > 2]
    area = [abs(np.dot(p[:, 0], np.roll(p[:, 1], 1)) - np.dot(p[:, 1], np.roll(p[:, 0], 1))) / 2 for p in found]
    return [p for p, a in zip(found, area) if a > 50 and np.ptp(p, axis=0).max() > 20]


def scratched(outlines):
    """A maker of `Scratched`, as `spot_scenes.sample` takes it."""

    def make(shape, rng, soft):
        from scipy import ndimage

        factor, removed = np.ones((*shape, 3), np.float32), np.zeros((*shape, 3), np.float32)
        labels, dust = np.zeros(shape, np.int32), np.zeros(shape, bool)
        if rng.random() < 0.8:
            other = make_dirt(shape, rng, specks=int(rng.uniform(0, 40)), fibres=int(rng.integers(0, 5)),
                              scratches=int(rng.integers(0, 2)), size=float(np.exp(rng.uniform(np.log(4), np.log(12)))),
                              depth=(0.35, 1.0), soft=soft)
            factor *= other.factor[..., None]
            dust = other.labels > 0
        for label in range(1, int(rng.integers(4, 10))):
            if outlines and rng.random() < 0.35:
                points = outlines[rng.integers(len(outlines))] * 7 / rng.uniform(5, 11)
                a = rng.choice([0, np.pi, rng.uniform(0, 6.3)])
                points = (points - points.mean(axis=0)) @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
                points += rng.uniform((0, 0), shape[::-1])
            else:
                points = outline(shape, rng)
            part, cover = _covered(points, shape)
            if part is None:
                continue
            solid = cover >= (0.5 if cover.max() > 0.95 else 0.3)
            if solid.sum() < 20 or (labels[part] > 0)[ndimage.binary_dilation(solid, iterations=6)].any():
                continue
            cover = ndimage.gaussian_filter(cover, rng.uniform(0.2, 0.7))[..., None]
            layers = np.ones(3) if rng.random() < 0.75 else rng.choice([0.0, 0.3, 1.0], 3)
            layers = layers if layers.max() > 0.3 else np.ones(3)
            if rng.random() < 0.5:
                removed[part] = np.maximum(removed[part], rng.uniform(0.25, 1.0) * layers * cover)
            else:
                through = np.exp(rng.uniform(np.log(1.12), np.log(2)))
                factor[part] *= (1 + (through - 1) * layers * cover).astype(np.float32)
            labels[part][solid] = label
        return Scratched(factor, removed, labels, dust)

    return make


def _covered(points, shape, zoom=4):
    """Share of each pixel that an outline covers, and where."""
    from PIL import Image, ImageDraw

    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 3, shape[::-1])
    size = high - low
    if size.min() < 3:
        return None, None
    image = Image.new("L", tuple(int(v) for v in size * zoom))
    ImageDraw.Draw(image).polygon([tuple(p) for p in (points - low + 0.5) * zoom], fill=255)
    cover = np.asarray(image.resize(tuple(int(v) for v in size), Image.Resampling.BOX), np.float32) / 255
    return (slice(low[1], high[1]), slice(low[0], high[0])), cover


def haired(outlines):
    """A maker of light dirt with many hairs, as `spot_scenes.sample` takes it."""

    def make(shape, rng, soft):
        if outlines and rng.random() < 0.4:
            return spot_scenes.outlined(outlines, 0.4)(shape, rng, soft, (40, 140))
        return make_dirt(shape, rng, specks=int(rng.uniform(0, 60)), fibres=int(rng.integers(4, 14)),
                         scratches=int(rng.integers(0, 3)), size=float(np.exp(rng.uniform(np.log(3), np.log(10)))),
                         depth=(0.25, 1.0), soft=soft)

    return make


def gather(name, seed, dirt, light=False):
    """Values and targets (1 scratch, 0 picture, nan neither) of the lines of one frame with scratches, and without."""
    from scipy import ndimage

    rng = np.random.default_rng([seed, sum(map(ord, name))])
    shape = [(760, 1100), (1100, 760), (620, 930)][int(rng.integers(3))]
    if light:
        shape = tuple(int(1.5 * side) for side in shape)
    frame = spot_scenes.sample(name, seed, shape, dirt=dirt, grain=(0.005, 0.035))
    out = []
    for positive, truth in ((frame.positive, frame.dirt.labels > 0), (frame.clean, np.zeros(shape, bool))):
        linear, density, _ = find._parts(positive, None)
        plane = noise.film_plane(linear, density, threads=1)
        found, values = scratches.find(plane, channels.Channels.of(positive), features.Frame(plane), light=light)
        near = ndimage.binary_dilation(truth, iterations=2)
        at = [np.clip(np.rint(s.points[:, ::-1]).astype(int), 0, np.array(shape) - 1).T for s in found]
        on = np.array([near[tuple(a)].mean() for a in at])
        out.append((values, np.where(on >= 0.6, 1.0, np.where(on < 0.3, 0.0, np.nan))))
    return out


def collect(frames, dirt, light=False):
    """Values, targets, number of the frame and name of its scene of the lines of all frames (name, seed)."""
    rows = []
    for k, (name, seed) in enumerate(frames):
        for values, target in gather(name, seed, dirt, light):
            rows.append((values, target, np.full(len(target), len(rows)), np.full(len(target), name)))
        if k % 20 == 19:
            print(f"{k + 1} frames: {sum(np.nansum(r[1]) for r in rows):.0f} scratches among "
                  f"{sum(len(r[1]) for r in rows)} lines", flush=True)
    return [np.concatenate(v) for v in zip(*rows)]


def scratched_frames(seeds):
    """Every scene for each seed, and more of the bars."""
    for seed in seeds:
        yield from ((name, seed) for name in spot_scenes.names() if name != "hard:bars")
        yield from (("hard:bars", seed + 1000 * k) for k in range(BARS))


def haired_frames(photographs):
    """Photographs from files and at hand, and invented scenes."""
    for name in train_look.names(photographs) + spot_scenes.names():
        for seed in range(PHOTOGRAPHED if name.startswith(("file:", "photo:")) else INVENTED):
            yield name, 9000 + seed


def fitted(x, y, options) -> dict:
    known = np.isfinite(y)
    return train_spots.fit(x[known], y[known], **options)


def plain(trees) -> dict:
    """Trees as values for JSON."""
    def rounded(rows, digits):
        return [[round(float(v), digits) for v in row] for row in rows]

    return {"start": round(float(trees["start"]), 4), "edges": rounded(trees["edges"], 5),
            "features": [[int(v) for v in row] for row in trees["features"]],
            "limits": [[int(v) for v in row] for row in trees["limits"]], "leaves": rounded(trees["leaves"], 5)}


def as_trees(t) -> score.Trees:
    return score.Trees(t["start"], tuple(np.array(e, np.float32) for e in t["edges"]), np.array(t["features"]),
                       np.array(t["limits"]), np.array(t["leaves"], np.float32))


def judged(x, y, scene, *, options, parts=4) -> np.ndarray:
    """Confidence of each line by trees that have not seen its scene."""
    names = np.unique(scene)
    fold = dict(zip(names, np.random.default_rng(0).permutation(len(names)) % parts))
    fold, out = np.array([fold[s] for s in scene]), np.zeros(len(y))
    for k in range(parts):
        out[fold == k] = as_trees(fitted(x[fold != k], y[fold != k], options))(x[fold == k])
    return np.clip(out, 1e-4, 1 - 1e-4)


def faint(outlines):
    """A maker of hairs, of scratches in the emulsion and of faint ones in the back; those are no part of its truth."""

    def make(shape, rng, soft):
        from scipy import ndimage

        dark, hairs = scratched(real(outlines) if outlines else [])(shape, rng, soft), haired(outlines)(shape, rng, soft)
        factor, labels = dark.factor * hairs.factor[..., None], (hairs.labels > 0) | dark.dust
        for _ in range(int(rng.integers(1, 5))):
            part, cover = _covered(outline(shape, rng), shape)
            if part is None:
                continue
            labels[part] |= cover >= (0.5 if cover.max() > 0.95 else 0.3)
            high, wide = cover.shape
            uneven = ndimage.gaussian_filter1d(rng.normal(0, 1, max(high, wide)), 8)
            uneven = np.clip(1 + 0.3 * uneven / uneven.std(), 0.3, 1.6)
            uneven = uneven[None, :wide] if wide >= high else uneven[:high, None]
            deep = np.exp(rng.uniform(np.log(0.06), np.log(0.6)))
            factor[part] *= (10 ** (-deep * uneven * ndimage.gaussian_filter(cover, rng.uniform(0.2, 0.7))))[..., None]
        return Scratched(factor, dark.removed, labels.astype(np.int32), dark.dust)

    return make


def spoken_for(name, outlines):
    """What the light lines of one frame with dirt, and without, are known for by themselves; what candidates say; targets."""
    from scipy import ndimage

    frame = spot_scenes.sample(name, 9100, (1000, 1400), dirt=faint(outlines), grain=(0.005, 0.035))
    out = []
    for positive, truth in ((frame.positive, frame.dirt.labels > 0), (frame.clean, np.zeros((1000, 1400), bool))):
        linear, density, _ = find._parts(positive, None)
        plane = noise.film_plane(linear, density, threads=1)
        found = find.searched(plane, channels.Channels.of(positive), threads=1)
        line = find._each(found, "line")
        if not line.any():
            continue
        index, owner, confidence, contrast, _, seen = find.weighed(found, plane)
        near, here = ndimage.binary_dilation(truth, iterations=2).reshape(-1), line[owner]
        number = (np.cumsum(line) - 1)[owner[here]]
        on = np.bincount(number, near[index[here]]) / np.bincount(number)
        said = backing.along(index, owner, confidence, contrast, line, seen, plane.size)
        out.append((confidence[line], said, np.where(on >= 0.6, 1.0, np.where(on < 0.3, 0.0, np.nan))))
    return out


def backed(names, outlines) -> list[float]:
    """The weights of `backing.backed`."""
    alone, said, y = (np.concatenate(v) for v in zip(*(row for name in names for row in spoken_for(name, outlines))))
    alone = np.clip(alone, 1e-4, 1 - 1e-4)
    columns = np.stack([np.ones(len(y)), np.log(alone / (1 - alone)), said], axis=1)
    weight = logistic(columns, y) - (ASKED, 0, 0)
    for what, odds in (("alone", columns[:, 1]), ("with what candidates say", columns @ weight)):
        print(f"{what}: {(odds > 0)[y == 1].sum()} of {(y == 1).sum()} light lines believed, and {(odds > 0)[y == 0].sum()} "
              "of the picture's")
    return [round(float(v), 2) for v in weight]


def logistic(columns, y) -> np.ndarray:
    """Weights of a logistic function of columns, fitted to what is known."""
    known, weight = np.isfinite(y), np.zeros(columns.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-columns[known] @ weight))
        bend = (columns[known].T * (p * (1 - p))) @ columns[known] + 1e-3 * np.eye(len(weight))
        weight += np.linalg.solve(bend, columns[known].T @ (y[known] - p))
    return weight


def weights(alone, y, frame):
    """Logistic weights of a line's own odds and of the doubt the others of its frame leave; what they make of it."""
    doubt = scratches.doubts(alone)
    doubt = np.bincount(frame, doubt)[frame] - doubt
    columns = np.stack([np.ones(len(y)), np.log(alone / (1 - alone)), np.log(doubt + scratches.DOUBT)], axis=1)
    weight = logistic(columns, y)
    return weight, 1 / (1 + np.exp(-columns @ weight))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--outlines", metavar="FILE", help="outlines of real scratches")
    parser.add_argument("--seeds", type=int, nargs="*", default=[1, 2, 3, 4, 5])
    parser.add_argument("--hairs", action="store_true", help="light lines")
    parser.add_argument("--photographs", help="a folder of more photographs")
    parser.add_argument("--backing", metavar="DIR", help="photographs that candidates' trees and net have not learnt from")
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--cache", metavar="FILE.npz", help="keep the lines, or take them from there")
    args = parser.parse_args()
    path = Path(scratches.__file__).with_name("hairs.json" if args.hairs else "scratches.json")
    if args.backing:
        was = json.loads(path.read_text())
        path.write_text(json.dumps(was | {"backed": backed(train_look.names(args.backing), args.outlines)}) + "\n")
        return
    if args.cache and Path(args.cache).exists():
        x, y, frame, scene = (np.load(args.cache)[k] for k in "xyfs")
    else:
        if args.hairs:
            found = collect(haired_frames(args.photographs), haired(args.outlines), light=True)
        else:
            found = collect(scratched_frames(args.seeds), scratched(real(args.outlines) if args.outlines else []))
        x, y, frame, scene = found
        if args.cache:
            np.savez(args.cache, x=x, y=y, f=frame, s=scene)
    weight, sure = weights(judged(x, y, scene, options=OPTIONS), y, frame)
    for least in (0.5, 0.7, 0.9):
        false = np.bincount(frame[(sure >= least) & (y == 0)], minlength=frame.max() + 1)[1::2]
        print(f"confidence {least}: {(sure >= least)[y == 1].mean():.2f} of the scratches looked into, "
              f"{false.mean():.2f} false on a frame without any, {false.max()} at most")
    if args.held_out:
        return

    trees = plain(fitted(x, y, OPTIONS))
    if args.photographs and not args.hairs:
        names = [n for n in train_look.names(args.photographs) if n.startswith("file:")]
        of = collect([(n, 9000) for n in names], scratched(real(args.outlines) if args.outlines else []))
        alone = np.clip(as_trees(trees)(of[0]), 1e-4, 1 - 1e-4)
        weight, _ = weights(np.append(judged(x, y, scene, options=OPTIONS), alone), np.append(y, of[1]),
                            np.append(frame, of[2] + frame.max() + 1))
    was = json.loads(path.read_text())
    path.write_text(json.dumps(was | {"columns": list(scratches.NAMES), **trees, "among": [round(float(v), 3) for v in weight]})
                    + "\n")


if __name__ == "__main__":
    main()
