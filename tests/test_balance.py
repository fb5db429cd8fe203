"""Balance on the spectral worlds, and the plain sums it must keep to."""
from __future__ import annotations

import json

import numpy as np
import pytest
import spectral

from negconv.appraise import judge_density
from negconv.balance import Balance, adapt, mono_weights, neutral_line, read_negative, solve_balance, thin
from negconv.capture import Meta
from negconv.colour import matrix
from negconv.density import Curve
from negconv.film import Film

CHART = spectral.reflectances("cc_ohta")
GREYS = CHART[18:]
PANELS = ("LED-B4", "LED-RGB1", "PHOS-4", "3-LED-3 (465/546/614)")
#: Colours the generic film was not made with.
POOL = np.concatenate([CHART[:18], spectral.reflectances("PMC")[10:30]])
WORLDS = spectral.worlds()
FIRST = [w for w in WORLDS if w.name.endswith("camera 1")]
STRAIGHT = Film("straight", curves=(Curve(0.6, -2.0),) * 3)


def meta(world) -> Meta:
    return Meta(kind="raw", camera_matrix=tuple(map(tuple, world.camera_matrix)))


def seen(world, scene, stops=0.0, film=None):
    patches, pixels = scene
    light = np.repeat(world.negative(patches, stops), pixels, axis=0)
    return (film or Film.colour()).densities(light, world.base, meta(world))


def lab_of(linear, true_xyz):
    """L*a*b* after the one factor that brings the median of Y right."""
    got = linear @ np.transpose(matrix("srgb", "xyz-d50"))
    got = got * np.exp(np.median(np.log(true_xyz[:, 1] / np.maximum(got[:, 1], 1e-4))))
    return spectral.lab(np.maximum(got, 0))


def outcome(world, scene, stops=0.0, roll=None, test=CHART):
    """CIEDE2000 of the chart's patches under the balance of a frame that shows `scene`."""
    film = Film.colour()
    frames = None if roll is None else [seen(world, s, stops) for s in roll]
    film = adapt(film, frames or seen(world, scene, stops), meta(world))
    balance = solve_balance(seen(world, scene, stops, film), film, roll=frames)
    linear = balance.apply(film, film.densities(world.negative(test, stops), world.base, meta(world)))
    return spectral.delta_e(lab_of(linear, spectral.xyz(test)), spectral.lab(spectral.xyz(test)))


def stretched(world):
    """The common practice it is measured against: each channel inverted and stretched between its extremes."""
    light = 1 / world.negative(CHART)
    low, high = np.quantile(np.repeat(light, 100, axis=0), (0.005, 0.995), axis=0)
    linear = np.clip((light - low) / (high - low), 1e-4, 1)
    return spectral.delta_e(lab_of(linear, spectral.xyz(CHART)), spectral.lab(spectral.xyz(CHART))).mean()


def scene(number, kind=None):
    return spectral.drawn_scene(np.random.default_rng([500, number]), kind, POOL)


WHOLE = (CHART, np.full(24, 100))


def test_a_chart_without_calibration():
    each = np.array([outcome(w, WHOLE).mean() for w in WORLDS])
    first = np.array([w in FIRST for w in WORLDS])
    # Planning asked for a mean of 5; the second camera's channels overlap so much that single worlds of it stay above.
    assert each.mean() <= 5 and each[first].max() <= 5
    assert each.max() < 10 and (each < [0.55 * stretched(w) for w in WORLDS]).all()


def test_a_chart_from_a_camera_without_a_matrix(monkeypatch):
    monkeypatch.setitem(globals(), "meta", lambda world: Meta())
    each = [outcome(w, WHOLE).mean() for w in FIRST]
    assert np.mean(each) <= 5 and max(each) < 6


@pytest.mark.parametrize("stops", [-2, -1, 1, 2, 3])
def test_wrongly_exposed(stops):
    each = [outcome(w, WHOLE, stops) for w in FIRST[::3]]
    assert np.mean(each) <= 5
    assert max(e[18:22].max() for e in each) < 6  # greys


@pytest.mark.parametrize("kind", ["plain", "vivid"])
def test_a_picture_alone(kind):
    each = [outcome(w, scene(i, kind)).mean() for i, w in enumerate(FIRST)]
    assert np.mean(each) <= 5


def test_a_roll_steadies_a_frame_of_one_colour():
    alone, together = [], []
    for i, world in enumerate(FIRST[::2]):
        frame = scene(i, "one colour")
        roll = [frame] + [scene(100 * i + k) for k in range(7)]
        alone.append(outcome(world, frame).mean())
        together.append(outcome(world, frame, roll=roll).mean())
    assert np.mean(together) <= 5 and max(together) < 7
    assert np.mean(together) < np.mean(alone)


