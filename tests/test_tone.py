"""The tone curve against its definition, scipy's PCHIP and colour-science's CIE lightness."""
from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from negconv.tone import MIDDLE_GREY, ToneCurve

CURVES = st.builds(ToneCurve, exposure=st.floats(-10, 10), contrast=st.floats(0.25, 4), toe=st.floats(0, 4),
                   shoulder=st.floats(0, 8))


def test_off_is_the_identity():
    values = np.array([0, 1e-9, 0.18, 1, 7.5], np.float32)
    out = ToneCurve.off().apply(values)
    assert out.dtype == np.float32 and (out == values).all()


def test_a_curve_that_is_nearly_off_is_nearly_the_identity():
    values = np.linspace(0, 1, 1001)
    assert np.abs(ToneCurve(contrast=1 + 1e-6, toe=0, shoulder=0).apply(values) - values).max() < 1e-5


@settings(max_examples=200, deadline=None)
@given(CURVES)
def test_never_falls_and_stays_between_black_and_white(curve):
    light = np.concatenate([[-1.0, 0.0], 2.0 ** np.linspace(-40, 12, 4000), [np.inf]])
    out = curve.apply(light)
    assert np.isfinite(out).all() and out.min() >= 0 and out.max() <= 1
    assert (np.diff(out) >= -1e-12).all()
    assert out[0] == out[1] == 0


@settings(max_examples=100, deadline=None)
@given(st.floats(0.25, 4), st.floats(0, 4), st.floats(0, 8))
def test_middle_grey_stays_and_the_slope_there_is_the_contrast(contrast, toe, shoulder):
    curve = ToneCurve(contrast=contrast, toe=toe, shoulder=shoulder)
    assert curve.apply(MIDDLE_GREY) == pytest.approx(MIDDLE_GREY, rel=1e-12)
    step = 1e-4
    low, high = np.log2(curve.apply(MIDDLE_GREY * 2.0 ** np.array([-step, step])))
    assert (high - low) / (2 * step) == pytest.approx(contrast, rel=1e-5)


def test_a_stop_of_exposure_is_twice_the_light():
    light = np.geomspace(1e-4, 4, 50)
    assert np.allclose(ToneCurve(exposure=1).apply(light), ToneCurve().apply(2 * light), rtol=1e-12)


@pytest.mark.parametrize("shoulder", [0.5, 2.0, 3.0])
@pytest.mark.parametrize("contrast", [1.0, 1.25, 2.0])
def test_the_shoulder_keeps_tones_apart_up_to_its_reach(shoulder, contrast):
    curve = ToneCurve(contrast=contrast, shoulder=shoulder)
    out = curve.apply(2.0 ** np.linspace(-2, shoulder, 200))
    assert (np.diff(out) > 0).all() and out[-2] < 1
    assert out[-1] == pytest.approx(1, abs=1e-9) and curve.apply(2.0 ** shoulder * 1.5) == pytest.approx(1, abs=1e-9)


def test_the_default_holds_highlights_four_times_over_white():
    white, over, far = ToneCurve().apply([1.0, 2.0, 3.9])
    assert 0.65 < white < over < far < 1
    assert far - white > 0.15


@pytest.mark.parametrize("toe", [0.5, 1.0, 4.0])
def test_the_toe_lifts_the_deepest_shadows_by_its_stops(toe):
    deep = MIDDLE_GREY * 2.0 ** -200
    lifted = ToneCurve(contrast=1, toe=toe, shoulder=0).apply(deep) / deep
    assert np.log2(lifted) == pytest.approx(toe, rel=2e-3)


def test_points_are_drawn_in_cie_lightness_through_pchip():
    from colour.colorimetry import lightness_CIE1976, luminance_CIE1976  # CIE 15:2018, 8.2.1.1
    from scipy.interpolate import PchipInterpolator

    points = ((0, 5), (25, 18), (60, 70), (100, 96))
    curve = ToneCurve(contrast=1, toe=0, shoulder=0, points=points)
    light = np.linspace(0, 1, 301)
    wanted = luminance_CIE1976(PchipInterpolator(*np.array(points, float).T)(lightness_CIE1976(100 * light))) / 100
    assert np.abs(curve.apply(light) - wanted).max() < 1e-6


def test_points_get_the_ends_they_lack():
    assert ToneCurve(points=[(50, 60)]).points == ((0, 0), (50, 60), (100, 100))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 100), st.integers(0, 100)), min_size=1, max_size=6))
def test_points_in_order_never_make_the_curve_fall(pairs):
    xs, ys = sorted({x for x, _ in pairs}), sorted(y for _, y in pairs)
    points = list(zip(xs, ys))
    if xs[-1] < 100 or ys[len(xs) - 1] < 100:
        points = [p for p in points if p[0] < 100] + [(100, 100)]
    out = ToneCurve(points=points).apply(np.linspace(0, 4, 2000))
    assert (np.diff(out) >= -1e-12).all() and 0 <= out.min() and out.max() <= 1


@pytest.mark.parametrize("bad, key", [
    ({"contrast": 9}, "contrast"), ({"toe": -1}, "toe"), ({"exposure": float("nan")}, "exposure"), ({"shoulder": "2"}, "shoulder"),
    ({"points": [(50, 50), (40, 60)]}, "points"), ({"points": [(20, 50), (40, 30)]}, "points"), ({"points": [(1, 2, 3)]}, "points"),
    ({"contrast": True}, "contrast")])
def test_a_bad_setting_is_named_in_one_line(bad, key):
    with pytest.raises(ValueError) as error:
        ToneCurve(**bad)
    assert str(error.value).startswith(key) and "\n" not in str(error.value)


def test_undefined_light_is_black():
    assert ToneCurve().apply([np.nan, -3.0]).tolist() == [0, 0]


def test_it_is_a_value():
    curve = ToneCurve(contrast=1.4, points=[(50, 55)])
    assert ToneCurve.from_dict(curve.to_dict()) == curve == pickle.loads(pickle.dumps(curve))
    assert hash(curve) == hash(ToneCurve(contrast=1.4, points=((50, 55),)))
    assert "contrast=1.4" in repr(curve)
    with pytest.raises(Exception):
        curve.contrast = 2
