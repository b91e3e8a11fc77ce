"""The invented heart and the invented movement: rate over a session, the beats it makes, strokes and steps.

The rate follows effort with first-order kinetics; beats come from integrating the modulated rate (integral pulse
frequency modulation, Bayly 1968, from memory), so that counting beats gives the rate back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.parameters import Bout, Person, SessionPlan

__all__ = ["LEAD_S", "TAIL_S", "Course", "cadence_course", "correlated", "rate_course", "true_beats"]

F64 = NDArray[np.float64]

LEAD_S = 180.0
"""The heart beats this long before the session, so that early windows are full."""
TAIL_S = 120.0
"""And this long after it."""

_FINE_S = 0.1
_LOWEST_BPM = 36.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """A quantity over time: ``value`` at ``time_s``, both of shape (n,), evenly spaced, linear between."""

    time_s: F64
    value: F64


def correlated(n: int, *, step_s: float, corr_s: float, rng: np.random.Generator) -> F64:
    """Draw n values of a stationary first-order autoregression with unit variance.

    Parameters
    ----------
    n : int
    step_s, corr_s : float
        Spacing and correlation time; neighbours correlate by exp(-step / corr).
    rng : numpy.random.Generator

    Returns
    -------
    float64 array, shape (n,)
    """
    draws = rng.standard_normal(n)
    phi = float(np.exp(-step_s / corr_s)) if corr_s > 0 else 0.0
    shock = float(np.sqrt(1.0 - phi * phi))
    out = np.empty(n)
    last = 0.0
    for i, draw in enumerate(draws.tolist()):
        last = draw if i == 0 else phi * last + shock * draw
        out[i] = last
    return out


def _over_bouts(plan: SessionPlan, time_s: F64) -> tuple[NDArray[np.int64], tuple[Bout, ...]]:
    which = np.searchsorted(np.asarray(plan.bout_starts_s), time_s, side="right") - 1
    return np.clip(which, 0, len(plan.bouts) - 1).astype(np.int64), plan.bouts


def rate_course(plan: SessionPlan, rng: np.random.Generator) -> Course:
    """Heart rate without beat-to-beat variability, one value a second, bpm.

    Parameters
    ----------
    plan : SessionPlan
    rng : numpy.random.Generator

    Returns
    -------
    Course
        From ``LEAD_S`` before the session to ``TAIL_S`` after it.
    """
    person = plan.person
    time_s = np.arange(-LEAD_S, plan.seconds + TAIL_S + 1.0)
    which, bouts = _over_bouts(plan, time_s)
    effort = np.asarray([bout.effort for bout in bouts])[which]
    moving = effort > 0.05
    effort = effort + person.effort_wander * moving * correlated(time_s.size, step_s=1.0, corr_s=60.0, rng=rng)
    reserve = person.max_bpm - person.rest_bpm
    worked_h = np.cumsum(np.where(time_s >= 0, np.clip(effort, 0.0, None), 0.0)) / 3600.0
    target = person.rest_bpm + reserve * effort + person.drift_bpm_per_h * worked_h
    target = np.clip(target, _LOWEST_BPM, person.max_bpm + 4.0)
    rate = np.empty(time_s.size)
    level = float(target[0])
    for i, aim in enumerate(target.tolist()):
        level += (aim - level) / (person.rise_s if aim > level else person.fall_s)
        rate[i] = level
    rate += person.wander_bpm * correlated(time_s.size, step_s=1.0, corr_s=40.0, rng=rng)
    return Course(time_s=time_s, value=np.clip(rate, _LOWEST_BPM, person.max_bpm + 8.0))


def true_beats(course: Course, person: Person, rng: np.random.Generator) -> F64:
    """Beat times made by a rate: breathing, slow waves, noise and premature beats added.

    Parameters
    ----------
    course : Course
        As from `rate_course`.
    person : Person
    rng : numpy.random.Generator

    Returns
    -------
    float64 array, shape (n,)
        Increasing seconds from the session's start.
    """
    fine = np.arange(course.time_s[0], course.time_s[-1], _FINE_S)
    base = np.interp(fine, course.time_s, course.value)
    used = np.clip((base - person.rest_bpm) / (person.max_bpm - person.rest_bpm), 0.0, 1.0)
    calm = (1.0 - used) ** 2
    breathing = 2 * np.pi * np.cumsum(person.breathing_hz * (1.0 + 1.6 * used)) * _FINE_S
    wave_hz = 0.1 + 0.015 * np.interp(
        fine, course.time_s, correlated(course.time_s.size, step_s=1.0, corr_s=30.0, rng=rng)
    )
    wave = 2 * np.pi * np.cumsum(wave_hz) * _FINE_S
    start = rng.uniform(0.0, 2 * np.pi, size=2)
    swing = person.respiratory_share * np.sin(breathing + start[0]) + person.slow_share * np.sin(wave + start[1])
    phase = np.cumsum(base * (1.0 + calm * swing) / 60.0 * _FINE_S)
    counts = np.arange(np.ceil(phase[0]), np.floor(phase[-1]) + 1.0)
    beats = np.interp(counts, phase, fine)
    calm_at = np.interp(beats, fine, calm)
    beats = beats + 1e-3 * person.noise_ms * (0.3 + 0.7 * calm_at) * rng.standard_normal(beats.size)
    gaps = np.diff(beats, prepend=beats[0] - 1.0)
    early = rng.random(beats.size) < person.ectopics_per_h / 3600.0 * gaps
    early[:2] = False
    early[1:] &= ~early[:-1]
    moved: F64 = beats - np.where(early, rng.uniform(0.22, 0.38, beats.size) * gaps, 0.0)
    return moved


def cadence_course(plan: SessionPlan, rng: np.random.Generator) -> Course:
    """Strokes or steps a minute, one value a second; 0 where nothing repeats.

    Parameters
    ----------
    plan : SessionPlan
    rng : numpy.random.Generator

    Returns
    -------
    Course
    """
    time_s = np.arange(-LEAD_S, plan.seconds + TAIL_S + 1.0)
    which, bouts = _over_bouts(plan, time_s)
    cadence = np.asarray([bout.cadence for bout in bouts])[which]
    wander = 0.025 * correlated(time_s.size, step_s=1.0, corr_s=25.0, rng=rng)
    return Course(time_s=time_s, value=np.where(cadence > 0, cadence * (1.0 + wander), 0.0))
