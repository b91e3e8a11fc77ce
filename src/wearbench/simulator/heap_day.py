"""Day and night between the sessions: the invented heart by the minute, and what band and loop write of a fortnight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from wearbench.formats.zones import local_ms
from wearbench.simulator.heap_plan import HeapPlan
from wearbench.simulator.physiology import Course, correlated
from wearbench.simulator.sensing import window_rate
from wearbench.simulator.session import SimulatedSession

__all__ = ["HeapRows", "count_steps", "day_course", "day_rows", "joined", "ms_of", "wall_clock_ms", "with_exercise"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

_MINUTE_MS: Final = 60_000
_QUARTER_MS: Final = 900_000
_SWITCH_MS: Final = 5_000
_BEFORE_S, _AFTER_S = 120.0, 100.0


@dataclass(frozen=True, kw_only=True, slots=True)
class HeapRows:
    """Rows of one recorder, shape (n,): its own clock as UTC, and its values."""

    own_ms: I64
    value: F64

    def where(self, keep: NDArray[np.bool_]) -> HeapRows:
        """Return the rows of a mask."""
        return HeapRows(own_ms=self.own_ms[keep], value=self.value[keep])

    def between(self, start_ms: int, end_ms: int) -> HeapRows:
        """Return the rows with ``start_ms <= own_ms < end_ms``."""
        return self.where((self.own_ms >= start_ms) & (self.own_ms < end_ms))


def ms_of(instant: datetime) -> int:
    """Milliseconds since 1970-01-01T00:00:00Z."""
    return round(instant.timestamp() * 1000)


def joined(rows: Sequence[HeapRows]) -> HeapRows:
    """Put rows together in order of the recorder's clock."""
    own, value = np.concatenate([r.own_ms for r in rows]), np.concatenate([r.value for r in rows])
    order = np.argsort(own, kind="stable")
    return HeapRows(own_ms=own[order], value=value[order])


