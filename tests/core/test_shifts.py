"""Agreement by chance: shifts by hand; devices that follow are told from those that only lie at that height."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.shifts import agreement_by_shift, chance_by_shift, holding_by_shift
from wearbench.errors import DataError


def test_agreement_of_every_shift_against_rolling_by_hand() -> None:
    rng = np.random.default_rng(1)
    targets = rng.normal(0, 0.2, (2, 40))
    targets[0, 5:9] = np.nan
    tested, seconds, place = rng.normal(0, 0.2, 15), rng.uniform(1, 3, 15), np.sort(rng.permutation(40)[:15])
    found = agreement_by_shift(tested, seconds, place, targets, width=0.06)
    for shift in range(40):
        moved = np.roll(targets, shift, axis=1)[:, place]
        near = (np.abs(moved - tested) < 0.06).any(axis=0)
        assert found[shift] == pytest.approx(seconds[near].sum())


def test_holding_of_every_shift_against_rolling_by_hand() -> None:
    rng = np.random.default_rng(2)
    reference = np.cumsum(rng.normal(0, 2, 60))
    reference[20:23] = np.nan
    start, length, seconds = np.array([3, 30, 50]), np.array([7, 12, 7]), np.array([7.0, 12.0, 7.5])
    found = holding_by_shift(start, length, seconds, reference, moved=5.0)
    for shift in range(60):
        moved = np.roll(reference, shift)
        spans = [moved[a : a + n][np.isfinite(moved[a : a + n])] for a, n in zip(start, length, strict=True)]
        hit = np.array([part.size > 0 and np.ptp(part) > 5.0 for part in spans])
        assert found[shift] == pytest.approx(seconds[hit].sum())


def test_nothing_to_shift() -> None:
    assert chance_by_shift([], seed=1, name="x") is None
    assert (
        agreement_by_shift(np.zeros(0), np.zeros(0), np.zeros(0, int), np.zeros((1, 5)), width=0.1).tolist()
        == [0.0] * 5
    )
    with pytest.raises(DataError, match=r"^expected at least one draw, got 0$"):
        chance_by_shift([np.ones(3)], seed=1, name="x", draws=0)


def _cadence(rng: np.random.Generator, n: int) -> np.ndarray:
    """A stride rate that wanders."""
    slow = np.convolve(rng.normal(0, 1, n + 60), np.ones(60) / 60, "valid")[:n]
    return 160 * np.exp(0.25 * slow / slow.std() * 0.3)


def test_values_that_follow_are_told_from_values_at_that_height() -> None:
    """100 seeded studies each: four sessions in which the device follows the cadence for a third of the time, and four
    in which its values wander about the same height on their own."""
    rng = np.random.default_rng(7)
    p = {True: [], False: []}
    for follows in p:
        for study in range(100):
            parts = []
            for _ in range(4):
                cadence = _cadence(rng, 300)
                tested = (cadence if follows else _cadence(rng, 300))[100:200] * np.exp(rng.normal(0, 0.02, 100))
                parts.append(
                    agreement_by_shift(
                        np.log(tested), np.ones(100), np.arange(100, 200), np.log(cadence)[None, :], width=0.06
                    )
                )
            chance = chance_by_shift(parts, seed=study, name="band/cadence_locked", draws=999)
            assert chance is not None
            p[follows].append(chance.p)
    assert np.mean(np.array(p[True]) < 0.05) >= 0.95
    assert np.mean(np.array(p[False]) < 0.05) <= 0.11  # 100 studies: 5 % and three standard errors


def test_draws_are_seeded_by_name() -> None:
    parts = [np.array([3.0, 1, 0, 2]), np.array([2.0, 2, 0])]
    one = chance_by_shift(parts, seed=1, name="a")
    assert one == chance_by_shift(parts, seed=1, name="a")
    assert one != chance_by_shift(parts, seed=1, name="b")
    assert one is not None
    assert one.observed_s == 5.0
    assert one.p == pytest.approx(2 / 12, abs=0.03)  # both full: (1 of 4) x (2 of 3)
