"""Plots: what is drawn, read back from the axes."""
from __future__ import annotations

import numpy as np
import pytest

import negconv
from negconv.finish import Moves, EdgeBurn, apply_moves

matplotlib = pytest.importorskip("matplotlib")
matplotlib.use("Agg")

from matplotlib import pyplot  # noqa: E402

from negconv import plots  # noqa: E402


@pytest.fixture(autouse=True)
def closed():
    yield
    pyplot.close("all")


def positive(shape=(200, 300, 3), value=0.18):
    return negconv.Positive(np.full(shape, value, np.float32), density=np.full(shape[:2], 0.7, np.float32))


@pytest.mark.parametrize("stops", [-3, 0, 2])
def test_a_histogram_shows_a_tone_at_its_stop_and_its_whole_share(stops):
    light = 0.18 * 2.0 ** stops * 1.02
    for picture, count in ((positive(value=light), 3), (positive((200, 300), light), 1)):
        ax = plots.plot_histogram(picture)
        drawn = [p for p in ax.patches if hasattr(p, "get_data")]
        assert len(drawn) == count
        for patch in drawn:
            values, edges, _ = patch.get_data()
            at = values.argmax()
            assert edges[at] <= stops + np.log2(1.02) < edges[at + 1]
            assert (values * np.diff(edges)).sum() == pytest.approx(1)


def test_the_film_plot_holds_curve_and_densities():
    film = negconv.Film.mono()
    ax = plots.plot_film(film, positive((200, 300)))
    x, y = ax.lines[0].get_data()
    assert np.allclose(film.curves[0].density(x), y, atol=1e-6)
    values, edges, _ = ax.patches[0].get_data()
    assert edges[values.argmax()] <= 0.7 <= edges[values.argmax() + 1]
    assert len(plots.plot_film(negconv.Film.colour()).lines) == 3


def test_frames_are_outlined_where_they_lie():
    capture = negconv.read(np.full((400, 600, 3), 0.3, np.float32))
    frame = negconv.Frame.rectangle(100, 50, 300, 200)
    ax = plots.plot_frames(capture, [frame, frame])
    assert len(ax.lines) == 2
    assert np.array_equal(ax.lines[0].get_xydata()[:4], frame.corners)
    assert ax.get_xlim() == (-0.5, 599.5) and ax.get_ylim() == (399.5, -0.5)


def test_spots_are_marked_by_kind_where_they_lie():
    mask = np.zeros((200, 300), bool)
    mask[50:54, 100:104] = mask[120:124, 40:200] = True
    spots = negconv.Spots.from_mask(mask)
    ax = plots.plot_spots(positive(), spots)
    drawn = {c.get_label(): c.get_offsets() for c in ax.collections}
    assert sum(len(offsets) for offsets in drawn.values()) == len(spots.rows) == 2
    for spot in spots.rows:
        assert any((np.hypot(*(offsets - (spot.x, spot.y)).T) < 1e-6).any() for label, offsets in drawn.items() if label.startswith(spot.kind))


def test_the_tone_plot_is_the_tone_curve():
    tone = negconv.ToneCurve(contrast=1.6)
    x, y = plots.plot_tone(tone).lines[1].get_data()
    assert np.allclose(0.18 * 2.0 ** y, np.maximum(tone.apply(0.18 * 2.0 ** x), 0.18 * 2.0 ** -12))
    plots.plot_tone(negconv.ToneCurve.off())


def test_compare_shows_both_and_moves_them_together():
    before = positive()
    after = apply_moves(before, Moves(edge_burn=EdgeBurn(stops=1)))
    left, right = plots.compare(before, after)
    assert left.images[0].get_array()[0, 0, 0] > right.images[0].get_array()[0, 0, 0]
    left.set_xlim(10, 50)
    assert right.get_xlim() == (10, 50)
    codes = np.zeros((20, 30), np.uint8)
    assert np.array_equal(plots.compare(codes, np.zeros((20, 30)))[0].images[0].get_array(), codes)


@pytest.mark.parametrize("plot", [
    lambda ax: plots.plot_histogram(positive(), ax), lambda ax: plots.plot_film(negconv.Film.mono(), None, ax),
    lambda ax: plots.plot_frames(negconv.read(np.full((40, 60, 3), 0.3, np.float32)), [], ax),
    lambda ax: plots.plot_spots(positive(), negconv.Spots.from_mask(np.zeros((200, 300), bool)), ax),
    lambda ax: plots.plot_tone(negconv.ToneCurve(), ax)])
def test_every_plot_draws_on_the_axes_given_and_returns_them(plot):
    _, axes = pyplot.subplots(1, 2)
    assert plot(axes[1]) is axes[1]
    assert not axes[0].has_data()


def test_a_large_picture_is_drawn_small_in_its_own_coordinates():
    large = positive((3000, 4000, 3))
    image = plots.compare(large, large)[0].images[0]
    assert max(image.get_array().shape) <= 1200 and image.get_extent() == [-0.5, 3999.5, 2999.5, -0.5]