def wall_clock_ms(utc_ms: I64, plan: HeapPlan) -> I64:
    """What the phones' wall clock showed, as milliseconds since 1970-01-01T00:00 on it."""
    home, away = (ZoneInfo(span.zone) for span in plan.zones)
    quarters, place = np.unique(utc_ms // _QUARTER_MS, return_inverse=True)
    landed = ms_of(plan.landed) // _QUARTER_MS
    offsets = [
        local_ms(quarter * _QUARTER_MS, zone=home if quarter < landed else away) - quarter * _QUARTER_MS
        for quarter in quarters.tolist()
    ]
    return utc_ms + np.asarray(offsets, dtype=np.int64)[place]


def _minutes_ms(plan: HeapPlan) -> I64:
    return np.arange(ms_of(plan.begin), ms_of(plan.end), _MINUTE_MS, dtype=np.int64)


def day_course(plan: HeapPlan, rng: np.random.Generator) -> Course:
    """Heart rate of the fortnight by the minute, outside the sessions; each session is followed by a slow recovery.

    Parameters
    ----------
    plan : HeapPlan
    rng : numpy.random.Generator

    Returns
    -------
    Course
        ``time_s`` since 1970-01-01T00:00:00Z, middle of each minute.
    """
    start_ms = _minutes_ms(plan)
    n = start_ms.size
    hour = (wall_clock_ms(start_ms, plan) / 3_600_000.0) % 24.0
    asleep = (hour < 6.5) | (hour >= 22.75)
    rate = np.where(asleep, 50.0 - 3.0 * np.cos((hour - 3.0) / 24.0 * 2 * np.pi), 68.0 + 4.0 * np.sin(hour / 3.0))
    rate += np.where(asleep, 2.0, 4.0) * correlated(n, step_s=60.0, corr_s=420.0, rng=rng)
    about = correlated(n, step_s=60.0, corr_s=600.0, rng=rng)
    rate += np.where(asleep, 0.0, 16.0 * np.clip(about - 1.0, 0.0, None))
    time_s = start_ms / 1000.0 + 30.0
    for occasion in plan.occasions:
        since_s = time_s - occasion.plan.end.timestamp()
        rate += np.where(since_s > 0.0, 24.0 * np.exp(-np.clip(since_s, 0.0, None) / 600.0), 0.0)
    return Course(time_s=time_s, value=rate)


def _rate_over(start_s: F64, end_s: F64, course: Course, sessions: Sequence[SimulatedSession]) -> F64:
    """True rate over windows (seconds since 1970): from the beats where there are any, else from the course."""
    rate = np.interp((start_s + end_s) / 2, course.time_s, course.value)
    for session in sessions:
        began = session.plan.start.timestamp()
        inside = (start_s > began - _BEFORE_S) & (end_s < began + session.plan.seconds + _AFTER_S)
        if inside.any():
            rate[inside] = window_rate(session.beats_s, start_s[inside] - began, end_s[inside] - began)
    return rate


def day_rows(
    plan: HeapPlan,
    course: Course,
    sessions: Sequence[SimulatedSession],
    *,
    device: str,
    worn: Sequence[tuple[datetime, datetime]],
    starting: bool,
    noise_bpm: float,
    rng: np.random.Generator,
) -> HeapRows:
    """Minute values of a device outside its exercise mode.

    Parameters
    ----------
    plan : HeapPlan
    course : Course
    sessions : sequence of SimulatedSession
    device : str
    worn : sequence of (datetime, datetime)
    starting : bool
        The stamp is the start of the minute, else its end.
    noise_bpm : float
    rng : numpy.random.Generator

    Returns
    -------
    HeapRows
        Whole beats a minute on whole minutes of the device's clock.
    """
    own_ms = _minutes_ms(plan)
    start_s = (own_ms + plan.offset_ms(device)) / 1000.0 - (0.0 if starting else 60.0)
    rate = _rate_over(start_s, start_s + 60.0, course, sessions)
    rate += noise_bpm * correlated(own_ms.size, step_s=60.0, corr_s=60.0, rng=rng)
    on = np.zeros(own_ms.size, dtype=np.bool_)
    for put_on, taken_off in worn:
        on |= (own_ms >= ms_of(put_on)) & (own_ms < ms_of(taken_off))
    return HeapRows(own_ms=own_ms, value=np.rint(np.clip(rate, 38.0, 205.0))).where(on)


def with_exercise(
    day: HeapRows, sessions: Sequence[SimulatedSession], *, device: str
) -> tuple[HeapRows, NDArray[np.bool_]]:
    """Put the readings of exercise mode in place of the minutes they cover; the mask tells which rows are minutes."""
    keep = np.ones(day.own_ms.size, dtype=np.bool_)
    exercise = []
    for session in sessions:
        made = next(each for each in session.devices if each.plan.name == device)
        own_ms = ms_of(session.plan.start) + made.stamp_ms
        keep &= (day.own_ms <= own_ms[0] - _MINUTE_MS) | (day.own_ms > own_ms[-1] + _SWITCH_MS)
        exercise.append(HeapRows(own_ms=own_ms, value=made.value_bpm))
    minutes = day.where(keep)
    rows = joined([minutes, *exercise])
    return rows, np.isin(rows.own_ms, minutes.own_ms)


def count_steps(
    plan: HeapPlan, sessions: Sequence[SimulatedSession], *, every_min: int, rng: np.random.Generator
) -> HeapRows:
    """Return the band's running count of steps.

    The old firmware begins anew at each local midnight; the update begins anew, and the new firmware goes on counting
    over midnight.

    Parameters
    ----------
    plan : HeapPlan
    sessions : sequence of SimulatedSession
    every_min : int
        Minutes between rows.
    rng : numpy.random.Generator

    Returns
    -------
    HeapRows
    """
    own_ms = _minutes_ms(plan)
    wall_ms = wall_clock_ms(own_ms, plan)
    hour = (wall_ms / 3_600_000.0) % 24.0
    about = correlated(own_ms.size, step_s=60.0, corr_s=240.0, rng=rng)
    steps = np.where((hour < 6.5) | (hour >= 22.75), 0.0, np.clip(np.rint(70.0 * (about - 0.7)), 0.0, 118.0))
    for session in sessions:
        since_s = own_ms / 1000.0 - session.plan.start.timestamp()
        inside = (since_s >= 0.0) & (since_s < session.plan.seconds)
        steps[inside] = np.rint(np.interp(since_s[inside] + 30.0, session.cadence.time_s, session.cadence.value))
    update_ms = ms_of(plan.change_of("band").at)
    day = wall_ms // 86_400_000
    begins = (own_ms < update_ms) & (np.diff(day, prepend=day[0] - 1) != 0)
    begins[np.searchsorted(own_ms, update_ms)] = True
    total = np.cumsum(steps)
    starts = np.flatnonzero(begins)
    base = (total - steps)[starts][np.searchsorted(starts, np.arange(own_ms.size), side="right") - 1]
    last = slice(every_min - 1, None, every_min)
    return HeapRows(own_ms=(own_ms + _MINUTE_MS)[last], value=(total - base)[last])
