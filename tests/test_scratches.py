"""Scratches and hairs: sums along lines against paths counted out by hand, and scratches drawn apart from the detector."""
from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from negconv.positive import Positive
from negconv.spots import find_spots, lines, noise, scratches


def path(reach, rows):
    """Where a piece lies in each of its rows: both halves go half as far, the odd pixel lies between them."""
    if rows == 1:
        return [0]
    half = path(reach // 2, rows // 2)
    return half + [reach // 2 + reach % 2 + x for x in half]


def test_sums_along_pieces_are_those_of_paths_within_a_pixel_of_straight():
    value = np.random.default_rng(0).integers(-lines.MOST, lines.MOST + 1, (2 * lines.PIECE, 50)).astype(np.int16)
    sums = lines.sums_right(value)
    for reach in range(lines.PIECE):
        way = path(reach, lines.PIECE)
        assert np.abs(np.array(way) - reach * np.arange(lines.PIECE) / (lines.PIECE - 1)).max() < 1
        for strip in range(2):
            for x in range(0, 50 - reach, 7):
                want = sum(value[strip * lines.PIECE + i, x + dx] for i, dx in enumerate(way))
                assert sums[strip, reach, x] == want


def test_a_line_below_the_grain_is_found_along_its_length_and_noise_is_not():
    rng = np.random.default_rng(1)
    plane = rng.normal(1000, 40, (500, 640))
    assert sum(line.pieces for line in lines.lines(noise.halved(plane.astype(np.int16)), 2)) <= 6
    x = 200 + 0.15 * np.arange(500)
    for row, at in enumerate(np.rint(x).astype(int)):
        plane[row, at:at + 3] -= 32
    best = lines.lines(noise.halved(plane.astype(np.int16)), 2)[0]
    assert np.ptp(best.points[:, 1]) > 450
    assert np.abs(best.points[:, 0] - 201 - 0.15 * best.points[:, 1]).max() < 3


def film(rng, shape=(500, 700), grain=0.02):
    """Density of a picture with soft forms, a bright and a dark side, and grain."""
    y, x = np.mgrid[:shape[0], :shape[1]]
    forms = ndimage.gaussian_filter(rng.standard_normal(shape), 25) > 0.005
    density = 0.7 + 0.25 * np.sin(x / 90) * np.cos(y / 70) + 0.3 * forms
    return ndimage.gaussian_filter(density, 1.2), grain * rng.standard_normal(shape)


def copied(density) -> Positive:
    """Through the copying lens, inverted."""
    density = -np.log10(ndimage.gaussian_filter(10.0 ** -density, 0.6))
    linear = (0.012 * (10 ** (density / 0.6) - 0.9)).astype(np.float32)
    return Positive(linear, density=density.astype(np.float32), pixel_um=7.0)


def strip(shape, start, end, width, bow=0.0):
    """Share of each pixel that a bowed line covers."""
    y, x = np.mgrid[:shape[0], :shape[1]].astype(float)
    start, end = np.array(start, float), np.array(end, float)
    long = np.hypot(*(end - start))
    along = (end - start) / long
    s = (x - start[0]) * along[0] + (y - start[1]) * along[1]
    u = (y - start[1]) * along[0] - (x - start[0]) * along[1] - bow * 4 * (s / long) * (1 - s / long)
    return np.clip(width / 2 - np.abs(u) + 0.5, 0, 1) * np.clip(s + 0.5, 0, 1) * np.clip(long - s + 0.5, 0, 1)


SCRATCHES = [((0, 120), (699, 131), 2.5, 0), ((60, 300), (420, 420), 3.5, 14), ((520, 60), (560, 330), 5.0, -8)]


@pytest.mark.parametrize("seed", [1, 2])
def test_scratches_are_found_along_their_length_and_masked_as_wide_as_they_are(seed):
    rng = np.random.default_rng(seed)
    density, grain = film(rng)
    for start, end, width, bow in SCRATCHES:
        cover = strip(density.shape, start, end, width, bow)
        density = density - 0.12 * cover
    spots = find_spots(copied(density + grain))
    for start, end, width, bow in SCRATCHES:
        truth = strip(density.shape, start, end, width, bow) >= 0.5
        near = ndimage.binary_dilation(truth, iterations=3)
        assert spots.mask[truth].mean() > 0.7
        assert 0.7 <= (spots.mask & near).sum() / truth.sum() <= 1.7
        row = int(np.bincount(spots.labels[truth & spots.mask]).argmax())
        assert spots[row].kind == "scratch" and not spots[row].light


@pytest.mark.parametrize("seed", [1, 2])
def test_lines_of_the_picture_are_left(seed):
    rng = np.random.default_rng(seed)
    density, grain = film(rng)
    y, x = np.mgrid[:500, :700]
    assert len(find_spots(copied(density + grain))) <= 2
    # A wire and a post before the scene, as soft as the film draws, and boards side by side.
    dark = np.maximum(strip(density.shape, (80, 40), (640, 90), 4, 10), strip(density.shape, (350, 200), (352, 480), 8))
    boards = ((x % 28) < 3) & (y > 350) & (x < 300)
    picture = ndimage.gaussian_filter(np.where(boards, 0.25, density * (1 - dark) + 0.12 * dark), 1.2)
    assert sum(not s.light for s in find_spots(copied(picture + grain)).rows) <= 2


def test_where_many_lines_leave_doubt_all_are_believed_less():
    found, values = scratches.find((2000 * copied(sum(film(np.random.default_rng(3)))).density).astype(np.int16), None,
                                   scratches.Frame(np.full((50, 50), 1400, np.int16)))
    trees, *_ = scratches.scorer()
    one = np.zeros((1, len(scratches.NAMES)), np.float32)
    if len(found):
        one = values[np.argmin(np.abs(trees(values) - 0.5))][None]
    few, many = scratches.confidences(one)[0], scratches.confidences(np.repeat(one, 40, axis=0))[0]
    assert many <= few


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hair_over_texture_is_found_along_its_length_and_texture_is_not(seed):
    rng = np.random.default_rng(seed)
    density, grain = film(rng)
    rough = ndimage.gaussian_filter(rng.standard_normal(density.shape), 2.0)
    picture = density + 0.12 * rough / rough.std()
    assert not any(s.light for s in find_spots(copied(picture + grain)).rows)
    hair = strip(picture.shape, (120, 380), (560, 90), 4.0, 60)
    # Half of the light taken: twice what the texture varies by. Bars of our own.
    spots = find_spots(copied(picture + grain + 0.3 * hair))
    truth = hair >= 0.5
    near = ndimage.binary_dilation(truth, iterations=4)
    assert spots.mask[truth].mean() >= 0.9
    assert 0.7 <= (spots.mask & near).sum() / truth.sum() <= 1.6
    assert (spots.mask & ~near).sum() <= 0.1 * truth.sum()
