"""Two records of one recorder laid over one another; sequences made by hand, answers counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.joins import (
    match_sequences,
    match_stamps,
    merge_sequences,
    merge_stamped,
    shifted_stamps,
)
from wearbench.errors import DataError


def hearts(n: int, seed: int = 1) -> np.ndarray:
    """RR intervals in whole ms around 800 ms; invented."""
    rng = np.random.default_rng(seed)
    return np.rint(800 + 40 * np.sin(np.arange(n) / 40) + rng.normal(0, 20, n))


def test_a_copy_that_lacks_a_stretch_is_matched_around_it():
    first = hearts(1000)
    second = np.concatenate([first[:400], first[430:]])
    found = match_sequences(first, second, tolerance=1.0)
    assert found.first.size == 970
    assert found.same.all()
    merged = merge_sequences(second, first, match_sequences(second, first, tolerance=1.0))
    assert merged.n_filled == 30
    whole = np.where(merged.from_second, first[merged.index], second[np.minimum(merged.index, 969)])
    np.testing.assert_array_equal(whole, first)


def test_altered_beats_between_matched_ones_are_the_same_beats_with_other_values():
    first = hearts(500)
    second = first.copy()
    second[[100, 101, 250, 498]] += 60
    found = match_sequences(first, second, tolerance=1.0)
    np.testing.assert_array_equal(found.first, np.arange(500))
    np.testing.assert_array_equal(np.flatnonzero(~found.same), [100, 101, 250, 498])


def test_intervals_rounded_otherwise_are_still_the_same_beats():
    exact = hearts(600) + np.random.default_rng(2).uniform(0, 1, 600)
    first, second = np.rint(exact), np.rint(np.rint(exact * 1.024) / 1.024)
    found = match_sequences(first, second, tolerance=1.0)
    assert found.first.size == 600
    assert found.same.all()


def test_strangers_have_nothing_in_common():
    found = match_sequences(hearts(800, 1), hearts(800, 2), tolerance=1.0)
    assert found.first.size == 0
    with pytest.raises(DataError, match=r"^expected sequences with something in common, got none$"):
        merge_sequences(hearts(800, 1), hearts(800, 2), found)


def test_each_fills_the_other_where_both_lack_something():
    whole = hearts(1000)
    first = np.delete(whole, np.arange(200, 240))
    second = np.delete(whole, np.arange(700, 750))
    merged = merge_sequences(first, second, match_sequences(first, second, tolerance=1.0))
    joined = np.array(
        [
            second[i] if other else first[i]
            for other, i in zip(merged.from_second.tolist(), merged.index.tolist(), strict=True)
        ]
    )
    np.testing.assert_array_equal(joined, whole)
    assert merged.n_filled == 40


def test_one_long_interval_in_place_of_many_beats_gives_way():
    whole = hearts(300)
    broken = np.concatenate([whole[:100], [float(whole[100:150].sum())], whole[150:]])
    merged = merge_sequences(broken, whole, match_sequences(broken, whole, tolerance=1.0))
    assert merged.from_second.sum() == 50
    assert merged.index.size == 300


def test_clocks_that_part_slowly_are_brought_together_locally():
    whole = hearts(1000)
    first_ms = np.rint(np.cumsum(whole)).astype(np.int64)
    second_ms = first_ms + 5000 + np.arange(1000)
    moved = shifted_stamps(second_ms, match_sequences(whole, whole, tolerance=1.0), first_ms)
    assert np.abs(moved - first_ms).max() <= 16


def test_readings_meet_by_stamp_and_fill():
    first_ms = np.array([0, 60, 120, 240], dtype=np.int64) * 1000
    second_ms = np.array([0, 60, 120, 121, 180, 240, 300], dtype=np.int64) * 1000
    first, second = np.array([70.0, 71.0, np.nan, 90.0]), np.array([70.0, 80.0, 72.0, 1.0, 73.0, 90.0, 95.0])
    found = match_stamps(first_ms, second_ms, first, second)
    np.testing.assert_array_equal(found.same, [True, False, False, True])
    merged = merge_stamped(first_ms, second_ms, first, second, found)
    value = [
        second[i] if o else first[i] for o, i in zip(merged.from_second.tolist(), merged.index.tolist(), strict=True)
    ]
    assert value == [70.0, 71.0, 72.0, 73.0, 90.0, 95.0]
