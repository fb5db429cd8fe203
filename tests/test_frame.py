"""Frames against layouts whose truth is known by construction, and the values' own arithmetic."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, gaussian_filter
from scipy.special import ndtr

import negconv
from negconv import search
from negconv.attempt import at_panel, attempted, clear_fog, unprinted
from negconv.base import sample_base
from negconv.capture import Capture
from negconv.conversion import geometry
from negconv.errors import InputError
from negconv.gate import NARROW, WIDE, by_perforations, gates, past_film
from negconv.frame import FORMATS, TRUSTED, Frame, format_named, picture_mask
from negconv.recipe import Recipe
from negconv.rectangles import Found, edge_maps
from negconv.search import find_frames, look
from negconv.sided import Sided, in_shape, refined
from negconv.sides import Side, Traced, corners_of, together
from negconv.levels import BASE, DARK, PANEL, PICTURE, even_tones, log_light
from negconv.synthetic.roll import make_roll
from negconv.synthetic import layouts
from negconv.synthetic.scenes import scene

PHOTOGRAPHS = ("cat", "cup", "portrait", "tripod", "launch", "gravel")
SIZE = (480, 720)


@pytest.fixture(scope="module")
def scenes():
    return [scene(name, (200, 300), 1) for name in PHOTOGRAPHS]


def capture(kind, seed, scenes, content="plain", size=SIZE):
    rng = np.random.default_rng([seed, 4])
    layout = layouts.random_layout(kind, rng, size=size, content=content)
    some = [np.float32(0.16 / s.mean()) * s for s in (scenes[i] for i in rng.permutation(len(scenes))[:layout.frames])]
    return layouts.render(layout, some, layouts.random_stock(rng))


def errors(rendered, frames):
    """Largest corner error as a share of the picture's long side, and largest angle error in degrees."""
    if len(frames) != len(rendered.corners):
        return np.inf, np.inf
    far, turn = 0.0, 0.0
    for truth, angle, frame in zip(rendered.corners, rendered.angles, frames):
        sides = np.hypot(*(np.roll(truth, -1, axis=0) - truth).T)
        far = max(far, np.hypot(*(np.array(frame.corners) - truth).T).max() / sides.max())
        turn = max(turn, abs(frame.angle - angle))
    return far, turn


@pytest.mark.parametrize("kind", layouts.KINDS)
def test_pictures_are_found_in_every_layout(kind, scenes):
    """The issue's bar: corners within 0.5 % of the long side; here for one of two captures of each kind at least, and
    where one is missed, it is not called sure. benchmarks/frames.py has the shares over hundreds of captures.
    """
    held = []
    for seed in (602, 603):
        c = capture(kind, seed, scenes, size=(900, 1350) if kind == "perforated" else SIZE)
        frames = find_frames(Capture(c.data, flattened=c.layout.flattened))
        held.append(errors(c, frames)[0] < 0.005)
        assert held[-1] or min(f.confidence for f in frames) < 0.97
    assert any(held)


@pytest.mark.parametrize("content", ["thin", "dense", "snow"])
def test_thin_dense_and_snowy_pictures(content, scenes):
    c = capture("holder", 71, scenes, content)
    frames = find_frames(c.data)
    far, turn = errors(c, frames)
    assert far < 0.005 and turn < 0.1 or frames[0].confidence < 0.9


def test_a_turned_frame_to_a_tenth_of_a_degree(scenes):
    c = capture("holder", 80, scenes)
    for turn in (-4.6, 2.2):
        layout = replace(c.layout, turn=turn, perspective=(0.0, 0.0), distortion=0.0, quarter=0)
        got = find_frames(layouts.render(layout, [scenes[0]], layouts.random_stock(np.random.default_rng(3))).data)
        assert len(got) == 1 and abs(got[0].angle - turn) < 0.1


def test_a_larger_capture_gives_the_same_frame_in_its_own_pixels(scenes):
    c = capture("holder", 81, scenes)
    small = find_frames(c.data)[0]
    large = find_frames(np.repeat(np.repeat(c.data, 3, axis=0), 3, axis=1))[0]
    assert np.abs(np.array(large.corners) - np.array(small.scaled(3).corners)).max() < 3


def test_the_format_is_carried_and_does_not_harm(scenes):
    c = capture("holder", 82, scenes)
    (frame,) = find_frames(c.data, c.layout.format if c.layout.format in FORMATS else None)
    assert errors(c, [frame])[0] < 0.005 and frame.format in (c.layout.format, None)


def test_the_bare_panel_is_not_the_base(scenes):
    c = capture("panel", 90, scenes)
    seen = look(c.data)
    assert errors(c, seen.frames)[0] < 0.005
    assert np.abs(10.0 ** np.array(seen.base.log) / c.base - 1).max() < 0.12      # up to the fall-off in the rebate


@pytest.mark.parametrize("data", [np.zeros((300, 400, 3)), np.ones((300, 400, 3)), np.full((300, 400, 3), 0.4),
                                  np.zeros((1, 1, 3)), np.ones((5, 2000, 3)),
                                  np.random.default_rng(0).random((200, 300, 3))])
def test_what_shows_no_picture_gives_the_whole_view_with_a_warning(data):
    (frame,) = find_frames(data.astype(np.float32))
    h, w = data.shape[:2]
    assert frame.corners == ((-0.5, -0.5), (w - 0.5, -0.5), (w - 0.5, h - 0.5), (-0.5, h - 0.5))
    assert frame.confidence < TRUSTED and frame.warnings and frame.angle == 0


def test_frames_go_to_json_and_back():
    frame = Frame(((1.0, 2.0), (9.0, 2.5), (8.5, 7.0), (0.5, 6.5)), 3.6, 0.8, ("top: rebate",), "6x6", ("a",))
    assert Frame.from_dict(frame.to_dict()) == frame
    assert "confidence 0.80" in repr(frame)


def test_scaling_maps_pixel_centres():
    """The first pixel of a proxy reduced 4 times covers pixels 0..3, whose middle is 1.5."""
    frame = Frame.rectangle(0, 0, 10, 5)
    assert frame.scaled(4).corners[0] == (-0.5, -0.5) and frame.scaled(4).corners[2] == (39.5, 19.5)
    assert Frame(((0.0, 0.0),) * 4, 0.0).scaled(4).corners[0] == (1.5, 1.5)
    assert frame.scaled(4).reduced(4) == frame


def test_formats():
    assert format_named("6X9") is FORMATS["6x9"] and FORMATS["6x6"].aspect == 1
    with pytest.raises((ValueError, InputError), match="6x9"):
        format_named("7x11")


def test_the_mask_covers_the_frame():
    frame = Frame.rectangle(20, 10, 60, 40)
    mask = picture_mask(frame, (100, 120), inset=0.0)
    assert mask.sum() == 60 * 40 and mask[10, 20] and not mask[9, 20]
    assert picture_mask([frame], (100, 120), inset=0.1).sum() == 52 * 32
    assert picture_mask(frame.scaled(3), (100, 120), inset=0.0, reduced=3).sum() == 60 * 40


def bare(kind, seed, size=(640, 960), **changes):
    """An even, flattened layout of one kind without lens or perspective."""
    layout = layouts.random_layout(kind, np.random.default_rng([seed, 4]), size=size, content="plain")
    even = dict(turn=1.3, perspective=(0.0, 0.0), distortion=0.0, quarter=0, gain=(1.0, 1.0, 1.0), fall_off=0.0,
                leak=0.0, print_density=0.0, dust=0, shift_mm=(0.0, 0.0), window_turn=0.0, perforated=False)
    return replace(layout, **{**even, **changes})


def test_the_format_extends_a_picture_into_clear_shadows():
    """A third of the picture as clear as the rebate: its far side cannot be seen, but the format says where it lies."""
    layout = bare("holder", 5, format="6x9", frames=1, window_mm=(-46.0, -30.0, 46.0, 30.0),
                  film_mm=(-240.0, -30.7, 240.0, 30.7), scale=9.0)
    picture = np.float32(0.16 / scene("cat", (200, 300), 1).mean()) * scene("cat", (200, 300), 1)
    picture[np.arange(300) > 170 + 30 * np.cos(np.arange(200) / 9)[:, None]] = 0
    c = layouts.render(layout, [picture], layouts.random_stock(np.random.default_rng(2)))
    capture = Capture(c.data, flattened=True)
    assert errors(c, find_frames(capture, "6x9"))[0] < 0.005
    assert 0.005 < errors(c, find_frames(capture))[0] < 0.03    # and without it, the opening does, as far as it is even


