"""Categories: counting, what cannot be counted, clusters, and properties that hold for any matrix."""

from __future__ import annotations

import math
from dataclasses import astuple

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wearbench.core.agreement.categories import confusion, confusion_by
from wearbench.core.agreement.categorysummary import CategorySummary, summarise_categories
from wearbench.core.agreement.classes import class_skill
from wearbench.core.agreement.kappa import ac1, category_statistics, cohen_kappa, mcc, pabak
from wearbench.core.resample import exact_proportion
from wearbench.errors import CannotTell, DataError

MATRICES = st.integers(2, 5).flatmap(
    lambda q: st.lists(st.lists(st.integers(0, 40), min_size=q, max_size=q), min_size=q, max_size=q)
)


def night(rng: np.random.Generator, *, n: int = 200, right: float = 0.85, asleep: float = 0.8) -> np.ndarray:
    reference = (rng.random(n) < asleep).astype(int)
    tested = np.where(rng.random(n) < right, reference, 1 - reference)
    return confusion(tested, reference, labels=[0, 1]).counts


def summary(counts: np.ndarray, **options: object) -> CategorySummary:
    k = len(counts)
    return summarise_categories(counts, session=np.arange(k), participant=np.zeros(k, int), **options)  # type: ignore[arg-type]


def test_rows_are_the_reference() -> None:
    found = confusion(["wake", "sleep", "sleep"], ["sleep", "sleep", "wake"])
    assert found.labels == ("sleep", "wake")
    assert found.counts.tolist() == [[1, 1], [1, 0]]
    assert found.shares.tolist() == [[0.5, 0.5], [1.0, 0.0]]
    assert found.n == 3


def test_labels_give_order_and_categories_that_do_not_occur() -> None:
    found = confusion([2.0, 1.0], [2, 2], labels=[3, 2, 1])
    assert found.labels == ("3", "2", "1")
    assert found.counts.tolist() == [[0, 0, 0], [0, 1, 1], [0, 0, 0]]
    assert np.isnan(found.shares[0]).all()


def test_one_matrix_a_group() -> None:
    labels, counts = confusion_by([1, 0, 1, 1], [1, 1, 0, 1], ["b", "a", "b", "b"])
    assert labels == ("0", "1")
    assert counts.tolist() == [[[0, 0], [1, 0]], [[0, 1], [0, 2]]]


@pytest.mark.parametrize(
    ("tested", "reference", "options", "message"),
    [
        ([1, 2], [1], {}, "expected a tested and a reference category a pair, got 2 and 1"),
        ([[1]], [[1]], {}, "expected one column of tested categories, got shape (1, 1)"),
        (
            [1.0, math.nan, math.inf],
            [1, 1, 1],
            {},
            "expected a category in every pair, 2 of 3 tested ones are missing or infinite, the first in row 1; leave "
            "such pairs out and count them",
        ),
        (
            ["a", "b"],
            ["a", None],
            {},
            "expected a category in every pair, 1 of 2 reference ones are missing or infinite, the first in row 1; "
            "leave such pairs out and count them",
        ),
        (
            [math.nan, math.nan],
            [1, 1],
            {},
            "expected a category in every pair, 2 of 2 tested ones are missing or infinite, the first in row 0; leave "
            "such pairs out and count them",
        ),
        ([1.5, 2.0], [1, 2], {}, "expected whole codes, got 1.5 in row 0 of the tested column"),
        (["a"], [1], {}, "expected codes in both columns or labels in both, got one of each"),
        ([1, 4], [1, 2], {"labels": [1, 2]}, "expected one of the labels 1, 2, got 4 in the tested column"),
        ([1], [1], {"labels": [1, 1]}, "expected each label once, got 1, 1"),
        (
            np.array(["2031-01-01"], "M8[D]"),
            [1],
            {},
            "expected whole codes or labels in the tested column, got datetime64[D]",
        ),
    ],
)
def test_what_cannot_be_counted(tested: object, reference: object, options: dict, message: str) -> None:
    with pytest.raises(DataError) as caught:
        confusion(tested, reference, **options)  # type: ignore[arg-type]
    assert str(caught.value) == message


