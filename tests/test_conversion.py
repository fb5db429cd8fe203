"""The chain of one capture: what the contract promises, against truth made by `synthetic`."""
from __future__ import annotations

import json

import numpy as np
import pytest

import negconv
from negconv.conversion import Plan, apply, decide, survey
from negconv.synthetic.roll import make_roll


@pytest.fixture(scope="module")
def roll(tmp_path_factory):
    folder = tmp_path_factory.mktemp("roll")
    make_roll(folder, frames=8, megapixels=0.35, seed=4, jobs=2)
    return folder, json.loads((folder / "truth.json").read_text())


def of_kind(roll, kind: str):
    folder, truth = roll
    chosen = next(t for t in truth if t["kind"] == kind)
    return folder / "captures" / chosen["file"], folder / "captures" / "panel.dng", chosen


@pytest.mark.parametrize("kind", ["colour", "mono"])
def test_a_path_alone_is_enough(roll, kind):
    path, panel, truth = of_kind(roll, kind)
    positive = negconv.convert(path)
    assert positive.mono == (kind == "mono")
    assert any("no panel frame" in w for w in positive.warnings)
    long_side = max(np.ptp(np.array(truth["corners"]), axis=0))
    assert abs(max(positive.shape) / long_side - 1) < 0.03


def test_base_and_frame_meet_the_truth(roll):
    path, panel, truth = of_kind(roll, "colour")
    positive = negconv.convert(path, panel=panel)
    assert np.allclose(positive.base.rgb, truth["base"], rtol=0.02)
    assert abs(positive.frame.angle - truth["angle"]) < 0.1
    found, true = np.array(positive.frame.corners), np.array(truth["corners"])
    assert np.abs(found - true).max() < 0.005 * max(positive.shape)


def test_a_plan_goes_to_json_and_back_and_gives_the_same_bytes(roll):
    path, panel, _ = of_kind(roll, "colour")
    capture, field = negconv.read(path), negconv.panel_field(str(panel))
    made = decide(survey(capture, panel=field))[0]
    again = Plan.from_dict(json.loads(json.dumps(made.to_dict(), allow_nan=False)))
    assert again == made
    one, two = (apply(capture, p, panel=field).encode() for p in (made, again))
    assert (one == two).all()


def test_the_library_steps_and_convert_agree(roll):
    path, panel, _ = of_kind(roll, "colour")
    capture = negconv.read(path)
    flat = negconv.flatten(capture, negconv.read(panel))
    frames = negconv.find_frames(flat)
    base = negconv.sample_base(flat, frames)
    stepwise = negconv.convert(flat, base=base, frame=frames[0], film=negconv.Film.colour())
    alone = negconv.convert(path, panel=panel, film="colour")
    assert abs(stepwise.shape[0] - alone.shape[0]) <= 2
    middle = tuple(slice(n // 4, n // 2) for n in alone.shape)
    ratio = np.median(stepwise.linear[middle] / alone.linear[middle])
    assert abs(ratio - 1) < 0.02


def test_to_capture_leads_back_to_the_capture(roll):
    path, panel, truth = of_kind(roll, "mono")
    positive = negconv.convert(path, panel=panel)
    (a, b, c), (d, e, f) = positive.to_capture
    h, w = positive.shape
    corners = [(a * x + b * y + c, d * x + e * y + f) for x, y in ((-.5, -.5), (w - .5, -.5), (w - .5, h - .5), (-.5, h - .5))]
    assert np.abs(np.array(corners) - truth["corners"]).max() < 0.01 * max(positive.shape)


def test_an_array_with_a_base_and_no_frame_is_taken_whole():
    light = np.geomspace(0.4, 0.01, 96, dtype=np.float32)[None, :, None] * np.ones((64, 1, 3), np.float32)
    positive = negconv.convert(light, film="mono", base=(0.5, 0.5, 0.5))
    assert positive.shape == (64, 96)
    # More silver is more light: the positive rises where the negative falls.
    assert (np.diff(positive.linear[32]) > 0).all()


def test_a_base_from_a_rectangle_and_from_a_leader(roll, tmp_path):
    path, panel, truth = of_kind(roll, "colour")
    flat = negconv.flatten(negconv.read(path), panel)
    corners = np.array(truth["corners"])
    # The rebate lies outside the picture: a strip above its top edge.
    x, y = corners[:2].mean(axis=0)
    rect = (int(x) - 10, int(corners[:2, 1].min()) - 8, 20, 3)
    by_rect = negconv.convert(flat, base=rect, frame=negconv.find_frames(flat)[0], film="colour").base
    assert np.allclose(by_rect.rgb, truth["base"], rtol=0.02)
    leader = np.broadcast_to(np.float32(truth["base"]), (80, 120, 3)).copy()
    by_leader = negconv.convert(flat, base=negconv.read(leader), film="colour").base
    assert np.allclose(by_leader.rgb, truth["base"], rtol=1e-3)


@pytest.mark.parametrize("value, fault", [(0.0, "all black"), (1.0, "saturated all over")])
def test_a_capture_with_nothing_on_it_is_refused_in_one_line(value, fault):
    with pytest.raises(negconv.InputError) as caught:
        negconv.convert(np.full((60, 80, 3), value, np.float32))
    assert fault in str(caught.value) and "\n" not in str(caught.value)


def test_a_black_capture_is_black_with_a_cameras_noise_and_hot_pixels_as_well():
    rng = np.random.default_rng(4)
    black = np.abs(rng.normal(0, 0.0003, (300, 400, 3))).astype(np.float32)
    black[rng.random((300, 400)) < 0.0005] = 0.05
    with pytest.raises(negconv.InputError, match="all black"):
        negconv.convert(black)
    # A dense negative is none, though its rebate is as small as this.
    black[:3] = 0.3
    assert negconv.convert(black, film="mono").linear.size


def test_turn_mirror_and_crop_change_nothing_but_geometry(roll):
    path, panel, _ = of_kind(roll, "colour")
    plain = negconv.convert(path, panel=panel, recipe=negconv.Recipe(angle=0.0))
    turned = negconv.convert(path, panel=panel, recipe=negconv.Recipe(angle=0.0, turn=90, mirror=True))
    # Mirrored, then turned clockwise, in numpy's words.
    expected = np.rot90(plain.linear[:, ::-1], -1)
    assert turned.linear.shape == expected.shape
    assert np.allclose(turned.linear, expected, rtol=1e-5, atol=1e-6)