def test_a_strip_places_the_picture_that_hardly_shows():
    """Stars on black between two pictures: none of its sides shows, the strip's pitch says where they are."""
    layout = bare("strip", 6, format="6x6", frames=3, gap_mm=4.0, window_mm=(-94.0, -29.5, 94.0, 29.5),
                  film_mm=(-300.0, -30.7, 300.0, 30.7), scale=4.7)
    stars = np.zeros((200, 200, 3), np.float32)
    rng = np.random.default_rng(3)
    for y, x in rng.integers(0, 195, (120, 2)):
        stars[y:y + 6, x:x + 6] = 0.8
    scenes = [np.float32(0.16 / s.mean()) * s for s in (scene("cup", (200, 200), 1), scene("gravel", (200, 200), 1))]
    c = layouts.render(layout, [scenes[0], stars, scenes[1]], layouts.random_stock(rng))
    assert errors(c, find_frames(Capture(c.data, flattened=True)))[0] < 0.005


def test_a_picture_as_dark_as_the_holder_is_still_one():
    """Film denser than light gets through, with clear rebate round it."""
    data = np.zeros((400, 600, 3), np.float32)
    data[50:350, 80:520] = 0.5
    data[80:320, 110:490] = 0.0005
    (frame,) = find_frames(data)
    assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(110, 80, 380, 240).corners)).max() < 0.5


def stars(rng, shape, many, size=6):
    """Round lights on black, in no order: what reaches the border is cut by it."""
    light = np.zeros((*shape, 3), np.float32)
    y, x = np.ogrid[:shape[0], :shape[1]]
    for cy, cx, r in zip(rng.uniform(0, shape[0], many), rng.uniform(0, shape[1], many), rng.uniform(2, size, many)):
        light[(y - cy) ** 2 + (x - cx) ** 2 < r * r] = 0.8
    return light


@pytest.mark.parametrize("turn", [-1.5, 2.0])
def test_a_field_of_stars_is_framed_by_those_that_its_sides_cut(turn):
    """No side shows along more than a quarter of it, all that is between is as clear as the rebate."""
    layout = bare("holder", 3, format="6x6", window_mm=(-30.5, -29.6, 30.5, 29.6), turn=turn, scale=8.2,
                  film_mm=(-300.0, -30.7, 300.0, 30.7))
    sky = stars(np.random.default_rng(1), (480, 480), 1200)
    c = layouts.render(layout, [sky], layouts.random_stock(np.random.default_rng(4)))
    (frame,) = frames = find_frames(Capture(c.data, flattened=True))
    assert errors(c, frames)[0] < 0.005
    assert TRUSTED < frame.confidence < 0.98


def test_one_round_picture_beside_a_square_one_is_found_by_the_pitch_of_the_strip(scenes):
    layout = bare("strip", 6, format="6x6", frames=2, gap_mm=5.0, window_mm=(-64.0, -29.5, 64.0, 29.5),
                  film_mm=(-300.0, -30.7, 300.0, 30.7), scale=5.2)
    y, x = np.mgrid[-1:1:240j, -1:1:240j]
    disc = np.repeat(np.where(x * x + y * y < 0.99, np.float32(0.2), np.float32(0))[..., None], 3, axis=2)
    square = np.float32(0.16 / scenes[0].mean()) * scenes[0]
    c = layouts.render(layout, [square, disc], layouts.random_stock(np.random.default_rng(2)))
    assert errors(c, find_frames(Capture(c.data, flattened=True)))[0] < 0.005


def test_a_thin_picture_that_the_holder_cuts_has_no_sliver_of_rebate_there():
    """A lawn so thin that it is as clear as the base here and there all over: no line of it is rebate."""
    c = layouts.random_capture("cut", 5004)
    assert c.layout.content == "thin"
    assert errors(c, find_frames(Capture(c.data, flattened=c.layout.flattened)))[0] < 0.005


def blended(clear, picture, box, size=(640, 900)):
    """A picture on clear film: `box` (left, top, right, bottom) may reach beyond the view."""
    data = np.ones((*size, 3), np.float32) * np.float32(clear)
    l, t, r, b = box
    rows, columns = slice(max(t, 0), b), slice(max(l, 0), r)
    data[rows, columns] *= picture[:data[rows, columns].shape[0], :data[rows, columns].shape[1]]
    return data + np.random.default_rng(1).normal(0, 2e-4, data.shape).astype(np.float32)


def test_a_dense_sky_between_slivers_of_rebate_is_no_holder(scenes):
    """Dark from the upper border of the view to the lower ones, but a holder's opening is convex: with clear film to its
    left and its right it is sky."""
    picture = 10 ** -np.clip(1.2 * np.kron(scenes[0][..., :1] / scenes[0].max(), np.ones((4, 4, 3))), 0, 1.4)
    picture[:240] = 10 ** -np.array([1.05, 0.75, 0.6])
    data = blended((0.7, 0.27, 0.08), picture, (11, 0, 888, 640))
    (frame,) = find_frames(Capture(data.astype(np.float32), flattened=True))
    assert np.abs(np.array(frame.corners) - Frame.rectangle(11, 0, 877, 640).corners).max() < 1.0
    assert frame.trusted


def test_light_that_leaks_past_the_film_gives_no_base(scenes):
    """Beside a leak the rebate shows a gradient, brighter than the base and even enough for a tone."""
    picture = 10 ** -np.clip(1.3 * np.kron(scenes[1][..., :1] / scenes[1].max(), np.ones((3, 3, 3))), 0.15, 1.3)
    base = np.array([0.53, 0.3, 0.1])
    data = blended(base, picture[:520, :780], (60, 60, 840, 580))
    y = np.arange(640)[:, None, None]
    data += np.float32(0.2) * np.exp(-np.minimum(y, 639 - y) / 12.0).astype(np.float32)
    data[:14] = data[-14:] = 1.0
    seen = look(data.astype(np.float32), flattened=True)
    assert np.abs(10.0 ** np.array(seen.base.log) / base - 1).max() < 0.02
    assert np.abs(np.array(seen.frames[0].corners) - Frame.rectangle(60, 60, 780, 520).corners).max() < 3


@pytest.mark.parametrize("seed", [9005, 9010])
def test_small_pictures_of_a_strip_with_perforations(seed):
    """Gaps of five pixels; and film whose edges show more even tones than there were tried for the base."""
    c = layouts.random_capture("perforated", seed)
    known = c.layout.format if seed % 2 else None
    assert errors(c, find_frames(Capture(c.data, flattened=c.layout.flattened), known))[0] < 0.005


def test_panel_past_the_edges_of_masked_film_is_not_the_base():
    """A capture not flattened, of hardly any exposure: two slivers of panel, and between them orange film with few stars."""
    panel = np.array([0.55, 0.96, 0.6])
    base = panel * 10 ** -np.array([0.24, 0.73, 1.04])
    data = np.full((640, 900, 3), 0.002)
    data[80:560, 200:700] = panel
    data[92:548, 200:700] = base
    rng = np.random.default_rng(4)
    for y, x in zip(rng.integers(120, 500, 12), rng.integers(230, 660, 12)):
        data[y:y + 14, x:x + 14] *= 0.1
    data *= 1 + rng.normal(0, 0.003, data.shape)
    seen = look(data.astype(np.float32), flattened=False)
    assert np.abs(10.0 ** np.array(seen.base.log) / base - 1).max() < 0.02


def test_a_panel_around_masked_film_that_is_saturated_but_in_red_is_not_the_base():
    """A capture not flattened: orange film, hardly anything exposed on it, lies on more panel than it covers."""
    panel = np.array([0.76, 1.0, 1.0])
    base = np.array([0.54, 0.39, 0.235])
    data = np.empty((640, 1000, 3))
    data[:] = panel
    data[160:480, 60:940] = base
    data[180:460, 130:870] *= 0.92
    rng = np.random.default_rng(5)
    for y, x in zip(rng.integers(200, 430, 30), rng.integers(150, 840, 30)):
        data[y:y + 14, x:x + 14] *= 0.15
    data = np.where(data < 1, data * (1 + rng.normal(0, 0.003, data.shape)), 1.0).astype(np.float32)
    (frame,) = find_frames(Capture(data, flattened=False))
    assert np.abs(np.array(frame.corners) - Frame.rectangle(130, 180, 740, 280).corners).max() < 1.5
    assert np.abs(np.array(sample_base(data, [frame]).rgb) / base - 1).max() < 0.02


@pytest.mark.parametrize("unknown", [np.nan, np.inf, -np.inf])
def test_pixels_of_which_nothing_is_known_lead_to_none(scenes, unknown):
    """One pixel in a thousand of a capture, and all of one."""
    c = capture("holder", 80, scenes)
    data = c.data.copy()
    data[np.random.default_rng(2).random(data.shape[:2]) < 0.001] = unknown
    seen = look(data, flattened=c.layout.flattened)
    assert errors(c, seen.frames)[0] < 0.005
    base = sample_base(data, seen.frames)
    assert np.abs(np.array(base.rgb) / c.base_seen - 1).max() < 0.02
    nothing = np.full((90, 120, 3), unknown, np.float32)
    assert not look(nothing).frames[0].trusted and np.isfinite(sample_base(nothing).rgb).all()


