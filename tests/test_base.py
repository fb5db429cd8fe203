"""The base against layouts whose base is known, and its refusals."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from negconv.base import FilmBase, base_in, implausible, sample_base
from negconv.capture import Capture
from negconv.errors import InputError
from negconv.frame import Frame
from negconv.search import find_frames
from negconv.synthetic import layouts
from negconv.synthetic.scenes import scene


def capture(kind, seed, kind_of_film="colour", **changes):
    rng = np.random.default_rng([seed, 8])
    layout = replace(layouts.random_layout(kind, rng, size=(520, 780), content="plain"), gain=(1.0, 1.0, 1.0),
                     fall_off=0.0, **changes)
    cat = np.float32(2) * scene("cat", (200, 300), 1)
    return layouts.render(layout, [cat], layouts.random_stock(rng, kind_of_film))


@pytest.mark.parametrize("kind", ["holder", "perforated", "panel", "turned"])
@pytest.mark.parametrize("film", ["colour", "mono"])
def test_the_base_within_two_per_cent(kind, film):
    """The issue's bar, edge print, perforations and dust in the rebate."""
    c = capture(kind, 21, film, dust=60, print_density=1.2, leak=0.0)
    base = sample_base(Capture(c.data, flattened=True), find_frames(Capture(c.data, flattened=True)))
    assert base.source == "rebate" and not base.warnings
    assert np.abs(np.array(base.rgb) / c.base - 1).max() < 0.02
    assert base.pixels > 50 and max(base.spread) < 0.05
    assert base.density == pytest.approx(-np.log10(base.rgb))


def test_a_picture_without_rebate_is_no_sound_base():
    c = capture("full", 5)
    base = sample_base(Capture(c.data, flattened=True))
    assert not base.sound and base.warnings


def test_a_leader_and_a_rectangle():
    film = np.full((200, 300, 3), (0.6, 0.3, 0.15), np.float32)
    film += np.random.default_rng(0).normal(0, 0.003, film.shape).astype(np.float32)
    assert sample_base(film, leader=True).rgb == pytest.approx((0.6, 0.3, 0.15), rel=0.005)
    film[50:60, 50:60] = 0.9                                          # a hole in it does not count
    assert sample_base(film, rect=(30, 30, 60, 60)).rgb == pytest.approx((0.6, 0.3, 0.15), rel=0.005)
    assert sample_base(film, rect=(30, 30, 60, 60)).source == "rectangle"


@pytest.mark.parametrize("rgb, flattened, word", [
    ((0.99, 0.99, 0.99), True, "bare panel"), ((1.2, 0.5, 0.5), True, "brighter"), ((0.1, 0.08, 0.05), True, "dark"),
    ((1.0, 0.6, 0.3), False, "saturated"), ((0.003, 0.002, 0.001), False, "dark"), ((0.0, 0.0, 0.0), None, "black")])
def test_what_cannot_be_a_base_is_refused(rgb, flattened, word):
    assert word in implausible(rgb, flattened)
    data = np.full((40, 40, 3), rgb, np.float32)
    if flattened is not None:
        with pytest.raises(InputError, match=word):
            sample_base(Capture(data, flattened=flattened), rect=(5, 5, 20, 20))


@pytest.mark.parametrize("rgb", [(0.6, 0.25, 0.1), (0.55, 0.55, 0.52), (0.85, 0.85, 0.83), (0.3, 0.3, 0.3)])
def test_what_can_be_one_is_not(rgb):
    assert implausible(rgb, True) == "" and implausible(rgb, None) == ""


def test_a_rectangle_outside_the_capture():
    with pytest.raises(InputError, match="outside"):
        sample_base(np.full((10, 10, 3), 0.5, np.float32), rect=(50, 50, 5, 5))


def test_nothing_at_all_is_said_and_not_raised():
    base = base_in(np.zeros((60, 80, 3), np.float32), [Frame.rectangle(10, 10, 60, 40)])
    assert base.source == "picture" and base.warnings


def test_to_json_and_back():
    base = FilmBase((0.5, 0.25, 0.125), (0.01, 0.01, 0.02), 400, "rebate", ("said",))
    assert FilmBase.from_dict(base.to_dict()) == base
    assert base.to_dict()["density"][0] == pytest.approx(0.30103, abs=1e-5)


def test_with_fall_off_all_of_the_rebate_has_its_say():
    """Slivers along four sides, of which the broader two alone lie where the panel is darker."""
    c = layouts.random_capture("sliver", 9103)
    assert not c.layout.flattened and c.layout.fall_off > 0.1
    base = sample_base(Capture(c.data, flattened=False))
    assert np.abs(np.array(base.rgb) / c.base_seen - 1).max() < 0.015