def test_greys_stay_grey_from_shadow_to_highlight():
    for world in FIRST[::4]:
        film = adapt(Film.colour(), seen(world, WHOLE), meta(world))
        balance = solve_balance(seen(world, WHOLE, film=film), film)
        ramp = np.geomspace(0.02, 1.0, 12)[:, None] * np.ones(len(spectral.BANDS))
        linear = balance.apply(film, film.densities(world.negative(ramp), world.base, meta(world)))
        chroma = np.hypot(*lab_of(linear, spectral.xyz(ramp))[:, 1:].T)
        assert chroma.max() < 8 and chroma.mean() < 4
        assert (np.diff(linear, axis=0) > 0).all()


def test_the_lines_slopes_make_the_line_grey():
    rng = np.random.default_rng(2)
    x = np.linspace(-2, 0, 400)
    log_h = np.stack([1.06 * x + 0.08, x, 0.95 * x - 0.05], axis=1) + rng.normal(0, 0.002, (400, 3))
    slope, offset = neutral_line(log_h).layers()
    even = log_h * slope + offset
    assert np.abs(even - even.mean(axis=1, keepdims=True)).max() < 0.02
    np.testing.assert_allclose(even.mean(axis=1), log_h.mean(axis=1), atol=0.02)


def test_the_anchor_is_middle_grey_and_stops_are_stops():
    d = 0.6 * (np.log10(np.geomspace(0.05, 0.8, 3000))[:, None] + 2.0) * np.ones(3)
    plain = solve_balance(d, STRAIGHT).apply(STRAIGHT, d)
    more = solve_balance(d, STRAIGHT, exposure=1.5, black_clip=0).apply(STRAIGHT, d)
    assert np.median(plain) == pytest.approx(0.18, rel=0.05)
    np.testing.assert_allclose(more[300:] / solve_balance(d, STRAIGHT, black_clip=0).apply(STRAIGHT, d)[300:], 2 ** 1.5, rtol=1e-9)


def test_a_calibrated_films_grey_is_kept_and_the_lights_colour_found():
    rng = np.random.default_rng(5)
    grey = np.log10(np.geomspace(0.03, 0.9, 2000))[:, None] * np.ones(3) + rng.normal(0, 0.01, (2000, 3))
    for colour, kept in (((0.02, 0.0, -0.02), True), ((0.15, 0.0, -0.2), False)):
        balance = solve_balance(0.6 * (grey + colour + 2.0), STRAIGHT)
        assert balance.slope == (1.0, 1.0, 1.0)
        left = np.median(np.log10(balance.apply(STRAIGHT, 0.6 * (grey + colour + 2.0))), axis=0)
        assert bool(np.ptp(balance.offset) < 1e-9) is kept
        assert kept or np.ptp(left) < 0.02


def test_a_grey_can_be_given():
    rng = np.random.default_rng(6)
    d = rng.uniform(0.3, 1.4, (3000, 3))
    film = adapt(Film.colour(), d)
    patch = np.full((20, 3), (0.8, 0.95, 0.7))
    balance = solve_balance(d, film, sample=patch)
    np.testing.assert_allclose(np.ptp(balance.apply(film, patch)[0] + balance.black), 0, atol=1e-6)
    before = solve_balance(d, film, black_clip=0)
    colour = before.apply(film, patch)[0]
    after = solve_balance(d, film, grey=colour, black_clip=0).apply(film, patch)[0]
    assert np.ptp(colour) > 0.01 and np.ptp(after) < 1e-6


def test_a_roll_keeps_the_differences_of_its_frames():
    frames = [0.6 * (np.log10(np.geomspace(0.02, 1.0, 500)) + 2.0 + shift)[:, None] * np.ones(3) for shift in (-0.3, 0.0, 0.3)]
    out = [np.median(solve_balance(f, STRAIGHT, roll=frames, mix=1.0, black_clip=0).apply(STRAIGHT, f)) for f in frames]
    np.testing.assert_allclose(np.log10(out), np.log10(out[1]) + np.array((-0.3, 0.0, 0.3)), atol=0.01)
    own = [np.median(solve_balance(f, STRAIGHT, roll=frames, mix=0.0, black_clip=0).apply(STRAIGHT, f)) for f in frames]
    np.testing.assert_allclose(own, own[1], rtol=0.02)


def test_the_fused_arrays_are_the_plain_sum():
    rng = np.random.default_rng(7)
    d = rng.uniform(-0.05, 2.0, (500, 3))
    film = Film.colour()
    balance = solve_balance(d, film, exposure=0.3)
    layers = d @ balance.unmix(film).T
    grid = np.linspace(-1, 6, 70_001)
    tables = balance.tables(film, grid)
    h = np.stack([np.interp(layers[:, c], grid, tables[c]) for c in range(3)], axis=1)
    np.testing.assert_allclose(h @ balance.matrix(film).T + balance.bias, balance.apply(film, d), rtol=1e-4, atol=1e-6)


