"""Honest devices of many kinds stay clean: at most 0.2 % of their time is called a failure."""

from __future__ import annotations

import numpy as np
import pytest
from test_states import labelled, names, worn_beside
from worn import correlated, session_rate

from wearbench.core.states import StateParameters, faithful_sums, label, learn_parameters

N = 2400
SEEDS = (0, 1, 2)


def intervals(rng):
    """Half a minute to two minutes hard, the same easy, with steep ramps between."""
    hard, k = np.zeros(N), 200
    while k < N - 300:
        on, off = (int(rng.integers(30, 120)) for _ in range(2))
        hard[k : k + on] = 1.0
        k += on + off
    rate, value = np.empty(N), 80.0
    for i in range(N):
        goal = 95.0 + 85.0 * hard[i]
        value += (goal - value) / (18.0 if goal > value else 30.0)
        rate[i] = value
    return rate + correlated(rng, N, sd=1.5, phi=0.95)


def resting(rng):
    """Sixty a minute with breathing of nine beats to either side."""
    slow = 60.0 + 3.0 * np.sin(np.arange(N) / 400.0) + correlated(rng, N, sd=1.5, phi=0.99)
    period = 4.5 * (1.0 + 0.1 * correlated(rng, N, sd=1.0, phi=0.98))
    return slow + 9.0 * np.sin(2.0 * np.pi * np.cumsum(1.0 / period))


def boxcar(rate, width):
    total = np.cumsum(np.concatenate([[0.0], np.full(width, rate[0]), rate]))
    return ((total[width:] - total[:-width]) / width)[1:]


def smoothed(rate, seconds):
    out, value = np.empty(rate.size), rate[0]
    for i, level in enumerate(rate):
        value += (level - value) * (1.0 - np.exp(-1.0 / seconds))
        out[i] = value
    return out


def noisy(rng, level, *, sd=1.0, memory=9.5):
    return np.round(level + correlated(rng, N, sd=sd, phi=float(np.exp(-1.0 / memory))))


def held(values, every):
    return values[np.arange(N) // every * every]


def ectopic(rng, level):
    """Extra and missed beats left in: each adds or takes a twelfth while it is in the window of eight seconds."""
    beats = (rng.random(N) < 0.01) * rng.choice([-1.0, 1.0], N)
    return level * (1.0 + 8.0 * boxcar(beats, 8) / 12.0)


KINDS = {
    "off by 5, for 5 s": lambda rng, rate: (boxcar(rate, 8), noisy(rng, boxcar(rate, 8), sd=5.0, memory=5.0), 8.0),
    "off by 5, for 20 s": lambda rng, rate: (boxcar(rate, 8), noisy(rng, boxcar(rate, 8), sd=5.0, memory=20.0), 8.0),
    "off by 5, for 60 s": lambda rng, rate: (boxcar(rate, 8), noisy(rng, boxcar(rate, 8), sd=5.0, memory=60.0), 8.0),
    "averages 30 s": lambda rng, rate: (boxcar(rate, 30), noisy(rng, boxcar(rate, 30)), 30.0),
    "smooths 60 s, taken for a mean": lambda rng, rate: (boxcar(rate, 60), noisy(rng, smoothed(rate, 30.0)), 60.0),
    "averages 20 s, taken for 8": lambda rng, rate: (boxcar(rate, 8), noisy(rng, boxcar(rate, 20)), 8.0),
    "shows whole beats": lambda rng, rate: (boxcar(rate, 8), np.round(boxcar(rate, 8)), 8.0),
    "shows steps of five": lambda rng, rate: (boxcar(rate, 8), 5.0 * np.round(boxcar(rate, 8) / 5.0), 8.0),
    "a new value every 10 s": lambda rng, rate: (boxcar(rate, 8), held(noisy(rng, boxcar(rate, 8)), 10), 8.0),
    "a new value every 20 s": lambda rng, rate: (boxcar(rate, 8), held(noisy(rng, boxcar(rate, 8)), 20), 8.0),
    "beside extra beats": lambda rng, rate: (ectopic(rng, boxcar(rate, 8)), noisy(rng, boxcar(rate, 8)), 8.0),
}
COURSES = {"efforts": lambda rng: session_rate(rng, N), "intervals": intervals, "rest": resting}


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("kind", KINDS)
def test_honest_devices_stay_clean(kind, course):
    """Learned over three sessions and judged by what was learned, as a study does."""
    worn = []
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        reference, tested, averaging = KINDS[kind](rng, COURSES[course](rng))
        worn.append(worn_beside(reference, tested, averaging=averaging))
    first = [label(one, StateParameters(), frozen_min_s=10.0, frozen_move=5.0) for one in worn]
    sums = [faithful_sums(one, states) for one, states in zip(worn, first, strict=True)]
    learned = learn_parameters(sums[0] + sums[1] + sums[2])
    called = np.concatenate([names(label(one, learned, frozen_min_s=10.0, frozen_move=5.0)) for one in worn])
    assert np.mean(~np.isin(called, ["faithful", "between"])) <= 0.002


def test_memory_of_errors_is_learned():
    rng = np.random.default_rng(7)
    reference = session_rate(rng, N)
    for memory in (2.0, 8.0, 25.0):
        tested = reference + correlated(rng, N, sd=3.0, phi=float(np.exp(-1.0 / memory)))
        got = learn_parameters(faithful_sums(worn_beside(reference, tested), labelled(reference, tested)))
        assert 0.5 * memory <= got.memory_s <= 1.3 * memory  # shrunk to the prior, and errors at one level are cut off


def test_usual_hold_is_learned():
    rng = np.random.default_rng(8)
    reference = session_rate(rng, N)
    for every in (1, 5, 12):
        tested = held(reference + rng.normal(0.0, 1.0, N), every)
        got = learn_parameters(faithful_sums(worn_beside(reference, tested), labelled(reference, tested)))
        assert 0.5 * every <= got.hold_readings <= every + 1.0  # readings to which the reference moved
