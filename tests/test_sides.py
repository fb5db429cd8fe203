"""Sides to a fraction of a pixel: against edges exposed, developed and blurred in small steps, and shapes written down."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import erf

from negconv import sided, search
from negconv.gate import NARROW, Gate, measured
from negconv.rectangles import Found
from negconv.search import _framed, _Shown
from negconv.sided import Sided
from negconv.sides import Side, Traced, corners_of, outside, together


def half_light(density: float, blur: float, slope: float = 0.6, toe: float = 0.35) -> float:
    """How far outside an edge, exposed through a blur of this deviation onto film that gets so dense inside, half of the
    light gets through: read off a fine grid."""
    x = np.linspace(-8, 8, 160001)
    logs = np.linspace(-6, 8, 200001)
    curve = slope * toe * np.log10(1 + 10 ** (logs / toe))
    full = np.interp(density, curve, logs)
    exposed = full + np.log10(np.maximum((1 + erf(-x / np.sqrt(2))) / 2, 1e-12))       # inside is where x is below 0
    light = 10.0 ** -np.interp(exposed, logs, curve)
    return blur * float(np.interp((1 + 10.0 ** -density) / 2, light, x))


@pytest.mark.parametrize("density", [0.08, 0.15, 0.3, 0.6, 1.0, 1.4, 1.9])
def test_where_half_of_the_light_is_gone_at_a_blurred_edge(density):
    assert float(outside(np.array(density))) == pytest.approx(half_light(density, 1.0), abs=0.2)
    # Harder and softer film does not differ by more.
    for slope in (0.5, 0.75):
        assert float(outside(np.array(density))) == pytest.approx(half_light(density, 1.0, slope), abs=0.5)


def seen(corners, densities, blur: float, *, rise: float = 1.5, noise: float = 0.0, seed: int = 1) -> Traced:
    """A picture's sides where half of the light is seen to be gone, by the densities along them, measured from its corners."""
    rng = np.random.default_rng(seed)
    corners, sides = np.asarray(corners, float), []
    for start, end in zip(corners, np.roll(corners, -1, axis=0)):
        s = np.linspace(-0.95, 0.95, 80)
        density = np.resize(densities, len(s))
        along = (end - start) / np.hypot(*(end - start))
        off = [half_light(d, blur) for d in densities]
        off = np.resize(off, len(s)) + rng.normal(0, noise, len(s))
        places = (start + end) / 2 + s[:, None] * (end - start) / 2 + off[:, None] * np.array([along[1], -along[0]])
        sides.append(Side(-float(off.mean()), 0.0, 0.0, 1.0, 0.98, 0.3, np.column_stack(
            [places, np.ones(len(s)), density, np.full(len(s), rise)])))
    return Traced(tuple(map(tuple, corners.tolist())), tuple(sides), ("rebate",) * 4)


BOX = np.array([(100.0, 80.0), (900.0, 80.0), (900.0, 600.0), (100.0, 600.0)])


def off(traced: Traced, corners) -> float:
    return float(np.abs(np.array(corners_of(traced.points, traced.sides)) - corners).max())


@pytest.mark.parametrize("blur", [0.3, 0.6, 1.5])
def test_the_blur_of_an_edge_is_told_by_how_sides_differ(blur):
    """Thin pictures seem smaller than they are, dense ones larger; how much larger where they are dense says which."""
    (fitted,) = together([seen(BOX, (0.2, 0.7, 1.6), blur)], (680, 1000), 0.0)
    assert off(fitted, BOX) < 0.2
    (alike,) = together([seen(BOX, (1.2,), 0.6)], (680, 1000), 0.0)
    assert off(alike, BOX) < 0.2


def test_a_sharp_edge_of_a_dense_picture_is_where_it_is_seen():
    (fitted,) = together([seen(BOX, (1.8,), 0.0, rise=0.5)], (680, 1000), 0.0)
    assert off(fitted, BOX) < 0.15


def test_a_gates_penumbra_takes_fewer_pixels_of_a_small_picture():
    """The same 0.025 mm of 36 in a picture 160 pixels long and in one of 800."""
    for scale in (0.2, 1.0):
        (fitted,) = together([seen(scale * BOX, (1.2,), 0.6 * scale)], (680, 1000), 0.0)
        assert off(fitted, scale * BOX) < 0.35


