"""A side that shows in no pixel alone: steps drawn into noise, found again where they were drawn. Numbers invented."""
from __future__ import annotations

import numpy as np
import pytest

from negconv.veil import along, least_step, line, rows_of, veil_of

NOISE = 0.004


def plane(step: float, degrees: float = 0.0, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Film of 200 x 600 pixels with stars, denser by `step` below row 80 of its middle column."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:200, :600]
    below = np.clip(y - 80 - np.tan(np.radians(degrees)) * (x - 299.5) + 0.5, 0, 1)
    density = step * below + rng.normal(0, NOISE, below.shape)
    density[rng.integers(90, 200, 60), rng.integers(0, 600, 60)] = 1.5
    film = np.ones(density.shape, bool)
    film[:20] = film[:, :30] = film[:, 560:] = False
    return veil_of(density.astype(np.float32), film), film


def test_a_step_below_the_noise_is_seen_all_along():
    veil, film = plane(0.006)
    assert along(veil, film, 79, NOISE)[40:550].mean() > 0.7
    for other in (40, 65, 73, 86, 120):
        assert along(veil, film, other, NOISE)[40:550].mean() < 0.05
    assert abs(int(rows_of(veil, film, NOISE).argmax()) - 79) <= 1


def test_without_a_step_there_is_none():
    veil, film = plane(0.0)
    assert rows_of(veil, film, NOISE).max() < 1e-4
    assert along(veil, film, 79, NOISE).mean() < 0 and line(veil, film, 79, 40, 550, NOISE) is None
    assert along(veil, film, 2, NOISE).max() == 0 and line(veil, film, 199, 40, 550, NOISE) is None


@pytest.mark.parametrize("degrees", [0.0, 0.3, -0.4])
def test_its_line_is_found_again(degrees):
    veil, film = plane(0.008, degrees)
    offset, slope, places, share = line(veil, film, 78.0, 50, 550, NOISE)
    ends = np.array([-1.0, 0.0, 1.0])
    true = 80 - 78 + np.tan(np.radians(degrees)) * (300 + 250 * ends - 299.5) - 0.5
    assert np.abs(offset + slope * ends - true).max() < 1.2
    assert share > 0.8 and np.ptp(places) > 1.7


def test_a_finer_step_counts_where_there_is_less_noise():
    assert least_step(0.001) == least_step(0.0) < 0.0015 < least_step(0.01) < 0.01
