"""Tests by rearranging, against enumeration by hand and an independent implementation."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar

from wearbench.core.flips import mcnemar_exact, sign_flip_test
from wearbench.core.permutation import (
    arrangements,
    order_test,
    relabelled,
    relabelling_test,
    smallest_by_design,
    stratified_difference,
)
from wearbench.errors import DataError


def test_two_and_two_by_hand() -> None:
    """Values 1, 2 before and 5, 8 after: of the six ways to pick two of four, differences of means are
    5 (5,8), 2 (2,8), 1 (1,8), -1 (2,5), -2 (1,5) and -5 (1,2): two of six are as far from 0 as 5."""
    found = relabelling_test([1, 2, 5, 8], np.ones(4), label=[0, 0, 1, 1], stratum=np.zeros(4))
    assert found is not None
    assert (found.value, found.arrangements, found.looked_at, found.enumerated) == (5.0, 6, 6, True)
    assert found.p == pytest.approx(2 / 6)
    assert found.smallest == found.smallest_here == pytest.approx(2 / 6)


def test_three_and_four_sessions_reach_no_less_than_one_in_35() -> None:
    label = [0, 0, 0, 1, 1, 1, 1]
    assert arrangements(label, np.zeros(7)) == math.comb(7, 3) == 35
    assert smallest_by_design(label, np.zeros(7)) == pytest.approx(1 / 35)
    found = relabelling_test([1, 1, 2, 9, 8, 9, 7.5], np.ones(7), label=label, stratum=np.zeros(7))
    assert found is not None
    assert found.p == pytest.approx(1 / 35)


def test_counts_reach_less_than_the_design_allows() -> None:
    """Three of three affected before, none of three after, 20 ways: C(3,3) C(3,0) = 1 and its mirror, 2 of 20. With
    one affected of six every arrangement is as far from 0: p cannot be below 1."""
    all_none = relabelling_test([1, 1, 1, 0, 0, 0], np.ones(6), label=[0, 0, 0, 1, 1, 1], stratum=np.zeros(6))
    one = relabelling_test([1, 0, 0, 0, 0, 0], np.ones(6), label=[0, 0, 0, 1, 1, 1], stratum=np.zeros(6))
    assert all_none is not None
    assert one is not None
    assert (all_none.p, all_none.smallest, all_none.smallest_here) == pytest.approx((0.1, 0.1, 0.1))
    assert (one.p, one.smallest, one.smallest_here) == pytest.approx((1.0, 0.1, 1.0))


def test_strata_are_rearranged_on_their_own() -> None:
    """Two people with two sessions a side: 6 x 6 ways; the furthest way and its mirror: 2 of 36."""
    stratum = [0, 0, 0, 0, 1, 1, 1, 1]
    label = [0, 0, 1, 1, 0, 0, 1, 1]
    value = [1.0, 2.0, 5.0, 8.0, 11.0, 12.0, 15.0, 18.0]
    found = relabelling_test(value, np.ones(8), label=label, stratum=stratum)
    assert found is not None
    assert (found.value, found.arrangements) == (5.0, 36)
    assert found.p == pytest.approx(2 / 36)
    labels, enumerated = relabelled(label, stratum, seed=0, name="")
    assert enumerated
    assert len(np.unique(labels, axis=0)) == 36
    assert (labels[:, :4].sum(axis=1) == 2).all()
    assert (labels[:, 4:].sum(axis=1) == 2).all()


def test_people_with_one_side_only_say_nothing() -> None:
    alone = relabelling_test([1, 2, 3], np.ones(3), label=[0, 0, 1], stratum=[0, 0, 1])
    assert alone is None
    assert arrangements([0, 0, 1], [0, 0, 1]) == 1
    assert smallest_by_design([0, 0, 1], [0, 0, 1]) == 1.0
    assert relabelling_test([], [], label=[], stratum=[]) is None


def test_difference_is_mantel_haenszel_risk_difference() -> None:
    """Greenland & Robins 1985: sum of (a N0 - b N1)/N over sum of N1 N0/N. Two strata by hand: 4/10 - 2/10 (weight 5)
    and 3/5 - 3/15 (weight 3.75): (5 x 0.2 + 3.75 x 0.4)/8.75 = 2.5/8.75."""
    numerator, denominator = np.array([4.0, 2, 3, 3]), np.array([10.0, 10, 5, 15])
    label, stratum = np.array([[True, False, True, False]]), np.array([0, 0, 1, 1])
    found = stratified_difference(numerator, denominator, label, stratum)
    assert found == pytest.approx([2.5 / 8.75])


@pytest.mark.parametrize("sizes", [(6, 6), (4, 8), (3, 3), (5, 2)])
def test_p_against_an_independent_implementation(sizes: tuple[int, int]) -> None:
    """scipy.stats.permutation_test, exact, of the absolute difference of means."""
    rng = np.random.default_rng(sum(sizes))
    before, after = rng.gamma(1.0, size=sizes[0]), rng.gamma(1.4, size=sizes[1])
    mine = relabelling_test(
        np.concatenate([before, after]),
        np.ones(sum(sizes)),
        label=np.repeat([False, True], sizes),
        stratum=np.zeros(sum(sizes)),
    )
    theirs = stats.permutation_test(
        (before, after), lambda a, b: abs(a.mean() - b.mean()), alternative="greater", n_resamples=np.inf
    )
    assert mine is not None
    assert mine.p == pytest.approx(theirs.pvalue, abs=1e-12)


def test_ratio_of_sums_against_brute_force() -> None:
    rng = np.random.default_rng(5)
    seconds, asked = rng.uniform(0, 300, 8), rng.uniform(600, 2000, 8)

    def apart(after: tuple[int, ...]) -> float:
        mask = np.isin(np.arange(8), after)
        return float(seconds[mask].sum() / asked[mask].sum() - seconds[~mask].sum() / asked[~mask].sum())

    every = [apart(way) for way in itertools.combinations(range(8), 3)]
    observed = apart((5, 6, 7))
    found = relabelling_test(seconds, asked, label=np.arange(8) >= 5, stratum=np.zeros(8))
    assert found is not None
    assert found.value == pytest.approx(observed)
    assert found.p == pytest.approx(np.mean([abs(v) >= abs(observed) - 1e-12 for v in every]))


def test_many_sessions_are_sampled_and_agree_with_all() -> None:
    rng = np.random.default_rng(2)
    value = rng.standard_normal(16) + np.repeat([0.0, 0.8], 8)
    label, stratum = np.repeat([False, True], 8), np.zeros(16)
    exact = relabelling_test(value, np.ones(16), label=label, stratum=stratum, most=20_000)
    drawn = relabelling_test(value, np.ones(16), label=label, stratum=stratum, most=100, seed=1, name="a")
    again = relabelling_test(value, np.ones(16), label=label, stratum=stratum, most=100, seed=1, name="a")
    assert exact is not None
    assert drawn is not None
    assert (exact.enumerated, exact.looked_at, drawn.enumerated, drawn.looked_at) == (True, 12870, False, 10000)
    assert drawn == again
    assert drawn.p == pytest.approx(exact.p, abs=4 * math.sqrt(exact.p / 10000))
    assert drawn.smallest == pytest.approx(2 / 12870)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0, 100, allow_nan=False), min_size=6, max_size=9),
    st.floats(0.1, 10),
    st.floats(-50, 50),
)
def test_p_does_not_depend_on_scale_or_shift(values: list[float], scale: float, shift: float) -> None:
    value = np.round(np.array(values), 2)
    label, one = np.arange(value.size) >= 3, np.ones(value.size)
    first = relabelling_test(value, one, label=label, stratum=np.zeros(value.size))
    other = relabelling_test(scale * value + shift, one, label=label, stratum=np.zeros(value.size))
    assert first is not None
    assert other is not None
    assert other.p == pytest.approx(first.p, abs=1e-12) or np.ptp(value) < 0.02
    assert first.p >= first.smallest_here >= first.smallest - 1e-12


def test_likeness_of_neighbours_makes_p_larger() -> None:
    """A slow wave over 16 sessions: the second half is higher because neighbours are alike."""
    wave = np.sin(np.arange(16) / 16 * 2 * np.pi + np.pi)
    found = relabelling_test(wave, np.ones(16), label=np.arange(16) >= 8, stratum=np.zeros(16))
    assert found is not None
    assert found.p < 0.01
    assert found.likeness is not None
    assert found.likeness > 0.5
    assert found.p_if_alike is not None
    assert found.p_if_alike > 0.03
    back_and_forth = np.array([1.0, -1] * 6) + np.arange(12) / 100
    apart = relabelling_test(back_and_forth, np.ones(12), label=np.arange(12) >= 6, stratum=np.zeros(12))
    assert apart is not None
    assert apart.likeness == 0.0
    assert apart.p_if_alike == apart.p
    few = relabelling_test([1, 2, 3, 4], np.ones(4), label=[0, 0, 1, 1], stratum=np.zeros(4))
    assert few is not None
    assert (few.likeness, few.p_if_alike) == (None, None)


def test_signs_flipped_by_hand() -> None:
    """Differences 1, 2 and 4 of three sessions, 8 flips: only all + and all - are as far from 0: 2 of 8."""
    found = sign_flip_test([1, 2, 4])
    assert found is not None
    assert (found.value, found.arrangements) == (pytest.approx(7 / 3), 8)
    assert found.p == found.smallest == pytest.approx(2 / 8)
    together = sign_flip_test([1, 2, 4], cluster=[0, 0, 1])
    assert together is not None
    assert (together.p, together.arrangements) == (pytest.approx(2 / 4), 4)
    assert sign_flip_test([]) is None


def test_signs_flipped_against_an_independent_implementation() -> None:
    """scipy.stats.permutation_test with permutation_type "samples" flips signs of one sample."""
    d = np.random.default_rng(4).standard_normal(9) + 0.5
    theirs = stats.permutation_test(
        (d,), lambda x: abs(x.mean()), permutation_type="samples", alternative="greater", n_resamples=np.inf
    )
    mine = sign_flip_test(d)
    assert mine is not None
    assert mine.p == pytest.approx(theirs.pvalue, abs=1e-12)
    drawn = sign_flip_test(d, most=10, seed=3, name="x")
    assert drawn is not None
    assert not drawn.enumerated
    assert drawn.p == pytest.approx(mine.p, abs=0.02)


@pytest.mark.parametrize(("b", "c"), [(0, 5), (3, 9), (10, 12), (1, 1), (0, 1)])
def test_mcnemar_against_an_independent_implementation(b: int, c: int) -> None:
    """statsmodels, exact."""
    assert mcnemar_exact(b, c) == pytest.approx(mcnemar([[7, b], [c, 2]], exact=True).pvalue)


def test_mcnemar_without_discordant_pairs_and_with_many() -> None:
    assert mcnemar_exact(0, 0) == 1.0
    assert mcnemar_exact(0, 6) == pytest.approx(2 / 64)
    assert 0 < mcnemar_exact(900, 1200) < 1e-9


def test_order_by_hand() -> None:
    """Affected are the last three of six: of 20 ways only that and its mirror are as far from the middle."""
    found = order_test([0, 0, 0, 1, 1, 1])
    assert found is not None
    assert (found.value, found.p, found.smallest) == (pytest.approx(1.5), pytest.approx(0.1), pytest.approx(0.1))
    assert order_test([0, 0, 0]) is None
    assert order_test([1, 1]) is None
    assert order_test([1, 0], stratum=[0, 1]) is None


def test_order_against_brute_force_within_people() -> None:
    flag = np.array([0, 1, 0, 1, 1, 0, 0, 1, 1], dtype=bool)
    stratum = np.array([0, 0, 0, 0, 0, 1, 1, 1, 1])
    place = np.array([-2, -1, 0, 1, 2, -1.5, -0.5, 0.5, 1.5])
    every = [
        place[list(a)].sum() + place[[5 + i for i in b]].sum()
        for a in itertools.combinations(range(5), 3)
        for b in itertools.combinations(range(4), 2)
    ]
    observed = place[flag].sum()
    found = order_test(flag, stratum=stratum)
    assert found is not None
    assert found.arrangements == len(every) == 60
    assert found.p == pytest.approx(np.mean(np.abs(every) >= abs(observed) - 1e-9))


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(
        DataError, match=r"^expected four columns of one length, got shapes \(2,\), \(3,\), \(2,\), \(2,\)$"
    ):
        relabelling_test([1, 2], [1, 1, 1], label=[0, 1], stratum=[0, 0])
    with pytest.raises(DataError, match=r"^expected one label and one stratum a row, got shapes \(2,\) and \(1,\)$"):
        arrangements([0, 1], [0])
    with pytest.raises(DataError, match=r"^expected columns of one length, got shapes \(2,\), \(1,\) and \(2,\)$"):
        sign_flip_test([1, 2], weight=[1])
    with pytest.raises(DataError, match=r"^expected counts of at least 0, got -1 and 2$"):
        mcnemar_exact(-1, 2)