def test_each_picture_of_a_strip_is_turned_a_little_by_itself():
    turns = np.radians([0.08, -0.09, 0.0, 0.1, -0.07])
    traced, truth = [], []
    for i, turn in enumerate(turns):
        c, s = np.cos(turn), np.sin(turn)
        middle = np.array([150.0 + 290 * i, 300.0])
        truth.append(middle + np.array([(-135, -90), (135, -90), (135, 90), (-135, 90)]) @ np.array([(c, s), (-s, c)]))
        traced.append(seen(truth[-1], (0.4, 0.9), 0.5, noise=0.2, seed=i))
    found = together(traced, (600, 1500), 0.0)
    off_by = []
    for one, corners, turn in zip(found, truth, turns):
        (ax, ay), (bx, by), *_ = corners_of(one.points, one.sides)
        off_by.append(float(np.degrees(np.arctan2(by - ay, bx - ax) - turn)))
        assert off(one, corners) < 0.35
    # Without a turn of its own each would be as far off as it is turned, 0.08 degrees.
    assert np.sqrt(np.mean(np.square(off_by))) < 0.035 and max(np.abs(off_by)) < 0.055


def test_a_picture_of_a_strip_that_hardly_shows_turns_with_the_others():
    traced, truth = [], []
    for i in range(4):
        c, s = np.cos(0.004), np.sin(0.004)
        middle = np.array([150.0 + 290 * i, 300.0 + 290 * 0.004 * i])
        truth.append(middle + np.array([(-135, -90), (135, -90), (135, 90), (-135, 90)]) @ np.array([(c, s), (-s, c)]))
        traced.append(seen(truth[-1], (0.4, 0.9), 0.5, noise=0.2, seed=i))
    hidden = tuple(Side(0.0, 0.0, 0.0, 0.0, 0.0, 0.0) for _ in range(4))
    traced[2] = replace(traced[2], sides=(traced[2].sides[0], *hidden[1:]))
    for one, corners in zip(together(traced, (600, 1500), 0.0), truth):
        (ax, ay), (bx, by), *_ = corners_of(one.points, one.sides)
        assert np.arctan2(by - ay, bx - ax) == pytest.approx(0.004, abs=np.radians(0.05))


def test_a_picture_that_shows_all_round_is_not_looked_for_by_sides_that_hardly_do(monkeypatch):
    def never(*_):
        raise AssertionError("looked for")
    monkeypatch.setattr(search, "_faintly", never)
    odd = Sided(tuple(map(tuple, BOX.tolist())), 0.0, 0.45, ("seen",), None, (), ("rebate",) * 4, (0.95,) * 4)
    attempt = type("Attempt", (), {"astray": 0.05})()
    frames, _, faint = _framed(np.zeros((9, 9, 3)), 1, _Shown(attempt, [odd], False), None, None)
    assert frames == [odd] and not faint
    with pytest.raises(AssertionError, match="looked for"):
        _framed(np.zeros((9, 9, 3)), 1, _Shown(attempt, [replace(odd, firm=(0.95, 0.95, 0.95, 0.7))], False), None, None)


@pytest.mark.parametrize("long, odd", [(36, False), (32, False), (24, False), (28.5, True), (44, True)])
def test_lengths_that_pictures_on_135_film_have(long, odd):
    gate = Gate(False, 100.0, 340.0, 10.0, NARROW, True)
    found = Found(100.0, 340.0, 50.0, 50.0 + 10 * long, ("rebate",) * 4, (1.0,) * 4, 1.0, 5.0)
    assert measured([found], [gate], None)[1] is odd


def test_a_ragged_line_within_a_picture_gives_way_to_a_short_straight_side():
    # Two alike side by side; of the first a clear lower third hides a part of its left side, and its right one is taken for the
    # bark of a tree 20 pixels inside. The figures of both sides are those of a capture of another renderer.
    rng = np.random.default_rng(7)
    one, other = BOX * [0.5, 1.0], BOX * [0.5, 1.0] + [430.0, 0.0]
    first, second = seen(one, [0.6], 0.6), seen(other, [0.6], 0.6)
    left, bark = first.sides[3], first.sides[1]
    left = replace(left, support=0.64, reach=0.63, points=left.points[:45])
    places = bark.points[rng.permutation(len(bark.points))[:60]].copy()
    places[:, 0] += rng.normal(-20.0, 2.0, len(places))
    places[:, 2] = 0.5
    bark = replace(bark, support=0.57, reach=0.83, offset=bark.offset + 20.0, points=places)
    fitted = together([replace(first, sides=(first.sides[0], bark, first.sides[2], left)), second], (700, 1000), 0.0)
    assert off(fitted[0], one) < 1.0 and off(fitted[1], other) < 0.5


