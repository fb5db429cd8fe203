"""Frames and bases over random captures of every kind of layout, against the truth they were rendered with.

The captures come from `negconv.synthetic.layouts`, which shares no code with the finder: layouts, stocks, panels, dirt
and turns are drawn at random, the pictures are drawn scenes and the photographs that ship inside scikit-image. A frame
holds the bar when all four corners lie within 0.5 % of the picture's long side; a capture does when all its frames do
and none is too many. The base is judged, per channel, against what the rebate in view lets through. Half the captures
are given their format. `--fit` fits the confidence (a logistic function of the evidence, by Newton's method) and prints
its coefficients for `negconv.frame`, those of plain sides and of faint ones apart.

Times are process times of one thread on a proxy; medians.
"""
from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from negconv import frame, search, sided
from negconv.base import base_in
from negconv.synthetic import layouts


def one(task) -> dict:
    """One capture rendered, looked at and judged."""
    kind, seed, trusted = task
    frame.TRUSTED = search.TRUSTED = trusted
    c = layouts.random_capture(kind, seed)
    known = c.layout.format if c.layout.format in frame.FORMATS and seed % 2 else None
    proxy, k = search.proxy_of(c.data)
    flattened = c.layout.flattened
    start = time.process_time()
    seen = search.look(proxy, known, flattened=flattened)
    base = base_in(proxy, seen=seen, flattened=flattened)
    took = time.process_time() - start
    frames = [f.scaled(k) for f in seen.frames]
    far, turn = errors(c.corners, c.angles, frames)
    off = float(np.abs(np.array(base.rgb) / c.base_seen - 1).max())
    each = [min(errors(c.corners[i:i + 1], c.angles[i:i + 1], [f])[0] for i in range(len(c.corners))) for f in frames]
    return {"kind": kind, "seed": seed, "content": c.layout.content, "far": far, "turn": turn, "base": off,
            "sound": base.sound, "took": took, "each": each, "confidence": [f.confidence for f in frames],
            "evidence": seen.evidence}


def errors(corners, angles, frames) -> tuple[float, float]:
    """Largest corner error as a share of the long side, and largest angle error in degrees."""
    if len(frames) != len(corners):
        return np.inf, np.inf
    far = turn = 0.0
    for truth, angle, f in zip(corners, angles, frames):
        long = np.hypot(*(np.roll(truth, -1, axis=0) - truth).T).max()
        far = max(far, float(np.hypot(*(np.array(f.corners) - truth).T).max() / long))
        turn = max(turn, float(abs(f.angle - angle)))
    return far, turn


def table(rows, key: str) -> None:
    """Shares by the values of one key."""
    print(f"\n{key:12} captures  corners  angle   base   time   failures (seed: error)")
    for value in [*dict.fromkeys(r[key] for r in rows), "all"]:
        some = [r for r in rows if value in ("all", r[key])]
        based = [r for r in some if np.isfinite(r["base"])]
        bad = "" if value == "all" else " ".join(f"{r['kind'] + ' ' if key != 'kind' else ''}{r['seed']}:{r['far']:.1%}"
                                                 for r in some if r["far"] >= 0.005)
        print(f"{value:12} {len(some):8} {np.mean([r['far'] < 0.005 for r in some]):8.1%} "
              f"{np.mean([r['turn'] < 0.1 for r in some]):6.1%} "
              f"{np.mean([r['base'] < 0.02 for r in based]) if based else np.nan:6.1%} "
              f"{np.median([r['took'] for r in some]):6.3f}   {bad[:150]}")


def calibration(rows) -> None:
    """Of the frames given a confidence, how many hold the bar."""
    confidence = np.concatenate([r["confidence"] for r in rows])
    held = np.concatenate([r["each"] for r in rows]) < 0.005
    print("\nconfidence   frames  hold the bar")
    for low, high in ((0, 0.2), (0.2, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)):
        these = (confidence >= low) & (confidence < high)
        if these.any():
            print(f"{low:.2f}-{min(high, 1):.2f} {these.sum():10} {held[these].mean():10.1%}   "
                  f"(said {confidence[these].mean():.2f})")


def fit(rows, ridge: float = 2.0) -> np.ndarray:
    """Coefficients of the logistic function, the constant first."""
    x = np.array([e for r in rows for e in r["evidence"]])
    y = np.array([d < 0.005 for r in rows for e, d in zip(r["evidence"], r["each"])], float)
    x = np.hstack([np.ones((len(x), 1)), x])
    w = np.zeros(x.shape[1])
    penalty = np.diag([0.0] + [ridge] * (x.shape[1] - 1))
    for _ in range(50):
        p = 1 / (1 + np.exp(-x @ w))
        w = w + np.linalg.solve((x * (p * (1 - p))[:, None]).T @ x + penalty, x.T @ (y - p) - penalty @ w)
    return w


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=30, help="captures of each kind (default 30)")
    parser.add_argument("--seed", type=int, default=1000, help="first seed (default 1000)")
    parser.add_argument("--kinds", nargs="*", default=list(layouts.KINDS), help="only these kinds")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--fit", action="store_true", help="fit the confidence to these captures")
    args = parser.parse_args()
    # The confidence is fitted to all answers, and not only to those that would be trusted.
    trusted = 0.0 if args.fit else frame.TRUSTED
    tasks = [(kind, args.seed + i, trusted) for kind in args.kinds for i in range(args.each)]
    with ProcessPoolExecutor(args.jobs) as pool:
        rows = list(pool.map(one, tasks, chunksize=4))
    table(rows, "kind")
    table(rows, "content")
    calibration(rows)
    if args.fit:
        for name in ("WEIGHTS", "FAINT_WEIGHTS"):
            many = len(getattr(sided, name)) - 1
            some = [{**r, "evidence": [e for e in r["evidence"] if len(e) == many],
                     "each": [d for e, d in zip(r["evidence"], r["each"]) if len(e) == many]} for r in rows]
            if any(r["evidence"] for r in some):
                print(f"\n{name}: ", ", ".join(f"{v:.2f}" for v in fit(some)))


if __name__ == "__main__":
    main()
