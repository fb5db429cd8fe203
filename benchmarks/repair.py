"""Error, grain and time of `negconv.repair` against a plain local-median fill, on frames whose twin is known exactly.

Each frame is rendered three times: with dirt, without, and without dirt, grain and noise. Error is the root mean square
difference, in display values (sRGB curve, clipped to 0..1), from

* the clean frame (``clean``): the same grain, which no fill can guess, is in it;
* the clean frame without grain (``pure``): what a fill puts back as grain counts as error;
* the same, of what a Gaussian of 1.5 pixels leaves of the difference (``low``): grain hardly counts, a wrong tone does.

All are divided by the error of a plain local-median fill: every pixel of the mask grown by two becomes the median of
the pixels outside it in a square that reaches past the spot, of side 2 r + 1 with r = 3 + twice the spot's half width.
Errors are taken in the mask and (``grown``) in the mask grown by two, all of which is filled. ``floor`` is the same
ratio for a fill that knows the picture without grain: no fill can be expected to lie below it. Grain is the standard
deviation of what a 3 x 3 mean takes away, inside over around (4 to 10 pixels from the dirt).

    python benchmarks/repair.py [--scenes WORD...] [--seed N] [--outlines FILE.npz] [--found] [--crops DIR] [--speed]
"""
from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spot_scenes  # noqa: E402
from negconv.positive import Positive  # noqa: E402
from negconv.spots import Spots, find_spots, repair  # noqa: E402
from negconv.synthetic.dirt import make_dirt  # noqa: E402


def blurred(plane, sigma):
    from scipy import ndimage

    return ndimage.gaussian_filter(plane, (sigma, sigma) + (0,) * (plane.ndim - 2))


def frame(name, seed, shape=(300, 400), outlines=None):
    """Dirty, clean and pure positives (linear) and the mask of one frame; all else is drawn from the seed."""
    rng = np.random.default_rng([seed, sum(map(ord, name)), 99])
    light = blurred(spot_scenes.picture(name, shape, rng), rng.choice([0, 0.5, 0.9]))
    mono = rng.random() < 0.4
    if mono:
        light = light @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    light = light * np.float32(np.clip(0.18 / max(np.median(light), 1e-3), 0.3, 5) ** 0.7)
    gamma, toe, grain = rng.uniform(0.5, 0.75), rng.uniform(0.003, 0.012), rng.choice([0.006, 0.012, 0.02, 0.03])
    density = (gamma * np.log10(1 + light / toe)).astype(np.float32)
    own = rng.standard_normal(light.shape).astype(np.float32)
    if not mono:
        own = 0.6 * own + 0.8 * rng.standard_normal((*shape, 1)).astype(np.float32)
    own = blurred(own, rng.choice([0, 0.5, 0.8]))
    grained = density + grain * own / own.std() * np.sqrt((density + 0.06) / 0.7)
    lens, full = rng.uniform(0.4, 0.9), rng.uniform(5000, 40000)
    if outlines:
        dirt = spot_scenes.outlined(outlines)(shape, rng, 0.0)
    else:
        dirt = make_dirt(shape, rng, specks=int(rng.uniform(8, 30)), fibres=int(rng.integers(1, 5)),
                         scratches=int(rng.integers(0, 2)), dark_scratches=int(rng.integers(0, 2)),
                         size=float(np.exp(rng.uniform(np.log(4), np.log(12)))), depth=(0.35, 1.0), soft=0.0)
    noise = rng.standard_normal(light.shape).astype(np.float32)

    def seen(density, dirty, noisy):
        through = np.float32(10) ** -density
        through = blurred(dirt.over(through, 1.0) if dirty else through, lens)
        if noisy:
            through = through + noise * np.sqrt(np.maximum(through, 0) / full + 4 / full ** 2)
        return (toe * (np.maximum(through, 1e-4) ** (-1 / gamma) - 1)).astype(np.float32)

    return seen(grained, True, True), seen(grained, False, True), seen(density, False, False), dirt.labels > 0


def median_fill(linear, mask):
    """The plain fill everything is measured against."""
    from scipy import ndimage

    planes = np.atleast_3d(linear)
    out = planes.copy()
    parts, _ = ndimage.label(mask, np.ones((3, 3)))
    for i, (sy, sx) in enumerate(ndimage.find_objects(parts)):
        inner = ndimage.distance_transform_edt(np.pad(parts[sy, sx] == i + 1, 1)).max()
        r = int(np.ceil(2 * inner)) + 3
        for y, x in np.argwhere(parts[sy, sx] == i + 1) + (sy.start, sx.start):
            win = (slice(max(y - r, 0), y + r + 1), slice(max(x - r, 0), x + r + 1))
            ok = ~mask[win]
            if ok.any():
                out[y, x] = np.median(planes[win][ok], axis=0)
    return out.reshape(linear.shape)


