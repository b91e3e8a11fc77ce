"""Small, seeded version of benchmarks/coverage_limits.py: how often intervals of limits hold the true limits."""

from __future__ import annotations

import pytest

from benchmarks.coverage_limits import coverage, rows

STUDIES = {(name, size): study for name, size, study in rows()}
SOUND = [
    ("single, exact", "5 pairs"),
    ("single, exact", "20 pairs"),
    ("repeated, z", "8 participants"),
    ("repeated, t", "20 participants"),
    ("sloping", "50 pairs"),
    ("sloping", "20 clusters"),
    ("V-shaped", "50 pairs"),
    ("V-shaped", "8 clusters"),
    ("quantiles, ranks", "150 pairs"),
]


@pytest.mark.parametrize("row", SOUND, ids=" ".join)
def test_intervals_hold_in_93_percent_or_more(row: tuple[str, str]) -> None:
    held = coverage(STUDIES[row], studies=400, seed=4)
    assert min(held) > 0.93 - 2.5 * 0.0128  # standard error of a share of .93 of 400
    assert max(held) <= 1


def test_older_forms_and_resampled_quantiles_hold_less_than_they_say() -> None:
    assert max(coverage(STUDIES["single, 1986", "5 pairs"], studies=1000, seed=5)[1:]) < 0.94
    assert max(coverage(STUDIES["quantiles, resampled", "8 clusters"], studies=40, seed=6)[1:]) < 0.88
    assert min(coverage(STUDIES["quantiles, share", "8 clusters"], studies=400, seed=6)) > 0.87
