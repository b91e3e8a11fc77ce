"""Bland & Altman 1986, Lancet 327(8476):307-310: peak flow, large against small meter, first readings.

Data and printed figures from memory; six-digit figures recomputed from these data.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import limits_of_agreement, mae, rmse
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
