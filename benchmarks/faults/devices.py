"""Honest devices of several kinds, and the same devices halving for a while."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

STEP_S = 0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class Device:
    """How a device averages, how late, how often and how exactly it writes.

    ``noise_bpm`` and ``noise_s`` are standard deviation and correlation time of its error; ``bursts_bpm`` is how far it
    wanders off and back now and then; ``step_bpm`` the step of its values; ``stamp_ms`` the unit of its stamps.
    """

    name: str
    period_s: float
    averaging_s: float
    exponential: bool
    delay_s: float
    noise_bpm: float
    noise_s: float
    bursts_bpm: float
    step_bpm: float
    stamp_ms: int


KINDS = ("plain", "noisy", "slow", "coarse", "sluggish")


def device_of(rng: np.random.Generator, kind: str) -> Device:
    """Draw a device of a kind."""
    return Device(
        name=kind,
        period_s=5.0 if kind == "slow" else 1.0,
        averaging_s=float(rng.uniform(12, 24) if kind in ("slow", "sluggish") else rng.uniform(4, 10)),
        exponential=bool(kind == "sluggish" or rng.random() < 0.4),
        delay_s=float(rng.uniform(3, 10) if kind == "sluggish" else rng.uniform(0, 5)),
        noise_bpm=float(rng.uniform(2.2, 3.2) if kind == "noisy" else rng.uniform(0.5, 1.3)),
        noise_s=float(rng.uniform(3, 15)),
        bursts_bpm=4.0 if kind == "noisy" else 2.0,
        step_bpm=5.0 if kind == "coarse" else 1.0,
        stamp_ms=int(rng.choice([1, 1000])),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Clock:
    """Reference time = stamp + ``offset_s`` + 1e-6 ``drift_ppm`` (stamp - middle of the session)."""

    offset_s: float
    drift_ppm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Halving:
    """Half the rate from ``start_s`` for ``seconds``, fading in and out over ``edge_s`` at either end within it."""

    start_s: float
    seconds: float
    edge_s: float

    def ratio(self, at_s: F64) -> F64:
        """What is sensed, over the true rate."""
        inside = np.minimum(at_s - self.start_s, self.start_s + self.seconds - at_s)
        ratio: F64 = 1.0 - 0.5 * np.clip(inside / self.edge_s, 0.0, 1.0)
        return ratio


def readings(
    rng: np.random.Generator, device: Device, clock: Clock, beat_s: F64, *, seconds: float, halving: Halving | None
) -> tuple[I64, F64]:
    """What the device writes: stamps in milliseconds of its own clock since the session's start, and values."""
    first = float(rng.uniform(-15, 15))
    tick_s = np.arange(first, seconds + float(rng.uniform(-15, 15)), device.period_s)
    grid = np.arange(-90.0, seconds + 60.0, STEP_S)
    beat = np.clip(np.searchsorted(beat_s, grid) - 1, 0, beat_s.size - 2)
    sensed = 60.0 / np.diff(beat_s)[beat]
    noise = _noise(rng, device, tick_s)
    if halving is not None:
        sensed = sensed * halving.ratio(grid)
    value = np.interp(tick_s - device.delay_s, grid, _smoothed(sensed, device)) + noise
    value = np.clip(np.round(value / device.step_bpm) * device.step_bpm, 25.0, 240.0)
    stamp_s = tick_s - clock.offset_s
    stamp_s -= 1e-6 * clock.drift_ppm * (tick_s - 0.5 * seconds)
    return np.floor(stamp_s * 1000.0 / device.stamp_ms).astype(np.int64) * device.stamp_ms, value


def _smoothed(sensed: F64, device: Device) -> F64:
    """A boxcar, or exponential smoothing with the same mean age."""
    from scipy.signal import lfilter, lfiltic

    if device.exponential:
        keep = float(np.exp(-STEP_S / (0.5 * device.averaging_s)))
        begin = lfiltic([1.0 - keep], [1.0, -keep], [sensed[0]])
        smooth: F64 = lfilter([1.0 - keep], [1.0, -keep], sensed, zi=begin)[0]
        return smooth
    n = max(1, round(device.averaging_s / STEP_S))
    padded = np.concatenate([np.full(n - 1, sensed[0]), sensed])
    total = np.cumsum(np.concatenate([[0.0], padded]))
    mean: F64 = (total[n:] - total[:-n]) / n
    return mean


def _noise(rng: np.random.Generator, device: Device, tick_s: F64) -> F64:
    from scipy.signal import lfilter

    n = tick_s.size
    keep = float(np.exp(-device.period_s / device.noise_s))
    shocks = rng.standard_normal(n) * np.sqrt(1.0 - keep * keep)
    shocks[0] /= np.sqrt(1.0 - keep * keep)
    noise: F64 = device.noise_bpm * lfilter([1.0], [1.0, -keep], shocks)
    at = tick_s[0] + float(rng.exponential(400.0))
    while at < tick_s[-1]:
        length = float(rng.uniform(20.0, 90.0))
        size = device.bursts_bpm * float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.4, 1.0))
        inside = (tick_s >= at) & (tick_s < at + length)
        noise[inside] += size * np.sin(np.pi * (tick_s[inside] - at) / length)
        at += length + float(rng.exponential(400.0))
    return noise
