"""Properties that hold for any data: equivariance, mirrors, constants, duplicated pairs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import (
    Estimate,
    ccc,
    grouped_sums,
    limits_of_agreement,
    mae,
    mape,
    rmse,
    summarise,
    within_greater,
    within_share,
    within_tolerance,
)
from wearbench.errors import CannotTell, DataError

ANY = settings(max_examples=40, deadline=None, derandomize=True)
SEEDS = st.integers(0, 100_000)
SPREAD = ("sd_of_differences", "sd_within", "limit_low", "limit_high")


def drawn(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.Generator(np.random.PCG64(seed))
    group = np.repeat(np.arange(6), generator.integers(2, 20, 6))
    reference = generator.normal(110, 20, group.size)
    return reference + generator.normal(0, 3, 6)[group] + generator.normal(0, 4, group.size), reference, group


def result(tested: np.ndarray, reference: np.ndarray, group: np.ndarray) -> dict[str, Estimate]:
    return summarise(
        grouped_sums(tested, reference, group=group, tolerance=5.0), session=np.arange(6), participant=np.arange(6)
    )


def ends(estimate: Estimate) -> list[float]:
    """Value and interval; the value alone where no interval can be given."""
    return [v for v in (estimate.low, estimate.value, estimate.high) if v is not None]


@ANY
@given(seed=SEEDS, c=st.floats(-40, 40))
def test_a_constant_added_to_the_device_moves_the_bias_and_limits_by_it(seed: int, c: float) -> None:
    tested, reference, group = drawn(seed)
    before, after = result(tested, reference, group), result(tested + c, reference, group)
    for name in ("bias", "limit_low", "limit_high"):
        assert ends(after[name]) == pytest.approx([v + c for v in ends(before[name])], abs=1e-9)
    for name in ("sd_of_differences", "sd_within"):
        assert ends(after[name]) == pytest.approx(ends(before[name]), rel=1e-9)


@ANY
@given(seed=SEEDS, factor=st.floats(0.01, 100))
def test_another_unit_scales_everything_in_that_unit(seed: int, factor: float) -> None:
    tested, reference, group = drawn(seed)
    before, after = result(tested, reference, group), result(factor * tested, factor * reference, group)
    for name in ("bias", "mae", "rmse", *SPREAD):
        assert ends(after[name]) == pytest.approx([factor * v for v in ends(before[name])], rel=1e-8, abs=1e-9)
    for name in ("mape", "ccc", "within_10_percent"):
        assert after[name].value == pytest.approx(before[name].value, rel=1e-9)


@ANY
@given(seed=SEEDS)
def test_swapping_the_two_mirrors_the_limits(seed: int) -> None:
    tested, reference, group = drawn(seed)
    before, after = result(tested, reference, group), result(reference, tested, group)
    assert ends(after["limit_low"]) == pytest.approx([-v for v in ends(before["limit_high"])[::-1]], rel=1e-9)
    assert ends(after["bias"]) == pytest.approx([-v for v in ends(before["bias"])[::-1]], rel=1e-9)
    for name in ("sd_of_differences", "mae", "rmse", "ccc"):
        assert ends(after[name]) == pytest.approx(ends(before[name]), rel=1e-9)


@ANY
@given(seed=SEEDS)
def test_intervals_hold_their_value(seed: int) -> None:
    for name, estimate in result(*drawn(seed)).items():
        if estimate.low is not None:
            assert estimate.low <= estimate.value <= estimate.high, name  # type: ignore[operator]
    found = result(*drawn(seed))
    assert found["mae"].value <= found["rmse"].value  # type: ignore[operator]
    assert found["bias"].value == pytest.approx(found["mean_tested"].value - found["mean_reference"].value)  # type: ignore[operator]


def test_duplicating_a_participants_pairs_moves_the_pair_weighted_bias_only_towards_them() -> None:
    tested, reference, group = drawn(3)
    mine = group == 0
    twice = [np.concatenate([column, column[mine]]) for column in (tested, reference, group)]
    before, after = result(tested, reference, group), result(*twice)
    own = float((tested - reference)[mine].mean())
    assert before["bias"].value != after["bias"].value
    assert abs(after["bias"].value - own) < abs(before["bias"].value - own)  # type: ignore[operator]


def test_duplicating_every_pair_does_not_narrow_an_interval_as_independent_pairs_would() -> None:
    tested, reference, group = drawn(4)
    once = result(tested, reference, group)["bias"]
    ten = result(np.tile(tested, 10), np.tile(reference, 10), np.tile(group, 10))["bias"]
    assert ends(ten) == pytest.approx(ends(once), rel=1e-9)


def test_plain_functions_are_the_summary() -> None:
    tested, reference, group = drawn(5)
    found = result(tested, reference, group)
    assert mae(tested, reference) == pytest.approx(found["mae"].value)
    assert mape(tested, reference) == pytest.approx(found["mape"].value)
    assert rmse(tested, reference) == pytest.approx(found["rmse"].value)
    assert ccc(tested, reference).value == pytest.approx(found["ccc"].value)
    assert within_tolerance(tested, reference, tolerance=5.0) == found["within_tolerance"].value
    assert within_share(tested, reference) == found["within_10_percent"].value
    assert within_greater(tested, reference, tolerance=5.0) == found["within_greater"].value


@pytest.mark.parametrize("function", [mae, mape, rmse, within_share])
def test_no_pairs_cannot_tell(function: object) -> None:
    with pytest.raises(CannotTell) as caught:
        function([], [])  # type: ignore[operator]
    assert str(caught.value) == "an error needs pairs, there are none"


def test_messages_of_plain_functions() -> None:
    with pytest.raises(CannotTell, match=r"^1 of 2 pairs have a reference of 0$"):
        mape([1.0, 2.0], [0.0, 2.0])
    with pytest.raises(CannotTell, match=r"^limits of agreement need pairs, there are none$"):
        limits_of_agreement([], [])
    with pytest.raises(CannotTell, match=r"^concordance needs two pairs, there is 1$"):
        ccc([1.0], [2.0])
    with pytest.raises(CannotTell, match=r"^concordance needs values that vary, the reference ones do not$"):
        ccc([1.0, 2.0], [2.0, 2.0])
    with pytest.raises(DataError, match=r"^expected the divisor 'n' or 'n-1', got 'N'$"):
        ccc([1.0, 2.0], [2.0, 3.0], divisor="N")  # type: ignore[arg-type]
    with pytest.raises(DataError, match=r"^expected one group a value, got shape \(1,\) for 2 values$"):
        limits_of_agreement([1.0, 2.0], [2.0, 3.0], participant=[1])


def test_one_participant_or_one_pair_has_limits_but_no_interval() -> None:
    found = limits_of_agreement([1.0, 2.0, 4.0], [1.0, 1.0, 2.0], participant=["a", "a", "a"])
    assert found.sd.value == pytest.approx(1.0)
    assert (found.low.low, found.low.why) == (None, "one participant: no interval can be given")
    assert found.low.method == "one participant: no general claim"
    found = limits_of_agreement([1.0], [1.0])
    assert (found.bias.value, found.bias.why, found.sd.why) == (0.0, "one pair: no interval can be given", "one pair")
