"""Anchoring intervals to late, coarse or missing stamps. Truth is made here; common practice has no source."""

import numpy as np
import pytest

from wearbench.core.stamps import anchor, tiles
from wearbench.errors import DataError

RNG = np.random.default_rng(20)
RR = 60 / (75 + 40 * np.sin(np.arange(3000) / 250)) + RNG.normal(0, 0.02, 3000)
TRUE = 100 + np.cumsum(RR)


def test_exact_stamps_change_nothing():
    placed = anchor(RR, TRUE)
    assert np.abs(placed.end_s - TRUE).max() < 1e-9
    assert not placed.gap_s.any()


def test_whole_seconds_with_their_resolution():
    placed = anchor(RR, np.floor(TRUE), resolution_s=1.0)
    assert np.abs(placed.end_s - TRUE).max() < 0.05
    assert not placed.gap_s.any()


def test_packets_once_a_second():
    placed = anchor(RR, np.ceil(TRUE))
    assert np.abs(placed.end_s - TRUE).max() < 0.05
    assert placed.late_s == pytest.approx(0.5, abs=0.05)


def test_packets_held_back_for_90_s_leave_no_trace():
    stamp = TRUE + RNG.exponential(0.2, TRUE.size)
    for begin in (300, 900, 1500):
        held = (stamp > begin) & (stamp < begin + 90)
        stamp[held] = begin + 90
    stamp = np.maximum.accumulate(stamp)
    placed = anchor(RR, stamp)
    assert np.abs(placed.end_s - TRUE).max() < 0.1
    assert not placed.gap_s.any()


@pytest.mark.parametrize("stamps", ["exact", "second"])
def test_lost_packets_are_gaps_of_the_right_length(stamps):
    keep = np.ones(RR.size, dtype=bool)
    keep[500:520] = False
    keep[1500:1503] = False
    stamp, resolution = (TRUE, 0.0) if stamps == "exact" else (np.floor(TRUE), 1.0)
    placed = anchor(RR[keep], stamp[keep], resolution_s=resolution)
    assert np.flatnonzero(placed.gap_s).size == 2
    assert placed.gap_s.sum() == pytest.approx(RR[~keep].sum(), abs=0.15)
    assert np.quantile(np.abs(placed.end_s - TRUE[keep]), 0.99) < 0.15


@pytest.mark.parametrize("late", ["next second", "now and then"])
def test_one_beat_lost_now_and_then_does_not_add_up(late):
    keep = RNG.random(RR.size) > 0.02
    stamp = np.ceil(TRUE) if late == "next second" else TRUE + RNG.exponential(0.3, TRUE.size)
    placed = anchor(RR[keep], stamp[keep])
    assert np.quantile(np.abs(placed.end_s - TRUE[keep]), 0.95) < 0.25
    assert placed.gap_s.sum() == pytest.approx(RR[~keep].sum(), abs=2.0)


def test_stamps_in_disorder_are_no_clock_set_back():
    placed = anchor(RR, TRUE + RNG.exponential(1.0, TRUE.size))
    assert placed.n_steps_back == 0
    assert np.abs(placed.end_s - TRUE).max() < 0.1


@pytest.mark.parametrize("ppm", [60, -60])
def test_slow_drift_is_followed(ppm):
    drifting = TRUE * (1 + 1e-6 * ppm)
    placed = anchor(RR, drifting)
    assert np.abs(placed.end_s - drifting).max() < 0.15
    assert not placed.gap_s.any()


def test_clock_set_back_does_not_stop_the_beats():
    stamp = TRUE.copy()
    stamp[1000:] -= 3600
    placed = anchor(RR, stamp)
    assert placed.n_steps_back == 1
    assert (np.diff(placed.end_s) > 0).all()
    assert np.abs(placed.end_s - TRUE).max() < 1.5


def test_beats_tile():
    assert tiles(RR * 1000, TRUE).tiles
    assert tiles(RR * 1000, np.floor(TRUE)).tiles
    keep = RNG.random(RR.size) > 0.25
    assert tiles(RR[keep] * 1000, TRUE[keep]).tiles


@pytest.mark.parametrize("bpm", [40, 50, 75, 100, 150, 190])
def test_one_interval_a_second_does_not_tile(bpm):
    second = np.arange(600.0)
    check = tiles(60_000 / bpm * (1 + 0.05 * np.sin(second / 20)), second)
    assert not check.tiles
    assert check.ratio == pytest.approx(60 / bpm, rel=0.06)


def test_lengths_must_match():
    with pytest.raises(DataError) as caught:
        tiles(np.ones(3), np.ones(2))
    assert str(caught.value) == "expected one stamp an interval, got 2 stamps for 3 intervals"