def test_groups_must_match() -> None:
    with pytest.raises(DataError, match=r"^expected one group a pair, got shape \(1,\) for 2 pairs$"):
        confusion_by([1, 2], [1, 2], [1])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: confusion([], []), "a confusion matrix needs pairs, there are none"),
        (lambda: cohen_kappa([[0, 0], [0, 0]]), "agreement of categories needs pairs, there are none"),
        (lambda: cohen_kappa([[5]]), "agreement of categories needs 2 categories, there is 1"),
        (lambda: pabak([[5]]), "agreement of categories needs 2 categories, there is 1"),
        (lambda: ac1([[5]]), "agreement of categories needs 2 categories, there is 1"),
        (lambda: mcc([[5]]), "agreement of categories needs 2 categories, there is 1"),
        (lambda: cohen_kappa([[5, 2], [0, 0]]), "kappa needs a reference with two categories, it has one"),
        (lambda: cohen_kappa([[5, 0], [0, 0]]), "kappa needs a reference with two categories, it has one"),
    ],
)
def test_what_cannot_be_told(call: object, message: str) -> None:
    with pytest.raises(CannotTell) as caught:
        call()  # type: ignore[operator]
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("counts", "message"),
    [
        ([[1, 2]], "expected a square matrix of counts, got shape (1, 2)"),
        ([], "expected a square matrix of counts, got shape (0,)"),
        ([[1, -1], [0, 1]], "expected counts of 0 or more, got a negative, missing or infinite one"),
        ([[1, math.nan], [0, 1]], "expected counts of 0 or more, got a negative, missing or infinite one"),
        ([[1, math.inf], [0, 1]], "expected counts of 0 or more, got a negative, missing or infinite one"),
    ],
)
def test_what_is_no_matrix(counts: object, message: str) -> None:
    for function in (cohen_kappa, ac1, pabak, mcc, class_skill):
        with pytest.raises(DataError) as caught:
            function(counts)  # type: ignore[operator]
        assert str(caught.value) == message


def test_unknown_weights() -> None:
    with pytest.raises(DataError, match=r"^expected the weights 'none', 'linear' or 'quadratic', got 'cubic'$"):
        cohen_kappa([[1, 2], [3, 4]], weights="cubic")  # type: ignore[arg-type]


def test_a_device_that_always_says_sleep_has_no_skill_and_no_interval() -> None:
    found = cohen_kappa([[90, 0], [10, 0]])
    assert (found.value, found.observed, found.se) == (0.0, 0.9, 0.0)
    assert math.isnan(found.low) and math.isnan(found.high)
    sleep, wake = class_skill([[90, 0], [10, 0]], labels=["sleep", "wake"])
    assert (sleep.sensitivity.value, sleep.specificity.value) == (1.0, 0.0)
    assert (wake.ppv.value, wake.ppv.why) == (None, "the device never gave wake")
    assert (sleep.npv.value, sleep.npv.why) == (
        None,
        "the device never gave wake".replace("never gave wake", "gave nothing but sleep"),
    )
    assert (wake.n_reference, wake.n_tested) == (10, 0)


def test_perfect_agreement_has_no_standard_error() -> None:
    found = cohen_kappa([[30, 0], [0, 20]])
    assert (found.value, found.se) == (1.0, 0.0)
    assert math.isnan(found.high)
    assert ac1([[30, 0], [0, 20]]).value == 1.0


def test_sensitivity_specificity_and_predictive_values() -> None:
    # by hand from the table 80 10 / 5 5: rows reference
    first, second = class_skill([[80, 10], [5, 5]], labels=["sleep", "wake"])
    assert [first.sensitivity.value, first.specificity.value] == [80 / 90, 5 / 10]
    assert [first.ppv.value, first.npv.value] == [80 / 85, 5 / 15]
    assert [second.sensitivity.value, second.specificity.value] == [5 / 10, 80 / 90]
    assert (first.sensitivity.low, first.sensitivity.high) == exact_proportion(80, 90)
    assert first.sensitivity.method == "exact (Clopper-Pearson), pairs taken as independent"
    only = class_skill([[4, 0], [0, 0]])
    assert only[0].specificity.why == "the reference has nothing but 0"
    assert only[1].sensitivity.why == "the reference never has 1"
    with pytest.raises(DataError, match=r"^expected 2 labels, got 1$"):
        class_skill([[4, 0], [0, 0]], labels=["a"])


@given(MATRICES, st.integers(2, 50))
def test_more_pairs_of_the_same_kind_change_no_value(rows: list[list[int]], times: int) -> None:
    counts = np.array(rows)
    assume(np.count_nonzero(counts.sum(axis=1)) > 1)
    once, often = category_statistics(counts), category_statistics(times * counts)
    for name, value in once.items():
        assert often[name] == pytest.approx(value, abs=1e-9, nan_ok=True)
    a, b = cohen_kappa(counts), cohen_kappa(times * counts)
    assert b.se == pytest.approx(a.se / math.sqrt(times), abs=1e-7)


@given(MATRICES)
def test_swapping_device_and_reference_changes_no_coefficient_and_swaps_the_shares(rows: list[list[int]]) -> None:
    counts = np.array(rows)
    assume(counts.sum() > 0)
    here, there = category_statistics(counts), category_statistics(counts.T)
    for name in ("accuracy", "pabak", "ac1", "mcc"):
        assert there[name] == pytest.approx(here[name], abs=1e-9)
    for a, b in zip(class_skill(counts), class_skill(counts.T), strict=True):
        assert (a.sensitivity.value, a.ppv.value) == (b.ppv.value, b.sensitivity.value)


