"""Small made-up references and devices for the tests of the computing core; nothing of the simulator is used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearbench.core.running import Running
from wearbench.core.smoothing import smoothed


def at(*numbers):
    return np.array(numbers, dtype=float)


def beats(beat_s, usable=None, doubtful=None, mended=None):
    """Beat phase by its definition: one beat an interval, nothing in a gap."""
    beat_s = np.asarray(beat_s, dtype=float)
    length = np.diff(beat_s)

    def flags(given, default):
        return np.full(length.size, default) if given is None else np.asarray(given, dtype=bool)

    def total(step):
        return np.concatenate([[0.0], np.cumsum(step)])

    use = flags(usable, default=True)
    return Running(
        knot_s=beat_s,
        amount=total(use.astype(float)),
        covered_s=total(np.where(use, length, 0.0)),
        mended_s=total(np.where(use & flags(mended, default=False), length, 0.0)),
        doubtful_s=total(np.where(use & flags(doubtful, default=False), length, 0.0)),
        scale=60.0,
    )


def session_rate(rng, length_s, *, low=85.0, high=165.0, block_s=(60.0, 240.0), drift=True):
    """Rate of a person whose efforts last a minute or a few: first-order rises and falls, 1 Hz, shape (length_s,)."""
    target = np.empty(0)
    while target.size < length_s:
        n = int(rng.uniform(*block_s))
        target = np.concatenate([target, np.full(n, rng.uniform(low, high))])
    rate = np.empty(int(length_s))
    value = 0.5 * (low + high)
    for i in range(rate.size):
        value += (target[i] - value) / (22.0 if target[i] > value else 40.0)
        rate[i] = value
    slow = np.cumsum(rng.normal(0, 0.08, rate.size)) if drift else np.zeros(rate.size)
    return np.clip(rate + slow, 45.0, 205.0)


def beats_of(rng, rate, *, start_s=0.0, variability=0.015):
    """Beats whose rate follows ``rate`` (1 Hz), with breathing-like variability."""
    t, last, out = start_s, start_s + rate.size - 1, [start_s]
    while t < last:
        here = rate[min(int(t - start_s), rate.size - 1)]
        t += 60.0 / here * (1 + variability * np.sin(2 * np.pi * t / 4.1) + 0.5 * variability * rng.normal())
        out.append(t)
    return np.array(out)


def correlated(rng, n, *, sd=1.5, phi=0.8):
    """First-order autoregressive noise with standard deviation ``sd``."""
    out = np.empty(n)
    value = rng.normal(0, sd)
    for i in range(n):
        out[i] = value
        value = phi * value + rng.normal(0, sd * np.sqrt(1 - phi**2))
    return out


@dataclass(frozen=True, kw_only=True)
class Worn:
    """One device worn with the reference: its stamps and values, and the centre shift that is true of it."""

    reference: Running
    time_s: np.ndarray
    value: np.ndarray
    shift_s: float
    halved: np.ndarray


def wear(
    seed,
    *,
    rate=None,
    length_s=2400,
    every_s=1.0,
    jitter_s=0.0,
    first_s=0.0,
    last_s=None,
    averaging_s=8.0,
    shape="boxcar",
    delay_s=3.0,
    offset_s=0.0,
    drift_ppm=0.0,
    halved=0.0,
    sd=1.5,
    phi=0.8,
):
    """Make a device that shows the reference's rate over the window it should, apart from what is asked for.

    Readings at true times u show the mean over ``averaging_s`` (or exponentially smoothed, of the same mean age) that
    ended ``delay_s`` before u, and are stamped ``u + offset_s`` plus drift; so their windows' centres lie
    ``offset_s + delay_s + averaging_s / 2`` before their stamps.
    """
    rng = np.random.default_rng(seed)
    rate = session_rate(rng, length_s) if rate is None else rate
    reference = beats(beats_of(rng, rate))
    true = np.arange(first_s, last_s or rate.size, every_s)
    true = np.sort(true + rng.uniform(0, jitter_s, true.size))
    value, covered = smoothed(reference, averaging_s=averaging_s, shape=shape).at(true - delay_s - averaging_s / 2)
    true, value = true[covered > 0.5], value[covered > 0.5]
    wrong = np.zeros(true.size, dtype=bool)
    while wrong.mean() < halved:
        start = rng.integers(0, true.size)
        wrong[start : start + 1 + int(rng.uniform(60, 300) / every_s)] = True
    value = np.where(wrong, value / 2, value)
    return Worn(
        reference=reference,
        time_s=true + offset_s + 1e-6 * drift_ppm * (true - true.mean()),
        value=np.round(value + correlated(rng, value.size, sd=sd, phi=phi)),
        shift_s=-(offset_s + delay_s + averaging_s / 2),
        halved=wrong,
    )
