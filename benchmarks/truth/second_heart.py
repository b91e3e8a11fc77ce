"""The second simulator's people: a heart that ramps, its beats, a stride, and the strap that records the beats.

Independent in design from the package's own simulator: the rate is piecewise linear with random kinks and occasional
steps, beats come from integral pulse frequency modulation by two oscillators that wander, and nothing is fitted to
anything. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

STEP_S = 0.05
LEAD_S = 120.0

# activity: lowest and highest rate (bpm), lowest and highest cadence (a minute; none at rest), intensity
ACTIVITIES: dict[str, tuple[float, float, tuple[float, float] | None, str]] = {
    "rest": (56.0, 84.0, None, "low"),
    "walk": (84.0, 124.0, (98.0, 122.0), "low"),
    "ergometer": (102.0, 164.0, (58.0, 94.0), "moderate"),
    "run": (128.0, 184.0, (150.0, 184.0), "high"),
    "stairs": (112.0, 172.0, (84.0, 118.0), "high"),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Bout:
    """A stretch of one activity, in seconds from the session's start."""

    activity: str
    intensity: str
    start_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Heart:
    """What happened in a person: beats, cadence (NaN where nothing moves in rhythm) and bouts.

    ``time_s`` is an even grid that begins ``LEAD_S`` before the session; ``cadence`` has its shape.
    """

    time_s: F64
    beat_s: F64
    cadence: F64
    bouts: tuple[Bout, ...]
    seconds: float

    def count(self, at_s: F64) -> F64:
        """Beats up to an instant, linear between beats."""
        found: F64 = np.interp(at_s, self.beat_s, np.arange(self.beat_s.size, dtype=np.float64))
        return found

    def rate(self, start_s: F64, end_s: F64) -> F64:
        """Beats a minute over windows."""
        return 60.0 * (self.count(end_s) - self.count(start_s)) / (end_s - start_s)


def plan(rng: np.random.Generator, *, steady: bool) -> tuple[Bout, ...]:
    """Draw a session's bouts; a steady one has a single activity."""
    if steady:
        seconds = float(rng.uniform(1300, 1800))
        return (Bout(activity="walk", intensity="low", start_s=0.0, end_s=seconds),)
    names = ["rest", *rng.permutation(["walk", "ergometer", "run", "stairs", "run", "rest"]).tolist()]
    names = names[: int(rng.integers(4, 7))]
    edges = np.concatenate([[0.0], np.cumsum(rng.uniform(220, 560, size=len(names)))])
    return tuple(
        Bout(activity=name, intensity=ACTIVITIES[name][3], start_s=float(a), end_s=float(b))
        for name, a, b in zip(names, edges[:-1], edges[1:], strict=True)
    )


def rate_path(rng: np.random.Generator, bouts: tuple[Bout, ...], time_s: F64, *, shift: float, steady: bool) -> F64:
    """Draw the mean rate: straight lines between random kinks, now and then a step."""
    low, high = ACTIVITIES[bouts[0].activity][:2]
    knots, values = [-LEAD_S], [0.5 * (low + high) + shift]
    now = 0.0
    while now < bouts[-1].end_s + 10.0:
        bout = next((b for b in bouts if now < b.end_s), bouts[-1])
        low, high = (edge + shift for edge in ACTIVITIES[bout.activity][:2])
        if steady:
            low, high = 0.5 * (low + high) - 1.5, 0.5 * (low + high) + 1.5
        target = float(rng.uniform(low, high))
        if rng.random() < 0.07 and not steady:
            jump = float(rng.choice([-1.0, 1.0]) * rng.uniform(8, 20))
            knots += [now, now + 2.0]
            values += [values[-1], float(np.clip(values[-1] + jump, low, high))]
            now += 2.0
        reach = abs(target - values[-1]) / (1.3 if target > values[-1] else 0.8)
        now += max(reach, float(np.clip(rng.lognormal(np.log(42), 0.7), 8, 220)))
        knots.append(now)
        values.append(target)
    path: F64 = np.interp(time_s, knots, values)
    return path


