"""Properties of lines with errors in both columns, for any data: equivariance, mirrors, constants, few values."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import (
    PassingBablok,
    StructuralLine,
    deming,
    least_products,
    passing_bablok,
    weighted_deming,
    york,
)
from wearbench.core.agreement.passingbablok import MOST_POINTS
from wearbench.errors import CannotTell, DataError

ANY = settings(max_examples=20, deadline=None, derandomize=True)
SEEDS = st.integers(0, 100_000)
Column = np.ndarray
Line = StructuralLine | PassingBablok


def weighted_york(tested: Column, reference: Column, **options: object) -> StructuralLine:
    """York's line with weights that are the same whatever the order, shift or side of the columns."""
    ones = np.ones(np.shape(tested))
    return york(tested, reference, tested_weight=ones, reference_weight=ones, **options)  # type: ignore[arg-type]


LINES: dict[str, Callable[..., Line]] = {
    "deming": deming,
    "least_products": least_products,
    "weighted_deming": weighted_deming,
    "york": weighted_york,
    "passing_bablok": passing_bablok,
}
SHIFTING = {name: line for name, line in LINES.items() if name != "weighted_deming"}
every = pytest.mark.parametrize("line", LINES.values(), ids=LINES)
shifting = pytest.mark.parametrize("line", SHIFTING.values(), ids=SHIFTING)


def drawn(seed: int, groups: int = 8) -> tuple[Column, Column, Column]:
    generator = np.random.Generator(np.random.PCG64(seed))
    group = np.repeat(np.arange(groups), generator.integers(3, 9, groups))
    truth = generator.normal(110, 25, group.size).clip(50)
    off = generator.normal(1, 2, groups)[group]
    return truth + off + generator.normal(0, 3, truth.size), truth + generator.normal(0, 3, truth.size), group


def numbers(found: Line) -> list[float]:
    slope, intercept = found.slope, found.intercept
    assert slope.low is not None and slope.high is not None, slope.why
    return [slope.value, slope.low, slope.high, intercept.value, intercept.low, intercept.high]  # type: ignore[list-item]


@every
@pytest.mark.parametrize("clustered", [False, True])
@given(seed=SEEDS, factor=st.sampled_from([1e-3, 0.5, 60.0, 1e6]))
@ANY
def test_a_common_change_of_unit_scales_the_intercept_alone(
    line: Callable[..., Line], clustered: bool, seed: int, factor: float
) -> None:
    tested, reference, group = drawn(seed, 12)
    options = {"participant": group} if clustered else {}
    before, after = line(tested, reference, **options), line(factor * tested, factor * reference, **options)
    if before.slope.low is None:
        assert (after.slope.why, after.intercept.why) == (before.slope.why, before.intercept.why)
        return
    if line is weighted_york and not clustered:  # its standard errors come from the weights, which have a unit
        assert after.slope.value == pytest.approx(before.slope.value, rel=1e-7)
        return
    scale = np.array([1, 1, 1, factor, factor, factor])
    assert numbers(after) == pytest.approx(list(np.array(numbers(before)) * scale), rel=1e-6)


@shifting
@given(seed=SEEDS, up=st.sampled_from([-40.0, 7.5, 1e4]))
@ANY
def test_shifting_tested_moves_the_intercept_by_just_that(line: Callable[..., Line], seed: int, up: float) -> None:
    tested, reference, _ = drawn(seed)
    before, after = numbers(line(tested, reference)), numbers(line(tested + up, reference))
    assert after == pytest.approx([*before[:3], *(end + up for end in before[3:])], rel=1e-6, abs=1e-6)


@every
@given(seed=SEEDS)
@ANY
def test_swapping_columns_mirrors_the_line(line: Callable[..., Line], seed: int) -> None:
    tested, reference, _ = drawn(seed)
    there, back = line(tested, reference), line(reference, tested)
    # of an even number of slopes the median is the mean of two, and a mean of reciprocals is no reciprocal
    even = isinstance(there, PassingBablok) and there.n_slopes % 2 == 0
    product = there.slope.value * back.slope.value  # type: ignore[operator]
    assert product == pytest.approx(1, rel=1e-2 if even else 1e-8)
    if isinstance(there, StructuralLine):
        mirrored = -there.intercept.value / there.slope.value  # type: ignore[operator]
        assert back.intercept.value == pytest.approx(mirrored, rel=1e-6, abs=1e-7)
        return
    assert (back.slope.low, back.slope.high) == pytest.approx((1 / there.slope.high, 1 / there.slope.low), rel=1e-9)


