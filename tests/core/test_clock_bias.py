"""A constant error is told apart from a shift of the clock; none is made up."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wearbench.core.clock import fit_clock
from wearbench.core.clockbias import NO_BIAS, BiasPrior, at_least_bias, bias_grid, learned_bias, least_over_bias
from wearbench.core.running import Running
from wearbench.core.smoothing import smoothed

BIAS = np.arange(-5, 6) * 0.01


def rising(seconds: int = 1800) -> tuple[np.ndarray, Running]:
    """A rate that rises from 90 to 150 a minute over a session and swings by 8 about that, and its running count."""
    at = np.arange(seconds + 1.0)
    rate = 90.0 + 60.0 * at / seconds + 8.0 * np.sin(2 * math.pi * at / 240.0)
    count = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) / 60.0])
    return rate, Running(
        knot_s=at, amount=count, covered_s=at, mended_s=np.zeros(at.size), doubtful_s=np.zeros(at.size), scale=60.0
    )


def test_least_of_a_parabola_and_a_cauchy_prior():
    """By a search in steps of 1e-5; weak data go to the prior, strong ones stay."""
    for worth, usual in ((1.0, 0.01), (0.05, 0.001), (4.0, 0.002)):
        prior = BiasPrior(level=0.004, usual=usual)
        for own, steep in ((0.031, 2e5), (0.012, 3e4), (-0.02, 1e3)):
            got, at = least_over_bias(steep * np.square(BIAS - own)[:, None], BIAS, prior, worth=worth)
            fine = np.arange(-0.05, 0.05, 1e-5)
            cost = steep * np.square(fine - own) + prior.cost(fine, worth=worth)
            assert got[0] == pytest.approx(cost.min(), rel=0.02, abs=1e-3)
            assert at[0] == pytest.approx(fine[np.argmin(cost)], abs=0.001)


def test_blocks_add_up_to_the_least():
    rng = np.random.default_rng(3)
    own = rng.normal(0.01, 0.003, (1, 6, 4))
    each = 1e5 * np.square(BIAS[:, None, None] - own)
    curves, found = at_least_bias(each, BIAS, NO_BIAS, worth=1.0)
    least, at = least_over_bias(each.sum(axis=1), BIAS, NO_BIAS, worth=1.0)
    assert curves.sum(axis=0) == pytest.approx(least)
    assert found == pytest.approx(at)


def test_grid_reaches_from_what_is_expected_to_what_is_seen():
    grid = bias_grid(np.full(50, 0.04), scale=0.03, prior=BiasPrior(level=-0.01))
    assert grid[0] <= -0.03
    assert grid[-1] >= 0.065
    assert np.diff(grid) == pytest.approx(np.full(grid.size - 1, 0.01))


def test_what_other_sessions_say():
    assert learned_bias(np.zeros(0)) == NO_BIAS
    many = learned_bias(np.full(20, 0.03))
    assert many.level == pytest.approx(0.03 * 20 / 21)
    assert many.usual < 0.0025
    assert learned_bias(np.array([0.03])).usual > many.usual


@pytest.mark.parametrize(("factor", "error"), [(1.0, -4.0), (1.0, 0.0), (1.0, 4.0), (1.04, 0.0), (0.96, 0.0)])
def test_constant_error_moves_no_clock(factor, error):
    """At the middle the rate rises by 2 a minute: 4 too high looks like 120 s early, were it not for the swings."""
    rate, reference = rising()
    at = np.arange(20.0, 1780.0)
    value = np.rint(np.interp(at - 7.0, np.arange(rate.size), rate) + np.random.default_rng(1).normal(0, 1, at.size))
    fit = fit_clock(reference, at, factor * value + error, averaging_s=1.0, search_s=600.0)
    assert fit.shift_s == pytest.approx(-7.0, abs=1.0)
    assert fit.bias == pytest.approx(math.log(factor) + error / 120.0, abs=0.006)


@pytest.mark.parametrize("averaging", [8.0, 400.0])
def test_answers_within_a_quarter_of_the_averaging_are_one(averaging):
    _, reference = rising(3600)
    at = np.arange(500.0, 3500.0)
    value = smoothed(reference, averaging_s=averaging).at(at - 0.5 * averaging)[0]
    fit = fit_clock(reference, at, value, averaging_s=averaging, search_s=900.0)
    assert fit.shift_s == pytest.approx(-0.5 * averaging, abs=1.0)
    apart = [abs(other.shift_s - fit.shift_s) for other in fit.candidates[1:]]
    assert min(apart, default=math.inf) > max(20.0, 0.25 * averaging)


def test_a_device_that_follows_no_mode_is_fitted_without_a_word():
    # five times the rate lies near none of 1, half and double; a mean of nothing would warn, and warnings are errors
    rate, reference = rising()
    fit = fit_clock(reference, np.arange(float(rate.size)), 5.0 * rate, averaging_s=8.0, search_s=60.0, start_s=0.0)
    assert fit.trust == "refused"
