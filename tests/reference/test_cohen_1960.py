"""Kappa: Cohen 1960, Educ Psychol Meas 20:37-46; weighted: Cohen 1968, Psychol Bull 70:213-220."""

from __future__ import annotations

import pytest
from data_categories import ROWS

from wearbench.core.agreement.kappa import category_statistics, cohen_kappa, weights_of


@pytest.mark.parametrize(("counts", "observed", "kappa", "se", "rest"), [(r[0], *r[1:4], r[4:]) for r in ROWS])
def test_kappa(counts: list[list[int]], observed: float, kappa: float, se: float, rest: object) -> None:
    found = cohen_kappa(counts)
    assert found.observed == pytest.approx(observed, abs=1e-12)
    assert found.value == pytest.approx(kappa, abs=5e-7)  # recomputed
    assert category_statistics(counts)["kappa"] == pytest.approx(found.value, abs=1e-12)  # type: ignore[arg-type]


def test_feinstein_and_cicchetti_1990_paradox() -> None:
    # J Clin Epidemiol 43:543-549; printed .70 and .32 at the same agreement of 85 % (from memory)
    assert [round(cohen_kappa(row[0]).value, 2) for row in ROWS[:2]] == [0.70, 0.32]


def test_weights() -> None:
    assert weights_of(3, weights="linear").tolist() == [[1, 0.5, 0], [0.5, 1, 0.5], [0, 0.5, 1]]
    assert weights_of(3, weights="quadratic").tolist() == [[1, 0.75, 0], [0.75, 1, 0.75], [0, 0.75, 1]]


def test_weighted_kappa_of_three_categories() -> None:
    # recomputed by hand: po = 1 - sum v p, pe = 1 - sum v r c with disagreements v = 1 - w
    counts = ROWS[6][0]
    n, rows, columns = 200, (120, 60, 20), (100, 60, 40)
    for weights, size in (("linear", lambda d: d / 2), ("quadratic", lambda d: d * d / 4)):
        seen = sum(size(abs(i - j)) * counts[i][j] for i in range(3) for j in range(3)) / n
        chance = sum(size(abs(i - j)) * rows[i] * columns[j] for i in range(3) for j in range(3)) / n**2
        assert cohen_kappa(counts, weights=weights).value == pytest.approx(1 - seen / chance, abs=1e-12)  # type: ignore[arg-type]


def test_two_categories_need_no_weights() -> None:
    for row in ROWS[:6]:
        plain = cohen_kappa(row[0])
        for weights in ("linear", "quadratic"):
            weighted = cohen_kappa(row[0], weights=weights)  # type: ignore[arg-type]
            assert (weighted.value, weighted.se, weighted.se_none) == pytest.approx(
                (plain.value, plain.se, plain.se_none), abs=1e-12
            )
