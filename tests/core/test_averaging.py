"""How long a reading's window is, told from readings that follow."""

from __future__ import annotations

import numpy as np
import pytest
from worn import correlated, session_rate, wear

from wearbench.core.averaging import AVERAGING_GRID_S, averaging_losses, choose_averaging
from wearbench.core.running import running_from_windows
from wearbench.core.smoothing import smoothed


def summed(seeds, *, off_s=0.0, usual_s=1.0, **how):
    """Losses summed over sessions of one device; ``off_s`` is how wrong its clock is taken."""
    total, n = np.zeros((2, len(AVERAGING_GRID_S))), 0
    for seed in seeds:
        worn = wear(seed, length_s=1500, **how)
        losses, used = averaging_losses(
            worn.reference,
            worn.time_s + worn.shift_s + off_s,
            worn.value,
            np.ones(worn.value.size, dtype=bool),
            usual_s=usual_s,
        )
        total += losses
        n += used
    return total, n


@pytest.mark.parametrize("averaging", [5.0, 12.0, 30.0, 45.0])
def test_length_of_a_boxcar_is_found(averaging):
    losses, n = summed(range(4), averaging_s=averaging, sd=0.7)
    got = choose_averaging(losses, n=n, prior_s=8.0)
    assert got.shape == "boxcar"
    assert got.averaging_s == pytest.approx(averaging, rel=0.2)
    assert got.low_s <= averaging <= got.high_s or got.averaging_s == pytest.approx(averaging, rel=0.1)
    assert got.method == "estimated over the study from readings that follow the reference"


@pytest.mark.parametrize("averaging", [16.0, 30.0])
def test_exponential_is_told_from_a_boxcar(averaging):
    losses, n = summed(range(4), averaging_s=averaging, shape="exponential", sd=0.7)
    got = choose_averaging(losses, n=n, prior_s=8.0)
    assert got.shape == "exponential"
    assert got.averaging_s == pytest.approx(averaging, rel=0.25)


def test_clock_wrong_by_two_seconds_does_not_matter():
    right, n = summed(range(3), averaging_s=20.0, sd=0.7)
    wrong, _ = summed(range(3), averaging_s=20.0, sd=0.7, off_s=2.0)
    a, b = (choose_averaging(losses, n=n, prior_s=8.0).averaging_s for losses in (right, wrong))
    assert a == pytest.approx(b, rel=0.1)


def test_a_tenth_of_astray_readings_does_not_matter():
    worn = wear(1, averaging_s=20.0, sd=0.7)
    value = np.where(np.arange(worn.value.size) % 12 == 5, worn.value * 1.6, worn.value)
    good = np.ones(value.size, dtype=bool)
    losses, n = averaging_losses(worn.reference, worn.time_s + worn.shift_s, value, good, usual_s=1.0)
    assert choose_averaging(losses, n=n, prior_s=8.0).averaging_s == pytest.approx(20.0, rel=0.2)


@pytest.mark.parametrize("low", [0.97, 1.03])
@pytest.mark.parametrize("averaging", [8.0, 24.0])
def test_a_device_that_is_low_throughout_does_not_matter(low, averaging):
    worn = wear(1, averaging_s=averaging, sd=0.7)
    good = np.ones(worn.value.size, dtype=bool)
    losses, n = averaging_losses(worn.reference, worn.time_s + worn.shift_s, low * worn.value, good, usual_s=1.0)
    assert choose_averaging(losses, n=n, prior_s=8.0).averaging_s == pytest.approx(averaging, rel=0.2)


@pytest.mark.parametrize("off_s", [-40.0, 25.0])
def test_clock_a_fraction_of_minutes_off_does_not_matter(off_s):
    """The centre is free by a quarter of the length: five minutes are found with a centre 40 s off."""
    losses, n = summed(range(2), averaging_s=300.0, sd=0.7, off_s=off_s)
    got = choose_averaging(losses, n=n, prior_s=8.0)
    assert got.averaging_s == pytest.approx(300.0, rel=0.1)


def test_constant_error_does_not_pass_for_averaging():
    worn = wear(5, length_s=1500, averaging_s=8.0, sd=0.7)
    centre, good = worn.time_s + worn.shift_s, np.ones(worn.value.size, dtype=bool)
    plain, _ = averaging_losses(worn.reference, centre, worn.value, good, usual_s=1.0)
    for wrong in (worn.value + 5.0, 1.04 * worn.value):
        got, _ = averaging_losses(worn.reference, centre, wrong, good, usual_s=1.0)
        assert int(np.argmin(got[0])) == int(np.argmin(plain[0]))


@pytest.mark.parametrize("averaging", [90.0, 240.0, 600.0])
def test_minutes_of_averaging_are_found_at_one_value_a_second(averaging):
    worn = wear(3, length_s=7200, averaging_s=averaging, sd=0.7)
    good = np.ones(worn.value.size, dtype=bool)
    losses, n = averaging_losses(worn.reference, worn.time_s + worn.shift_s + 5.0, worn.value, good, usual_s=1.0)
    assert choose_averaging(losses, n=n, prior_s=8.0).averaging_s == pytest.approx(averaging, rel=0.2)


@pytest.mark.parametrize("prior", [1.0, 8.0, 60.0])
def test_prior_stands_where_there_is_nothing_to_tell(prior):
    got = choose_averaging(np.zeros((2, len(AVERAGING_GRID_S))), n=0, prior_s=prior)
    assert got.averaging_s == pytest.approx(prior, rel=0.02)
    assert got.low_s < prior < got.high_s or prior == 1.0
    assert (got.shape, got.method, got.n) == ("boxcar", "assumed: nothing to tell", 0)


def test_too_few_readings_tell_nothing():
    worn = wear(1, length_s=600)
    good = np.zeros(worn.value.size, dtype=bool)
    good[:19] = True
    losses, n = averaging_losses(worn.reference, worn.time_s + worn.shift_s, worn.value, good, usual_s=1.0)
    assert n == 0
    assert not losses.any()


def test_losses_are_never_below_the_best_and_leave_out_what_is_far_beyond():
    losses, n = summed([2], averaging_s=10.0)
    assert n == wear(2, length_s=1500, averaging_s=10.0).value.size
    assert losses.min() == 0.0
    assert np.isfinite(losses).all()
    beyond = np.array(AVERAGING_GRID_S) > 60.0
    assert (losses[:, beyond] > losses[:, ~beyond].min(axis=1, keepdims=True)).all()


def pieces():
    """Reference in pieces of 20 s with a minute between: windows of 45 s and more have too little of it."""
    edge, rng = np.arange(0.0, 4000.0), np.random.default_rng(0)
    rate = np.where(edge % 80 < 20, session_rate(rng, 4000), np.nan)
    reference = running_from_windows(edge, edge + 1, rate)
    value, covered = smoothed(reference, averaging_s=6.0).at(edge + 0.5)
    return reference, edge + 0.5, value + correlated(rng, 4000, sd=3.0), covered > 0.8


def test_averaging_that_nothing_covers_is_not_chosen():
    reference, centre, value, good = pieces()
    losses, n = averaging_losses(reference, centre, value, good, usual_s=1.0)
    got = choose_averaging(losses, n=n, prior_s=8.0)
    assert got.averaging_s < 16.0


def test_reference_that_covers_no_window_tells_nothing():
    _, centre, value, _ = pieces()
    empty = running_from_windows(centre, centre + 0.01, np.full(centre.size, 90.0))
    losses, n = averaging_losses(empty, centre, value, np.isfinite(value), usual_s=1.0)
    assert n == 0
    assert not losses.any()
