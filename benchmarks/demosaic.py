"""Which demosaic: quality and cost of LibRaw's algorithms on captures of negatives.

Scenes of the glasshouse as orange-masked negatives, blurred as a capture lens and film blur them, are mosaicked with
photon and read noise, written as DNG and read back by each algorithm exactly as `negconv.read` does (no white
balance: the channels of a masked negative differ by two stops and more). Printed: the root mean square error in
density (D = -log10), the channels pooled, over all pixels and over the tenth with the steepest edges, worst scene
and median, and the median time of decoding against LINEAR in the same run.

    python benchmarks/demosaic.py [--megapixels 3] [--runs 3]
"""
from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
import rawpy
from scipy.ndimage import gaussian_filter, sobel

from negconv.synthetic import rawfile, scenes

NAMES = ("LINEAR", "PPG", "AHD", "VNG", "DCB", "DHT", "AAHD")
SCENES = ("leaves", "foliage", "brick", "lettering", "chart", "panes")


def negative(scene: np.ndarray, blur: float) -> np.ndarray:
    """Camera-native transmittance of a plain masked film, gamma 0.6, with overlapping channels."""
    log_h = np.log10(np.maximum(scene, 0.002))
    density = 0.6 * (log_h - np.log10(0.002)) @ np.array([[.9, .12, .05], [.08, .85, .15], [.02, .1, .9]]).T
    tau = 10 ** -(density + np.array([0.25, 0.65, 0.95])) * 1.6
    return np.stack([gaussian_filter(tau[..., c], blur) for c in range(3)], axis=-1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=3)
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    height = int((args.megapixels * 1e6 / 1.5) ** 0.5) // 2 * 2
    shape = (height, int(height * 1.5) // 2 * 2)
    rows: dict[tuple, list] = {}
    for name in SCENES:
        for blur in (0.6, 1.0):
            truth = negative(scenes.scene(name, shape, seed=5), blur)
            cfa = rawfile.mosaic(truth, electrons=40000, rng=np.random.default_rng(1))
            log = np.log10(np.maximum(truth, 1e-4))
            edge = sum(np.hypot(sobel(log[..., c], 0), sobel(log[..., c], 1)) for c in range(3))
            steep = edge > np.quantile(edge, 0.9)
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "a.dng"
                rawfile.write_dng(path, cfa)
                with rawpy.imread(str(path)) as raw:
                    for algorithm in NAMES:
                        times = []
                        for _ in range(args.runs):
                            start = time.perf_counter()
                            out = raw.postprocess(
                                demosaic_algorithm=getattr(rawpy.DemosaicAlgorithm, algorithm), gamma=(1, 1),
                                no_auto_bright=True, no_auto_scale=True, use_camera_wb=False, user_wb=[1, 1, 1, 1],
                                output_color=rawpy.ColorSpace.raw, output_bps=16)
                            times.append(time.perf_counter() - start)
                        error = np.log10(np.maximum(out / (16383 - 512), 1e-4)) - log
                        rows.setdefault((algorithm, blur), []).append(
                            (np.sqrt((error ** 2).mean()), np.sqrt((error[steep] ** 2).mean()), statistics.median(times)))
    print(f"{shape[1]} x {shape[0]} pixels, {len(SCENES)} scenes; error in density, median (worst scene)")
    for blur in (0.6, 1.0):
        reference = statistics.median(t for _, _, t in rows["LINEAR", blur])
        for algorithm in NAMES:
            all_, edges, times = zip(*rows[algorithm, blur])
            print(f"blur {blur} px  {algorithm:6}  all {statistics.median(all_):.4f} ({max(all_):.4f})  "
                  f"edges {statistics.median(edges):.4f} ({max(edges):.4f})  time {statistics.median(times) / reference:.2f}x")


if __name__ == "__main__":
    main()
