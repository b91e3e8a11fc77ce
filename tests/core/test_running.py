"""The running amount of a reference: any window is a difference of two look-ups."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worn import at, beats

from wearbench.core.running import Running, running_from_level, running_from_windows, values_over
from wearbench.errors import DataError


# rates recomputed by hand as 60 * sum(overlap / RR) / sum(overlap)
@pytest.mark.parametrize(
    ("start", "end", "rate", "covered"),
    [(0, 3, 80.0, 1.0), (0, 2.25, 86.6667, 1.0), (0.25, 2.25, 90.0, 1.0), (1.5, 4, 78.0, 1.0), (5, 7, 75.0, 0.2)],
)
def test_beats_that_a_window_cuts_count_their_share(start, end, rate, covered):
    got = values_over(beats([0, 1.0, 1.5, 2.0, 3.0, 3.8, 4.6, 5.4]), at(start), at(end))
    assert got.value[0] == pytest.approx(rate, abs=1e-4)
    assert got.covered[0] == pytest.approx(covered)
    assert got.amount[0] == pytest.approx(rate / 60 * covered * (end - start), abs=1e-5)


def test_windows_outside_before_and_after_are_not_covered():
    got = values_over(beats([10, 11, 12]), at(0, 5, 12, 20), at(5, 10, 14, 30))
    assert np.isnan(got.value).all()
    assert got.covered == pytest.approx([0, 0, 0, 0])
    assert got.amount == pytest.approx([0, 0, 0, 0])


def test_reference_without_knots_covers_nothing():
    none = np.zeros(0)
    got = values_over(running_from_windows(none, none, none), at(0, 1), at(1, 1))
    assert np.isnan(got.value).all()
    assert (got.covered == 0).all()


def test_gap_adds_neither_beats_nor_time():
    got = values_over(beats([0, 1, 2, 12, 13, 14], [True, True, False, True, True]), at(0, 3), at(14, 8))
    assert got.value[0] == pytest.approx(60.0)
    assert got.covered[0] == pytest.approx(4 / 14)
    assert np.isnan(got.value[1])


@pytest.mark.parametrize(
    ("stands_for", "instant", "expected"),
    [
        ("ending", 0.5, 70.0),  # (0, 1] belongs to the sample at 1
        ("ending", 2.5, 90.0),
        ("starting", 0.5, 60.0),
        ("starting", 2.5, 80.0),
        ("centred", 0.4, 60.0),
        ("centred", 0.6, 70.0),
        ("spot", 2.6, 90.0),
    ],
)
def test_level_stands_for_the_time_it_says(stands_for, instant, expected):
    running = running_from_level(at(0, 1, 2, 3), at(60, 70, 80, 90), hold_s=5.0, stands_for=stands_for)
    assert values_over(running, at(instant), at(instant)).value[0] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("stands_for", "first", "last"), [("ending", -1.0, 3.0), ("starting", 0.0, 4.0), ("centred", -0.5, 3.5)]
)
def test_level_reaches_from_first_to_last(stands_for, first, last):
    running = running_from_level(at(0, 1, 2, 3), at(60, 70, 80, 90), hold_s=5.0, stands_for=stands_for)
    assert running.knot_s[0] == pytest.approx(first)
    assert running.knot_s[-1] == pytest.approx(last)
    assert running.covered_s[-1] == pytest.approx(4.0)


def test_level_is_held_no_longer_than_said():
    running = running_from_level(at(0, 1, 2, 60, 61), at(60, 60, 60, 90, 90), hold_s=2.0)
    got = values_over(running, at(2, 10, 58), at(10, 50, 60))
    assert got.covered == pytest.approx([0.0, 0.0, 1.0])
    assert got.value[2] == pytest.approx(90.0)


def test_level_mean_is_weighted_by_time():
    running = running_from_windows(at(0, 1, 4), at(1, 4, 5), at(60, 120, 60))
    assert values_over(running, at(0.0), at(5.0)).value[0] == pytest.approx((60 + 3 * 120 + 60) / 5)


def test_missing_values_are_gaps_of_a_level():
    running = running_from_level(at(1, 2, 3, 4), at(60, np.nan, 80, 80), hold_s=5.0)
    got = values_over(running, at(0, 1.2), at(4, 1.8))
    assert got.covered == pytest.approx([0.75, 0.0])
    assert got.value[0] == pytest.approx((60 + 80 + 80) / 3)
    assert np.isnan(got.value[1])


def test_one_sample_is_held_its_longest():
    running = running_from_level(at(7.0), at(66.0), hold_s=3.0)
    got = values_over(running, at(4.0), at(7.0))
    assert got.value[0] == pytest.approx(66.0)
    assert got.covered[0] == pytest.approx(1.0)


def with_doubt():
    return beats(np.arange(6.0), mended=[0, 1, 1, 0, 0], doubtful=[0, 0, 1, 1, 0])


def test_shares_mended_and_doubtful_are_of_the_window():
    got = values_over(with_doubt(), at(0, 2.5), at(5, 3.5))
    assert got.mended == pytest.approx([2 / 5, 0.5])
    assert got.doubtful == pytest.approx([2 / 5, 1.0])


def test_taking_doubt_out_leaves_a_gap_of_the_same_length():
    clean = with_doubt().without_doubtful()
    got = values_over(clean, at(0, 2, 4), at(5, 4, 5))
    assert got.covered == pytest.approx([3 / 5, 0.0, 1.0])
    assert got.mended == pytest.approx([1 / 5, 0.0, 0.0])
    assert got.value[0] == pytest.approx(60.0)
    assert (got.doubtful == 0).all()
    again = clean.without_doubtful()
    assert np.array_equal(again.amount, clean.amount)


def test_uneven_arrays_are_refused():
    with pytest.raises(DataError) as caught:
        Running(knot_s=at(0, 1), amount=at(0), covered_s=at(0, 1), mended_s=at(0, 0), doubtful_s=at(0, 0), scale=1.0)
    assert str(caught.value) == "expected five arrays of one length, got shapes ['(1,)', '(2,)']"
    with pytest.raises(DataError) as caught:
        running_from_windows(at(0, 1), at(1), at(60, 70))
    assert str(caught.value) == "expected edges and values of one length, got 2, 1 and 2"
    with pytest.raises(DataError) as caught:
        running_from_level(at(0, 1), at(60), hold_s=1.0)
    assert str(caught.value) == "expected times and values of one length, got 2 and 1"


@pytest.mark.parametrize(("start", "end"), [((0, 1), (2, 3)), ((0, 5), (1, 4)), ((5, 0), (6, 1))])
def test_windows_that_overlap_or_run_backwards_are_refused(start, end):
    with pytest.raises(DataError) as caught:
        running_from_windows(at(*start), at(*end), at(60, 70))
    assert str(caught.value) == "expected windows in order of time that do not overlap; sort the recording first"


def test_level_out_of_order_is_refused():
    with pytest.raises(DataError) as caught:
        running_from_level(at(1, 0), at(60, 70), hold_s=1.0)
    assert str(caught.value) == "expected times that do not decrease; sort the recording first"


interval_lists = st.lists(st.tuples(st.floats(0.3, 2.0), st.booleans()), min_size=2, max_size=40)


@settings(max_examples=60, deadline=None)
@given(interval_lists, st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6))
def test_parts_add_up_to_the_whole(intervals, cuts):
    beat_s = np.concatenate([[0.0], np.cumsum([length for length, _ in intervals])])
    running = beats(beat_s, [use for _, use in intervals])
    edges = np.unique(np.concatenate([[0.0, 1.0], cuts])) * beat_s[-1]
    edges = edges[np.concatenate([[True], np.diff(edges) > 2e-3])]
    edges[-1] = beat_s[-1]
    if edges.size < 2 or np.diff(edges).min() < 2e-3:
        return
    part = values_over(running, edges[:-1], edges[1:])
    whole = values_over(running, edges[:1], edges[-1:])
    length = np.diff(edges)
    assert part.amount.sum() == pytest.approx(whole.amount[0], abs=1e-9)
    assert (part.covered * length).sum() == pytest.approx(whole.covered[0] * length.sum(), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(interval_lists, st.floats(-5.0, 60.0), st.floats(0.01, 20.0), st.floats(-1e5, 1e5))
def test_moving_reference_and_window_together_changes_nothing(intervals, start, length, move):
    beat_s = np.concatenate([[0.0], np.cumsum([r for r, _ in intervals])])
    use = [u for _, u in intervals]
    here = values_over(beats(beat_s, use), at(start), at(start + length))
    there = values_over(beats(beat_s + move, use), at(start + move), at(start + length + move))
    assert there.covered[0] == pytest.approx(here.covered[0], abs=1e-6)
    if here.covered[0] * length > 1e-3:
        assert there.value[0] == pytest.approx(here.value[0], rel=1e-4)


@settings(max_examples=60, deadline=None)
@given(interval_lists, st.floats(-5.0, 60.0), st.floats(0.01, 20.0))
def test_rate_lies_between_slowest_and_fastest_interval(intervals, start, length):
    beat_s = np.concatenate([[0.0], np.cumsum([r for r, _ in intervals])])
    got = values_over(beats(beat_s, [u for _, u in intervals]), at(start), at(start + length))
    assert 0.0 <= got.covered[0] <= 1.0 + 1e-9
    rates = [60.0 / r for r, use in intervals if use]
    if got.covered[0] * length > 1e-3:
        assert min(rates) - 1e-3 <= got.value[0] <= max(rates) + 1e-3
