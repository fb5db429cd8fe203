"""One capture, whole process: `negconv convert` on a DNG against a script that only decodes and writes.

The script reads the same file with rawpy, the same demosaic and options, and writes a 16-bit TIFF with tifffile. Both
run as processes of their own, in turn; printed are the medians of wall time and peak memory (largest single process)
and the median of the pairwise ratios. The capture is invented: a turned frame inside a holder, with a panel frame.

    python benchmarks/one_capture.py [--megapixels 24] [--runs 5] [--spots off|mark|repair] [--turn DEGREES]
"""
from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from negconv.synthetic.roll import make_roll, shots

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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=24, help="of the capture")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--spots", default="off", choices=("off", "mark", "repair"))
    parser.add_argument("--turn", type=float, default=1.0)
    args = parser.parse_args()
    from negconv.capture import DEMOSAIC

    with tempfile.TemporaryDirectory() as folder:
        plan = [replace(shots(1, seed=3)[0], scene="bench", turn=args.turn)]
        make_roll(folder, megapixels=args.megapixels * 0.75, plan=plan, jobs=2)
        capture, panel = Path(folder, "captures/frame01.dng"), Path(folder, "captures/panel.dng")
        floor = [sys.executable, "-c", FLOOR, str(capture), str(Path(folder, "floor.tif")), DEMOSAIC]

        def ours(run: int) -> list[str]:
            # A folder of its own each time: what is there already from the same inputs would not be made again.
            return [sys.executable, "-m", "negconv", "convert", str(capture), "-o", str(Path(folder, f"out{run}")), "--panel",
                    str(panel), "--spots", args.spots, "--quiet", "--film", "colour"]

        timed(floor), timed(ours(0))
        rows = [(timed(floor), timed(ours(run + 1))) for run in range(args.runs)]
    (f_time, f_memory), (o_time, o_memory) = ([statistics.median(r[i][j] for r in rows) for j in (0, 1)] for i in (0, 1))
    ratio = statistics.median(o[0] / f[0] for f, o in rows)
    memory = statistics.median(o[1] / f[1] for f, o in rows)
    print(f"{args.megapixels:g} MP capture, turn {args.turn:g} degrees, spots {args.spots}, medians of {args.runs}")
    print(f"decode and write only   {f_time:6.2f} s  {f_memory:6.0f} MB")
    print(f"negconv convert         {o_time:6.2f} s  {o_memory:6.0f} MB")
    print(f"ratio                   {ratio:6.2f}    {memory:6.2f}")


if __name__ == "__main__":
    main()
