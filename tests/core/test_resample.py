"""Resampling of clusters from sums, and shares over clusters."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.agreement import grouped_sums, summarise
from wearbench.core.agreement.moments import Centre, cluster_moments
from wearbench.core.agreement.twostage import two_stage_totals
from wearbench.core.resample import (
    bca_interval,
    exact_proportion,
    percentile_interval,
    ratio_interval,
    resampled_totals,
    sessions_affected,
    studentised_interval,
    totals_and_squares,
    weight_blocks,
    wilson,
)
from wearbench.errors import DataError


def test_weights_are_whole_draws_of_all_clusters() -> None:
    weights = np.concatenate(list(weight_blocks(7, resamples=600, seed=1, name="a")))
    assert weights.shape == (600, 7)
    assert np.all(weights.sum(axis=1) == 7)
    assert np.all(weights == np.rint(weights))
    assert weights.mean(axis=0) == pytest.approx(np.ones(7), abs=0.15)


def test_draws_are_keyed_by_seed_and_name_and_not_by_how_many_follow() -> None:
    rows = np.arange(12.0).reshape(6, 2)
    first = resampled_totals(rows, resamples=300, seed=1, name="a")
    assert np.array_equal(first, resampled_totals(rows, resamples=300, seed=1, name="a"))
    assert np.array_equal(first[:256], resampled_totals(rows, resamples=256, seed=1, name="a"))
    assert not np.array_equal(first, resampled_totals(rows, resamples=300, seed=1, name="b"))
    assert not np.array_equal(first, resampled_totals(rows, resamples=300, seed=2, name="a"))


def test_resampled_mean_has_the_spread_of_theory() -> None:
    value = np.random.Generator(np.random.PCG64(1)).normal(0, 1, 40)
    totals = resampled_totals(np.stack([np.ones(40), value], axis=1), resamples=20_000, seed=5, name="")
    # variance of a bootstrap mean: population variance / n; its own sd is about 1 % of it with 20,000 resamples
    assert (totals[:, 1] / totals[:, 0]).var() == pytest.approx(value.var() / 40, rel=0.04)


def test_percentile_and_bca_of_a_symmetric_sample_agree() -> None:
    drawn = np.random.Generator(np.random.PCG64(3)).normal(5, 2, 200_000)
    plain = percentile_interval(drawn, confidence=0.95)
    assert plain == pytest.approx((5 - 3.92, 5 + 3.92), abs=0.05)
    corrected = bca_interval(5.0, drawn, np.array([4.0, 5.0, 6.0]), confidence=0.95)
    assert corrected == pytest.approx(plain, abs=0.05)


def test_bca_shifts_for_bias_and_acceleration() -> None:
    drawn = np.random.Generator(np.random.PCG64(4)).normal(0, 1, 200_000)
    # Efron 1987: with z0 = 0 and a > 0 both ends move up: level = Phi(z/(1 - a z))
    without = -np.array([0.0, 0.0, 0.0, 0.0, 10.0])
    away = without.mean() - without
    a = np.sum(away**3) / (6 * np.sum(away**2) ** 1.5)
    low, high = bca_interval(0.0, drawn, without, confidence=0.95)  # type: ignore[misc]
    assert (low, high) == pytest.approx((-1.96 / (1 + 1.96 * a), 1.96 / (1 - 1.96 * a)), abs=0.03)
    assert bca_interval(0.0, np.zeros(50), without, confidence=0.95) is None
    assert bca_interval(9.0, drawn, without, confidence=0.95) is None


def test_resampling_nothing_is_refused() -> None:
    with pytest.raises(DataError, match=r"^expected one row of moments a cluster, got shape \(0, 3\)$"):
        resampled_totals(np.zeros((0, 3)), resamples=10, seed=1, name="")
    with pytest.raises(DataError, match=r"^expected at least one resample, got 0$"):
        resampled_totals(np.zeros((2, 3)), resamples=0, seed=1, name="")


def test_sessions_affected() -> None:
    found = sessions_affected(1, 10)
    assert found.value == 0.1
    assert (found.low, found.high) == pytest.approx((0.002529, 0.445016), abs=5e-7)  # Clopper & Pearson, recomputed
    assert (found.n, found.method) == (10, "exact (Clopper-Pearson) on 10 sessions")
    assert sessions_affected(0, 0).why == "no sessions"
    with pytest.raises(DataError, match=r"^expected 0 <= affected <= all and at least one, got 3 of 2$"):
        sessions_affected(3, 2)
    with pytest.raises(DataError, match=r"^expected 0 <= affected <= all and at least one, got 0 of 0$"):
        exact_proportion(0, 0)
    with pytest.raises(DataError, match=r"^expected 0 <= affected <= all and at least one, got -1 of 2$"):
        wilson(-1, 2)


def test_ratio_of_time_weighs_by_time_and_clusters_by_participant() -> None:
    found = ratio_interval([90.0, 190.0, 50.0, 700.0], [100.0, 200.0, 100.0, 800.0], participant=[0, 0, 1, 2])
    assert found.value == pytest.approx(1030 / 1200)
    assert found.method == "exact at the effective number of 3 participants, sessions nested"
    assert 0 < found.low < found.value < found.high < 1


def test_ratio_with_none_or_all_is_exact_on_clusters() -> None:
    found = ratio_interval([100.0] * 5, [100.0] * 5, participant=[0] * 5)
    assert (found.value, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(0.025 ** (1 / 5))
    assert found.method == "exact (Clopper-Pearson) on 5 sessions of one person, one unit"
    assert ratio_interval([0.0] * 5, [100.0] * 5, participant=[0] * 5).high == pytest.approx(1 - 0.025 ** (1 / 5))


def test_ratio_of_one_session_and_of_no_time() -> None:
    one = ratio_interval([50.0], [100.0], participant=[0])
    assert (one.value, one.low, one.why) == (0.5, None, "one session: no interval can be given")
    none = ratio_interval([0.0], [0.0], participant=[0])
    assert (none.value, none.why) == (None, "no time was judged")
    blocks = ratio_interval([50.0, 60.0, 40.0], [60.0] * 3, participant=[0] * 3, session=[4, 4, 4], blocks=True)
    assert blocks.method.endswith("3 blocks of one session: one person, one unit, no general claim")


def test_ratio_of_equal_shares_is_no_better_known_than_its_time() -> None:
    found = ratio_interval([50.0, 50.0], [100.0, 100.0], participant=[0, 1])
    assert (found.low, found.high) == pytest.approx(exact_proportion(100, 200), abs=1e-12)


def test_ratio_refuses_what_does_not_fit() -> None:
    with pytest.raises(DataError) as caught:
        ratio_interval([5.0, 11.0], [10.0, 10.0], participant=[0, 1])
    assert str(caught.value) == "expected 0 <= numerator <= denominator in every row, got 11.0 of 10.0 in row 1"
    with pytest.raises(DataError) as caught:
        ratio_interval([5.0], [10.0, 10.0], participant=[0, 1])
    assert str(caught.value) == "expected four columns of one length, got shapes (1,), (2,), (2,), (1,)"


def test_products_of_resampled_moments_are_those_of_the_same_draws() -> None:
    rows = np.random.Generator(np.random.PCG64(8)).normal(0, 1, (6, 3))
    totals, squares = totals_and_squares(rows, resamples=300, seed=1, name="a")
    assert totals == pytest.approx(resampled_totals(rows, resamples=300, seed=1, name="a"), abs=1e-12)
    weights = np.concatenate(list(weight_blocks(6, resamples=300, seed=1, name="a")))
    assert squares == pytest.approx(np.einsum("rk,ki,kj->rij", weights, rows, rows), abs=1e-12)


def test_studentised_interval_turns_the_quantiles_round() -> None:
    drawn = np.linspace(0, 10, 1001)
    # t* runs from -4 to 6 for a value of 4 and standard errors of 1: 2.5 % at -3.75, 97.5 % at 5.75
    found = studentised_interval(4.0, 2.0, drawn, np.ones(1001), confidence=0.95)
    assert found == pytest.approx((4 - 2 * 5.75, 4 + 2 * 3.75))
    assert studentised_interval(4.0, 0.0, drawn, np.ones(1001), confidence=0.95) is None
    assert studentised_interval(4.0, 2.0, drawn, np.zeros(1001), confidence=0.95) is None
    assert studentised_interval(float("nan"), 2.0, drawn, np.ones(1001), confidence=0.95) is None


def study(persons: int = 9, sessions: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.Generator(np.random.PCG64(6))
    count = persons * sessions
    who = np.repeat(np.arange(persons), sessions)
    at = np.repeat(np.arange(count), 15)
    reference = 120 + generator.normal(0, 15, at.size)
    tested = reference + generator.normal(0, 3, persons)[who][at] + generator.normal(1, 4, at.size)
    return grouped_sums(tested, reference, group=at, count=count, tolerance=5.0), np.arange(count), who


def test_studentised_interval_of_a_mean_is_that_of_the_cluster_means() -> None:
    sums, session, who = study(sessions=1)
    found = summarise(sums, session=session, participant=who, interval="studentised", seed=3, name="x")["bias"]
    # the same by hand: equal clusters, so the bias is the mean of cluster means and its error their SD/sqrt(K)
    means = sums[:, 3]
    weights = np.concatenate(list(weight_blocks(9, resamples=10_000, seed=3, name="x")))
    drawn = weights @ means / 9
    error = np.sqrt(np.maximum((weights @ means**2 - 9 * drawn**2) / 8 / 9, 0))
    wanted = studentised_interval(means.mean(), means.std(ddof=1) / 3, drawn, error, confidence=0.95)
    assert (found.low, found.high) == pytest.approx(wanted, rel=1e-5)
    assert found.method == "studentised, 10000 resamples, on 9 participants"


@pytest.mark.parametrize("interval", ["percentile", "bca", "studentised"])
@pytest.mark.parametrize("within", [False, True])
def test_resampled_intervals_do_not_depend_on_the_order_of_sessions(interval: str, within: bool) -> None:
    if within and interval != "percentile":
        return
    sums, session, who = study()
    order = np.random.Generator(np.random.PCG64(9)).permutation(len(sums))
    terms = {"interval": interval, "within": within, "resamples": 500, "seed": 4, "name": "x"}
    first = summarise(sums, session=session, participant=who, **terms)
    second = summarise(sums[order], session=session[order], participant=who[order], **terms)
    for name, one in first.items():
        got = second[name]
        assert got.method == one.method
        for ours, theirs in ((got.value, one.value), (got.low, one.low), (got.high, one.high)):
            assert ours is theirs is None or ours == pytest.approx(theirs, rel=1e-7), name


@pytest.mark.parametrize("interval", ["percentile", "bca", "studentised"])
def test_resampled_intervals_follow_shift_and_scale(interval: str) -> None:
    sums, session, who = study()
    generator = np.random.Generator(np.random.PCG64(6))
    at = np.repeat(np.arange(27), 15)
    reference = 120 + generator.normal(0, 15, at.size)
    tested = reference + generator.normal(0, 3, 9)[who][at] + generator.normal(1, 4, at.size)
    moved = grouped_sums(2 * tested + 10, 2 * reference, group=at, count=27, tolerance=5.0)
    terms = {"interval": interval, "resamples": 400, "seed": 4, "session": session, "participant": who}
    first, second = summarise(sums, **terms), summarise(moved, **terms)
    for name in ("bias", "limit_low", "limit_high"):
        wanted = (2 * first[name].low + 10, 2 * first[name].high + 10)
        assert (second[name].low, second[name].high) == pytest.approx(wanted, rel=1e-5)
    assert second["sd_of_differences"].high == pytest.approx(2 * first["sd_of_differences"].high, rel=1e-5)


@pytest.mark.parametrize("interval", ["percentile", "bca", "studentised"])
def test_fewer_than_five_clusters_and_constants_keep_what_t_says(interval: str) -> None:
    sums, session, who = study(persons=4)
    found = summarise(sums, session=session, participant=who, interval=interval)
    assert found == summarise(sums, session=session, participant=who)
    same = grouped_sums(np.full(60, 103.0), np.full(60, 100.0), group=np.arange(60) // 10, count=6, tolerance=5.0)
    one = summarise(same, session=np.arange(6), participant=np.arange(6), interval=interval)
    assert one["bias"].why == "all participants give the same value: no interval can be given"
    assert one["limit_low"].why == "all differences are identical"
    assert one["within_tolerance"].method == "exact (Clopper-Pearson) on 6 participants"


def test_intervals_of_no_known_name_and_stages_without_percentiles_are_refused() -> None:
    sums, session, who = study()
    with pytest.raises(DataError) as caught:
        summarise(sums, session=session, participant=who, interval="normal")  # type: ignore[arg-type]
    assert str(caught.value) == "expected interval to be one of t, percentile, bca, studentised, got normal"
    with pytest.raises(DataError) as caught:
        summarise(sums, session=session, participant=who, interval="bca", within=True)
    assert str(caught.value) == ('expected interval "percentile" to resample sessions within participants, got bca')


def test_two_stages_have_the_spread_of_theory() -> None:
    sums, _, who = study(persons=12, sessions=4)
    centre = Centre(reference=120.0, tested=121.0, difference=0.0)
    totals = two_stage_totals(sums, index=who, count=12, centre=centre, resamples=20_000, seed=1, name="")
    means = sums[:, 3].reshape(12, 4)
    # persons drawn: variance of their means / 12; sessions drawn again: mean variance in persons / (4 * 12)
    wanted = means.mean(axis=1).var() / 12 + means.var(axis=1).mean() / 48
    assert (totals[:, 3] / totals[:, 1]).var() == pytest.approx(wanted, rel=0.05)
    one = two_stage_totals(sums[::4], index=np.arange(12), count=12, centre=centre, resamples=50, seed=1, name="")
    # one session each: every total is a sum of twelve rows of moments
    assert one[:, 1] == pytest.approx(np.full(50, cluster_moments(sums[::4], centre).rows[:, 1].sum()))
    with pytest.raises(DataError) as caught:
        two_stage_totals(sums[:2], index=np.array([0, 2]), count=3, centre=centre, resamples=5, seed=1, name="")
    assert str(caught.value) == "expected at least one session of each of 3 participants, got [1, 0, 1]"
    with pytest.raises(DataError) as caught:
        two_stage_totals(sums, index=who, count=12, centre=centre, resamples=0, seed=1, name="")
    assert str(caught.value) == "expected at least one resample, got 0"
