"""Prevalence- and bias-adjusted kappa: Byrt, Bishop & Carlin 1993, J Clin Epidemiol 46:423-429. Recomputed."""

from __future__ import annotations

import pytest
from data_categories import ROWS

from wearbench.core.agreement.kappa import category_statistics, pabak


@pytest.mark.parametrize(("counts", "expected"), [(r[0], r[4]) for r in ROWS])
def test_pabak(counts: list[list[int]], expected: float) -> None:
    assert pabak(counts) == pytest.approx(expected, abs=1e-12)
    assert category_statistics(counts)["pabak"] == pytest.approx(expected, abs=1e-12)  # type: ignore[arg-type]
