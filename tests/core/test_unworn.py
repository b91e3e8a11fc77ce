"""Stretches that look unworn, by a device's own readings."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.unworn import unworn_stretches

HOUR = np.arange(3600.0)


def found(time_s, value, *, usual_s=1.0):
    usual = np.full(time_s.size, usual_s)
    return unworn_stretches(time_s, value, usual_s=usual, low=25.0, high=250.0, sentinels=(0.0, 255.0))


def moving():
    return 100 + np.round(20 * np.sin(HOUR / 50))


def test_a_device_that_is_worn_has_none():
    assert found(HOUR, moving()) == ()


@pytest.mark.parametrize("sentinel", [0.0, 255.0, np.nan])
def test_sentinels_for_five_minutes(sentinel):
    value = moving()
    value[1000:1301] = sentinel
    (one,) = found(HOUR, value)
    assert (one.from_s, one.to_s, one.why, one.n) == (1000.0, 1300.0, "no_value", 301)
    value[1000:1010] = 90.0
    assert found(HOUR, value) == ()


def test_one_value_for_twenty_minutes():
    value = moving()
    value[500:1701] = 72.0
    (one,) = found(HOUR, value)
    assert (one.from_s, one.to_s, one.why, one.value) == (500.0, 1700.0, "constant", 72.0)
    value[1100] = 73.0
    assert found(HOUR, value) == ()


def test_a_device_that_shows_one_value_only_says_nothing():
    assert found(HOUR, np.full(3600, 72.0)) == ()


def test_values_that_cannot_be_true():
    value = moving()
    value[2000:2400] = 12.0 + np.arange(400) % 3
    (one,) = found(HOUR, value)
    assert (one.why, one.n, np.isnan(one.value)) == ("impossible", 400, True)


def test_silence_of_half_an_hour():
    time_s = np.concatenate([HOUR, HOUR + 3600 + 1800])
    (one,) = found(time_s, np.concatenate([moving(), moving()]))
    assert (one.from_s, one.to_s, one.why, one.n) == (3599.0, 5400.0, "silent", 0)
    # one value in ten minutes is silent for half an hour without meaning it
    slow = np.concatenate([np.arange(0, 36_000, 600.0), np.arange(37_800, 60_000, 600.0)])
    assert found(slow, 60.0 + np.arange(slow.size) % 7, usual_s=600.0) == ()


def test_minutes_count_as_minutes():
    time_s = np.arange(0, 36_000, 60.0)
    value = 60.0 + np.arange(time_s.size) % 7
    value[100:105] = 0.0
    (one,) = found(time_s, value, usual_s=60.0)
    assert (one.why, one.n) == ("no_value", 5)
