"""The rules of intervals: what the clusters are, what is refused and in which words."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.agreement import STATISTIC_NAMES, Estimate, block_sums, grouped_sums, pair_sums, summarise
from wearbench.errors import DataError


def study(seed: int, sizes: list[int]) -> np.ndarray:
    generator = np.random.Generator(np.random.PCG64(seed))
    group = np.repeat(np.arange(len(sizes)), sizes)
    reference = generator.normal(120, 25, group.size)
    tested = reference + generator.normal(2, 3, len(sizes))[group] + generator.normal(0, 4, group.size)
    return grouped_sums(tested, reference, group=group, tolerance=5.0)


def made(sums: np.ndarray, participant: list[int], **settings: object) -> dict[str, Estimate]:
    return summarise(sums, session=np.arange(len(sums)), participant=np.array(participant), **settings)  # type: ignore[arg-type]


def test_every_statistic_is_there_in_order() -> None:
    assert tuple(made(study(1, [30] * 6), [0, 1, 2, 3, 4, 5])) == STATISTIC_NAMES
    assert tuple(summarise(np.zeros((0, 14)), session=np.zeros(0), participant=np.zeros(0))) == STATISTIC_NAMES


def test_values_by_hand() -> None:
    tested, reference = np.array([100.0, 110, 130, 90]), np.array([98.0, 113, 118, 90])
    found = summarise(
        np.array(
            [pair_sums(tested[:2], reference[:2], tolerance=5.0), pair_sums(tested[2:], reference[2:], tolerance=5.0)]
        ),
        session=np.array([0, 1]),
        participant=np.array([0, 0]),
    )
    d = tested - reference
    assert found["n_pairs"].value == 4
    assert found["bias"].value == pytest.approx(d.mean())
    assert found["mae"].value == pytest.approx(np.abs(d).mean())
    assert found["mape"].value == pytest.approx((100 * np.abs(d) / reference).mean())
    assert found["rmse"].value == pytest.approx(np.sqrt((d**2).mean()))
    assert found["within_tolerance"].value == 0.75
    assert found["within_10_percent"].value == 0.75
    assert found["within_greater"].value == 0.75
    assert found["mean_reference"].value == pytest.approx(reference.mean())
    assert found["mean_tested"].value == pytest.approx(tested.mean())


def test_clusters_are_participants_with_sessions_nested() -> None:
    bias = made(study(2, [20] * 8), [0, 0, 1, 1, 2, 2, 3, 3])["bias"]
    assert (bias.n, bias.method) == (4, "t(3) on 4 participants, sessions nested")
    bias = made(study(2, [20] * 8), list(range(8)))["bias"]
    assert (bias.n, bias.method) == (8, "t(7) on 8 participants")


def test_one_participant_makes_sessions_the_clusters_and_says_so() -> None:
    found = made(study(3, [20] * 5), [7] * 5)
    assert (found["bias"].n, found["bias"].method) == (5, "t(4) on 5 sessions of one person, one unit")
    assert all("one person, one unit" in e.method for name, e in found.items() if name != "n_pairs")


def test_one_session_has_no_interval_without_blocks() -> None:
    bias = made(study(4, [200]), [0])["bias"]
    assert (bias.low, bias.high, bias.n) == (None, None, 0)
    assert bias.method == "one session: one person, one unit, no general claim"
    assert bias.why == "one session: no interval can be given"


def test_blocks_of_one_session_make_no_general_claim() -> None:
    generator = np.random.Generator(np.random.PCG64(4))
    reference = 120 + 10 * np.sin(np.arange(900) / 90)
    rows = block_sums(reference + generator.normal(1, 4, 900), reference, time_s=np.arange(900.0), tolerance=5.0)
    one = np.zeros(len(rows), dtype=int)
    bias = summarise(rows, session=one, participant=one, blocks=True)["bias"]
    assert bias.method == "t(14) on 15 blocks of one session: one person, one unit, no general claim"
    assert bias.low < 1 < bias.high
    assert summarise(rows, session=one, participant=one)["bias"].low is None


def test_rows_of_one_session_are_joined() -> None:
    whole = study(5, [40] * 4)
    halves = np.concatenate([whole, study(6, [40] * 4)])
    session = np.array([0, 1, 2, 3, 0, 1, 2, 3])
    found = summarise(halves, session=session, participant=np.zeros(8, dtype=int), blocks=True)
    assert found["bias"].n == 4


def test_equal_clusters_have_the_interval_of_their_means() -> None:
    sums = study(7, [30] * 6)
    means = sums[:, 3]
    half = 2.570582 * means.std(ddof=1) / np.sqrt(6)  # t(5), tables
    bias = made(sums, [0] * 6)["bias"]
    assert (bias.low, bias.high) == pytest.approx((means.mean() - half, means.mean() + half), rel=1e-6)


def test_one_large_cluster_lowers_the_degrees_of_freedom() -> None:
    assert made(study(8, [400, 20, 20, 20, 20, 20]), [0] * 6)["bias"].method.startswith("t(1.")


def test_none_or_all_within_have_exact_bounds_on_clusters() -> None:
    reference = np.full(50, 100.0)
    sums = np.array([pair_sums(reference + k / 10, reference, tolerance=5.0) for k in range(10)])
    found = made(sums, [0] * 10)["within_tolerance"]
    assert (found.value, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(0.691503, abs=5e-7)  # 1 - upper of 0/10, 0.308497
    assert found.method == "exact (Clopper-Pearson) on 10 sessions of one person, one unit"
    sums = np.array([pair_sums(reference + 20 + k / 10, reference, tolerance=5.0) for k in range(10)])
    found = made(sums, [0] * 10)["within_tolerance"]
    assert (found.low, found.value) == (0.0, 0.0)
    assert found.high == pytest.approx(0.308497, abs=5e-7)


def test_no_pairs() -> None:
    found = summarise(np.zeros((2, 14)), session=np.arange(2), participant=np.zeros(2))
    assert set(found.values()) == {Estimate(value=None, low=None, high=None, method="", n=0, why="no pairs")}


def test_one_pair() -> None:
    found = made(np.array([pair_sums([103.0], [100.0], tolerance=5.0)]), [0])
    assert found["bias"].value == 3.0
    assert found["bias"].why == "one pair: no interval can be given"
    assert {name: e.why for name, e in found.items() if e.value is None} == {
        "sd_of_differences": "one pair",
        "sd_between": "one pair",
        "sd_within": "one pair",
        "limit_low": "one pair",
        "limit_high": "one pair",
        "ccc": "concordance needs three pairs, there is 1",
    }


def test_identical_differences() -> None:
    reference = np.arange(100.0, 130.0)
    sums = grouped_sums(reference + 0.3, reference, group=np.arange(30) // 5, tolerance=5.0)
    found = made(sums, list(range(6)))
    assert found["bias"].value == pytest.approx(0.3)
    assert (found["bias"].low, found["bias"].why) == (
        None,
        "all participants give the same value: no interval can be given",
    )
    for name in ("sd_of_differences", "sd_between", "sd_within", "limit_low", "limit_high"):
        assert (found[name].value, found[name].why) == (None, "all differences are identical")


def test_no_difference_at_all() -> None:
    reference = np.arange(100.0, 130.0)
    found = made(grouped_sums(reference, reference, group=np.arange(30) // 5, tolerance=5.0), list(range(6)))
    assert found["bias"].value == found["mae"].value == found["rmse"].value == 0.0
    assert found["ccc"].value == 1.0
    assert all(found[name].low is None for name in ("bias", "mae", "rmse", "ccc"))


def test_reference_that_does_not_vary_and_reference_of_zero() -> None:
    found = made(grouped_sums([1.0, 2, 3, 5], [0.0] * 4, group=np.array([0, 0, 1, 1])), [0, 1])
    assert (found["ccc"].value, found["ccc"].why) == (None, "the reference does not vary")
    assert (found["mape"].value, found["mape"].why) == (None, "4 of 4 pairs have a reference of 0")
    assert found["within_tolerance"].why == "no tolerance is declared for this quantity"


def test_one_pair_in_each_cluster_is_the_single_pair_case() -> None:
    generator = np.random.Generator(np.random.PCG64(9))
    reference = generator.normal(100, 10, 12)
    tested = reference + generator.normal(0, 3, 12)
    found = made(grouped_sums(tested, reference, group=np.arange(12)), list(range(12)))
    assert found["sd_of_differences"].value == pytest.approx((tested - reference).std(ddof=1))
    assert found["sd_between"].why == found["sd_within"].why == "one pair in each of the participants"


def test_order_of_rows_changes_nothing() -> None:
    sums, who = study(10, [10, 25, 40, 5, 30, 22, 18]), np.array([0, 0, 1, 1, 2, 3, 3])
    turn = np.array([6, 2, 0, 5, 1, 4, 3])
    for interval in ("t", "bca"):
        first = summarise(sums, session=np.arange(7), participant=np.arange(7), interval=interval, resamples=500)  # type: ignore[arg-type]
        second = summarise(sums[turn], session=turn, participant=turn, interval=interval, resamples=500)  # type: ignore[arg-type]
        for name in STATISTIC_NAMES:
            assert second[name].method == first[name].method
            for part in ("value", "low", "high"):
                one, other = getattr(first[name], part), getattr(second[name], part)
                assert (one is None) == (other is None)
                assert one is None or other == pytest.approx(one, rel=1e-9)
    assert made(sums, who.tolist())["bias"].n == 4


def test_bca_needs_five_clusters_and_is_named() -> None:
    found = made(study(11, [20] * 5), list(range(5)), interval="bca", resamples=400, seed=3)
    assert found["bias"].method == "BCa, 400 resamples, on 5 participants"
    assert found["bias"].low < found["bias"].value < found["bias"].high
    assert made(study(11, [20] * 4), list(range(4)), interval="bca")["bias"].method == "t(3) on 4 participants"


def test_codes_that_do_not_match_the_rows_are_refused() -> None:
    with pytest.raises(DataError) as caught:
        summarise(study(12, [5, 5]), session=np.arange(2), participant=np.arange(3)[:2][None])
    assert (
        str(caught.value)
        == "expected rows of 14 sums with a session and a participant each, got shapes (2, 14), (2,) and (1, 2)"
    )