@given(MATRICES, st.randoms(use_true_random=False))
def test_order_of_categories_matters_to_weighted_kappa_only(rows: list[list[int]], random: object) -> None:
    counts = np.array(rows)
    assume(counts.sum() > 0)
    order = list(range(len(rows)))
    random.shuffle(order)  # type: ignore[attr-defined]
    here, there = category_statistics(counts), category_statistics(counts[np.ix_(order, order)])
    for name in ("accuracy", "kappa", "pabak", "ac1", "mcc"):
        assert there[name] == pytest.approx(here[name], abs=1e-9, nan_ok=True)
    back, forth = category_statistics(counts[::-1, ::-1]), here
    assert back["kappa_linear"] == pytest.approx(forth["kappa_linear"], abs=1e-9, nan_ok=True)


@given(MATRICES)
def test_nothing_leaves_its_range(rows: list[list[int]]) -> None:
    counts = np.array(rows)
    assume(counts.sum() > 0)
    for value in category_statistics(counts).values():
        assert math.isnan(value) or -1 - 1e-9 <= value <= 1 + 1e-9


@given(st.integers(0, 10_000), st.integers(1, 12), st.integers(2, 4))
def test_a_summary_never_claims_what_it_cannot_know(seed: int, nights: int, q: int) -> None:
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 6, (nights, q, q)) * (rng.random((nights, 1, 1)) < 0.8)
    found = summary(counts)
    assert list(found.first) == list(found.pooled)
    for one in found.pooled.values():
        assert one.value is not None or one.why
        assert (one.low is None) == (one.high is None)
        assert one.low is not None or one.why
        if one.low is not None:
            assert one.low - 1e-9 <= one.value <= one.high + 1e-9
            assert one.n >= 2
    for mean in found.first.values():
        assert mean.value is not None or mean.why
        assert mean.low is not None or mean.why
        if mean.low is not None:
            assert mean.low <= mean.value <= mean.high <= 1
        assert mean.n + mean.n_left_out == found.n_clusters


def test_per_night_first_and_pooled_by_hand() -> None:
    counts = np.array([[[40, 10], [5, 5]], [[180, 0], [10, 10]], [[30, 30], [20, 20]]])
    found = summary(counts, labels=["sleep", "wake"])
    shares = np.array([40 / 50, 1.0, 0.5])
    first = found.first["sensitivity[sleep]"]
    half = 4.302653 * shares.std(ddof=1) / math.sqrt(3)  # t.975 on 2 df
    assert first.value == pytest.approx(shares.mean())
    assert (first.low, first.high) == (pytest.approx(shares.mean() - half, abs=1e-6), 1.0)
    assert (first.sd, first.least, first.most) == (pytest.approx(shares.std(ddof=1)), 0.5, 1.0)
    assert first.method == "mean over 3 sessions of one person, one unit, t(2)"
    assert found.pooled["sensitivity[sleep]"].value == pytest.approx(250 / 290)
    assert found.pooled["accuracy"].value == pytest.approx(285 / 360)
    assert found.pooled["pabak"].value == pytest.approx(2 * 285 / 360 - 1)
    assert found.pooled["kappa"].value == pytest.approx(cohen_kappa(counts.sum(axis=0)).value)
    assert found.pooled["kappa"].low < found.pooled["kappa"].value < found.pooled["kappa"].high
    assert found.confusion.counts.tolist() == [[250, 40], [35, 35]]
    assert (found.unit, found.n_clusters) == ("sessions", 3)


def test_duplicating_a_night_does_not_narrow_as_independent_pairs_would() -> None:
    rng = np.random.default_rng(3)
    counts = np.array([night(rng, right=r) for r in (0.7, 0.8, 0.85, 0.9, 0.95)])
    once, ten = summary(counts), summary(10 * counts)
    for name in ("accuracy", "kappa", "ac1", "mcc", "sensitivity[0]"):
        assert astuple(ten.pooled[name])[:3] == pytest.approx(astuple(once.pooled[name])[:3], rel=1e-9)
        assert astuple(ten.first[name])[:3] == pytest.approx(astuple(once.first[name])[:3], rel=1e-9)
    twice = counts.copy()
    twice[0] *= 2
    assert summary(twice).pooled["kappa"].value < once.pooled["kappa"].value
    assert summary(twice).first["kappa"].value == pytest.approx(once.first["kappa"].value)


