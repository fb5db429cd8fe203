"""Precision and recall of `negconv.find_spots` by scene and kind, against two general-purpose filters and clean frames.

An object counts as found when 30 % of it is covered, a detection as right when half of it lies on dirt grown by two
pixels. The filters, a median residual and a white top-hat of log luminance, get the size and the threshold that suit
each frame best, chosen with the truth in hand. Hairs: share of fibres whose middle line is covered for 90 %.
Area: mask over truth for the objects found. Clean: false spots on the same frames without dirt.

    python benchmarks/spots.py                    a table of all scenes, two frames each
    python benchmarks/spots.py --overlays DIR     and pictures with overlays: look at them
"""
from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spot_scenes  # noqa: E402
from negconv.spots import find_spots, look, score  # noqa: E402


_read, _read_net = score.scorers.__wrapped__, look.net.__wrapped__


def use(path, net=None) -> None:
    """Let `negconv.spots` score with the trees in a file, and the net in another."""
    trees = _read(str(path))
    score.scorers = lambda path=None: trees
    if net:
        eye = _read_net(str(net))
        look.net = lambda path=None: eye


def judge(labels: np.ndarray, dirt) -> dict:
    """Counts of one frame; `labels` is any label image."""
    from scipy import ndimage

    truth = dirt.labels
    mask = labels > 0
    grown = ndimage.binary_dilation(truth > 0, iterations=2)
    n = int(labels.max(initial=0))
    area = np.bincount(labels.ravel(), minlength=n + 1)[1:]
    right = np.bincount(labels.ravel(), grown.ravel(), n + 1)[1:] >= 0.5 * np.maximum(area, 1)
    there = area > 0
    size = np.bincount(truth.ravel(), minlength=len(dirt.defects) + 1)[1:]
    covered = np.bincount(truth.ravel(), mask.ravel(), len(dirt.defects) + 1)[1:]
    found = covered >= 0.3 * np.maximum(size, 1)
    tp, fp = int((right & there).sum()), int((~right & there).sum())
    kinds = {}
    for d, f, s in zip(dirt.defects, found, size):
        if s:
            key = d.kind if d.light else f"dark {d.kind}"
            kinds.setdefault(key, []).append(bool(f))
    recall = float(found[size > 0].mean()) if (size > 0).any() else 1.0
    precision = tp / max(tp + fp, 1) if tp + fp else 1.0
    # Area of the mask near found objects over their true area.
    near = ndimage.binary_dilation(np.isin(truth, np.flatnonzero(found) + 1), iterations=4)
    ratio = float((mask & near).sum() / max(size[found].sum(), 1))
    hairs = []
    for d in dirt.defects:
        if d.kind == "fibre":
            where = np.argwhere(truth == d.label)
            if len(where):
                (y0, x0), (y1, x1) = where.min(0), where.max(0) + 1
                hairs.append(_along(truth[y0:y1, x0:x1] == d.label, mask[y0:y1, x0:x1]))
    return {"precision": precision, "recall": recall, "f1": 2 * precision * recall / max(precision + recall, 1e-9),
            "false": fp, "objects": int((size > 0).sum()), "kinds": kinds, "ratio": ratio, "hairs": hairs}


def _along(hair: np.ndarray, mask: np.ndarray) -> float:
    """Share of a hair's middle line that is covered."""
    from scipy import ndimage

    depth = ndimage.distance_transform_edt(np.pad(hair, 1))[1:-1, 1:-1]
    ridge = hair & (depth >= ndimage.maximum_filter(depth, 3) - 0.5)
    return float(mask[ridge].mean()) if ridge.any() else 1.0


def filters(positive, dirt) -> dict[str, dict]:
    """The best a median residual and a top-hat can do on this frame."""
    from scipy import ndimage

    linear = positive.linear
    grey = linear if linear.ndim == 2 else linear.mean(axis=2)
    level = np.log10(np.maximum(grey, 0) + 0.005)
    out = {}
    for name in ("median", "top-hat"):
        best = None
        for side in (9, 17, 31):
            rest = level - ndimage.median_filter(level, side) if name == "median" else ndimage.white_tophat(level, side)
            for limit in np.quantile(rest, 1 - np.geomspace(0.0005, 0.1, 14)):
                labels, n = ndimage.label(rest > limit, np.ones((3, 3)))
                sizes = np.bincount(labels.ravel(), minlength=n + 1)
                keep = sizes >= 4
                keep[0] = False
                labels = (np.cumsum(keep) * keep)[labels]
                got = judge(labels, dirt)
                if best is None or got["f1"] > best["f1"]:
                    best = got
        out[name] = best
    return out


