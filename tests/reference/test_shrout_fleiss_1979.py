"""Shrout & Fleiss 1979, Psychol Bull 86:420-428: six targets rated by four judges; intervals of McGraw & Wong 1996.

Data and printed results from memory (the data reproduce the prints); six digits recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.agreement import icc

RATINGS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)


def test_table_3_mean_squares() -> None:
    found = icc(RATINGS)
    squares = (found.ms_between, found.ms_within, found.ms_judges, found.ms_residual)
    assert squares == pytest.approx((11.24, 6.26, 32.49, 1.02), abs=5e-3)  # published, from memory
    assert squares == pytest.approx((11.241667, 6.263889, 32.486111, 1.019444), abs=5e-7)  # recomputed


@pytest.mark.parametrize(
    ("form", "printed", "value"),
    [
        ("1,1", 0.17, 0.165742),
        ("2,1", 0.29, 0.289764),
        ("3,1", 0.71, 0.714841),
        ("1,k", 0.44, 0.442797),
        ("2,k", 0.62, 0.620051),
        ("3,k", 0.91, 0.909316),
    ],
)
def test_table_4_coefficients(form: str, printed: float, value: float) -> None:
    found = icc(RATINGS, form=form).coefficient.value  # type: ignore[arg-type]
    assert found == pytest.approx(printed, abs=5e-3)  # published, from memory
    assert found == pytest.approx(value, abs=5e-7)  # recomputed


@pytest.mark.parametrize(
    ("form", "low", "high"),
    [
        ("1,1", -0.132932, 0.722560),
        ("2,1", 0.018787, 0.761084),
        ("3,1", 0.342465, 0.945858),
        ("3,k", 0.675675, 0.985892),
    ],
)
def test_mcgraw_wong_1996_table_7_intervals(form: str, low: float, high: float) -> None:
    found = icc(RATINGS, form=form).coefficient  # type: ignore[arg-type]
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-7)  # recomputed
