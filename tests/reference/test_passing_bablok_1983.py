"""Passing & Bablok 1983, J Clin Chem Clin Biochem 21:709-720.

Peak-flow (Bland & Altman 1986) and milk (1999) data from memory; figures recomputed. The critical values of the cusum
test are from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_milk import milk
from data_peak_flow import peak_flow

from wearbench.core.agreement import passing_bablok

L1, _, S1, _ = peak_flow().T


def test_peak_flow() -> None:
    found = passing_bablok(S1, L1)
    assert (found.n_slopes, found.shift) == (135, 13)  # recomputed
    assert found.slope.value == pytest.approx(1.064815, abs=5e-7)  # recomputed
    assert (found.slope.low, found.slope.high) == pytest.approx((0.837079, 1.396825), abs=5e-7)  # recomputed
    assert found.intercept.value == pytest.approx(-24.30556, abs=5e-6)  # recomputed
    assert (found.intercept.low, found.intercept.high) == pytest.approx((-178.0317, 82.9382), abs=5e-5)  # recomputed
    back = passing_bablok(L1, S1).slope
    assert (back.value, back.low, back.high) == pytest.approx((0.939130, 0.715909, 1.194631), abs=5e-7)  # recomputed


def test_milk() -> None:
    enzymic, standard = milk()
    found = passing_bablok(enzymic, standard)
    assert (found.n_slopes, found.shift) == (988, 15)  # recomputed
    slope, intercept = found.slope, found.intercept
    assert (slope.value, slope.low, slope.high) == pytest.approx((0.975923, 0.955836, 0.994667), abs=5e-7)  # recomputed
    assert (intercept.value, intercept.low, intercept.high) == pytest.approx(
        (0.055571, 0.018800, 0.121987), abs=5e-7
    )  # recomputed


def test_exact_line() -> None:
    x = np.arange(1.0, 7.0)
    found = passing_bablok(2 * x + 1, x)
    assert (found.slope.value, found.intercept.value) == pytest.approx((2, 1), abs=1e-14)
    assert found.slope.why == "all points lie on the line"


def test_cusum_tells_a_bent_line_from_a_straight_one() -> None:
    generator = np.random.Generator(np.random.PCG64(1983))
    x = np.linspace(50, 150, 120)
    straight = x + generator.normal(0, 3, x.size)
    assert passing_bablok(straight, x).linear is True
    assert passing_bablok(straight + ((x - 100) / 12) ** 2, x).linear is False
