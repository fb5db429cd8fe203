"""A 16-bit TIFF against what people script today with general image libraries, as whole processes in the same run.

Each takes the same invented capture (24 megapixels, linear, a turned picture in its holder) to a 16-bit uncompressed TIFF:

magick   ImageMagick: negate, stretch, sigmoid
vips     libvips through pyvips: invert, stretch, tone table
opencv   OpenCV with numpy: per-channel tables (invert, stretch, tone)
negconv  frame, base, film with unmixing, balance, tone, turn and crop, profile, sidecar; with and without a panel frame

The peers are no needs of the package: give the interpreter of an environment with opencv-python-headless and pyvips[binary]
as ``--python``, and have ImageMagick's `convert` on the path; what is missing is left out. Prints medians of wall time, of
processor time and of the ratio to each peer, run by run.
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

OPENCV = """
import sys, cv2, numpy as np
image = cv2.imread(sys.argv[1], cv2.IMREAD_UNCHANGED)
x = np.arange(65536) / 65535
for c in range(3):
    low, high = np.quantile(image[::16, ::16, c], (0.001, 0.999))
    v = 1 - np.clip((np.arange(65536) - low) / max(high - low, 1), 0, 1)
    table = (65535 / (1 + np.exp(-8 * (v - 0.5)))).astype(np.uint16)
    image[..., c] = table[image[..., c]]
cv2.imwrite(sys.argv[2], image, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
"""
VIPS = """
import sys, pyvips, numpy as np
image = pyvips.Image.new_from_file(sys.argv[1], access="sequential")
small = pyvips.Image.thumbnail(sys.argv[1], 400).numpy()
tables = []
for c in range(3):
    low, high = np.quantile(small[..., c], (0.001, 0.999))
    v = 1 - np.clip((np.arange(65536) - low) / max(high - low, 1), 0, 1)
    tables.append((65535 / (1 + np.exp(-8 * (v - 0.5)))).astype(np.uint16))
table = pyvips.Image.new_from_array(np.stack(tables, axis=-1)[None])
image.maplut(table).write_to_file(sys.argv[2], compression="none")
"""


def timed(command: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of a process."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status):
        raise OSError(f"failed: {' '.join(command[:3])}")
    return time.perf_counter() - start, usage.ru_utime + usage.ru_stime


def material(folder: str, megapixels: float) -> tuple[Path, Path]:
    """A capture and a panel frame as TIFF."""
    import tifffile

    from negconv import read
    from negconv.synthetic.roll import make_roll, shots

    make_roll(folder, megapixels=megapixels * 0.75, plan=[replace(shots(1, seed=3)[0], scene="bench", turn=1.0)], jobs=2)
    out = []
    for name in ("frame01", "panel"):
        capture = read(Path(folder, f"captures/{name}.dng"))
        out.append(Path(folder, f"{name}.tif"))
        tifffile.imwrite(out[-1], (capture.data * 65535).astype("uint16"), photometric="rgb")
    return out[0], out[1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--python", default=sys.executable, help="interpreter with the peers")
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--runs", type=int, default=5)
    args = parser.parse_args()
    # As an installation does, and of the peers did; else every process would compile the package anew.
    compileall.compile_dir(Path(__file__).parent.parent / "negconv", quiet=2)
    with tempfile.TemporaryDirectory() as folder:
        capture, panel = map(str, material(folder, args.megapixels))
        target = str(Path(folder, "out.tif"))

        def negconv(*more: str):
            # A folder of its own each time: what is there already from the same inputs would not be made again.
            return lambda run: [sys.executable, "-m", "negconv", "convert", capture, "-o", str(Path(folder, f"out{run}-{len(more)}")),
                                "--film", "colour", "--spots", "off", "--quiet", *more]

        commands = {
            "magick": lambda run: [shutil.which("convert") or "convert", capture, "-negate", "-contrast-stretch", "0.1%x0.1%",
                                   "-sigmoidal-contrast", "8x50%", "-compress", "none", target],
            "vips": lambda run: [args.python, "-c", VIPS, capture, target],
            "opencv": lambda run: [args.python, "-c", OPENCV, capture, target],
            "negconv": negconv(),
            "negconv, panel": negconv("--panel", panel),
        }
        for name in list(commands):
            try:
                timed(commands[name](0))
            except OSError as error:
                print(f"{name} left out: {error}")
                del commands[name]
        rows: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
        for run in range(1, args.runs + 1):
            for name, command in commands.items():
                rows[name].append(timed(command(run)))
                shutil.rmtree(Path(folder, f"out{run}-0"), ignore_errors=True)
                shutil.rmtree(Path(folder, f"out{run}-2"), ignore_errors=True)
    print(f"{args.megapixels:g} MP, 16-bit TIFF, medians of {args.runs}: wall, processors, and wall against each")
    peers = [n for n in rows if not n.startswith("negconv")]
    for name, times in rows.items():
        ratios = " ".join(f"{statistics.median(a[0] / b[0] for a, b in zip(times, rows[p])):5.2f} x {p}" for p in peers if p != name)
        wall, cpu = (statistics.median(t[k] for t in times) for k in (0, 1))
        print(f"{name:15}{wall:6.2f} s {cpu:6.2f} s   {ratios}")


if __name__ == "__main__":
    main()
