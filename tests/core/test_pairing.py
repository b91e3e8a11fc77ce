"""Pairs: windows, the reasons a pair is left out, what a reading counts for, and missing time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worn import at, beats

from wearbench.core.clock import declared_clock
from wearbench.core.pairing import (
    REASONS,
    late_envelope,
    make_pairs,
    missing_spans,
    reading_seconds,
    rhythm,
    windows_of,
)
from wearbench.core.running import running_from_windows
from wearbench.errors import DataError

SECONDS = beats(np.arange(0.0, 101.0))


def pairs_of(tested, *, reference=SECONDS, end=None, length=5.0, **how):
    tested = np.asarray(tested, dtype=float)
    end = 10.0 + np.arange(tested.size) if end is None else np.asarray(end, dtype=float)
    terms = {
        "low": 25.0,
        "high": 250.0,
        "sentinels": (0.0, 255.0),
        "min_covered": 0.8,
        "min_amount": 3.0,
        "max_doubtful": 0.2,
    } | how
    return make_pairs(reference, end, tested, start_s=end - length, end_s=end, seconds=np.ones(tested.size), **terms)


def reasons(pairs):
    return [REASONS[code] for code in pairs.reason]


def test_plain_pairs_are_used():
    got = pairs_of([60, 61, 62])
    assert got.reference == pytest.approx([60, 60, 60])
    assert got.used.all()
    assert got.tested.tolist() == [60, 61, 62]


@pytest.mark.parametrize("code", [0.0, 255.0, np.nan, np.inf])
def test_a_code_for_no_value_is_no_value(code):
    got = pairs_of([60, code, 62])
    assert reasons(got) == ["", "sentinel", ""]
    assert np.isnan(got.tested[1])
    assert got.reference[1] == pytest.approx(60)


def test_a_reading_out_of_all_reason_is_wrong_not_absent():
    got = pairs_of([3, 254, 900])
    assert got.used.all()
    assert got.tested.tolist() == [3, 254, 900]


def test_reference_that_no_person_has_is_left_out():
    fast = beats(np.arange(0.0, 101.0, 0.2))
    assert reasons(pairs_of([60, 61], reference=fast)) == ["out_of_range", "out_of_range"]


@pytest.mark.parametrize(
    ("end", "reason"),
    [(13.9, "covered_too_little"), (14.1, ""), (20.0, ""), (9.9, "no_reference"), (10.04, "no_reference")],
)
def test_covered_share_decides(end, reason):
    late = beats(np.arange(10.0, 60.0))
    assert reasons(pairs_of([60], reference=late, end=[end])) == [reason]


def test_few_beats_count_only_in_a_window_that_is_all_there():
    slow = beats(np.arange(0.0, 100.0, 2.0))  # 30 bpm: 2.5 beats in 5 s
    assert reasons(pairs_of([30], reference=slow, end=[20.0])) == [""]
    part = beats(np.arange(15.5, 100.0, 2.0))  # 4.5 s of 5: 2.25 beats
    assert reasons(pairs_of([30], reference=part, end=[20.0])) == ["covered_too_little"]
    assert reasons(pairs_of([30], reference=part, end=[20.0], min_amount=0.0)) == [""]
    assert reasons(pairs_of([30], reference=part, end=[20.0], min_amount=2.2)) == [""]


def test_doubtful_share_decides_and_can_be_kept():
    doubtful = beats(np.arange(0.0, 101.0), doubtful=np.arange(100) >= 50)
    ends = [50, 51, 51.1, 60]
    kept = pairs_of([60] * 4, reference=doubtful, end=ends, doubtful_is_reason=False)
    got = pairs_of([60] * 4, reference=doubtful, end=ends)
    assert reasons(got) == ["", "", "reference_doubtful", "reference_doubtful"]
    assert got.doubtful == pytest.approx([0, 0.2, 0.22, 1.0])
    assert kept.used.all()


def test_first_reason_in_order_is_the_one_given():
    # the reference is too fast and doubtful, and from 50 s on only
    time = np.arange(50.0, 101.0, 0.2)
    reference = beats(time, doubtful=np.ones(time.size - 1))
    got = pairs_of([0, 60, 60, 0, 60], reference=reference, end=[60, 60, 52, 40, 40])
    assert reasons(got) == ["sentinel", "out_of_range", "out_of_range", "sentinel", "no_reference"]
    slow = beats(np.arange(50.0, 101.0), doubtful=np.ones(50))
    assert reasons(pairs_of([60, 60], reference=slow, end=[52, 60])) == ["covered_too_little", "reference_doubtful"]


def test_documented_reasons_start_with_used():
    assert REASONS[0] == ""
    assert len(set(REASONS)) == len(REASONS)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.3, 2.0), st.booleans(), st.booleans()), min_size=3, max_size=30),
    st.lists(st.tuples(st.floats(-5.0, 60.0), st.floats(1.0, 300.0), st.floats(1.0, 300.0)), min_size=1, max_size=12),
)
def test_whether_a_pair_is_used_never_depends_on_the_tested_value(intervals, readings):
    beat_s = np.concatenate([[0.0], np.cumsum([r for r, _, _ in intervals])])
    reference = beats(beat_s, [u for _, u, _ in intervals], [d for _, _, d in intervals])
    end = np.sort([t for t, _, _ in readings])
    values = [np.array([r[i] for r in readings]) for i in (1, 2)]
    one, two = (pairs_of(np.where(v == 255.0, 254.0, v), reference=reference, end=end) for v in values)
    assert np.array_equal(one.reason, two.reason)
    assert np.array_equal(one.reference, two.reference, equal_nan=True)
    assert not np.isnan(one.reference[one.used]).any()


def test_window_that_is_nowhere_is_not_used():
    got = pairs_of([60.0], end=[np.nan])
    assert reasons(got) == ["no_reference"]


def test_lengths_must_agree():
    with pytest.raises(DataError) as caught:
        make_pairs(
            SECONDS, at(1, 2), at(60), start_s=at(0, 1), end_s=at(1, 2), seconds=at(1, 1), low=25, high=250,
            sentinels=(), min_covered=0.8, min_amount=3, max_doubtful=0.2,
        )  # fmt: skip
    assert str(caught.value) == ("expected stamps, values, windows and seconds of one length, got 2, 1, 2, 2 and 2")


# windows


def test_window_lies_around_the_centre():
    clock = replace(declared_clock(shift_s=-4.0, at_s=100.0, method="by hand"), drift_ppm=1000.0)
    start, end = windows_of(at(100, 200), clock, averaging_s=6.0)
    assert start == pytest.approx([93.0, 193.1])
    assert end == pytest.approx([99.0, 199.1])
    start, end = windows_of(at(100, 200), clock, averaging_s=at(2, 4), shift_s=at(1, -1))
    assert start == pytest.approx([100, 197])
    assert end == pytest.approx([102, 201])


def test_envelope_of_lateness_looks_back_only():
    edge = np.arange(0.0, 200.0)
    rising = running_from_windows(edge, edge + 1, 60.0 + edge)
    low, high = late_envelope(rising, at(100), at(101), late_s=30.0)
    assert low[0] == pytest.approx(130.0)
    assert high[0] == pytest.approx(160.0)
    low, high = late_envelope(rising, at(-50, 500), at(-49, 501), late_s=30.0)
    assert np.isnan(low).all()
    assert np.isnan(high).all()


# rhythm, what a reading counts for, missing time


def test_steady_rhythm():
    assert rhythm(np.arange(0.0, 500.0)).tolist() == [1.0] * 500
    assert rhythm(np.arange(0.0, 6000.0, 60.0)).tolist() == [60.0] * 100


@pytest.mark.parametrize(
    ("stamps", "expected"), [((), []), ((5,), [1.0]), ((5, 8), [3.0, 3.0]), ((0, 2, 4), [2.0] * 3)]
)
def test_rhythm_of_hardly_anything(stamps, expected):
    assert rhythm(at(*stamps)).tolist() == expected


def test_lost_readings_leave_the_rhythm_alone():
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 900.0)[rng.random(900) > 0.08]
    assert (rhythm(time) == 1.0).all()


def test_regular_losses_are_losses_where_values_repeat():
    time = np.arange(0.0, 900.0)
    time = time[time % 9 < 3]  # six of every nine seconds lost
    value = np.rint(100 + 20 * np.sin(time / 90))
    usual = rhythm(time, value)
    assert (usual == 1.0).all()
    lost = missing_spans(time, usual, first_s=0.0, last_s=900.0)
    # each pause of 7 s begins to be missing 1.5 s after the last reading
    assert np.diff(lost, axis=1).sum() == pytest.approx(100 * 5.5)


def test_each_mode_has_its_own_rhythm():
    exercise, rest = np.arange(0.0, 1200.0), 1200.0 + np.arange(0.0, 60.0) * 600.0
    time = np.concatenate([exercise, rest, rest[-1] + 600 + exercise])
    usual = rhythm(time)
    assert (usual[:1180] == 1.0).all()
    assert (usual[1220:1240] == 600.0).all()
    assert (usual[-1180:] == 1.0).all()


def test_rhythm_of_a_recorder_that_writes_changes_allows_its_pauses():
    rng = np.random.default_rng(4)
    gap = rng.choice([1.0, 2.0, 3.0, 5.0, 8.0, 13.0], size=600)
    time = np.concatenate([[0.0], np.cumsum(gap)])
    value = 100.0 + np.cumsum(rng.choice([-1.0, 1.0], size=time.size))  # each differs from the one before
    usual = rhythm(time, value)
    assert (usual >= 5.0).all()
    spans = missing_spans(time, usual, first_s=0.0, last_s=float(time[-1]))
    assert np.diff(spans, axis=1).sum() < 0.05 * time[-1]
    broken = time + np.where(np.arange(time.size) > 300, 120.0, 0.0)
    spans = missing_spans(broken, rhythm(broken, value), first_s=0.0, last_s=float(broken[-1]))
    longest = spans[np.argmax(np.diff(spans, axis=1))]
    assert longest[1] == pytest.approx(broken[301])
    assert 100.0 <= longest[1] - longest[0] <= 125.0


def test_reading_counts_until_the_next_but_not_for_long():
    time = at(0, 1, 2, 7, 8)
    got = reading_seconds(time, np.ones(5))
    assert got.tolist() == [1.0, 1.0, 1.5, 1.0, 1.0]
    assert reading_seconds(time, np.ones(5), hold_s=4.0).tolist() == [1.0, 1.0, 4.0, 1.0, 1.0]
    assert reading_seconds(at(), at()).shape == (0,)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(0.2, 700.0), min_size=1, max_size=80))
def test_no_reading_counts_for_more_than_it_may(gaps):
    time = np.concatenate([[0.0], np.cumsum(gaps)])
    usual = rhythm(time)
    seconds = reading_seconds(time, usual)
    assert (seconds <= 1.5 * usual + 1e-9).all()
    assert (seconds[:-1] <= np.diff(time) + 1e-9).all()
    assert (seconds > 0).all()


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(0.2, 700.0), min_size=1, max_size=80))
def test_every_second_is_counted_once(gaps):
    """What readings count for and what is missing fill the time from the first reading to the last."""
    time = np.concatenate([[0.0], np.cumsum(gaps)])
    usual = rhythm(time)
    spans = missing_spans(time, usual, first_s=0.0, last_s=float(time[-1]))
    seconds = reading_seconds(time, usual)[:-1]
    assert seconds.sum() + np.diff(spans, axis=1).sum() == pytest.approx(time[-1], rel=1e-6, abs=1e-4)


def test_missing_time_starts_where_the_last_reading_stops_counting():
    spans = missing_spans(at(0, 1, 2, 10, 11), np.ones(5), first_s=0.0, last_s=20.0)
    assert spans.tolist() == [[3.5, 10.0], [12.5, 20.0]]


def test_missing_before_the_first_and_all_the_time():
    assert missing_spans(at(5, 6), np.ones(2), first_s=0.0, last_s=6.0).tolist() == [[0.0, 5.0]]
    assert missing_spans(at(), at(), first_s=0.0, last_s=6.0).tolist() == [[0.0, 6.0]]
    assert missing_spans(at(), at(), first_s=6.0, last_s=6.0).shape == (0, 2)


def test_missing_time_lies_within_what_was_expected():
    spans = missing_spans(at(-20, 0, 50, 90), np.ones(4), first_s=10.0, last_s=80.0)
    assert spans.tolist() == [[10.0, 50.0], [51.5, 80.0]]
