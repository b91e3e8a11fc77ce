"""Clocks that step inside a recording: made by hand, so that where and by how much is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from worn import at, correlated, session_rate, wear

from wearbench.core import offsets, steps
from wearbench.core.clock import fit_clock
from wearbench.core.smoothing import smoothed
from wearbench.core.steps import find_steps, interruptions, outside_steps

ALL_S = 14.25 * 3600


def steps_of(worn, time_s, value, *, averaging_s=8.0):
    def fit(chosen):
        return fit_clock(worn.reference, time_s[chosen], value[chosen], averaging_s=averaging_s, search_s=ALL_S)

    clock = fit(np.ones(time_s.size, dtype=bool))
    reference = smoothed(worn.reference, averaging_s=averaging_s)
    return find_steps(reference, time_s, value, clock=clock, fit=fit)


def stepped(worn, *, after_s, by_s, lost_s=0.0):
    """Stamps moved by ``by_s`` from ``after_s`` on, nothing recorded for ``lost_s``."""
    keep = (worn.time_s < after_s) | (worn.time_s >= after_s + lost_s)
    time_s = np.where(worn.time_s >= after_s, worn.time_s + by_s, worn.time_s)
    return time_s[keep], worn.value[keep]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("by_s", "lost_s"), [(3600.0, 0.0), (900.0, 0.0), (20_700.0, 0.0), (-1800.0, 1900.0)])
def test_step_is_found_where_it_is(seed, by_s, lost_s):
    worn = wear(seed, length_s=8000)
    (step,) = steps_of(worn, *stepped(worn, after_s=4400.0, by_s=by_s, lost_s=lost_s))
    # the longer stretch is the rest: the other one has to be moved back
    assert step.from_s == pytest.approx(4400.0 + by_s + lost_s, abs=1.1)
    assert step.shift_s == -by_s
    assert step.low_s <= -by_s <= step.high_s
    assert step.gap_s == pytest.approx(1.0 + by_s + lost_s, abs=0.1)
    assert step.loss < 0.2 < 0.5 < step.loss_as_stamped


def test_rest_may_be_what_comes_after():
    worn = wear(1, length_s=5400)
    time_s, value = stepped(worn, after_s=1900.0, by_s=3600.0)
    (step,) = steps_of(worn, time_s, value)
    assert step.shift_s == 3600.0
    assert step.to_s == pytest.approx(1899.0, abs=1.1)
    assert outside_steps(time_s, (step,)).tolist() == (time_s > 1900.0).tolist()


def test_step_that_is_no_quarter_of_an_hour_is_given_as_measured():
    worn = wear(3, length_s=5400)
    (step,) = steps_of(worn, *stepped(worn, after_s=4000.0, by_s=47.0))
    assert step.shift_s == pytest.approx(-47.0, abs=3.0)
    assert step.low_s <= -47.0 <= step.high_s


def test_two_steps_there_and_back():
    worn = wear(4, length_s=7200)
    time_s = worn.time_s + np.where((worn.time_s >= 3600) & (worn.time_s < 5200), 3600.0, 0.0)
    time_s = np.where(worn.time_s >= 5200, time_s + 7200.0, time_s)
    found = steps_of(worn, time_s, worn.value)
    assert [s.shift_s for s in found] == [-3600.0, -7200.0]


def test_night_of_minute_values_across_a_flight():
    rng = np.random.default_rng(5)
    minute = session_rate(rng, 480, low=48.0, high=75.0, block_s=(15.0, 45.0))
    rate = np.interp(np.arange(0.0, 28_800.0), np.arange(0.0, 28_800.0, 60.0), minute)
    worn = wear(5, rate=rate, every_s=60.0, averaging_s=60.0, sd=1.0)
    (step,) = steps_of(worn, *stepped(worn, after_s=18_000.0, by_s=17_100.0), averaging_s=60.0)
    assert step.shift_s == -17_100.0
    assert step.from_s == pytest.approx(35_100.0, abs=61.0)


# what is not a step


@pytest.mark.parametrize("seed", range(4))
def test_pause_is_no_step(seed):
    worn = wear(seed, length_s=4000)
    keep = (worn.time_s < 1800) | (worn.time_s > 2100)
    assert steps_of(worn, worn.time_s[keep], worn.value[keep]) == ()


@pytest.mark.parametrize("seed", range(4))
def test_device_that_fails_after_a_pause_has_not_stepped(seed):
    worn = wear(seed, length_s=5400)
    rng = np.random.default_rng(seed)
    value = worn.value.copy()
    late = worn.time_s > 3000
    value[late] = np.round(95 + 25 * np.sin(worn.time_s[late] / 170) + correlated(rng, int(late.sum())))
    keep = (worn.time_s < 3000) | (worn.time_s > 3060)
    assert steps_of(worn, worn.time_s[keep], value[keep]) == ()


def test_device_that_halves_after_a_pause_has_not_stepped():
    worn = wear(6, length_s=4000)
    value = np.where(worn.time_s > 2500, np.round(worn.value / 2), worn.value)
    keep = (worn.time_s < 2400) | (worn.time_s > 2500)
    assert steps_of(worn, worn.time_s[keep], value[keep]) == ()


def test_device_that_runs_on_after_the_reference_has_not_stepped():
    worn = wear(7, length_s=6000)
    reference = wear(7, length_s=6000).reference
    half = reference.knot_s <= 3000
    names = ("knot_s", "amount", "covered_s", "mended_s", "doubtful_s")
    cut = type(reference)(
        **{name: getattr(reference, name)[half] for name in names},
        scale=60.0,
    )
    keep = (worn.time_s < 3100) | (worn.time_s > 3200)
    shorter = type(worn)(reference=cut, time_s=worn.time_s, value=worn.value, shift_s=worn.shift_s, halved=worn.halved)
    assert steps_of(shorter, worn.time_s[keep], worn.value[keep]) == ()


def test_without_an_interruption_nothing_is_looked_for():
    worn = wear(8, length_s=3000)
    value = np.where(worn.time_s > 1500, 100.0, worn.value)
    assert steps_of(worn, worn.time_s, value) == ()


def test_figures_on_the_page_are_those_of_the_code():
    page = (Path(__file__).resolve().parents[2] / "docs" / "method.md").read_text(encoding="utf-8")
    said = page[page.index("### Clocks that step") :].split("###")[1]
    assert f"by more than {steps._LEAST_STEP_S:g} s" in said
    assert f"mean loss of {steps._BAD:g} and more, or worse than the best stretch by {steps._WORSE:g}" in said
    assert f"at most {steps._FOLLOWS:g}, better by at least {steps._WORSE:g}" in said
    assert f"within {offsets._NEAR_S:g} s" in said


# interruptions


def test_interruptions_are_intervals_unlike_the_others():
    even = np.arange(0.0, 600.0)
    assert interruptions(even).size == 0
    assert interruptions(np.concatenate([even, even + 640])).tolist() == [600]
    minutes = np.arange(0.0, 6000.0, 60.0)
    assert interruptions(np.concatenate([minutes, minutes + 6030])).tolist() == [100]
    assert interruptions(at(1.0)).size == 0


def test_change_of_rhythm_is_no_interruption_by_itself():
    rest, exercise = np.arange(0.0, 36_000.0, 600.0), 36_000.0 + np.arange(0.0, 1200.0)
    found = interruptions(np.concatenate([rest, exercise]))
    assert found.size <= 12
    assert ((found > 40) & (found < 90)).all()
