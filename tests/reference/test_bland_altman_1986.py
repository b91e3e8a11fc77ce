"""Bland & Altman 1986, Lancet 327(8476):307-310: peak flow, large against small meter, first readings.

Data and printed figures from memory; six-digit figures recomputed from these data.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import (
    limit_se,
    limits_of_agreement,
    mae,
    repeatability,
    replicate_limits,
    rmse,
    single_limits,
    size_for_precision,
)
from wearbench.core.clusters import t_quantile

L1, L2, S1, S2 = peak_flow().T


def test_mean_and_sd_of_differences() -> None:
    found = limits_of_agreement(L1, S1)
    assert found.n_pairs == found.n_participants == 17
    assert found.bias.value == pytest.approx(-2.117647, abs=5e-7)  # recomputed; printed -2.1
    assert found.sd.value == pytest.approx(38.765130, abs=5e-7)  # recomputed; printed 38.8


def test_limits_with_multiplier_2() -> None:
    found = limits_of_agreement(L1, S1, multiplier=2)
    assert (found.low.value, found.high.value) == pytest.approx((-79.6479, 75.4126), abs=5e-5)  # recomputed
    # printed -79.7 and 75.5: the paper multiplies the rounded SD
    rounded = round(found.sd.value, 1)
    assert round(found.bias.value, 1) - 2 * rounded == pytest.approx(-79.7)
    assert round(found.bias.value, 1) + 2 * rounded == pytest.approx(75.5)


def test_limits_with_multiplier_1_96() -> None:
    found = limits_of_agreement(L1, S1)
    assert (found.low.value, found.high.value) == pytest.approx((-78.0973, 73.8620), abs=5e-5)  # recomputed


def test_interval_of_the_mean_is_t_with_16_degrees_of_freedom() -> None:
    found = limits_of_agreement(L1, S1)
    assert t_quantile(0.975, 16) == pytest.approx(2.119905, abs=5e-7)  # recomputed; printed 2.12
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0488, 17.8135), abs=5e-5)  # printed -22.0, 17.8
    assert found.bias.method == "t(16) on 17 pairs taken as independent"


def test_interval_of_a_limit_contains_the_printed_one() -> None:
    # printed from memory, root(3 s^2/n): -114.3 to -45.1 and 40.9 to 110.1; too short outside by Carkeet & Goh 2018
    found = limits_of_agreement(L1, S1, multiplier=2)
    assert found.low.low < -114.3
    assert found.high.high > 110.1
    assert found.low.high == pytest.approx(-45.1, abs=8)
    assert found.high.low == pytest.approx(40.9, abs=8)


def test_means_of_replicates() -> None:
    found = limits_of_agreement((L1 + L2) / 2, (S1 + S2) / 2)
    assert found.bias.value == pytest.approx(-6.029412, abs=5e-7)  # recomputed; printed -6.0
    assert found.sd.value == pytest.approx(33.204137, abs=5e-7)  # recomputed; printed 33.2


def test_repeatability_of_each_meter() -> None:
    # root mean square difference of repeats: recomputed; printed 21.6 and 28.2
    assert rmse(L1, L2) == pytest.approx(21.6469, abs=5e-5)
    assert rmse(S1, S2) == pytest.approx(28.1582, abs=5e-5)


def test_error_sizes_by_hand() -> None:
    assert mae(L1, S1) == pytest.approx(float(np.mean(np.abs(L1 - S1))), rel=1e-14)


def test_standard_error_of_a_limit_root_3_s_squared_over_n() -> None:
    sd = single_limits(L1, S1).sd.value
    assert limit_se(sd, 17, form="1986") == pytest.approx(16.284612, abs=5e-7)  # recomputed; printed 16.3 (from memory)


def test_intervals_of_the_limits_with_multiplier_2() -> None:
    found = single_limits(L1, S1, form="1986", multiplier=2)
    assert (found.low.low, found.low.high) == pytest.approx((-114.1697, -45.1261), abs=5e-5)  # recomputed
    assert (found.high.low, found.high.high) == pytest.approx((40.8908, 109.9344), abs=5e-5)  # recomputed
    assert found.low.method == "t(16), approximate standard error of 1986, on 17 pairs taken as independent"
    # published (from memory) -114.3 to -45.1 and 40.9 to 110.1: the paper rounds before it multiplies
    half = round(2.12 * 16.3, 1)
    assert [round(end, 1) for end in (-79.7 - half, -79.7 + half)] == [-114.3, -45.1]
    assert [round(end, 1) for end in (75.5 - half, 75.5 + half)] == [40.9, 110.1]


def test_repeatability_with_multiplier_2() -> None:
    who = np.concatenate([np.arange(17), np.arange(17)])
    large = repeatability(np.concatenate([L1, L2]), who, multiplier=2)
    small = repeatability(np.concatenate([S1, S2]), who, multiplier=2)
    # recomputed; published (from memory) 43.2 and 56.4, twice the rounded 21.6 and 28.2
    assert large.coefficient.value == pytest.approx(43.2938, abs=5e-5)
    assert small.coefficient.value == pytest.approx(56.3163, abs=5e-5)
    assert [2 * round(value / 2, 1) for value in (large.coefficient.value, small.coefficient.value)] == [43.2, 56.4]
    assert (large.sd_within.value, small.sd_within.value) == pytest.approx((15.3067, 19.9108), abs=5e-5)  # recomputed


def test_corrected_sd_for_means_of_two_replicates() -> None:
    who = np.concatenate([np.arange(17), np.arange(17)])
    found = replicate_limits(np.concatenate([L1, L2]), np.concatenate([S1, S2]), who, multiplier=2)
    assert found.bias.value == pytest.approx(-6.029412, abs=5e-7)  # recomputed; published (from memory) -6.0
    assert found.sd.value == pytest.approx(37.654779, abs=5e-7)  # recomputed; published (from memory) 37.7
    assert (found.low.value, found.high.value) == pytest.approx((-81.3390, 69.2801), abs=5e-5)  # recomputed
    # published (from memory) -81.4 to 69.4, from the rounded -6.0 and 37.7
    assert (round(-6.0 - 2 * 37.7, 1), round(-6.0 + 2 * 37.7, 1)) == (-81.4, 69.4)
    assert found.sd.value == pytest.approx(np.sqrt(33.204137**2 + 21.6469**2 / 4 + 28.1582**2 / 4), rel=1e-5)


def test_precision_rule_1_96_root_3_over_n() -> None:
    # recomputed half-widths in SDs; .34 at 100 and .24 at 200 published (from memory)
    for n, half in {12: 0.980, 20: 0.759, 30: 0.620, 50: 0.480, 100: 0.339, 200: 0.240}.items():
        assert 1.96 * np.sqrt(3 / n) == pytest.approx(half, abs=5e-4)
        assert size_for_precision(1.96 * np.sqrt(3 / n)) == n
        assert size_for_precision(1.96 * np.sqrt(3 / n) - 1e-6) == n + 1
