"""Encoding by tables against the formulas they stand for, in double precision; gamut and hue."""
from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from negconv import colour
from negconv.encode import TOP, Encoder, encode
from negconv.tone import ToneCurve

pytestmark = pytest.mark.usefixtures("inner_loops")

TONES = {
    "off": ToneCurve.off(),
    "default": ToneCurve(),
    "hard": ToneCurve(contrast=3.5, toe=0.0, shoulder=0.0),
    "soft": ToneCurve(contrast=0.4, toe=4.0, shoulder=8.0, exposure=2.0),
    "points": ToneCurve(points=((0, 0), (20, 12), (70, 80), (100, 100))),
    "dark": ToneCurve(exposure=-8.0),
}
SPACES = tuple(colour.SPACES)


def greys(n: int = 60_000) -> np.ndarray:
    return np.concatenate([[0.0], np.geomspace(1e-9, 200, n), np.linspace(0, 1.2, n)]).astype(np.float32)


def formula(linear: np.ndarray, tone: ToneCurve, space: str, bits: int, primaries: str = "srgb") -> np.ndarray:
    """Code values before rounding, without a table; colours in gamut and grey."""
    v = np.minimum(linear.astype(float), TOP)
    if v.ndim > 1:
        v = v @ np.array(colour.matrix(primaries, space)).T
        ends = v.min(axis=-1), v.max(axis=-1)
        toned = [tone.apply(e) for e in ends]
        share = (v - ends[0][..., None]) / np.maximum(ends[1] - ends[0], 1e-12)[..., None]
        v = toned[0][..., None] + share * (toned[1] - toned[0])[..., None]
    else:
        v = tone.apply(v)
    return np.clip(colour.encode(v, space), 0, 1) * ((1 << bits) - 1)


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("bits", (8, 16))
def test_grey_within_one_code_value_of_the_formulas(space, tone, bits):
    """Half a code value is rounding; the tables may add less than another half.

    Where a soft curve rises from black like a root, the table follows from four decades under white up.
    """
    linear = greys()
    linear = linear[linear >= 1e-4] if tone == "soft" else linear
    got = encode(linear[None], TONES[tone], space=space, bits=bits, threads=1)[0]
    assert got.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert np.abs(got - formula(linear, TONES[tone], space, bits)).max() < (0.51 if bits == 8 else 1.0)


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize("tone", TONES)
def test_colours_within_one_code_value_of_the_formulas(space, tone):
    rng = np.random.default_rng(7)
    inside = np.geomspace(5e-4, 3, 20_000)[:, None] * rng.uniform(0.3, 1, (20_000, 3))
    got = encode(inside.astype(np.float32)[None], TONES[tone], space=space, threads=1)[0]
    want = formula(inside.astype(np.float32), TONES[tone], space, 16)
    assert np.abs(got - want).max() < 1.02


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize("tone", TONES)
def test_never_falls_with_light_and_ends_at_black_and_white(space, tone):
    codes = encode(np.sort(greys())[None], TONES[tone], space=space, threads=1)[0].astype(int)
    assert (np.diff(codes) >= 0).all() and codes[0] == 0
    if tone != "dark":
        assert codes[-1] == 65535


@pytest.mark.parametrize("space", SPACES)
def test_grey_is_the_same_as_one_channel_or_three(space):
    """Both whites adapt to each other: a grey in linear sRGB is a grey of the same code value in every space."""
    linear = greys(2000)
    one = encode(linear[None], ToneCurve(), space=space, threads=1)[0].astype(int)
    three = encode(np.repeat(linear[:, None], 3, axis=1)[None], ToneCurve(), space=space, threads=1)[0].astype(int)
    assert np.abs(three - one[:, None]).max() <= 1


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize("primaries", ("srgb", "rec2020"))
def test_out_of_gamut_only_saturation_gives_way(space, primaries):
    """Luminance and the direction from grey stay (a straight line to the grey of that luminance); none is negative."""
    rng = np.random.default_rng(11)
    out = rng.uniform(-0.2, 0.9, (5000, 3))
    weights = np.array(colour.luminance(space))
    target = out @ np.array(colour.matrix(primaries, space)).T
    out, target = out[target @ weights > 0.02], target[target @ weights > 0.02]
    got = colour.decode(encode(out.astype(np.float32)[None], ToneCurve.off(), space=space, primaries=primaries,
                               threads=1)[0] / 65535, space)
    y = target @ weights
    keep = np.minimum(1, y / np.maximum(y - target.min(axis=1), 1e-12))
    expected = np.clip(y[:, None] + (target - y[:, None]) * keep[:, None], 0, 1)
    assert np.abs(got - expected).max() < 1e-4
    beyond = (target.min(axis=1) < -0.01) & (expected.max(axis=1) < 0.999)
    assert beyond.sum() > 50
    assert np.abs(got[beyond] @ weights - y[beyond]).max() < 1e-4
    direction = np.cross(got[beyond] - y[beyond, None], target[beyond] - y[beyond, None])
    assert np.abs(direction).max() < 2e-4


