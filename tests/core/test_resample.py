"""Resampling of clusters from sums, and shares over clusters."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.resample import (
    bca_interval,
    exact_proportion,
    percentile_interval,
    ratio_interval,
    resampled_totals,
    sessions_affected,
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
