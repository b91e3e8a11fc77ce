"""Correlation of categories: Matthews 1975, Biochim Biophys Acta 405:442-451. Values recomputed."""

from __future__ import annotations

import numpy as np
import pytest
from data_categories import ROWS

from wearbench.core.agreement.kappa import mcc


@pytest.mark.parametrize(("counts", "expected"), [(r[0], r[6]) for r in ROWS[:6]])
def test_mcc(counts: list[list[int]], expected: float) -> None:
    assert mcc(counts) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize("counts", [r[0] for r in ROWS[:6]])
def test_mcc_is_the_correlation_of_two_columns_of_0_and_1(counts: list[list[int]]) -> None:
    reference = np.repeat([0, 0, 1, 1], np.ravel(counts))
    tested = np.repeat([0, 1, 0, 1], np.ravel(counts))
    assert mcc(counts) == pytest.approx(np.corrcoef(reference, tested)[0, 1], abs=1e-12)


def test_mcc_of_three_categories_is_the_correlation_of_their_indicators() -> None:
    # Gorodkin 2004, Comput Biol Chem 28:367-374: covariances of the indicators summed over categories
    counts = ROWS[6][0]
    reference = np.eye(3)[np.repeat([0, 0, 0, 1, 1, 1, 2, 2, 2], np.ravel(counts))]
    tested = np.eye(3)[np.repeat([0, 1, 2] * 3, np.ravel(counts))]
    a, b = reference - reference.mean(axis=0), tested - tested.mean(axis=0)
    assert mcc(counts) == pytest.approx(np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b)), abs=1e-12)


@pytest.mark.parametrize("counts", [[[5, 0], [3, 0]], [[5, 2], [0, 0]], [[5, 0], [0, 0]]])
def test_empty_margin_is_0_by_convention(counts: list[list[int]]) -> None:
    assert mcc(counts) == 0.0