@pytest.mark.parametrize("soft_mm", [0.01, 0.08])
def test_a_gates_penumbra_does_not_move_the_sides_outwards(scenes, soft_mm):
    """Half of the light is gone where but a little of the exposure is there, the further out the denser the picture."""
    layout = bare("holder", 7, (800, 1200), format="135", frames=1, gate_soft=soft_mm, gate_round=0.0, blur=0.6,
                  noise=0.002, window_mm=(-19.0, -13.0, 19.0, 13.0), film_mm=(-200.0, -17.5, 200.0, 17.5), scale=26.0)
    c = layouts.render(layout, scenes[:1], layouts.random_stock(np.random.default_rng(3)))
    (frame,) = find_frames(Capture(c.data, flattened=True))
    assert np.abs(np.array(frame.corners) - c.corners[0]).max() < 0.4


def strip_of_135(scale=10.0, size=(420, 900), rows=(True, True)):
    """Kinds of a piece of 135 film on the panel, its middle 30 pixels above that of the view; from memory of ISO 1007:
    holes of 2.8 by 1.98 mm every 4.75 mm, 2 mm from the edges of film 35 mm wide."""
    kinds = np.full(size, PANEL, np.uint8)
    y, x = (np.mgrid[:size[0], :size[1]] + 0.5) / scale
    y = y - size[0] / scale / 2 + 3.0
    kinds[np.abs(y) < 17.5] = BASE
    for side, shown in zip((-1, 1), rows):
        hole = (np.abs(y * side - 14.1) < 1.4) & (np.abs((x + 1.3) % 4.75 - 2.375) < 0.99)
        kinds[hole & shown] = PANEL
    return kinds


@pytest.mark.parametrize("rows", [(True, True), (True, False), (False, True)])
@pytest.mark.parametrize("down", [False, True])
def test_perforations_say_where_the_picture_is_across_the_film(rows, down):
    kinds = strip_of_135(rows=rows)
    found, = gates(np.ascontiguousarray(kinds.T) if down else kinds)
    middle = (420 - 1) / 2 - 30
    assert found.down == down and found.film == NARROW and abs(found.scale - 10.0) < 0.05
    assert abs(found.low - (middle - 120)) < 1.5 and abs(found.high - (middle + 120)) < 1.5


def test_small_perforations_of_a_long_strip_are_still_a_row():
    """Five pixels by seven, blurred to four by six, a few lost: what shows through them is not the base."""
    kinds = strip_of_135(2.6, (130, 520))
    holes = kinds == PANEL
    holes[:, :1] = holes[:1] = holes[-12:] = False
    y, x = np.nonzero(holes[1:] & ~holes[:-1])
    taken = np.full(kinds.shape, PICTURE, np.uint8)
    for row, column in {(int(r) + 2, int(c)) for r, c in zip(y, x) if not holes[r + 1, c - 1]}:
        if column % 5:
            taken[row:row + 6, column + 1:column + 5] = BASE
    assert past_film(taken)


def test_the_edges_of_roll_film_say_it_too():
    """56 mm of 61.5: common practice, and ISO 732 from memory."""
    kinds = np.full((700, 900), PANEL, np.uint8)
    kinds[20:635] = BASE
    kinds[100:500, 300:600] = PICTURE
    found, = gates(kinds)
    assert found.film == WIDE and abs(found.scale - 10.0) < 0.05
    assert abs(found.low - 47) < 1.5 and abs(found.high - 607) < 1.5


def test_what_shows_through_perforations_is_not_the_base():
    kinds = strip_of_135()
    kinds[60:300] = PICTURE
    assert not past_film(kinds)
    taken = np.where(kinds == PANEL, BASE, PICTURE).astype(np.uint8)
    assert past_film(taken) and not past_film(np.full(kinds.shape, DARK, np.uint8))
    # The cut edge of each perforation may be a dark line round it.
    edge = binary_dilation(kinds == PANEL, iterations=2) & (kinds == BASE)
    assert edge.any() and not past_film(np.where(edge, PICTURE, kinds).astype(np.uint8))
    assert past_film(np.where(edge, PICTURE, taken).astype(np.uint8))


@pytest.mark.parametrize("seed", range(2))
def test_panes_in_rows_as_clear_as_the_rebate_do_not_unmake_it(seed):
    """They lie as perforations do, but no darker tone explains what is in view."""
    rng = np.random.default_rng(seed)
    light = np.full((390, 750), 0.5)
    light[25:365, 15:735] = np.kron(0.5 * 10 ** -rng.uniform(0.1, 0.8, (17, 12)), np.ones((20, 60)))
    light[290:350, 40:700] = 0.36
    for top in (113, 255):
        for left in range(60, 690, 24):
            light[top:top + 14, left:left + 10] = 0.5
    light = gaussian_filter(light, 0.7) * (1 + rng.normal(0, 0.004, light.shape))
    (frame,) = find_frames(np.repeat(light[..., None], 3, axis=2).astype(np.float32))
    truth = np.array([(14.5, 24.5), (734.5, 24.5), (734.5, 364.5), (14.5, 364.5)])
    assert np.abs(np.array(frame.corners) - truth).max() < 1.0 and frame.confidence > 0.9


def test_a_night_between_perforations_is_framed_by_them():
    """No side of it is seen along more than half; light leaks in on all sides of the film."""
    c = layouts.random_capture("leak", 9108)
    assert c.layout.content == "night" and c.layout.perforated
    frames = find_frames(Capture(c.data, flattened=c.layout.flattened))
    assert errors(c, frames)[0] < 0.005


def textured(shape, low, high, seed=7):
    """Densities from `low` to `high` in patches of 12 pixels, float32 (h, w)."""
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(low, high, (shape[0] // 12 + 1, shape[1] // 12 + 1))
    return np.kron(coarse, np.ones((12, 12)))[:shape[0], :shape[1]].astype(np.float32)


def test_saturated_rebate_is_the_base_where_nothing_darker_explains_the_picture():
    """Exposed so long that the rebate is as bright as bare panel would be."""
    data = np.full((600, 900, 3), 0.001, np.float32)
    data[60:540, 90:810] = 1.0
    data[100:500, 140:740] = 10 ** -textured((400, 600), 0.2, 1.2)[..., None]
    seen = look(data)
    (frame,) = seen.frames
    assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(140, 100, 600, 400).corners)).max() < 3
    assert frame.trusted and np.allclose(10 ** np.array(seen.base.log), 1.0, atol=0.01)


@pytest.mark.parametrize("seed", [9711, 9712])
def test_a_lighter_band_of_the_picture_along_the_holder_is_no_sliver_of_rebate(seed):
    """The holder cuts the picture, askew, through a part that is lighter than what lies further in."""
    c = layouts.random_capture("cut", seed)
    assert errors(c, find_frames(Capture(c.data, flattened=c.layout.flattened)))[0] < 0.005


def test_holes_of_two_rows_lie_opposite_each_other():
    """Clear details of a picture that make two rows, one out of step with the other, are no perforations; ISO 1007."""
    kinds = strip_of_135()
    taken = np.where(kinds == PANEL, BASE, PICTURE).astype(np.uint8)
    taken[:190] = np.roll(taken[:190], 24, axis=1)
    assert not past_film(taken)


def test_the_next_pictures_of_a_strip_speak_not_against_one():
    """What the view shows of them is a third of all that is exposed; a corner of the picture itself is clear."""
    rng = np.random.default_rng(6)
    data = np.full((460, 700, 3), 0.5)
    tone = 0.05 + 0.3 * np.kron(rng.random((23, 35)), np.ones((20, 20)))[..., None]
    for left, right in ((0, 110), (140, 560), (590, 700)):
        data[90:370, left:right] = tone[90:370, left:right]
    data[90:180, 140:260] = 0.5
    data *= 1 + rng.normal(0, 0.003, data.shape)
    seen = look(data.astype(np.float32), "135", flattened=True)
    (frame,) = seen.frames
    assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(140, 90, 420, 280).corners)).max() < 2.1


def test_a_holder_that_light_falls_on_unevenly_is_still_dark():
    """From a hundredth to a three-hundredth of the panel, where the base, three pixels of it, keeps blue to a tenth."""
    base = np.array([0.6, 0.25, 0.08])
    data = np.empty((400, 600, 3))
    data[...] = (0.01 * 3.0 ** -(np.mgrid[:400, :600].sum(axis=0) / 1000))[..., None]
    rng = np.random.default_rng(3)
    data[87:323, 157:493] = base
    data[90:320, 160:490] = base * (0.08 + 0.2 * np.kron(rng.random((23, 33)), np.ones((10, 10))))[..., None]
    data *= 1 + rng.normal(0, 0.01, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(160, 90, 330, 230).corners)).max() < 1.0


