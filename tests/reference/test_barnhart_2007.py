"""Barnhart, Kosinski & Haber 2007, J Biopharm Stat 17:697-719: coefficient of individual agreement.

Formula from memory; no published number with open data, so figures are recomputed reading by reading.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import individual_agreement, repeated_ccc

LARGE, SMALL = peak_flow()[:, :2], peak_flow()[:, 2:]


def test_psi_by_pairs_of_readings() -> None:
    between = np.mean([(a - b) ** 2 for x, y in zip(LARGE, SMALL, strict=True) for a, b in itertools.product(x, y)])
    large, small = (np.mean((table[:, 0] - table[:, 1]) ** 2) for table in (LARGE, SMALL))
    found = individual_agreement(LARGE, SMALL)
    assert found.both.value == pytest.approx((large + small) / 2 / between, rel=1e-12)  # recomputed
    assert found.reference.value == pytest.approx(small / between, rel=1e-12)  # recomputed
    assert found.both.low < found.both.value < found.both.high


def test_psi_agrees_with_variance_components() -> None:
    parts, found = repeated_ccc(LARGE, SMALL), individual_agreement(LARGE, SMALL)
    assert (found.within_tested + found.within_reference) / 2 == pytest.approx(2 * parts.error, rel=1e-12)
    # E(X - Y)^2 = 2 E + 2 SM + (mean difference)^2 in expectation; mean squares differ from it by SM's divisor n - 1
    d = LARGE.mean(axis=1) - SMALL.mean(axis=1)
    assert found.between == pytest.approx(np.mean(d**2) + parts.error, rel=1e-12)
