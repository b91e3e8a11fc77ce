"""Carkeet 2015, Optom Vis Sci 92:e71-e80: exact interval of each limit from the non-central t distribution.

Factors recomputed. R 4.2.2: ``qt(c(.025, .975), n - 1, ncp = qnorm(.975) * sqrt(n)) / sqrt(n)``.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow
from scipy.special import ndtri

from wearbench.core.agreement import limit_factor, noncentral_t_cdf, single_limits

L1, _, S1, _ = peak_flow().T
Z = float(ndtri(0.975))
TABLE = {
    10: (1.16318, 3.80090),
    17: (1.31503, 3.14827),
    20: (1.35648, 3.01400),
    30: (1.45035, 2.75659),
    50: (1.55070, 2.53547),
    100: (1.65906, 2.34187),
    200: (1.74086, 2.21906),
}


@pytest.mark.parametrize("n", TABLE)
def test_table_of_factors(n: int) -> None:
    found = [limit_factor(n, probability=p, multiplier=Z) for p in (0.025, 0.975)]
    assert found == pytest.approx(TABLE[n], abs=5e-6)  # recomputed


def test_factors_of_r() -> None:
    for n, low, high in ((10, 1.163180886, 3.800902359), (17, 1.315029371, 3.14827144), (50, 1.550699744, 2.535470482)):
        assert limit_factor(n, probability=0.025, multiplier=Z) == pytest.approx(low, rel=1e-8)
        assert limit_factor(n, probability=0.975, multiplier=Z) == pytest.approx(high, rel=1e-8)


@pytest.mark.parametrize(
    ("t", "df", "delta"), [(5, 1, 2.8), (1, 4, -3), (5, 16, 8), (-1, 16, 8), (21, 100, 20), (-2, 1, 0.5), (1.3, 3, 0)]
)
def test_distribution_function_of_scipy(t: float, df: float, delta: float) -> None:
    nct = pytest.importorskip("scipy.stats").nct
    assert noncentral_t_cdf(t, df=df, noncentrality=delta) == pytest.approx(nct.cdf(t, df, delta), abs=1e-12)


def test_peak_flow_exact_intervals() -> None:
    found = single_limits(L1, S1, multiplier=Z)
    assert (found.high.low, found.high.high) == pytest.approx((48.860, 119.926), abs=1e-3)  # recomputed
    assert (found.low.low, found.low.high) == pytest.approx((-124.161, -53.095), abs=1e-3)  # recomputed
    assert found.low.method == ("exact (non-central t), each limit on its own, on 17 pairs taken as independent")


def test_coverage_of_one_limit() -> None:
    # oracle: .9498 of 400,000 draws with n = 17
    generator = np.random.Generator(np.random.PCG64(17))
    mean = generator.normal(0, 1 / np.sqrt(17), 200_000)
    sd = np.sqrt(generator.chisquare(16, 200_000) / 16)
    low, high = (limit_factor(17, probability=p, multiplier=Z) for p in (0.025, 0.975))
    assert np.mean((mean + low * sd < Z) & (mean + high * sd > Z)) == pytest.approx(0.95, abs=0.0015)


def test_many_pairs_come_near_the_large_sample_form() -> None:
    n = 1_000_000
    se = np.sqrt(1 / n + Z**2 / (2 * (n - 1)))
    assert limit_factor(n, probability=0.975, multiplier=Z) == pytest.approx(Z + Z * se, abs=1e-5)
