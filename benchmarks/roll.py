"""A roll on processes against a script that only decodes with rawpy and writes with tifffile, on as many processes.

Renders an invented roll (8 raw files of 24 megapixels by default) into a folder, then times, in turn and several times:

floor   each file decoded by the same demosaic as negconv's and written as 16-bit TIFF, files shared out over processes
roll    ``Roll.convert``: survey, pooled base and balance, panel divided out, inversion, one resampling, encoding, TIFF
        with profile and metadata, hashes, sidecars, everything flushed to the disk; no spots

and prints the medians and their ratio. Both write into the same file system, and outputs are removed between runs. Also
prints the peak memory of one conversion per pixel, which `negconv.roll.BYTES_PER_PIXEL` must cover.

Times on a machine that does something else meanwhile mean nothing; ``--cpu`` compares processor time instead, which
suffers less.
"""
from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")


def decode_and_write(job: tuple[str, str]) -> None:
    """The floor: what any tool that makes a 16-bit TIFF of a raw file has to do."""
    import rawpy
    import tifffile

    from negconv.raw import DEMOSAIC

    source, target = job
    with rawpy.imread(source) as raw:
        pixels = raw.postprocess(
            demosaic_algorithm=getattr(rawpy.DemosaicAlgorithm, DEMOSAIC), gamma=(1, 1), no_auto_bright=True,
            no_auto_scale=True, user_wb=[1.0, 1.0, 1.0, 1.0], output_color=rawpy.ColorSpace.raw, output_bps=16)
    tifffile.imwrite(target, pixels, photometric="rgb")


def floor(captures: list[str], out: Path, jobs: int) -> None:
    """All files through `decode_and_write`."""
    work = [(c, str(out / (Path(c).stem + ".tif"))) for c in captures]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        list(pool.map(decode_and_write, work))


def whole(folder: Path, out: Path, jobs: int, spots: str) -> None:
    """The roll."""
    from negconv import Recipe
    from negconv.roll import Roll

    results = list(Roll(folder / "captures", recipe=Recipe(spots=spots)).convert(out, jobs=jobs))
    failed = [str(r) for r in results if not r.ok]
    if failed:
        raise SystemExit("\n".join(failed))


def children_cpu() -> float:
    """Processor seconds of this process and the ended ones it started."""
    return sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))


def timed(work, cpu: bool) -> float:
    """Seconds of one run, of the clock or of the processors."""
    before = children_cpu() if cpu else time.perf_counter()
    work()
    return (children_cpu() if cpu else time.perf_counter()) - before


def peak_of_one(folder: Path, spots: str) -> float:
    """Bytes a pixel at the peak of one conversion, in a process of its own."""
    import subprocess

    code = ("import sys, resource, shutil, tempfile\nfrom pathlib import Path\nsys.path.insert(0, sys.argv[1])\n"
            "from negconv import Recipe, read\nfrom negconv.roll import Roll\n"
            "c = Path(sys.argv[2]) / 'captures'; out = tempfile.mkdtemp()\n"
            "r = list(Roll(sorted(c.glob('frame*'))[:1], panel=c / 'panel.dng', recipe=Recipe(spots=sys.argv[3])).convert(out, jobs=1))\n"
            "h, w = read(r[0].path).shape\nshutil.rmtree(out)\n"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / (h * w))")
    here = str(Path(__file__).parent.parent)
    return float(subprocess.run([sys.executable, "-c", code, here, str(folder), spots], capture_output=True, text=True,
                                check=True).stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, help="where the roll is, or is to be made (default: a temporary folder)")
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--megapixels", type=float, default=17.5, help="of the picture; the capture is 1.37 times that")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--spots", choices=("off", "mark", "repair"), default="off")
    parser.add_argument("--cpu", action="store_true", help="compare processor time instead of the clock")
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="negconv-roll-"))
    if not (folder / "captures").is_dir():
        from negconv.synthetic.roll import make_roll

        make_roll(folder, frames=args.frames, megapixels=args.megapixels, jobs=args.jobs)
    captures = sorted(map(str, (folder / "captures").glob("frame*")))[:args.frames]
    times: dict[str, list[float]] = {"floor": [], "roll": []}
    for _ in range(args.runs):
        for name, work in (("floor", lambda out: floor(captures, out, args.jobs)),
                           ("roll", lambda out: whole(folder, out, args.jobs, args.spots))):
            out = folder / f"out-{name}"
            shutil.rmtree(out, ignore_errors=True)
            out.mkdir()
            times[name].append(timed(lambda: work(out), args.cpu))
            shutil.rmtree(out)
    medians = {name: statistics.median(t) for name, t in times.items()}
    unit = "s of processors" if args.cpu else "s"
    for name, t in times.items():
        print(f"{name:6s} {medians[name]:7.2f} {unit} ({', '.join(f'{v:.2f}' for v in t)}), {medians[name] / len(captures):.2f} a frame")
    print(f"ratio  {medians['roll'] / medians['floor']:7.2f} ({len(captures)} frames, {args.jobs} processes, spots {args.spots})")
    print(f"peak   {peak_of_one(folder, args.spots):7.1f} bytes a pixel of one capture")
    if args.folder is None:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
