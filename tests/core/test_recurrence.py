"""Trend of affected sessions, intervals that hold at all numbers of sessions, differences with intervals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from wearbench.core.differences import difference_of_ratios, difference_over_people, paired_mean
from wearbench.core.recurrence import firth_slope
from wearbench.core.sequences import always_valid_share
from wearbench.errors import DataError


def _penalised(theta: np.ndarray, x: np.ndarray, y: np.ndarray) -> float:
    design = np.stack([np.ones(x.size), x], axis=1)
    eta = design @ theta
    p = 1 / (1 + np.exp(-eta))
    information = design.T @ (design * (p * (1 - p))[:, None])
    return float(y @ eta - np.logaddexp(0, eta).sum() + 0.5 * np.linalg.slogdet(information)[1])


@pytest.mark.parametrize(
    "affected", [[1, 0, 1, 1, 0, 1, 0, 0], [0, 0, 0, 1, 0, 1, 0, 1, 1, 1], [1, 1, 1, 1, 0, 0, 0, 0], [0, 1, 0, 0, 0, 0]]
)
def test_slope_against_direct_maximisation(affected: list[int]) -> None:
    """The penalised likelihood written out (Firth 1993) and maximised by a general optimiser."""
    y = np.array(affected, dtype=float)
    x = np.arange(y.size, dtype=float)
    best = optimize.minimize(
        lambda t: -_penalised(t, x - x.mean(), y),
        [0.0, 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10},
    )
    found = firth_slope(affected, x)
    assert found.value == pytest.approx(best.x[1], abs=0.01)
    half = stats.chi2.ppf(0.95, 1) / 2
    for bound in (found.low, found.high):
        if bound is None:
            continue
        at = optimize.minimize_scalar(lambda a, b=bound: -_penalised(np.array([a, b]), x - x.mean(), y))
        assert -best.fun + at.fun == pytest.approx(half, abs=0.01)


def test_slope_of_all_none_and_separated() -> None:
    assert firth_slope([1, 1, 1], [0, 1, 2]).why == "none or all affected: no trend can be seen"
    assert firth_slope([1, 0], [3, 3]).why == "sessions at one place only"
    apart = firth_slope([1, 1, 1, 1, 0, 0, 0, 0], np.arange(8))
    assert apart.value is not None
    assert apart.low is None
    assert apart.why == "a bound is further than any number says"
    with pytest.raises(DataError, match=r"^expected one place a session, got shapes \(2,\) and \(3,\)$"):
        firth_slope([1, 0], [1, 2, 3])


def test_sequence_is_where_the_mixture_stays_small() -> None:
    """The mixture written out: integral of (q/p)^k ((1-q)/(1-p))^(n-k) over the Beta(1/2, 1/2) density of q; it is
    1/alpha at the bounds (Ville's inequality; Robbins 1970)."""
    k, n = 4, 11
    low, high = always_valid_share([k], [n])
    for p in (float(low[0]), float(high[0])):
        mixture = integrate.quad(
            lambda q, p=p: stats.beta.pdf(q, 0.5, 0.5) * (q / p) ** k * ((1 - q) / (1 - p)) ** (n - k), 0, 1
        )[0]
        assert mixture == pytest.approx(20.0, rel=1e-3)


def test_sequence_holds_at_all_numbers_of_sessions_at_once() -> None:
    """2,000 seeded studies of 300 sessions: the truth is ever left out in at most 5 %; the exact interval of a fixed
    number of sessions, looked at after each, is left far more often."""
    rng = np.random.default_rng(20_310_112)
    n = np.arange(1, 301)
    for share in (0.05, 0.3, 0.5, 0.9):
        k = np.cumsum(rng.random((2000, n.size)) < share, axis=1)
        low, high = always_valid_share(k, np.broadcast_to(n, k.shape))
        left = np.any((share < low) | (share > high), axis=1).mean()
        assert left <= 0.05
        fixed_low, fixed_high = stats.beta.ppf(0.025, k, n - k + 1), stats.beta.ppf(0.975, k + 1, n - k)
        fixed = (share < np.nan_to_num(fixed_low)) | (share > np.nan_to_num(fixed_high, nan=1.0))
        assert np.any(fixed, axis=1).mean() > 0.10


def test_sequence_contains_the_exact_interval_and_the_share() -> None:
    n = np.repeat(np.arange(1, 41), 3)
    k = np.concatenate([[0, m // 2, m] for m in range(1, 41)])
    low, high = always_valid_share(k, n)
    assert (low <= np.nan_to_num(stats.beta.ppf(0.025, k, n - k + 1)) + 1e-9).all()
    assert (high >= np.nan_to_num(stats.beta.ppf(0.975, k + 1, n - k), nan=1.0) - 1e-9).all()
    assert ((low <= k / n) & (k / n <= high)).all()
    with pytest.raises(DataError, match=r"^expected 0 <= affected <= sessions and at least one session in every row$"):
        always_valid_share([1], [0])


def test_difference_of_equal_sessions_is_welchs() -> None:
    """With equal denominators ratios of sums are means: scipy.stats.ttest_ind(equal_var=False) gives the interval."""
    rng = np.random.default_rng(3)
    before, after = rng.normal(5, 1, 7), rng.normal(4, 3, 5)
    found = difference_of_ratios(
        np.concatenate([before, after]), np.ones(12), label=np.repeat([False, True], [7, 5]), stratum=np.zeros(12)
    )
    theirs = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_difference_over_people_of_equal_weights_is_a_t_interval() -> None:
    rng = np.random.default_rng(8)
    value = rng.normal(0, 1, 12)
    stratum, label = np.repeat(np.arange(6), 2), np.tile([False, True], 6)
    own = value[1::2] - value[::2]
    found = difference_over_people(value, np.ones(12), label=label, stratum=stratum)
    theirs = stats.t.interval(0.95, 5, own.mean(), own.std(ddof=1) / np.sqrt(6))
    assert (found.value, found.low, found.high) == pytest.approx((own.mean(), *theirs), abs=1e-6)


def test_differences_say_why_they_have_no_interval() -> None:
    label, one = [False, False, True], np.ones(3)
    assert difference_of_ratios([1, 2, 4], one, label=label, stratum=[0, 0, 0]).why == (
        "one session on a side: no interval can be given"
    )
    assert difference_of_ratios([1, 2, 4], one, label=label, stratum=[0, 0, 1]).why == (
        "no participant has sessions on both sides"
    )
    still = difference_of_ratios([1, 1, 1, 1], np.ones(4), label=[0, 0, 1, 1], stratum=np.zeros(4))
    assert (still.value, still.why) == (0.0, "the sessions do not vary: no interval can be given")
    alone = difference_over_people([1, 2, 4], one, label=label, stratum=[0, 0, 0])
    assert (alone.value, alone.why) == (
        pytest.approx(2.5),
        "fewer than two participants with sessions on both sides: nothing can be said of other people",
    )


def test_paired_mean_over_sessions_and_over_people() -> None:
    d = np.array([1.0, 2.0, 4.0, 3.0])
    alone = paired_mean(d, weight=np.ones(4), participant=np.zeros(4))
    theirs = stats.t.interval(0.95, 3, d.mean(), d.std(ddof=1) / 2)
    assert (alone.low, alone.high) == pytest.approx(theirs, abs=1e-6)
    people = paired_mean(d, weight=np.ones(4), participant=[0, 0, 1, 1])
    assert people.n == 2
    assert people.method == "jackknife over 2 participants, sessions nested"
    assert paired_mean([1.0], weight=[1.0], participant=[0]).why == "one session: no interval can be given"
    assert paired_mean([], weight=[], participant=[]).why == "no session in common"
