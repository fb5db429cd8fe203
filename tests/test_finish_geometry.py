"""Straighten, turn, mirror, crop: against numpy's own turns, plane geometry, and pictures that are formulas."""
from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

import negconv
from negconv.finish import crop, find_horizon, picture_cut, straighten, turn
from negconv.recipe import Recipe
from negconv.resample import cut


def whole(h, w):
    return [(-0.5, -0.5), (w - 0.5, -0.5), (w - 0.5, h - 0.5), (-0.5, h - 0.5)]


def turned_rectangle(cx, cy, w, h, angle):
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return [(cx + x * c - y * s, cy + x * s + y * c) for x, y in ((-w / 2, -h / 2), (w / 2, -h / 2), (w / 2, h / 2), (-w / 2, h / 2))]


def outline(where):
    """Outer corners of a cut in capture coordinates."""
    h, w = where.shape
    return np.array([where.to_capture(x, y) for x, y in whole(h, w)])


def within(points, quad, slack=1e-6):
    """Every point inside a convex clockwise (y down) quad."""
    for a, b in zip(np.array(quad), np.roll(quad, -1, axis=0)):
        edge = b - a
        if ((points - a) @ np.array([-edge[1], edge[0]]) / np.hypot(*edge) < -slack).any():
            return False
    return True


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_quarter_turns_and_mirroring_are_numpys(degrees, mirror):
    picture = np.random.default_rng(1).random((5, 8, 3)).astype(np.float32)
    wanted = np.rot90(picture[:, ::-1] if mirror else picture, -degrees // 90)
    got = cut(picture, picture_cut(whole(5, 8), (5, 8), turn=degrees, mirror=mirror))
    assert got.shape == wanted.shape and (got == wanted).all()


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_crop_is_a_part_of_what_is_seen(degrees, mirror):
    picture = np.random.default_rng(2).random((40, 80)).astype(np.float32)
    seen = np.rot90(picture[:, ::-1] if mirror else picture, -degrees // 90)
    h, w = seen.shape
    got = cut(picture, picture_cut(whole(40, 80), (40, 80), turn=degrees, mirror=mirror, crop=(0.25, 0.5, 0.5, 0.25)))
    assert (got == seen[h // 2:h // 2 + h // 4, w // 4:w // 4 + w // 2]).all()


@settings(max_examples=150, deadline=None)
@given(st.floats(-5, 5), st.floats(-20, 20), st.sampled_from([0, 90, 180, 270]), st.booleans(), st.floats(0, 0.1),
       st.one_of(st.none(), st.floats(0.3, 3)))
def test_whatever_is_turned_stays_inside_the_frame_and_could_not_be_larger(angle, level, degrees, mirror, inset, aspect):
    quad = turned_rectangle(400, 300, 500, 320, angle)
    where = picture_cut(quad, (600, 800), turn=degrees, mirror=mirror, level=level, inset=inset, aspect=aspect)
    assert within(outline(where), quad, slack=2e-3)
    got_h, got_w = where.shape
    # The same picture grown by two pixels about its centre, in a frame without inset, would leave the frame.
    if inset == 0 and aspect is None:
        corners = outline(where)
        centre = corners.mean(axis=0)
        grown = centre + (corners - centre) * (1 + 4 / min(got_h, got_w))
        assert not within(grown, quad)
    if aspect is not None:
        assert got_w / got_h == pytest.approx(aspect, rel=2 / min(got_h, got_w))


@pytest.mark.parametrize("angle", [-4.0, -0.3, 0.0, 2.2])
@pytest.mark.parametrize("degrees", [0, 90])
def test_a_frame_and_a_level_are_one_resampling_of_the_scene(angle, degrees):
    """A picture that is a formula comes out as the formula at the turned places: once resampled, nothing lost."""
    level = 1.7
    y, x = np.mgrid[0:240, 0:320].astype(float)

    def scene(px, py):
        return 0.5 + 0.3 * np.sin(px / 9) * np.cos(py / 11)

    where = picture_cut(turned_rectangle(160, 120, 220, 150, angle), (240, 320), turn=degrees, level=level)
    got = cut(scene(x, y).astype(np.float32), where)
    h, w = where.shape
    oy, ox = np.mgrid[0:h, 0:w].astype(float)
    (a, b, c), (d, e, f) = where.matrix
    assert np.abs(got - scene(a * ox + b * oy + c, d * ox + e * oy + f)).max() < 0.005
    # The output's x axis in the capture: the frame's, less the levelling, less the quarter turn.
    assert math.degrees(math.atan2(d, a)) == pytest.approx(angle - level - degrees, abs=1e-9)


def test_a_positive_level_turns_the_picture_clockwise():
    picture = np.zeros((101, 101), np.float32)
    picture[48:53, 80:85] = 1  # to the right of the centre: a clockwise turn brings it down
    got = cut(picture, picture_cut(whole(101, 101), (101, 101), level=10))
    rows = np.arange(got.shape[0]) - (got.shape[0] - 1) / 2
    assert (got.sum(axis=1) @ rows) / got.sum() == pytest.approx(32 * math.sin(math.radians(10)), abs=0.1)


def line_angle(picture):
    """Degrees, clockwise, of the one bright line in a picture: straight line through the centroid of each column."""
    light = picture - picture.min()
    rows = (light * np.arange(len(light))[:, None]).sum(axis=0) / light.sum(axis=0)
    n = len(rows)
    tangent, _ = np.polyfit(np.arange(n)[n // 10:-n // 10], rows[n // 10:-n // 10], 1)
    return math.degrees(math.atan(tangent))


def tilted_line(h, w, angle):
    y, x = np.mgrid[0:h, 0:w]
    distance = (y - h / 2) * math.cos(math.radians(angle)) - (x - w / 2) * math.sin(math.radians(angle))
    return (0.05 + np.exp(-distance ** 2 / 8)).astype(np.float32)


@pytest.mark.parametrize("angle", [-7.3, -1.0, 0.4, 5.9])
def test_a_straightened_line_is_level_within_a_twentieth_of_a_degree(angle):
    positive = negconv.Positive(tilted_line(500, 800, angle))
    assert line_angle(positive.linear) == pytest.approx(angle, abs=0.02)
    assert abs(line_angle(straighten(positive, -angle).linear)) < 0.05


@pytest.mark.parametrize("seed", range(8))
def test_a_horizon_behind_trees_is_levelled_within_a_twentieth_of_a_degree(seed):
    rng = np.random.default_rng(seed)
    angle = rng.uniform(-8, 8)
    h, w = 600, 900
    y, x = np.mgrid[0:h, 0:w]
    line = h * rng.uniform(0.35, 0.65) + (x - w / 2) * math.tan(math.radians(angle))
    ground = np.clip(y - line + 0.5, 0, 1)
    picture = 0.6 * (1 - ground) + 0.1 * 2.0 ** rng.normal(0, 0.5, (h, w)) * ground
    for _ in range(5):
        at, width = rng.uniform(0, w), rng.uniform(10, 60)
        picture[(abs(x - at) < width) & (y > h * rng.uniform(0.1, 0.3)) & (y < h * 0.8)] = 0.03
    picture *= 2.0 ** rng.normal(0, 0.1, (h, w))
    horizon = find_horizon(picture.astype(np.float32))
    assert abs(horizon.level + angle) < 0.05
    assert 0.25 < horizon.confidence <= 1


@pytest.mark.parametrize("seed", range(3))
def test_no_horizon_is_offered_where_there_is_none(seed):
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    blobs = 0.18 * 2.0 ** (gaussian_filter(rng.normal(size=(400, 600)), 6) * 20)
    found = find_horizon(blobs.astype(np.float32))
    assert found is None or found.confidence < 0.2
    assert find_horizon(np.full((300, 300), 0.18, np.float32)) is None
    assert find_horizon(np.zeros((1, 1), np.float32)) is None


def test_the_rebate_is_a_border_of_even_width_inside_the_capture():
    quad = turned_rectangle(400, 300, 500, 320, 1.5)
    where = picture_cut(quad, (600, 800), rebate=0.1)
    assert where.shape == (384, 564)
    tight = picture_cut(turned_rectangle(400, 300, 780, 320, 0), (600, 800), rebate=0.1)
    assert within(outline(tight), whole(600, 800)) and tight.shape == (339, 799)


def test_an_inset_is_the_same_on_every_side():
    assert picture_cut(whole(100, 200), (100, 200), inset=0.1).matrix == ((1, 0, 10), (0, 1, 10))
    assert picture_cut(whole(100, 200), (100, 200), inset=0.1).shape == (80, 180)


def test_an_angle_of_the_users_replaces_the_frames():
    quad = turned_rectangle(400, 300, 500, 320, 3.0)
    assert picture_cut(quad, (600, 800)).angle == pytest.approx(3.0)
    level = picture_cut(quad, (600, 800), angle=0.0)
    assert level.angle == 0 and within(outline(level), quad)


def test_a_frame_in_perspective_keeps_its_rebate_out():
    quad = [(10, 12), (110, 8), (108, 80), (12, 78)]
    where = picture_cut(quad, (100, 130))
    assert within(outline(where), quad, slack=0.8)


def test_a_recipe_gives_the_geometry():
    recipe = Recipe(turn=90, mirror=True, crop=(0, 0, 0.5, 1), aspect=1, inset=0.01, level="horizon", angle=2)
    assert recipe.geometry() == {"turn": 90, "mirror": True, "angle": 2, "level": 0.0, "crop": (0, 0, 0.5, 1), "aspect": 1,
                                 "inset": 0.01, "rebate": 0.0}
    assert recipe.geometry(level=1.5)["level"] == 1.5
    # Not stated, the inset keeps the edge of a frame that was found out of the picture, and nothing of one that was given.
    assert Recipe().geometry(found=True)["inset"] == 0.003
    assert Recipe().geometry()["inset"] == Recipe(rebate=0.1).geometry(found=True)["inset"] == 0
    assert Recipe(inset=0).geometry(found=True)["inset"] == 0
    picture_cut(whole(60, 90), (60, 90), **recipe.geometry())


@pytest.mark.parametrize("move", [lambda p: crop(p, (0.2, 0.1, 0.5, 0.6)), lambda p: turn(p, 90, mirror=True),
                                  lambda p: crop(p, aspect=1.0, inset=0.05), lambda p: straighten(p, 3.0)])
def test_a_positive_keeps_its_way_back_to_the_capture(move):
    y, x = np.mgrid[0:90, 0:140].astype(np.float32)
    # The picture holds its own capture coordinates, so the way back can be read off its pixels.
    positive = negconv.Positive(np.dstack([x + 20, y + 7, x * 0]), density=x + 20,
                                to_capture=((1.0, 0.0, 20.0), (0.0, 1.0, 7.0)))
    out = move(positive)
    (a, b, c), (d, e, f) = out.to_capture
    oy, ox = np.mgrid[0:out.shape[0], 0:out.shape[1]]
    inner = np.s_[4:-4, 4:-4]
    assert np.abs(out.linear[..., 0] - (a * ox + b * oy + c))[inner].max() < 0.05
    assert np.abs(out.linear[..., 1] - (d * ox + e * oy + f))[inner].max() < 0.05
    assert np.allclose(out.density, out.linear[..., 0], atol=1e-4)


def test_cropping_touches_no_pixel():
    linear = np.random.default_rng(3).random((31, 47)).astype(np.float32)
    part = crop(negconv.Positive(linear), (0.13, 0.21, 0.5, 0.5))
    (_, _, x), (_, _, y) = part.to_capture
    h, w = part.shape
    assert (part.linear == linear[int(y):int(y) + h, int(x):int(x) + w]).all()


def test_one_pixel_can_be_cut_too():
    assert picture_cut(whole(1, 1), (1, 1), level=5, inset=0.4, aspect=20).shape == (1, 1)
