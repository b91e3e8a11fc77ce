"""Dead time, time constant and time to 63 and 90 % recovered from devices whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from worn import beats, beats_of

from wearbench.core.moves import moves_of
from wearbench.core.response import responses_to, shape_of
from wearbench.core.smoothing import smoothed

LENGTH_S = 2400


def efforts(seed, *, rise_s=20.0):
    """Levels held 2 to 4 min, first-order rises and slower falls; 1 Hz."""
    rng = np.random.default_rng(seed)
    target = np.concatenate([np.full(int(rng.uniform(120, 240)), rng.uniform(80, 165)) for _ in range(20)])[:LENGTH_S]
    rate = np.empty(LENGTH_S)
    value = target[0]
    for i, aim in enumerate(target.tolist()):
        value += (aim - value) / (rise_s if aim > value else 1.5 * rise_s)
        rate[i] = value
    return rate


def exact(rate):
    """Beats without any variability: the phase of ``rate`` (1 Hz) at whole counts."""
    phase = np.concatenate([[0.0], np.cumsum(rate / 60.0)])
    return beats(np.interp(np.arange(0.0, phase[-1]), phase, np.arange(phase.size, dtype=float)))


def answers(seed, *, shape, length_s, delay_s, sd, every_s):
    """Answers to the steps of three sessions of one invented device; whole beats a minute."""
    rng = np.random.default_rng(seed)
    whole = 2.0 * length_s if shape == "exponential" else length_s
    found = []
    for session in range(3):
        reference = beats(beats_of(rng, efforts(100 * seed + session)))
        shown = np.arange(60.0, LENGTH_S - 10.0, every_s)
        value, _ = smoothed(reference, averaging_s=whole, shape=shape).at(shown - delay_s - 0.5 * whole)
        value = np.round(value + rng.normal(0.0, sd, value.size))
        moves = moves_of(reference, first_s=0.0, last_s=LENGTH_S)
        found += responses_to(moves, reference, shown, value, following=np.ones(shown.size, dtype=bool))
    best = shape_of(found)
    return best, [(r.of(best), r.exponential) for r in found if r.of(best) is not None]


# Stated errors, from this Monte-Carlo itself (no source): the median over the steps of three sessions lies within
# 1.5 s + 10 % of the true time to 63 %, and within 2 s + 12 % of that to 90 %.
@pytest.mark.parametrize(
    ("shape", "length_s", "delay_s", "sd", "every_s"),
    [
        ("exponential", 2.0, 0.0, 1.0, 1.0),
        ("exponential", 2.0, 8.0, 3.0, 1.0),
        ("exponential", 15.0, 4.0, 3.0, 5.0),
        ("exponential", 25.0, 10.0, 2.0, 10.0),
        ("exponential", 40.0, 0.0, 1.0, 5.0),
        ("boxcar", 10.0, 0.0, 1.0, 1.0),
        ("boxcar", 25.0, 12.0, 2.0, 2.0),
        ("boxcar", 40.0, 5.0, 3.0, 5.0),
        ("boxcar", 60.0, 20.0, 2.0, 10.0),
    ],
)
def test_known_answers_are_recovered(shape, length_s, delay_s, sd, every_s):
    best, told = answers(3, shape=shape, length_s=length_s, delay_s=delay_s, sd=sd, every_s=every_s)
    assert len(told) >= 10
    share_63, share_90 = (0.632, 0.9) if shape == "boxcar" else (1.0, 2.303)
    true_63, true_90 = delay_s + share_63 * length_s, delay_s + share_90 * length_s
    assert np.median([a.t63_s for a, _ in told]) == pytest.approx(true_63, abs=1.5 + 0.10 * true_63)
    assert np.median([a.t90_s for a, _ in told]) == pytest.approx(true_90, abs=2.0 + 0.12 * true_90)
    if shape == "exponential":
        assert np.median([e.length_s for _, e in told]) == pytest.approx(length_s, abs=1.0 + 0.15 * length_s)
        assert np.median([e.dead_time_s for _, e in told]) == pytest.approx(delay_s, abs=1.5 + 0.10 * true_63)
    if length_s >= 25.0:  # shorter ones look alike on a heart that itself takes 20 s
        assert best == shape


def test_interval_of_one_step_holds_the_truth_about_as_often_as_it_says():
    held = []
    for seed, shape, length_s, delay_s in ((11, "exponential", 10.0, 5.0), (12, "boxcar", 20.0, 3.0)):
        _, told = answers(seed, shape=shape, length_s=length_s, delay_s=delay_s, sd=2.0, every_s=2.0)
        true = delay_s + (0.632 if shape == "boxcar" else 1.0) * length_s
        held += [a.low_s <= true <= a.high_s for a, _ in told]
    assert len(held) >= 30
    assert np.mean(held) >= 0.85  # 95 % is aimed at; measured 37 of 39


def test_recomputed_size_of_eight_seconds_late():
    # Reference rising from 80 to 140 with a time constant of 25 s, device the same 8 s late: worst error -16.4, mean
    # over the first 30 s -10.1, recovered shift 8 s (recomputed from the formula; no source).
    time = np.arange(0.0, 300.0, 0.01)

    def rate(t):
        return np.where(t < 0, 80.0, 140.0 - 60.0 * np.exp(-np.maximum(t, 0.0) / 25.0))

    apart = rate(time - 8.0) - rate(time)
    assert apart.min() == pytest.approx(-16.4, abs=0.05)
    whole = np.arange(0.0, 31.0)  # once a second, both ends counted; the integral itself gives -10.3
    assert (rate(whole - 8.0) - rate(whole)).mean() == pytest.approx(-10.1, abs=0.05)

    start = 400.0
    reference = exact(rate(np.arange(0.0, 900.0) + 0.5 - start))
    shown = np.arange(300.0, 800.0)
    value = rate(shown - start - 8.0)
    moves = moves_of(reference, first_s=0.0, last_s=890.0)
    assert [m.direction for m in moves] == ["up"]
    answer = responses_to(moves, reference, shown, value, following=np.ones(shown.size, dtype=bool))[0]
    assert answer.exponential is not None
    assert answer.exponential.t63_s == pytest.approx(8.0, abs=0.6)
    assert answer.exponential.dead_time_s == pytest.approx(8.0, abs=1.5)  # the rest goes to the constant
    assert answer.exponential.length_s <= 1.5


def test_moves_are_found_where_they_are():
    rate = np.concatenate([np.full(300, 90.0), np.full(300, 130.0), np.full(300, 118.0), np.full(300, 95.0)])
    moves = moves_of(exact(rate), first_s=0.0, last_s=1195.0)
    assert [(m.direction, round(m.from_level), round(m.to_level)) for m in moves] == [
        ("up", 90, 130),
        ("down", 118, 95),  # the fall of 12 is too small
    ]
    assert moves[0].start_s < 300.0 < moves[0].end_s < moves[0].start_s + 40.0


def test_slow_ramp_is_no_step_and_turn_is_a_peak():
    slow = np.concatenate([np.full(200, 90.0), np.linspace(90.0, 150.0, 400), np.full(200, 150.0)])
    assert moves_of(exact(slow), first_s=0.0, last_s=795.0) == ()
    turn = np.concatenate([np.full(200, 90.0), np.linspace(90, 150, 60), np.linspace(150, 90, 60), np.full(200, 90.0)])
    reference = exact(turn)
    moves = moves_of(reference, first_s=0.0, last_s=515.0)
    assert [m.direction for m in moves] == ["peak"]
    assert moves[0].top_s == pytest.approx(260.0, abs=2.0)
    assert moves[0].to_level == pytest.approx(148.75, abs=0.5)  # mean over 5 s about the top
    shown = np.arange(40.0, 500.0)
    value, _ = smoothed(reference, averaging_s=30.0).at(shown - 15.0)
    short = responses_to(moves, reference, shown, value, following=np.ones(shown.size, dtype=bool))[0]
    assert short.shortfall == pytest.approx(148.75 - 142.5, abs=0.6)  # mean over 30 s about the top is 142.5


def test_why_a_step_is_not_used():
    rate = np.concatenate([np.full(300, 90.0), np.full(300, 130.0)])
    reference = exact(rate)
    moves = moves_of(reference, first_s=0.0, last_s=595.0)
    shown = np.arange(0.0, 595.0)
    every, none = np.ones(shown.size, dtype=bool), np.zeros(shown.size, dtype=bool)

    def why(read_s, following):
        return responses_to(moves, reference, read_s, np.full(read_s.size, 100.0), following=following)[0].why

    assert why(shown, none) == "it was not following the reference"
    assert why(shown[::60], every[::60]) == "fewer than 8 readings about the step"
    assert why(shown[:250], every[:250]) == "fewer than 8 readings about the step"
    assert why(np.concatenate([shown[:280], shown[350:]]), np.ones(525, dtype=bool)) == "too few readings on the way"


def test_a_device_that_reads_low_is_not_called_slow():
    reference = exact(efforts(5))
    shown = np.arange(60.0, LENGTH_S - 20.0)
    value, _ = smoothed(reference, averaging_s=6.0).at(shown - 3.0)
    moves = moves_of(reference, first_s=0.0, last_s=LENGTH_S - 5.0)
    told = [
        responses_to(moves, reference, shown, v, following=np.ones(shown.size, dtype=bool))
        for v in (value, 0.96 * value - 2.0)
    ]
    straight, low = (np.median([r.boxcar.t63_s for r in each if r.boxcar]) for each in told)
    assert low == pytest.approx(straight, abs=0.5)
