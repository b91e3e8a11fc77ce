"""The information bound against what simple cases give on paper, and against what an estimator attains."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.signal import lfilter

from benchmarks.truth.bounds import bound_of, inflation, write_bounds

RNG = np.random.Generator(np.random.PCG64(20_310_505))


def test_white_noise_on_a_ramp_by_hand() -> None:
    """SD 1 on 0.5 bpm/s, 400 readings: about 1 / (0.5 sqrt(400)) = 0.1 s."""
    n = 400
    found = bound_of(RNG.normal(size=n), np.zeros(n), np.full(n, 0.5), np.ones(n, dtype=bool))
    assert found.slope_root == pytest.approx(10.0)
    assert found.bound_s == pytest.approx(0.1, rel=0.35)
    assert found.bound_s == pytest.approx(found.noise_sd_bpm * np.sqrt((1 + found.phi) / (1 - found.phi)) / 10.0)


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_inflation_of_an_autoregression_is_its_formula(phi: float) -> None:
    noise = lfilter([1.0], [1.0, -phi], RNG.normal(size=200_000))
    good = np.ones(noise.size, dtype=bool)
    assert inflation(noise - noise.mean(), good) == pytest.approx((1 + phi) / (1 - phi), rel=0.1)


def test_white_noise_on_top_of_a_slow_error_does_not_hide_it() -> None:
    """phi = 0.95 and as much white noise: lag one, 0.475, says 2.8; the truth is (39 + 1) / 2 = 20."""
    slow = lfilter([np.sqrt(1 - 0.95**2)], [1.0, -0.95], RNG.normal(size=200_000))
    both = slow + RNG.normal(size=slow.size)
    assert inflation(both - both.mean(), np.ones(both.size, dtype=bool)) == pytest.approx(20.0, rel=0.1)


def test_correlations_are_taken_over_neighbouring_good_readings_only() -> None:
    noise = np.tile([1.0, 50.0, -1.0, -50.0], 500)
    good = np.tile([True, False, True, False], 500)
    assert inflation(np.where(good, noise, 0.0), good) == pytest.approx(1.0)


def test_a_least_squares_shift_is_as_far_off_as_the_bound_says() -> None:
    """Autoregressive noise on a slow wave, shift by its linearised least squares, 300 times."""
    t = np.arange(1200.0)
    wave, slope = 20 * np.sin(2 * np.pi * t / 400), 20 * 2 * np.pi / 400 * np.cos(2 * np.pi * t / 400)
    noise = lfilter([1.0], [1.0, -0.8], RNG.normal(0, 0.6, size=(300, 1400)))[:, 200:]
    shifts = (noise - noise.mean(axis=1, keepdims=True)) @ slope / (slope**2).sum()
    bounds = [bound_of(wave + one, wave, slope, np.ones(t.size, dtype=bool)).bound_s for one in noise]
    assert np.median(bounds) == pytest.approx(shifts.std(), rel=0.2)


def test_too_few_readings_or_none_free_of_each_other_know_nothing() -> None:
    n = 29
    assert bound_of(RNG.normal(size=n), np.zeros(n), np.ones(n), np.ones(n, dtype=bool)).bound_s == np.inf
    slow = np.linspace(-1, 1, 60)
    assert bound_of(slow, np.zeros(60), np.ones(60), np.ones(60, dtype=bool)).bound_s == np.inf


def test_a_rate_that_does_not_move_knows_nothing() -> None:
    n = 100
    assert bound_of(RNG.normal(size=n), np.zeros(n), np.zeros(n), np.ones(n, dtype=bool)).bound_s == np.inf


def test_bounds_are_written_beside_the_truth(tmp_path: Path) -> None:
    (tmp_path / "truth").mkdir()
    n = 100
    bound = bound_of(RNG.normal(size=n), np.zeros(n), np.ones(n), np.ones(n, dtype=bool))
    write_bounds(tmp_path, {("s01", "band"): bound})
    table = pl.read_csv(tmp_path / "truth" / "bounds.csv")
    assert table.columns == ["session", "device", "bound_s", "noise_sd_bpm", "phi", "slope_root", "n"]
    assert table["bound_s"].item() == bound.bound_s
