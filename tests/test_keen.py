"""Light near the base without its grain, stretched: against planes whose densities are written down. All invented."""
from dataclasses import replace

import numpy as np
import pytest

from negconv import find_frames
from negconv.attempt import Attempt, roomy
from negconv.keen import around, nearby, smoothed, stretched
from negconv.levels import BASE, DARK, PANEL, PICTURE, Level, Parts, log_light
from negconv.rectangles import Found
from negconv.search import _Shown, _with_mates
from negconv.sided import Sided

FLAT = (0.0,) * 6
REBATE = Level((-0.3, -0.5, -0.9), FLAT, 0.01, 0.3)


def light_of(density: np.ndarray) -> np.ndarray:
    """Light through so much density above the base, alike in all channels."""
    return (10.0 ** (np.array(REBATE.log) - density[..., None])).astype(np.float32)


def test_what_is_little_denser_is_stretched_and_nothing_else_is():
    density = np.array([[-0.3, -0.05, 0.0, 0.02, 0.1, 1.2, 2.0]])
    out = -stretched(log_light(light_of(density)), REBATE)
    assert out.shape == (3, 1, 7)
    for plane in out:
        assert plane[0] == pytest.approx([-0.3, -0.05, 0.0, 0.08, 0.4, 1.2, 2.0], abs=1e-5)
    many = np.linspace(0, 3, 500)[None]
    assert (np.diff(-stretched(log_light(light_of(many)), REBATE)[0, 0]) > 0).all()


def test_grain_is_averaged_out_near_the_base_alone():
    rng = np.random.default_rng(1)
    density = np.zeros((120, 160))
    density[:, 80:] = 0.8
    density += rng.normal(0, 0.01, density.shape)
    light = light_of(density)
    out = smoothed(log_light(light), REBATE)
    got = REBATE.log[0] - out[0]
    # Of nine pixels' mean a third of the noise is left; close by the dense half none of that comes in.
    assert got[5:-5, 5:75].std() == pytest.approx(0.01 / 3, rel=0.1)
    assert abs(got[:, 76:80].mean()) < 0.002
    np.testing.assert_array_equal(out[..., 80:], log_light(light)[..., 80:])


def test_a_tone_a_little_brighter_is_told_from_the_one_beside_it():
    rng = np.random.default_rng(2)
    density = np.full((300, 400), 0.03)
    density[:40] = 0.0
    light = light_of(density + rng.normal(0, 0.006, density.shape))
    shadows = Level(tuple(v - 0.03 for v in REBATE.log), FLAT, 0.006, 0.8)
    tones = list(nearby(smoothed(log_light(light), shadows), shadows, rigid=True))
    assert tones[0].log == pytest.approx(REBATE.log, abs=0.003)
    assert tones[1].log == pytest.approx(shadows.log, abs=0.003)


@pytest.mark.parametrize("lift", [0.02, 0.035])
def test_a_night_is_found_by_how_little_its_shadows_are_above_the_rebate(lift):
    """A few lit panes in a dark house; all else is `lift` above a rebate of more grain than that."""
    rng = np.random.default_rng(3)
    density = np.full((1000, 1500), 4.0)                                    # holder
    density[60:940, 100:1400] = 0.0                                         # its opening
    density[100:900, 150:1350] = lift
    for y, x in rng.integers((200, 300), (700, 900), (40, 2)):
        density[y:y + 14, x:x + 10] = 0.9
    light = light_of(density + (density < 2) * rng.normal(0, 0.02, density.shape))
    (frame,) = find_frames(light)
    truth = np.array([(149.5, 99.5), (1349.5, 99.5), (1349.5, 899.5), (149.5, 899.5)])
    assert np.hypot(*(np.array(frame.corners) - truth).T).max() < 0.0025 * 1200
    assert abs(frame.angle) < 0.1
    assert frame.confidence > 0.9


