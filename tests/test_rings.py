"""Drying marks: closed ways against every way counted out, and rims drawn here, apart from the detector."""
from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import ndimage

from negconv.positive import Positive
from negconv.spots import find_spots, rings


def test_the_closed_way_is_the_best_of_all():
    rng = np.random.default_rng(0)
    score = rng.normal(0, 1, (1, 8, 4)).astype(np.float32)
    score[0, :, 2] += 1.5                                   # one way stands out, as a rim does

    def sum_of(way):
        steps = np.abs(np.diff(way + way[:1]))
        return -np.inf if steps.max() > 1 else score[0, np.arange(8), way].sum() - rings.BENT * steps.sum()

    best = max((list(way) for way in product(range(4), repeat=8)), key=sum_of)
    assert rings._closed(score)[0].tolist() == best


def film(rng, grain, shape=(600, 800)):
    y, x = np.mgrid[:shape[0], :shape[1]]
    density = 0.8 + 0.2 * np.sin(x / 130) * np.cos(y / 100) + 0.3 / (1 + np.exp((y - 480 + 40 * np.sin(x / 70)) / 3))
    return density, grain * rng.standard_normal(shape)


def copied(density) -> Positive:
    density = -np.log10(ndimage.gaussian_filter(10.0 ** -density, 0.6))
    linear = (0.012 * (10 ** (density / 0.6) - 0.9)).astype(np.float32)
    return Positive(linear, density=density.astype(np.float32), pixel_um=7.0)


def rim(shape, x, y, radius, width, lobes):
    """Distance from an outline of some lobes, as the share of a rim's density there."""
    dy, dx = np.mgrid[:shape[0], :shape[1]].astype(float)
    angle = np.arctan2(dy - y, dx - x)
    away = np.hypot(dx - x, dy - y) - radius * (1 + 0.1 * np.cos(lobes * angle + 1))
    return np.exp(-0.5 * (away / width) ** 2)


MARKS = [(200, 180, 60, 2.2, 2), (480, 330, 110, 2.6, 3), (660, 120, 45, 2.0, 2)]


@pytest.mark.parametrize("seed", [3, 4])
def test_faint_rims_are_found_and_called_drying_marks(seed):
    density, grain = film(np.random.default_rng(seed), 0.012)
    for mark in MARKS:
        density = density + 0.05 * rim(density.shape, *mark)
    spots = find_spots(copied(density + grain))
    for mark in MARKS:
        truth = rim(density.shape, *mark) > 0.5
        assert spots.mask[truth].mean() > 0.6
        row = spots[int(np.bincount(spots.labels[truth & spots.mask]).argmax())]
        assert row.kind == "drying mark" and row.light


def test_without_rims_there_are_no_marks():
    for seed in (5, 6):
        density, grain = film(np.random.default_rng(seed), 0.012)
        # Plates and lamps are round too: edges, and rims many pixels wide.
        y, x = np.mgrid[:600, :800]
        lamp = np.exp(-0.5 * ((np.hypot(x - 560, y - 300) - 90) / 12) ** 2)
        density = density + 0.2 * (np.hypot(x - 250, y - 250) < 80) + 0.15 * lamp
        spots = find_spots(copied(ndimage.gaussian_filter(density, 1.2) + grain))
        assert not [s for s in spots.rows if s.kind == "drying mark"]
