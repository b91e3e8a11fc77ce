"""Correlations inside sessions, plain and given a third thing."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.partial import inner_products, partial_correlation
from wearbench.errors import DataError


def sessions(rng: np.random.Generator, k: int, n: int = 200) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    found = []
    for _ in range(k):
        z = np.cumsum(rng.normal(size=n))
        y = 0.5 * z + rng.normal(size=n)
        x = -0.3 * z + 0.4 * (y - 0.5 * z) + rng.normal(size=n) + rng.normal() * 10
        found.append((x, y, z))
    return found


def test_one_session_is_the_ordinary_correlation() -> None:
    ((x, y, z),) = sessions(np.random.default_rng(1), 1)
    sums = [inner_products(x, y, z, weight=np.ones(x.size))]
    plain = partial_correlation(sums, session=[0], participant=[0], given=False)
    assert plain.value == pytest.approx(np.corrcoef(x, y)[0, 1])
    assert plain.why == "fewer than three sessions: no interval"


def test_given_a_third_is_the_correlation_of_what_is_left() -> None:
    ((x, y, z),) = sessions(np.random.default_rng(2), 1)
    left = [part - np.polyval(np.polyfit(z, part, 1), z) for part in (x, y)]
    sums = [inner_products(x, y, z, weight=np.ones(x.size))]
    found = partial_correlation(sums, session=[0], participant=[0], given=True)
    assert found.value == pytest.approx(np.corrcoef(left[0], left[1])[0, 1])


def test_any_multiple_gives_the_same_given_the_reference() -> None:
    ((x, y, z),) = sessions(np.random.default_rng(3), 1)
    values = [
        partial_correlation(
            [inner_products(x, k * y - z, z, weight=np.ones(x.size))], session=[0], participant=[0], given=True
        ).value
        for k in (0.5, 1.0, 2.0)
    ]
    assert values == pytest.approx([values[0]] * 3)


def test_levels_of_sessions_do_not_matter_and_the_interval_holds_the_truth() -> None:
    held = 0
    for seed in range(60):
        rows = sessions(np.random.default_rng([seed, 5]), 8)
        sums = [inner_products(*row, weight=np.ones(200)) for row in rows]
        found = partial_correlation(sums, session=np.arange(8), participant=np.zeros(8, dtype=int), given=True)
        truth = 0.4 / np.sqrt(1 + 0.4**2)
        assert found.low is not None and found.high is not None
        held += found.low <= truth <= found.high
    assert held >= 54


def test_nothing_to_compare() -> None:
    sums = [inner_products([1.0, 2.0], [3.0, 3.0], [1.0, 5.0], weight=[1.0, 1.0])]
    assert partial_correlation(sums, session=[0], participant=[0], given=False).why == "nothing varies in any session"
    assert inner_products([np.nan], [1.0], [1.0], weight=[1.0]) == pytest.approx(np.zeros(6))
    with pytest.raises(DataError) as caught:
        inner_products([1.0], [1.0, 2.0], [1.0], weight=[1.0])
    assert caught.value.message == "expected four rows of one length, got shapes (1,), (2,), (1,), (1,)"
