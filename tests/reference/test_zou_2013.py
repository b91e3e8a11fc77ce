"""Zou 2013, Stat Methods Med Res 22:630-642: intervals of limits from recovered variance estimates, cardiac data.

Data from memory; figures recomputed (the paper's own table was not seen); the coverage is that of 20,000 simulated
studies.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_cardiac import cardiac
from scipy.special import ndtri

from wearbench.core.agreement import Within, recovered_limits, repeated_limits, replicate_limits

RV, IC, SUBJECT = cardiac()
Z = float(ndtri(0.975))


def test_true_value_varies() -> None:
    found = repeated_limits(RV, IC, SUBJECT, multiplier=Z)
    assert found.sd.value**2 == pytest.approx(1.047603, abs=5e-7)
    assert found.sd.value == pytest.approx(1.023525, abs=5e-7)
    assert (found.sd.low**2, found.sd.high**2) == pytest.approx((0.591069, 2.767673), abs=1e-6)
    assert (found.low.value, found.high.value) == pytest.approx((-1.2968, 2.7153), abs=5e-5)
    assert (found.low.low, found.low.high) == pytest.approx((-2.6629, -0.5610), abs=5e-5)
    assert (found.high.low, found.high.high) == pytest.approx((1.9795, 4.0814), abs=5e-5)


def test_true_value_constant() -> None:
    found = replicate_limits(RV, IC, SUBJECT, multiplier=Z)
    assert (found.sd.value**2, found.sd.value) == pytest.approx((1.106390, 1.051851), abs=5e-7)
    assert (found.sd.low**2, found.sd.high**2) == pytest.approx((0.649769, 2.826538), abs=1e-6)
    assert (found.low.value, found.high.value) == pytest.approx((-1.3524, 2.7708), abs=5e-5)
    assert (found.low.low, found.low.high) == pytest.approx((-2.6991, -0.6283), abs=5e-5)
    assert (found.high.low, found.high.high) == pytest.approx((2.0468, 4.1176), abs=5e-5)


def test_bias_of_participants_means_by_t() -> None:
    found = repeated_limits(RV, IC, SUBJECT)
    assert (found.bias.low, found.bias.high) == pytest.approx((0.1022, 1.3162), abs=5e-5)
    assert found.bias.method == "t(11) of participants' means on 12 participants"


def test_outer_arms_are_longer_and_t_is_wider_than_z() -> None:
    z, t = repeated_limits(RV, IC, SUBJECT), repeated_limits(RV, IC, SUBJECT, quantile="t")
    assert z.low.value - z.low.low > z.low.high - z.low.value
    assert z.high.high - z.high.value > z.high.value - z.high.low
    assert t.low.low < z.low.low
    assert t.low.high > z.low.high
    assert z.low.method == "recovered variance estimates (z for the mean) on 12 participants"
    assert t.low.method == "recovered variance estimates (t(11) for the mean) on 12 participants"


def test_coverage_of_the_upper_limit() -> None:
    # oracle: covers .955 with 12 participants of 5 pairs, between 0.8, within 0.2, misses .016 below and .029 above
    generator = np.random.Generator(np.random.PCG64(630))
    truth, studies, below, above = 0.6 + Z, 8000, 0, 0
    means = 0.6 + generator.normal(0, np.sqrt(0.8 + 0.2 / 5), (studies, 12))
    squares = 0.2 * generator.chisquare(48, studies) / 48
    for mean, variance, square in zip(means.mean(axis=1), means.var(axis=1, ddof=1), squares, strict=True):
        within = [Within(mean_square=float(square), df=48, replicates=5)]
        found = recovered_limits(float(mean), float(variance), 12, within=within, multiplier=Z).high
        below += found.high < truth
        above += found.low > truth
    assert 1 - (below + above) / studies == pytest.approx(0.955, abs=0.01)
    assert sorted((below / studies, above / studies)) == pytest.approx([0.016, 0.029], abs=0.006)