@settings(deadline=None, max_examples=150)
@given(st.lists(st.floats(0.0, 8.0, width=32), min_size=3, max_size=3), st.sampled_from(sorted(TONES)))
def test_tone_keeps_the_order_and_proportion_of_channels(rgb, tone):
    """Hue as the hexcone has it: the middle channel stays where it was between the other two."""
    codes = encode(np.array([[rgb]], np.float32), TONES[tone], space="linear", threads=1)[0, 0].astype(float)
    order = np.argsort(rgb, kind="stable")
    assert (np.diff(codes[order]) >= 0).all()
    low, middle, high = np.array(rgb)[order]
    if high - low > 1e-2 and codes[order][2] < 65535 and codes[order][2] - codes[order][0] > 300:
        share = (codes[order][1] - codes[order][0]) / (codes[order][2] - codes[order][0])
        assert abs(share - (middle - low) / (high - low)) < 3 / (codes[order][2] - codes[order][0]) + 1e-4


@settings(deadline=None, max_examples=150)
@given(st.lists(st.floats(width=32, allow_nan=True, allow_infinity=True), min_size=3, max_size=3),
       st.sampled_from(sorted(TONES)),
       st.sampled_from(SPACES), st.sampled_from((8, 16)))
def test_whatever_number_becomes_a_code_value_without_a_word(rgb, tone, space, bits):
    with np.errstate(all="ignore"):
        got = encode(np.array([[rgb]], np.float32), TONES[tone], space=space, bits=bits, threads=1)
        grey = encode(np.array([[rgb[0]]], np.float32), TONES[tone], space=space, bits=bits, threads=1)
    assert got.shape == (1, 1, 3) and grey.shape == (1, 1)
    if np.isnan(rgb[0]) or rgb[0] <= 0:
        assert grey[0, 0] == 0
    elif rgb[0] > 1e4 and tone != "dark":
        assert grey[0, 0] == (1 << bits) - 1


def test_channel_order_does_not_matter_where_spaces_agree():
    """In the primaries it came in, red and blue exchanged come out exchanged (in gamut, where no luminance counts)."""
    rgb = np.random.default_rng(1).uniform(0, 2, (1, 5000, 3)).astype(np.float32)
    assert np.array_equal(encode(rgb, ToneCurve(), threads=1)[..., ::-1],
                          encode(rgb[..., ::-1], ToneCurve(), threads=1))


def test_threads_do_not_change_a_byte():
    rgb = np.random.default_rng(2).normal(0.2, 0.3, (700, 900, 3)).astype(np.float32)
    assert encode(rgb, ToneCurve(), space="romm", threads=1).tobytes() == encode(rgb, ToneCurve(), space="romm",
                                                                                 threads=3).tobytes()


@pytest.mark.parametrize("grey", [False, True])
def test_codes_go_where_a_tile_of_the_picture_is(grey):
    channels = 1 if grey else 3
    light = np.random.default_rng(8).uniform(-0.1, 1.4, (7, 11, channels)).astype(np.float32)
    encoder = Encoder(ToneCurve(), grey=grey)
    picture = np.full((9, 20, channels), 7, np.uint16)
    encoder(light.reshape(-1, channels), picture[1:8, 5:16])
    alone = encode(light[..., 0] if grey else light, ToneCurve()).reshape(light.shape)
    assert (picture[1:8, 5:16] == alone).all()
    picture[1:8, 5:16] = 7
    assert (picture == 7).all()


def test_bits_that_are_not():
    with pytest.raises(ValueError, match="bits must be 8 or 16"):
        encode(np.zeros((1, 1), np.float32), ToneCurve(), bits=12)
