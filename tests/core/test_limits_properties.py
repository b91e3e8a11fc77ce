"""Properties of every kind of limits, for any data: equivariance, mirrors, constants, few or missing values."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import (
    Estimate,
    Limits,
    agreement_power,
    effective_pairs,
    limit_factor,
    limit_se,
    limits_from_summary,
    noncentral_t_cdf,
    pair_factor,
    percent_limits,
    quantile_limits,
    quantile_ranks,
    range_factor,
    range_of_agreement,
    ratio_limits,
    recovered_limits,
    regression_limits,
    repeatability,
    repeated_limits,
    replicate_limits,
    sample_quantile,
    single_limits,
    size_for_power,
    size_for_precision,
    size_for_range,
)
from wearbench.core.agreement.regressionfit import DifferenceLines
from wearbench.errors import CannotTell, DataError

ANY = settings(max_examples=25, deadline=None, derandomize=True)
SEEDS = st.integers(0, 100_000)
Column = np.ndarray
Made = Callable[[Column, Column, Column], list[Estimate]]


def drawn(seed: int, *, groups: int = 8) -> tuple[Column, Column, Column]:
    generator = np.random.Generator(np.random.PCG64(seed))
    group = np.repeat(np.arange(groups), generator.integers(6, 20, groups))
    reference = generator.normal(110, 20, group.size).clip(40)
    off = generator.normal(1, 3, groups)[group] + generator.normal(0, 0.04, group.size) * reference
    return reference + off, reference, group


def parts(found: Limits) -> list[Estimate]:
    return [found.bias, found.sd, found.low, found.high]


def quantiles(tested: Column, reference: Column, group: Column | None) -> list[Estimate]:
    found = quantile_limits(tested, reference, cluster=group)
    return [found.median, found.low, found.high]


def resampled(tested: Column, reference: Column, group: Column | None) -> list[Estimate]:
    found = quantile_limits(tested, reference, cluster=group, interval="resampled", resamples=200)
    return [found.median, found.low, found.high]


def sloping(tested: Column, reference: Column, group: Column | None, **options: str) -> list[Estimate]:
    found = regression_limits(tested, reference, cluster=group, **options)  # type: ignore[arg-type]
    return parts(found.at((found.lowest + found.highest) / 2))


IN_UNIT: dict[str, Made] = {
    "exact": lambda x, y, g: parts(single_limits(x, y)),
    "pair": lambda x, y, g: parts(single_limits(x, y, form="pair")),
    "1999": lambda x, y, g: parts(single_limits(x, y, form="1999")),
    "1986": lambda x, y, g: parts(single_limits(x, y, form="1986")),
    "range": lambda x, y, g: [range_of_agreement(x, y)],
    "repeated": lambda x, y, g: parts(repeated_limits(x, y, g)),
    "repeated by t": lambda x, y, g: parts(repeated_limits(x, y, g, quantile="t")),
    "replicates": lambda x, y, g: parts(replicate_limits(x, y, g)),
    "quantiles": lambda x, y, g: quantiles(x, y, None),
    "quantiles of clusters": quantiles,
    "quantiles of resampled clusters": resampled,
    "regression": lambda x, y, g: sloping(x, y, None, bias="sloping", spread="constant"),
    "V-shaped": lambda x, y, g: sloping(x, y, None, bias="constant", spread="v_shaped"),
    "regression of clusters": lambda x, y, g: sloping(x, y, g, bias="sloping", spread="v_shaped"),
}
UNITLESS: dict[str, Made] = {
    "ratio": lambda x, y, g: parts(ratio_limits(x, y)),
    "ratio of clusters": lambda x, y, g: parts(ratio_limits(x, y, participant=g)),
    "percent": lambda x, y, g: parts(percent_limits(x, y)),
}
KINDS = pytest.mark.parametrize("kind", IN_UNIT)


def ends(found: list[Estimate]) -> list[list[float | None]]:
    return [[one.low, one.value, one.high] for one in found]


def moved(found: list[Estimate], by: Callable[[int, float], float]) -> list[list[float | None]]:
    return [[None if end is None else by(place, end) for end in row] for place, row in enumerate(ends(found))]


def alike(one: list[list[float | None]], other: list[list[float | None]], *, tolerance: float = 1e-7) -> None:
    for row, second in zip(one, other, strict=True):
        assert [end is None for end in row] == [end is None for end in second]
        assert [end for end in row if end is not None] == pytest.approx(
            [end for end in second if end is not None], rel=tolerance, abs=tolerance
        )


@KINDS
@ANY
@given(seed=SEEDS, c=st.floats(-30, 30))
def test_a_constant_added_to_the_device_moves_limits_by_it_and_leaves_the_sd(kind: str, seed: int, c: float) -> None:
    tested, reference, group = drawn(seed)
    before, after = IN_UNIT[kind](tested, reference, group), IN_UNIT[kind](tested + c, reference, group)
    is_sd = 1 if len(before) == 4 else -1
    alike(ends(after), moved(before, lambda place, end: end if place == is_sd else end + c))


@KINDS
@ANY
@given(seed=SEEDS, factor=st.floats(0.01, 100))
def test_another_unit_scales_limits(kind: str, seed: int, factor: float) -> None:
    tested, reference, group = drawn(seed)
    before = IN_UNIT[kind](tested, reference, group)
    after = IN_UNIT[kind](factor * tested, factor * reference, group)
    alike(ends(after), moved(before, lambda _, end: factor * end))


@pytest.mark.parametrize("kind", UNITLESS)
@ANY
@given(seed=SEEDS, factor=st.floats(0.01, 100))
def test_another_unit_leaves_ratios_and_per_cent(kind: str, seed: int, factor: float) -> None:
    tested, reference, group = drawn(seed)
    before = UNITLESS[kind](tested, reference, group)
    alike(ends(UNITLESS[kind](factor * tested, factor * reference, group)), ends(before))


@KINDS
@ANY
@given(seed=SEEDS)
def test_swapping_the_two_mirrors_the_limits(kind: str, seed: int) -> None:
    tested, reference, group = drawn(seed)
    before, after = IN_UNIT[kind](tested, reference, group), IN_UNIT[kind](reference, tested, group)
    mirrored = [[None if end is None else -end for end in row[::-1]] for row in ends(before)]
    if len(mirrored) == 4:
        mirrored = [mirrored[0], ends(before)[1], mirrored[3], mirrored[2]]
    elif len(mirrored) == 3:
        mirrored = [mirrored[0], mirrored[2], mirrored[1]]
    # resampled quantiles interpolate, so that rounding may decide between neighbours; the others agree to rounding
    alike(ends(after), mirrored)


@ANY
@given(seed=SEEDS)
def test_swapping_the_two_inverts_ratios(seed: int) -> None:
    tested, reference, _ = drawn(seed)
    before, after = ratio_limits(tested, reference), ratio_limits(reference, tested)
    for mine, other in ((after.low, before.high), (after.bias, before.bias), (after.high, before.low)):
        alike(ends([mine]), [[1 / end for end in ends([other])[0][::-1]]])  # type: ignore[operator]


@pytest.mark.parametrize("kind", IN_UNIT | UNITLESS)
@ANY
@given(seed=SEEDS)
def test_intervals_hold_their_value(kind: str, seed: int) -> None:
    for found in (IN_UNIT | UNITLESS)[kind](*drawn(seed)):
        assert found.value is not None
        for low, high in ((found.low, found.value), (found.value, found.high)):
            assert low is None or high is None or low <= high
        assert found.low is not None or found.high is not None
        assert found.method


def twice(column: Column, group: Column, who: int = 0) -> Column:
    return np.concatenate([column, column[group == who]])


def test_duplicating_a_participants_pairs_moves_pooled_limits_but_not_the_bias_of_means() -> None:
    tested, reference, group = drawn(3)
    more = [twice(column, group) for column in (tested, reference, group)]
    before, after = repeated_limits(tested, reference, group), repeated_limits(*more)
    assert after.bias.value == pytest.approx(before.bias.value, rel=1e-12)
    assert (after.bias.low, after.bias.high) == pytest.approx((before.bias.low, before.bias.high), rel=1e-9)
    assert single_limits(*more[:2]).low.value != pytest.approx(single_limits(tested, reference).low.value, rel=1e-6)


def test_duplicating_every_pair_does_not_narrow_what_rests_on_clusters() -> None:
    tested, reference, group = drawn(4)
    ten = [np.tile(column, 10) for column in (tested, reference, group)]
    for made in (
        lambda x, y, g: parts(repeated_limits(x, y, g))[:1],
        lambda x, y, g: sloping(x, y, g, bias="sloping", spread="v_shaped"),
        lambda x, y, g: quantiles(x, y, g)[:1],
    ):
        once, often = made(tested, reference, group), made(*ten)
        for one, other in zip(once, often, strict=True):
            assert other.high - other.low == pytest.approx(one.high - one.low, rel=0.05)


def test_order_of_pairs_and_names_of_clusters_do_not_matter() -> None:
    tested, reference, group = drawn(5)
    order = np.random.Generator(np.random.PCG64(2)).permutation(group.size)
    names = np.array([f"participant {number}" for number in group])
    for kind, made in IN_UNIT.items():
        given_names = made(tested[order], reference[order], names[order])
        alike(ends(given_names), ends(made(tested, reference, group)), tolerance=1e-9)
        assert [one.method for one in given_names] == [one.method for one in made(tested, reference, group)], kind


@pytest.mark.parametrize("kind", IN_UNIT | UNITLESS)
@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
def test_nan_and_infinity_are_refused_with_their_place(kind: str, wrong: float) -> None:
    tested, reference, group = drawn(6)
    tested[7] = wrong
    with pytest.raises(DataError) as caught:
        (IN_UNIT | UNITLESS)[kind](tested, reference, group)
    assert str(caught.value) == (
        f"expected finite values, got 1 of {tested.size} pairs with NaN or infinity, the first at position 7; leave "
        "them out before"
    )
    with pytest.raises(DataError, match=rf"^expected finite values, got {tested.size} of {tested.size} pairs with NaN"):
        (IN_UNIT | UNITLESS)[kind](np.full(tested.size, math.nan), reference, group)


@pytest.mark.parametrize("kind", set(IN_UNIT | UNITLESS) - {"replicates"})
def test_no_pairs(kind: str) -> None:
    none = np.zeros(0)
    with pytest.raises(CannotTell) as caught:
        (IN_UNIT | UNITLESS)[kind](none, none, none)
    assert str(caught.value) == "limits of agreement need pairs, there are none"


def test_no_readings() -> None:
    with pytest.raises(CannotTell, match=r"^limits of agreement need readings of both, there are none of one$"):
        replicate_limits([], [1.0], [], reference_participant=[1])
    with pytest.raises(CannotTell, match=r"^repeatability needs readings, there are none$"):
        repeatability([], [])


EMPTY = {"exact", "pair", "1999", "1986", "repeated", "replicates", "ratio", "ratio of clusters", "percent"}


@pytest.mark.parametrize("kind", sorted(EMPTY))
def test_one_pair_has_a_bias_and_nothing_else(kind: str) -> None:
    bias, sd, low, high = (IN_UNIT | UNITLESS)[kind](np.array([120.0]), np.array([100.0]), np.array([1]))
    assert bias.value is not None
    assert (bias.low, bias.high, bias.n) == (None, None, 0)
    why = "one reading" if kind == "replicates" else "one pair"
    assert bias.why == f"{why}: no interval can be given"
    assert [(one.value, one.low, one.high, one.why) for one in (sd, low, high)] == [(None, None, None, why)] * 3


@pytest.mark.parametrize("kind", sorted(EMPTY - {"percent", "replicates"}))
@pytest.mark.parametrize("c", [0.0, 0.1, -7.3])
def test_identical_differences_have_no_limits(kind: str, c: float) -> None:
    _, reference, group = drawn(7)
    factor = (100 + c) / 100
    tested = reference * factor if "ratio" in kind else reference + c
    bias, sd, low, high = (IN_UNIT | UNITLESS)[kind](tested, reference, group)
    assert bias.value == pytest.approx(factor if "ratio" in kind else c, abs=1e-12)
    assert (bias.low, bias.high) == (None, None)
    assert bias.why is not None and bias.why.endswith("no interval can be given")
    assert [(one.value, one.why) for one in (sd, low, high)] == [(None, "all differences are identical")] * 3


def test_identical_differences_of_the_others() -> None:
    found = range_of_agreement([5.1, 6.1, 7.1], [5.0, 6.0, 7.0])
    assert (found.low, found.high, found.why) == (None, None, "all differences are identical: no range can be given")
    found = range_of_agreement([5.0], [4.0])
    assert (found.value, found.low, found.why) == (1.0, None, "one pair: no range can be given")
    quantile = quantile_limits(np.arange(200.0) + 0.1, np.arange(200.0))
    assert quantile.low.why == quantile.high.why == "all differences are identical"
    assert quantile.median.why == "all differences are identical: no interval can be given"
    assert quantile.median.value == pytest.approx(0.1)
    with pytest.raises(
        CannotTell, match=r"^regression limits need differences that vary: all differences are identica"
    ):
        regression_limits(np.arange(9.0) + 0.1, np.arange(9.0))


def test_participants_with_the_same_mean() -> None:
    found = repeated_limits([1.0, 3.0, 1.0, 3.0], [0.0, 0.0, 0.0, 0.0], [1, 1, 2, 2])
    why = "all participants have the same mean difference"
    assert (found.bias.value, found.bias.why) == (2.0, f"{why}: no interval can be given")
    assert (found.low.value, found.low.why) == (None, why)
    found = replicate_limits([1.0, 3.0, 1.0, 3.0], [0.0, 2.0, 0.0, 2.0], [1, 1, 2, 2])
    assert (found.bias.value, found.low.why) == (1.0, why)
    found = replicate_limits([1.1, 1.1, 3.1, 3.1], [1.0, 1.0, 3.0, 3.0], [1, 1, 2, 2])
    assert found.low.why == "all differences are identical"


def test_one_participant() -> None:
    found = repeated_limits([1.0, 3.0, 2.0], [0.0, 0.0, 0.0], ["a", "a", "a"])
    assert (found.bias.value, found.bias.method) == (2.0, "1 participant")
    assert found.bias.why == "one participant: no interval can be given"
    assert (found.sd.value, found.sd.why) == (None, "one participant")


def test_repeatability_without_repeats_or_without_change() -> None:
    found = repeatability([1.0, 2.0, 4.0], ["a", "b", "c"])
    assert (found.sd_within.value, found.coefficient.why) == (None, "no participant has two readings")
    found = repeatability([0.1 + 0.2, 0.3, 4.0, 4.0], ["a", "a", "b", "b"])
    assert (found.sd_within.value, found.coefficient.why) == (None, "all repeats are identical")
    with pytest.raises(DataError, match=r"^expected one participant a reading, got shape \(1,\) for 2$"):
        repeatability([1.0, 2.0], [1])


@ANY
@given(seed=SEEDS, c=st.floats(-500, 500), factor=st.floats(0.01, 100))
def test_repeatability_ignores_shifts_and_follows_the_unit(seed: int, c: float, factor: float) -> None:
    tested, _, group = drawn(seed)
    before = repeatability(tested, group)
    after = repeatability(factor * (tested + c), group)
    for one, other in ((before.sd_within, after.sd_within), (before.coefficient, after.coefficient)):
        alike(ends([other]), moved([one], lambda _, end: factor * end))


def test_very_large_values_are_refused() -> None:
    for function in (single_limits, quantile_limits, regression_limits, range_of_agreement):
        with pytest.raises(DataError) as caught:
            function([1.0, 1e300, 2.0], [0.0, -1e300, 0.0])
        assert str(caught.value) == ("expected values below 1e+150 in size, got 1e+300 at position 1; use another unit")


# ratios


@pytest.mark.parametrize("wrong", [0.0, -1.5])
def test_ratios_need_values_above_0(wrong: float) -> None:
    with pytest.raises(DataError) as caught:
        ratio_limits([1.0, 2.0, wrong, wrong], [1.0, 2.0, 3.0, 4.0])
    assert str(caught.value) == (
        f"expected values above 0 for ratios, got {wrong} in tested at position 2 (2 of 4 not above 0); leave them out "
        "before, or use limits in the unit"
    )
    with pytest.raises(DataError) as caught:
        ratio_limits([1.0, 2.0], [1.0, wrong])
    assert str(caught.value) == (
        f"expected values above 0 for ratios, got {wrong} in reference at position 1 (1 of 2 not above 0); leave them "
        "out before, or use limits in the unit"
    )
    with pytest.raises(DataError, match=r"^expected values above 0 for per cent, got 0\.0 in averages at position 1 "):
        percent_limits([1.0, 2.0], [1.0, -2.0])


def test_ratios_beyond_numbers_are_left_open() -> None:
    found = ratio_limits([1e300, 1e-300, 1.0], [1e-300, 1e300, 1.0])
    assert found.bias.value == pytest.approx(1.0)
    assert (found.high.value, found.high.high) == (None, None)
    assert found.high.why == found.bias.why == "a ratio too large to be written as a number"
    assert found.low.value == 0.0
    assert percent_limits([1e308, 1e307], [1e307, 1e308]).bias.value == pytest.approx(0.0, abs=1e-9)


# quantiles


def test_quantile_limits_need_39_pairs_and_say_so() -> None:
    found = quantile_limits(np.arange(20.0), np.zeros(20))
    assert found.low == Estimate(
        value=None,
        low=None,
        high=None,
        method="",
        n=0,
        why="the 2.5 % point cannot be estimated: it takes 39 pairs, there are 20",
    )
    assert quantile_limits([1.0], [0.0]).high.why == (
        "the 97.5 % point cannot be estimated: it takes 39 pairs, there is 1"
    )
    found = quantile_limits(np.arange(20.0), np.zeros(20), coverage=0.9)
    assert (found.low.value, found.low.low) == (pytest.approx(0.05), None)
    assert found.low.why == "the interval of the 5 % point is open below: it takes 72 pairs, there are 20"


def test_quantiles_of_few_clusters_have_no_interval() -> None:
    tested, reference, group = drawn(8, groups=4)
    found = quantile_limits(tested, reference, cluster=group, interval="resampled")
    assert found.median.value == pytest.approx(float(np.median(tested - reference)))
    assert (found.median.low, found.median.why) == (None, "4 clusters: no interval can be given below 5")
    found = quantile_limits(tested, reference, cluster=group)
    assert found.low.why == "the interval of the 2.5 % point is open below: 4 clusters do not tell how far it reaches"
    found = quantile_limits(tested, reference, cluster=0 * group)
    assert (found.median.low, found.median.why) == (None, "1 cluster: no interval can be given")


def test_quantiles_of_clusters_hold_the_share_below_with_ties() -> None:
    generator = np.random.Generator(np.random.PCG64(10))
    group = np.repeat(np.arange(20), 100)
    difference = generator.normal(0, 4, 2000)
    fine = quantile_limits(difference, 0 * difference, cluster=group)
    coarse = quantile_limits(np.rint(difference), 0 * difference, cluster=group)
    for one, other in ((fine.low, coarse.low), (fine.high, coarse.high), (fine.median, coarse.median)):
        assert [other.low, other.value, other.high] == pytest.approx([one.low, one.value, one.high], abs=0.51)
        assert other.method == ("from the exact interval of the share below it, at the effective number of 20 clusters")


def test_quantiles_of_clusters_say_how_and_repeat() -> None:
    tested, reference, group = drawn(9)
    found = quantile_limits(tested, reference, cluster=group, interval="resampled", seed=5, name="band")
    assert found.low.method == "percentile, 2000 resamples of 8 clusters; not beyond the differences seen"
    assert found == quantile_limits(tested, reference, cluster=group, interval="resampled", seed=5, name="band")
    other = quantile_limits(tested, reference, cluster=group, interval="resampled", seed=6, name="band")
    assert (found.median.value, found.low.value) == (other.median.value, other.low.value)
    assert found.median.low != other.median.low


def test_quantiles_of_clusters_are_wider_than_ranks_of_dependent_pairs() -> None:
    generator = np.random.Generator(np.random.PCG64(11))
    group = np.repeat(np.arange(12), 200)
    difference = generator.normal(0, 5, 12)[group] + generator.normal(0, 0.5, group.size)
    ranks, clusters = (
        quantile_limits(difference, 0 * difference),
        quantile_limits(difference, 0 * difference, cluster=group),
    )
    assert clusters.low.value == ranks.low.value
    assert clusters.median.high - clusters.median.low > 3 * (ranks.median.high - ranks.median.low)


def test_resampled_quantiles_are_those_of_the_resampled_pairs() -> None:
    tested, reference, group = drawn(12)
    difference = np.sort(tested - reference)
    from wearbench.core.agreement.quantilelimits import _places, _resampled
    from wearbench.core.resample import weight_blocks

    order = np.argsort(tested - reference)
    found = _resampled(difference, group[order], 8, (0.1, 0.5, 0.9), resamples=30, seed=3, name="x")
    weights = next(iter(weight_blocks(8, resamples=30, seed=3, name="x"))).astype(int)
    for row, weight in enumerate(weights):
        again = np.repeat(difference, weight[group[order]])
        for level, values in found.items():
            assert values[row] == pytest.approx(sample_quantile(again, level), rel=1e-12)
    assert _places(4096).size == 4096
    many = _places(480_000)
    assert many.size <= 4096
    assert many[:50].tolist() == list(range(50))
    assert many[-1] == 479_999


def test_thinned_places_change_resampled_quantiles_little() -> None:
    generator = np.random.Generator(np.random.PCG64(13))
    difference = generator.normal(0, 4, 20_000)
    group = np.repeat(np.arange(20), 1000)
    found = quantile_limits(difference, 0 * difference, cluster=group, interval="resampled")
    exact = [
        sample_quantile(np.concatenate([difference[group == g] for g in pick]), 0.025)
        for pick in generator.integers(0, 20, (400, 20))
    ]
    assert (found.low.low, found.low.high) == pytest.approx(np.quantile(exact, [0.025, 0.975]), abs=0.04)


# regression


def test_regression_limits_are_not_carried_beyond_what_was_seen() -> None:
    tested, reference, _ = drawn(14)
    found = regression_limits(tested, reference)
    for outside in (found.lowest - 1e-6, found.highest + 1e-6, math.nan):
        here = found.at(outside)
        assert [one.value for one in parts(here)] == [None] * 4
    assert found.at(500.0).low.why == (
        f"500 lies outside the averages seen, {found.lowest:.6g} to {found.highest:.6g}: limits are not carried beyond "
        "them"
    )
    assert found.at(found.lowest).low.value is not None
    back = found.reference_from(400.0)
    assert back.value is None
    assert back.why is not None and back.why.startswith("a reading of 400 leads to an average of ")


def test_a_fitted_spread_that_reaches_0_is_floored_and_reported() -> None:
    generator = np.random.Generator(np.random.PCG64(15))
    reference = np.linspace(10, 100, 400)
    off = generator.normal(0, 1, 400) * np.maximum(reference - 50, 0.01)
    found = regression_limits(reference + off, reference, bias="constant")
    assert found.v_shaped
    assert found.reaches_zero is not None and 10 < found.reaches_zero < 60
    assert found.decision.endswith(
        f"; the fitted spread reaches 0 at {found.reaches_zero:.6g}, within the averages seen"
    )
    here = found.at(found.lowest)
    assert here.low.value == here.high.value == here.bias.value
    assert here.sd == Estimate(
        value=0.0,
        low=None,
        high=None,
        method="400 pairs taken as independent",
        n=0,
        why="the fitted spread reaches 0 here: no interval can be given",
    )
    assert here.bias.low is not None
    assert here.low.low is None


def test_the_rule_finds_slopes_that_are_there_and_not_others() -> None:
    generator = np.random.Generator(np.random.PCG64(16))
    reference = generator.uniform(50, 180, 600)
    flat = regression_limits(reference + generator.normal(0, 3, 600), reference)
    assert (flat.sloping, flat.v_shaped) == (False, False)
    plain = single_limits(reference, reference + generator.normal(0, 3, 600))
    assert flat.at(100.0).bias.value == flat.at(150.0).bias.value
    assert flat.residual_sd == pytest.approx(plain.sd.value, rel=0.1)  # type: ignore[arg-type]
    steep = regression_limits(1.05 * reference + generator.normal(0, 0.03, 600) * reference, reference)
    assert (steep.sloping, steep.v_shaped) == (True, True)
    assert steep.at(160.0).sd.value == pytest.approx(2 * steep.at(80.0).sd.value, rel=0.15)  # type: ignore[operator]


def test_constant_limits_of_regression_are_the_plain_ones() -> None:
    tested, reference, _ = drawn(17)
    found = regression_limits(tested, reference, bias="constant", spread="constant")
    plain = single_limits(tested, reference)
    here = found.at((found.lowest + found.highest) / 2)
    alike(ends([here.bias]), ends([plain.bias]))
    assert (here.low.value, here.sd.value) == pytest.approx((plain.low.value, plain.sd.value), rel=1e-9)
    assert found.decision == "the bias is constant, as asked for; the spread is constant, as asked for"


def test_clusters_that_slope_differently_are_not_many_pairs() -> None:
    generator = np.random.Generator(np.random.PCG64(18))
    group = np.repeat(np.arange(6), 100)
    reference = generator.uniform(60, 180, 600)
    tested = reference + generator.normal(0, 0.1, 6)[group] * (reference - 120) + generator.normal(0, 2, 600)
    pairs, clusters = regression_limits(tested, reference), regression_limits(tested, reference, cluster=group)
    assert clusters.slope.value == pytest.approx(pairs.slope.value, rel=1e-9)
    assert clusters.slope.high - clusters.slope.low > 4 * (pairs.slope.high - pairs.slope.low)
    assert clusters.slope.method.endswith("on 6 clusters")


def test_leaving_out_a_cluster_from_sums_is_fitting_again() -> None:
    tested, reference, group = drawn(19)
    a, d = (tested + reference) / 2, tested - reference
    a = a - a.mean()
    for slope in (True, False):
        fit = DifferenceLines(a, d, group, 8)
        found = fit._without(fit._coefficients(sloping=slope), sloping=slope)
        for out in range(8):
            kept = group != out
            again = DifferenceLines(a[kept], d[kept], None, int(kept.sum()))._coefficients(sloping=slope)
            assert found[out] == pytest.approx(again, rel=1e-9, abs=1e-12)


def test_two_clusters_decide_no_slope() -> None:
    tested, reference, group = drawn(20, groups=2)
    found = regression_limits(1.2 * tested, reference, cluster=group)
    assert (found.sloping, found.v_shaped, found.slope_p) == (False, False, None)
    assert found.decision == (
        "the bias is taken as constant: a slope cannot be tested on 2 clusters; "
        "the spread is taken as constant: a slope cannot be tested on 2 clusters"
    )
    here = found.at(found.highest)
    assert here.low.value is not None
    assert (here.low.low, here.low.why) == (None, "2 clusters: no interval can be given")


def test_regression_limits_that_cannot_be() -> None:
    with pytest.raises(CannotTell, match=r"^regression limits need three pairs, there are 2$"):
        regression_limits([1.0, 2.0], [1.0, 3.0])
    with pytest.raises(CannotTell, match=r"^regression limits need three pairs, there is 1$"):
        regression_limits([1.0], [1.0])
    with pytest.raises(CannotTell, match=r"^regression limits need averages that vary, all are 5$"):
        regression_limits([5.0, 6.0, 7.0], [5.0, 4.0, 3.0])
    line = np.linspace(50.0, 180.0, 30)
    with pytest.raises(CannotTell) as caught:
        regression_limits(1.1 * line, line)
    assert str(caught.value) == (
        "all differences lie on one straight line over the averages: limits would have no width"
    )


# options


OPTIONS = [
    (lambda: single_limits([1.0, 2.0], [0.0, 0.0], confidence=1.0), "expected a confidence between 0 and 1, got 1.0"),
    (lambda: single_limits([1.0, 2.0], [0.0, 0.0], multiplier=0.0), "expected a multiplier above 0, got 0.0"),
    (
        lambda: single_limits([1.0, 2.0], [0.0, 0.0], form="2015"),  # type: ignore[arg-type]
        "expected one of the forms exact, pair, 1999, 1986, got '2015'",
    ),
    (
        lambda: limits_from_summary(1.0, 0.0, 9),
        "expected a mean, an SD above 0 and two pairs or more, got 1.0, 0.0 and 9",
    ),
    (lambda: limit_se(1.0, 1), "expected a whole number of pairs from 2, got 1"),
    (lambda: limit_se(1.0, 9, form="2000"), "expected the form '1999' or '1986', got '2000'"),  # type: ignore[arg-type]
    (lambda: limit_factor(1, probability=0.5), "expected a whole number of pairs from 2, got 1"),
    (lambda: pair_factor(9, probability=0.0), "expected a probability between 0 and 1, got 0.0"),
    (lambda: pair_factor(9, probability=0.5, content=1.0), "expected a content between 0 and 1, got 1.0"),
    (lambda: range_factor(9, confidence=math.nan), "expected a confidence between 0 and 1, got nan"),
    (
        lambda: repeated_limits([1.0, 2.0], [0.0, 0.0], [1, 2], quantile="x"),  # type: ignore[arg-type]
        "expected the quantile 'z' or 't', got 'x'",
    ),
    (lambda: repeated_limits([1.0, 2.0], [0.0, 0.0], [1]), "expected one participant a pair, got shape (1,) for 2"),
    (
        lambda: replicate_limits([1.0, 2.0], [0.0, 0.0], [1, 2], reference_participant=[1, 3]),
        "expected readings of both from every participant, '2' has those of one only",
    ),
    (
        lambda: recovered_limits(1.0, 2.0, 1, within=[]),
        "expected a mean, a variance and two participants or more, got 1.0, 2.0 and 1",
    ),
    (lambda: recovered_limits(1.0, 0.0, 9, within=[]), "expected a variance above 0, all differences are identical"),
    (
        lambda: quantile_limits([1.0], [0.0], interval="bca"),  # type: ignore[arg-type]
        "expected the interval 'share' or 'resampled', got 'bca'",
    ),
    (lambda: quantile_limits([1.0], [0.0], coverage=95), "expected a coverage between 0 and 1, got 95"),
    (lambda: quantile_limits([1.0], [0.0], cluster=[1, 2]), "expected one cluster a pair, got shape (2,) for 1"),
    (
        lambda: sample_quantile([1.0, math.nan], 0.5),
        "expected finite values, got NaN or infinity; leave them out before",
    ),
    (
        lambda: regression_limits([1.0] * 3, [0.0] * 3, bias="v_shaped"),  # type: ignore[arg-type]
        "expected a bias of decide, constant, sloping, got 'v_shaped'",
    ),
    (
        lambda: regression_limits([1.0] * 3, [0.0] * 3, spread="sloping"),  # type: ignore[arg-type]
        "expected a spread of decide, constant, v_shaped, got 'sloping'",
    ),
    (lambda: regression_limits([1.0] * 3, [0.0] * 3, level=5), "expected a level between 0 and 1, got 5"),
    (
        lambda: regression_limits([1.0, 2.0, 4.0], [0.0] * 3, cluster=[1]),
        "expected one cluster a pair, got shape (1,) for 3",
    ),
    (lambda: size_for_precision(0.0), "expected a half-width above 0, got 0.0"),
    (lambda: size_for_power(mean=math.nan, sd=1.0, margin=3.0), "expected a finite mean, got nan"),
    (lambda: size_for_power(mean=0.0, sd=0.0, margin=3.0), "expected an SD above 0, got 0.0"),
    (lambda: size_for_power(mean=0.0, sd=1.0, margin=3.0, power=80), "expected a power between 0 and 1, got 80"),
    (lambda: agreement_power(1, mean=0.0, sd=1.0, margin=3.0), "expected a whole number of pairs from 2, got 1"),
    (lambda: size_for_range(3.0, assurance=90), "expected an assurance between 0 and 1, got 90"),
    (
        lambda: effective_pairs(10, per_participant=20, correlation=0.5),
        "expected 1 to 10 pairs a participant, got 20",
    ),
    (lambda: effective_pairs(10, per_participant=2, correlation=2), "expected a correlation from 0 to 1, got 2"),
    (
        lambda: effective_pairs(10, per_participant=2, correlation=0.5, serial_correlation=1),
        "expected a serial correlation from 0 to below 1, got 1",
    ),
]


@pytest.mark.parametrize(("call", "message"), OPTIONS, ids=[message[:50] for _, message in OPTIONS])
def test_messages_of_options(call: Callable[[], object], message: str) -> None:
    with pytest.raises(DataError) as caught:
        call()
    assert str(caught.value) == message


def test_sizes_that_do_not_exist() -> None:
    with pytest.raises(CannotTell) as caught:
        size_for_range(1.96)
    assert str(caught.value) == (
        "no number of pairs suffices: the limits themselves are 1.96 SDs from the mean, the half-width "
        "asked for is 1.96"
    )
    with pytest.raises(CannotTell, match=r"^so narrow an interval would need more than 10,000,000 pairs$"):
        size_for_precision(1e-6)
    with pytest.raises(CannotTell, match=r"^so small a margin would need more than 10,000,000 pairs$"):
        size_for_power(mean=0.0, sd=1.0, margin=1.9601)


# factors


@ANY
@given(n=st.integers(2, 3000), multiplier=st.floats(0.05, 4))
def test_factors_rise_with_probability_and_hold_the_multiplier(n: int, multiplier: float) -> None:
    low, middle, high = (limit_factor(n, probability=p, multiplier=multiplier) for p in (0.025, 0.5, 0.975))
    assert low < middle < high
    assert low < multiplier < high
    assert range_factor(n, multiplier=multiplier) > middle
    for k, p in ((low, 0.025), (high, 0.975)):
        root = math.sqrt(n)
        assert noncentral_t_cdf(k * root, df=n - 1, noncentrality=multiplier * root) == pytest.approx(p, abs=1e-10)


@ANY
@given(df=st.integers(1, 200_000), delta=st.floats(-60, 60), t=st.floats(-80, 80))
def test_distribution_function_mirrors_and_rises(df: int, delta: float, t: float) -> None:
    here = noncentral_t_cdf(t, df=df, noncentrality=delta)
    assert -1e-12 <= here <= 1 + 1e-12
    assert here + noncentral_t_cdf(-t, df=df, noncentrality=-delta) == pytest.approx(1, abs=1e-9)
    assert noncentral_t_cdf(t + 0.5, df=df, noncentrality=delta) >= here - 1e-9


def test_ranks_of_no_and_few_values() -> None:
    assert quantile_ranks(0, 0.5) == (None, None)
    assert quantile_ranks(5, 0.5) == (None, None)
    assert quantile_ranks(6, 0.5) == (1, 6)
    assert sample_quantile([], 0.5) is None
    assert sample_quantile([3.0], 0.5) == 3.0


def test_results_are_frozen() -> None:
    found = regression_limits(*drawn(21)[:2])
    with pytest.raises(dataclasses.FrozenInstanceError):
        found.sloping = False  # type: ignore[misc]
    assert "covariance" not in repr(found)
