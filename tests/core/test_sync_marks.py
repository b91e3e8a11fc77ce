"""Sync marks: the offset of two clocks, its interval, and drift, from acts at known instants."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.marks import MarkPairs, clock_of_marks, pooled_mean
from wearbench.errors import CannotTell, DataError


def pairs(reference_s, tested_s, *, unit=1.0, tested_unit=None) -> MarkPairs:
    reference_s, tested_s = np.asarray(reference_s, dtype=float), np.asarray(tested_s, dtype=float)
    return MarkPairs(
        reference_s=reference_s,
        tested_s=tested_s,
        reference_unit_s=np.full(reference_s.size, unit),
        tested_unit_s=np.full(reference_s.size, unit if tested_unit is None else tested_unit),
    )


def test_one_mark_gives_the_offset_and_what_its_writing_and_the_hand_leave_open():
    told = clock_of_marks(pairs([600.5], [640.5]), at_s=640.5, slack_s=0.3)
    assert told.offset_s == pytest.approx(-40.0)
    # By hand: variance 1/12 + 1/12 + 0.3^2 = 0.2567; t with 10 degrees of freedom is 2.228 (Student's table).
    assert told.high_s - told.offset_s == pytest.approx(2.228 * np.sqrt(1 / 6 + 0.09), rel=1e-3)
    assert (told.n, told.drift_ppm) == (1, 0.0)


def test_finer_marks_leave_less_open_and_minutes_leave_a_minute():
    def half(unit):
        told = clock_of_marks(pairs([600.0], [640.0], unit=unit), at_s=640.0, slack_s=0.3)
        return told.high_s - told.offset_s

    assert half(0.001) == pytest.approx(2.228 * 0.3, rel=1e-3)
    assert half(0.001) < half(1.0) < half(60.0)
    assert 30 < half(60.0) < 60


def test_marks_that_agree_by_luck_are_not_taken_to_be_exact():
    told = clock_of_marks(pairs([100.0, 200.0], [140.0, 240.0]), at_s=190.0, slack_s=0.3)
    assert told.offset_s == pytest.approx(-40.0)
    assert 0.5 < told.high_s - told.offset_s < 1.0


def test_drift_shows_with_marks_far_apart_and_is_nought_with_marks_near_each_other():
    # 50 ppm: 8.64 s over two days.
    tested = np.array([0.0, 600.0, 172_200.0, 172_800.0])
    reference = tested - 40.0 + 50e-6 * tested
    told = clock_of_marks(pairs(reference, tested, unit=0.001), at_s=86_400.0, slack_s=0.3)
    assert told.drift_ppm == pytest.approx(50.0, abs=1e-6)
    assert told.drift_low_ppm < 50 < told.drift_high_ppm
    assert told.offset_s == pytest.approx(-40.0 + 4.32)
    near = clock_of_marks(pairs(reference[:2], tested[:2], unit=0.001), at_s=300.0, slack_s=0.3)
    assert near.drift_ppm == 0.0
    assert near.drift_low_ppm == -200
    assert near.drift_high_ppm == 200


def test_a_mark_says_less_of_a_time_far_from_it():
    def half(at_s):
        told = clock_of_marks(pairs([0.0], [40.0], unit=0.001), at_s=at_s, slack_s=0.1)
        return told.high_s - told.offset_s

    assert half(40.0) == pytest.approx(0.2228, rel=1e-3)
    assert half(86_440.0) == pytest.approx(2.228 * np.hypot(0.1, 20e-6 * 86_400), rel=1e-3)


def test_drift_that_is_known_is_taken_out():
    tested = np.array([0.0, 86_400.0])
    told = clock_of_marks(pairs(tested - 40 + 50e-6 * tested, tested), at_s=43_200.0, slack_s=0.3, drift_ppm=50.0)
    assert told.offset_s == pytest.approx(-40.0 + 2.16)
    assert told.drift_ppm == pytest.approx(50.0)


@pytest.mark.parametrize("tested", [[140.0, 252.0], [140.0, 252.0, 340.0]])
def test_marks_of_different_acts_fit_no_one_clock(tested):
    reference = np.array([100.0, 200.0, 300.0])[: len(tested)]
    with pytest.raises(CannotTell, match=r"they fit no one clock \(offsets -40.0, -52.0"):
        clock_of_marks(pairs(reference, tested), at_s=190.0, slack_s=0.3)


def test_no_marks_is_an_error_of_the_caller():
    with pytest.raises(DataError, match="at least one mark"):
        clock_of_marks(pairs([], []), at_s=0.0, slack_s=0.3)


@pytest.mark.parametrize("n", [1, 2, 5])
@pytest.mark.parametrize("slack_s", [0.1, 0.3])
def test_the_interval_covers(n, slack_s):
    """Whole seconds cut from true instants, a hand with the spread given or a third of it."""
    rng = np.random.default_rng(20310401 + n)
    covered, trials = 0, 1500
    for _ in range(trials):
        act = np.sort(rng.uniform(0, 3600, n))
        fast = rng.uniform(40, 41)
        theirs = act + fast + rng.normal(0, slack_s, n)
        told = clock_of_marks(pairs(np.floor(act) + 0.5, np.floor(theirs) + 0.5), at_s=1800.0, slack_s=0.3)
        covered += told.low_s <= -fast <= told.high_s
    assert covered / trials >= 0.945


def test_sessions_that_differ_more_than_they_should_widen_the_mean():
    value, low, high = pooled_mean(np.array([6.0, 6.4, 6.2]), np.array([0.8, 0.8, 0.8]))
    assert value == 6.2
    assert 0.4 < high - value < 0.8
    _, far_low, far_high = pooled_mean(np.array([2.0, 6.4, 11.0]), np.array([0.8, 0.8, 0.8]))
    assert far_high - far_low > 2 * (high - low)
    assert pooled_mean(np.array([6.2]), np.array([1.1])) == pytest.approx((6.2, 5.1, 7.3))
