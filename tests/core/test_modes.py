"""Modes told from stamps alone."""

from __future__ import annotations

import numpy as np
import pytest
from worn import at

from wearbench.core.modes import nearest_mode, split_modes


def stretch(start_s, length_s, every_s):
    return np.arange(start_s, start_s + length_s, every_s, dtype=float)


def test_exercise_day_and_rest():
    day, exercise, rest = stretch(0, 7200, 60), stretch(7200, 1800, 1), stretch(9000, 12_000, 600)
    found = split_modes(np.concatenate([day, exercise, rest]))
    assert found.usual_s == (1.0, 60.0, 600.0)
    assert found.main() == 0
    assert found.main(np.arange(found.mode.size) < 120) == 1
    assert found.main(np.arange(found.mode.size) > 1930) == 2
    # the first and the last of a quick stretch belong to it: the rest's first reading came a second after exercise
    assert found.mode.tolist() == [1] * 120 + [0] * 1801 + [2] * 19


def test_one_rhythm_is_one_mode_whatever_is_lost():
    rng = np.random.default_rng(1)
    time_s = stretch(0, 5000, 1)
    keep = np.sort(rng.choice(time_s.size, size=4500, replace=False))
    keep = keep[(keep < 2000) | (keep > 2400)]
    found = split_modes(time_s[keep])
    assert found.usual_s == (1.0,)
    assert found.mode.tolist() == [0] * keep.size


def test_writers_of_changes_have_one_mode():
    rng = np.random.default_rng(2)
    for spread in (0.5, 0.8, 1.2):
        time_s = np.cumsum(np.ceil(4 * np.exp(spread * rng.standard_normal(3000))))
        assert len(split_modes(time_s).usual_s) == 1


def test_rhythms_that_are_close_are_one():
    assert len(split_modes(np.concatenate([stretch(0, 600, 1), stretch(600, 600, 2)])).usual_s) == 1


def test_few_slow_readings_among_many_are_still_a_mode():
    found = split_modes(np.concatenate([stretch(0, 7200, 600), stretch(7200, 3600, 1), stretch(10_800, 7200, 600)]))
    assert found.usual_s == (1.0, 600.0)
    assert (found.mode == 1).sum() == 23


def test_jitter_does_not_split():
    rng = np.random.default_rng(3)
    time_s = np.sort(stretch(0, 3000, 5) + rng.uniform(-1, 1, 600))
    assert split_modes(time_s).usual_s == pytest.approx((5.0,), rel=0.05)


@pytest.mark.parametrize("time_s", [np.zeros(0), at(3.0), stretch(0, 15, 1)])
def test_too_few_have_one_mode(time_s):
    found = split_modes(time_s)
    assert len(found.usual_s) == 1
    assert found.mode.size == time_s.size


def test_nearest_by_ratio():
    assert nearest_mode(at(0.5, 7.0, 8.0, 180.0, 200.0), (1.0, 60.0, 600.0)).tolist() == [0, 0, 1, 1, 2]
    assert nearest_mode(at(0.5, 1e6), (60.0,)).tolist() == [0, 0]