@pytest.mark.parametrize("down", [False, True])
def test_the_pictures_of_a_strip_are_as_long_as_each_other(down):
    """Of the last of five the end is shadow, and what is seen there wanders about a line 1.5 pixels inside."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        traced, truth = [], []
        for i in range(5):
            corners = np.array([(-100, -67), (100, -67), (100, 67), (-100, 67)]) + np.array([120.0 + 212 * i, 200.0])
            truth.append(np.roll(corners[::-1, ::-1], 1, axis=0) if down else corners)
            one = seen(truth[-1], (0.5, 0.9), 0.2, noise=0.15, seed=i)
            if i == 4:
                end, across = (2, 1) if down else (1, 0)
                side = one.sides[end]
                places = side.points[::2].copy()
                places[:, across] -= 1.5 + 0.8 * np.sin(np.linspace(0, 17, len(places))) + rng.normal(0, 0.3, len(places))
                side = replace(side, support=0.8, offset=side.offset + 1.5, points=places)
                one = replace(one, sides=(*one.sides[:end], side, *one.sides[end + 1:]))
            traced.append(one)
        size = (1200, 400) if down else (400, 1200)
        for one, corners in zip(together(traced, size, 0.0), truth):
            assert off(one, corners) < 0.75


def test_the_pictures_of_a_strip_are_as_high_as_each_other():
    """Of three of five hardly more is seen of the lower side than what lies 1.2 pixels inside it; their upper sides are plain."""
    traced, truth = [], []
    for i in range(5):
        truth.append(np.array([(-85, -57), (85, -57), (85, 57), (-85, 57)]) + np.array([110.0 + 185 * i, 200.0]))
        one = seen(truth[-1], (0.5, 0.9), 0.2, noise=0.2, seed=i)
        if i < 3:
            lower = one.sides[2]
            places = lower.points[::3].copy()
            places[:, 1] -= 1.2
            lower = replace(lower, support=0.35, reach=0.8, offset=lower.offset + 1.2, points=places)
            one = replace(one, sides=(*one.sides[:2], lower, one.sides[3]))
        traced.append(one)
    for one, corners in zip(together(traced, (400, 1000), 0.0), truth):
        assert off(one, corners) < 0.45


@pytest.mark.parametrize("shows", [0.05, 1.0])
def test_a_picture_of_a_strip_ends_at_a_holder_that_shows(shows):
    """A holder's edge is plain all along; where hardly any of it is seen, a picture is as long as the others."""
    boxes = [0.4 * BOX + [340.0 * i, 100.0] for i in range(3)]
    traced = [seen(box, (0.5, 0.9), 0.2) for box in boxes]
    short = np.array([(12.0, 0.0), (0.0, 0.0), (0.0, 0.0), (12.0, 0.0)])
    last = seen(boxes[2] + short, (0.5, 0.9), 0.2)
    held = replace(last.sides[3], support=shows, points=last.sides[3].points[:max(int(200 * shows), 1)])
    traced[2] = replace(last, sides=(*last.sides[:3], held), rests=("rebate", "rebate", "rebate", "holder"))
    *_, fitted = together(sided._alike(lambda x, y: (0.0 * x, None), traced), (500, 1100), 0.0)
    assert off(fitted, boxes[2] + short * (shows > 0.5)) < 0.6


def test_a_night_on_a_strip_does_not_end_at_the_films_edge():
    """Of the second of two hardly more than its left side shows; right and below, the film's edge on the panel was taken for
    its sides."""
    boxes = [0.4 * BOX + [360.0 * i, 100.0] for i in range(2)]
    edge = np.array([(0.0, 0.0), (16.0, 0.0), (16.0, 9.0), (0.0, 9.0)])
    first, last = (seen(box, (0.5, 0.9), 0.2) for box in (boxes[0], boxes[1] + edge))
    upper, right, lower, left = last.sides
    hidden = replace(upper, support=0.0, reach=0.0, points=upper.points[:0])
    left = replace(left, support=0.1, reach=0.5, points=left.points[:20])
    right = replace(right, support=0.1, reach=0.5, points=right.points[:20])
    last = replace(last, sides=(hidden, right, lower, left))
    bounds = boxes[1].max(axis=0) + edge.max(axis=0)

    def density(x, y):
        return np.where((x > bounds[0]) | (y > bounds[1]), -0.4, 0.0), None

    _, fitted = together(sided._alike(density, [first, last]), (500, 1100), 0.0)
    assert off(fitted, boxes[1]) < 2.0
