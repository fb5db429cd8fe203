"""Conversions that cannot be: one line with file, fault and remedy, from `negconv.convert`."""
from __future__ import annotations

import numpy as np
import pytest

import negconv
from negconv import InputError, Recipe
from negconv.synthetic import rawfile, roll

PLAIN = Recipe(spots="off")


def refused(*args, **keys) -> str:
    with pytest.raises(InputError) as caught:
        negconv.convert(*args, recipe=PLAIN, **keys)
    text = str(caught.value)
    assert "\n" not in text and caught.value.fault and caught.value.remedy
    return text


@pytest.fixture(scope="module")
def captures(tmp_path_factory):
    folder = tmp_path_factory.mktemp("roll")
    roll.make_roll(folder, frames=1, megapixels=0.2, jobs=1)
    return folder / "captures"


@pytest.mark.parametrize("value, word", ((512, "black"), (16383, "saturated")))
def test_all_black_and_all_saturated(tmp_path, value, word):
    path = tmp_path / "a.dng"
    rawfile.write_dng(path, np.full((240, 360), value, np.uint16))
    text = refused(path)
    assert word in text and text.startswith(str(path))


def test_panel_frames_that_do_not_fit(tmp_path, captures):
    film = captures / "frame01.dng"
    assert "exist" in refused(film, panel=tmp_path / "none.dng")
    other = tmp_path / "panel.dng"
    rawfile.write_dng(other, np.full((240, 360), 9000, np.uint16))
    assert "pixels" in refused(film, panel=other)
    height, width = roll.capture_size(0.2)
    rawfile.write_dng(other, np.full((height, width), 9000, np.uint16), model="Copy B")
    assert "Copy B" in refused(film, panel=other)
    rawfile.write_dng(other, np.full((height, width), 16383, np.uint16))
    assert "saturated" in refused(film, panel=other)
    rawfile.write_dng(other, np.full((height, width), 520, np.uint16))
    assert "black" in refused(film, panel=other)
    other.write_bytes(b"")
    assert "empty" in refused(film, panel=other)


def test_without_a_panel_frame_it_goes_on_and_says_so(captures):
    positive = negconv.convert(captures / "frame01.dng", recipe=PLAIN)
    assert any("panel" in w for w in positive.warnings)


@pytest.mark.parametrize("shape", ((1, 1), (1, 40), (40, 1), (2, 3)))
def test_next_to_nothing_is_converted_or_refused_but_never_breaks(shape):
    """With a base given there is enough to work with; the result is finite."""
    positive = negconv.convert(np.full(shape + (3,), 0.2, np.float32), base=(0.5, 0.4, 0.3), recipe=PLAIN)
    assert positive.linear.shape[:2] == shape
    assert np.isfinite(positive.linear).all()


def test_no_rebate_to_be_had_is_said():
    positive = negconv.convert(np.full((200, 300, 3), 0.3, np.float32), recipe=PLAIN)
    assert any("rebate" in w for w in positive.warnings)
    assert np.isfinite(positive.linear).all()


def test_zero_and_broken_light():
    assert "black" in refused(np.zeros((60, 90, 3), np.float32), base=(0.5, 0.4, 0.3))
    assert "NaN" in refused(np.full((60, 90, 3), np.nan, np.float32), base=(0.5, 0.4, 0.3))
    assert "base" in refused(np.full((60, 90, 3), 0.3, np.float32), base=(0.0, 0.4, 0.3))


def test_dead_and_hot_pixels_stay_finite():
    film = np.repeat(np.random.default_rng(0).uniform(0.05, 0.1, (120, 180, 1)), 3, axis=2).astype(np.float32)
    film[10, 10], film[20, 20], film[30, 30, 0] = 0, 1, -0.01
    positive = negconv.convert(film, base=(0.5, 0.4, 0.3), film="colour", recipe=PLAIN)
    assert np.isfinite(positive.linear).all()
    assert np.isfinite(positive.encode("srgb").astype(float)).all()
