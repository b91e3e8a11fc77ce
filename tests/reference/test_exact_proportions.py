"""Exact and score intervals of a share.

Clopper & Pearson 1934, Biometrika 26:404-413; Hanley & Lippman-Hand 1983, JAMA 249:1743-1745; Wilson 1927, J Am Stat
Assoc 22:209-212. Figures recomputed; statsmodels is the second implementation.
"""

from __future__ import annotations

import pytest

from wearbench.core.resample import exact_proportion, wilson

TABLE = [
    (0, 10, (0, 0.308497), (0, 0.277533)),
    (1, 10, (0.002529, 0.445016), (0.017876, 0.404150)),
    (5, 10, (0.187086, 0.812914), (0.236593, 0.763407)),
    (9, 10, (0.554984, 0.997471), (0.595850, 0.982124)),
    (8, 20, (0.191190, 0.639457), (0.218807, 0.613419)),
    (0, 30, (0, 0.115703), (0, 0.113513)),
    (95, 100, (0.887165, 0.983568), (0.888250, 0.978456)),
]


@pytest.mark.parametrize(("x", "n", "exact", "score"), TABLE)
def test_table_of_intervals(x: int, n: int, exact: tuple[float, float], score: tuple[float, float]) -> None:
    assert exact_proportion(x, n) == pytest.approx(exact, abs=1e-6)
    assert wilson(x, n) == pytest.approx(score, abs=1e-6)


@pytest.mark.parametrize(("n", "upper"), [(10, 0.258866), (20, 0.139108), (30, 0.095034), (100, 0.029513)])
def test_none_affected_one_sided_upper_bound(n: int, upper: float) -> None:
    # one-sided 95 % is the upper end of a two-sided 90 % interval; about 3/n
    assert exact_proportion(0, n, confidence=0.90)[1] == pytest.approx(upper, abs=5e-7)
    assert exact_proportion(0, n, confidence=0.90)[1] < 3 / n
    assert exact_proportion(n, n, confidence=0.90)[0] == pytest.approx(1 - upper, abs=5e-7)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
@pytest.mark.parametrize(("x", "n"), [(0, 7), (3, 7), (7, 7), (31, 400)])
def test_statsmodels_gives_the_same(x: int, n: int, confidence: float) -> None:
    proportion_confint = pytest.importorskip("statsmodels.stats.proportion").proportion_confint
    beta = proportion_confint(x, n, alpha=1 - confidence, method="beta")
    score = proportion_confint(x, n, alpha=1 - confidence, method="wilson")
    assert exact_proportion(x, n, confidence=confidence) == pytest.approx(beta, abs=1e-10)
    assert wilson(x, n, confidence=confidence) == pytest.approx(score, abs=1e-10)
