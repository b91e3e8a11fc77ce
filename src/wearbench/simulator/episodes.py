"""When a device fails: failure processes drawn along a session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearbench.simulator.parameters import Failure, SessionPlan

__all__ = ["Episode", "draw_episodes"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Episode:
    """A failure from ``start_s`` to ``end_s``, reference clock."""

    start_s: float
    end_s: float
    failure: Failure


def _eligible(failure: Failure, plan: SessionPlan) -> list[tuple[float, float]]:
    """Stretches where the failure can happen; bouts that touch are one stretch."""
    runs: list[tuple[float, float]] = []
    for start, bout in zip(plan.bout_starts_s, plan.bouts, strict=True):
        if failure.activities and bout.activity not in failure.activities:
            continue
        if failure.mode == "cadence_locked" and bout.cadence <= 0:
            continue
        if runs and runs[-1][1] >= start:
            runs[-1] = (runs[-1][0], start + bout.seconds)
        else:
            runs.append((start, start + bout.seconds))
    return runs


def _drawn(failure: Failure, plan: SessionPlan, rng: np.random.Generator) -> list[tuple[float, float]]:
    if failure.share <= 0:
        return []
    found: list[tuple[float, float]] = []
    spare = failure.mean_s - failure.least_s
    off_s = failure.mean_s * (1.0 - failure.share) / failure.share
    for start, end in _eligible(failure, plan):
        at = start
        on = bool(rng.random() < failure.share)
        while at < end:
            length = failure.least_s + rng.exponential(spare) if on else rng.exponential(off_s)
            if on and min(at + length, end) - at >= min(failure.least_s, 10.0):
                found.append((at, min(at + length, end)))
            at += length
            on = not on
    return found


def draw_episodes(failures: tuple[Failure, ...], plan: SessionPlan, rng: np.random.Generator) -> tuple[Episode, ...]:
    """Draw the episodes of all failures; none overlap.

    Parameters
    ----------
    failures : tuple of Failure
        Alternating renewal processes or fixed spells; an episode that would overlap one of an earlier failure does not
        happen. Spikes are single readings and are not drawn here.
    plan : SessionPlan
    rng : numpy.random.Generator

    Returns
    -------
    tuple of Episode
        In order of time.
    """
    taken: list[Episode] = []
    for failure in failures:
        if failure.mode == "spike":
            continue
        spells = [(spell.start_s, spell.start_s + spell.seconds) for spell in failure.spells]
        for start, end in spells or _drawn(failure, plan, rng):
            if all(end <= other.start_s or start >= other.end_s for other in taken):
                taken.append(Episode(start_s=start, end_s=end, failure=failure))
    return tuple(sorted(taken, key=lambda episode: episode.start_s))