def test_a_sliver_of_rebate_narrower_than_its_surroundings_gives_the_base():
    """Three pixels of it, and inside them a picture with a larger tone two thirds as bright."""
    rng = np.random.default_rng(9)
    data = np.full((480, 700, 3), 0.001)
    data[57:413, 97:603] = 0.45
    data[60:410, 100:600] = 0.04 + 0.1 * np.kron(rng.random((35, 25)), np.ones((10, 20)))[..., None]
    data[240:410, 150:600] = 0.3
    data *= 1 + rng.normal(0, 0.003, data.shape)
    seen = look(data.astype(np.float32), flattened=True)
    assert np.abs(10.0 ** np.array(seen.base.log) / 0.45 - 1).max() < 0.02


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_one_side_in_view_is_enough_where_it_is_plain(seed):
    made = layouts.random_capture("holder", seed, content="plain")
    corners = made.corners[0]
    high = corners[2:, 1].min() - corners[:2, 1].max()
    # All but the right side, and a strip of rebate beyond it, lies outside the view.
    top, bottom = int(corners[:2, 1].max() + 0.1 * high), int(corners[2:, 1].min() - 0.1 * high)
    left, right = int(corners[[0, 3], 0].max() + 0.08 * high), int(corners[1:3, 0].max() + 0.02 * high)
    part = np.ascontiguousarray(made.data[top:bottom, left:right])
    frame, = look(part, flattened=made.layout.flattened).frames
    assert frame.confidence > TRUSTED and frame.warnings
    (xa, ya), (xb, yb) = corners[1:3] - (left, top)
    h = bottom - top
    upper, lower = (xa + (y - ya) / (yb - ya) * (xb - xa) for y in (-0.5, h - 0.5))
    truth = np.array([(-0.5, -0.5), (upper, -0.5), (lower, h - 0.5), (-0.5, h - 0.5)])
    assert np.hypot(*(np.array(frame.corners) - truth).T).max() < 0.005 * max(part.shape[:2])


def patches(rng, high, wide, low=0.05, most=0.6, size=12):
    """Tones in patches, (high, wide, 1)."""
    coarse = rng.uniform(low, most, (high // size + 1, wide // size + 1))
    return np.kron(coarse, np.ones((size, size)))[:high, :wide, None]


def test_two_pictures_between_holders_are_not_one():
    """Both end at the holder, the second so thin beside the gap between them that its own side is hardly seen."""
    rng = np.random.default_rng(12)
    data = np.full((420, 1000, 3), 0.004)
    data[60:360, 60:940] = 0.5
    data[90:330, 60:480] = 0.5 * patches(rng, 240, 420)
    data[90:330, 520:940] = 0.5 * patches(rng, 240, 420, 0.3, 1.0)
    data[200:330, 520:580] = 0.5
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), "135", flattened=True).frames
    assert len(frames) == 2
    assert abs(frames[0].corners[1][0] - 479.5) < 2 and abs(frames[1].corners[1][0] - 939.5) < 2


def test_the_edge_of_the_next_picture_does_not_belong_to_one():
    """Past a gap the holder shows ten pixels of it; shadows as clear as the rebate hide the side before the gap."""
    rng = np.random.default_rng(13)
    data = np.full((420, 620, 3), 0.004)
    data[60:360, 60:560] = 0.5
    data[90:330, 80:440] = 0.5 * patches(rng, 240, 360)
    for y in range(100, 330):
        data[y, 340 + y // 4:440] = 0.5
    data[90:330, 545:560] = 0.5 * patches(rng, 240, 15)
    data *= 1 + rng.normal(0, 0.003, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert abs(frame.corners[1][0] - 439.5) < 2 or frame.warnings


def test_a_gate_turned_on_the_film_makes_a_flight_of_pictures():
    """Four pictures of 180 by 120 upright in the view, each 3 pixels higher than the last, as when a gate is turned by
    nearly a degree on film that lies as much askew."""
    rng = np.random.default_rng(14)
    data = np.full((300, 900, 3), 0.5)
    boxes = [(40 + 200 * i, 95 - 3 * i) for i in range(4)]
    for i, (x, y) in enumerate(boxes):
        data[y:y + 120, x:x + 180] = 0.5 * patches(rng, 120, 180)
        if i in (1, 3):
            data[y:y + 60, x + 20:x + 170] = 0.5            # the upper side shows at its ends alone
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), flattened=True).frames
    assert len(frames) == 4
    for (x, y), frame in zip(boxes, frames):
        assert np.abs(np.array(frame.corners) - Frame.rectangle(x, y, 180, 120).corners).max() < 1.2


@pytest.mark.parametrize("cut", [False, True])
def test_a_rim_of_the_holder_that_the_panel_shines_on_is_holder(cut):
    """Fourteen pixels of it, from a tenth of the rebate's light down to nothing, all round; the picture ends at it."""
    rng = np.random.default_rng(15)
    y, x = np.mgrid[:480, :720]
    outside = np.maximum(np.maximum(60 - x, x - 659), np.maximum(60 - y, y - 419))
    data = np.repeat((0.003 + 0.05 * np.exp(-np.maximum(outside, 0) / 6.0))[..., None], 3, axis=2)
    data[60:420, 60:660] = 0.5
    bottom = 420 if cut else 400
    data[90:bottom, 90:630] = 0.5 * patches(rng, bottom - 90, 540)
    data *= 1 + rng.normal(0, 0.005, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 90, 540, bottom - 90).corners).max() < 1.2
    assert frame.confidence > 0.8


def test_a_rim_beyond_a_broad_penumbra_is_holder():
    """Where the holder's edge is far out of focus, four pixels from clear film are still within it."""
    rng = np.random.default_rng(35)
    y, x = np.mgrid[:480, :720]
    outside = np.maximum(np.maximum(90 - x, x - 629), np.maximum(90 - y, y - 389)) - 0.5
    light = 0.5 * ndtr(-outside / 3.0) + 0.003 + 0.04 * np.exp(-(np.maximum(outside, 0) / 9.0) ** 2)
    light *= 1 - 0.7 * np.exp(-((x - 400) ** 2 + (y - 220) ** 2) / 70.0 ** 2)
    data = np.repeat(light[..., None], 3, axis=2) * (1 + rng.normal(0, 0.005, (480, 720, 3)))
    (frame,) = look(data.astype(np.float32), "6x9", flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 90, 540, 300).corners).max() < 1.5


@pytest.mark.parametrize("between", [0, 4])
def test_rebate_between_picture_and_panel_is_told_however_narrow(between):
    rng = np.random.default_rng(36)
    data = np.full((480, 720, 3), 1.0)
    data[60:420, 100:520] = 0.5
    data[90:390, 130:520 - between] = 0.5 * patches(rng, 300, 390 - between, 0.05, 0.5)
    log = log_light(gaussian_filter(data * (1 + rng.normal(0, 0.003, data.shape)), (0.6, 0.6, 0)).astype(np.float32))
    base = next(tone for tone in even_tones(log, rigid=True) if abs(np.mean(tone.log) - np.log10(0.5)) < 0.02)
    attempt = attempted(log, base, None)
    assert [round(f.right) for f in attempt.found] == pytest.approx([520 - between + (log.shape[2] != 720)], abs=5)
    assert at_panel(attempt) == (between == 0)


def test_a_sheet_on_a_sliver_of_panel_that_the_view_cuts_is_no_sure_picture():
    rng = np.random.default_rng(37)
    data = np.full((640, 480, 3), (0.9, 1.0, 0.85))
    data[8:, 6:470] *= (0.5, 0.48, 0.14)
    for y, x in rng.integers((30, 30), (620, 450), (40, 2)):
        data[y:y + 2, x:x + 3] *= 0.9
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), flattened=False).frames
    assert max(f.confidence for f in frames) < 0.5


@pytest.mark.parametrize("top, bottom", [(0, 480), (53, 480), (53, 427)])
def test_a_picture_lies_in_the_middle_of_its_sheet_though_shadows_hide_a_side(top, bottom):
    """Twelve pixels from three edges of the film; on the fourth side shadows as clear as the rebate go on below a ridge. The
    view may begin and end within the film."""
    rng = np.random.default_rng(38)
    data = np.full((480, 720, 3), 1.0)
    data[50:430, 110:610] = 0.5
    data[62:418, 122:598] = 0.5 * patches(rng, 356, 476, 0.05, 0.8)
    ridge = 460 + (25 * np.sin(np.arange(480) / 37.0)).astype(int)
    for row, at in enumerate(ridge[62:418], 62):
        data[row, at:598] = 0.5
    data *= 1 + rng.normal(0, 0.003, data.shape)
    (frame,) = look(data[top:bottom].astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(122, 62 - top, 476, 356).corners).max() < 2.0
    assert frame.confidence < 0.5


def test_nicks_in_a_cameras_gate_do_not_move_the_side():
    """Two of them, eight pixels high, on a side that is seen all along."""
    rng = np.random.default_rng(16)
    data = np.full((480, 700, 3), 0.5)
    data[80:400, 110:590] = 0.5 * patches(rng, 320, 480, 0.05, 0.3)
    for left in (300, 340):
        data[72:80, left:left + 22] = 0.05
    data *= 1 + rng.normal(0, 0.003, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(110, 80, 480, 320).corners).max() < 1.0


