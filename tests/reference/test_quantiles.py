"""Quantiles of Student's t as the usual tables print them; recomputed."""

from __future__ import annotations

import pytest

from wearbench.core.clusters import t_quantile

T_975 = {
    1: 12.706205,
    2: 4.302653,
    5: 2.570582,
    10: 2.228139,
    16: 2.119905,
    20: 2.085963,
    30: 2.042272,
    60: 2.000298,
    120: 1.979930,
}
T_95 = {5: 2.015048, 10: 1.812461, 16: 1.745884, 30: 1.697261}


@pytest.mark.parametrize(("df", "value"), T_975.items())
def test_t_975(df: int, value: float) -> None:
    assert t_quantile(0.975, df) == pytest.approx(value, abs=5e-7)


@pytest.mark.parametrize(("df", "value"), T_95.items())
def test_t_95(df: int, value: float) -> None:
    assert t_quantile(0.95, df) == pytest.approx(value, abs=5e-7)
