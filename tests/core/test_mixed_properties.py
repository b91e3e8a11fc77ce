"""Properties of the mixed model for any data, and what it says where it cannot tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import (
    Cells,
    Estimate,
    MixedLimits,
    cells_of_pairs,
    cells_of_sums,
    component_intervals,
    fit_mixed,
    grouped_sums,
    mixed_limits,
    mixed_limits_of_cells,
    one_way_components,
)
from wearbench.errors import CannotTell, DataError

ANY = settings(max_examples=15, deadline=None, derandomize=True)
SEEDS = st.integers(0, 100_000)


def drawn(seed: int, *, participants: int = 5) -> dict[str, np.ndarray]:
    """Unbalanced pairs: 1 to 3 sessions each, 3 activities, some cells empty."""
    generator = np.random.Generator(np.random.PCG64(seed))
    rows = [
        (who, which, what)
        for who in range(participants)
        for which in range(1 + who % 3)
        for what in range(3)
        if generator.random() < 0.8
        for _ in range(generator.integers(1, 7))
    ]
    who, which, what = np.array(rows).T
    effect = generator.normal(0, 2, participants)[who] + generator.normal(0, 1, (participants, 3))[who, which]
    reference = generator.normal(110, 20, who.size)
    tested = reference + 1 + effect + generator.normal(0, 1, 3)[what] + generator.normal(0, 3, who.size)
    return {"tested": tested, "reference": reference, "participant": who, "session": which, "activity": what}


def limits(data: dict[str, np.ndarray], **options: object) -> MixedLimits:
    columns = {name: value for name, value in data.items() if name not in ("tested", "reference")}
    return mixed_limits(data["tested"], data["reference"], **columns, **options)  # type: ignore[arg-type]


def ends(*estimates: Estimate) -> list[float]:
    return [v for e in estimates for v in (e.low, e.value, e.high) if v is not None]


@ANY
@given(seed=SEEDS, c=st.floats(-40, 40), factor=st.floats(0.01, 100))
def test_shifted_and_scaled_differences_shift_and_scale_everything(seed: int, c: float, factor: float) -> None:
    data = drawn(seed)
    before = limits(data)
    after = limits(data | {"tested": factor * data["tested"] + c, "reference": factor * data["reference"]})
    expected = [factor * v + c for v in ends(before.bias, before.low, before.high)]
    size = factor * before.fit.components[-1].sd
    assert ends(after.bias, after.low, after.high) == pytest.approx(expected, rel=1e-5, abs=1e-5 * size)
    assert ends(after.sd) == pytest.approx([factor * v for v in ends(before.sd)], rel=1e-5)
    assert after.remarks == before.remarks


@ANY
@given(seed=SEEDS)
def test_swapping_tested_and_reference_mirrors(seed: int) -> None:
    data = drawn(seed)
    one, other = limits(data), limits(data | {"tested": data["reference"], "reference": data["tested"]})
    assert ends(other.low, other.bias) == pytest.approx(
        [-v for v in ends(one.bias, one.high)[::-1]], rel=1e-6, abs=1e-6
    )


@ANY
@given(seed=SEEDS)
def test_order_of_pairs_and_names_do_not_matter(seed: int) -> None:
    data = drawn(seed)
    order = np.random.Generator(np.random.PCG64(seed)).permutation(data["tested"].size)
    mixed = {name: column[order] for name, column in data.items()}
    named = np.array(["Ebb", "Flood", "Quay", "Skerry", "Weir"])[mixed["participant"]]
    one, other = limits(data), limits(mixed | {"participant": named})
    assert ends(other.bias, other.low, other.high) == pytest.approx(
        ends(one.bias, one.low, one.high), rel=1e-6, abs=1e-7
    )


@ANY
@given(seed=SEEDS)
def test_sums_give_what_the_pairs_give(seed: int) -> None:
    data = drawn(seed)
    keys, group = np.unique(
        np.stack([data[name] for name in ("participant", "session", "activity")]), axis=1, return_inverse=True
    )
    sums = grouped_sums(data["tested"], data["reference"], group=group.reshape(-1))
    one = limits(data)
    other = mixed_limits_of_cells(cells_of_sums(sums, participant=keys[0], session=keys[1], activity=keys[2]))
    assert ends(other.bias, other.low, other.high) == pytest.approx(
        ends(one.bias, one.low, one.high), rel=1e-6, abs=1e-7
    )


@ANY
@given(seed=SEEDS, times=st.integers(2, 6))
def test_repeating_the_pairs_of_one_participant_moves_the_pooled_mean_and_not_this_one(seed: int, times: int) -> None:
    data = drawn(seed)
    data["tested"] = data["tested"] + 50 * data["participant"]
    again = np.where(data["participant"] == 4, times, 1)
    repeated = {name: np.repeat(column, again) for name, column in data.items()}
    one, other = limits(data), limits(repeated)
    pooled = [float(np.mean(of["tested"] - of["reference"])) for of in (data, repeated)]
    assert abs(other.fit.mean - one.fit.mean) < 0.05 * abs(pooled[1] - pooled[0])
    assert other.bias.high - other.bias.low > 0.95 * (one.bias.high - one.bias.low)
    assert other.fit.mean_df <= other.n_participants - 1


@ANY
@given(seed=SEEDS)
def test_slopes_vanish_or_point_outward_and_no_other_start_finds_better(seed: int) -> None:
    data = drawn(seed, participants=6)
    cells = cells_of_pairs(**data)
    fit = fit_mixed(cells)
    assert fit.converged
    from wearbench.core.agreement.mixedlikelihood import TERMS, criterion

    generator = np.random.Generator(np.random.PCG64(seed + 1))
    terms = [TERMS.index(part.name) for part in fit.components[:-1]]
    rows = np.zeros((300, len(TERMS)))
    rows[:, terms] = 10 ** generator.uniform(-5, 3, (300, len(terms)))
    rows[::3, terms] = fit.ratios[terms] * np.exp(generator.normal(0, 0.3, (100, len(terms))))
    here = float(criterion(fit.design, fit.ratios[None, :]).deviance[0])
    assert float(criterion(fit.design, rows).deviance.min()) >= here - 1e-9


def test_balanced_groups_are_the_analysis_of_variance() -> None:
    generator = np.random.Generator(np.random.PCG64(8))
    group = np.repeat(np.arange(7), 6)
    value = generator.normal(0, 2, 7)[group] + generator.normal(0, 1, 42)
    parts, fit = one_way_components(value, group), fit_mixed(cells_of_pairs(value, 0 * value, participant=group))
    assert fit.variance("participant") == pytest.approx(parts.variance_between, rel=1e-9)
    assert fit.variance("error") == pytest.approx(parts.variance_within, rel=1e-9)
    assert fit.mean_se == pytest.approx(math.sqrt(parts.ms_between / 42), rel=1e-9)
    assert fit.mean_df == pytest.approx(6, rel=1e-6)


def test_large_values_cost_no_digits() -> None:
    data = drawn(3)
    one, other = limits(data), limits(data | {"tested": data["tested"] + 2.0**30})
    assert other.fit.variance("error") == pytest.approx(one.fit.variance("error"), rel=1e-6)
    assert other.fit.mean - 2.0**30 == pytest.approx(one.fit.mean, abs=1e-5)


def test_one_pair_each_is_the_plain_sd_with_exact_bootstrap_limits() -> None:
    generator = np.random.Generator(np.random.PCG64(4))
    value = generator.normal(1, 2, 17)
    found = mixed_limits(value, 0 * value, participant=np.arange(17), interval="bootstrap", resamples=1500)
    assert found.sd.value == pytest.approx(float(np.std(value, ddof=1)), rel=1e-12)
    assert found.remarks == ("participant is left out: no two pairs share one: it cannot be told apart from the error",)
    # exact factors of a single limit for n = 17 (Carkeet 2015, Optom Vis Sci 92:e71-e80), recomputed
    sd, mean = float(np.std(value, ddof=1)), float(np.mean(value))
    assert (found.high.low, found.high.high) == pytest.approx((mean + 1.31503 * sd, mean + 3.14827 * sd), abs=0.25)
    assert found.bias.method == "mixed model, parametric bootstrap of 1500 on 17 participants"


def test_the_bootstrap_is_seeded() -> None:
    data = {name: column for name, column in drawn(11).items() if name not in ("session", "activity")}
    one, two, other = (limits(data, interval="bootstrap", resamples=100, seed=seed) for seed in (1, 1, 2))
    assert ends(one.low, one.high) == ends(two.low, two.high) != ends(other.low, other.high)


def test_terms_that_cannot_be_told_apart_are_left_out_and_said() -> None:
    data = drawn(5)
    one_session = limits(data | {"session": np.zeros(data["session"].size)})
    assert "session is left out: it groups the pairs as participant does" in one_session.remarks
    one_activity = limits(data | {"activity": np.full(data["session"].size, "row")})
    assert "activity is left out: there is one activity" in one_activity.remarks
    assert "participant x activity is left out: there is one activity" in one_activity.remarks
    assert one_activity.activities == ()


def test_a_variance_of_0_is_said() -> None:
    who = np.repeat(np.arange(4), 6)
    value = np.tile([-2.0, -1, 0, 0, 1, 2], 4)
    found = mixed_limits(value, 0 * value, participant=who)
    assert found.remarks == (
        "the variance of participant is estimated as 0: the data show none beyond the other terms",
    )
    assert component_intervals(found.fit)["participant"].low == 0


PAIRS = (np.array([1.0, 2, 4]), np.zeros(3))

REFUSED = [
    (([1.0, 2], [0.0, 0]), {"participant": [1, 1]}, "a mixed model needs two participants, there is 1"),
    (([1.0], [0.0]), {"participant": ["Ebb"]}, "a mixed model needs two participants, there is 1"),
    (([], []), {"participant": []}, "a mixed model needs two participants, there are 0"),
    (
        ([3.0, 3, 3], [1.0, 1, 1]),
        {"participant": [1, 1, 2]},
        "all 3 differences are alike, so no variance can be estimated",
    ),
    (
        ([1.0, 1, 5, 5], [0.0, 0, 0, 0]),
        {"participant": [1, 1, 2, 2]},
        "differences do not vary within the groups of the model, so no error can be estimated",
    ),
    (
        ([1.0, 4], [0.0, 0]),
        {"participant": [1, 2], "activity": ["row", "run"], "activity_effect": "fixed"},
        "2 pairs cannot tell 2 means and a variance",
    ),
]


@pytest.mark.parametrize(("pairs", "options", "message"), REFUSED)
def test_what_the_data_cannot_answer(
    pairs: tuple[list[float], list[float]], options: dict[str, object], message: str
) -> None:
    with pytest.raises(CannotTell) as caught:
        mixed_limits(*pairs, **options)  # type: ignore[arg-type]
    assert caught.value.message == message


WRONG = [
    (
        ([1.0, math.nan, 4], [0.0, 0, 0]),
        {"participant": [1, 1, 2]},
        "expected finite values, got 1 of 3 pairs with NaN or infinity, the first at position 1; leave them out before",
    ),
    (
        ([1.0, 2, 4], [0.0, math.inf, -math.inf]),
        {"participant": [1, 1, 2]},
        "expected finite values, got 2 of 3 pairs with NaN or infinity, the first at position 1; leave them out before",
    ),
    (
        ([math.nan] * 3, [math.nan] * 3),
        {"participant": [1, 1, 2]},
        "expected finite values, got 3 of 3 pairs with NaN or infinity, the first at position 0; leave them out before",
    ),
    (PAIRS, {"participant": [1, 2]}, "expected one participant a row, got shape (2,) for 3 rows"),
    (
        PAIRS,
        {"participant": [1.0, math.nan, 2]},
        "expected one participant a row, got NaN in row 1; leave it out before",
    ),
    (PAIRS, {"participant": [1, 1, 2], "activity_effect": "odd"},
     "expected the activity effect 'random', 'fixed' or 'none', got 'odd'"),
    (PAIRS, {"participant": [1, 1, 2], "interval": "odd"},
     "expected the interval 'satterthwaite', 'jackknife' or 'bootstrap', got 'odd'"),
    (PAIRS, {"participant": [1, 1, 2], "confidence": 1.0}, "expected a confidence between 0 and 1, got 1.0"),
    (PAIRS, {"participant": [1, 1, 2], "resamples": 5}, "expected at least 100 resamples, got 5"),
    (
        ([1e308, 2, 4], [-1e308, 0, 0]),
        {"participant": [1, 1, 2]},
        "expected differences below 1e+150 in size, got one beyond; give another unit",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("pairs", "options", "message"), WRONG)
def test_what_does_not_fit(pairs: tuple[object, object], options: dict[str, object], message: str) -> None:
    with pytest.raises(DataError) as caught:
        mixed_limits(*pairs, **options)  # type: ignore[arg-type]
    assert caught.value.message == message


def test_a_fit_cut_short_says_so_and_gives_no_interval(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wearbench.core.agreement.mixed.ROUNDS", 1)
    found = limits(drawn(11))
    assert not found.fit.converged
    assert found.remarks[0] == "the fit did not converge: no interval is given"
    for estimate in (found.bias, found.sd, found.low, found.high, found.activities[0].low):
        assert (estimate.low, estimate.high, estimate.n) == (None, None, 0)
        assert estimate.why == "the fit did not converge"
    with pytest.raises(CannotTell) as caught:
        component_intervals(found.fit)
    assert caught.value.message == "the fit did not converge, so its variances have no interval"


def test_no_interval_where_leaving_one_out_leaves_too_little() -> None:
    data = drawn(2, participants=2)
    found = limits(data, interval="jackknife")
    assert (found.bias.low, found.bias.high, found.bias.n) == (None, None, 0)
    assert found.low.why == "2 participants: leaving one out leaves one, and no variance between participants"


def test_a_term_that_is_not_there() -> None:
    fit = fit_mixed(cells_of_pairs(**drawn(1)))
    assert fit.variance("error") > 0
    with pytest.raises(DataError) as caught:
        fit.variance("odd")
    assert caught.value.message == (
        "expected one of participant, session, activity, participant x activity, error, got 'odd'"
    )


@pytest.mark.parametrize(("interval", "studies"), [("satterthwaite", 100), ("jackknife", 50)])
def test_coverage_of_normal_effects(interval: str, studies: int) -> None:
    """10 participants with 30 pairs: how often 95 % intervals hold the truth, within what chance allows."""
    generator = np.random.Generator(np.random.PCG64(20_310_112))
    who = np.repeat(np.arange(10), 30)
    truth = 1.96 * math.sqrt(4 + 9)
    hits = np.zeros(2)
    for _ in range(studies):
        value = 2 * generator.normal(size=10)[who] + 3 * generator.normal(size=who.size)
        cells: Cells = cells_of_pairs(value, 0 * value, participant=who)
        found = mixed_limits_of_cells(cells, interval=interval)  # type: ignore[arg-type]
        hits += [found.bias.low < 0 < found.bias.high, found.high.low < truth < found.high.high]
    assert np.all(hits / studies > 0.88)
