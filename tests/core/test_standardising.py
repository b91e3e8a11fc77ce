"""Standardised differences and shared timelines, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wearbench.core.standardising import mix_distance, standardised_difference
from wearbench.core.timelines import shared_pieces
from wearbench.errors import DataError


def test_two_cells_weighed_by_pooled_time() -> None:
    """Cell 0: 2/10 and 4/10 before, 1/30 and 2/30 after; cell 1: 5/10, 5/10 and 9/10, 9/10. Pooled time 80 and 40, so
    weights 2/3 and 1/3: before 2/3 x 0.3 + 1/3 x 0.5, after 2/3 x 0.05 + 1/3 x 0.9."""
    found = standardised_difference(
        [2, 4, 5, 5, 1, 2, 9, 9],
        [10, 10, 10, 10, 30, 30, 10, 10],
        cell=[0, 0, 1, 1, 0, 0, 1, 1],
        label=[0, 0, 0, 0, 1, 1, 1, 1],
        cluster=[0, 1, 0, 1, 2, 3, 2, 3],
    )
    assert found.weights == pytest.approx((2 / 3, 1 / 3))
    assert found.unlabelled == pytest.approx(0.2 + 0.5 / 3)
    assert found.labelled == pytest.approx(0.1 / 3 + 0.3)
    assert found.difference.value == pytest.approx(found.labelled - found.unlabelled)
    # Leaving one of two out: 2/3 x 0.4 or x 0.2, and 2/3 x 2/30 or x 1/30: variances (1/2) 2 (0.1 x 2/3)^2 and
    # (1/2) 2 (2/3 / 60)^2.
    variances = (0.2 / 3) ** 2, (2 / 180) ** 2
    half = found.difference.high - found.difference.value  # type: ignore[operator]
    from scipy import stats

    df = sum(variances) ** 2 / sum(v * v for v in variances)
    assert half == pytest.approx(stats.t.ppf(0.975, df) * math.sqrt(sum(variances)))


def test_one_cell_is_the_plain_difference_and_weights_do_not_matter() -> None:
    given = {"cell": [0, 0, 0, 0], "label": [0, 0, 1, 1], "cluster": [0, 1, 2, 3]}
    one = standardised_difference([1, 2, 3, 6], [10, 10, 10, 20], **given)
    other = standardised_difference([1, 2, 3, 6], [10, 10, 10, 20], weight=[1, 9, 4, 2], **given)
    assert one.difference.value == other.difference.value == pytest.approx(9 / 30 - 3 / 20)


def test_cells_that_rest_on_one_cluster_are_left_out_or_have_no_interval() -> None:
    given = {"cell": [0, 0, 1], "label": [0, 1, 1], "cluster": [0, 1, 1]}
    strict = standardised_difference([1, 2, 3], [10, 10, 10], **given)
    assert strict.difference.why == "nothing was done by 2 clusters or more on both sides"
    loose = standardised_difference([1, 2, 3], [10, 10, 10], least=1, **given)
    assert loose.cells == (0,)
    assert loose.difference.value == pytest.approx(0.1)
    assert loose.difference.why == "what was done rests on one cluster somewhere: no interval can be given"
    apart = standardised_difference([1, 2], [10, 10], cell=[0, 1], label=[0, 1], cluster=[0, 1], least=1)
    assert apart.difference.why == "nothing was done at all on both sides"
    with pytest.raises(
        DataError, match=r"^expected columns of one length: numerator, denominator, weight, cell, label and cluster$"
    ):
        standardised_difference([1], [1, 2], cell=[0], label=[0], cluster=[0])


def test_sides_that_do_not_vary_have_no_interval() -> None:
    found = standardised_difference(
        [1, 1, 2, 2], [10, 10, 10, 10], cell=[0] * 4, label=[0, 0, 1, 1], cluster=[0, 1, 2, 3]
    )
    assert found.difference.why == "the sessions do not vary: no interval can be given"


def test_intervals_hold_over_two_cells() -> None:
    """1,000 seeded pairs of studies of eight sessions each; the truth is 0.1 in both cells."""
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(1000):
        share = np.clip(rng.normal([0.3, 0.5], 0.08, (16, 2)) + 0.1 * (np.arange(16) >= 8)[:, None], 0, 1)
        asked = rng.uniform(200, 900, (16, 2))
        rows = np.repeat(np.arange(16), 2)
        found = standardised_difference(
            (share * asked).ravel(), asked.ravel(), cell=np.tile([0, 1], 16), label=rows >= 8, cluster=rows
        ).difference
        held += found.low <= 0.1 <= found.high  # type: ignore[operator]
    assert 0.93 <= held / 1000 <= 0.975


def test_distance_of_mixes() -> None:
    assert mix_distance([30, 10], [10, 30]) == pytest.approx(0.5)
    assert mix_distance([1, 2, 3], [2, 4, 6]) == 0.0
    assert mix_distance([1, 0], [0, 1]) == 1.0
    assert math.isnan(mix_distance([0, 0], [1, 2]))


def test_shared_pieces_by_hand() -> None:
    """0-10 and 10-20 against 5-8 and 12-30: 3 s of the first with the first, 8 s of the second with the second."""
    found = shared_pieces(*(np.array(x, dtype=float) for x in ([0, 10], [10, 20], [5, 12], [8, 30])))
    assert found.seconds.tolist() == [3.0, 8.0]
    assert (found.first.tolist(), found.second.tolist()) == ([0, 1], [0, 1])


def test_a_stretch_that_runs_into_the_next_ends_there() -> None:
    found = shared_pieces(*(np.array(x, dtype=float) for x in ([0, 4], [9, 8], [0], [10])))
    assert [(s, f) for s, f in zip(found.seconds.tolist(), found.first.tolist(), strict=True)] == [(4.0, 0), (4.0, 1)]
    none = np.zeros(0)
    assert shared_pieces(none, none, np.array([0.0]), np.array([5.0])).seconds.size == 0


def test_shared_pieces_against_a_fine_grid() -> None:
    rng = np.random.default_rng(3)
    lines = []
    for _ in range(2):
        start = np.sort(rng.integers(0, 4000, 60)).astype(float)
        start = np.unique(start)
        lines += [start, start + rng.integers(1, 60, start.size)]
    found = shared_pieces(*lines)
    grid = np.arange(0, 4100) + 0.5
    at = []
    for start, end in (lines[:2], lines[2:]):
        which = np.searchsorted(start, grid, side="right") - 1
        at.append((which >= 0) & (grid < end[np.maximum(which, 0)]))
    assert found.seconds.sum() == pytest.approx(float((at[0] & at[1]).sum()))
