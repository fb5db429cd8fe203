"""One conversion at proxy size once all is loaded, as a notebook makes it: `negconv.convert` of an array, and its 8-bit codes.

The captures are those of the invented roll, rendered at 1.5 megapixels, as they come from the camera and divided by the panel's
light. The reference, in the same run, is the plain inversion that people script with numpy: quantiles, stretch, curve, 8 bits, on
floats. Medians, in seconds and as ratios; the bar is 0.1 s.
"""
from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np  # noqa: E402

import negconv  # noqa: E402
from negconv.synthetic.roll import make_roll  # noqa: E402


def plain(light: np.ndarray) -> np.ndarray:
    """Each channel inverted, stretched and curved by itself; 8-bit codes."""
    low, high = np.quantile(light[::8, ::8], (0.001, 0.999), axis=(0, 1)).astype(np.float32)
    value = 1 - np.clip((light - low) / (high - low), 0, 1)
    return (255 / (1 + np.exp(-8 * (value - 0.5)))).astype(np.uint8)


def seconds(work, runs: int) -> float:
    """Median over some runs, after one that does not count."""
    work()
    spent = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=9)
    parser.add_argument("--seed", type=int, default=0, help="another roll")
    args = parser.parse_args()
    recipe, all_ = negconv.Recipe(), []
    with tempfile.TemporaryDirectory() as folder:
        make_roll(folder, megapixels=1.1, seed=args.seed)  # of the picture; the capture has its holder too
        for path in sorted(Path(folder, "captures").glob("frame*.dng")):
            capture = negconv.read(path)
            for made in (capture, negconv.flatten(capture, Path(folder, "captures/panel.dng"))):
                light = np.ascontiguousarray(made.data)
                ours = seconds(lambda: negconv.convert(light, recipe=recipe).encode("srgb", bits=8), args.runs)
                theirs = seconds(lambda: plain(light), args.runs)
                all_.append((ours, theirs))
                print(f"{path.name} {'flattened' if made.flattened else 'as it is':10} {light.shape[1]} x {light.shape[0]} "
                      f"{ours:.3f} s, plain {theirs:.3f} s, {ours / theirs:.2f} x", flush=True)
    ours, theirs = np.array(all_).T
    print(f"median {np.median(ours):.3f} s, worst {ours.max():.3f} s; plain {np.median(theirs):.3f} s; "
          f"median ratio {np.median(ours / theirs):.2f}")


if __name__ == "__main__":
    main()