def strip(lift: float, *, frames: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Log light of film in a holder with so many plain pictures on it and room for one more, `lift` above the rebate, and
    the corners of all of them."""
    rng = np.random.default_rng(4)
    density = np.full((700, 500 * (frames + 1) + 140), 4.0)
    density[100:600, 40:-40] = 0.0
    corners = []
    for i in range(frames + 1):
        x = 80 + 500 * i
        some = rng.uniform(0.2, 1.4, (9, 12)) if i < frames else np.full((9, 12), lift)
        density[140:560, x:x + 480] = some.repeat(47, axis=0)[:420].repeat(40, axis=1)
        corners.append([(x - 0.5, 139.5), (x + 479.5, 139.5), (x + 479.5, 559.5), (x - 0.5, 559.5)])
    return light_of(density + (density < 2) * rng.normal(0, 0.02, density.shape)), np.array(corners)


@pytest.mark.parametrize("frames", [1, 2])
def test_a_night_beside_sure_pictures_is_looked_for_where_there_is_room(frames):
    light, corners = strip(0.025, frames=frames)
    found = find_frames(light)
    assert len(found) == frames + 1
    for frame, truth in zip(found, corners):
        assert np.hypot(*(np.array(frame.corners) - truth).T).max() < 0.004 * 480
        assert frame.confidence > 0.7


def test_where_nothing_is_seen_but_there_is_room_a_picture_may_be_missing():
    light, corners = strip(0.0)
    (frame,) = find_frames(light)
    assert np.hypot(*(np.array(frame.corners) - corners[0]).T).max() < 0.004 * 480
    assert frame.confidence <= 0.6
    assert any("another picture" in text for text in frame.warnings)
    # Less film than a picture takes is a margin.
    (frame,) = find_frames(np.ascontiguousarray(light[:, :900]))
    assert frame.confidence > 0.9
    assert not frame.warnings


def test_a_night_at_the_end_of_a_strip_seen_at_a_slant_lies_where_the_pitch_has_it():
    """Two of its sides are not seen; each step from picture to picture is longer than the one before."""
    def at(x: float, firm: tuple[float, ...]) -> Sided:
        corners = tuple((u + 0.00005 * u * u, v + 0.00005 * u * v) for u, v in (
            (x, 0.0), (x + 180.0, 0.0), (x + 180.0, 120.0), (x, 120.0)))
        return Sided(corners, 0.0, 0.9, ("seen",), None, (), ("rebate",) * 4, firm)
    strip = [at(x, (1.0,) * 4) for x in (0.0, 200.0, 400.0)]
    truth = at(600.0, (0.0, 0.0, 1.0, 0.1))
    off = replace(truth, corners=tuple((x + 2.0, y - 3.0) for x, y in truth.corners))
    *first, last = _with_mates(strip, [*strip, off])
    assert first == strip
    assert np.abs(np.array(last.corners) - truth.corners).max() < 0.002 * 180
    assert last.confidence < 0.9
    before = at(-200.0, (0.0, 0.0, 1.0, 0.1))
    assert np.abs(np.array(_with_mates(strip, [before, *strip])[0].corners) - before.corners).max() < 0.002 * 180
    assert not _with_mates(strip, [strip[0], off]) and not _with_mates(strip, strip)




def film(gap: int) -> tuple[np.ndarray, list[Found]]:
    """Film in a holder with room for three pictures, the first two on it, all three in rebate of one kind."""
    kinds = np.full((160, 460), DARK, np.uint8)
    kinds[30:130, 10:450] = gap
    for x in (20, 165, 310):
        kinds[40:120, x:x + 130] = PICTURE if x < 300 else BASE
    return kinds, [Found(40.0, 120.0, x, x + 130.0, ("rebate",) * 4, (1.0,) * 4, 1.0, 1.0) for x in (20.0, 165.0)]


@pytest.mark.parametrize("gap", [BASE, PANEL])
def test_there_is_room_where_film_goes_on_for_a_pictures_length(gap):
    """Whose shadows may be what was taken for the base, and its rebate be brighter."""
    kinds, found = film(gap)
    assert roomy(kinds, found)
    assert roomy(np.ascontiguousarray(kinds.T), [replace(f, top=f.left, bottom=f.right, left=f.top, right=f.bottom)
                                                 for f in found])
    assert roomy(kinds[:, ::-1], [replace(f, left=460 - f.right, right=460 - f.left) for f in found])
    assert not roomy(kinds[:, :420], found)
    kinds[:, 400:] = DARK
    assert not roomy(kinds, found)
    kinds[30:130, 300:450] = PANEL
    assert not roomy(kinds, found)


def test_several_pictures_lack_one_though_none_of_them_be_sure():
    kinds, found = film(BASE)
    attempt = Attempt(REBATE, kinds, kinds * 0.0, (), 0.0, Parts(kinds, kinds * 0.0, 0.01), tuple(found), kinds.shape,
                      0.0, 0.0, 0.0, 1.0, 0.1, ())
    unsure = [Sided(((0.0, 0.0),) * 4, 0.0, 0.6)] * 2
    assert _Shown(attempt, unsure, False).lacking
    assert not _Shown(replace(attempt, found=(found[1],)), unsure[:1], False).lacking
    assert _Shown(replace(attempt, found=(found[1],)), [replace(unsure[0], confidence=0.95)], False).lacking


def uneven(shape: tuple[int, int]) -> np.ndarray:
    """Density that light falls off by: more to the right, and from the middle outwards."""
    y, x = np.mgrid[:shape[0], :shape[1]] / max(shape) * 2 - 1
    return 0.03 * x + 0.02 * (x * x + y * y)


def test_rebate_all_round_has_one_tone_though_it_is_lit_unevenly():
    density = np.full((600, 800), 4.0)
    density[60:540, 80:720] = 0.0
    density[90:510, 110:640] = 0.03                                     # shadows, broad rebate on their right
    density[200:400, 200:500] = 0.7
    rng = np.random.default_rng(5)
    lit = density + (density < 2) * (uneven(density.shape) + rng.normal(0, 0.004, density.shape))
    kinds = np.where(density > 2, DARK, PICTURE).astype(np.uint8)
    tone = around(smoothed(log_light(light_of(lit)), REBATE), REBATE, kinds)
    got = -(np.mean(tone.log) - np.mean(REBATE.log)) - tone.over(density.shape)
    assert np.abs(got - uneven(density.shape))[60:540, 80:720].max() < 0.008
    assert tone.spread < 0.003
    # What a holder covers tells nothing.
    assert around(log_light(light_of(np.full((600, 800), 4.0))), REBATE, np.full((600, 800), DARK, np.uint8)) is None


def test_shadows_end_before_the_holder_where_the_rebate_beside_it_is_lit_less():
    """Rebate on the right is as dark, by the panel's fall-off, as shadows on the left are by what they were exposed."""
    rng = np.random.default_rng(6)
    density = np.full((1000, 1500), 4.0)
    density[80:920, 100:1400] = 0.0
    density[120:880, 140:1340] = 0.035
    for y, x in rng.integers((140, 160), (840, 1300), (60, 2)):
        density[y:y + 24, x:x + 30] = 0.8
    density += (density < 2) * (3.0 * uneven(density.shape) + rng.normal(0, 0.012, density.shape))
    (frame,) = find_frames(light_of(density))
    truth = np.array([(139.5, 119.5), (1339.5, 119.5), (1339.5, 879.5), (139.5, 879.5)])
    assert np.hypot(*(np.array(frame.corners) - truth).T).max() < 0.003 * 1200
