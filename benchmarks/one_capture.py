"""One capture, whole process: `negconv convert` on a DNG against a script that only decodes and writes.

The script reads the same file with rawpy, the same demosaic and options, and writes a 16-bit TIFF with tifffile. Both
run as processes of their own, in turn; printed are the medians of wall time and peak memory (largest single process)
and the median of the pairwise ratios. The capture is invented: a turned frame inside a holder, with a panel frame.

    python benchmarks/one_capture.py [--megapixels 6 24 50 100 --plot cost.png] [--runs 5] [--spots off|mark|repair]
"""
from __future__ import annotations

import argparse
import compileall
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from negconv.synthetic.roll import make_roll, shots  # noqa: E402

FLOOR = """
import sys, rawpy, tifffile
with rawpy.imread(sys.argv[1]) as raw:
    out = raw.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm[sys.argv[3]], gamma=(1, 1), no_auto_bright=True,
                          no_auto_scale=True, use_camera_wb=False, user_wb=[1, 1, 1, 1],
                          output_color=rawpy.ColorSpace.raw, output_bps=16)
tifffile.imwrite(sys.argv[2], out, photometric="rgb")
"""


def timed(command: list[str]) -> tuple[float, float]:
    """Wall seconds and peak memory in MB of a process."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status):
        raise SystemExit(f"failed: {' '.join(command[:4])} ...")
    return time.perf_counter() - start, usage.ru_maxrss / 1024


def measured(megapixels: float, args) -> tuple[float, float, float, float, float, float]:
    """Medians: wall and memory of the floor, wall and memory of negconv, and of the ratios run by run."""
    from negconv.raw import DEMOSAIC

    with tempfile.TemporaryDirectory() as folder:
        folder = Path(args.folder, f"{megapixels:g}") if args.folder else Path(folder)
        if not (folder / "captures").is_dir():
            plan = [replace(shots(1, seed=3)[0], scene="bench", turn=args.turn)]
            make_roll(folder, megapixels=megapixels * 0.75, plan=plan, jobs=2)
        if args.runs == 0:
            return (0.0,) * 6
        capture, panel = Path(folder, "captures/frame01.dng"), Path(folder, "captures/panel.dng")
        floor = [sys.executable, "-c", FLOOR, str(capture), str(Path(folder, "floor.tif")), DEMOSAIC]

        def ours(run: int) -> list[str]:
            # A folder of its own each time: what is there already from the same inputs would not be made again.
            return [sys.executable, "-m", "negconv", "convert", str(capture), "-o", str(Path(folder, f"out{run}")), "--panel",
                    str(panel), "--spots", args.spots, "--quiet", "--film", "colour"]

        shutil.rmtree(folder / "out0", ignore_errors=True)
        timed(floor), timed(ours(0))
        rows = []
        for run in range(1, args.runs + 1):
            rows.append((timed(floor), timed(ours(run))))
            shutil.rmtree(Path(folder, f"out{run}"))
    middle = [statistics.median(r[i][j] for r in rows) for i in (0, 1) for j in (0, 1)]
    return (*middle, *(statistics.median(o[j] / f[j] for f, o in rows) for j in (0, 1)))


def plot(path: str, sizes, rows) -> None:
    """Wall time and memory against megapixels."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 2, figsize=(9, 4), layout="constrained")
    for axis, (column, words) in zip(axes, ((0, "seconds"), (1, "peak memory, MB"))):
        for shift, name, line in ((0, "decode and write", "o--"), (2, "negconv convert", "s-")):
            axis.plot(sizes, [r[column + shift] for r in rows], line, label=name)
        axis.set(xlabel="megapixels", ylabel=words, xlim=(0, None), ylim=(0, None))
        axis.legend()
    figure.savefig(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=[24], nargs="+", help="of the capture; several for cost against size")
    parser.add_argument("--runs", type=int, default=5, help="0 only makes the captures")
    parser.add_argument("--folder", help="where the captures are, or are to be made and kept (default: a temporary folder)")
    parser.add_argument("--spots", default="off", choices=("off", "mark", "repair"))
    parser.add_argument("--turn", type=float, default=1.0)
    parser.add_argument("--plot", help="also draw cost against size (PNG)")
    args = parser.parse_args()
    # As an installation does; else every process would compile the package anew.
    compileall.compile_dir(Path(__file__).parent.parent / "negconv", quiet=2)
    print(f"turn {args.turn:g} degrees, spots {args.spots}, medians of {args.runs}")
    print("   MP   decode and write      negconv convert       ratios: time, memory")
    rows = []
    for megapixels in args.megapixels:
        rows.append(measured(megapixels, args))
        ft, fm, ot, om, time_ratio, memory_ratio = rows[-1]
        print(f"{megapixels:5g} {ft:7.2f} s {fm:6.0f} MB {ot:10.2f} s {om:6.0f} MB {time_ratio:10.2f} {memory_ratio:6.2f}", flush=True)
    if args.plot:
        plot(args.plot, args.megapixels, rows)


if __name__ == "__main__":
    main()
