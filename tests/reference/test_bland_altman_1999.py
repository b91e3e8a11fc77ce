"""Bland & Altman 1999, Stat Methods Med Res 8:135-160: the larger examples, by summary where the data are not open.

Printed figures and the milk data from memory; six-digit figures recomputed. R 4.2.2 gave the lines marked so:
``f <- lm(D ~ A); g <- lm(abs(resid(f)) ~ A); X <- cbind(1, A); h <- hatvalues(f); b <- solve(crossprod(X));
b %*% crossprod(X * (resid(f) / (1 - h))) %*% b; quantile(D, c(.025, .5, .975), type = 6)``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from data_milk import milk

from wearbench.core.agreement import (
    Within,
    limit_se,
    limits_from_summary,
    percent_limits,
    quantile_limits,
    quantile_ranks,
    ratio_limits,
    recovered_limits,
    regression_limits,
    sample_quantile,
    single_limits,
)
from wearbench.core.clusters import t_quantile

ENZYMIC, STANDARD = milk()


def with_summary(n: int, mean: float, sd: float, seed: int = 0) -> np.ndarray:
    """Values of just this mean and SD."""
    drawn = np.random.Generator(np.random.PCG64(seed)).normal(size=n)
    return mean + sd * (drawn - drawn.mean()) / drawn.std(ddof=1)


def test_blood_pressure_single_readings_limits() -> None:
    found = limits_from_summary(-16.29, 19.61, 85, form="1999")  # published summary (from memory)
    assert (found.low.value, found.high.value) == pytest.approx((-54.7256, 22.1456), abs=5e-5)  # recomputed
    assert [round(value, 1) for value in (found.low.value, found.high.value)] == [-54.7, 22.1]  # published (memory)
    assert [round(end, 1) for end in (found.bias.low, found.bias.high)] == [-20.5, -12.1]  # published (from memory)
    assert t_quantile(0.975, 84) == pytest.approx(1.98861, abs=5e-6)  # recomputed


def test_blood_pressure_standard_error_of_a_limit_1_71() -> None:
    assert round(math.sqrt(1 + 1.96**2 / 2), 2) == 1.71  # published constant (from memory)
    se = 1.71 * 19.61 / math.sqrt(85)
    assert se == pytest.approx(3.6372, abs=5e-5)  # recomputed; published (from memory) 3.64
    # the form that stands behind the rounded constant differs from it by 0.3 %
    assert limit_se(19.61, 85) == pytest.approx(19.61 * math.sqrt(1 / 85 + 1.96**2 / 168), rel=1e-14)
    assert limit_se(19.61, 85) == pytest.approx(se, rel=5e-3)
    assert limit_se(19.61, 10**6) == pytest.approx(1.7090 * 19.61 / 1e3, rel=1e-4)  # recomputed constant


def test_blood_pressure_intervals_of_the_limits() -> None:
    half = 1.98861 * 1.71 * 19.61 / math.sqrt(85)
    assert (-54.7256 - half, -54.7256 + half) == pytest.approx((-61.96, -47.49), abs=5e-3)  # recomputed
    # published (from memory) -61.9 to -47.5 and 14.9 to 29.3, from rounded parts
    assert (round(-54.7 - 1.99 * 3.64, 1), round(-54.7 + 1.99 * 3.64, 1)) == (-61.9, -47.5)
    assert (round(22.1 - 1.99 * 3.64, 1), round(22.1 + 1.99 * 3.64, 1)) == (14.9, 29.3)
    found = limits_from_summary(-16.29, 19.61, 85, form="1999")
    assert (found.low.low, found.low.high) == pytest.approx((-61.96, -47.49), abs=0.03)
    older = limits_from_summary(-16.29, 19.61, 85, form="1986")
    assert (older.low.low, older.low.high) == pytest.approx((-62.05, -47.40), abs=5e-3)  # recomputed: root 3


def test_section_5_blood_pressure_replicates_true_value_constant() -> None:
    # published inputs (from memory): mean, variance of means, residual mean squares of both, three replicates of 85
    within = [Within(mean_square=square, df=170, replicates=3) for square in (37.408, 83.141)]
    found = recovered_limits(-15.62, 358.493, 85, within=within)
    assert found.sd.value == pytest.approx(20.94896, abs=5e-6)  # recomputed; published (from memory) 20.95
    # recomputed; published (from memory) -56.68 and 25.44
    assert (found.low.value, found.high.value) == pytest.approx((-56.6800, 25.4400), abs=5e-5)
    assert 1.96 * math.sqrt(2 * 37.408) == pytest.approx(16.95, abs=5e-3)  # recomputed
    assert 1.96 * math.sqrt(2 * 83.141) == pytest.approx(25.27, abs=5e-3)  # recomputed


def test_milk_regression_of_differences() -> None:
    found = regression_limits(ENZYMIC, STANDARD)
    # recomputed; published (from memory) 0.079, -0.0283, 0.08033
    assert found.intercept.value == pytest.approx(0.07904017, abs=5e-9)
    assert found.slope.value == pytest.approx(-0.02827097, abs=5e-9)
    assert found.residual_sd == pytest.approx(0.08033036, abs=5e-9)
    assert found.slope_p == pytest.approx(0.00456, abs=5e-6)  # recomputed
    t = t_quantile(0.975, 43)
    assert (found.intercept.high - found.intercept.value) / t == pytest.approx(0.029061226201, rel=1e-9)  # R
    assert (found.slope.high - found.slope.value) / t == pytest.approx(0.009444540257, rel=1e-9)  # R
    assert single_limits(ENZYMIC, STANDARD).bias.value == pytest.approx(-0.000222, abs=5e-7)  # recomputed
    assert single_limits(ENZYMIC, STANDARD).sd.value == pytest.approx(0.087295, abs=5e-7)  # recomputed


def test_milk_regression_of_absolute_residuals_is_not_needed() -> None:
    found = regression_limits(ENZYMIC, STANDARD)
    assert found.spread_intercept.value == pytest.approx(0.04672716, abs=5e-9)  # recomputed
    assert found.spread_slope.value == pytest.approx(0.00516602, abs=5e-9)  # recomputed
    assert found.spread_slope_p == pytest.approx(0.383, abs=5e-4)  # recomputed; R 0.38317309804
    assert (found.sloping, found.v_shaped) == (True, False)
    assert found.decision == (
        "the bias follows the average (slope: p 0.00456, level 0.05); "
        "the spread is taken as constant (slope: p 0.383, level 0.05)"
    )


def test_milk_sloping_limits() -> None:
    found = regression_limits(ENZYMIC, STANDARD)
    for average in (1.0, 3.0, 6.0):
        here = found.at(average)
        # published line (from memory): 0.079 - 0.0283 A -+ 1.96 * 0.08033
        assert here.low.value == pytest.approx(0.079 - 0.0283 * average - 1.96 * 0.08033, abs=5e-4)
        assert here.high.value == pytest.approx(0.079 - 0.0283 * average + 1.96 * 0.08033, abs=5e-4)
        assert here.low.low < here.low.value < here.low.high < here.bias.value


def test_milk_v_shaped_limits_2_46() -> None:
    found = regression_limits(ENZYMIC, STANDARD, spread="v_shaped")
    assert 1.96 * math.sqrt(math.pi / 2) == pytest.approx(2.456496, abs=5e-6)  # recomputed with 1.96; published 2.46
    for average in (1.0, 3.0, 6.0):
        here = found.at(average)
        half = 1.96 * math.sqrt(math.pi / 2) * (0.04672716 + 0.00516602 * average)
        assert here.high.value - here.bias.value == pytest.approx(half, abs=1e-7)
        assert here.bias.value - here.low.value == pytest.approx(half, abs=1e-7)
    # R: HC3 covariance of the line
    t = t_quantile(0.975, 43)
    assert ((found.at(3.0).bias.high - found.at(3.0).bias.value) / t) ** 2 == pytest.approx(
        0.0007832937327 - 2 * 3.0 * 0.0002608077425 + 9.0 * 0.0001055693058, rel=1e-6
    )
    assert found.decision.endswith("the spread follows the average, as asked for")


def test_reading_the_reference_from_the_device_solves_the_lines() -> None:
    found = regression_limits(ENZYMIC, STANDARD, spread="v_shaped")
    back = found.reference_from(3.0)
    for reference, side in ((back.value, 0), (back.low, 1), (back.high, -1)):
        here = found.at((3.0 + reference) / 2)
        assert 3.0 - reference == pytest.approx(here.bias.value + side * 1.96 * here.sd.value, abs=1e-12)


def test_plasma_volume_ratio_limits() -> None:
    # 99 subjects, mean log difference 0.099, limits 0.056 and 0.141, published (from memory)
    mean, sd = (0.141 + 0.056) / 2, (0.141 - 0.056) / 2 / 1.96  # rounded limits: their middle is 0.0985
    reference = np.exp(with_summary(99, 7.8, 0.2, seed=1))
    found = ratio_limits(reference * np.exp(with_summary(99, mean, sd)), reference)
    assert found.bias.value == pytest.approx(1.104, abs=1e-3)  # recomputed: exp(0.099)
    assert found.low.value == pytest.approx(1.058, abs=5e-4)  # recomputed
    assert found.high.value == pytest.approx(1.151, abs=5e-4)  # recomputed
    assert [round(end, 2) for end in (found.low.value, found.high.value)] == [1.06, 1.15]  # published (from memory)
    assert found.low.method == (
        "of the logarithm, brought back: exact (non-central t), each limit on its own, on 99 pairs taken as independent"
    )


def test_percent_limits_are_limits_of_100_d_over_a() -> None:
    found = percent_limits(ENZYMIC, STANDARD)
    percent = 100 * (ENZYMIC - STANDARD) / ((ENZYMIC + STANDARD) / 2)
    assert found.bias.value == pytest.approx(percent.mean(), rel=1e-10)
    assert found.sd.value == pytest.approx(percent.std(ddof=1), rel=1e-10)


def test_section_4_quantiles_by_rank() -> None:
    difference = ENZYMIC - STANDARD
    for level, value in ((0.025, -0.2410), (0.5, 0.0100), (0.975, 0.1855)):  # R, type 6
        assert sample_quantile(difference, level) == pytest.approx(value, abs=1e-12)
    found = quantile_limits(ENZYMIC, STANDARD)
    assert (found.low.value, found.high.value) == pytest.approx((-0.2410, 0.1855), abs=1e-12)
    assert found.low.why == "the interval of the 2.5 % point is open below: it takes 146 pairs, there are 45"
    assert found.high.why == "the interval of the 97.5 % point is open above: it takes 146 pairs, there are 45"


def test_section_4_the_2_5_percent_point_takes_39_values() -> None:
    values = np.arange(39.0)
    assert sample_quantile(values[:38], 0.025) is None  # recomputed: n >= 39
    assert sample_quantile(values, 0.025) == 0.0
    assert sample_quantile(values, 0.975) == 38.0
    found = quantile_limits(values[:38], np.zeros(38))
    assert found.low.value is None
    assert found.low.why == "the 2.5 % point cannot be estimated: it takes 39 pairs, there are 38"


def test_section_4_its_interval_is_closed_from_146_values() -> None:
    assert 0.975**146 <= 0.025 < 0.975**145  # recomputed
    assert quantile_ranks(145, 0.025)[0] is None
    assert quantile_ranks(146, 0.025)[0] == 1
    assert quantile_ranks(146, 0.975)[1] == 146
    found = quantile_limits(np.arange(146.0), np.zeros(146))
    assert (found.low.low, found.low.why, found.high.high, found.high.why) == (0.0, None, 145.0, None)


@pytest.mark.parametrize(("n", "level"), [(146, 0.025), (200, 0.975), (60, 0.5), (1000, 0.1)])
def test_section_4_ranks_cover_by_the_binomial(n: int, level: float) -> None:
    stats = pytest.importorskip("scipy.stats")
    low, high = quantile_ranks(n, level)
    assert stats.binom.cdf(high - 1, n, level) - stats.binom.cdf(low - 1, n, level) >= 0.95
    assert stats.binom.cdf(low, n, level) > 0.025
    assert stats.binom.cdf(high - 2, n, level) < 0.975
