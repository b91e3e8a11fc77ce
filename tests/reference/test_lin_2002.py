"""Lin 2000, Stat Med 19:255-270 and Lin, Hedayat, Sinha & Yang 2002, JASA 97:257-270: deviation index and coverage.

Peak-flow data from memory (Bland & Altman 1986); figures recomputed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from data_cardiac import cardiac
from data_peak_flow import peak_flow
from scipy.stats import ncx2

from wearbench.core.agreement import coverage_probability, one_way_components, total_deviation_index

L1, _, S1, _ = peak_flow().T


@pytest.mark.parametrize(
    ("share", "exact", "approximation"),
    [(0.80, 49.7536, 48.2726), (0.90, 63.8580, 61.9572), (0.95, 76.0915, 73.8265)],
)
def test_index_exact_and_by_approximation(share: float, exact: float, approximation: float) -> None:
    found = total_deviation_index(L1, S1, share=share)
    assert found.exact.value == pytest.approx(exact, abs=5e-5)  # recomputed
    assert found.approximation == pytest.approx(approximation, abs=5e-5)  # recomputed
    noncentral = found.sd * math.sqrt(ncx2.ppf(share, 1, (found.bias / found.sd) ** 2))
    assert found.exact.value == pytest.approx(noncentral, rel=1e-9)  # scipy's noncentral chi-square


def test_upper_bound_of_the_approximation() -> None:
    assert total_deviation_index(L1, S1, share=0.95).upper == pytest.approx(99.686, abs=5e-4)  # recomputed


@pytest.mark.parametrize(("within", "share", "raw"), [(30, 0.560322, 11), (50, 0.802218, 14), (75, 0.946622, 16)])
def test_coverage_probability_beside_the_raw_share(within: float, share: float, raw: int) -> None:
    found = coverage_probability(L1, S1, within=within)
    assert found.normal.value == pytest.approx(share, abs=5e-7)  # recomputed
    assert found.raw == pytest.approx(raw / 17, rel=1e-14)  # recomputed
    assert found.normal.low < share < found.normal.high


def test_delta_interval_on_the_logit_scale() -> None:
    # recomputed here by numerical derivatives of the logit in mean and variance
    n, k = 17, 50.0
    d = L1 - S1
    mean, sd = d.mean(), d.std(ddof=1)

    def logit(mean: float, sd: float) -> float:
        p = 0.5 * (math.erf((k - mean) / sd / math.sqrt(2)) - math.erf((-k - mean) / sd / math.sqrt(2)))
        return math.log(p / (1 - p))

    by_mean = (logit(mean + 1e-4, sd) - logit(mean - 1e-4, sd)) / 2e-4
    by_sd = (logit(mean, sd + 1e-4) - logit(mean, sd - 1e-4)) / 2e-4
    se = math.sqrt(by_mean**2 * sd**2 / n + by_sd**2 * sd**2 / (2 * (n - 1)))
    found = coverage_probability(L1, S1, within=k).normal
    ends = [1 / (1 + math.exp(-(logit(mean, sd) + sign * 1.9599639845 * se))) for sign in (-1, 1)]
    assert (found.low, found.high) == pytest.approx(ends, rel=1e-6)


def test_participants_enter_by_variance_components() -> None:
    rv, ic, subject = cardiac()
    parts = one_way_components(rv - ic, subject)
    index = total_deviation_index(rv, ic, participant=subject)
    assert index.sd == pytest.approx(parts.sd, rel=1e-12)
    assert index.exact.value == pytest.approx(
        parts.sd * math.sqrt(ncx2.ppf(0.9, 1, (parts.mean / parts.sd) ** 2)), rel=1e-9
    )
    assert index.exact.low < index.exact.value < index.upper < index.exact.high
    naive = total_deviation_index(rv, ic).exact
    assert index.exact.high - index.exact.low > 1.5 * (naive.high - naive.low)
    assert index.raw == np.sort(np.abs(rv - ic))[53]
