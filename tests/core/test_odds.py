"""Odds ratios of states from seconds, their levels and intervals, and what chance gives."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import permutation_test
from whyness import cells_of, chain, run_length_s

from wearbench.core.chance import label_chance, shift_chance, shift_sums
from wearbench.core.odds import level_of, mantel_haenszel, odds_between, odds_of_blocks, odds_within
from wearbench.errors import DataError

ONE = np.zeros(8, dtype=int)


def test_level_within_sessions_where_two_lie_on_both_sides() -> None:
    cells = [[0, 600, 0, 600], [0, 600, 0, 600], [0, 0, 0, 900]]
    assert level_of(cells, [0, 0, 0]) == "within sessions"


def test_level_between_sessions_of_one_person() -> None:
    assert level_of([[0, 900, 0, 0], [0, 0, 0, 900]], [0, 0]) == "between sessions"


def test_level_between_participants_where_each_lies_on_one_side() -> None:
    cells = [[0, 900, 0, 0], [0, 800, 0, 0], [0, 0, 0, 900]]
    assert level_of(cells, [0, 0, 1]) == "between participants"


def test_no_level_where_all_lies_on_one_side() -> None:
    assert level_of([[5, 900, 0, 0], [5, 800, 0, 0]], [0, 1]) == "none"


def test_mantel_haenszel_refuses_other_shapes() -> None:
    with pytest.raises(DataError, match=r"^expected four cells a row \(shape \(k, 4\)\), got shape \(3,\)$"):
        mantel_haenszel([1.0, 2.0, 3.0])
    with pytest.raises(DataError, match=r"^expected cells of 0 or more, got -1\.0$"):
        mantel_haenszel([[-1.0, 2.0, 3.0, 4.0]])


def test_odds_within_by_hand() -> None:
    # R = 60*540/1200 = 27 twice, S = 540*30/1170 and so on: sessions alike but for one number.
    cells = np.array([[60, 540, 30, 570], [60, 540, 60, 540.0]])
    found = odds_within(cells, session=[0, 1], participant=[0, 0], run_s=30.0)
    top = [60 * 570 / 1200, 60 * 540 / 1200]
    bottom = [540 * 30 / 1200, 540 * 60 / 1200]
    assert found.value == pytest.approx(sum(top) / sum(bottom))
    assert found.low is not None and found.high is not None
    spread = np.array(top) / sum(top) - np.array(bottom) / sum(bottom)
    middle = 0.5 * (math.log(found.low) + math.log(found.high))
    assert middle == pytest.approx(math.log(found.value or 0))
    assert found.n == 2
    reach = 0.5 * (math.log(found.high) - math.log(found.low))
    assert reach > 12.7 * math.sqrt(2 * float(np.sum(spread**2))) * 0.99  # t with one degree of freedom, or less


def test_odds_do_not_depend_on_the_unit_of_time() -> None:
    cells = np.array([[60, 540, 30, 570], [90, 540, 60, 540.0], [10, 500, 40, 500]])
    seconds = odds_within(cells, session=[0, 1, 2], participant=[0, 0, 0], run_s=20.0)
    minutes = odds_within(cells / 60, session=[0, 1, 2], participant=[0, 0, 0], run_s=20.0 / 60)
    assert (seconds.value, seconds.low, seconds.high) == pytest.approx((minutes.value, minutes.low, minutes.high))


def test_sides_exchanged_give_the_reciprocal() -> None:
    cells = np.array([[60, 540, 30, 570], [90, 540, 60, 540.0], [10, 500, 40, 500]])
    one = odds_within(cells, session=[0, 1, 2], participant=[0, 0, 0], run_s=20.0)
    other = odds_within(cells[:, [2, 3, 0, 1]], session=[0, 1, 2], participant=[0, 0, 0], run_s=20.0)
    assert one.value is not None and one.low is not None and one.high is not None
    assert (other.value, other.low, other.high) == pytest.approx((1 / one.value, 1 / one.high, 1 / one.low))


def test_never_without_the_condition_has_no_upper_bound() -> None:
    cells = np.array([[60, 540, 0, 600], [90, 540, 0, 600], [40, 560, 0, 600.0]])
    found = odds_within(cells, session=[0, 1, 2], participant=[0, 0, 0], run_s=60.0)
    assert found.high is None and found.low is not None and found.value is not None and found.value > found.low
    assert found.why == "less than one stretch of it without the condition: half a stretch was added, no upper bound"


def test_state_in_one_session_only_gives_no_interval() -> None:
    cells = np.array([[60, 540, 30, 570], [0, 600, 0, 600]])
    found = odds_within(cells, session=[0, 1], participant=[0, 0], run_s=30.0)
    assert found.value == pytest.approx(60 * 570 / (540 * 30))
    assert (found.low, found.high) == (None, None)
    assert found.why == "the state and both sides come together in one session only: no interval can be given"


def test_state_in_sessions_of_one_of_two_people_gives_no_interval() -> None:
    cells = np.array([[60, 540, 30, 570], [50, 540, 30, 570], [0, 600, 0, 600]])
    found = odds_within(cells, session=[0, 1, 2], participant=[0, 0, 1], run_s=30.0)
    assert found.why == "the state and both sides come together in one participant only: no interval can be given"


def test_odds_between_sessions_of_one_person_by_hand() -> None:
    hit, asked = np.array([60.0, 120, 30, 0]), np.array([600.0, 600, 600, 600])
    inside = np.array([True, True, False, False])
    found = odds_between(hit, asked, inside, session=[0, 1, 2, 3], participant=ONE[:4], run_s=10.0)
    assert found.value == pytest.approx((180 / 1020) / (30 / 1170))
    # Shares 0.15 and 0.025; each arm's variance of the share 2 * sum(r^2) / 1200^2, r = 30 and 15.
    v1 = 2 * 2 * 30**2 / 1200**2 / (0.15 * 0.85) ** 2
    v0 = 2 * 2 * 15**2 / 1200**2 / (0.025 * 0.975) ** 2
    df = (v1 + v0) ** 2 / (v1**2 + v0**2)
    from scipy.stats import t

    reach = t.ppf(0.975, df) * math.sqrt(v1 + v0)
    assert found.low == pytest.approx((found.value or 0) * math.exp(-reach))
    assert found.high == pytest.approx((found.value or 0) * math.exp(reach))


def test_odds_between_with_one_session_on_a_side_has_no_interval() -> None:
    found = odds_between([60, 0, 30], [600] * 3, [True, False, False], session=[0, 1, 2], participant=ONE[:3], run_s=9)
    assert found.why == "one side has a single session: no interval can be given"


def test_odds_between_takes_people_with_both_sides_for_strata() -> None:
    hit = np.array([60.0, 30, 90, 10, 20, 5])
    asked = np.full(6, 600.0)
    inside = np.array([True, False] * 3)
    found = odds_between(hit, asked, inside, session=np.arange(6), participant=[0, 0, 1, 1, 2, 2], run_s=5.0)
    cells = np.stack([hit[::2], 600 - hit[::2], hit[1::2], 600 - hit[1::2]], axis=1)
    assert found.value == pytest.approx(mantel_haenszel(cells))
    assert found.method == "Mantel-Haenszel over participants, clusters 3 participants"


def test_blocks_of_one_session() -> None:
    rng = np.random.default_rng(1)
    state, condition = chain(rng, sessions=1, cells=2000, onset=0.01, effect=1.0, spread=0.0)
    seconds = np.full(2000, 10.0)
    block = np.arange(2000) // 100
    cell = 4 * block + 2 * (condition[0] == 0) + (state[0] == 0)
    table = np.bincount(cell, weights=seconds, minlength=80).reshape(-1, 4)
    found = odds_of_blocks(table, run_s=run_length_s(state))
    assert found.low is not None and found.high is not None and found.low < 1 < found.high
    assert found.method == "odds of seconds over 20 blocks of one session: one person, one unit, no general claim"


def test_shift_sums_as_a_plain_loop() -> None:
    rng = np.random.default_rng(5)
    state, condition = rng.random(37), rng.random(37)
    plain = [float(np.sum(np.roll(state, -s) * condition)) for s in range(37)]
    assert shift_sums(state, condition) == pytest.approx(np.array(plain) - state.sum() * condition.sum() / 37)


def test_shift_chance_looks_at_all_where_there_are_few() -> None:
    # One piece of ten in the state, two under the condition, and the one among them: 2 of 10 shifts give as much.
    state, condition = np.eye(10)[0], np.array([1, 1, 0, 0, 0, 0, 0, 0, 0, 0.0])
    found = shift_chance([shift_sums(state, condition)], draws=999, seed=1, name="x")
    assert (found.p, found.looked_at, found.exact) == (0.2, 10, True)


def test_label_chance_same_as_scipy() -> None:
    rng = np.random.default_rng(7)
    excess = rng.normal(size=9) + np.array([1.5] * 4 + [0.0] * 5)
    inside = np.array([True] * 4 + [False] * 5)
    mine = label_chance(excess, inside, np.zeros(9, dtype=int), draws=999, seed=1, name="x")

    def statistic(x: np.ndarray, y: np.ndarray) -> float:
        return abs(float(x.mean() - y.mean()))

    theirs = permutation_test((excess[inside], excess[~inside]), statistic, alternative="greater", n_resamples=np.inf)
    assert mine.exact and mine.looked_at == 126
    assert mine.p == pytest.approx(theirs.pvalue)


def test_label_chance_keeps_to_participants() -> None:
    # Two people, two sessions each, one on either side: four arrangements, so p cannot be below a half.
    found = label_chance([9.0, 0.0, 9.0, 0.0], [True, False, True, False], [0, 0, 1, 1], draws=99, seed=1, name="x")
    assert (found.p, found.least, found.looked_at) == (0.5, 0.5, 4)


def test_studies_of_hundreds_of_sessions_have_more_arrangements_than_numbers_go() -> None:
    rng = np.random.default_rng(3)
    rows = [shift_sums(rng.random(60) < 0.2, rng.random(60) < 0.5) for _ in range(400)]
    assert shift_chance(rows, draws=99, seed=1, name="x", enough=99).least == 0.01
    side = np.arange(2_000) % 2 == 0
    found = label_chance(rng.normal(size=2_000), side, np.zeros(2_000, dtype=int), draws=99, seed=1, name="x")
    assert found.least == 0.01


def test_drawing_ends_early_with_a_large_p() -> None:
    rng = np.random.default_rng(2)
    rows = [shift_sums(rng.random(300) < 0.2, rng.random(300) < 0.5) for _ in range(8)]
    found = shift_chance(rows, draws=9_999, seed=1, name="x")
    again = shift_chance(rows, draws=9_999, seed=1, name="x")
    assert found == again and not found.exact and found.looked_at < 9_999 and found.p == 30 / found.looked_at


def test_interval_covers_about_as_often_as_it_says() -> None:
    held = told = 0
    for seed in range(150):
        rng = np.random.default_rng([seed, 12])
        state, condition = chain(rng, sessions=12, cells=200, onset=0.01, effect=1.0, spread=0.7)
        found = odds_within(
            cells_of(state, condition), session=np.arange(12), participant=ONE[:1].repeat(12), run_s=run_length_s(state)
        )
        if found.low is None and found.high is None:
            continue
        told += 1
        held += (found.low or 0.0) <= 1.0 <= (found.high or math.inf)
    assert told > 140
    assert held / told >= 0.92
