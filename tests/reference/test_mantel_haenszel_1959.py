"""Mantel & Haenszel 1959, J Natl Cancer Inst 22:719-748: the odds ratio common to several tables."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.multitest import multipletests

from wearbench.core.chance import holm
from wearbench.core.odds import mantel_haenszel

# Breslow & Day 1980, Statistical Methods in Cancer Research I (IARC 32), section 4.4: oesophageal cancer in
# Ille-et-Vilaine, 80 g of alcohol a day or more against less, six age groups; odds ratio 5.158 (from memory).
# Each row: exposed cases, exposed controls, other cases, other controls.
ILLE_ET_VILAINE = np.array(
    [
        [1, 9, 0, 106],
        [4, 26, 5, 164],
        [25, 29, 21, 138],
        [42, 27, 34, 139],
        [19, 18, 36, 88],
        [5, 0, 8, 31],
    ]
)


def test_breslow_day_1980_oesophageal_cancer() -> None:
    assert mantel_haenszel(ILLE_ET_VILAINE) == pytest.approx(5.158, abs=5e-4)


def test_one_table_is_the_cross_product() -> None:
    assert mantel_haenszel([[10, 20, 5, 40]]) == pytest.approx(10 * 40 / (20 * 5))


def test_same_as_stratified_table_of_statsmodels() -> None:
    tables = [row.reshape(2, 2) for row in ILLE_ET_VILAINE.astype(float)]
    assert mantel_haenszel(ILLE_ET_VILAINE) == pytest.approx(StratifiedTable(tables).oddsratio_pooled, rel=1e-12)
    rng = np.random.default_rng(3)
    for _ in range(20):
        cells = rng.integers(0, 30, size=(rng.integers(2, 9), 4)) + 1.0
        theirs = StratifiedTable([row.reshape(2, 2) for row in cells]).oddsratio_pooled
        assert mantel_haenszel(cells) == pytest.approx(theirs, rel=1e-12)


def test_holm_same_as_statsmodels() -> None:
    p = np.array([0.01, 0.04, 0.03, 0.005, 0.5, 0.03])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    # By hand: sorted 0.01, 0.02, 0.03 times 3, 2, 1, never falling.
    assert holm([0.03, 0.01, 0.02]) == pytest.approx([0.04, 0.03, 0.04])
    assert holm([]).size == 0
