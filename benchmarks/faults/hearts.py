"""People of the fault bench: beats and cadence of either simulator, and what their strap and pod write."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from benchmarks.truth import second_heart
from wearbench.simulator import Bout, Person, PodPlan, ReferencePlan, SessionPlan, Spell
from wearbench.simulator.physiology import cadence_course, rate_course, true_beats
from wearbench.simulator.recorder import record_cadence, record_intervals

F64 = NDArray[np.float64]

# activity: lowest and highest share of the reserve, lowest and highest cadence (none at rest)
EFFORTS: dict[str, tuple[float, float, tuple[float, float]]] = {
    "rest": (0.03, 0.1, (0.0, 0.0)),
    "walking": (0.22, 0.42, (98.0, 120.0)),
    "rowing": (0.4, 0.9, (18.0, 34.0)),
    "stairs": (0.6, 0.92, (86.0, 124.0)),
    "running": (0.55, 0.9, (152.0, 184.0)),
}
TROUBLES = ("", "", "", "", "dry", "gap")


@dataclass(frozen=True, kw_only=True, slots=True)
class Worn:
    """One session as it was and as strap and pod wrote it; seconds from its start on the strap's clock.

    ``beat_s`` begins two minutes before; ``cadence`` has one value a second from the start, NaN or 0 where nothing
    repeats.
    """

    seconds: float
    activity: str
    beat_s: F64
    strap_s: F64
    interval_ms: F64
    pod_s: F64
    cadence: F64


def worn(rng: np.random.Generator, *, simulator: str, start: datetime, seconds: float, person: Person) -> Worn:
    """Draw one session of either simulator: ``first`` is the package's own, ``second`` the truth bench's."""
    trouble = str(rng.choice(TROUBLES))
    return (_first if simulator == "first" else _second)(rng, start, seconds, person, trouble)


def someone(rng: np.random.Generator, name: str) -> Person:
    """Draw a person."""
    rest = float(rng.uniform(48, 72))
    return Person(
        name=name,
        rest_bpm=rest,
        max_bpm=float(rng.uniform(168, 198)),
        rise_s=float(rng.uniform(20, 40)),
        fall_s=float(rng.uniform(40, 80)),
        drift_bpm_per_h=float(rng.uniform(6, 22)),
        respiratory_share=float(rng.uniform(0.02, 0.08)),
        ectopics_per_h=float(rng.choice([0.5, 2.0, 12.0])),
    )


def _first(rng: np.random.Generator, start: datetime, seconds: float, person: Person, trouble: str) -> Worn:
    names = rng.choice(list(EFFORTS), size=int(rng.integers(4, 8)))
    cuts = np.sort(rng.uniform(0.05, 0.95, size=names.size - 1)) * seconds
    lengths = np.diff(np.concatenate([[0.0], cuts, [seconds]]))
    bouts = []
    for name, length in zip(names.tolist(), lengths.tolist(), strict=True):
        low, high, span = EFFORTS[name]
        effort = float(rng.uniform(low, high))
        bouts.append(
            Bout(activity=name, intensity="", seconds=length, effort=effort, cadence=float(rng.uniform(*span)))
        )
    at = float(rng.uniform(0.2, 0.8)) * seconds
    reference = ReferencePlan(
        dry_s=float(rng.uniform(20, 70)) if trouble == "dry" else 0.0,
        lost=(Spell(start_s=at, seconds=float(rng.uniform(10, 60))),) if trouble == "gap" else (),
    )
    plan = SessionPlan(name="S", start=start, person=person, bouts=tuple(bouts), reference=reference, pod=PodPlan())
    beats = true_beats(rate_course(plan, rng), person, rng)
    recorded = record_intervals(beats, plan, rng)
    pod = record_cadence(cadence_course(plan, rng), plan, PodPlan(), rng)
    assert recorded.stamp_s is not None
    return Worn(
        seconds=seconds,
        activity=str(names[int(np.argmax(lengths))]),
        beat_s=beats,
        strap_s=recorded.stamp_s,
        interval_ms=recorded.interval_ms,
        pod_s=pod.stamp_s,
        cadence=pod.per_min,
    )


def _second(rng: np.random.Generator, start: datetime, seconds: float, person: Person, trouble: str) -> Worn:
    del start
    whole = second_heart.heart(rng, shift=0.15 * (person.rest_bpm - 60.0), steady=False)
    while whole.seconds < seconds:
        whole = second_heart.heart(rng, shift=0.15 * (person.rest_bpm - 60.0), steady=False)
    cut = second_heart.Heart(
        time_s=whole.time_s, beat_s=whole.beat_s, cadence=whole.cadence, bouts=whole.bouts, seconds=seconds
    )
    stamp_s, interval_ms = second_heart.strap_rows(rng, cut, trouble=trouble)
    pod_s = np.arange(0.0, seconds, 1.0)
    stride = np.nan_to_num(np.interp(pod_s, whole.time_s, np.nan_to_num(whole.cadence)))
    noisy = np.where(stride > 0, stride + rng.normal(0, 0.7, size=pod_s.size), 0.0)
    return Worn(
        seconds=seconds,
        activity=max(whole.bouts, key=lambda b: min(b.end_s, seconds) - b.start_s).activity,
        beat_s=whole.beat_s,
        strap_s=stamp_s,
        interval_ms=interval_ms,
        pod_s=pod_s,
        cadence=np.round(noisy).astype(np.float64),
    )
