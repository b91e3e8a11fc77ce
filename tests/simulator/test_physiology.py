"""The invented heart stays within what hearts do. Ranges are common knowledge of the field, without a single source."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from wearbench.errors import DataError
from wearbench.simulator import Bout, Failure, Person, ReferencePlan, SessionPlan, Spell, camp_plans
from wearbench.simulator.physiology import cadence_course, rate_course, true_beats
from wearbench.simulator.recorder import record_intervals

NOON = datetime(2031, 1, 12, 12, tzinfo=UTC)


def plan_of(*bouts: Bout, reference: ReferencePlan | None = None, **person: float) -> SessionPlan:
    return SessionPlan(
        name="T",
        start=NOON,
        person=Person(**person),  # type: ignore[arg-type]
        bouts=bouts,
        reference=reference or ReferencePlan(),
    )


def rest(seconds: float) -> Bout:
    return Bout(activity="rest", intensity="rest", seconds=seconds, effort=0.0)


def hard(seconds: float) -> Bout:
    return Bout(activity="rowing", intensity="hard", seconds=seconds, effort=0.9, cadence=30)


def test_rise_is_first_order() -> None:
    plan = plan_of(rest(300), hard(600), rise_s=30.0, effort_wander=0.0, wander_bpm=0.0, drift_bpm_per_h=0.0)
    course = rate_course(plan, np.random.default_rng(1))
    before, after = np.interp([299.0, 899.0], course.time_s, course.value)
    at = float(np.interp(330.0, course.time_s, course.value))
    assert before == pytest.approx(62.0, abs=0.1)
    assert after == pytest.approx(62.0 + 0.9 * 126.0, abs=0.1)
    assert (at - before) / (after - before) == pytest.approx(1 - np.exp(-1), abs=0.02)


def test_counting_beats_gives_the_rate_back() -> None:
    plan = plan_of(rest(300), hard(600), ectopics_per_h=0.0)
    rng = np.random.default_rng(2)
    course = rate_course(plan, rng)
    beats = true_beats(course, plan.person, rng)
    for start, end in ((0.0, 300.0), (450.0, 900.0)):
        counted = 60 * np.sum((beats >= start) & (beats < end)) / (end - start)
        meant = course.value[(course.time_s >= start) & (course.time_s < end)].mean()
        assert counted == pytest.approx(meant, abs=0.5)


def test_variability_is_that_of_adults_and_fades_with_effort() -> None:
    """RMSSD of some 15 to 80 ms at rest, a few ms at high rates (common knowledge, no single source)."""
    for person in {plan.person.name: plan.person for plan in camp_plans()}.values():
        plan = SessionPlan(name="T", start=NOON, person=person, bouts=(rest(600), hard(600)))
        rng = np.random.default_rng(3)
        beats = true_beats(rate_course(plan, rng), person, rng)
        rr = np.diff(beats) * 1000
        calm, busy = (beats[1:] < 600), (beats[1:] > 800) & (beats[1:] < 1200)
        steps = np.abs(np.diff(rr))
        usual = steps < 150  # without the premature beats
        rmssd = [float(np.sqrt(np.mean(steps[usual & where[1:]] ** 2))) for where in (calm, busy)]
        assert 10 < rmssd[0] < 90
        assert rmssd[1] < 8
        assert rr.min() > 200
        assert rr.max() < 2000


def test_beats_increase_and_rates_stay_human() -> None:
    for plan in camp_plans()[:6]:
        rng = np.random.default_rng(4)
        course = rate_course(plan, rng)
        assert course.value.min() > 36
        assert course.value.max() < 205
        assert np.all(np.diff(true_beats(course, plan.person, rng)) > 0.15)


def test_cadence_is_there_only_when_something_repeats() -> None:
    course = cadence_course(plan_of(rest(100), hard(100)), np.random.default_rng(5))
    assert np.all(course.value[course.time_s < 100] == 0)
    assert np.all(np.abs(course.value[(course.time_s >= 100) & (course.time_s < 200)] - 30) < 5)


def recorded(reference: ReferencePlan) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    plan = plan_of(rest(600), reference=reference, ectopics_per_h=0.0)
    rng = np.random.default_rng(6)
    beats = true_beats(rate_course(plan, rng), plan.person, rng)
    out = record_intervals(beats, plan, rng)
    assert out.stamp_s is not None
    return beats[(beats >= 0) & (beats < 600)], out.interval_ms, out.stamp_s


CLEAN = {"missed_share": 0.0, "extra_share": 0.0, "packet_loss": 0.0}


def test_a_faultless_patch_tells_every_beat_in_ticks_of_a_1024th() -> None:
    beats, rr, stamps = recorded(ReferencePlan(**CLEAN))  # type: ignore[arg-type]
    assert np.allclose(np.cumsum(rr) / 1000, beats[1:] - beats[0], atol=1e-3)
    assert np.allclose(rr * 1.024, np.rint(rr * 1.024), atol=1e-9)
    late = stamps - beats[1:]
    assert np.all(late > 0)
    assert np.median(late) < 1.2
    assert np.all(np.diff(stamps) >= 0)


def test_every_second_beat_doubles_the_intervals() -> None:
    _, rr, stamps = recorded(ReferencePlan(every_second=(Spell(start_s=200, seconds=100),), **CLEAN))  # type: ignore[arg-type]
    inside = (stamps > 205) & (stamps < 299)
    usual = np.median(rr[stamps < 199])
    assert np.median(rr[inside]) / usual == pytest.approx(2.0, rel=0.1)


def test_double_counts_split_the_intervals() -> None:
    _, rr, stamps = recorded(ReferencePlan(double_count=(Spell(start_s=200, seconds=100),), **CLEAN))  # type: ignore[arg-type]
    inside = (stamps > 205) & (stamps < 299)
    assert np.mean(rr[inside]) / np.mean(rr[stamps < 199]) == pytest.approx(0.5, rel=0.05)


def test_lost_packets_leave_the_sum_behind_the_stamps() -> None:
    _, rr, stamps = recorded(ReferencePlan(lost=(Spell(start_s=300, seconds=10),), **CLEAN))  # type: ignore[arg-type]
    behind = stamps - np.cumsum(rr) / 1000
    assert behind[-20:].mean() - behind[:20].mean() == pytest.approx(10.0, abs=1.5)


def test_a_dry_start_is_erratic_and_ends() -> None:
    _, rr, stamps = recorded(ReferencePlan(dry_s=60.0, **CLEAN))  # type: ignore[arg-type]
    assert np.std(rr[stamps < 60]) > 3 * np.std(rr[stamps > 65])


def test_a_share_above_one_is_refused() -> None:
    with pytest.raises(DataError) as caught:
        Failure(mode="halved", share=1.2)
    assert str(caught.value) == "expected a share from 0 to 1 for halved, got 1.2"


def test_a_start_without_zone_is_refused() -> None:
    naive = datetime(2031, 1, 12, 12)  # noqa: DTZ001 - what is refused
    with pytest.raises(DataError) as caught:
        SessionPlan(name="T", start=naive, person=Person(), bouts=(rest(10),))
    assert str(caught.value) == ("expected an aware start on a whole second for session T, got 2031-01-12 12:00:00")
