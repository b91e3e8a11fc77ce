"""The second simulator's strap in the grid: what it wrote, and when it was wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.truth.gridtruth import TrueSpell
from benchmarks.truth.second_device import smooth
from benchmarks.truth.second_heart import F64, STEP_S, Heart

MISSED, EXTRA, EARLY = 0.0015, 0.001, 0.001
NAMES = {"every second beat": "every_second", "double counting": "double_count", "gaps": "lost", "dry start": "dry"}


@dataclass(frozen=True, kw_only=True, slots=True)
class StrapRows:
    """Stamps (s) and values (intervals in whole ms, or whole beats a minute), and what was wrong with them.

    ``late_s`` is by how much a smoothed rate is late beyond a mean over the second before its stamp.
    """

    stamp_s: F64
    value: F64
    is_rate: bool
    wrong: tuple[TrueSpell, ...]
    late_s: float


def troubles(rng: np.random.Generator, kind: str, seconds: float) -> tuple[TrueSpell, ...]:
    """Draw when the strap is wrong, and how."""
    if kind not in NAMES:
        return ()
    if kind == "dry start":
        return (TrueSpell(kind="dry", start_s=0.0, end_s=float(rng.uniform(25, 110))),)
    n = 1 if seconds < 1000 else 2 if seconds < 8000 else 6
    slot, found = seconds / n, []
    for i in range(n):
        lasts = float(rng.uniform(35, min(200, 0.5 * slot)))
        start = i * slot + float(rng.uniform(0.08 * slot, 0.9 * slot - lasts))
        found.append(TrueSpell(kind=NAMES[kind], start_s=start, end_s=start + lasts))
    return tuple(found)


def within(at_s: F64, spells: tuple[TrueSpell, ...], kind: str) -> np.ndarray:
    """Whether instants lie in spells of a kind."""
    inside = np.zeros(at_s.size, dtype=bool)
    for spell in spells:
        if spell.kind == kind:
            inside |= (at_s >= spell.start_s) & (at_s < spell.end_s)
    return inside


def strap_of(rng: np.random.Generator, person: Heart, *, kind: str) -> StrapRows:
    """Record a heart; ``kind`` is a level of the factor ``reference``."""
    if kind == "smoothed rate":
        return smoothed_rate(rng, person)
    wrong = troubles(rng, kind, person.seconds)
    worse = 10.0 if kind == "artefacts" else 1.0
    beats = person.beat_s[(person.beat_s > 0) & (person.beat_s < person.seconds)]
    keep = rng.random(beats.size) > MISSED * worse
    gaps = np.diff(beats, append=beats[-1] + 1.0)
    where = beats + gaps * rng.uniform(0.3, 0.7, size=beats.size)
    twice = within(beats, wrong, "double_count")
    # a tall second wave comes a steady share of the interval after the first
    where = np.where(twice, beats + gaps * (0.42 + 0.02 * rng.standard_normal(beats.size)), where)
    extra = where[(rng.random(beats.size) < EXTRA * worse) | twice]
    early = rng.random(beats.size) < EARLY * worse
    early[[0, -1]] = False
    moved = beats - np.where(early, 0.3 * gaps, 0.0)
    skipping = within(beats, wrong, "every_second")
    keep &= ~(skipping & (np.cumsum(skipping) % 2 == 1))
    for spell in wrong:
        if spell.kind == "dry":
            keep &= beats > spell.end_s
            rubbish = np.cumsum(rng.uniform(0.28, 1.6, size=int(spell.end_s / 0.28)))
            extra = np.concatenate([extra[extra > spell.end_s], rubbish[rubbish < spell.end_s]])
    seen = np.sort(np.concatenate([moved[keep], extra]))
    interval_ms = np.round(np.diff(seen) * 1000.0)
    stamp = seen[1:] + rng.uniform(0.0, 0.25, size=seen.size - 1)
    stays = ~within(stamp, wrong, "lost")
    return StrapRows(
        stamp_s=np.maximum.accumulate(stamp[stays]), value=interval_ms[stays], is_rate=False, wrong=wrong, late_s=0.0
    )


def smoothed_rate(rng: np.random.Generator, person: Heart) -> StrapRows:
    """Only a rate, exponentially smoothed over a few seconds, once a second."""
    tau_s = float(rng.uniform(1.5, 5.0))
    rate = smooth(np.gradient(person.count(person.time_s), STEP_S) * 60.0, tau_s)
    stamp_s = np.arange(1.0, person.seconds, 1.0)
    return StrapRows(
        stamp_s=stamp_s,
        value=np.round(np.interp(stamp_s, person.time_s, rate)),
        is_rate=True,
        wrong=(),
        late_s=tau_s - 0.5,
    )
