"""The one resampling, against analytic pictures and scipy."""
from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from negconv.resample import Cut, Shears, cut

pytestmark = pytest.mark.usefixtures("inner_loops")


def picture(x, y):
    """Band-limited (no more than 0.43 of Nyquist's frequency), so that its value is known between pixels."""
    return 0.5 + 0.2 * np.sin(0.9 * x + 0.31 * y) + 0.2 * np.cos(0.5 * y - 0.77 * x) + 0.05 * np.sin(1.3 * y)


def turned(angle: float, mirror: int, shape, centre, shift=(0.3, 0.7)) -> Cut:
    t = math.radians(angle)
    linear = np.array([[math.cos(t), -math.sin(t)], [math.sin(t), math.cos(t)]]) @ np.diag([mirror, 1])
    origin = np.array(centre) - linear @ np.array([shape[1] / 2, shape[0] / 2]) + shift
    return Cut(tuple((*map(float, linear[i]), float(origin[i])) for i in range(2)), shape)


def positions(where: Cut):
    y, x = np.mgrid[:where.shape[0], :where.shape[1]]
    m = np.array(where.matrix)
    return m[0, 0] * x + m[0, 1] * y + m[0, 2], m[1, 0] * x + m[1, 1] * y + m[1, 2]


@pytest.fixture(scope="module")
def source():
    y, x = np.mgrid[:300, :400]
    return picture(x, y).astype(np.float32)


@pytest.mark.parametrize("mirror", [1, -1])
@pytest.mark.parametrize("angle", [0.0, 0.4, -2.7, 5.0, 91.0, 178.0, -90.0])
def test_a_turn_gives_the_picture_between_pixels(source, angle, mirror):
    where = turned(angle, mirror, (160, 200), (200, 150))
    assert Shears.of(where, source.shape) is not None
    error = cut(source, where) - picture(*positions(where))
    assert np.abs(error).max() < 0.003
    assert math.sqrt((error ** 2).mean()) < 0.001


@pytest.mark.parametrize("angle", [0.7, -3.0, 88.0])
@pytest.mark.parametrize("blur", [0.0, 0.5])
def test_the_dense_side_of_an_edge_keeps_its_density(angle, blur):
    """A sinc swings by a tenth of an edge's step (Gibbs): of one of twenty to one the dense side would have less than no light."""
    dense, clear = 0.05, 1.0
    y, x = np.mgrid[:300, :400]
    source = gaussian_filter(np.where((x // 50 + y // 50) % 2, clear, dense), blur).astype(np.float32)
    out = cut(source, turned(angle, 1, (160, 200), (200, 150)))
    assert out.min() > 0.55 * dense
    assert (out < 0.75 * dense).mean() < 0.003


def test_sharper_than_one_pass_of_cubic_convolution(source):
    """Keys' kernel (IEEE Trans. ASSP 29, 1981), the usual bicubic, on the same turn."""
    where = turned(2.2, 1, (160, 200), (200, 150))
    x, y = positions(where)
    expected = picture(x, y)

    def keys(t):
        t = np.abs(t)
        return np.where(t < 1, 1.5 * t ** 3 - 2.5 * t ** 2 + 1, np.where(t < 2, -0.5 * t ** 3 + 2.5 * t ** 2 - 4 * t + 2, 0))

    x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
    bicubic = sum(keys(x - x0 - i) * keys(y - y0 - j) * source[y0 + j, x0 + i]
                  for i in range(-1, 3) for j in range(-1, 3))
    ours = np.sqrt(((cut(source, where) - expected) ** 2).mean())
    assert ours < 0.5 * np.sqrt(((bicubic - expected) ** 2).mean())


def test_scaling_or_skew_goes_through_scipy(source):
    where = Cut(((0.9, 0.1, 50.0), (0.0, 1.1, 40.0)), (100, 120))
    assert Shears.of(where, source.shape) is None
    x, y = positions(where)
    expected = map_coordinates(source.astype(float), [y, x], order=3, mode="nearest")
    assert np.abs(cut(source, where) - expected).max() < 1e-4


@pytest.mark.parametrize("turns", range(4))
def test_whole_pixels_are_copied_exactly(turns):
    source = np.random.default_rng(turns).random((30, 40, 3)).astype(np.float32)
    expected = np.rot90(source, turns)[5:15, 6:20]
    h, w = 30, 40
    # numpy.rot90 turns counter-clockwise: output (x, y) of the turned array to source coordinates.
    matrix = {0: ((1, 0, 6), (0, 1, 5)), 1: ((0, -1, w - 1 - 5), (1, 0, 6)),
              2: ((-1, 0, w - 1 - 6), (0, -1, h - 1 - 5)), 3: ((0, 1, 5), (-1, 0, h - 1 - 6))}[turns]
    got = cut(source, Cut(tuple(tuple(map(float, row)) for row in matrix), (10, 14)))
    assert (got == expected).all()


def test_beyond_the_edge_the_last_pixels_repeat():
    source = np.arange(12, dtype=np.float32).reshape(3, 4)
    got = cut(source, Cut.rectangle(-1, -1, 6, 5))
    assert np.allclose(got, np.pad(source, 1, mode="edge"), atol=1e-6)


def test_a_negligible_turn_is_snapped_to_whole_pixels():
    t = 1e-5
    where = Cut(((math.cos(t), -math.sin(t), 10.3), (math.sin(t), math.cos(t), 20.2)), (500, 700))
    assert where.snapped().matrix == ((1.0, 0.0, 10.0), (0.0, 1.0, 20.0))
    assert turned(1.0, 1, (500, 700), (400, 300)).snapped().matrix == turned(1.0, 1, (500, 700), (400, 300)).matrix


def test_the_cut_of_a_proxy_sees_the_same_places():
    where = turned(1.5, 1, (160, 200), (200, 150))
    small = where.reduced(4)
    for x, y in ((3, 5), (40, 20)):
        centre = where.to_capture(4 * x + 1.5, 4 * y + 1.5)
        assert np.allclose([4 * v + 1.5 for v in small.to_capture(x, y)], centre)
