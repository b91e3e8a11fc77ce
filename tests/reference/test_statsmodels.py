"""Second implementation: statsmodels, analysis of variance and intervals of cluster means on the cardiac data."""

from __future__ import annotations

import numpy as np
import pytest
from data_cardiac import cardiac

from wearbench.core.agreement import grouped_sums, one_way_components, summarise

RV, IC, SUBJECT = cardiac()


def test_one_way_sums_of_squares_from_least_squares() -> None:
    api = pytest.importorskip("statsmodels.api")
    design = (SUBJECT[:, None] == np.arange(12)).astype(float)
    fit = api.OLS(RV - IC, design).fit()
    parts = one_way_components(RV - IC, SUBJECT)
    assert parts.ss_within == pytest.approx(fit.ssr, rel=1e-11)
    assert parts.ss_between == pytest.approx(fit.ess, rel=1e-11)
    assert parts.f == pytest.approx(fit.fvalue, rel=1e-11)


def test_bias_of_equal_clusters_is_the_t_interval_of_their_means() -> None:
    weights = pytest.importorskip("statsmodels.stats.weightstats")
    generator = np.random.Generator(np.random.PCG64(5))
    difference = generator.normal(2, 3, (9, 1)) + generator.normal(0, 1, (9, 40))
    sums = grouped_sums(100 + difference.ravel(), np.full(360, 100.0), group=np.repeat(np.arange(9), 40))
    bias = summarise(sums, session=np.arange(9), participant=np.zeros(9, dtype=int))["bias"]
    low, high = weights.DescrStatsW(difference.mean(axis=1)).tconfint_mean()
    assert (bias.low, bias.high) == pytest.approx((low, high), rel=1e-10)
    assert bias.method == "t(8) on 9 sessions of one person, one unit"
