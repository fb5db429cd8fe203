"""Invented dirt: what it does to transmittance, and that its truth is true."""
from __future__ import annotations

import numpy as np
import pytest

from negconv.synthetic.dirt import KINDS, make_dirt, sensor_dirt


def test_truth_agrees_with_the_light_taken():
    dirt = make_dirt((300, 400), np.random.default_rng(3), specks=40, fibres=5, scratches=1, depth=(0.6, 1.0), soft=0.6)
    assert len(dirt.defects) >= 40
    assert {d.kind for d in dirt.defects} <= set(KINDS)
    for d in dirt.defects:
        here = dirt.labels == d.label
        assert here.sum() == d.area
        y, x = np.nonzero(here)
        assert (x.mean(), y.mean()) == pytest.approx((d.x, d.y), abs=1e-3)
        # At least half covered and hardly blurred: at least some third of the light is gone that the depth says.
        assert dirt.factor[here].mean() < 1 - 0.5 * d.depth
    # Far from any truth nothing is lost.
    from scipy import ndimage

    far = ndimage.binary_dilation(dirt.labels > 0, iterations=6)
    assert dirt.factor[~far].min() > 0.995


def test_the_blur_of_the_copy_keeps_the_light_that_is_taken():
    sharp = make_dirt((200, 200), np.random.default_rng(5), specks=12, fibres=1, scratches=0, soft=0.0)
    soft = make_dirt((200, 200), np.random.default_rng(5), specks=12, fibres=1, scratches=0, soft=1.0)
    assert (sharp.labels == soft.labels).all()
    assert (1 - soft.factor).sum() == pytest.approx((1 - sharp.factor).sum(), rel=0.02)


def test_dark_scratches_lower_the_density_towards_the_base_and_light_ones_raise_it():
    base = np.array([0.6, 0.3, 0.2], np.float32)
    film = np.broadcast_to(base * 10 ** -1.0, (200, 300, 3)).astype(np.float32)
    dirt = make_dirt((200, 300), np.random.default_rng(2), specks=3, fibres=0, scratches=1, dark_scratches=2)
    density = -np.log10(dirt.over(film, base) / base)
    dark = np.isin(dirt.labels, [d.label for d in dirt.defects if not d.light])
    light = np.isin(dirt.labels, [d.label for d in dirt.defects if d.light])
    assert dark.any() and light.any()
    assert density[dark].mean() < 0.8 and density.min() > -1e-4
    assert density[light].mean() > 1.05
    # Dust is neutral: the same density in every channel.
    assert np.ptp(density[light], axis=1).max() < 1e-4


def test_a_seed_gives_the_same_dirt():
    a, b = (make_dirt((120, 150), np.random.default_rng(9), marks=1, dark_scratches=1) for _ in range(2))
    assert (a.factor == b.factor).all() and (a.labels == b.labels).all() and a.defects == b.defects


def test_sensor_dirt_lies_where_it_says():
    factor, places = sensor_dirt((200, 300), np.random.default_rng(1), count=3)
    assert len(places) == 3
    for x, y, r in places:
        assert factor[round(y), round(x)] < 0.92
    y, x = np.ogrid[:200, :300]
    far = np.all([np.hypot(x - cx, y - cy) > 2 * r for cx, cy, r in places], axis=0)
    assert factor[far].min() > 0.99
