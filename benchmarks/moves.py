"""What each darkroom move costs, at proxy size and at full size, and how far the two agree.

Measured is one change as a notebook makes it: the move on a `Positive`, and its 8-bit sRGB codes. The bar is 0.1 s a
change on a proxy of 1.5 megapixels. Beside it stands the move alone at full size, and the error in stops (99th
percentile over pixels) between the proxy of the full-size result and the result on the proxy. The picture is made up:
tones at every scale, a horizon, and grain. Medians of some runs.
"""
from __future__ import annotations

import argparse
import statistics
import time
from dataclasses import replace

import numpy as np

import negconv
from negconv.finish import (EdgeBurn, Ellipse, Gradient, LocalContrast, LocalExposure, Moves, Polygon, Product, Sharpen, SplitTone,
                            Tonal, Veil, apply_moves, find_horizon)

SKY = Product(masks=(Gradient(start=(0.5, 0.6), end=(0.5, 0.3)), Tonal(low=0.5, feather=1.5)))
MOVES = {
    "burn, gradient": Moves(burn=(LocalExposure(stops=1.0),)),
    "burn, ellipse": Moves(burn=(LocalExposure(stops=1.0, mask=Ellipse()),)),
    "burn, polygon": Moves(burn=(LocalExposure(stops=1.0, mask=Polygon()),)),
    "burn, gradient x tones": Moves(burn=(LocalExposure(stops=0.7, mask=SKY),)),
    "edge burn": Moves(edge_burn=EdgeBurn(stops=0.5)),
    "local contrast": Moves(local_contrast=LocalContrast(strength=0.5)),
    "veil, even": Moves(veil=Veil(strength=0.7)),
    "veil, depth": Moves(veil=Veil(strength=0.7, kind="depth")),
    "split tone": Moves(split_tone=SplitTone(shadow_chroma=10, highlight_chroma=15)),
    "sharpen": Moves(sharpen=Sharpen(amount=1.0)),
}


def picture(height: int, width: int, seed: int = 0) -> negconv.Positive:
    """Tones at every scale under a light sky, with grain."""
    rng = np.random.default_rng(seed)
    tones = np.zeros((height, width), np.float32)
    for cells in (4, 16, 64, 256):
        coarse = rng.normal(0, 0.5, (cells, cells)).astype(np.float32)
        tones += coarse[np.ix_(np.arange(height) * cells // height, np.arange(width) * cells // width)]
    tones[:height // 3] += 2
    tones += rng.normal(0, 0.08, tones.shape).astype(np.float32)
    light = 0.1 * np.exp2(tones)
    return negconv.Positive(np.dstack([light * 1.1, light, light * 0.8]).astype(np.float32))


def seconds(work, runs: int) -> str:
    """Median time on the clock and, beside it, on the processor: they part where others use the machine."""
    clock, processor = [], []
    for _ in range(runs):
        start = time.perf_counter(), time.process_time()
        work()
        clock.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    return f"{statistics.median(clock):8.3f} ({statistics.median(processor):.3f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=24.0, help="of the full-size picture (24)")
    parser.add_argument("--runs", type=int, default=3, help="a median is over so many (3)")
    options = parser.parse_args()
    height = round((options.megapixels * 1e6 / 1.5) ** 0.5 / 4) * 4
    full = picture(height, height * 3 // 2)
    small = full.proxy(1500)
    print(f"proxy {small.shape[1]} x {small.shape[0]}, full size {full.shape[1]} x {full.shape[0]}")
    print(f"{'':24s}{'change, proxy':>18s}{'move, full':>18s}{'proxy against full':>20s}")
    print(f"{'':24s}{'s, clock (cpu)':>18s}{'s, clock (cpu)':>18s}{'stops':>20s}")
    show = seconds(lambda: small.encode("srgb", bits=8), options.runs)
    print(f"{'codes alone':24s}{show:>18s}")
    for name, moves in MOVES.items():
        change = seconds(lambda: apply_moves(small, moves).encode("srgb", bits=8), options.runs)
        large = seconds(lambda: apply_moves(full, moves), options.runs)
        a, b = (np.log2(np.maximum(p.linear, 1e-4)) for p in (apply_moves(full, moves).proxy(1500), apply_moves(small, moves)))
        print(f"{name:24s}{change:>18s}{large:>18s}{np.percentile(np.abs(a - b), 99):20.4f}")
    every = Moves(**{k: v for m in MOVES.values() for k, v in vars(m).items() if v != getattr(Moves(), k)})
    print(f"{'all in a row':24s}{seconds(lambda: apply_moves(small, every).encode('srgb', bits=8), options.runs):>18s}")
    tone = seconds(lambda: replace(small, tone=negconv.ToneCurve(contrast=1.5)).encode("srgb", bits=8), options.runs)
    print(f"{'tone curve':24s}{tone:>18s}")
    print(f"{'finding a horizon':24s}{seconds(lambda: find_horizon(small.linear), options.runs):>18s}")


if __name__ == "__main__":
    main()