def table(names, seeds, *, nets=None, grain=(0.005, 0.04), compare: bool = False, overlays=None, shape=(640, 800), dirt=None, clean=True,
          dark=True, sensitivity=0.5) -> list[dict]:
    """Print and return the results of some scenes."""
    if nets is not None:
        use(*nets)
    rows, kinds = [], {}
    print(f"{'scene':26s} {'n':>4s} {'P':>6s} {'R':>6s} {'F1':>6s} {'area':>6s} {'hairs':>6s} {'clean':>6s}"
          + ("  median top-hat" if compare else ""))
    for name in names:
        for seed in seeds:
            s = spot_scenes.sample(name, seed, shape, dirt=dirt, dark=dark, grain=grain)
            spots = find_spots(s.positive, threads=1, sensitivity=sensitivity)
            got = judge(spots.labels, s.dirt)
            got["name"] = name
            got["clean"] = len(find_spots(s.clean, threads=1, sensitivity=sensitivity)) if clean else 0
            hairs = np.mean([h >= 0.9 for h in got["hairs"]]) if got["hairs"] else np.nan
            line = (f"{name:26s} {got['objects']:4d} {got['precision']:6.3f} {got['recall']:6.3f} {got['f1']:6.3f} "
                    f"{got['ratio']:6.2f} {hairs:6.2f} {got['clean']:6d}")
            if compare:
                other = filters(s.positive, s.dirt)
                got["others"] = {k: v["f1"] for k, v in other.items()}
                line += f"  {other['median']['f1']:6.3f}  {other['top-hat']['f1']:6.3f}"
            print(line, flush=True)
            rows.append(got)
            for kind, values in got["kinds"].items():
                kinds.setdefault(kind, []).extend(values)
            if overlays:
                _show(Path(overlays, f"{name.replace(':', '-')}-{seed}.png"), s, spots)
    f1 = np.array([r["f1"] for r in rows])
    cleans = np.array([r["clean"] for r in rows])
    hairs = np.array([h for r in rows for h in r["hairs"]])
    print(f"mean F1 {f1.mean():.3f}, worst {f1.min():.3f}, below 0.85: {(f1 < 0.85).sum()} of {len(f1)}; "
          f"P {np.mean([r['precision'] for r in rows]):.3f}, R {np.mean([r['recall'] for r in rows]):.3f}; "
          f"clean mean {cleans.mean():.1f}, worst {cleans.max()}; hairs along 90 %: {(hairs >= 0.9).mean():.3f}, "
          f"mean share {hairs.mean():.3f}; area {np.min([r['ratio'] for r in rows]):.2f}..{np.max([r['ratio'] for r in rows]):.2f}")
    print("recall by kind: " + ", ".join(f"{k} {np.mean(v):.3f} ({len(v)})" for k, v in sorted(kinds.items())))
    if compare:
        for other in ("median", "top-hat"):
            print(f"{other}, tuned per frame: mean F1 {np.mean([r['others'][other] for r in rows]):.3f}, "
                  f"worst {np.min([r['others'][other] for r in rows]):.3f}")
    return rows


def _show(path, s, spots) -> None:
    """Found (outlined by the library) beside the truth: hit green, missed red, false blue."""
    from PIL import Image

    picture = spots.overlay(s.positive)
    truth, mask = s.dirt.labels > 0, spots.mask
    base = np.atleast_3d(s.positive.encode(bits=8)) * np.ones(3, np.uint8)
    base[truth & mask] = (0, 220, 0)
    base[truth & ~mask] = (255, 0, 0)
    base[~truth & mask] = (60, 60, 255)
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.concatenate([picture, base], axis=1)).save(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="*", default=[201, 202], help="frames of each scene")
    parser.add_argument("--scenes", nargs="*", help="names, or parts of them")
    parser.add_argument("--no-filters", action="store_true", help="leave out the two filters (slow)")
    parser.add_argument("--overlays", metavar="DIR", help="write pictures to look at")
    parser.add_argument("--outlines", help="a file of outlines of real dirt (see spot_scenes.outlined), in place of drawn dirt")
    parser.add_argument("--sensitivity", type=float, default=0.5)
    args = parser.parse_args()
    names = [n for n in spot_scenes.names() if not args.scenes or any(p in n for p in args.scenes)]
    start = time.process_time()
    table(names, args.seeds, compare=not args.no_filters, overlays=args.overlays, sensitivity=args.sensitivity,
          dirt=spot_scenes.outlined(args.outlines) if args.outlines else None)
    print(f"{time.process_time() - start:.0f} s of one core")


if __name__ == "__main__":
    main()
