"""Error, grain and time of `negconv.repair` against a plain local-median fill, on dirty frames whose clean twin is known.

Error is the root mean square difference from the clean frame without grain, in the filled pixels, after asinh (logarithmic
in the lights); grain is the standard deviation of what a 3 x 3 mean takes away, inside over around, spot by spot.

    python benchmarks/repair.py [--crops DIR]
"""
from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spot_scenes  # noqa: E402
from negconv.spots import Spots, repair  # noqa: E402


def median_fill(linear, mask):
    """Each masked pixel becomes the median of the unmasked ones in a square around it that reaches past the spot."""
    from scipy import ndimage

    planes = np.atleast_3d(linear)
    out = planes.copy()
    parts, n = ndimage.label(mask, np.ones((3, 3)))
    for i, (sy, sx) in enumerate(ndimage.find_objects(parts)):
        inner = ndimage.distance_transform_edt(parts[sy, sx] == i + 1).max()
        r = int(np.ceil(2 * inner)) + 3
        y0, x0 = max(sy.start - r, 0), max(sx.start - r, 0)
        for y, x in np.argwhere(parts[sy, sx] == i + 1) + (sy.start, sx.start):
            win = (slice(max(y - r, 0), y + r + 1), slice(max(x - r, 0), x + r + 1))
            ok = ~mask[win]
            if ok.any():
                out[y, x] = np.median(planes[win][ok], axis=0)
    return out.reshape(linear.shape)


def main() -> None:
    from scipy import ndimage

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", nargs="*")
    parser.add_argument("--seed", type=int, default=301)
    parser.add_argument("--crops", metavar="DIR")
    args = parser.parse_args()
    ratios = []
    print(f"{'scene':26s} {'repair':>8s} {'median':>8s} {'ratio':>6s} {'grain':>6s} {'ms/spot':>8s}")
    for name in spot_scenes.names():
        if args.scenes and not any(p in name for p in args.scenes):
            continue
        s = spot_scenes.sample(name, args.seed, (500, 640), grain=(0.008, 0.03), dark=False)
        spots = Spots.from_mask(s.dirt.labels > 0)
        start = time.process_time()
        clean = repair(s.positive, spots)
        spent = time.process_time() - start
        grown = ndimage.binary_dilation(spots.mask, iterations=2)
        plain = median_fill(s.positive.linear, grown)
        curve = lambda v: np.arcsinh(50 * np.atleast_3d(v))  # noqa: E731
        truth = curve(s.clean.linear)
        ref = np.stack([ndimage.gaussian_filter(truth[..., c], 0.8) for c in range(truth.shape[2])], 2)
        mask = spots.mask
        e_ours, e_plain = (np.sqrt(np.mean((curve(v) - ref)[mask] ** 2)) for v in (clean.linear, plain))
        high = lambda v: v - np.stack([ndimage.uniform_filter(v[..., c], 3) for c in range(v.shape[2])], 2)  # noqa: E731
        near = ndimage.binary_dilation(mask, iterations=10) & ~ndimage.binary_dilation(mask, iterations=4)
        inner = ndimage.binary_erosion(mask)
        h = high(curve(clean.linear))
        grain = h[inner].std() / max(h[near].std(), 1e-9) if inner.any() else np.nan
        ratios.append(e_ours / e_plain)
        print(f"{name:26s} {e_ours:8.4f} {e_plain:8.4f} {e_ours / e_plain:6.2f} {grain:6.2f} {1000 * spent / len(spots):8.2f}")
        if args.crops:
            from PIL import Image

            both = [np.atleast_3d(p.encode(bits=8)) * np.ones(3, np.uint8) for p in (s.positive, clean)]
            Path(args.crops).mkdir(parents=True, exist_ok=True)
            Image.fromarray(np.concatenate(both, 1)).save(Path(args.crops, name.replace(":", "-") + ".png"))
    print(f"mean ratio {np.mean(ratios):.2f}, worst {np.max(ratios):.2f}")


if __name__ == "__main__":
    main()
