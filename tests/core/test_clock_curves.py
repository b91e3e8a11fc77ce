"""The pieces of the clock search, each against a sum done by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from worn import at, correlated

from wearbench.core.clockcurves import (
    argmin_of,
    block_middles,
    curves_with_drift,
    drift_of,
    follows_by_chance,
    forgive_late,
    information_bound,
    loss_curves,
    residual_scale,
    serial_noise,
    shift_error,
    t_over_z,
)
from wearbench.core.clocksearch import coarse_scale, search_offsets, tolerant_loss
from wearbench.core.running import running_from_windows
from wearbench.core.smoothing import smoothed


def ramp(slope=0.001, *, length=1000):
    """A reference whose log rises by ``slope`` a second."""
    edge = np.arange(0.0, length, 0.1)
    return running_from_windows(edge, edge + 0.1, 80 * np.exp(slope * (edge + 0.05)))


# the loss


def test_loss_is_nothing_for_following_and_everything_for_not():
    got = tolerant_loss(np.log(at(1.0, 0.5, 2.0, 0.71, 1.41, 5.0)), scale=0.03)
    assert got == pytest.approx([0.0, 0.25, 0.35, 1.0, 1.0, 1.0], abs=1e-6)


def test_loss_is_that_of_welsch_near_each_mode():
    r = np.linspace(-0.06, 0.06, 9)
    shape = 1 - np.exp(-(r**2) / (2 * 0.03**2))
    for mode, cost in ((1.0, 0.0), (0.5, 0.25), (2.0, 0.35)):
        assert tolerant_loss(r + math.log(mode), scale=0.03) == pytest.approx(cost + (1 - cost) * shape, abs=1e-6)


def test_reading_half_is_never_a_gain():
    r = np.linspace(-2.5, 2.5, 1001)
    loss = tolerant_loss(r, scale=0.05)
    assert loss.min() == pytest.approx(0.0)
    assert (loss[np.abs(r) > 0.4] >= 0.25 - 1e-9).all()
    assert np.isnan(tolerant_loss(at(np.nan), scale=0.05)).all()


def test_coarse_spread_follows_the_reference_within_bounds():
    rng = np.random.default_rng(0)
    assert coarse_scale(np.full(100, 4.2)) == 0.008
    assert coarse_scale(rng.normal(4.5, 0.3, 1000)) == 0.05
    assert coarse_scale(rng.normal(4.5, 0.05, 20_000)) == pytest.approx(0.025, rel=0.05)
    assert coarse_scale(np.full(5, np.nan)) == 0.05


def test_curves_are_losses_by_block():
    time, log_value = np.arange(100.0, 200.0), math.log(80) + 0.001 * np.arange(100.0, 200.0)
    log_value[70:] -= math.log(2)
    block = np.arange(100) // 50
    got = loss_curves(
        smoothed(ramp(), averaging_s=5.0), time, log_value, at(-40, 0, 5000), scale=0.02, block=block, n_blocks=3
    )
    late = 1 - math.exp(-(0.04**2) / (2 * 0.02**2))
    assert got[0] == pytest.approx([50 * late, 0.0, 50 * 0.6], abs=2e-2)
    assert got[1] == pytest.approx([20 * late + 30 * (0.25 + 0.75 * late), 30 * 0.25, 50 * 0.6], abs=2e-2)
    assert got[2].tolist() == [0, 0, 0]


def test_curves_with_a_constant_error_are_those_of_readings_without():
    time, log_value = np.arange(100.0, 200.0), math.log(80) + 0.001 * np.arange(100.0, 200.0)
    block = np.arange(100) // 50
    table, shifts = smoothed(ramp(), averaging_s=5.0), at(-12, 0, 9)
    plain = loss_curves(table, time, log_value, shifts, scale=0.02, block=block, n_blocks=2)
    got = loss_curves(table, time, log_value + 0.03, shifts, scale=0.02, block=block, n_blocks=2, bias=at(-0.01, 0.03))
    assert got.shape == (2, 2, 3)
    assert got[1] == pytest.approx(plain, abs=0.08)
    assert got[0][:, 1] == pytest.approx(2 * [50 * (1 - math.exp(-2.0))], abs=0.3)


# lateness


def test_late_block_is_forgiven_at_a_cost_and_no_earlier_one():
    shifts = np.arange(-40.0, 11.0)
    on_time, late, early = (np.minimum(np.abs(shifts - s), 30.0) for s in (0.0, -20.0, 8.0))
    got = forgive_late(np.stack([on_time, late, early]), step_s=1.0, cost=3.0)
    kept = shifts[30:]
    assert got.shape == (3, kept.size)
    assert kept[np.argmin(got[0])] == 0.0
    # 20 s late: costs 3 at every shift from 4 to 30 s above it, so at 0 too
    assert got[1][kept == 0.0] == pytest.approx(3.0)
    # early by 8 s: nothing but the whole distance
    assert got[2][kept == 0.0] == pytest.approx(8.0)


def test_one_late_block_never_drags_the_others():
    """Whatever a late block says, the shift of the blocks that are on time stays within the least lateness."""
    shifts = np.arange(-60.0, 17.0)
    kept = shifts[30:]
    sharp = 20 * (1 - np.exp(-np.square(shifts) / 18))
    for lateness in range(5, 31):
        late = 20 * (1 - np.exp(-np.square(shifts + lateness) / 18))
        curves = np.stack([sharp] * 4 + [late] * 3)
        plain = kept[np.argmin(curves[:, 30:].sum(axis=0))]
        got = kept[np.argmin(forgive_late(curves, step_s=1.0, cost=4.0).sum(axis=0))]
        assert abs(got) <= min(abs(plain), 1.0)


def test_lateness_never_adds_loss():
    curves = np.random.default_rng(1).random((5, 80))
    got = forgive_late(curves, step_s=1.0, cost=0.2)
    assert (got <= curves[:, 30:] + 1e-15).all()


# the minimum, the noise, the bound


def test_minimum_of_a_parabola_is_exact():
    shifts = np.arange(-10.0, 10.5, 0.5)
    curves = np.stack([np.square(shifts - s) for s in (-3.3, 0.0, 7.21)])
    assert argmin_of(curves, shifts) == pytest.approx([-3.3, 0.0, 7.21])
    assert argmin_of(np.square(shifts - 50), shifts) == pytest.approx(shifts[-2] + 0.25)
    assert argmin_of(np.zeros(shifts.size), shifts) == pytest.approx(shifts[1])


def test_noise_is_measured_about_the_nearest_mode():
    rng = np.random.default_rng(2)
    r = correlated(rng, 20_000, sd=0.03, phi=0.7) + math.log(0.5) * (np.arange(20_000) % 4000 > 2500)
    scale, phi = residual_scale(r)
    assert scale == pytest.approx(0.03, rel=0.05)
    assert phi == pytest.approx(0.7, abs=0.03)


def test_noise_of_a_few_late_readings_hangs_together_no_more():
    """A tenth of the readings are 15 spreads off in runs; white noise stays white, within a tenth or two."""
    r = np.random.default_rng(4).normal(0, 0.008, 6000)
    late = r - 0.12 * (np.arange(6000) % 300 < 30)
    assert residual_scale(late)[1] < 0.6
    assert residual_scale(late + 0.02)[1] == pytest.approx(residual_scale(late)[1], abs=1e-6)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_serial_noise_of_an_autoregression(phi):
    """(1 + phi) / (1 - phi) of a first-order autoregression is its integrated autocorrelation."""
    scale, got = serial_noise(correlated(np.random.default_rng(5), 40_000, sd=0.02, phi=phi), least=0.002)
    assert scale == pytest.approx(0.02, rel=0.05)
    assert (1 + got) / (1 - got) == pytest.approx((1 + phi) / (1 - phi), rel=0.25)


def test_serial_noise_sees_slow_errors_below_white_ones():
    """Half the variance white, half slow (0.98): the sum of the correlations is 1 + 2 * 0.5 * 0.98 / 0.02 = 50."""
    rng = np.random.default_rng(6)
    both = correlated(rng, 60_000, sd=0.01, phi=0.98) + rng.normal(0, 0.01, 60_000)
    _, got = serial_noise(both, least=0.002)
    assert (1 + got) / (1 - got) == pytest.approx(50.0, rel=0.3)
    _, lag_one = residual_scale(both)
    assert (1 + lag_one) / (1 - lag_one) < 5.0


def test_noise_of_hardly_anything_is_taken_as_large():
    assert residual_scale(np.zeros(5)) == (0.05, 0.9)
    assert residual_scale(np.full(100, 0.35)) == (0.05, 0.9)
    assert residual_scale(np.zeros(100))[0] == 0.012


@pytest.mark.parametrize("n_blocks", [2, 3, 5, 10, 30, 200])
def test_few_blocks_widen_as_student_does(n_blocks):
    scipy_stats = pytest.importorskip("scipy.stats")
    exact = scipy_stats.t.ppf(0.975, n_blocks - 1) / scipy_stats.norm.ppf(0.975)
    assert t_over_z(n_blocks) == pytest.approx(min(exact, 3.0), rel=0.2 if n_blocks == 3 else 0.025)


def test_smallest_standard_error_by_hand():
    """n readings on a ramp of slope s with noise sd: sd / (s sqrt(n)), times sqrt((1 + phi) / (1 - phi))."""
    time = np.arange(100.0, 500.0)
    table = smoothed(ramp(0.002), averaging_s=5.0)
    log_value = table.log_at(time)
    got = information_bound(table, time, log_value, 0.0, scale=0.02, phi=0.0)
    assert got == pytest.approx(0.02 / (0.002 * math.sqrt(400)), rel=1e-3)
    more = information_bound(table, time, log_value, 0.0, scale=0.02, phi=0.6)
    assert more == pytest.approx(got * 2.0, rel=1e-3)
    half = np.where(np.arange(400) % 2 == 0, log_value, log_value - 0.5)
    astray = information_bound(table, time, half, 0.0, scale=0.02, phi=0.0)
    assert astray == pytest.approx(got * math.sqrt(2), rel=1e-3)


def test_nothing_is_known_where_nothing_moves():
    time = np.arange(100.0, 500.0)
    table = smoothed(running_from_windows(at(0.0), at(1000.0), at(80.0)), averaging_s=5.0)
    assert information_bound(table, time, np.full(400, math.log(80)), 0.0, scale=0.02, phi=0.0) > 1e6


# drift


def test_block_middles_are_mean_stamps():
    got = block_middles(np.array([0, 0, 2]), at(1, 3, 10))
    assert got == pytest.approx([2.0, np.nan, 10.0], nan_ok=True)


def test_drift_moves_each_curve_by_its_due():
    shifts = np.arange(-10.0, 11.0)
    curves = np.stack([np.abs(shifts - 2), np.abs(shifts), np.abs(shifts)])
    got = curves_with_drift(curves, shifts, at(-1e6, np.nan, 0.0), at=0.0, drift_ppm=-2.0)
    assert shifts[np.argmin(got[0])] == 0.0
    assert np.array_equal(got[1:], curves[1:])


@pytest.mark.parametrize("true_ppm", [-150.0, -60.0, 0.0, 100.0])
def test_drift_of_sharp_curves_is_read_off(true_ppm):
    shifts, n = np.arange(-10.0, 10.25, 0.25), 60
    time = np.arange(0.0, 28_800.0, 4.0)
    block = (time // 480).astype(np.int64)
    middle = block_middles(block, time)
    off = 1e-6 * true_ppm * (middle - 14_400)
    curves = np.stack([10 * np.minimum(np.square(shifts - o), 4.0) for o in off])
    drift, low, high = drift_of(
        curves, shifts, block, time, at=14_400.0, scale=0.02, max_ppm=200.0, prior_ppm=20.0, phi=0.3
    )
    assert n == middle.size
    assert low - 5 <= true_ppm <= high + 5
    assert drift == pytest.approx(true_ppm, abs=6.0)


# chance


def test_flat_reference_explains_nothing():
    rng = np.random.default_rng(3)
    assert follows_by_chance(rng.normal(4.2, 0.005, 1000), rng.normal(4.2, 0.02, 1000))
    assert follows_by_chance(np.full(1000, 4.2), rng.normal(4.2, 0.02, 1000))
    assert follows_by_chance(np.full(1000, np.nan), rng.normal(4.2, 0.02, 1000))


def test_moving_reference_explains_also_at_half_rate():
    rng = np.random.default_rng(4)
    reference = 4.6 + 0.2 * np.sin(np.arange(600) / 60)
    value = reference + rng.normal(0, 0.03, 600)
    assert not follows_by_chance(reference, value)
    assert not follows_by_chance(reference, value - math.log(2) * (np.arange(600) > 100))


# the coarse search


def test_every_offset_at_which_they_overlap_is_looked_at():
    rng = np.random.default_rng(5)
    edge = np.arange(0.0, 2000.0)
    rate = np.exp(4.6 + np.convolve(np.cumsum(rng.normal(0, 0.02, 2000)), np.ones(20) / 20, "same") % 0.7)
    reference = running_from_windows(edge, edge + 1, rate)
    inner = np.arange(500.0, 1500.0)
    log_value = np.log(rate[500:1500])
    for offset in (-40_000.0, -3_600.0, 0.0, 17.0, 50_000.0):
        got = search_offsets(reference, inner + 0.5 + offset, log_value, averaging_s=1.0, search_s=52_000.0, near_s=0.0)
        assert 1 <= len(got) <= 8
        assert got[0].shift_s == pytest.approx(-offset, abs=2.0)
        apart = np.diff(np.sort([c.shift_s for c in got]))
        assert (apart >= 20.0).all()
    assert search_offsets(reference, inner + 50_000, log_value, averaging_s=1.0, search_s=100.0, near_s=0.0) == []


@pytest.mark.parametrize(("period_s", "keep"), [(600.0, 0.0), (600.0, 0.9), (40.0, 0.9)])
def test_error_of_a_shift_is_what_many_draws_show(period_s, keep):
    """Least squares for a shift, 300 draws of errors in a row; slow errors weigh where the slopes are slow too."""
    at_s = np.arange(1801.0)
    rate = 120.0 + 20.0 * np.sin(2 * math.pi * at_s / period_s)
    reference = smoothed(running_from_windows(at_s[:-1], at_s[1:], rate[:-1]), averaging_s=2.0)
    time_s = np.arange(60.0, 1740.0)
    here = reference.log_at(time_s)
    slope = 0.5 * (reference.log_at(time_s + 1.0) - reference.log_at(time_s - 1.0))
    slope -= slope.mean()
    rng = np.random.default_rng(4)
    shifts, said = [], []
    for _ in range(300):
        error = rng.normal(size=time_s.size)
        for i in range(1, error.size):
            error[i] = keep * error[i - 1] + math.sqrt(1.0 - keep**2) * error[i]
        error *= 0.01
        shifts.append(float(np.dot(slope, error) / np.dot(slope, slope)))
        said.append(shift_error(reference, time_s, here + error, 0.0))
    spread = float(np.std(shifts))
    white = 0.01 / math.sqrt(float(np.dot(slope, slope)))
    assert float(np.median(said)) == pytest.approx(max(spread, white), rel=0.15)


def test_error_of_a_shift_is_endless_where_nothing_moves():
    at_s = np.arange(601.0)
    reference = smoothed(running_from_windows(at_s[:-1], at_s[1:], np.full(600, 90.0)), averaging_s=2.0)
    assert shift_error(reference, np.arange(60.0, 540.0), np.full(480, math.log(90.0)), 0.0) == math.inf
