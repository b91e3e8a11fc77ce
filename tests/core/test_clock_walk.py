"""What a device's sessions say of each other's clocks: invented clocks that go on, are set, slip and jump."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.clockmixture import Mixture, both_ways, nearest_slips, slip_log_share
from wearbench.core.clockwalk import fit_walk
from wearbench.errors import DataError

DAY_S = 86_400.0


def clock(kind, n, rng):
    """Times of sessions a day or two apart, and the true shifts of one device."""
    time = np.cumsum(rng.exponential(1.5, n)) * DAY_S
    rate = 1e-6 * rng.normal(0, 15)
    gap = np.diff(time, prepend=time[0])
    if kind == "set anew":
        return time, rng.normal(-5, rng.uniform(0.3, 5.0), n)
    if kind == "goes on":
        return time, rate * time + np.cumsum(rng.normal(0, 0.15, n) * np.sqrt(gap / DAY_S))
    if kind == "goes on, set now and then":
        since = np.zeros(n)
        for i in range(1, n):
            since[i] = rng.uniform(0, gap[i]) if rng.random() < 0.2 else since[i - 1] + gap[i]
        return time, rate * since + rng.normal(0, 0.3, n)
    slip = np.cumsum(np.where(rng.random(n) < 0.1, rng.choice([3600.0, -3600.0, 900.0], n), 0.0))
    return time, rng.normal(0, 1, n) + slip


def seen(shift, rng, *, sd=0.3):
    return shift + rng.normal(0, sd, shift.size), np.full(shift.size, sd)


@pytest.mark.parametrize("kind", ["set anew", "goes on", "goes on, set now and then", "slips"])
def test_prediction_without_its_own_answer_holds_the_truth(kind):
    """Sixty devices of ten sessions, one of which has no answer: intervals of 95 % hold it in at least 53.

    At 95 % fewer than 53 of 60 has a chance of 1 in 100 (binomial).
    """
    rng = np.random.default_rng(17)
    held, wide = 0, []
    for _ in range(60):
        time, true = clock(kind, 10, rng)
        shift, sd = seen(true, rng)
        hidden = int(rng.integers(10))
        shift[hidden] = np.nan
        low, high = fit_walk(time, shift, sd).predicted[hidden].interval_s()
        held += low <= true[hidden] <= high
        wide.append(high - low)
    assert held >= 53
    if kind == "goes on":
        assert np.median(wide) < 3.0


def test_drift_between_sessions_is_learned():
    rng = np.random.default_rng(3)
    time = np.arange(20) * DAY_S
    walk = fit_walk(time, *seen(-4 + 12e-6 * time, rng))
    assert walk.rule.drift_ppm == pytest.approx(12.0, abs=2.0)
    assert walk.rule.goes_on > 0.8
    assert walk.n == 20


def test_before_a_reset_and_after_it():
    """A session between two runs may belong to either; one inside a run belongs to it."""
    rng = np.random.default_rng(4)
    time = np.arange(24) * DAY_S
    true = 12e-6 * np.where(np.arange(24) < 12, time, time - 12 * DAY_S)
    shift, sd = seen(true, rng, sd=0.2)
    shift[[6, 12]] = np.nan
    walk = fit_walk(time, shift, sd)
    low, high = walk.predicted[6].interval_s()
    assert low <= true[6] <= high
    assert high - low < 3.0
    low, high = walk.predicted[12].interval_s()
    assert low <= true[12] <= high
    assert high - low > 8.0


def test_clocks_that_have_nothing_in_common_promise_nothing():
    rng = np.random.default_rng(5)
    time, shift = np.arange(12) * DAY_S, rng.uniform(-7200, 7200, 12)
    walk = fit_walk(time, shift, np.full(12, 0.2))
    for one in walk.predicted:
        low, high = one.interval_s()
        assert high - low > 7200


def test_slip_of_an_hour_is_expected_more_than_any_other_shift():
    rng = np.random.default_rng(6)
    time, shift = np.arange(12) * DAY_S, rng.normal(-5, 0.5, 12)
    one = fit_walk(time, shift, np.full(12, 0.2)).predicted[5]
    hour, odd = one.log_density(np.array([3595.0, 3195.0]))
    assert hour > odd + 3
    assert one.strangeness(3595.0, sd_s=0.2) < 0.2
    assert one.strangeness(3195.0, sd_s=0.2) > 0.9


def test_wrong_answer_is_strange_and_leaves_the_others_alone():
    rng = np.random.default_rng(7)
    time, shift = np.arange(12) * DAY_S, rng.normal(-5, 0.5, 12)
    right = fit_walk(time, shift, np.full(12, 0.2))
    wrong = shift.copy()
    wrong[6] += 243.0
    walk = fit_walk(time, wrong, np.full(12, 0.2))
    strange = [one.strangeness(s, sd_s=0.2) for one, s in zip(walk.predicted, wrong, strict=True)]
    assert strange[6] > 0.95
    assert max(strange[:6] + strange[7:]) < 0.05
    for i in (0, 5, 7):
        assert walk.predicted[i].interval_s()[1] == pytest.approx(right.predicted[i].interval_s()[1], abs=2.0)


def test_two_answers_are_weighed_by_the_other_sessions():
    rng = np.random.default_rng(8)
    time = np.arange(10) * DAY_S
    shift = np.full((10, 2), np.nan)
    shift[:, 0] = rng.normal(-5, 0.5, 10)
    shift[4] = [235.0, -5.2]
    weight = np.where(np.isnan(shift), 0.0, 0.99)
    weight[4] = [0.6, 0.39]
    after = fit_walk(time, shift, np.full((10, 2), 0.2), weight=weight).smoothed[4]
    low, high = after.interval_s()
    assert low == pytest.approx(-5.6, abs=0.3)
    assert high == pytest.approx(-4.8, abs=0.3)


def test_own_answer_narrows_the_prediction():
    rng = np.random.default_rng(9)
    time, shift = np.arange(8) * DAY_S, rng.normal(-5, 2.0, 8)
    walk = fit_walk(time, shift, np.full(8, 0.2))
    for before, after in zip(walk.predicted, walk.smoothed, strict=True):
        assert np.diff(after.interval_s()) < np.diff(before.interval_s())


def test_order_of_sessions_does_not_matter():
    rng = np.random.default_rng(10)
    time, true = clock("goes on", 9, rng)
    shift, sd = seen(true, rng)
    straight = fit_walk(time, shift, sd)
    turn = rng.permutation(9)
    turned = fit_walk(time[turn], shift[turn], sd[turn])
    assert turned.rule == straight.rule
    for i, j in enumerate(turn.tolist()):
        assert np.array_equal(turned.predicted[i].mean_s, straight.predicted[j].mean_s)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_sessions_say_little(n):
    time, shift = np.arange(3) * DAY_S, np.where(np.arange(3) < n, -5.0, np.nan)
    walk = fit_walk(time, shift, np.full(3, 0.2))
    low, high = walk.predicted[2].interval_s()
    assert walk.n == n
    assert high - low > 5.0


def test_shapes_that_differ_are_refused():
    with pytest.raises(DataError) as caught:
        fit_walk(np.zeros(2), np.zeros(3), np.zeros(3))
    assert str(caught.value) == (
        "expected a time for each session and shifts, errors and weights alike, got shapes (2,), (3, 1), (3, 1) "
        "and (3, 1)"
    )


# mixtures


def normal(mean, sd, *, goes_on=None):
    return Mixture(
        weight=np.ones(1),
        mean_s=np.array([mean]),
        variance=np.array([sd**2]),
        strange=np.zeros(1),
        goes_on=None if goes_on is None else np.array([goes_on]),
    )


def test_slips_are_whole_quarters_and_their_shares_add_up():
    assert nearest_slips(np.array([10.0, -10.0, 3590.0, -1000.0])).tolist() == [1.0, -1.0, 4.0, -1.0]
    every = np.concatenate([np.arange(-56.0, 0.0), np.arange(1.0, 57.0)])
    assert np.exp(slip_log_share(every)).sum() == pytest.approx(1.0)
    assert slip_log_share(np.array([4.0])) > slip_log_share(np.array([3.0]))


def test_interval_of_one_normal_is_the_normal_one():
    assert normal(3.0, 2.0).interval_s() == pytest.approx((3 - 1.959964 * 2, 3 + 1.959964 * 2), abs=2e-3)


def test_product_of_two_normals_is_the_textbook_one():
    """Precision-weighted mean and added precisions, apart from a wide prior."""
    prior = normal(0.0, 1e4)
    joined = both_ways(normal(0.0, 1.0, goes_on=True), normal(1.0, 2.0, goes_on=True), prior)
    assert joined.mean_s[0] == pytest.approx(0.2)
    assert joined.variance[0] == pytest.approx(0.8)


def test_density_adds_up_to_one():
    grid = np.arange(-60_000.0, 60_000.0, 0.5)
    one = Mixture(
        weight=np.array([0.7, 0.3]), mean_s=np.array([0.0, 40.0]), variance=np.array([4.0, 100.0]),
        strange=np.zeros(2), slips=0.2,
    )  # fmt: skip
    assert np.exp(one.log_density(grid)).sum() * 0.5 == pytest.approx(1.0, abs=0.01)