def test_bars_between_the_windows_of_a_holder_belong_to_no_picture():
    """Two of them, so narrow and blurred that they are no darker than a dense picture, with five pixels of rebate on both
    sides; the pictures end at that, shadows as clear as it along some of their sides, and not at the bars."""
    rng = np.random.default_rng(17)
    data = np.full((420, 1030, 3), 0.004)
    data[60:360, 50:980] = 0.5
    for left in (60, 368, 676):
        data[100:320, left:left + 292] = 0.5 * patches(rng, 220, 292)
    data[110:310, 300:352] = data[110:310, 368:400] = 0.5
    for left in (357, 665):
        for at, light in enumerate((0.6, 0.25, 0.08, 0.08, 0.25, 0.6), left):
            data[60:360, at] = 0.5 * light
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), flattened=True).frames
    assert len(frames) == 3
    for left, frame in zip((60, 368, 676), frames):
        assert np.abs(np.array(frame.corners) - Frame.rectangle(left, 100, 292, 220).corners).max() < 1.5


def test_a_panel_exposed_beyond_saturation_is_no_base_once_it_is_divided():
    """Film on a bare panel that is clipped, in a capture divided by a frame of that panel taken at half the exposure:
    cameras see most light in green, so what is left of the panel is magenta."""
    rng = np.random.default_rng(18)
    panel = np.array([0.45, 0.9, 0.6])
    film = np.full((480, 720, 3), np.nan)
    film[80:400, 100:620] = [0.55, 0.26, 0.13]
    film[110:370, 140:580] *= patches(rng, 260, 440)
    light = np.where(np.isnan(film), 1.0, film) * panel * 2
    data = np.minimum(light * (1 + rng.normal(0, 0.003, light.shape)), 1.0) / (2 * panel)
    seen = look(data.astype(np.float32), flattened=True)
    (frame,) = seen.frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(140, 110, 440, 260).corners).max() < 1.0
    assert np.abs(10.0 ** np.array(seen.base.log) / [0.55, 0.26, 0.13] - 1).max() < 0.02


@pytest.mark.parametrize("leaks", [False, True], ids=["panel all round", "panel on two sides"])
def test_a_sliver_of_rebate_between_panel_and_picture_is_the_base(leaks):
    """Five pixels of it, through a lens that blurs by six tenths of a pixel; where nothing says that the panel is one,
    a holder lets panel be seen past two of the film's edges."""
    rng = np.random.default_rng(22)
    data = np.full((480, 720, 3), 0.002 if leaks else 1.0)
    if leaks:
        data[40:440, 100:620] = 0.8
    data[75:405, 99:621] = 0.42
    data[80:400, 104:616] = 0.42 * patches(rng, 320, 512, 0.05, 0.5)
    data = gaussian_filter(data, (0.6, 0.6, 0)) * (1 + rng.normal(0, 0.003, data.shape))
    seen = look(data.astype(np.float32), flattened=not leaks)
    (frame,) = seen.frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(104, 80, 512, 320).corners).max() < 1.5
    assert np.abs(10.0 ** np.array(seen.base.log) / 0.42 - 1).max() < 0.02


def test_a_panel_a_little_beyond_saturation_is_none_of_the_film():
    """An eighth of the panel's green is cut off; most of what is on the film is as clear as its base."""
    rng = np.random.default_rng(23)
    data = np.full((480, 720, 3), [1.0, 0.88, 1.0])
    data[100:380, 160:560] = 0.54
    data[112:368, 176:544] = 0.54 * np.where(rng.random((16, 23, 1)) < 0.4, 0.6, 1.0).repeat(16, 0).repeat(16, 1)
    data *= 1 + rng.normal(0, 0.003, data.shape)
    seen = look(data.astype(np.float32), flattened=True)
    (frame,) = seen.frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(176, 112, 368, 256).corners).max() < 1.5
    assert np.abs(10.0 ** np.array(seen.base.log) / 0.54 - 1).max() < 0.02


def test_a_strip_that_the_view_cuts_on_a_bare_panel_is_no_picture():
    """Panel above and below film that goes on to the left and right of the view; nothing says that it is panel."""
    rng = np.random.default_rng(19)
    data = np.full((480, 720, 3), 0.6)
    data[60:420] = 0.4
    for left, right in ((0, 40), (90, 312), (360, 582), (630, 720)):
        data[90:390, left:right] = 0.4 * patches(rng, 300, right - left, 0.05, 0.9)
    data[90:330, 90:230] = 0.4
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), "6x4.5").frames
    assert len(frames) == 2
    for left, frame in zip((90, 360), frames):
        assert np.abs(np.array(frame.corners) - Frame.rectangle(left, 90, 222, 300).corners).max() < 1.5


@pytest.mark.parametrize("past", ["holder", "panel"])
def test_rebate_fogged_from_the_edge_of_the_film_is_no_picture(past):
    """A density of 0.3 at the upper edge of the film, along three quarters of it, and half of that every 10 pixels
    further in; the picture begins 26 pixels inside it."""
    rng = np.random.default_rng(20)
    data = np.full((480, 720, 3), 0.004)
    if past == "panel":
        data[40:60, 60:660] = 1.0
    data[60:420, 60:660] = 0.5
    data[86:390, 90:630] = 0.5 * patches(rng, 304, 540, 0.03, 0.4)
    y, x = np.mgrid[:480, :720]
    fog = 0.3 * 0.5 ** ((y - 60) / 10) * np.clip((510 - x) / 60, 0, 1)
    film = (x >= 60) & (x < 660) & (y >= 60) & (y < 420)
    data *= np.where(film, 10 ** -fog, 1.0)[..., None]
    data *= 1 + rng.normal(0, 0.003, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 86, 540, 304).corners).max() < 1.5


def test_a_grey_holder_that_light_falls_on_is_none_of_the_picture():
    """A fifteenth to a tenth of the panel, even all round the view; it covers the rebate on two sides."""
    rng = np.random.default_rng(5)
    data = np.empty((420, 640, 3))
    data[...] = (0.1 * 1.5 ** -(np.mgrid[:420, :640].sum(axis=0) / 1060))[..., None]
    data[100:320, 180:460] = 0.6
    data[110:310, 180:460] = 0.6 * 10 ** -textured((200, 280), 0.15, 0.7)[..., None]
    data *= 1 + rng.normal(0, 0.01, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(180, 110, 280, 200).corners)).max() < 3.0
    assert frame.trusted


def test_two_pictures_whose_gap_a_clear_side_hides_are_two():
    """135 film, ten pixels a millimetre: perforations measure it (ISO 1007), and no picture is 74 mm long."""
    rng = np.random.default_rng(8)
    data = np.full((420, 900, 3), 0.002)
    data[40:390, 60:840] = 0.5
    for x in np.arange(75, 830, 47.5):
        for y in (40 + 20, 390 - 20 - 28):
            data[y:y + 28, int(x):int(x) + 20] = 1.0
    for left in (75, 455):
        data[95:335, left:left + 360] = 0.5 * 10 ** -textured((240, 360), 0.15, 1.2, seed=left)[..., None]
    data[95:335, 330:435] = 0.5
    data[95:335, 455:475] = 0.5
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), flattened=True).frames
    assert len(frames) == 2
    for frame, left in zip(frames, (75, 455)):
        assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(left, 95, 360, 240).corners)).max() < 1.8


@pytest.mark.parametrize("side", range(4))
def test_a_picture_does_not_end_at_a_line_of_print(side):
    """Letters, a clear row, and the picture, which half of its side cuts; what fades to nothing and is cut again is no
    print."""
    kinds = np.full((500, 720), BASE, np.uint8)
    rng = np.random.default_rng(2)
    kinds[80:420, 110:600][rng.random((340, 490)) < 0.9] = PICTURE
    kinds[80:250, 560:600] = BASE
    fading = kinds.copy()
    for y in range(84, 420, 14):
        kinds[y:y + 7, 606:615] = PICTURE
    for x in range(600, 615):
        fading[80:420, x][rng.random(340) < (x - 602) / 13] = PICTURE
    for plane, right in ((kinds, 600), (fading, 615)):
        turned = np.ascontiguousarray(np.rot90(plane, side))
        density = np.where(turned == PICTURE, 0.5, 0.0).astype(np.float32)
        t, b, l, r = ((80, 420, 110, 615), (720 - 615, 720 - 110, 80, 420), (80, 420, 720 - 615, 720 - 110),
                      (110, 615, 80, 420))[side]
        found = Found(t, b, l, r, ("rebate",) * 4, (0.5,) * 4, 0.8, 1.0)
        moved = unprinted(found, turned, edge_maps(turned, density, 0.003))
        want = {0: {"right": right}, 1: {"top": 720 - right}, 2: {"left": 720 - right}, 3: {"bottom": right}}[side]
        for name, at in want.items():
            assert abs(getattr(moved, name) - at) < 3
        assert all(getattr(moved, other) == getattr(found, other) for other in ("top", "bottom", "left", "right")
                   if other not in want)


