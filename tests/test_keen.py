"""Light near the base without its grain, stretched: against planes whose densities are written down. All invented."""
import numpy as np
import pytest

from negconv import find_frames
from negconv.keen import nearby, smoothed, stretched
from negconv.levels import Level, log_light

FLAT = (0.0,) * 6
BASE = Level((-0.3, -0.5, -0.9), FLAT, 0.01, 0.3)


def light_of(density: np.ndarray) -> np.ndarray:
    """Light through so much density above the base, alike in all channels."""
    return (10.0 ** (np.array(BASE.log) - density[..., None])).astype(np.float32)


def test_what_is_little_denser_is_stretched_and_nothing_else_is():
    density = np.array([[-0.3, -0.05, 0.0, 0.02, 0.1, 1.2, 2.0]])
    out = -stretched(log_light(light_of(density)), BASE)
    assert out.shape == (3, 1, 7)
    for plane in out:
        assert plane[0] == pytest.approx([-0.3, -0.05, 0.0, 0.08, 0.4, 1.2, 2.0], abs=1e-5)
    many = np.linspace(0, 3, 500)[None]
    assert (np.diff(-stretched(log_light(light_of(many)), BASE)[0, 0]) > 0).all()


def test_grain_is_averaged_out_near_the_base_alone():
    rng = np.random.default_rng(1)
    density = np.zeros((120, 160))
    density[:, 80:] = 0.8
    density += rng.normal(0, 0.01, density.shape)
    light = light_of(density)
    out = smoothed(light, BASE)
    got = np.array(BASE.log)[0] - np.log10(out[..., 0])
    # Of nine pixels' mean a third of the noise is left; close by the dense half none of that comes in.
    assert got[5:-5, 5:75].std() == pytest.approx(0.01 / 3, rel=0.1)
    assert abs(got[:, 76:80].mean()) < 0.002
    np.testing.assert_array_equal(out[:, 80:], light[:, 80:])


def test_a_tone_a_little_brighter_is_told_from_the_one_beside_it():
    rng = np.random.default_rng(2)
    density = np.full((300, 400), 0.03)
    density[:40] = 0.0
    light = light_of(density + rng.normal(0, 0.006, density.shape))
    shadows = Level(tuple(v - 0.03 for v in BASE.log), FLAT, 0.006, 0.8)
    tones = list(nearby(log_light(smoothed(light, shadows)), shadows, rigid=True))
    assert tones[0].log == pytest.approx(BASE.log, abs=0.003)
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
