"""Bland & Altman 2007, J Biopharm Stat 17:571-582: cardiac output, repeated pairs, true value varies.

Data from memory; printed figures (SD 0.99, limits -1.34 and 2.54) from memory; the rest recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_cardiac import cardiac

from wearbench.core.agreement import (
    Estimate,
    grouped_sums,
    limits_of_agreement,
    one_way_components,
    repeated_limits,
    replicate_limits,
    summarise,
)

RV, IC, SUBJECT = cardiac()


@pytest.fixture(scope="module")
def result() -> dict[str, Estimate]:
    sums = grouped_sums(RV, IC, group=SUBJECT)
    codes = np.arange(len(sums))
    return summarise(sums, session=codes, participant=codes)


def test_true_value_varies_printed_limits(result: dict[str, Estimate]) -> None:
    assert round(result["sd_of_differences"].value, 2) == 0.99
    assert round(result["limit_low"].value, 2) == -1.34
    assert round(result["limit_high"].value, 2) == 2.54


def test_true_value_varies_recomputed(result: dict[str, Estimate]) -> None:
    assert result["n_pairs"].value == 60
    assert result["bias"].value == pytest.approx(0.602167, abs=5e-7)
    assert result["sd_of_differences"].value == pytest.approx(0.990624, abs=5e-7)
    assert result["sd_between"].value ** 2 == pytest.approx(0.810622, abs=5e-7)
    assert result["sd_within"].value ** 2 == pytest.approx(0.170714, abs=5e-7)
    assert result["limit_low"].value == pytest.approx(-1.3395, abs=5e-5)
    assert result["limit_high"].value == pytest.approx(2.5438, abs=5e-5)


def test_one_way_components_recomputed() -> None:
    parts = one_way_components(RV - IC, SUBJECT)
    assert (parts.n, parts.n_groups) == (60, 12)
    assert parts.mean == pytest.approx(0.602167, abs=5e-7)
    assert parts.m0 == pytest.approx(4.981818, abs=5e-7)
    assert parts.ss_between == pytest.approx(46.299947, abs=5e-7)
    assert parts.ss_within == pytest.approx(8.194272, abs=5e-7)
    assert parts.ms_between == pytest.approx(4.209086, abs=5e-7)
    assert parts.ms_within == pytest.approx(0.170714, abs=5e-7)
    assert parts.variance_between == pytest.approx(0.810622, abs=5e-7)
    assert parts.sd**2 == pytest.approx(0.981336, abs=5e-7)


def test_residual_mean_square_of_each_method() -> None:
    assert one_way_components(RV, SUBJECT).ms_within == pytest.approx(0.107228, abs=5e-7)  # printed 0.1072
    assert one_way_components(IC, SUBJECT).ms_within == pytest.approx(0.137874, abs=5e-7)  # printed 0.1379


def test_the_plain_function_agrees_with_the_summary(result: dict[str, Estimate]) -> None:
    found = limits_of_agreement(RV, IC, participant=[f"subject {number}" for number in SUBJECT + 10])
    for name, mine in {
        "bias": found.bias,
        "sd_of_differences": found.sd,
        "limit_low": found.low,
        "limit_high": found.high,
    }.items():
        assert (mine.low, mine.value, mine.high) == pytest.approx(
            (result[name].low, result[name].value, result[name].high), rel=1e-12
        )
        assert mine.method == result[name].method


def test_pooling_pairs_as_independent_is_another_and_narrower_answer() -> None:
    pooled, nested = limits_of_agreement(RV, IC), limits_of_agreement(RV, IC, participant=SUBJECT)
    assert pooled.sd.value == pytest.approx(0.961057, abs=5e-7)
    assert (pooled.low.value, pooled.high.value) == pytest.approx((-1.2815, 2.4858), abs=5e-5)
    assert pooled.bias.high - pooled.bias.low < 0.5 * (nested.bias.high - nested.bias.low)


def test_outer_arms_of_the_limits_are_longer(result: dict[str, Estimate]) -> None:
    low, high = result["limit_low"], result["limit_high"]
    assert low.value - low.low > low.high - low.value
    assert high.high - high.value > high.value - high.low


def test_true_value_constant() -> None:
    found = replicate_limits(RV, IC, SUBJECT)
    assert found.bias.value == pytest.approx(0.709236, abs=5e-7)  # recomputed: mean of the subjects' means
    means = [np.mean((RV - IC)[subject == SUBJECT]) for subject in range(12)]
    assert np.var(means, ddof=1) == pytest.approx(0.912691, abs=5e-7)  # recomputed
    assert found.sd.value**2 == pytest.approx(1.106390, abs=5e-7)  # recomputed
    assert found.sd.value == pytest.approx(1.051851, abs=5e-7)  # recomputed
    # recomputed; published (from memory) about -1.36 and 2.77
    assert (found.low.value, found.high.value) == pytest.approx((-1.3524, 2.7709), abs=5e-5)


def test_replicates_need_not_be_paired_nor_in_order() -> None:
    order = np.random.Generator(np.random.PCG64(1)).permutation(60)
    found = replicate_limits(RV, IC[order], SUBJECT, reference_participant=SUBJECT[order])
    assert found.sd.value == pytest.approx(1.051851, abs=5e-7)  # recomputed
    assert repeated_limits(RV, IC[order], SUBJECT).sd.value != pytest.approx(1.023525, abs=1e-3)