def test_a_side_that_is_seen_stays_where_it_is_near_the_shape_of_the_format():
    """Gates of one format differ by a hundredth (common practice, no source)."""
    corners = ((0.0, 0.0), (504.0, 0.0), (504.0, 400.0), (0.0, 400.0))
    seen = Sided(corners, 0.0, 0.9, (), None, (), ("rebate",) * 4, (0.9, 0.2, 0.9, 0.9))
    assert in_shape(seen, 1.25, (500, 700)) is seen
    hidden = replace(seen, firm=(0.9, 0.0, 0.9, 0.9))
    assert in_shape(hidden, 1.25, (500, 700)).corners[1][0] == pytest.approx(500.0)
    assert in_shape(seen, 1.35, (500, 700)).corners[1][0] == pytest.approx(540.0)


def test_a_picture_does_not_grow_behind_the_holder():
    """Clear along its lower side, in a sliver of rebate; the format would have that side five pixels outside the opening."""
    rng = np.random.default_rng(3)
    data = np.full((560, 700, 3), 0.002)
    data[76:491, 146:554] = 0.5
    data[80:480, 150:550] = 0.5 * 10 ** -textured((400, 400), 0.2, 1.2)[..., None]
    data[420:480, 190:550] = 0.5
    data *= 1 + rng.normal(0, 0.003, data.shape)
    for known in ("6x6", "6x7"):
        (frame,) = look(data.astype(np.float32), known, flattened=True).frames
        assert max(y for _, y in frame.corners) < 492


@pytest.mark.parametrize("seed", (2, 3))
def test_what_several_tones_agree_on_is_taken_where_none_is_sure(seed):
    """A picture in a corner of the view, the next one beside it, bare panel below the film, and below that another film."""
    data = np.ones((420, 620, 3))
    data[:330] = 0.5
    data[:250, :470] *= 10 ** -textured((250, 470), 0.12, 1.1, seed=seed)[..., None]
    data[:250, 484:] *= 10 ** -textured((250, 136), 0.2, 1.0, seed=seed + 1)[..., None]
    data[350:] = 0.5 * 10 ** -textured((70, 620), 0.2, 1.0, seed=seed + 2)[..., None]
    y, x = (np.arange(n) / 620 - n / 1240 for n in (420, 620))
    data *= (1 - 0.24 * (x[None, :] ** 2 + y[:, None] ** 2))[..., None]
    data *= 1 + np.random.default_rng(seed).normal(0, 0.003, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=False).frames
    assert TRUSTED < frame.confidence < 0.5
    assert np.abs(np.array(frame.corners) - np.array(Frame.rectangle(0, 0, 470, 250).corners)).max() < 1.5


def test_a_short_stretch_of_a_side_says_how_it_runs_in_perspective():
    """The left side of a trapezium is seen along a tenth of it: what is seen lies on it, whatever the others say."""
    corners = np.array([(100.0, 80.0), (900.0, 80.0), (912.0, 600.0), (88.0, 600.0)])
    sides = []
    for i, (start, end) in enumerate(zip(corners, np.roll(corners, -1, axis=0))):
        s = np.linspace(0.75, 0.95, 60) if i == 3 else np.linspace(-0.95, 0.95, 200)
        places = (start + end) / 2 + s[:, None] * (end - start) / 2
        sides.append(Side(0.0, 0.0, 0.0, len(s) / 600, float(np.ptp(s)) / 2, 0.15,
                          np.column_stack([places, np.ones(len(s)), np.zeros((len(s), 2))])))
    # Measured from an upright rectangle, as the plan has it.
    upright = Traced(((100.0, 80.0), (900.0, 80.0), (900.0, 600.0), (100.0, 600.0)), tuple(sides), ("rebate",) * 4)
    (fitted,) = together([upright], (680, 1000), 0.0)
    at = corners_of(fitted.points, fitted.sides)
    x, y = sides[3].points[:, 0], sides[3].points[:, 1]
    (xa, ya), (xb, yb) = at[3], at[0]
    off = ((xb - xa) * (y - ya) - (yb - ya) * (x - xa)) / np.hypot(xb - xa, yb - ya)
    assert np.abs(off).max() < 1.0


@pytest.mark.parametrize("way", [0, 2], ids=["top", "bottom"])
def test_a_picture_cut_by_the_view_is_turned_as_its_own_sides_are(way):
    """By 0.8 degrees: the view's border, at which its top or its bottom ends, is level, and no side of the picture."""
    rng = np.random.default_rng(19)
    turn = np.radians(0.8)
    y, x = np.mgrid[:480, :720] - np.array([239.5, 359.5])[:, None, None]
    u, v = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    inside = np.minimum(np.clip(270.5 - np.abs(u), 0, 1), np.clip(200.5 - v, 0, 1))[..., None]
    picture = patches(rng, 700, 700)[(v + 350).astype(int), (np.clip(u, -300, 300) + 350).astype(int)]
    data = 0.5 * (1 - inside + inside * picture) * (1 + rng.normal(0, 0.003, (480, 720, 3)))
    (frame,) = look(np.ascontiguousarray(np.rot90(data, way)).astype(np.float32), flattened=True).frames
    assert ("top", "bottom")[way // 2] + ": view" in frame.basis
    assert abs(frame.angle - 0.8) < 0.1 and abs(frame.direction - 0.8) < 0.1
    where, _ = geometry(frame, (480, 720), Recipe())
    assert abs(where.angle - 0.8) < 0.1


def test_a_picture_at_the_views_border_does_not_unmake_its_strip():
    """Six pictures in a holder askew on the film, so that of the rebate above them less and less is seen and none at the
    last, which the view cuts a little: alone, what shows of it might be lines within a picture."""
    rng = np.random.default_rng(20)
    data = np.full((420, 1000, 3), 0.004)
    y, x = np.mgrid[:420, :1000]
    data[(y > 94 + 8 * x / 1000) & (y < 241)] = 0.5
    for i in range(6):
        part = data[100:260, 20 + 166 * i:180 + 166 * i]
        part *= np.where(part > 0.1, patches(rng, 160, 160)[:, :part.shape[1]] * 0.3, 1.0)
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), flattened=True).frames
    assert [round(f.corners[0][0]) for f in frames] == [20 + 166 * i for i in range(6)]


def test_of_a_strip_seen_twice_each_picture_is_where_it_was_seen_best(monkeypatch):
    """Seen keenly, sides are coarser by two pixels; but the third picture's right side was mistaken where it hardly shows."""
    rng = np.random.default_rng(39)
    data = np.full((240, 360, 3), 0.5)
    data[60:180, 60:300] *= patches(rng, 120, 240)
    log = log_light(data.astype(np.float32))
    attempt = attempted(log, next(even_tones(log, rigid=True)), None)

    def strip(*boxes, firm, confidence):
        return [replace(Sided.rectangle(*box, confidence=confidence), rests=("rebate",) * 4, firm=(1.0, hidden, 1.0, 1.0))
                for box, hidden in zip(boxes, firm)]

    plain = strip((0, 0, 600, 400), (620, 0, 600, 400), (1240, 0, 560, 400), firm=(1.0, 0.1, 0.1), confidence=0.45)
    keen = strip((1, 1, 299, 199), (311, 1, 299, 199), (621, 1, 299, 199), firm=(1.0, 1.0, 1.0), confidence=0.97)
    shown = iter([search._Shown(attempt, plain, False)])
    monkeypatch.setattr(search, "_shown", lambda *some: next(shown))
    monkeypatch.setattr(search, "_keen", lambda *some: (None, search._Shown(replace(attempt, astray=0.0, lined=2.0), keen,
                                                                           False), attempt.base))
    monkeypatch.setattr(search, "_framed", lambda *some: (plain, attempt, False))
    monkeypatch.setattr(search, "roomy", lambda *some: False)
    frames, *_ = search._either(None, 2, log, attempt, [], None, None, True)
    assert [f.corners for f in frames[:2]] == [f.corners for f in plain[:2]]
    assert frames[2].corners == keen[2].scaled(2).corners
    assert [f.confidence for f in frames] == [0.97] * 3


def test_an_answer_that_only_lacks_a_picture_does_not_speak_against_it(monkeypatch):
    """By sides that hardly show, a picture that the view or the holder cuts is not looked for."""
    rng = np.random.default_rng(21)
    data = np.full((360, 1020, 3), 0.5)
    for left in (30, 370, 710):
        data[60:290, left:left + 320] *= patches(rng, 230, 320)[:, :1020 - left]
    data = (data * (1 + rng.normal(0, 0.003, data.shape))).astype(np.float32)
    log = log_light(data)
    attempt = attempted(log, next(even_tones(log, rigid=True)), None)
    sided = refined(data, 1, attempt, attempt.found, None)
    assert [round(f.corners[0][0]) for f in sided] == [30, 370, 710]
    for others, kept in ((sided[:-1], 3), (sided[:1] + [replace(sided[1], corners=sided[2].corners)], 2),
                         (sided[:1] + [replace(sided[1], corners=Frame.rectangle(400, 60, 320, 230).corners)], 2)):
        surer = [replace(f, confidence=0.99) for f in others]
        monkeypatch.setattr(search, "_faintly", lambda *_, found=surer: (attempt, found))
        for cut in ("view", "holder"):
            some = [replace(f, confidence=0.45, rests=tuple(cut if on == "view" else on for on in f.rests)) for f in sided]
            frames, *_ = search._framed(data, 1, search._Shown(attempt, some, False), None, None)
            assert len(frames) == kept