@given(seed=SEEDS, ratio=st.sampled_from([0.01, 0.25, 4.0, 900.0]))
@ANY
def test_the_ratio_of_error_variances_turns_over_with_the_columns(seed: int, ratio: float) -> None:
    tested, reference, _ = drawn(seed)
    for line in (deming, weighted_deming):
        there = line(tested, reference, var_ratio_y_over_x=ratio).slope.value
        back = line(reference, tested, var_ratio_y_over_x=1 / ratio).slope.value
        assert there * back == pytest.approx(1, rel=1e-9)  # type: ignore[operator]


@every
@given(seed=SEEDS)
@ANY
def test_order_of_pairs_does_not_matter(line: Callable[..., Line], seed: int) -> None:
    tested, reference, group = drawn(seed, 12)
    mixed = np.random.Generator(np.random.PCG64(seed)).permutation(tested.size)
    for options, again in (({}, {}), ({"participant": group}, {"participant": group[mixed]})):
        one, other = line(tested, reference, **options), line(tested[mixed], reference[mixed], **again)
        assert other.slope.value == pytest.approx(one.slope.value, rel=1e-8)
        assert (other.slope.low is None) == (one.slope.low is None)


@every
@given(seed=SEEDS)
@ANY
def test_copies_of_pairs_do_not_narrow_the_interval_of_participants(line: Callable[..., Line], seed: int) -> None:
    tested, reference, group = drawn(seed, 12)
    once = line(tested, reference, participant=group)
    many = line(np.tile(tested, 5), np.tile(reference, 5), participant=np.tile(group, 5))
    if once.slope.low is None:
        assert many.slope.why == once.slope.why
        return
    assert numbers(many) == pytest.approx(numbers(once), rel=1e-6, abs=1e-6)


def test_copies_of_one_participant_move_the_pooled_line_but_not_that_of_means() -> None:
    tested, reference, group = drawn(1, 12)
    more = np.append(np.arange(tested.size), np.flatnonzero(group == 3))
    for line in (deming, least_products, weighted_deming, weighted_york):
        one, other = line(tested, reference), line(tested[more], reference[more])
        assert abs(one.slope.value - other.slope.value) > 1e-6  # type: ignore[operator]
    one = passing_bablok(tested, reference, participant=group)
    other = passing_bablok(tested[more], reference[more], participant=group[more])
    assert numbers(other) == pytest.approx(numbers(one), rel=1e-9)


@every
def test_a_perfect_line_has_no_interval_but_says_so(line: Callable[..., Line]) -> None:
    x = np.array([60.0, 75.1, 90.3, 120.7, 150.9])
    found = line(1.25 * x + 3, x)
    assert (found.slope.value, found.intercept.value) == pytest.approx((1.25, 3.0), rel=1e-9)
    if line is weighted_york:
        return  # known weights say how sure it is, whatever the points do
    assert (found.slope.low, found.slope.high) == (None, None)
    assert found.slope.why == "all points lie on the line"


@every
@pytest.mark.parametrize(
    ("tested", "reference", "message"),
    [
        ([], [], "a line needs pairs, there are none"),
        ([80.0], [81.0], None),
        ([80.0, 90.0, 85.0], [70.1, 70.1, 70.1], "a line needs values that vary, the reference ones do not"),
        ([80.0, 80.0, 80.0], [70.0, 75.0, 72.0], "a line needs values that vary, the tested ones do not"),
    ],
)
def test_what_cannot_be_told(
    line: Callable[..., Line], tested: list[float], reference: list[float], message: str | None
) -> None:
    with pytest.raises(CannotTell) as caught:
        line(tested, reference)
    single = "a line needs two pairs, there is 1"
    assert str(caught.value) == (message or single)


@every
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_missing_and_infinite_values(line: Callable[..., Line], bad: float) -> None:
    with pytest.raises(DataError) as caught:
        line([80.0, bad, bad], [81.0, 90.0, 95.0])
    assert str(caught.value) == (
        "expected finite values, got 2 of 3 pairs with NaN or infinity, the first at position 1; leave them out before"
    )
    with pytest.raises(DataError) as caught:
        line([80.0, 1e80, 90.0], [81.0, 90.0, 95.0])
    assert str(caught.value) == (
        "expected values below 1e+70 in size, got 1e+80 in tested at position 1; use another unit"
    )


@every
def test_two_participants_give_no_interval(line: Callable[..., Line]) -> None:
    tested, reference, _ = drawn(4)
    found = line(tested, reference, participant=np.arange(tested.size) % 2)
    assert (found.slope.low, found.intercept.high) == (None, None)
    if line is not passing_bablok:
        assert found.slope.why == "an interval needs 3 participants, there are 2"
    else:
        assert found.slope.why == "all points lie on the line"