def display(linear):
    """sRGB curve (IEC 61966-2-1), clipped."""
    v = np.clip(linear, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055)


def measure(repaired, plain, clean, pure, mask, grown):
    """Ratios to the plain fill: clean, pure, low in the mask and in the grown mask, floor; grain."""
    from scipy import ndimage

    def ratio(value, truth, where, soft=0.0):
        root = [np.sqrt(np.mean(blurred(display(v) - display(truth), soft)[where] ** 2)) for v in (value, plain)]
        return root[0] / max(root[1], 1e-9)

    def fine(v):
        v = np.atleast_3d(display(v))
        return v - ndimage.uniform_filter(v, (3, 3, 1))

    around = ndimage.binary_dilation(mask, iterations=10) & ~ndimage.binary_dilation(mask, iterations=4)
    grain = fine(repaired)[mask].std() / max(fine(clean)[around].std(), 1e-9)
    return (*(ratio(repaired, truth, where, soft) for where in (mask, grown)
              for truth, soft in ((clean, 0), (pure, 0), (pure, 1.5))), ratio(pure, clean, mask), grain)


def speed() -> None:
    """One frame of 24 megapixels with 300 spots."""
    import resource

    rng = np.random.default_rng(0)
    shape = (4000, 6000)
    linear = np.tile(rng.random((500, 750, 3), dtype=np.float32) * 0.02 + 0.2, (8, 8, 1))
    dirt = make_dirt(shape, rng, specks=270, fibres=28, scratches=2)
    linear[dirt.labels > 0] = 9
    spots = Spots.from_mask(dirt.labels > 0)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    spent = []
    for _ in range(5):
        start, wall = time.process_time(), time.perf_counter()
        repair(linear, spots)
        spent.append((time.process_time() - start, time.perf_counter() - wall))
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024 / linear.nbytes
    cpu, wall = np.median(spent, axis=0)
    print(f"{len(spots)} spots in 24 megapixels: {cpu:.2f} s of processor, {wall:.2f} s by the clock; "
          f"memory beyond what was there: {more:.2f} of the frame")


def main() -> None:
    from scipy import ndimage

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", nargs="*", help="only scenes with one of these words in their names")
    parser.add_argument("--seed", type=int, default=301)
    parser.add_argument("--outlines", metavar="FILE", help="dirt from outlines people drew, see spot_scenes.outlined")
    parser.add_argument("--found", action="store_true", help="repair what find_spots finds instead of the true mask; "
                        "errors are still taken in the part of the true mask that was found")
    parser.add_argument("--crops", metavar="DIR", help="write dirty, repaired and clean side by side")
    parser.add_argument("--speed", action="store_true", help="time and memory alone, on 24 megapixels")
    args = parser.parse_args()
    if args.speed:
        return speed()
    rows = []
    each = f"{'clean':>6s} {'pure':>6s} {'low':>6s}"
    print(f"{'':26s} {'mask':>20s} {'grown':>20s}\n{'scene':26s} {each} {each} "
          f"{'floor':>6s} {'grain':>6s} {'ms/spot':>8s}")
    for name in spot_scenes.names():
        if args.scenes and not any(p in name for p in args.scenes):
            continue
        dirty, clean, pure, mask = frame(name, args.seed, outlines=args.outlines)
        spots = find_spots(Positive(dirty)) if args.found else mask
        fill = spots.reach if args.found else mask
        mask = mask & fill
        if not mask.any():
            continue
        start = time.process_time()
        repaired = repair(dirty, spots, threads=1)
        spent = (time.process_time() - start) / ndimage.label(fill)[1]
        grown = ndimage.binary_dilation(fill, iterations=2)
        row = measure(repaired, median_fill(dirty, grown), clean, pure, mask, grown)
        rows.append(row)
        print(f"{name:26s} " + " ".join(f"{v:6.2f}" for v in row) + f" {1000 * spent:8.2f}", flush=True)
        if args.crops:
            from PIL import Image

            three = [(np.atleast_3d(display(v)) * np.full(3, 255)).round().astype(np.uint8)
                     for v in (dirty, repaired, clean)]
            Path(args.crops).mkdir(parents=True, exist_ok=True)
            Image.fromarray(np.concatenate(three, 1)).save(Path(args.crops, name.replace(":", "-") + ".png"))
    table = np.array(rows)
    for what, row in (("median", np.median(table, axis=0)), ("mean", table.mean(axis=0)), ("worst", table.max(axis=0)),
                      ("share at 0.5 or less", (table <= 0.5).mean(axis=0))):
        print(f"{what:26s} " + " ".join(f"{v:6.2f}" for v in row))


if __name__ == "__main__":
    main()
