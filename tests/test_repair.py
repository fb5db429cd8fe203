"""Repair against pictures whose undamaged twin is known."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import ndimage

from negconv.errors import InputError
from negconv.positive import Positive
from negconv.spots import Spots, repair


def horizon(shape=(240, 320), slope=0.4, low=0.06, high=0.4):
    """A slanting edge with a gradient above it, edge one pixel wide."""
    y, x = np.mgrid[:shape[0], :shape[1]].astype(np.float32)
    above = np.clip((shape[0] / 2 + slope * (x - shape[1] / 2) - y) + 0.5, 0, 1)
    return (low * (1 - above) + (high * 10 ** (0.003 * y)) * above).astype(np.float32)


def grained(light, rng, density=0.02):
    return (light * 10 ** (density / 0.6 * rng.standard_normal(light.shape))).astype(np.float32)


def median_fill(light, mask, side=25):
    out = light.copy()
    r = side // 2
    for y, x in np.argwhere(mask):
        part = (slice(max(y - r, 0), y + r + 1), slice(max(x - r, 0), x + r + 1))
        out[y, x] = np.median(light[part][~mask[part]])
    return out


def hair(shape):
    mask = np.zeros(shape, bool)
    t = np.linspace(0, 1, 600)
    x, y = shape[1] / 2 + 25 * np.sin(5 * t), 40 + t * (shape[0] - 80)
    for dx in range(-2, 3):
        mask[y.astype(int), (x + dx).astype(int)] = True
    return mask


def test_a_hair_across_a_horizon_has_at_most_half_a_median_fills_error():
    clean = horizon()
    mask = hair(clean.shape)
    dirty = np.where(mask, 8.0, clean).astype(np.float32)
    grown = ndimage.binary_dilation(mask, iterations=2)
    ours, plain = repair(dirty, mask), median_fill(dirty, grown)
    error = lambda v: np.sqrt(np.mean((np.log10(v) - np.log10(clean))[mask] ** 2))  # noqa: E731
    assert error(ours) <= 0.5 * error(plain)


@pytest.mark.parametrize("strength", [0.008, 0.03])
def test_grain_inside_is_as_strong_as_around(strength):
    rng = np.random.default_rng(4)
    clean = grained(np.full((300, 400), 0.2, np.float32), rng, strength)
    mask = np.zeros(clean.shape, bool)
    for y in range(30, 280, 40):
        for x in range(30, 380, 40):
            mask[y:y + 12, x:x + 12] = True
    out = np.log10(repair(np.where(mask, 9.0, clean).astype(np.float32), mask))
    inside = out[ndimage.binary_erosion(mask, iterations=1)].std()
    around = out[~ndimage.binary_dilation(mask, iterations=4)].std()
    assert inside == pytest.approx(around, rel=0.2)


def test_nothing_outside_the_grown_mask_changes():
    rng = np.random.default_rng(1)
    clean = grained(np.dstack([horizon()] * 3), rng)
    mask = hair(clean.shape[:2])
    mask[:3, :5] = mask[-2:, -9:] = True                      # corners too
    positive = Positive(clean, density=np.zeros(mask.shape, np.float32), pixel_um=7.0)
    out = repair(positive, Spots.from_mask(mask))
    assert isinstance(out, Positive) and out.pixel_um == 7.0 and out.density is positive.density
    changed = (out.linear != clean).any(axis=2)
    assert not (changed & ~ndimage.binary_dilation(mask, iterations=2)).any()
    assert changed[mask].mean() > 0.99
    assert np.isfinite(out.linear).all()


def test_the_input_is_left_alone_and_the_result_repeats():
    clean = grained(horizon(), np.random.default_rng(2))
    mask = hair(clean.shape)
    before = clean.copy()
    a, b = repair(clean, mask), repair(clean, mask)
    assert (clean == before).all() and (a == b).all()


def test_a_frame_long_scratch_over_stripes_is_bridged():
    y, x = np.mgrid[:200, :500].astype(np.float32)
    clean = (0.2 + 0.12 * np.sin(2 * np.pi * x / 23)).astype(np.float32)
    mask = np.zeros(clean.shape, bool)
    mask[98:102] = True
    out = repair(np.where(mask, 0.001, clean).astype(np.float32), mask)
    assert np.abs(out - clean)[mask].max() < 0.03


def test_no_surroundings_to_copy_from_still_gives_a_picture():
    light = np.full((30, 30), 0.3, np.float32)
    mask = np.ones((30, 30), bool)
    mask[::6, ::6] = False
    out = repair(light, mask)
    assert np.isfinite(out).all() and out[~ndimage.binary_dilation(mask, iterations=2)] == pytest.approx(0.3)
    assert np.isfinite(repair(light, np.ones((30, 30), bool))).all()
    assert (repair(light, np.zeros((30, 30), bool)) == light).all()


def test_any_value_with_linear_light_is_carried():
    @dataclass(frozen=True, eq=False)
    class Picture:
        linear: np.ndarray
        title: str = "kept"

    out = repair(Picture(np.full((20, 20, 3), 0.1, np.float32)), np.zeros((20, 20), bool))
    assert out.title == "kept" and out.linear.shape == (20, 20, 3)


def test_a_mask_of_another_size_is_refused_in_one_line():
    with pytest.raises(InputError, match="10 x 12 pixels, the picture 20 x 20") as error:
        repair(np.zeros((20, 20), np.float32), np.zeros((12, 10), bool))
    assert "\n" not in str(error.value)