def test_participants_are_the_clusters_where_there_are_two() -> None:
    rng = np.random.default_rng(5)
    counts = np.array([night(rng) for _ in range(6)])
    found = summarise_categories(counts, session=np.arange(6), participant=np.array([0, 0, 1, 1, 2, 2]))
    joined = counts.reshape(3, 2, 2, 2).sum(axis=1)
    assert (found.unit, found.n_clusters) == ("participants", 3)
    assert found.first["kappa"].value == pytest.approx(np.mean(category_statistics(joined)["kappa"]))
    assert found.first["kappa"].method == "mean over 3 participants, sessions nested, t(2)"


def test_resampling_is_seeded_and_near_t() -> None:
    rng = np.random.default_rng(6)
    counts = np.array([night(rng, right=rng.uniform(0.7, 0.95)) for _ in range(20)])
    a, b = (summary(counts, interval="bca", resamples=2000, seed=1, name="nights").pooled["kappa"] for _ in range(2))
    assert a == b
    t = summary(counts).pooled["kappa"]
    assert a.method == "BCa, 2000 resamples, on 20 sessions of one person, one unit"
    assert (a.low, a.high) == pytest.approx((t.low, t.high), abs=0.05)


def test_messages_of_a_summary() -> None:
    one = summary(np.array([[[40, 9], [6, 45]]]))
    assert one.pooled["kappa"].why == "one session: no interval can be given"
    assert one.first["kappa"].why == "one session with a value: no interval can be given"
    assert summary(np.zeros((3, 2, 2))).pooled["kappa"].why == "no pairs"
    asleep = summary(np.array([[[40, 9], [0, 0]], [[30, 1], [0, 0]]]), labels=["sleep", "wake"])
    assert asleep.pooled["kappa"].why == "the reference has nothing but sleep: no skill can show"
    assert asleep.pooled["sensitivity[wake]"].why == "the reference never has wake"
    assert (asleep.pooled["mcc"].value, asleep.pooled["mcc"].why) == (
        0.0,
        "the reference has nothing but sleep: 0 by convention",
    )
    always = summary(np.array([[[40, 0], [9, 0]], [[30, 0], [1, 0]]]), labels=["sleep", "wake"])
    assert always.pooled["mcc"].why == "the device gave nothing but sleep: 0 by convention"
    assert (always.pooled["kappa"].value, always.pooled["kappa"].why) == (
        0.0,
        "all sessions give the same value: no interval can be given",
    )
    parted = summary(np.array([[[40, 9], [0, 0]], [[0, 0], [3, 30]]]), labels=["sleep", "wake"])
    assert parted.first["kappa"].why == "in each of the sessions the reference has one category only: no skill can show"
    assert parted.pooled["kappa"].why == "one of the sessions holds all that differs: no interval can be given"
    single = summary(np.array([[[4]], [[5]]]), labels=["sleep"])
    assert single.pooled["kappa"].why == single.pooled["pabak"].why == "there is one category only"
    with pytest.raises(DataError, match=r"^expected 2 labels, got 1$"):
        summary(np.ones((2, 2, 2)), labels=["a"])
    with pytest.raises(DataError, match=r"^expected counts of 0 or more, got a negative, missing or infinite one$"):
        summary(np.full((2, 2, 2), np.nan))
    with pytest.raises(DataError) as caught:
        summarise_categories(np.ones((2, 2, 3)), session=np.arange(2), participant=np.arange(2))
    assert str(caught.value) == (
        "expected square matrices with a session and a participant each, got shapes (2, 2, 3), (2,) and (2,)"
    )


def test_pooled_pairs_taken_as_independent_visibly_fail_where_clusters_hold() -> None:
    """Nights differ in how well the device tells; 300 simulated studies of 12 nights."""
    rng = np.random.default_rng(11)
    held = {"cluster": 0, "first": 0, "naive": 0}
    truth = None
    for study in range(301):
        nights = 4000 if study == 0 else 12
        right = rng.beta(17, 3, nights)
        asleep = rng.random((nights, 300)) < 0.8
        correct = rng.random((nights, 300)) < right[:, None]
        said = np.where(correct, asleep, ~asleep)
        counts = np.stack(
            [
                np.stack([np.sum((asleep == r) & (said == t), axis=1) for t in (False, True)], axis=-1)
                for r in (False, True)
            ],
            axis=-2,
        )
        if truth is None:
            truth = (category_statistics(counts.sum(axis=0))["kappa"], np.mean(category_statistics(counts)["kappa"]))
            continue
        found = summary(counts)
        naive = cohen_kappa(counts.sum(axis=0))
        held["cluster"] += found.pooled["kappa"].low <= truth[0] <= found.pooled["kappa"].high
        held["first"] += found.first["kappa"].low <= truth[1] <= found.first["kappa"].high
        held["naive"] += naive.low <= truth[0] <= naive.high
    assert held["cluster"] / 300 > 0.90
    assert held["first"] / 300 > 0.90
    assert held["naive"] / 300 < 0.70
