"""Smoothing a reference as a device does: boxcar against windows, exponential against its own recursion."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.running import Running, running_from_windows, values_over
from wearbench.core.smoothing import smoothed


def level(rate, *, step=1.0, length=600.0):
    edge = np.arange(0.0, length, step)
    return running_from_windows(edge, edge + step, np.array([rate(t) for t in edge + 0.5 * step]))


def recursion(rate, constant, times, *, fine=0.01):
    """dy/dt = (rate - y) / constant, started at the first rate, stepped far below the constant."""
    grid = np.arange(0.0, times.max() + fine, fine)
    out = np.empty(grid.size)
    out[0] = rate(0.0)
    keep = np.exp(-fine / constant)
    for i in range(1, grid.size):
        out[i] = keep * out[i - 1] + (1 - keep) * rate(grid[i] - 0.5 * fine)
    return np.interp(times, grid, out)


@pytest.mark.parametrize("averaging", [1.0, 5.0, 30.0])
def test_boxcar_is_the_value_over_the_window(averaging):
    rng = np.random.default_rng(3)
    edge = np.arange(0.0, 300.0)
    value = np.where(rng.random(300) < 0.1, np.nan, 60 + 80 * rng.random(300))
    reference = running_from_windows(edge, edge + 1, value)
    centre = rng.uniform(-10, 310, 200)
    got, share = smoothed(reference, averaging_s=averaging).at(centre)
    expected = values_over(reference, centre - averaging / 2, centre + averaging / 2)
    assert np.array_equal(np.isnan(got), np.isnan(expected.value))
    assert got == pytest.approx(expected.value, nan_ok=True)
    assert share == pytest.approx(expected.covered)


@pytest.mark.parametrize("averaging", [4.0, 10.0, 40.0])
def test_exponential_follows_a_step_as_the_recursion_does(averaging):
    def step(t):
        return 80.0 if t < 200 else 140.0

    constant = averaging / 2
    end = np.arange(150.0, 400.0, 1.7)
    got, share = smoothed(level(step, step=0.25), averaging_s=averaging, shape="exponential").at(end - constant)
    # starts from nothing at 0, so that what is left of the start is divided out
    assert got == pytest.approx(recursion(step, constant, end), abs=0.35)
    assert (share > 0.99).all()


def test_exponential_reaches_63_percent_after_one_constant():
    def step(t):
        return 80.0 if t < 200 else 140.0

    got, _ = smoothed(level(step, step=0.25), averaging_s=20.0, shape="exponential").at(np.array([200.0]))
    # the centre lies one constant before the window's end: at 200 s the end is at 210 s
    assert got[0] == pytest.approx(80 + 60 * (1 - np.exp(-1)), abs=0.3)


@pytest.mark.parametrize("shape", ["boxcar", "exponential"])
@pytest.mark.parametrize("averaging", [2.0, 8.0, 30.0])
def test_centre_is_where_the_mean_age_lies(shape, averaging):
    """On a ramp a window of mean age A shows the rate of A ago, whatever its shape."""
    ramp = level(lambda t: 60.0 + 0.1 * t, step=0.25)
    centre = np.arange(250.0, 500.0, 7.3)
    got, _ = smoothed(ramp, averaging_s=averaging, shape=shape).at(centre)
    assert got == pytest.approx(60 + 0.1 * centre, abs=0.1 * 0.05)


def test_gap_costs_the_exponential_its_covered_share_not_its_value():
    edge = np.arange(0.0, 600.0)
    value = np.where((edge >= 300) & (edge < 320), np.nan, 90.0)
    table = smoothed(running_from_windows(edge, edge + 1, value), averaging_s=10.0, shape="exponential")
    end = np.array([299.0, 305.0, 310.0, 320.0, 330.0])
    got, share = table.at(end - 5.0)
    assert got == pytest.approx(90.0)
    expected = [1.0, np.exp(-1), np.exp(-2), np.exp(-4), 1 - np.exp(-2) + np.exp(-6)]
    assert share == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("shape", ["boxcar", "exponential"])
def test_no_value_where_the_reference_does_not_reach(shape):
    table = smoothed(level(lambda _: 90.0, length=100.0), averaging_s=8.0, shape=shape)
    got, share = table.at(np.array([-50.0, 200.0]))
    assert np.isnan(got).all()
    assert (share == 0).all()


def test_log_is_given_only_where_enough_is_covered():
    edge = np.arange(0.0, 100.0)
    reference = running_from_windows(edge, edge + 1, np.where(edge < 50, 90.0, np.nan))
    table = smoothed(reference, averaging_s=10.0)
    centre = np.array([30.0, 49.0, 51.0, 80.0])
    assert table.log_at(centre) == pytest.approx([np.log(90), np.log(90), np.nan, np.nan], nan_ok=True)
    assert table.log_at(centre, min_covered=0.3) == pytest.approx([np.log(90)] * 3 + [np.nan], nan_ok=True)


def test_rate_of_nothing_has_no_logarithm():
    table = smoothed(level(lambda _: 0.0, length=50.0), averaging_s=5.0)
    assert np.isnan(table.log_at(np.array([20.0]))).all()


def test_too_short_a_reference_is_read_plainly():
    one = np.zeros(1)
    reference = Running(knot_s=one, amount=one, covered_s=one, mended_s=one, doubtful_s=one, scale=60.0)
    table = smoothed(reference, averaging_s=8.0, shape="exponential")
    assert table.shape == "boxcar"
    assert np.isnan(table.at(np.array([0.0]))[0]).all()


def test_averaging_of_nothing_is_a_spot():
    got, share = smoothed(level(lambda t: 60.0 + t, step=1.0), averaging_s=0.0).at(np.array([10.2, 10.7]))
    assert got == pytest.approx([70.5, 70.5])
    assert share == pytest.approx(1.0)
