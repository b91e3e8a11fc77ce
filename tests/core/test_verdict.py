"""Whether an interval settles a limit, and how many more clusters would."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearbench.core.agreement.verdict import clusters_to_tell, verdict
from wearbench.core.clusters import t_quantile
from wearbench.core.resample import exact_proportion
from wearbench.errors import DataError

NUMBERS = st.floats(-1e6, 1e6)


@pytest.mark.parametrize(
    ("low", "high", "limits", "outcome"),
    [
        (1.5, 3.5, {"at_most": 10}, "met"),
        (1.5, 3.5, {"at_most": 3.5}, "met"),  # a value on the limit is on the good side
        (1.5, 3.5, {"at_most": 2}, "cannot be told yet"),
        (1.5, 3.5, {"at_most": 1.5}, "cannot be told yet"),
        (1.5, 3.5, {"at_most": 1}, "not met"),
        (0.8, 0.95, {"at_least": 0.8}, "met"),
        (0.8, 0.95, {"at_least": 0.9}, "cannot be told yet"),
        (0.8, 0.95, {"at_least": 0.99}, "not met"),
        (-1, 1, {"at_least": -2, "at_most": 2}, "met"),
        (-3, 1, {"at_least": -2, "at_most": 2}, "cannot be told yet"),
        (-3, 3, {"at_least": -2, "at_most": 2}, "cannot be told yet"),
        (3, 4, {"at_least": -2, "at_most": 2}, "not met"),
        (-4, -3, {"at_least": -2, "at_most": 2}, "not met"),
        (None, 3, {"at_most": 10}, "cannot be told yet"),
        (1, None, {"at_most": 10}, "cannot be told yet"),
        (math.nan, 3, {"at_most": 10}, "cannot be told yet"),
        (-math.inf, math.inf, {"at_most": 10}, "cannot be told yet"),
    ],
)
def test_three_outcomes(low: float | None, high: float | None, limits: dict[str, float], outcome: str) -> None:
    assert verdict(low, high, **limits) == outcome


def test_messages() -> None:
    with pytest.raises(DataError, match=r"^expected a limit, at_most or at_least, got neither$"):
        verdict(1, 2)
    with pytest.raises(DataError, match=r"^expected two clusters or more, got 1$"):
        clusters_to_tell(1, 0, 2, 1, at_most=3)
    with pytest.raises(DataError, match=r"^expected a value within its interval, got 3 for 0 to 2$"):
        clusters_to_tell(3, 0, 2, 4, at_most=3)
    with pytest.raises(DataError, match=r"^expected a value within its interval, got nan for 0 to 2$"):
        clusters_to_tell(math.nan, 0, 2, 4, at_most=3)


def test_plain_interval_by_hand() -> None:
    # SD 1 between 5 clusters, value 0.5, limit 1: t.975(k - 1)/sqrt(k) is .514 for 17 and .497 for 18
    half = t_quantile(0.975, 4) / math.sqrt(5)
    assert clusters_to_tell(0.5, 0.5 - half, 0.5 + half, 5, at_most=1) == 18
    assert clusters_to_tell(1.5, 1.5 - half, 1.5 + half, 5, at_most=1) == 18  # and that it is not met as soon


def test_share_of_which_all_hold_by_hand() -> None:
    # .025^(1/k) reaches .9 at k = ln .025/ln .9 = 35.01 (Clopper & Pearson 1934)
    low, high = exact_proportion(10, 10)
    assert clusters_to_tell(1.0, low, high, 10, at_least=0.9, scale="share") == 36
    assert clusters_to_tell(1.0, low, high, 10, at_least=1.0, scale="share") is None


def test_share_grows_from_the_effective_number_of_its_interval() -> None:
    number, count = 24.0, 8
    low, high = exact_proportion(0.75 * number, number)
    k = clusters_to_tell(0.75, low, high, count, at_least=0.6, scale="share")
    assert k is not None

    def lower(k: int) -> float:
        grown = number * k / count * (t_quantile(0.975, count - 1) / t_quantile(0.975, k - 1)) ** 2
        return exact_proportion(0.75 * grown, grown)[0]

    assert lower(k) >= 0.6 > lower(k - 1)


@pytest.mark.parametrize("scale", ["plain", "positive", "coefficient", "share"])
def test_a_value_on_the_limit_is_settled_by_no_number(scale: str) -> None:
    assert clusters_to_tell(0.5, 0.3, 0.7, 6, at_most=0.5, scale=scale) is None  # type: ignore[arg-type]


def test_what_is_settled_needs_no_more() -> None:
    assert clusters_to_tell(0.5, 0.3, 0.7, 6, at_most=0.9) == 6
    assert clusters_to_tell(0.5, 0.3, 0.7, 6, at_least=0.9) == 6


@given(
    st.floats(0.05, 0.95),
    st.floats(0.01, 0.5),
    st.floats(0.01, 0.5),
    st.integers(2, 60),
    st.floats(0.0, 1.0),
    st.sampled_from(["plain", "positive", "coefficient", "share"]),
)
def test_the_number_is_more_than_now_and_a_nearer_limit_needs_as_many_or_more(
    value: float, below: float, above: float, count: int, limit: float, scale: str
) -> None:
    low, high = max(0.001, value - below), min(0.999, value + above)
    needed = clusters_to_tell(value, low, high, count, at_most=limit, scale=scale, most=300)  # type: ignore[arg-type]
    nearer = (limit + value) / 2
    more = clusters_to_tell(value, low, high, count, at_most=nearer, scale=scale, most=300)  # type: ignore[arg-type]
    settled = verdict(low, high, at_most=limit) != "cannot be told yet"
    assert (needed == count) == settled
    assert needed is None or needed >= count
    assert more is None or (needed is not None and more >= needed)


@given(NUMBERS, st.floats(0, 1e6), NUMBERS, st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_outcome_moves_and_stretches_with_the_numbers_and_mirrors(
    low: float, wide: float, limit: float, shift: float, scale: float
) -> None:
    low, wide, limit, shift, scale = (float(np.float32(round(x))) for x in (low, wide, limit, shift, scale + 1))
    high = low + wide
    here = verdict(low, high, at_most=limit)
    assert verdict(scale * low + shift, scale * high + shift, at_most=scale * limit + shift) == here
    assert verdict(-high, -low, at_least=-limit) == here


def test_a_study_of_the_number_told_settles_it_about_as_often_as_half_the_time() -> None:
    """The value moves in the larger study, so a plan at the edge is met in about half of them, never in nearly none."""
    rng = np.random.default_rng(2)
    half = t_quantile(0.975, 7) / math.sqrt(8)
    k = clusters_to_tell(0.0, -half, half, 8, at_most=0.5)
    assert k is not None
    settled = 0
    for _ in range(400):
        x = rng.normal(0, 1, k)
        arm = t_quantile(0.975, k - 1) * x.std(ddof=1) / math.sqrt(k)
        settled += verdict(x.mean() - arm, x.mean() + arm, at_most=0.5) == "met"
    assert 0.4 < settled / 400 < 0.65
