"""Properties of error sizes, deviation index, concordance and equivalence: equivariance, mirrors, few or odd values."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import (
    Estimate,
    a_rms,
    coverage_probability,
    equivalence,
    icc,
    individual_agreement,
    mape,
    participant_mape,
    repeated_ccc,
    rmse,
    signed_error,
    total_deviation_index,
)
from wearbench.errors import CannotTell, DataError

ANY = settings(max_examples=20, deadline=None, derandomize=True)
SEEDS = st.integers(0, 100_000)
Column = np.ndarray
Made = Callable[[Column, Column, Column | None], Estimate]

PAIRS: dict[str, Made] = {
    "a_rms": lambda t, r, who: a_rms(t, r, participant=who),
    "signed_error": lambda t, r, who: signed_error(t, r, participant=who),
    "total_deviation_index": lambda t, r, who: total_deviation_index(t, r, participant=who).exact,
    "equivalence": lambda t, r, who: equivalence(t, r, margin=5, participant=who).difference,
}
TABLES: dict[str, Callable[[Column, Column], Estimate]] = {
    "replicates": lambda t, r: repeated_ccc(t, r).coefficient,
    "times": lambda t, r: repeated_ccc(t, r, design="times").coefficient,
    "individual_both": lambda t, r: individual_agreement(t, r).both,
}
of_pairs = pytest.mark.parametrize("made", PAIRS.values(), ids=PAIRS)
of_tables = pytest.mark.parametrize("made", TABLES.values(), ids=TABLES)


def drawn(seed: int, groups: int = 9) -> tuple[Column, Column, Column]:
    generator = np.random.Generator(np.random.PCG64(seed))
    group = np.repeat(np.arange(groups), generator.integers(3, 12, groups))
    reference = generator.normal(110, 20, group.size).clip(50)
    return reference + generator.normal(1, 3, groups)[group] + generator.normal(0, 3, group.size), reference, group


def table(seed: int, n: int = 10, r: int = 3) -> tuple[Column, Column]:
    generator = np.random.Generator(np.random.PCG64(seed))
    truth = generator.normal(100, 15, (n, 1)) + generator.normal(0, 4, (n, r))
    return truth + generator.normal(2, 3, (n, r)), truth + generator.normal(0, 3, (n, r))


def ends(found: Estimate) -> list[float]:
    assert found.low is not None and found.high is not None, found.why
    assert found.low < found.value < found.high  # type: ignore[operator]
    return [found.value, found.low, found.high]  # type: ignore[list-item]


@of_pairs
@given(seed=SEEDS, factor=st.sampled_from([1e-3, 7.0, 1e5]), up=st.sampled_from([0.0, -30.0, 2e3]))
@ANY
def test_a_change_of_unit_scales_and_a_common_shift_does_nothing(
    made: Made, seed: int, factor: float, up: float
) -> None:
    tested, reference, group = drawn(seed)
    for who in (None, group):
        before = np.array(ends(made(tested, reference, who)))
        after = ends(made(factor * (tested + up), factor * (reference + up), who))
        assert after == pytest.approx(list(factor * before), rel=1e-6, abs=1e-6 * factor)


@of_pairs
@given(seed=SEEDS)
@ANY
def test_swapping_mirrors_what_is_signed_and_leaves_what_is_not(made: Made, seed: int) -> None:
    tested, reference, group = drawn(seed)
    there, back = ends(made(tested, reference, group)), ends(made(reference, tested, group))
    signed = made in (PAIRS["signed_error"], PAIRS["equivalence"])
    mirrored = [-there[0], -there[2], -there[1]] if signed else there
    assert back == pytest.approx(mirrored, rel=1e-8)


@of_pairs
@given(seed=SEEDS)
@ANY
def test_copies_of_readings_do_not_narrow_the_interval_of_participants(made: Made, seed: int) -> None:
    tested, reference, group = drawn(seed)
    once = ends(made(tested, reference, group))
    many = ends(made(np.tile(tested, 40), np.tile(reference, 40), np.tile(group, 40)))
    assert many[2] - many[1] > 0.8 * (once[2] - once[1])


def test_copies_of_one_participant_move_pooled_values_but_not_participant_first() -> None:
    tested, reference, group = drawn(3)
    more = np.append(np.arange(tested.size), np.flatnonzero(group == 2))
    again = (tested[more], reference[more], group[more])
    assert participant_mape(*again).value == pytest.approx(participant_mape(tested, reference, group).value, rel=1e-12)
    assert equivalence(*again[:2], margin=5, participant=again[2]).p == pytest.approx(
        equivalence(tested, reference, margin=5, participant=group).p, rel=1e-9
    )
    assert abs(mape(*again[:2]) - mape(tested, reference)) > 1e-4
    assert abs(a_rms(*again[:2]).value - a_rms(tested, reference).value) > 1e-4  # type: ignore[operator]


def test_participant_first_is_the_mean_of_what_each_one_has() -> None:
    tested, reference, group = drawn(8)
    each = [mape(tested[group == one], reference[group == one]) for one in range(9)]
    found = participant_mape(tested, reference, group)
    assert found.value == pytest.approx(np.mean(each), rel=1e-12)
    half = 2.3060041352 * np.std(each, ddof=1) / 3  # t(8)
    assert found.low == pytest.approx(np.mean(each) - half, rel=1e-8)
    assert a_rms(tested, reference).value == pytest.approx(rmse(tested, reference), rel=1e-12)


@given(seed=SEEDS, within=st.floats(0.5, 30))
@ANY
def test_coverage_probability_is_the_index_turned_round(seed: int, within: float) -> None:
    tested, reference, group = drawn(seed)
    for who in (None, group):
        found = coverage_probability(tested, reference, within=within, participant=who)
        if not 0.01 < found.normal.value < 0.999:  # type: ignore[operator]
            continue
        index = total_deviation_index(tested, reference, share=found.normal.value, participant=who)  # type: ignore[arg-type]
        assert index.exact.value == pytest.approx(within, rel=1e-9)


@pytest.mark.parametrize("bias", [0.0, 3.0, 1e5])
def test_index_far_from_zero_stays_exact(bias: float) -> None:
    tested, reference, _ = drawn(5)
    found = total_deviation_index(tested + bias, reference, share=0.95)
    share = coverage_probability(tested + bias, reference, within=found.exact.value).normal.value  # type: ignore[arg-type]
    assert share == pytest.approx(0.95, abs=1e-9)


@of_tables
@given(seed=SEEDS, factor=st.sampled_from([1e-3, -2.0, 1e5]), up=st.sampled_from([0.0, 500.0]))
@ANY
def test_coefficients_do_not_change_with_the_unit_or_the_side(
    made: Callable[[Column, Column], Estimate], seed: int, factor: float, up: float
) -> None:
    tested, reference = table(seed)
    before = ends(made(tested, reference))
    assert ends(made(factor * tested + up, factor * reference + up)) == pytest.approx(before, rel=1e-5)
    assert ends(made(reference, tested)) == pytest.approx(before, rel=1e-9)


@given(seed=SEEDS, form=st.sampled_from(["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]))
@ANY
def test_intraclass_correlations_do_not_change_with_the_unit(seed: int, form: str) -> None:
    ratings = np.column_stack([column[:, 0] for column in table(seed)])
    before, after = icc(ratings, form=form), icc(-3 * ratings[:, ::-1] + 40, form=form)  # type: ignore[arg-type]
    assert ends(after.coefficient) == pytest.approx(ends(before.coefficient), rel=1e-7)


def test_bias_lowers_agreement_but_not_consistency() -> None:
    ratings = np.column_stack([column[:, 0] for column in table(1)])
    moved = ratings + np.array([20.0, 0.0])
    assert icc(moved, form="3,1").coefficient.value == pytest.approx(icc(ratings, form="3,1").coefficient.value)
    assert icc(moved, form="2,1").coefficient.value < icc(ratings, form="2,1").coefficient.value  # type: ignore[operator]


@of_pairs
def test_constants_and_single_pairs_give_no_interval(made: Made) -> None:
    whys = {
        "a_rms": ("an interval needs 2 pairs, there is 1", "it does not vary between pairs"),
        "signed_error": ("an interval needs 2 pairs, there is 1", "it does not vary between pairs"),
        "equivalence": ("an interval needs 2 pairs, there is 1", "all differences are identical"),
    }
    name = next(name for name, one in PAIRS.items() if one is made)
    if name == "total_deviation_index":
        with pytest.raises(CannotTell) as caught:
            made(np.array([80.0]), np.array([78.0]), None)
        assert str(caught.value) == "a spread of differences needs two pairs, there is 1"
        with pytest.raises(CannotTell) as caught:
            made(np.array([80.1, 90.1, 100.1]), np.array([80.0, 90.0, 100.0]), None)
        assert str(caught.value) == "a spread of differences needs differences that vary, all are identical"
        return
    one = made(np.array([80.0]), np.array([78.0]), None)
    assert (one.value, one.low, one.high, one.why) == (2.0, None, None, whys[name][0])
    same = made(np.array([82.0, 92.0, 102.0]), np.array([80.0, 90.0, 100.0]), None)
    assert (same.value, same.low, same.high, same.why) == (2.0, None, None, whys[name][1])


@of_pairs
def test_constant_differences_that_only_rounding_spreads(made: Made) -> None:
    reference = np.array([80.0, 90.3, 100.7, 33.3, 61.9])
    if made is PAIRS["total_deviation_index"]:
        return
    found = made(reference + 0.1, reference, None)
    assert (found.low, found.high) == (None, None)


@of_pairs
@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_no_missing_and_infinite_pairs(made: Made, bad: float) -> None:
    with pytest.raises(DataError) as caught:
        made(np.array([80.0, bad]), np.array([78.0, 77.0]), None)
    assert str(caught.value) == (
        "expected finite values, got 1 of 2 pairs with NaN or infinity, the first at position 1; leave them out before"
    )
    with pytest.raises(CannotTell) as empty:
        made(np.array([]), np.array([]), None)
    wants = {"a_rms": "accuracy", "signed_error": "an error", "equivalence": "a test of equivalence"}
    name = next(name for name, one in PAIRS.items() if one is made)
    assert str(empty.value) == f"{wants.get(name, 'a spread of differences')} needs pairs, there are none"


@of_tables
def test_tables_with_too_little_or_nothing_that_varies(made: Callable[[Column, Column], Estimate]) -> None:
    individual = made is TABLES["individual_both"]
    with pytest.raises(CannotTell) as caught:
        made(np.full((4, 3), 70.1), np.full((4, 3), 70.1))
    assert str(caught.value) == (
        "individual agreement needs methods that differ, all their readings are the same"
        if individual
        else "concordance needs values that vary, all are the same"
    )
    with pytest.raises(CannotTell) as caught:
        made(np.array([[70.0, 71.0]]), np.array([[70.0, 72.0]]))
    what = "individual agreement" if individual else "concordance"
    across = "times" if made is TABLES["times"] else "replicates"
    least = 1 if made is TABLES["replicates"] else 2
    assert str(caught.value) == f"{what} needs 2 participants and {least} {across}, there are 1 and 2"
    two = made(*(column[:2] for column in table(2)))
    assert (two.low, two.high, two.why) == (None, None, "an interval needs 3 participants, there are 2")
    with pytest.raises(DataError) as wrong:
        made(np.array([[70.0, np.nan], [71.0, 72.0]]), np.ones((2, 2)))
    assert str(wrong.value) == (
        "expected finite values, got 1 of 4 tested values NaN or infinity, the first at row 0, column 1; leave out "
        "those participants before"
    )


def test_perfect_agreement_has_no_interval() -> None:
    tested, _ = table(6)
    found = repeated_ccc(tested[:, :1], tested[:, :1]).coefficient
    assert (found.value, found.low, found.high) == (1.0, None, None)
    assert found.why == "without one participant nothing varies, or it does not vary between participants"
    one = icc(np.column_stack([tested[:, 0], tested[:, 0]]), form="2,1").coefficient
    assert (one.value, one.low, one.why) == (1.0, None, "judges and residuals do not vary")


def test_targets_that_do_not_vary_have_no_intraclass_correlation() -> None:
    for form in ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k"):
        for ratings, what in (
            ([[7.1, 7.1], [7.1, 7.1]], "values that vary, all are the same"),
            (
                [[0.0, 2.0], [2.0, 0.0], [1.0, 1.0]],
                "targets that vary, they do not",
            ),
        ):
            with pytest.raises(CannotTell) as caught:
                icc(ratings, form=form)  # type: ignore[arg-type]
            assert str(caught.value) == f"an intraclass correlation needs {what}"
    with pytest.raises(CannotTell) as small:
        icc([[0.0, 9.0], [8.0, 2.0], [5.0, 5.0]], form="2,k")
    assert str(small.value) == (
        "an intraclass correlation of a mean needs targets that differ by more than their residuals"
    )


def test_messages_of_options() -> None:
    tested, reference, group = drawn(1)
    cases: list[tuple[Callable[[], object], str]] = [
        (lambda: equivalence(tested, reference), "expected one of margin and margin_share, got none"),
        (
            lambda: equivalence(tested, reference, margin=1, margin_share=0.1),
            "expected one of margin and margin_share, got both",
        ),
        (lambda: equivalence(tested, reference, margin=-5), "expected a margin above 0, got -5"),
        (lambda: equivalence(tested, reference, margin=5, alpha=0.5), "expected an alpha between 0 and 0.5, got 0.5"),
        (
            lambda: coverage_probability(tested, reference, within=0),
            "expected a size above 0 that differences are to stay within, got 0",
        ),
        (lambda: total_deviation_index(tested, reference, share=90), "expected a share between 0 and 1, got 90"),
        (
            lambda: icc([[1.0, 2.0], [3.0, 4.0]], form="4,1"),  # type: ignore[arg-type]
            "expected one of the forms 1,1; 2,1; 3,1; 1,k; 2,k; 3,k, got '4,1'",
        ),
        (
            lambda: repeated_ccc(*table(1), design="paired"),  # type: ignore[arg-type]
            "expected the design 'replicates' or 'times', got 'paired'",
        ),
        (
            lambda: repeated_ccc(np.eye(3), np.eye(4)),
            "expected tested and reference tables of one shape, got (3, 3) and (4, 4)",
        ),
        (
            lambda: individual_agreement(np.eye(3), np.eye(4)),
            "expected one row a participant in both tables, got 3 and 4",
        ),
        (
            lambda: icc([1.0, 2.0]),
            "expected rating values as a table of targets by judges, got shape (2,)",
        ),
        (
            lambda: a_rms(tested, reference, participant=group[:2]),
            f"expected one participant a pair, got shape (2,) for {tested.size}",
        ),
    ]
    for call, message in cases:
        with pytest.raises(DataError) as caught:
            call()
        assert str(caught.value) == message
    with pytest.raises(CannotTell) as zero:
        participant_mape([1.0, 2.0], [0.0, 2.0], ["a", "b"])
    assert str(zero.value) == "1 of 2 pairs have a reference of 0"
    with pytest.raises(CannotTell) as none:
        equivalence([1.0, -1.0], [1.0, -1.0], margin_share=0.1)
    assert str(none.value) == "the mean reference is 0: a share of it is no margin"


def test_one_participant_makes_no_general_claim() -> None:
    tested, reference, group = drawn(2)
    found = a_rms(tested, reference, participant=0 * group)
    assert (found.low, found.why) == (None, "an interval needs 2 participants, there is 1")
    test = equivalence(tested, reference, margin=500, participant=0 * group)
    assert (test.outcome, test.p, test.difference.why) == (
        "not shown",
        None,
        "an interval needs 2 participants, there is 1",
    )