def test_rebate_fogged_from_the_views_border_to_the_picture_is_rebate():
    """By light at the film's edge, so that it is nowhere as clear as the base; the view cuts the perforations in it, and
    those along the other side say where it ends."""
    rng = np.random.default_rng(22)
    y, x = np.mgrid[:480, :720]
    light = np.where(np.abs(y - 240) < 210, 0.5 * 10 ** (-0.2 * np.exp(-(y - 30) / 70.0)), 1.0)[..., None]
    light[96:384, 150:582] *= 0.5 * patches(rng, 288, 432)
    for top in (54, 392):
        holes = (y >= top) & (y < top + 34) & ((x - 10) % 57 < 24)
        light[holes] = 1.0
    data = (light * (1 + rng.normal(0, 0.003, (480, 720, 3))))[45:].astype(np.float32)
    (frame,) = look(data, flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(150, 51, 432, 288).corners).max() < 1.0
    assert frame.confidence > 0.6


def test_a_sliver_of_rebate_that_the_lens_blurs_does_not_draw_the_side_inwards():
    """Two and a half pixels of it above and below dense pictures, between them and the holder, blurred by 0.8 pixels: nowhere
    is there as much light in it as of the base. The sides there are as exact as those along the gaps."""
    rng = np.random.default_rng(23)
    fine = np.full((4 * 240, 4 * 800, 1), 0.004)
    fine[4 * 60 - 10:4 * 180 + 10] = 0.5
    for left in (20, 280, 540):
        fine[4 * 60:4 * 180, 4 * left:4 * (left + 240)] = 0.5 * patches(rng, 480, 960, 0.05, 0.25, 48)
    light = gaussian_filter(fine, (3.2, 3.2, 0)).reshape(240, 4, 800, 4).mean(axis=(1, 3))
    data = light[..., None] * (1 + rng.normal(0, 0.003, (240, 800, 3)))
    frames = look(data.astype(np.float32), flattened=True).frames
    assert len(frames) == 3
    for left, frame in zip((20, 280, 540), frames):
        assert np.abs(np.array(frame.corners) - Frame.rectangle(left, 60, 240, 120).corners).max() < 0.6
        wide, high = frame.size
        assert abs((240 - wide) - (120 - high)) < 0.25


def strip_in(view, lefts, high, wide, top):
    """A strip across a view: pictures of so many pixels, which the view may cut, on clear film between holders."""
    data = np.full((*view, 3), 0.004)
    data[top - 40:top + high + 40] = 0.5
    for left in lefts:
        a, b, y = max(left, 0), min(left + wide, view[1]), max(top, 0)
        seen = textured((high, wide), 0.15, 1.2, seed=left + 1000)[y - top:, a - left:b - left]
        data[y:y + len(seen), a:b] = 0.5 * 10 ** -seen[..., None]
    return data * (1 + np.random.default_rng(3).normal(0, 0.003, data.shape))


@pytest.mark.parametrize("pictures", [2, 3])
@pytest.mark.parametrize("turned", [0, 1, 2])
def test_a_strip_goes_on_in_a_picture_that_the_view_cuts(pictures, turned):
    """Three quarters of it are in view; of less than two thirds nothing is said."""
    lefts = [20 + 172 * i for i in range(pictures + 1)]
    for shown in (120, 64):
        view = 306, lefts[-1] + shown
        data = np.rot90(strip_in(view, lefts, 106, 160, 100), turned)
        frames = look(np.ascontiguousarray(data, dtype=np.float32), flattened=True).frames
        truth = np.array([Frame.rectangle(left, 100, min(160, view[1] - left), 106).corners
                          for left in lefts[:pictures + (shown > 100)]])
        for _ in range(turned):                                 # a quarter to the left
            truth = np.stack([truth[..., 1], view[1] - 1 - truth[..., 0]], axis=-1)
            view = view[::-1]
        truth = truth[np.argsort(truth.mean(axis=1).sum(axis=1))]
        assert len(frames) == len(truth)
        for frame, corners in zip(frames, truth):
            assert np.abs(np.array(frame.corners)[:, None] - corners).max(axis=2).min(axis=1).max() < 0.5


def test_the_view_shows_no_picture_longer_than_the_others_of_its_strip():
    """The last one ends a pixel and a half inside the view, where there is no telling it from the view's border."""
    view, lefts = (306, 20 + 4 * 172 + 161), [20 + 172 * i for i in range(5)]
    data = strip_in(view, lefts, 106, 160, 100)
    frames = look(data[:, :lefts[-1] + 160].astype(np.float32), flattened=True).frames
    assert len(frames) == 5
    data[:, lefts[-1] + 160:] = data[:, lefts[-1] + 159:lefts[-1] + 160]
    frames = look(data.astype(np.float32), flattened=True).frames
    assert len(frames) == 5 and frames[-1].size[0] == pytest.approx(160, abs=0.5)


def test_a_picture_that_the_view_cuts_between_two_others_is_one():
    """The strip runs across; the view cuts the upper edge of all of its pictures, and all but a third of the two beside."""
    data = strip_in((480, 720), (-190, 170, 530), 460, 330, -20)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(170, 0, 330, 440).corners).max() < 1.0
    assert frame.confidence > 0.6


@pytest.mark.parametrize("leaks", [False, True], ids=["holder", "panel beside the film"])
def test_a_picture_begins_all_along_in_rebate_that_is_fogged_all_along(leaks):
    """A density of 0.3 at the edge of the film and 0.11 where the picture begins; past half of the edge the panel may show."""
    rng = np.random.default_rng(33)
    data = np.full((480, 720, 3), 0.004)
    data[60:420, 60:660] = 0.5
    data[86:390, 90:630] = 0.5 * patches(rng, 304, 540, 0.03, 0.4)
    y, x = np.mgrid[:480, :720]
    film = (x >= 60) & (x < 660) & (y >= 60) & (y < 420)
    data *= np.where(film, 10 ** -(0.3 * 0.5 ** ((y - 60) / 18)), 1.0)[..., None]
    if leaks:
        data[(y >= 54) & (y < 60) & (x >= 60) & (x < 360)] = 1.0
    data *= 1 + rng.normal(0, 0.003, data.shape)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 86, 540, 304).corners).max() < 1.5


def test_film_between_panel_and_holder_on_which_nothing_is_seen_is_no_sure_picture():
    rng = np.random.default_rng(34)
    data = np.full((480, 640, 3), 0.004)
    data[60:420, 120:520] = 0.9
    data[80:400, 120:520] = 0.5
    for y, x in rng.integers((90, 130), (390, 510), (40, 2)):
        data[y:y + 2, x:x + 3] *= 0.6
    data *= 1 + rng.normal(0, 0.003, data.shape)
    frames = look(data.astype(np.float32), flattened=False).frames
    assert max(f.confidence for f in frames) < 0.5


@pytest.mark.parametrize("nights", [1, 2])
def test_nights_beside_the_pictures_of_a_strip_lie_at_its_pitch(nights):
    """Of each nothing is seen but a blot well inside it; the view cuts the last picture of the strip."""
    view, lefts = (306, 20 + 4 * 252 + 190), [20 + 252 * i for i in range(5)]
    data = strip_in(view, lefts[nights:], 160, 240, 70)
    y, x = np.mgrid[:view[0], :view[1]]
    for i in range(nights):
        blot = np.exp(-((y - 160) ** 2 + (x - lefts[i] - 100 - 30 * i) ** 2) / 800)
        data *= 10 ** -(1.5 * blot)[..., None]
    frames = look(data.astype(np.float32), flattened=True).frames
    assert len(frames) == 5
    for left, frame in zip(lefts, frames):
        truth = np.array(Frame.rectangle(left, 70, min(240, view[1] - left), 160).corners)
        assert np.abs(np.array(frame.corners) - truth).max() < 0.005 * 240
    assert max(f.confidence for f in frames[:nights]) <= 0.8


