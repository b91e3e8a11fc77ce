"""Ludbrook 1997, Clin Exp Pharmacol Physiol 24:193-203: ordinary least products regression.

Peak-flow data from memory (Bland & Altman 1986); figures recomputed.
"""

from __future__ import annotations

import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import least_products

L1, _, S1, _ = peak_flow().T


def test_least_products_line() -> None:
    found = least_products(S1, L1)
    assert found.slope.value == pytest.approx(0.972509, abs=5e-7)  # recomputed
    assert found.intercept.value == pytest.approx(14.498245, abs=5e-7)  # recomputed, to 40 digits
    assert found.slope.low < 1 < found.slope.high
    assert found.fixed_bias is False and found.proportional_bias is False
    assert found.slope.value * least_products(L1, S1).slope.value == pytest.approx(1, rel=1e-13)


def test_falling_line_has_a_negative_slope() -> None:
    assert least_products(-S1, L1).slope.value == pytest.approx(-0.972509, abs=5e-7)  # recomputed