def test_shares_are_what_they_say():
    d = np.random.default_rng(8).uniform(0.1, 1.6, (20_000, 3))
    film = Film.colour()
    balance = solve_balance(d, film, black_clip=0.02, white_clip=0.05)
    level = balance.apply(film, d) @ (0.2126, 0.7152, 0.0722)
    assert (level < balance.low).mean() == pytest.approx(0.02, abs=0.003)
    assert (level > balance.high).mean() == pytest.approx(0.05, abs=0.003)
    assert all(0 <= b <= 0.002 for b in balance.black)


@pytest.mark.parametrize("values", [np.zeros((50, 3)), np.full((50, 3), 3.0), np.full((1, 3), 0.7), np.full((9, 3), -1.0)])
@pytest.mark.parametrize("film", [Film.colour(), Film.mono(), STRAIGHT], ids=lambda f: f.name)
def test_blank_frames_stay_finite(film, values):
    balance = solve_balance(values, adapt(film, values))
    assert np.isfinite(balance.apply(film, values)).all() and max(balance.slope) < 3


def test_nothing_finite_is_refused():
    with pytest.raises(ValueError):
        solve_balance(np.full((5, 3), np.nan), Film.colour())


def test_thin_is_even_and_the_same_each_time():
    rows = np.arange(3 * 100_003).reshape(-1, 3)
    some = thin(rows)
    assert 15_000 <= len(some) <= 30_000 and np.array_equal(some, thin(rows))
    assert abs(some.mean() - rows.mean()) < 0.001 * rows.mean()


def test_values_go_to_json_and_back():
    balance = solve_balance(np.random.default_rng(1).uniform(0.2, 1.5, (900, 3)), Film.mono())
    assert Balance.from_dict(json.loads(json.dumps(balance.to_dict()))) == balance


def test_mono_weights_favour_the_quiet_channel_on_one_scale():
    rng = np.random.default_rng(9)
    silver, noise = rng.uniform(0.1, 1.8, (20_000, 1)), np.array((0.02, 0.005, 0.03))
    slopes = np.array((0.95, 1.0, 1.05))
    d = silver * slopes + rng.normal(0, 1, (20_000, 3)) * noise
    (weight,) = np.array(mono_weights(d))
    left = d @ weight
    left = left - silver[:, 0] * (left @ silver[:, 0] / (silver[:, 0] @ silver[:, 0]))
    # The least that can be had (inverse variances), and what an even mean has.
    best = 1 / np.sqrt(((slopes / noise) ** 2).sum())
    assert left.std() < 1.1 * best < 0.6 * np.sqrt((noise ** 2).sum()) / 3 * 1.1
    assert weight @ slopes == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("gamma, toe", [(0.60, 0.2), (0.65, 0.3), (0.68, 0.15)])
def test_a_wedge_on_an_unknown_mono_film(gamma, toe):
    y = 0.9 * 10 ** -np.arange(0, 1.66, 0.15)
    d = spectral._ramp(2.2, 0.3) - spectral._ramp(2.2 - gamma * spectral._ramp(np.log10(y) + 2.0, toe), 0.3)
    densities = np.repeat(d[:, None] * (0.98, 1.0, 1.03), 200, axis=0)
    film = Film.mono()
    linear = solve_balance(densities, film).apply(film, d[:, None] * (0.98, 1.0, 1.03))[:, 0]
    linear = linear * np.exp(np.median(np.log(y / linear)))
    white = np.array((0.9642, 1, 0.8249))
    apart = spectral.lab(linear[:, None] * white)[:, 0] - spectral.lab(y[:, None] * white)[:, 0]
    assert np.abs(apart).mean() <= 3


def test_a_reading_tells_thin_from_dense():
    world = FIRST[0]
    readings = {}
    for stops in (-4, -2, 0, 3):
        film = adapt(Film.colour(), seen(world, WHOLE, stops), meta(world))
        readings[stops] = read_negative(seen(world, WHOLE, stops, film), film)
    densities = [readings[s].middle for s in (-4, -2, 0, 3)]
    assert (np.diff(densities) > 0).all()
    assert readings[3].stops - readings[0].stops == pytest.approx(3, abs=0.8)
    assert readings[0].on_toe < 0.05 < 0.3 < readings[-4].on_toe
    verdicts = {stops: judge_density(reading, "colour film") for stops, reading in readings.items()}
    assert [verdicts[s].verdict for s in (-4, 0, 3)] == ["poor", "good", "poor"]
    assert "stops under" in verdicts[-4].finding and "stops over" in verdicts[3].finding
    assert "as they should be" in verdicts[0].finding and not verdicts[0].remedy