def oscillator(rng: np.random.Generator, size: int, *, hz: float, wander: float) -> F64:
    """A sine whose frequency drifts as a slow random walk held near ``hz``."""
    coarse = np.cumsum(rng.normal(0.0, wander, size=size // 200 + 2))
    coarse -= np.linspace(coarse[0], coarse[-1], coarse.size)
    frequency = hz * np.exp(np.interp(np.arange(size) / 200.0, np.arange(coarse.size), coarse))
    phase = 2 * np.pi * (np.cumsum(frequency) * STEP_S + rng.random())
    wave: F64 = np.sin(phase)
    return wave


def beat_times(rng: np.random.Generator, time_s: F64, rate: F64) -> F64:
    """Integral pulse frequency modulation: a beat whenever the integral of the modulated rate passes a whole number."""
    calm = np.clip((175.0 - rate) / 110.0, 0.05, 1.0)
    breath = oscillator(rng, time_s.size, hz=float(rng.uniform(0.2, 0.38)), wander=0.02)
    slow = oscillator(rng, time_s.size, hz=float(rng.uniform(0.08, 0.12)), wander=0.02)
    driven = rate / 60.0 * (1.0 + calm * (0.055 * breath + 0.04 * slow))
    integral = np.cumsum(driven) * STEP_S
    beats: F64 = np.interp(np.arange(1, int(integral[-1])), integral, time_s)
    return beats


def cadence_path(rng: np.random.Generator, bouts: tuple[Bout, ...], time_s: F64) -> F64:
    """Cadence of each bout: a level, a slow sway, a little unrest; NaN where nothing moves in rhythm."""
    cadence = np.full(time_s.shape, np.nan)
    for bout in bouts:
        span = ACTIVITIES[bout.activity][2]
        if span is None:
            continue
        inside = (time_s >= bout.start_s) & (time_s < bout.end_s)
        seconds = time_s[inside] - bout.start_s
        sway = 0.02 * np.sin(2 * np.pi * seconds / float(rng.uniform(90, 300)) + rng.random() * 6.3)
        unrest = np.interp(seconds, np.arange(0, bout.end_s - bout.start_s + 5, 4.0), smooth_noise(rng, bout, 0.008))
        cadence[inside] = float(rng.uniform(*span)) * (1 + sway + unrest)
    return cadence


def smooth_noise(rng: np.random.Generator, bout: Bout, sd: float) -> F64:
    """First-order autoregressive noise, one value every 4 s over a bout."""
    size = np.arange(0, bout.end_s - bout.start_s + 5, 4.0).size
    noise = rng.normal(0.0, sd, size=size)
    for i in range(1, size):
        noise[i] = 0.8 * noise[i - 1] + 0.6 * noise[i]
    return noise


def heart(rng: np.random.Generator, *, shift: float, steady: bool) -> Heart:
    """Draw one session of one person."""
    bouts = plan(rng, steady=steady)
    seconds = bouts[-1].end_s
    time_s = np.arange(-LEAD_S, seconds + 60.0, STEP_S)
    rate = rate_path(rng, bouts, time_s, shift=shift, steady=steady)
    return Heart(
        time_s=time_s,
        beat_s=beat_times(rng, time_s, rate),
        cadence=cadence_path(rng, bouts, time_s),
        bouts=bouts,
        seconds=seconds,
    )


def strap_rows(rng: np.random.Generator, person: Heart, *, trouble: str) -> tuple[F64, F64]:
    """What the strap wrote: stamps (s, up to a quarter second late) and intervals (whole ms), artefacts and all.

    ``trouble`` is ``""``, ``"dry"`` (rubbish at the start), ``"gap"`` (contact lost for a while) or ``"every second"``
    (each second beat missed for a while).
    """
    beats = person.beat_s[(person.beat_s > 0) & (person.beat_s < person.seconds)]
    keep = rng.random(beats.size) > 0.0015  # missed now and then
    extra = beats[:-1] + np.diff(beats) * rng.uniform(0.3, 0.7, size=beats.size - 1)
    extra = extra[rng.random(extra.size) < 0.001]
    early = rng.random(beats.size) < 0.001
    early[[0, -1]] = False
    length = np.diff(beats, append=beats[-1] + 1.0)
    beats = np.where(early, beats - 0.3 * length, beats)
    if trouble == "every second":
        start = float(rng.uniform(0.3, 0.7)) * person.seconds
        stretch = (beats > start) & (beats < start + float(rng.uniform(50, 110)))
        keep &= ~(stretch & (np.arange(beats.size) % 2 == 1))
    if trouble == "dry":
        until = float(rng.uniform(25, 80))
        keep &= beats > until
        rubbish = np.cumsum(rng.uniform(0.28, 1.6, size=400))
        extra = np.concatenate([extra[extra > until], rubbish[rubbish < until]])
    seen = np.sort(np.concatenate([beats[keep], extra]))
    interval_ms = np.round(np.diff(seen) * 1000.0)
    stamp = seen[1:] + rng.uniform(0.0, 0.25, size=seen.size - 1)
    if trouble == "gap":
        start = float(rng.uniform(0.2, 0.8)) * person.seconds
        stays = (stamp < start) | (stamp > start + float(rng.uniform(20, 70)))
        stamp, interval_ms = stamp[stays], interval_ms[stays]
    return np.maximum.accumulate(stamp), interval_ms
