"""The chest patch, which records RR intervals and is the reference's clock, and the stroke and step pod."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.parameters import PodPlan, ReferencePlan, SessionPlan, Spell
from wearbench.simulator.physiology import Course, correlated
from wearbench.simulator.sensing import window_rate

__all__ = ["RecordedCadence", "RecordedIntervals", "record_cadence", "record_intervals"]

F64 = NDArray[np.float64]
BOOL = NDArray[np.bool_]

_TICKS_A_SECOND = 1024


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordedIntervals:
    """What the patch wrote, one row an interval; shape (n,).

    ``stamp_s`` is None for a list without stamps. ``interval_ms`` is a whole number of 1/1024 s. Where the patch wrote
    only a rate, ``rate_bpm`` is that, at ``stamp_s``, and there are no intervals.
    """

    stamp_s: F64 | None
    interval_ms: F64
    rate_bpm: F64 | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordedCadence:
    """What the pod wrote; shape (n,)."""

    stamp_s: F64
    per_min: F64


def _inside(time_s: F64, spells: tuple[Spell, ...]) -> BOOL:
    inside = np.zeros(time_s.size, dtype=np.bool_)
    for spell in spells:
        inside |= (time_s >= spell.start_s) & (time_s < spell.start_s + spell.seconds)
    return inside


def _detected(beats: F64, plan: ReferencePlan, rng: np.random.Generator) -> F64:
    """Beats as the patch sees them: some missed, some invented."""
    dry = beats < plan.dry_s
    gaps = np.diff(beats, append=beats[-1] + 1.0)
    keep = rng.random(beats.size) >= np.where(dry, 0.22, plan.missed_share)
    skipping = _inside(beats, plan.every_second)
    keep &= ~(skipping & (np.cumsum(skipping) % 2 == 0))
    extra = rng.random(beats.size) < np.where(dry, 0.22, plan.extra_share)
    extra |= _inside(beats, plan.double_count)
    where = rng.uniform(0.35, 0.6, beats.size)
    shaken = beats + np.where(dry, 0.05 * rng.standard_normal(beats.size), 0.0)
    seen = np.concatenate([shaken[keep], (beats + where * gaps)[extra]])
    seen.sort()
    kept: F64 = seen[np.append(True, np.diff(seen) > 0.2)]
    return kept


def record_intervals(beats: F64, plan: SessionPlan, rng: np.random.Generator) -> RecordedIntervals:
    """Record RR intervals over a session.

    Parameters
    ----------
    beats : float64 array, shape (n,)
        True beat times, seconds from the session's start.
    plan : SessionPlan
    rng : numpy.random.Generator

    Returns
    -------
    RecordedIntervals
        Intervals whose packet was lost are not there, so that the sum falls behind the stamps.
    """
    reference = plan.reference
    worn = beats[(beats >= 0.0) & (beats < plan.seconds)]
    if reference.rate_over_s > 0:
        return _rates(_detected(worn, reference, rng), plan)
    ticks = np.rint(_detected(worn, reference, rng) * _TICKS_A_SECOND)
    interval_ms = np.diff(ticks) * 1000.0 / _TICKS_A_SECOND
    ended = ticks[1:] / _TICKS_A_SECOND
    second = np.floor(ended)
    n_packets = int(plan.seconds) + 2
    late = reference.least_late_s + rng.exponential(reference.usually_late_s, n_packets)
    late += np.where(rng.random(n_packets) < 0.003, rng.uniform(0.5, 2.0, n_packets), 0.0)
    packet = second.astype(np.int64)
    arrival = np.maximum.accumulate(np.arange(n_packets) + 1.0 + late)[packet]
    lost = (rng.random(n_packets) < reference.packet_loss)[packet] | _inside(ended, reference.lost)
    stamp_s = {"arrival": arrival, "exact": ended, "second": second, "none": None}[reference.stamps]
    return RecordedIntervals(
        stamp_s=None if stamp_s is None else stamp_s[~lost],
        interval_ms=interval_ms[~lost],
    )


def _rates(seen: F64, plan: SessionPlan) -> RecordedIntervals:
    """Whole beats a minute, once a second, each the mean over the seconds before; none while contact is lost."""
    over_s = plan.reference.rate_over_s
    stamp_s = np.arange(np.ceil(max(float(seen[0]), 0.0) + over_s), np.floor(seen[-1]))
    stamp_s = stamp_s[~_inside(stamp_s, plan.reference.lost)]
    rate = np.rint(window_rate(seen, stamp_s - over_s, stamp_s))
    return RecordedIntervals(stamp_s=stamp_s, interval_ms=np.empty(0), rate_bpm=rate)


def record_cadence(course: Course, plan: SessionPlan, pod: PodPlan, rng: np.random.Generator) -> RecordedCadence:
    """Record cadence with the pod, which sometimes prints a number when nobody moves.

    Parameters
    ----------
    course : Course
        True cadence.
    plan : SessionPlan
    pod : PodPlan
    rng : numpy.random.Generator

    Returns
    -------
    RecordedCadence
        Values to half a stroke or step a minute.
    """
    stamp_s = np.arange(0.0, plan.seconds, pod.interval_s)
    true = np.interp(stamp_s, course.time_s, course.value)
    still = true < 5.0
    read = true + pod.noise * correlated(stamp_s.size, step_s=pod.interval_s, corr_s=3.0, rng=rng)
    slow = correlated(stamp_s.size, step_s=pod.interval_s, corr_s=12.0, rng=rng)
    height = float(np.quantile(slow, 1.0 - pod.phantom_share)) if stamp_s.size else 0.0
    phantom = np.where(slow > height, 14.0 + 14.0 * np.abs(slow - height), 0.0)
    per_min = np.clip(np.where(still, phantom, read), 0.0, None)
    return RecordedCadence(stamp_s=stamp_s, per_min=np.rint(per_min * 2.0) / 2.0)
