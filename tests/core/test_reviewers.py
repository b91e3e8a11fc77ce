"""Everything for reviewers at once: each number is that of its own function, and none is claimed without ground."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wearbench.core.agreement import limits_of_agreement, regression_limits, single_limits
from wearbench.core.agreement.reviewers import ReviewerStatistic, for_reviewers, leading_limits, sloping_limits
from wearbench.errors import CannotTell, DataError

RNG = np.random.default_rng(4)
WHO = np.repeat(np.arange(8), 50)
REFERENCE = RNG.uniform(60, 180, 400)
TESTED = REFERENCE + RNG.normal(0, 2, 8)[WHO] + RNG.normal(0, 3, 400)


def by_name(found: tuple[ReviewerStatistic, ...]) -> dict[tuple[str, str], ReviewerStatistic]:
    return {(r.family, r.statistic): r for r in found}


def test_every_number_is_that_of_its_own_function() -> None:
    got = by_name(for_reviewers(TESTED, REFERENCE, cluster=WHO, tolerance=5.0, margin=3.0))
    repeated = limits_of_agreement(TESTED, REFERENCE, participant=WHO)
    assert got["repeated", "limit_low"].estimate == repeated.low
    assert got["single", "limit_low"].estimate == single_limits(TESTED, REFERENCE).low
    fit = regression_limits(TESTED, REFERENCE, cluster=WHO)
    assert got["sloping", "slope_of_bias"].estimate == fit.slope
    assert got["deviation", "coverage_probability"].at == 5.0
    assert got["equivalence", "mean_difference"].at == 3.0
    assert all(r.estimate.value is not None for r in got.values())


def test_naive_interval_of_the_bias_is_visibly_too_narrow() -> None:
    got = by_name(for_reviewers(TESTED, REFERENCE, cluster=WHO))
    naive, right = got["single", "bias"].estimate, got["repeated", "bias"].estimate
    assert naive.low is not None and naive.high is not None and right.low is not None and right.high is not None
    assert naive.high - naive.low < 0.4 * (right.high - right.low)


def test_without_margin_or_tolerance_nothing_is_made_up() -> None:
    got = by_name(for_reviewers(TESTED, REFERENCE, cluster=WHO))
    assert ("equivalence", "mean_difference") not in got
    assert ("deviation", "coverage_probability") not in got


def test_one_pair_and_identical_differences_have_reasons_for_values() -> None:
    one = by_name(for_reviewers([5.0], [4.0]))
    assert {key: r.estimate.low for key, r in one.items()} == dict.fromkeys(one)
    assert all(r.estimate.why for r in one.values())
    assert one["mixed", "limit_low"].estimate.why == (
        "a mixed model needs repeated pairs, these are taken as independent"
    )
    same = by_name(for_reviewers(np.arange(1.0, 41) + 1, np.arange(1.0, 41), cluster=np.arange(40) % 8))
    assert same["repeated", "limit_low"].estimate.why == "all differences are identical"
    assert same["mixed", "limit_low"].estimate.value is None


def test_nothing_missing_and_infinite_are_refused() -> None:
    with pytest.raises(CannotTell) as none:
        for_reviewers([], [])
    assert str(none.value) == "statistics for reviewers need pairs, there are none"
    for bad in (math.nan, math.inf):
        with pytest.raises(DataError) as error:
            for_reviewers([1.0, bad], [1.0, 2.0])
        assert str(error.value) == (
            "expected finite values, got 1 of 2 pairs with NaN or infinity, the first at position 1; leave them out "
            "before"
        )


def test_leading_limits_are_of_the_kind_chosen() -> None:
    assert leading_limits("none", TESTED, REFERENCE) == ()
    assert leading_limits("single", TESTED, REFERENCE)[0][1] == single_limits(TESTED, REFERENCE)
    repeated = limits_of_agreement(TESTED, REFERENCE, participant=WHO)
    assert leading_limits("repeated", TESTED, REFERENCE, cluster=WHO) == ((None, repeated),)
    assert leading_limits("sloping", TESTED, REFERENCE, cluster=WHO) == sloping_limits(TESTED, REFERENCE, cluster=WHO)
    quantiles = leading_limits("quantiles", TESTED, REFERENCE, cluster=WHO)[0][1]
    assert quantiles.bias == repeated.bias
    assert quantiles.low.method != repeated.low.method
    assert len(sloping_limits(TESTED, REFERENCE, cluster=WHO)) == 3
