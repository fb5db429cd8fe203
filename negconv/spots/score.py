"""How likely a candidate is dirt: a small network whose numbers are in scorer.json (benchmarks/train_spots.py makes them)."""
from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from .features import NAMES

#: Candidates below this confidence are not even listed.
DOUBTFUL = 0.15


@dataclass(frozen=True, eq=False)
class Network:
    """Standardised features through tanh layers to a logistic output."""

    mean: np.ndarray
    scale: np.ndarray
    weights: tuple[np.ndarray, ...]
    biases: tuple[np.ndarray, ...]

    def __call__(self, values: np.ndarray) -> np.ndarray:
        h = np.clip((values - self.mean) / self.scale, np.float32(-4), np.float32(4))
        for w, b in zip(self.weights[:-1], self.biases[:-1]):
            h = np.tanh(h @ w + b)
        z = (h @ self.weights[-1] + self.biases[-1])[:, 0]
        return 1 / (1 + np.exp(-np.clip(z, -30, 30)))


@lru_cache(maxsize=4)
def networks(path: str | None = None) -> dict[bool, Network]:
    """The scorers for light and for dark candidates."""
    data = json.loads(Path(path or Path(__file__).with_name("scorer.json")).read_text())
    if tuple(data["features"]) != NAMES:
        raise ValueError("scorer.json was made for other features; run benchmarks/train_spots.py")
    as_array = lambda v: np.array(v, np.float32)  # noqa: E731
    return {light: Network(as_array(net["mean"]), as_array(net["scale"]), tuple(map(as_array, net["weights"])),
                           tuple(map(as_array, net["biases"])))
            for light, net in ((True, data["light"]), (False, data["dark"]))}


def confidence(values: np.ndarray, *, light: bool) -> np.ndarray:
    """Share of candidates with such features that are dirt.

    Parameters
    ----------
    values : float32 array (n, len(NAMES))
        As `negconv.spots.features.measure` returns them.
    light : bool

    Returns
    -------
    float array (n,)
    """
    return networks()[light](values)
