"""Schuirmann 1987, J Pharmacokinet Biopharm 15:657-680: two one-sided tests.

Peak-flow data from memory (Bland & Altman 1986); figures recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import equivalence

L1, _, S1, _ = peak_flow().T


def test_two_one_sided_tests() -> None:
    found = equivalence(L1, S1, margin=25)
    assert (found.t_low, found.t_high) == pytest.approx((2.433794, -2.884265), abs=5e-7)  # recomputed
    assert found.df == 16
    assert (found.p_low, found.p_high) == pytest.approx((0.013517, 0.005394), abs=1e-6)  # recomputed
    assert (found.difference.low, found.difference.high) == pytest.approx((-18.5323, 14.2970), abs=5e-5)  # recomputed
    assert found.outcome == "equivalent"
    assert equivalence(L1, S1, margin=18.5).outcome == "not shown"


def test_share_of_the_mean_reference() -> None:
    share = 25 / S1.mean()
    assert equivalence(L1, S1, margin_share=share).p == pytest.approx(equivalence(L1, S1, margin=25).p, rel=1e-12)


def test_means_of_participants_are_what_is_tested() -> None:
    many = equivalence(np.repeat(L1, 3), np.repeat(S1, 3), margin=25, participant=np.repeat(np.arange(17), 3))
    assert many.p == pytest.approx(equivalence(L1, S1, margin=25).p, rel=1e-9)


def test_statsmodels() -> None:
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    p, low, high = weightstats.ttost_paired(L1, S1, -25, 25)
    found = equivalence(L1, S1, margin=25)
    assert found.p == pytest.approx(p, rel=1e-12)
    assert (found.t_low, found.t_high) == pytest.approx((low[0], high[0]), rel=1e-12)
