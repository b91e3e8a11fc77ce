"""Whose step it was: the edges of a disagreement by a simple ratio. The rule is our own."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.beats import beats_from_intervals, running_from_beats
from wearbench.core.disputes import STEPPED, UNSEEN, disputed_readings, steps_of
from wearbench.core.running import running_from_level
from wearbench.core.statemodel import BETWEEN, DOUBLED, FAITHFUL, HALVED
from wearbench.errors import DataError


def found(state, tested, reference, *, every_s=1.0):
    state, tested, reference = np.asarray(state, np.int8), np.asarray(tested, float), np.asarray(reference, float)
    why = disputed_readings(state, time_s=np.arange(state.size) * every_s, tested=tested, reference=reference)
    return sorted(set(why[np.isin(state, (HALVED, DOUBLED))].tolist()))


def stretch(inside, *, n=100):
    """Right for n readings, ``inside`` for n, right for n."""
    return np.repeat([FAITHFUL, inside, FAITHFUL], n)


def test_a_device_that_halves_is_the_device():
    assert found(stretch(HALVED), np.repeat([140, 70, 140], 100), np.full(300, 140)) == [0]


def test_a_reference_that_halves_makes_no_double_device():
    assert found(stretch(DOUBLED), np.full(300, 140), np.repeat([140, 70, 140], 100)) == [STEPPED]


def test_a_reference_that_counts_double_makes_no_half_device():
    assert found(stretch(HALVED), np.full(300, 80), np.repeat([80, 160, 80], 100)) == [STEPPED]


def test_one_edge_at_which_the_device_stepped_is_enough():
    # at the end both come together while the reference falls; the beginning is the device's
    tested, reference = np.repeat([70, 140, 70], 100), np.repeat([70, 70, 70], 100)
    assert found(stretch(DOUBLED), tested, reference) == [0]


def test_readings_on_the_way_are_stepped_over():
    state = np.repeat([FAITHFUL, BETWEEN, DOUBLED], [100, 20, 100])
    tested = np.concatenate([np.full(100, 70), np.linspace(70, 140, 20), np.full(100, 140)])
    assert found(state, tested, np.full(220, 70)) == [0]


@pytest.mark.parametrize(("state", "why"), [(DOUBLED, UNSEEN), (HALVED, 0)])
def test_from_end_to_end(state, why):
    assert found(np.full(300, state), np.full(300, 140.0 if state == DOUBLED else 70.0), np.full(300, 70.0)) == [why]


def test_an_edge_more_than_a_minute_away_shows_nothing_but_slow_readings_count_in_readings():
    state = np.repeat([FAITHFUL, -1, DOUBLED], [10, 61, 10])
    tested, reference = np.repeat([70, 70, 140], [10, 61, 10]), np.full(81, 70)
    assert found(state, tested, reference) == [UNSEEN]
    assert found(stretch(DOUBLED, n=5), np.repeat([70, 140, 70], 5), np.full(15, 70), every_s=300.0) == [0]


@pytest.mark.parametrize(("reference", "why"), [(np.full(220, 70.0), 0), (np.repeat([70.0, 35.0], [110, 110]), UNSEEN)])
def test_step_from_another_wrong_mode_shows_whose_it_was(reference, why):
    """The device goes from half to double, and the reference nowhere; or both move."""
    state = np.repeat([HALVED, BETWEEN, DOUBLED], [100, 20, 100])
    tested = np.concatenate([np.full(100, 35), np.linspace(35, 140, 20), np.full(100, 140)])
    if why:
        tested = np.concatenate([np.full(110, 50), np.full(110, 70)])
    got = disputed_readings(state.astype(np.int8), time_s=np.arange(220.0), tested=tested, reference=reference)
    assert set(got[state == DOUBLED].tolist()) == {why}


def test_lengths_must_match():
    with pytest.raises(DataError) as caught:
        disputed_readings(np.zeros(2, np.int8), time_s=np.zeros(3), tested=np.zeros(2), reference=np.zeros(2))
    assert str(caught.value) == "expected states, times, readings and reference of one length, got 2, 3, 2 and 2"


def test_edges_last_as_long_as_the_window():
    """Ten minutes on the way to double rate, with a window of as much."""
    state = np.repeat([FAITHFUL, BETWEEN, DOUBLED], [60, 600, 60]).astype(np.int8)
    tested = np.concatenate([np.full(60, 70), np.linspace(70, 140, 600), np.full(60, 140)])
    for averaging_s, why in ((8.0, UNSEEN), (600.0, 0)):
        got = disputed_readings(
            state, time_s=np.arange(720.0), tested=tested, reference=np.full(720, 70.0), averaging_s=averaging_s
        )
        assert set(got[state == DOUBLED].tolist()) == {why}


@pytest.mark.parametrize(("own", "why"), [(1, {0, UNSEEN}), (2, {0})])
def test_a_device_that_was_seen_to_double_doubles_where_no_edge_is_seen(own, why):
    state = np.concatenate([stretch(DOUBLED)] * own + [np.full(100, -1), np.full(100, DOUBLED)]).astype(np.int8)
    tested = np.where(state == DOUBLED, 140.0, 70.0)
    got = disputed_readings(
        state, time_s=np.arange(state.size, dtype=float), tested=tested, reference=np.full(state.size, 70.0)
    )
    assert set(got[state == DOUBLED].tolist()) == why


def beats_at(rate_bpm):
    """Running beats of a heart that beats at a rate given each second."""
    phase = np.cumsum(np.asarray(rate_bpm, float) / 60.0)
    at_s = np.interp(np.arange(1, phase[-1]), phase, np.arange(phase.size))
    return running_from_beats(beats_from_intervals(np.diff(at_s) * 1000.0, start_s=float(at_s[0])))


def test_beats_that_step_and_beats_that_only_rise():
    """From one beat to the next, or over half a minute; the latter is what hearts do."""
    (first, *_, last) = steps_of(beats_at(np.repeat([80.0, 160.0], [100, 100])))
    assert first == pytest.approx(100.0, abs=5.0)
    assert last == pytest.approx(100.0, abs=5.0)
    rise = np.concatenate([np.full(100, 80.0), np.linspace(80, 160, 40), np.full(100, 160.0)])
    assert steps_of(beats_at(rise)).size == 0


def test_a_sampled_rate_does_not_show_what_was_a_step():
    rate = np.repeat([80.0, 160.0], [100, 100])
    assert steps_of(running_from_level(np.arange(200.0), rate, hold_s=2.0, scale=60.0)) is None


@pytest.mark.parametrize(("steps_s", "why"), [(None, STEPPED), (np.array([99.0]), STEPPED), (np.array([500.0]), 0)])
def test_a_reference_that_rose_from_beat_to_beat_made_no_step(steps_s, why):
    """The heart doubles its rate while the device falls to half of it: the device looks as if nothing had happened."""
    state = np.repeat([FAITHFUL, BETWEEN, HALVED], [80, 40, 100]).astype(np.int8)
    reference = np.concatenate([np.full(80, 80.0), np.linspace(80, 160, 40), np.full(100, 160.0)])
    got = disputed_readings(
        state, time_s=np.arange(220.0), tested=np.full(220, 80.0), reference=reference, steps_s=steps_s
    )
    assert set(got[state == HALVED].tolist()) == {why}
