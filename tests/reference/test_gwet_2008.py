"""First-order agreement coefficient: Gwet 2008, Br J Math Stat Psychol 61:29-48. Values recomputed.

The standard error is checked against the paper's variance formula (from memory) and against leaving pairs out.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from data_categories import ROWS

from wearbench.core.agreement.kappa import ac1, category_statistics


@pytest.mark.parametrize(("counts", "expected"), [(r[0], r[5]) for r in ROWS])
def test_ac1(counts: list[list[int]], expected: float) -> None:
    assert ac1(counts).value == pytest.approx(expected, abs=5e-7)
    assert category_statistics(counts)["ac1"] == pytest.approx(ac1(counts).value, abs=1e-12)  # type: ignore[arg-type]


@pytest.mark.parametrize("counts", [r[0] for r in ROWS])
def test_variance(counts: list[list[int]]) -> None:
    p, n = np.array(counts) / np.sum(counts), int(np.sum(counts))
    q, middle, po = len(counts), (np.sum(p, axis=0) + np.sum(p, axis=1)) / 2, float(np.trace(p))
    pe = float(np.sum(middle * (1 - middle))) / (q - 1)
    diagonal = float(np.sum(np.diag(p) * (1 - middle))) / (q - 1) - po * pe
    pairs = float(np.sum(p * (1 - np.add.outer(middle, middle) / 2) ** 2)) / (q - 1) ** 2 - pe**2
    variance = (po * (1 - po) - 4 * (1 - _ac1(po, pe)) * diagonal + 4 * (1 - _ac1(po, pe)) ** 2 * pairs) / (
        n * (1 - pe) ** 2
    )
    assert ac1(counts).se == pytest.approx(math.sqrt(variance), rel=1e-9)


def _ac1(po: float, pe: float) -> float:
    return (po - pe) / (1 - pe)


def test_standard_error_is_that_of_leaving_pairs_out() -> None:
    counts = 20 * np.array(ROWS[6][0])
    n, value = counts.sum(), ac1(counts).value
    spread = 0.0
    for i, j in np.ndindex(*counts.shape):
        left = counts.copy()
        left[i, j] -= 1
        spread += counts[i, j] * (ac1(left).value - value) ** 2
    assert ac1(counts).se == pytest.approx(math.sqrt((n - 1) / n * spread), rel=2e-3)
