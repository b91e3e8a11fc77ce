"""Deming 1943 and Linnet 1990, Stat Med 9:1463-1473; 1993, Clin Chem 39:424-432: lines with errors in both columns.

Milk data (Bland & Altman 1999) and peak-flow data (1986) from memory; figures recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_milk import milk
from data_peak_flow import peak_flow

from wearbench.core.agreement import deming, weighted_deming

ENZYMIC, STANDARD = milk()
L1, _, S1, _ = peak_flow().T


def test_deming_milk() -> None:
    found = deming(ENZYMIC, STANDARD)
    assert found.slope.value == pytest.approx(0.972096701, abs=5e-10)  # recomputed
    assert found.intercept.value == pytest.approx(0.078012427, abs=5e-10)  # recomputed


def test_deming_peak_flow_with_jackknife() -> None:
    found = deming(S1, L1)
    assert found.slope.value == pytest.approx(0.970881, abs=5e-7)  # recomputed
    assert found.intercept.value == pytest.approx(15.231555, abs=1e-6)  # recomputed
    assert found.slope_se == pytest.approx(0.139017, abs=5e-7)  # recomputed
    assert found.intercept_se == pytest.approx(69.479534, abs=1e-6)  # recomputed
    assert deming(L1, S1).slope.value == pytest.approx(1.029993, abs=5e-7)  # recomputed
    assert found.fixed_bias is False and found.proportional_bias is False


@pytest.mark.parametrize(("inverse", "slope"), [(1.0, 0.970883115), (0.25, 0.968742429), (4.0, 0.972987618)])
def test_weighted_deming_milk(inverse: float, slope: float) -> None:
    found = weighted_deming(ENZYMIC, STANDARD, var_ratio_y_over_x=1 / inverse)
    assert found.slope.value == pytest.approx(slope, abs=5e-10)  # recomputed
    back = weighted_deming(STANDARD, ENZYMIC, var_ratio_y_over_x=inverse)
    assert found.slope.value * back.slope.value == pytest.approx(1, abs=1e-10)


def test_weighted_deming_intercept_and_reverse() -> None:
    assert weighted_deming(ENZYMIC, STANDARD).intercept.value == pytest.approx(0.080707372, abs=5e-10)  # recomputed
    assert weighted_deming(STANDARD, ENZYMIC).slope.value == pytest.approx(1.029990104, abs=5e-10)  # recomputed


def test_jackknife_of_participants_is_that_of_refits() -> None:
    group = np.repeat(np.arange(9), 5)
    for line in (deming, weighted_deming):
        refits = np.array([line(ENZYMIC[group != g], STANDARD[group != g]).slope.value for g in range(9)])
        found = line(ENZYMIC, STANDARD, participant=group)
        assert found.slope_se == pytest.approx(np.sqrt(8 / 9 * np.sum((refits - refits.mean()) ** 2)), rel=1e-6)
        assert found.slope.n == 9
