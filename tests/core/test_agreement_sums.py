"""Sums of pairs: what they are, that they merge, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import (
    SUM_NAMES,
    block_index,
    block_sums,
    correlation_time_s,
    grouped_sums,
    merge_sums,
    pair_sums,
)
from wearbench.errors import DataError


def pairs(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.Generator(np.random.PCG64(seed))
    reference = generator.normal(120, 25, n)
    return reference + generator.normal(2, 6, n), reference


def by_hand(tested: np.ndarray, reference: np.ndarray, tolerance: float, share: float) -> list[float]:
    d, n = tested - reference, tested.size
    x, y = reference - reference.mean(), tested - tested.mean()
    return [
        n,
        reference.mean(),
        tested.mean(),
        d.mean(),
        np.sum(x**2),
        np.sum(y**2),
        np.sum((d - d.mean()) ** 2),
        np.sum(x * y),
        np.sum(np.abs(d)),
        np.sum(100 * np.abs(d) / np.abs(reference)),
        0,
        np.sum(np.abs(d) <= tolerance),
        np.sum(np.abs(d) <= 0.1 * reference),
        np.sum(np.abs(d) <= np.maximum(tolerance, share * reference)),
    ]


@pytest.mark.parametrize("n", [1, 500, 40_000])
def test_sums_by_hand(n: int) -> None:
    tested, reference = pairs(1, n)
    found = pair_sums(tested, reference, tolerance=5.0, tolerance_share=0.05)
    assert found == pytest.approx(by_hand(tested, reference, 5.0, 0.05), rel=1e-11)


def test_no_pairs_are_zeros() -> None:
    assert pair_sums([], []).tolist() == [0.0] * len(SUM_NAMES)


def test_a_difference_of_just_the_tolerance_is_within() -> None:
    found = dict(zip(SUM_NAMES, pair_sums([105.0, 110.0, 110.001], [100.0] * 3, tolerance=5.0), strict=True))
    assert found["n_within_tolerance"] == 1
    assert found["n_within_10_percent"] == found["n_within_greater"] == 2


def test_without_a_tolerance_its_counts_are_not_numbers() -> None:
    found = dict(zip(SUM_NAMES, pair_sums([1.0], [1.0]), strict=True))
    assert np.isnan(found["n_within_tolerance"])
    assert np.isnan(found["n_within_greater"])
    assert found["n_within_10_percent"] == 1


@settings(max_examples=50, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(0, 40), min_size=1, max_size=12),
    size=st.sampled_from([1.0, 1e6, 1e9]),
)
def test_merging_gives_the_sums_of_all_pairs_in_any_order(seed: int, sizes: list[int], size: float) -> None:
    generator = np.random.Generator(np.random.PCG64(seed))
    group = np.repeat(np.arange(len(sizes)), sizes)
    reference = size + generator.integers(0, 4096, group.size) / 16  # exact in float64 whatever the size
    tested = reference + generator.integers(-512, 512, group.size) / 16
    parts = np.array([pair_sums(tested[group == g], reference[group == g], tolerance=5.0) for g in range(len(sizes))])
    whole = pair_sums(tested, reference, tolerance=5.0)
    order = generator.permutation(len(sizes))
    at = np.maximum(np.abs(whole), 1.0)
    assert np.abs(merge_sums(parts)[0] - whole).max() <= 1e-11 * at.max()
    moved = merge_sums(parts[order])[0]
    assert np.all(np.abs(moved - merge_sums(parts)[0]) <= 1e-12 * at + 1e-12 * size)
    together = grouped_sums(tested, reference, group=group, count=len(sizes), tolerance=5.0)
    assert together[:, 4:8] == pytest.approx(parts[:, 4:8], rel=1e-9, abs=1e-6)
    assert together[:, [0, 8, 11, 12, 13]] == pytest.approx(parts[:, [0, 8, 11, 12, 13]], rel=1e-12)


def test_merging_into_groups_is_merging_each_group() -> None:
    tested, reference = pairs(3, 300)
    parts = grouped_sums(tested, reference, group=np.arange(300) // 25)
    joined = merge_sums(parts, index=np.arange(12) % 3, count=4)
    for group in range(3):
        assert joined[group, 1:11] == pytest.approx(merge_sums(parts[group::3])[0, 1:11], rel=1e-12)
    assert not np.any(joined[3, :11])


def test_nothing_is_lost_far_from_zero() -> None:
    tested, reference = np.array([1e12 + 1, 1e12 + 3, 1e12 + 5]), np.array([1e12, 1e12, 1e12])
    found = dict(zip(SUM_NAMES, pair_sums(tested, reference), strict=True))
    assert found["mean_difference"] == 3.0
    assert found["m2_difference"] == found["m2_tested"] == 8.0


def test_nan_and_infinity_are_refused() -> None:
    with pytest.raises(DataError) as caught:
        pair_sums([1.0, 2.0, np.nan, np.inf], [1.0, 2.0, 3.0, 4.0])
    assert str(caught.value) == (
        "expected finite values, got 2 of 4 pairs with NaN or infinity, the first at position 2; leave them out before"
    )


def test_columns_of_different_length_are_refused() -> None:
    with pytest.raises(DataError) as caught:
        pair_sums([1.0, 2.0], [1.0])
    assert str(caught.value) == (
        "expected tested and reference values as two columns of one length, got shapes (2,) and (1,)"
    )


def test_groups_out_of_range_and_not_whole_are_refused() -> None:
    with pytest.raises(DataError) as caught:
        grouped_sums([1.0, 2.0], [1.0, 2.0], group=[0, 3], count=2)
    assert str(caught.value) == "expected groups from 0 to 1, got 0 to 3"
    with pytest.raises(DataError) as caught:
        grouped_sums([1.0, 2.0], [1.0, 2.0], group=[0.0, 1.0])
    assert str(caught.value) == "expected one whole-number group a pair, got float64 of shape (2,)"
    with pytest.raises(DataError) as caught:
        merge_sums(np.zeros((2, 3)))
    assert str(caught.value) == f"expected rows of {len(SUM_NAMES)} sums, got shape (2, 3)"


def test_blocks_hold_whole_stretches_and_a_short_last_one_joins() -> None:
    time = np.arange(0.0, 200.0)
    assert np.bincount(block_index(time, block_s=60.0)).tolist() == [60, 60, 80]
    assert np.bincount(block_index(time[:100], block_s=60.0)).tolist() == [60, 40]
    gap = np.concatenate([time[:60], time[:60] + 600])
    assert np.bincount(block_index(gap, block_s=60.0)).tolist() == [60, 60]
    assert block_index(time[:20], block_s=60.0).tolist() == [0] * 20
    with pytest.raises(DataError, match=r"^expected a block longer than 0 s, got 0$"):
        block_index(time, block_s=0)


def test_block_sums_merge_to_the_session() -> None:
    tested, reference = pairs(4, 500)
    rows = block_sums(tested, reference, time_s=np.arange(500.0), tolerance=5.0)
    assert rows.shape == (8, len(SUM_NAMES))
    assert merge_sums(rows)[0] == pytest.approx(pair_sums(tested, reference, tolerance=5.0), rel=1e-12)


def test_times_that_step_back_are_refused() -> None:
    with pytest.raises(DataError) as caught:
        block_sums([1.0] * 9, [1.0] * 9, time_s=[0.0, 2.0, 1.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0])
    assert str(caught.value) == "expected times that do not decrease; sort the pairs first"


@pytest.mark.parametrize("phi", [0.5, 0.9, 0.97])
def test_correlation_time_of_a_first_order_process(phi: float) -> None:
    # integrated autocorrelation time of AR(1): step (1 + phi)/(2 (1 - phi))
    generator = np.random.Generator(np.random.PCG64(11))
    found = []
    for _ in range(20):
        shock = generator.normal(0, np.sqrt(1 - phi**2), 4000)
        value = np.empty(4000)
        value[0] = generator.normal()
        for at in range(1, 4000):
            value[at] = phi * value[at - 1] + shock[at]
        found.append(correlation_time_s(2.0 * np.arange(4000.0), value))
    assert np.mean(found) == pytest.approx(2.0 * (1 + phi) / (2 * (1 - phi)), rel=0.2)


def test_correlation_time_that_cannot_be_told_is_zero() -> None:
    assert correlation_time_s(np.arange(5.0), np.arange(5.0)) == 0.0
    assert correlation_time_s(np.arange(50.0), np.full(50, 3.0)) == 0.0


def test_correlation_time_with_gaps_is_the_same() -> None:
    generator = np.random.Generator(np.random.PCG64(12))
    value = np.convolve(generator.normal(size=6010), np.ones(11) / 11, mode="valid")
    time = np.arange(6000.0)
    keep = generator.random(6000) < 0.7
    whole, part = correlation_time_s(time, value), correlation_time_s(time[keep], value[keep])
    assert part == pytest.approx(whole, rel=0.25)
    assert whole == pytest.approx(5.5, rel=0.25)
