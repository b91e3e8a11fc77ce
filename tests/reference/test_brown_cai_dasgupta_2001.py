"""Brown, Cai & DasGupta 2001, Stat Sci 16:101-133, table 5: 95 % Jeffreys intervals for n = 7 (from memory)."""

from __future__ import annotations

import pytest

from wearbench.core.recurrence import next_session
from wearbench.errors import DataError


@pytest.mark.parametrize(
    ("x", "low", "high"), [(0, 0.0, 0.292), (1, 0.016, 0.501), (2, 0.065, 0.648), (3, 0.139, 0.765)]
)
def test_jeffreys_interval(x: int, low: float, high: float) -> None:
    found = next_session(x, 7)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-4)
    other = next_session(7 - x, 7)
    assert (other.low, other.high) == pytest.approx((1 - high, 1 - low), abs=5e-4)


def test_next_session_is_the_mean_of_the_posterior() -> None:
    """(k + 1/2) / (n + 1): 9 of 12 gives 9.5/13; with a flat prior Laplace's rule, (k + 1)/(n + 2)."""
    assert next_session(9, 12).value == pytest.approx(9.5 / 13)
    assert next_session(9, 12, prior=1.0).value == pytest.approx(10 / 14)
    assert next_session(9, 12).method == (
        "beta-binomial on 12 sessions, Jeffreys prior, Beta(1/2, 1/2); interval of the share"
    )
    assert next_session(0, 0).why == "no sessions: the prior alone"
    with pytest.raises(DataError, match=r"^expected 0 <= affected <= sessions, got 3 of 2$"):
        next_session(3, 2)
