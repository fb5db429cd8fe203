"""What candidates and lines say of each other, counted by hand."""
from __future__ import annotations

import numpy as np
import pytest

from negconv.spots import backing, find, noise


def laid_out():
    """A line of ten pixels, a second one, a piece of the first, a speck on it and something beside; of a picture of 20 x 20."""
    where = [np.arange(40, 50), np.arange(200, 204), np.arange(41, 45), np.array([46, 47, 66, 67]), np.array([49, 69, 89])]
    index, owner = np.concatenate(where), np.repeat(np.arange(5), [len(w) for w in where])
    line, seen = np.arange(5) < 2, np.arange(5) >= 2
    return index, owner, np.array([0.6, 0.6, 0.9, 0.95, 0.3]), np.array([0.1, 0.1, 0.12, 1.5, 0.1]), line, seen


def test_candidates_speak_for_the_line_they_are_like():
    index, owner, confidence, contrast, line, seen = laid_out()
    odds = np.log(np.array([0.9, 0.3, 0.02]) / (1 - np.array([0.9, 0.3, 0.02])))
    want = [(4 * odds[0] + odds[1] + 5 * odds[2]) / 10, odds[2]]
    assert backing.along(index, owner, confidence, contrast, line, seen, 400) == pytest.approx(want, abs=1e-6)
    # The speck lies there too, but adds far more.
    contrast[3] = 0.2
    want[0] += 2 * (np.log(0.95 / 0.05) - odds[2]) / 10
    assert backing.along(index, owner, confidence, contrast, line, seen, 400) == pytest.approx(want, abs=1e-6)


def test_pieces_of_a_line_are_told_from_what_it_touches():
    index, owner, _, _, line, seen = laid_out()
    assert backing.parts(index, owner, line, seen, 400).tolist() == [False, False, True, False, False]


def test_a_line_that_nothing_else_speaks_for_is_left_and_one_in_doubt_with_candidates_all_along_is_taken():
    none, sure = np.log(0.02 / 0.98), np.log(0.9 / 0.1)
    low, high = backing.backed(np.array([0.75, 0.3]), np.array([none, sure]))
    assert low < 0.5 < high
    assert backing.backed(np.array([0.999]), np.array([4.0])) == 0.9         # not repaired unasked for that alone


def test_a_scratch_that_crosses_opaque_dirt_is_marked_on_both_sides():
    plane = np.full((80, 200), 0.4)
    scratch, speck = np.zeros(plane.shape, bool), np.zeros(plane.shape, bool)
    scratch[39:42, 10:190] = True
    speck[32:50, 90:108] = True
    plane = np.rint((plane + 0.12 * scratch + 1.5 * speck) * noise.STEPS).astype(np.int16)
    some = [find._Found(np.flatnonzero(at), np.zeros(at.sum(), int), np.array([sure]), np.array([deep]), True)
            for at, sure, deep in ((scratch, 0.9, 0.12), (speck, 0.99, 1.5))]
    assert find._settle(some, plane, 0.5, None, 1).mask[scratch | speck].all()
