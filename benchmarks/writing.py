"""Writing one picture: ours (profile, metadata, flushed, whole or not at all) against tifffile, Pillow and plain zlib.

24 megapixels of 16-bit noise about a smooth picture, as grain on film is. Prints medians of wall and processor time:

tiff    `write_image` against ``tifffile.imwrite`` of the bare pixels; the flush to the disk is shown by itself
png     `write_image` against the same rows through zlib's usual strategy at levels 1 and 6, and the file sizes
jpeg    `write_image` against Pillow's bare JPEG of the same quality
"""
from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
import zlib
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))


def picture(megapixels: float, grain: float = 300.0) -> np.ndarray:
    """uint16 (h, w, 3)."""
    rng = np.random.default_rng(0)
    w = round((megapixels * 1.5e6) ** 0.5)
    y, x = np.mgrid[:round(w / 1.5), :w].astype(np.float32)
    smooth = 20000 + 8000 * np.sin(x / 300) + 6000 * np.cos(y / 170) * np.sin(x / 50)
    return np.clip(smooth[..., None] + rng.normal(0, grain, smooth.shape + (3,)).astype(np.float32), 0, 65535).astype(np.uint16)


def measure(name: str, work, runs: int, folder: str) -> None:
    """Print medians of `work(path)`."""
    wall, cpu, size = [], [], 0
    for k in range(runs):
        path = os.path.join(folder, f"{k}")
        w, c = time.perf_counter(), time.process_time()
        work(path)
        wall.append(time.perf_counter() - w)
        cpu.append(time.process_time() - c)
        size = os.path.getsize(path) if os.path.exists(path) else size
        if os.path.exists(path):
            os.unlink(path)
    print(f"{name:28s} {statistics.median(wall):6.3f} s, {statistics.median(cpu):6.3f} s of processors, {size / 1e6:6.1f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", default=tempfile.gettempdir(), help="on the disk to be measured")
    args = parser.parse_args()

    import tifffile
    from PIL import Image

    from negconv.output import write_image

    pixels = picture(args.megapixels)
    small = (pixels >> 8).astype(np.uint8)

    def flushed(path):
        with open(path, "wb") as file:
            file.write(memoryview(pixels).cast("B"))
            os.fsync(file.fileno())

    def squeezed(level, strategy):
        def work(path):
            rows = pixels.astype(">u2").view(np.uint8).reshape(len(pixels), -1)
            plain = np.vstack([rows[:1], rows[1:] - rows[:-1]])
            squeeze = zlib.compressobj(level, zlib.DEFLATED, -15, 9, strategy)
            Path(path).write_bytes(squeeze.compress(plain) + squeeze.flush())
        return work

    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        measure("tiff: tifffile", lambda p: tifffile.imwrite(p, pixels, photometric="rgb"), args.runs, folder)
        measure("tiff: negconv", lambda p: write_image(p, pixels), args.runs, folder)
        measure("tiff: bare bytes, flushed", flushed, args.runs, folder)
        measure("png: negconv", lambda p: write_image(p, pixels, output="png"), args.runs, folder)
        measure("png: runs and Huffman alone", squeezed(1, zlib.Z_RLE), args.runs, folder)
        measure("png: zlib level 1", squeezed(1, zlib.Z_DEFAULT_STRATEGY), args.runs, folder)
        measure("png: zlib level 6", squeezed(6, zlib.Z_DEFAULT_STRATEGY), args.runs, folder)
        measure("jpeg: Pillow", lambda p: Image.fromarray(small).save(p, "JPEG", quality=95, subsampling=0), args.runs, folder)
        measure("jpeg: negconv", lambda p: write_image(p, small, output="jpeg"), args.runs, folder)


if __name__ == "__main__":
    main()
