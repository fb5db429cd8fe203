"""Colour over spectral worlds: every stock, panel and camera of tests/spectral.py, and worlds drawn at random.

For each world the CIEDE2000 over a 24-patch chart (mean, 90th percentile, worst patch) of

- ``stretch``: each channel inverted and stretched between its extremes, the common practice it is measured against;
- ``alone``: no calibration, the neutral solved from a frame that shows the chart;
- ``roll``: the same, the roll's other seven frames seen too (invented scenes with other colours);
- ``chart``: calibrated with the chart; ``others``: the colours of two other charts with that film.

A result counts after the one factor that brings the median luminance right. The worlds of this table were not used to
make the generic film, though the published panels and cameras in them were. About two minutes on one core.
"""
from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
# In place of this folder, where `import colour` would find this script and not colour-science.
sys.path[:1] = [str(ROOT), str(ROOT / "tests")]

import spectral  # noqa: E402
import test_balance as balance  # noqa: E402
import test_chart as chart  # noqa: E402


def stretched(world) -> np.ndarray:
    light = 1 / world.negative(balance.CHART)
    low, high = np.quantile(np.repeat(light, 100, axis=0), (0.005, 0.995), axis=0)
    linear = np.clip((light - low) / (high - low), 1e-4, 1)
    true = spectral.xyz(balance.CHART)
    return spectral.delta_e(balance.lab_of(linear, true), spectral.lab(true))


def calibrated(world, noise: float) -> tuple[np.ndarray, np.ndarray]:
    image, rects = chart.picture(world.negative(chart.CHART), noise)
    film = chart.calibrate(image, world.base, rects, chart.XYZ, meta=chart.meta(world), kind="colour")
    return tuple(spectral.delta_e(*chart.differences(film, world, r)) for r in (chart.CHART, chart.OTHERS))


def said(values: np.ndarray) -> str:
    return f"{values.mean():5.2f} {np.quantile(values, 0.9):5.2f} {values.max():5.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drawn", type=int, default=12, help="worlds drawn at random besides the 32 named (default: 12)")
    parser.add_argument("--noise", type=float, default=0.002, help="noise of a chart pixel in density (default: 0.002)")
    parser.add_argument("--stops", type=float, default=0.0, help="over- or underexposure (default: 0)")
    args = parser.parse_args()

    drawn = (spectral.drawn_world(number) for number in range(300_000, 400_000))
    worlds = spectral.worlds() + [w for _, w in zip(range(args.drawn), (
        w for w in drawn if np.linalg.cond(w.camera_matrix) < 12))]
    names = ("stretch", "alone", "roll", "chart", "others")
    print(f"{'mean, 90 %, worst':42}" + "".join(f"{n:20}" for n in names))
    means: dict[str, list[float]] = {n: [] for n in names}
    groups: dict[str, list[int]] = {}
    for i, world in enumerate(worlds):
        roll = [balance.WHOLE] + [balance.scene(1000 * i + k) for k in range(7)]
        results = (stretched(world), balance.outcome(world, balance.WHOLE, args.stops),
                   balance.outcome(world, balance.WHOLE, args.stops, roll=roll), *calibrated(world, args.noise))
        for name, values in zip(names, results):
            means[name].append(values.mean())
        groups.setdefault(world.name.split(", ")[-1] if "camera" in world.name else "drawn", []).append(i)
        print(f"{world.name:42}" + "   ".join(said(v) for v in results), flush=True)
    print("\nmeans of worlds: mean, 90th percentile, worst world")
    for group, members in {**groups, "all": list(range(len(worlds)))}.items():
        print(f"{group:42}" + "   ".join(said(np.array(means[n])[members]) for n in names))


if __name__ == "__main__":
    main()
