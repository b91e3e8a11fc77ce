"""Carkeet & Goh 2018, Stat Methods Med Res 27:1559-1574, and Shieh 2018, BMC Med Res Methodol 18:45: the pair.

Factors recomputed. Checks of the same function: Howe 1969, JASA 64:610-620, and the example of the NIST/SEMATECH
e-Handbook of Statistical Methods 7.2.6.3, published (from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from data_peak_flow import peak_flow
from scipy.special import chdtri, ndtr, ndtri

from wearbench.core.agreement import limit_factor, pair_factor, single_limits

L1, _, S1, _ = peak_flow().T
TABLE = {
    10: (1.39146, 2.12386, 3.77064),
    17: (1.48999, 2.05539, 3.08241),
    20: (1.51748, 2.04100, 2.94448),
    30: (1.58083, 2.01398, 2.68540),
    50: (1.65051, 1.99243, 2.47032),
    100: (1.72829, 1.97624, 2.28957),
}


def howe(n: int, *, content: float, confidence: float) -> float:
    """Howe's approximation of the two-sided factor."""
    z = float(ndtri(0.5 + content / 2))
    return z * math.sqrt((n - 1) * (1 + 1 / n) / float(chdtri(n - 1, confidence)))


@pytest.mark.parametrize("n", TABLE)
def test_table_of_factors(n: int) -> None:
    found = [pair_factor(n, probability=p) for p in (0.025, 0.5, 0.975)]
    assert found == pytest.approx(TABLE[n], abs=5e-6)  # recomputed


def test_howe_1969_is_near_the_exact_factor() -> None:
    assert pair_factor(10, probability=0.95) == pytest.approx(3.39343, abs=5e-6)  # recomputed
    assert howe(10, content=0.95, confidence=0.95) == pytest.approx(3.38191, abs=5e-6)  # recomputed


def test_nist_handbook_7_2_6_3() -> None:
    # n = 43, content .90, confidence .99: published (from memory) 2.217 (Howe) and 1.8740 (one-sided, exact)
    assert howe(43, content=0.90, confidence=0.99) == pytest.approx(2.21732, abs=5e-6)  # recomputed
    assert pair_factor(43, probability=0.99, content=0.90) == pytest.approx(2.217, abs=0.01)
    one_sided = limit_factor(43, probability=0.99, multiplier=float(ndtri(0.90)))
    assert one_sided == pytest.approx(1.87395, abs=5e-6)  # recomputed
    assert round(one_sided, 4) == 1.8740


def test_share_held_by_the_pair() -> None:
    # oracle: .0252 and .9752 of 400,000 draws with n = 17
    generator = np.random.Generator(np.random.PCG64(1718))
    mean = generator.normal(0, 1 / np.sqrt(17), 200_000)
    sd = np.sqrt(generator.chisquare(16, 200_000) / 16)
    for probability in (0.025, 0.975):
        k = pair_factor(17, probability=probability)
        held = ndtr(mean + k * sd) - ndtr(mean - k * sd)
        assert np.mean(held >= 0.95) == pytest.approx(probability, abs=0.0015)


def test_peak_flow_pair_is_symmetric_about_the_mean() -> None:
    found = single_limits(L1, S1, form="pair", multiplier=float(ndtri(0.975)))
    mean, sd = found.bias.value, found.sd.value
    inner, outer = 1.48999 * sd, 3.08241 * sd  # recomputed factors
    assert (found.low.low, found.low.high) == pytest.approx((mean - outer, mean - inner), abs=1e-3)
    assert (found.high.low, found.high.high) == pytest.approx((mean + inner, mean + outer), abs=1e-3)
    assert found.low.method == (
        "two-sided tolerance factors (content 0.95), both limits at once, on 17 pairs taken as independent"
    )


@pytest.mark.parametrize(("form", "n"), [("1999", 40), ("1986", 76)])
def test_older_forms_are_too_short_outside_in_small_samples(form: str, n: int) -> None:
    # published (abstract): outer limits too permissive below about 40 pairs (1999) and 76 (1986)
    from wearbench.core.agreement import limits_from_summary

    for size in (10, n // 2):
        older = limits_from_summary(0, 1, size, form=form)  # type: ignore[arg-type]
        assert older.high.high < limits_from_summary(0, 1, size, form="pair").high.high
