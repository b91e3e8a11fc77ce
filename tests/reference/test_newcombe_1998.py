"""Newcombe 1998, Stat Med 17:873-890, table II: 95 % intervals of differences of shares by method 10 (from memory)."""

from __future__ import annotations

import pytest

from wearbench.core.differences import newcombe
from wearbench.errors import DataError


@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((0, 10, 0, 10), -0.2775, 0.2775),
        ((10, 10, 0, 20), 0.6791, 1.0000),
        ((10, 10, 0, 10), 0.6075, 1.0000),
    ],
)
def test_method_10(counts: tuple[int, int, int, int], low: float, high: float) -> None:
    found = newcombe(*counts)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)
    x1, n1, x0, n0 = counts
    mirrored = newcombe(x0, n0, x1, n1)
    assert (mirrored.low, mirrored.high) == pytest.approx((-high, -low), abs=5e-5)


def test_without_sessions_on_a_side_and_with_counts_that_cannot_be() -> None:
    assert newcombe(0, 0, 1, 2).why == "a side has no session"
    with pytest.raises(DataError, match=r"^expected 0 <= affected <= all and at least one, got 3 of 2$"):
        newcombe(3, 2, 0, 2)