@pytest.mark.parametrize("down", [False, True])
def test_rebate_fogged_between_perforations_and_pictures_is_made_clear(down):
    """But for 20 mm of the film all of it is fogged at its edges, up to the pictures; a density of 0.02 is left of it there."""
    kinds = strip_of_135()
    y, x = np.mgrid[:420, :900]
    density = np.where((kinds == BASE) & (x > 200), 0.5 * np.exp(-(175 - np.abs(y - 179.5)) / 20), 0.0).astype(np.float32)
    np.putmask(kinds, density > 0.02, PICTURE)
    pictures = (np.abs(y - 179.5) < 120) & (np.abs(x % 380 - 200) < 180)
    density[pictures] = 0.4
    np.putmask(kinds, pictures, PICTURE)
    kinds, density = (np.ascontiguousarray(plane.T if down else plane) for plane in (kinds, density))
    holes = kinds == PANEL
    clear_fog(kinds, density, by_perforations(kinds))
    left, lit = (plane.T if down else plane for plane in (kinds == PICTURE, density))
    beside = np.abs(y - 179.5) > 124
    assert np.array_equal(kinds == PANEL, holes) and not left[beside].any() and lit[beside].max() <= 0.02
    assert left[pictures & (np.abs(y - 179.5) < 118)].all()


def fogged_in(broad: int, *, fog: bool = True) -> np.ndarray:
    """A picture in a holder's opening, 90 to 630 across and down to 390, along whose top there are `broad` rows of fog, or
    of its own."""
    data = np.full((480, 720, 3), 0.004)
    data[60:420, 60:660] = 0.5
    data[60 + broad:390, 90:630] = 0.5 * patches(np.random.default_rng(35), 330 - broad, 540, 0.03, 0.15)
    y, x = np.mgrid[:480, :720]
    band = (y >= 60) & (y < 60 + broad) & ((x >= 90) & (x < 630) | fog & (x >= 60) & (x < 660))
    data *= np.where(band, 10 ** -(0.4 + 0.002 * (60 + broad - y)), 1.0)[..., None]
    return (data * (1 + np.random.default_rng(36).normal(0, 0.003, data.shape))).astype(np.float32)


@pytest.mark.parametrize("broad", [8, 26])
def test_fog_between_holder_and_picture_goes_on_past_its_sides(broad):
    """A density of 0.4 and more up to the picture, all along its top and in the rebate beside it."""
    (frame,) = look(fogged_in(broad), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 60 + broad, 540, 330 - broad).corners).max() < 1.0
    assert frame.confidence > 0.9


@pytest.mark.parametrize("broad", [8, 26])
def test_a_band_of_a_picture_along_the_holder_ends_at_its_sides(broad):
    """As dense as the fog above, but not beside the picture, which the holder cuts."""
    (frame,) = look(fogged_in(broad, fog=False), flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 60, 540, 330).corners).max() < 1.5


def test_a_picture_longer_than_its_format_does_not_end_at_the_holder():
    """Of a 6x6 a bit more than half of the top shows in thin fog, through all of which it would be too high."""
    data = np.full((700, 720, 3), 0.004)
    data[60:660, 60:660] = 0.5
    data[90:630, 90:630] = 0.5 * patches(np.random.default_rng(37), 540, 540, 0.03, 0.15)
    data[90:110, 400:630] = 0.5
    y = np.arange(700)[:, None, None]
    data *= np.where((y >= 60) & (y < 110), 10 ** -np.clip(0.08 + 0.002 * (80 - y), 0, None), 1.0)
    data *= 1 + np.random.default_rng(38).normal(0, 0.003, data.shape)
    (frame,) = look(data.astype(np.float32), "6x6", flattened=True).frames
    assert np.abs(np.array(frame.corners) - Frame.rectangle(90, 90, 540, 540).corners).max() < 1.5



@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_picture_does_not_end_where_its_sides_go_on(turns):
    """Below a line along most of it, it is denser than the rebate by 0.012, which grain hides; what is above has the shape of
    135."""
    rng = np.random.default_rng(39)
    density = np.zeros((600, 720))
    density[30:550, 60:660] = 0.012
    density[30:430, 60:660] = textured((400, 600), 0.1, 1.2)
    density[390:430, 360:560] = 0.012
    density += rng.normal(0, 0.005, density.shape)
    data = np.repeat(10 ** -(0.3 + np.rot90(density, turns))[..., None], 3, axis=2)
    (frame,) = look(data.astype(np.float32), flattened=True).frames
    truth = np.zeros((600, 720), bool)
    truth[30:550, 60:660] = True
    rows, columns = np.nonzero(np.rot90(truth, turns))
    expected = Frame.rectangle(columns.min(), rows.min(), np.ptp(columns) + 1, np.ptp(rows) + 1).corners
    assert np.abs(np.array(frame.corners) - expected).max() < 2.0


def test_a_wedge_that_shows_is_no_border_of_the_view():
    """What the view shows of the rebate along a side counts, unless the other sides differ as well, or little of it shows."""
    def sided(top, on, firm, right=800.0):
        return Sided(((0.0, top), (right, top + 9), (right, 600.0), (0.0, 600.0)), 0.0, 0.8, rests=(on, *["rebate"] * 3),
                     firm=(firm, 1.0, 1.0, 1.0))

    whole = sided(0.0, "view", 0.0)
    assert search._wedged([sided(-6.0, "rebate", 0.2)], [whole])
    assert not search._wedged([sided(-6.0, "rebate", 0.05)], [whole])
    assert not search._wedged([sided(-6.0, "rebate", 0.2, right=780.0)], [whole])
    assert not search._wedged([whole], [sided(-6.0, "rebate", 0.2)])
    assert not search._wedged([whole], [whole])


def test_half_a_plan_tells_an_attempts_merit():
    """With the turn that the whole plan has; and a tone in a picture, dark, explains as little there."""
    rng = np.random.default_rng(5)
    data = np.full((400, 600, 3), 0.6)
    data[70:330, 100:500] *= patches(rng, 260, 400)
    data[200:330, 100:500] = 0.12
    log = log_light((data * (1 + rng.normal(0, 0.003, data.shape))).astype(np.float32))
    base = next(even_tones(log, rigid=True))
    dark = replace(base, log=(np.log10(0.12),) * 3)
    for tone in (base, dark):
        whole = attempted(log, tone, None)
        half = attempted(search._halved(log), tone, None, whole.degrees)
        assert half.degrees == whole.degrees and abs(half.merit - whole.merit) < 0.2


def test_arranged_are_the_best_pictures_that_do_not_overlap():
    """As all subsets of those that share their sides say."""
    from itertools import combinations

    from negconv.rectangles import _arrange

    rng = np.random.default_rng(8)
    for _ in range(20):
        low = rng.integers(0, 80, 24)
        high, score, shared = low + 20, rng.normal(0.3, 1.0, 24), (rng.integers(0, 3, 24), np.zeros(24, int))
        best = max(score)
        for group in range(3):
            some = [i for i in np.flatnonzero(shared[0] == group) if score[i] > 0]
            for n in range(2, 5):
                for chosen in combinations(sorted(some, key=lambda i: low[i]), n):
                    if all(high[a] <= low[b] + 1 for a, b in zip(chosen, chosen[1:])):
                        best = max(best, score[list(chosen)].sum())
        chosen, value = _arrange(score, shared, (low, high))
        assert value == pytest.approx(best) and score[chosen].sum() == pytest.approx(best)


def test_what_lacks_nothing_is_not_looked_for_more_keenly():
    rng = np.random.default_rng(6)
    data = np.full((240, 360, 3), 0.5)
    data[60:180, 60:300] *= patches(rng, 120, 240)
    log = log_light((data * (1 + rng.normal(0, 0.003, data.shape))).astype(np.float32))
    attempt = attempted(log, next(even_tones(log, rigid=True)), None)
    assert attempt.merit > 0.9 and attempt.astray < 0.01

    def shown(confidence, *firms, **other):
        return search._Shown(replace(attempt, **other), [replace(Sided.rectangle(0, 0, 60, 40, confidence=confidence), firm=firm,
                                                                 rests=("rebate",) * 4) for firm in firms], False)

    seen, hidden, two = (0.6, 1.0, 1.0, 0.5), (1.0, 1.0, 1.0, 0.0), (1.0, 0.1, 1.0, 0.0)
    assert shown(0.6, seen).whole and not shown(0.6, seen, astray=0.1).whole and not shown(0.45, seen).whole
    assert not shown(0.8, hidden).whole and shown(0.95, hidden).whole
    assert shown(0.95, seen, hidden, seen).whole and not shown(0.8, seen, hidden, seen).whole
    assert not shown(0.6, seen, hidden, seen, seen, lined=0.2).whole
    assert not shown(0.95, seen, two, seen).whole and shown(0.6, seen, two, seen, seen).whole


@pytest.mark.parametrize("film_format", [None, "6x9"])
def test_two_halves_of_a_picture_are_not_a_strip_of_two(tmp_path, film_format):
    make_roll(tmp_path, frames=3, megapixels=0.1, seed=6, jobs=1)
    panel = negconv.read(tmp_path / "captures" / "panel.dng")
    flat = negconv.flatten(negconv.read(tmp_path / "captures" / "frame03.dng"), panel)
    assert len(negconv.find_frames(flat, film_format=film_format)) == 1