def test_columns_that_do_not_vary_together() -> None:
    x, y = np.array([-1.0, -1.0, 1.0, 1.0]), np.array([-1.0, 1.0, -1.0, 1.0])
    for line in (deming, least_products):
        with pytest.raises(CannotTell) as caught:
            line(y, x)
        assert str(caught.value) == "a line needs values that vary together, they do not"


def test_options_that_make_no_line() -> None:
    tested, reference, _ = drawn(2)
    for line in (deming, weighted_deming):
        with pytest.raises(DataError) as caught:
            line(tested, reference, var_ratio_y_over_x=0)
        assert str(caught.value) == "expected a ratio of error variances above 0, got 0"
    with pytest.raises(DataError) as caught:
        weighted_deming([80.0, 0.0, 90.0], [81.0, 70.0, 95.0])
    assert str(caught.value) == (
        "expected values above 0 for errors in proportion to them, got 0.0 in tested at position 1"
    )
    with pytest.raises(DataError) as caught:
        york([1.0, 2.0], [1.0, 3.0], tested_weight=[1.0, 0.0], reference_weight=[1.0, 1.0])
    assert str(caught.value) == "expected weights above 0 and below 1e+70, got 0.0 in tested_weight at position 1"
    with pytest.raises(DataError) as caught:
        york([1.0, 2.0], [1.0, 3.0], tested_weight=[1.0], reference_weight=[1.0, 1.0])
    assert str(caught.value) == "expected one tested_weight a pair, got shape (1,) for 2"
    with pytest.raises(DataError) as caught:
        deming(tested, reference, confidence=95)
    assert str(caught.value) == "expected a confidence between 0 and 1, got 95"


def test_too_many_points_are_refused_unless_thinned() -> None:
    generator = np.random.Generator(np.random.PCG64(5))
    x = generator.normal(100, 20, MOST_POINTS + 1)
    with pytest.raises(DataError) as caught:
        passing_bablok(x + generator.normal(0, 3, x.size), x)
    assert str(caught.value) == (
        "expected at most 3000 points, got 3001 pairs; readings in a row are not independent: give the participant of "
        "each pair, which makes one point of each"
    )
    assert passing_bablok(x + generator.normal(0, 3, x.size), x, participant=np.arange(x.size) % 40).n_points == 40


def test_too_many_refits_are_refused_unless_there_are_participants() -> None:
    generator = np.random.Generator(np.random.PCG64(6))
    x = generator.normal(100, 10, 3001)
    y = x + generator.normal(0, 3, x.size)
    with pytest.raises(DataError) as caught:
        weighted_deming(y, x)
    assert str(caught.value) == (
        "expected at most 3000 pairs, got 3001; readings in a row are not independent: give the participant of each "
        "pair"
    )
    assert weighted_deming(y, x, participant=np.arange(x.size) % 20).slope.n == 20


def test_jackknife_covers() -> None:
    # slope 1 in truth, 12 participants of 8 pairs, errors of participants shared: the interval must not be naive
    generator = np.random.Generator(np.random.PCG64(39))
    inside = naive = 0
    group = np.repeat(np.arange(12), 8)
    for _ in range(400):
        truth = generator.normal(110, 20, 12)[group] + generator.normal(0, 5, 96)
        tested = truth + generator.normal(0, 6, 12)[group] + generator.normal(0, 2, 96)
        reference = truth + generator.normal(0, 6, 12)[group] + generator.normal(0, 2, 96)
        inside += deming(tested, reference, participant=group).proportional_bias is False
        naive += deming(tested, reference).proportional_bias is False
    assert inside / 400 == pytest.approx(0.95, abs=0.045)
    assert naive / 400 < 0.75


def test_weighted_line_of_many_pairs_keeps_its_weights(monkeypatch: pytest.MonkeyPatch):
    """One step of the iteration gives the standard errors of whole refits within two per cent."""
    tested, reference, group = drawn(5, groups=30)
    whole = numbers(weighted_deming(tested, reference, participant=group))
    monkeypatch.setattr("wearbench.core.agreement.structuralline.MOST_REFITTED", 10)
    step = numbers(weighted_deming(tested, reference, participant=group))
    assert [step[0], step[3]] == [whole[0], whole[3]]
    assert step[2] - step[1] == pytest.approx(whole[2] - whole[1], rel=0.02)
    assert step[5] - step[4] == pytest.approx(whole[5] - whole[4], rel=0.02)
    assert step != whole
