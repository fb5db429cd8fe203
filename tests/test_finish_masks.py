"""Soft masks against geometry worked out point by point."""
from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from negconv.errors import InputError
from negconv.finish import Complement, Ellipse, Gradient, Painted, Polygon, Product, Tonal, Union

BLANK = np.full((60, 90), 0.18, np.float32)
MASKS = [Gradient(start=(0.2, 0.9), end=(0.7, 0.3)), Ellipse(centre=(0.4, 0.6), radii=(0.2, 0.3), angle=20, feather=0.2),
         Polygon(points=((0.1, 0.1), (0.9, 0.2), (0.4, 0.8)), feather=0.15), Tonal(low=-1, high=1, feather=2)]


def soft(t):
    t = np.clip(t, 0, 1)
    return 3 * t ** 2 - 2 * t ** 3


@pytest.mark.parametrize("mask", MASKS, ids=lambda m: type(m).__name__)
@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (60, 90, 3), (37, 53), (900, 40)])
def test_weights_are_one_a_pixel_between_0_and_1(mask, shape):
    weights = mask.weights(np.full(shape, 0.18, np.float32))
    assert weights.shape == shape[:2] and weights.dtype == np.float32
    assert 0 <= weights.min() and weights.max() <= 1


def test_a_gradient_rises_along_its_two_points():
    weights = Gradient(start=(0.25, 0.0), end=(0.75, 1.0)).weights(BLANK)
    y, x = np.mgrid[0:60, 0:90] + 0.5
    along = ((x - 22.5) * 45 + y * 60) / (45 ** 2 + 60 ** 2)
    assert np.abs(weights - soft(along)).max() < 1e-5


def test_an_ellipse_is_one_inside_and_nothing_beyond_its_feather():
    weights = Ellipse(centre=(0.5, 0.5), radii=(0.2, 0.2), feather=0.25).weights(BLANK)
    y, x = np.mgrid[0:60, 0:90] + 0.5 - np.array([30, 45])[:, None, None]
    inner, outer = np.hypot(x / 18, y / 12), np.hypot(x / 33, y / 27)
    assert (weights[inner <= 0.999] == 1).all() and (weights[outer >= 1.001] == 0).all()
    between = weights[(inner > 1.001) & (outer < 0.999)]
    assert ((0 < between) & (between < 1)).all()
    # Along the two axes the feather is a smoothstep of the distance to the inner ellipse.
    assert np.allclose(weights[29, 63:78], soft(1 - (np.arange(63, 78) + 0.5 - 45 - 18) / 15), atol=0.01)


def test_a_turned_ellipse_is_turned_clockwise():
    weights = Ellipse(radii=(0.4, 0.05), angle=30, feather=0).weights(np.ones((200, 200), np.float32))
    ys, xs = np.nonzero(weights)
    slope = np.polyfit(xs, ys, 1)[0]
    assert np.degrees(np.arctan(slope)) == pytest.approx(30, abs=1.5)


def test_a_polygon_is_one_inside_and_falls_with_the_distance_outside():
    from skimage.draw import polygon2mask

    points = ((0.2, 0.1), (0.9, 0.3), (0.6, 0.5), (0.7, 0.9), (0.3, 0.7))
    h, w = 600, 900
    weights = Polygon(points=points, feather=0.15).weights(np.ones((h, w), np.float32))
    inside = polygon2mask((h, w), [(y * h - 0.5, x * w - 0.5) for x, y in points])
    from scipy.ndimage import distance_transform_edt

    away = distance_transform_edt(~inside)
    deep = distance_transform_edt(inside)
    assert (weights[deep > 5] == 1).all() and (weights[away > 96] == 0).all()
    ring = (away > 4) & (away < 86)
    assert np.abs(weights - soft(1 - away / 90))[ring].max() < 0.03


