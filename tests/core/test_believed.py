"""What the wearer would have seen, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from worn import at, beats

from wearbench.core.believed import believed_of, seconds_in_thirds, span_of


def test_session_by_hand():
    # 60 beats a minute for 100 s, then 120 for 100 s; readings every 50 s, the third halved
    reference = beats(np.concatenate([np.arange(0.0, 100.0), np.arange(100.0, 200.5, 0.5)]))
    told = believed_of(
        at(60, 62, 60, 118), at(60, 60, 120, 120), at(50, 50, 50, 50), reference=reference, first_s=0.0, last_s=200.0
    )
    assert told is not None
    assert (told.n, told.seconds) == (4, 200.0)
    assert (told.shown_mean, told.true_mean) == (75.0, 90.0)
    assert (told.shown_maximum, told.true_maximum, told.true_peak) == (118.0, 120.0, pytest.approx(120.0))
    assert (told.low, told.high) == (60.0, 120.0)


def test_peak_is_seen_between_long_windows():
    # 5 s at 180 within a minute at 60: a window of a minute says 70, the highest 5 s say 180
    beat_s = np.concatenate([np.arange(0.0, 31.0), 30.0 + np.arange(1, 16) / 3.0, np.arange(36.0, 61.0)])
    told = believed_of(at(70), at(70), at(60), reference=beats(beat_s), first_s=0.0, last_s=60.0)
    assert told is not None
    assert told.true_peak == pytest.approx(180.0)


def test_nothing_to_sum():
    nothing = np.zeros(0)
    assert believed_of(nothing, nothing, nothing, reference=beats([0.0, 1.0]), first_s=0.0, last_s=1.0) is None
    told = believed_of(at(60), at(60), at(10), reference=beats([0.0, 1.0]), first_s=0.0, last_s=1.0)
    assert told is not None and math.isnan(told.true_peak)


def test_thirds_and_what_lies_beyond():
    held = seconds_in_thirds(at(50, 100, 119, 121, 139, 141, 160, 200), np.ones(8), low=100.0, high=160.0)
    assert held == (3.0, 2.0, 3.0)


def test_span_leaves_out_a_twentieth_of_the_time():
    values = np.arange(1.0, 101.0)
    assert span_of(values, np.ones(100)) == (5.0, 95.0)
    assert all(math.isnan(x) for x in span_of(np.zeros(0), np.zeros(0)))
