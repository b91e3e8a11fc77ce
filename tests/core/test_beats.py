"""Beats, beat phase and the rate over a window."""

import numpy as np
import pytest

from wearbench.core.beats import Beats, beats_from_intervals, running_from_beats
from wearbench.core.running import values_over
from wearbench.errors import CannotTell, DataError


def plain(time_s, **flags):
    n = len(time_s) - 1
    no = np.zeros(n, dtype=bool)
    given = {"usable": ~no, "mended": no, "doubtful": no} | flags
    return Beats(
        time_s=np.asarray(time_s, dtype=float),
        doubts=(),
        n_found=n + 1,
        n_missed=0,
        n_extra=0,
        n_ectopic=0,
        n_long=0,
        n_short=0,
        **given,
    )


# eight beats; rates recomputed by hand as 60 * sum(overlap / RR) / sum(overlap)
EIGHT = [0, 1.0, 1.5, 2.0, 3.0, 3.8, 4.6, 5.4]


@pytest.mark.parametrize(
    ("start", "end", "rate", "covered"),
    [
        (0, 3, 80.0, 1.0),
        (0, 2.25, 86.6667, 1.0),
        (0.25, 2.25, 90.0, 1.0),
        (1.5, 4.0, 78.0, 1.0),
        (5, 7, 75.0, 0.20),
    ],
)
def test_rate_over_a_window_counts_fractions_of_beats(start, end, rate, covered):
    got = values_over(running_from_beats(plain(EIGHT)), np.array([float(start)]), np.array([float(end)]))
    assert got.value[0] == pytest.approx(rate, abs=1e-4)
    assert got.covered[0] == pytest.approx(covered)


def test_mean_of_rates_is_not_what_is_meant():
    # 1, 0.5, 0.5, 1 s: 4 beats in 3 s are 80 beats a minute; the mean of 60/RR would be 90
    got = values_over(running_from_beats(plain(np.cumsum([0, 1, 0.5, 0.5, 1]))), np.array([0.0]), np.array([3.0]))
    assert got.value[0] == pytest.approx(80.0)


def test_gap_adds_neither_beats_nor_time():
    usable = np.array([True, True, False, True, True])
    beats = plain([0, 1, 2, 12, 13, 14], usable=usable)
    got = values_over(running_from_beats(beats), np.array([0.0, 3.0]), np.array([14.0, 8.0]))
    assert got.value[0] == pytest.approx(60.0)
    assert got.covered[0] == pytest.approx(4 / 14)
    assert np.isnan(got.value[1])


def test_without_mending_mended_intervals_are_gaps():
    mended = np.array([False, True, True, False])
    beats = plain([0, 1, 1.5, 2, 3], mended=mended)
    whole, bare = running_from_beats(beats), running_from_beats(beats, mended=False)
    assert (whole.covered_s[-1], whole.mended_s[-1], bare.covered_s[-1]) == (3.0, 1.0, 2.0)
    assert bare.amount[-1] == 2.0
    assert beats.mended_share == pytest.approx(1 / 3)


def test_doubtful_time_is_counted_apart():
    doubtful = np.array([True, False, False])
    running = running_from_beats(plain([0, 1, 2, 3], doubtful=doubtful))
    assert running.doubtful_s.tolist() == [0, 1, 1, 1]


def test_no_beats_give_an_empty_running_sum():
    beats = beats_from_intervals(np.array([0.0, np.nan, 65535.0, 65535 / 1.024]))
    assert (beats.time_s.size, beats.n_unreadable) == (0, 4)
    got = values_over(running_from_beats(beats), np.array([0.0]), np.array([8.0]))
    assert np.isnan(got.value[0])


def test_intervals_without_stamps_are_cumulated_from_the_start():
    beats = beats_from_intervals(np.full(60, 750.0), start_s=12.0)
    assert beats.time_s[0] == 12.0
    assert beats.time_s[-1] == pytest.approx(57.0)
    assert beats.usable.all()


def test_unreadable_interval_without_stamps_takes_the_usual_time():
    rr = np.full(60, 750.0)
    rr[30] = 65535.0
    beats = beats_from_intervals(rr)
    assert beats.time_s[-1] == pytest.approx(45.0)
    assert beats.n_unreadable == 1
    assert np.flatnonzero(beats.mended).tolist() == [30]


def test_interval_longer_than_three_seconds_is_a_gap_unless_it_can_be_bridged():
    rr = np.concatenate([np.full(40, 800.0), [30_000.0], np.full(40, 800.0)])
    beats = beats_from_intervals(rr)
    assert np.flatnonzero(~beats.usable).tolist() == [40]
    assert beats.time_s[-1] == pytest.approx(94.0)


def test_lost_packet_is_a_gap_at_its_place():
    rr = 800 + 30 * np.sin(np.arange(400) / 3)
    ends = np.cumsum(rr) / 1000
    keep = np.ones(400, dtype=bool)
    keep[200:230] = False
    beats = beats_from_intervals(rr[keep], stamp_s=ends[keep] + 0.1)
    gap = np.flatnonzero(~beats.usable)
    assert gap.tolist() == [200]
    assert beats.time_s[gap[0]] == pytest.approx(ends[199] + 0.1, abs=0.02)
    assert beats.time_s[gap[0] + 1] == pytest.approx(ends[229] + 0.1, abs=0.02)


def test_sampled_intervals_are_refused_with_both_numbers():
    second = np.arange(300.0)
    with pytest.raises(CannotTell) as caught:
        beats_from_intervals(np.full(300, 400.0), stamp_s=second)
    assert caught.value.slug == "not-beats"
    assert str(caught.value) == (
        "expected RR intervals that fill the time between their stamps, got 120 s of intervals in 299 s (usually"
        " 0.40 s a second); they were sampled, not kept beat by beat, and are used as a heart rate of 60000 / interval"
    )


def test_stamps_must_match_intervals():
    with pytest.raises(DataError) as caught:
        beats_from_intervals(np.ones(3), stamp_s=np.ones(2))
    assert str(caught.value) == "expected one stamp an interval, got 2 stamps for 3 intervals"


def test_beats_must_increase():
    with pytest.raises(DataError) as caught:
        plain([0, 1, 1])
    assert str(caught.value) == "expected beat times that increase; sort them and drop repeats first"
