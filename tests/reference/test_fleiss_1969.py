"""Standard errors of kappa and weighted kappa: Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323-327.

Figures recomputed; statsmodels is the second implementation.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from data_categories import ROWS

from wearbench.core.agreement.kappa import cohen_kappa


@pytest.mark.parametrize(("counts", "se"), [(r[0], r[3]) for r in ROWS])
def test_standard_error(counts: list[list[int]], se: float) -> None:
    assert cohen_kappa(counts).se == pytest.approx(se, abs=5e-7)


@pytest.mark.parametrize("counts", [r[0] for r in ROWS])
def test_standard_error_under_no_agreement(counts: list[list[int]]) -> None:
    p = np.array(counts) / np.sum(counts)
    r, c = p.sum(axis=1), p.sum(axis=0)
    pe = float(r @ c)  # {pe + pe^2 - sum r c (r + c)}/(n (1 - pe)^2)
    expected = math.sqrt((pe + pe**2 - float(np.sum(r * c * (r + c)))) / np.sum(counts)) / (1 - pe)
    assert cohen_kappa(counts).se_none == pytest.approx(expected, abs=1e-12)


def test_interval() -> None:
    found = cohen_kappa(ROWS[0][0])
    assert (found.low, found.high) == pytest.approx(
        (0.699519 - 1.959964 * 0.071394, 0.699519 + 1.959964 * 0.071394), abs=2e-6
    )
    wide = cohen_kappa([[3, 0], [1, 4]])
    assert wide.high == 1.0


@pytest.mark.parametrize(("weights", "named"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")])
@pytest.mark.parametrize("counts", [r[0] for r in ROWS] + [[[7, 2, 1, 0], [3, 9, 2, 1], [0, 4, 11, 2], [1, 0, 3, 20]]])
def test_statsmodels_gives_the_same(counts: list[list[int]], weights: str, named: str | None) -> None:
    kappa = pytest.importorskip("statsmodels.stats.inter_rater").cohens_kappa
    other = kappa(np.array(counts), wt=named)
    found = cohen_kappa(counts, weights=weights)  # type: ignore[arg-type]
    assert found.value == pytest.approx(other.kappa, abs=1e-12)
    assert found.se == pytest.approx(other.std_kappa, abs=1e-12)
    assert found.se_none == pytest.approx(other.std_kappa0, abs=1e-12)