def test_a_wide_feather_is_drawn_small_and_comes_out_the_same():
    points = ((0.3, 0.3), (0.8, 0.4), (0.5, 0.8))
    small = Polygon(points=points, feather=0.3).weights(np.ones((100, 150), np.float32))
    large = Polygon(points=points, feather=0.3).weights(np.ones((1000, 1500), np.float32))
    assert np.abs(large.reshape(100, 10, 150, 10).mean(axis=(1, 3)) - small).max() < 0.02


def test_tones_are_told_in_stops_about_grey():
    steps = np.repeat(np.arange(-6, 7), 60)
    picture = np.tile((0.18 * 2.0 ** steps).astype(np.float32), (60, 1))
    weights = Tonal(low=0, high=2, feather=2).weights(picture)[30, 30::60]
    assert np.allclose(weights, soft(np.array([0, 0, 0, 0, 0, .5, 1, 1, 1, .5, 0, 0, 0])), atol=0.02)


def test_grain_is_not_copied_into_a_tonal_mask():
    grain = 2.0 ** np.random.default_rng(0).normal(0, 0.15, (800, 1200))
    weights = Tonal(low=0.5, high=20, feather=1).weights((0.18 * grain).astype(np.float32))
    assert weights.std() < 0.03 and soft(np.clip((np.log2(grain) + 0.5), 0, 1)).std() > 0.15


@settings(max_examples=50, deadline=None)
@given(st.lists(st.sampled_from(MASKS[:3]), min_size=1, max_size=3))
def test_product_union_and_complement_are_the_algebra_of_their_parts(masks):
    parts = [m.weights(BLANK) for m in masks]
    assert np.allclose(Product(masks=masks).weights(BLANK), np.prod(parts, axis=0), atol=1e-6)
    assert np.allclose(Union(masks=masks).weights(BLANK), 1 - np.prod([1 - p for p in parts], axis=0), atol=1e-6)
    assert np.allclose(Complement(mask=masks[0]).weights(BLANK), 1 - parts[0], atol=1e-6)
    # De Morgan: what is outside all is outside their union.
    both = Product(masks=[Complement(mask=m) for m in masks]).weights(BLANK)
    assert np.allclose(both, Complement(mask=Union(masks=masks)).weights(BLANK), atol=1e-6)


@pytest.mark.parametrize("bits, top", [(8, 255), (16, 65535)])
def test_a_painted_mask_is_stretched_over_the_picture(tmp_path, bits, top):
    import imageio.v3 as iio

    ramp = np.tile(np.linspace(0, top, 90), (60, 1)).astype(np.uint8 if bits == 8 else np.uint16)
    iio.imwrite(tmp_path / "sky.png", ramp)
    assert np.allclose(Painted(file="sky.png").weights(BLANK, str(tmp_path)), ramp / top, atol=1e-6)
    larger = Painted(file="sky.png").weights(np.ones((120, 180), np.float32), str(tmp_path))
    assert larger.shape == (120, 180) and np.allclose(larger[60, 20:160], np.interp(np.arange(20, 160), np.arange(180), np.linspace(0, 1, 180)), atol=0.01)


@pytest.mark.parametrize("content", [None, b"", b"no picture", b"\x89PNG\r\n\x1a\n broken"])
def test_a_painted_mask_that_is_none(tmp_path, content):
    if content is not None:
        (tmp_path / "sky.png").write_bytes(content)
    with pytest.raises(InputError, match=r"sky\.png: \w") as error:
        Painted(file="sky.png").weights(BLANK, str(tmp_path))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("make", [lambda: Gradient(start=(0.5, 0.5), end=(0.5, 0.5)), lambda: Tonal(low=1, high=0),
                                  lambda: Polygon(points=((0, 0), (1, 1))), lambda: Product(masks=()),
                                  lambda: Ellipse(radii=(0, 1))])
def test_masks_that_mean_nothing_are_refused(make):
    with pytest.raises(ValueError) as error:
        make()
    assert "must" in str(error.value)
