"""The layouts against what they say of themselves: geometry, base, kinds."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from negconv.synthetic import layouts
from negconv.synthetic.scenes import scene

SMALL = (400, 600)


def rendered(kind, seed=1, **changes):
    rng = np.random.default_rng(seed)
    layout = replace(layouts.random_layout(kind, rng, size=SMALL, content="plain"), **changes)
    return layouts.render(layout, [scene("brick", (120, 180), 3)], layouts.random_stock(np.random.default_rng(5), "mono"))


@pytest.mark.parametrize("kind", layouts.KINDS)
def test_every_kind_renders_with_its_truth(kind):
    got = rendered(kind)
    h, w = got.layout.size
    assert got.data.shape == (h, w, 3) and got.data.dtype == np.float32 and np.isfinite(got.data).all()
    assert got.corners.shape == (1 if kind == "full" else got.layout.frames, 4, 2)
    # Clockwise in a picture whose y runs down: twice the signed area is positive.
    for c in got.corners:
        x, y = c[:, 0], c[:, 1]
        assert (x * np.roll(y, -1) - np.roll(x, -1) * y).sum() > 0
        assert c.sum(axis=1).argmin() == 0


def test_the_way_to_the_film_and_back():
    """`to_capture` is closed form, `_to_film` undoes the lens by iteration: each is a check of the other."""
    layout = replace(rendered("tilted").layout, distortion=0.012, perspective=(0.015, -0.01))
    u, v = np.meshgrid(np.linspace(-30, 30, 7), np.linspace(-20, 20, 5))
    x, y = layouts.to_capture(layout, u, v)
    back = layouts._to_film(layout, x, y)
    assert np.abs(back[0] - u).max() < 1e-3 and np.abs(back[1] - v).max() < 1e-3


def test_the_picture_begins_at_its_corners():
    """Just outside a frame's sides there is base, just inside picture, counted in the rendered light itself."""
    got = rendered("holder", turn=2.0, perspective=(0.0, 0.0), distortion=0.0, dust=0, print_density=0.0, noise=0.0, leak=0.0,
                   gate_soft=0.05, gate_round=0.0, blur=0.3, perforated=False, fall_off=0.0, gain=(1.0, 1.0, 1.0))
    a, b, c, d = got.corners[0]
    base = np.array(got.base)
    for start, end in ((a, b), (b, c), (c, d), (d, a)):
        along = (end - start) / np.hypot(*(end - start))
        inward = np.array([-along[1], along[0]])
        at = start + np.linspace(0.1, 0.9, 30)[:, None] * (end - start)
        # The thinnest rebate of these layouts is 0.6 % of the picture's height, some two pixels here.
        outside, inside = np.rint(at - 1.3 * inward).astype(int), np.rint(at + 2.5 * inward).astype(int)
        clear = got.data[outside[:, 1], outside[:, 0]] / base
        dense = got.data[inside[:, 1], inside[:, 0]] / base
        assert np.median(clear) > 0.8 and np.median(dense) < 0.6


def test_the_rebate_has_the_base():
    got = rendered("panel", dust=0, noise=0.0, fall_off=0.0, gain=(1.0, 1.0, 1.0), leak=0.0)
    deep = got.rebate.copy()
    for axis in (0, 1):
        for step in range(-4, 5):
            deep &= np.roll(got.rebate, step, axis)
    assert deep.any()
    assert np.abs(np.median(got.data[deep], axis=0) / got.base - 1).max() < 0.02
    assert got.data.max() > 0.98 and got.data[2, 2].min() > 0.98          # the panel is brighter than any film


def test_a_saturated_capture_is_clipped_and_a_flattened_one_is_not():
    raw = rendered("panel", gain=(1.6, 1.6, 1.6), fall_off=0.1)
    assert raw.data.max() == 1.0 and not raw.layout.flattened
    even = rendered("leak", gain=(1.0, 1.0, 1.0), fall_off=0.0, leak=0.5)
    assert even.data.max() > 1.05 and even.layout.flattened


def test_the_same_seed_gives_the_same_capture():
    one, two = (layouts.random_capture("cut", 11, [scene("leaves", (80, 120), 1)], size=SMALL) for _ in range(2))
    assert np.array_equal(one.data, two.data) and one.layout == two.layout
