"""From values to places: linear, log2 and time scales with ticks a person would choose."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

__all__ = ["Scale", "clock_ticks", "elapsed_ticks", "nice_range", "tick_words", "ticks"]

F64 = NDArray[np.float64]
_TIME_STEPS = (
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    900,
    1800,
    3600,
    7200,
    10800,
    21600,
    43200,
    86400,
    172800,
    604800,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Scale:
    """A straight map from [low, high] to [start, stop] in the drawing."""

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        """Place of one value."""
        return self.start + (value - self.low) * self.per_unit

    def all(self, values: F64) -> F64:
        """Places of many values, kept inside the axis."""
        return self.start + (np.clip(values, self.low, self.high) - self.low) * self.per_unit

    @property
    def per_unit(self) -> float:
        """Pixels for one unit of the value."""
        return (self.stop - self.start) / (self.high - self.low) if self.high > self.low else 0.0


def _step(length: float, most: int) -> float:
    raw = length / max(1, most)
    size = 10.0 ** math.floor(math.log10(raw)) if raw > 0 else 1.0
    return next((m * size for m in (1, 2, 5) if m * size >= raw), 10 * size)


def ticks(low: float, high: float, *, most: int = 6) -> list[float]:
    """Round values inside [low, high], at most about ``most``."""
    if not high > low:
        return [low]
    step = _step(high - low, most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def tick_words(values: list[float], *, sign: bool = False) -> list[tuple[float, str]]:
    """Ticks with their words, as many decimals as their step needs."""
    step = min((b - a for a, b in itertools.pairwise(values)), default=1.0)
    places = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    found = []
    for value in values:
        words = f"{abs(value):,.{places}f}"
        mark = "−" if value < 0 else "+" if sign and value > 0 else ""
        found.append((value, mark + words))
    return found


def nice_range(values: F64, *, margin: float = 0.04) -> tuple[float, float]:
    """Range of the finite values with a little air; [0, 1] when there are none."""
    good = values[np.isfinite(values)]
    if not good.size:
        return 0.0, 1.0
    low, high = float(good.min()), float(good.max())
    air = (high - low) * margin if high > low else max(1.0, abs(high) * 0.05)
    return low - air, high + air


def _time_step(length_s: float, most: int) -> float:
    return next((float(s) for s in _TIME_STEPS if length_s / s <= most), float(_TIME_STEPS[-1]))


def elapsed_ticks(length_s: float, *, most: int = 8) -> list[tuple[float, str]]:
    """Seconds since the start and their words: ``10 min``, ``2 h``, ``1 d``."""
    step = _time_step(length_s, most)
    found = []
    for k in range(int(length_s // step) + 1):
        s = k * step
        if s == 0:
            words = "0"
        elif step < 60:
            words = f"{s:.0f} s"
        elif step < 3600:
            words = f"{s / 60:.0f} min"
        elif step < 86400:
            words = f"{s / 3600:.0f} h"
        else:
            words = f"{s / 86400:.0f} d"
        found.append((s, words))
    return found


def clock_ticks(start: datetime, end: datetime, *, zone: tzinfo = UTC, most: int = 8) -> list[tuple[datetime, str]]:
    """Round clock times of ``zone`` between two instants, with the day where it changes."""
    length = (end - start).total_seconds()
    step = _time_step(length, most)
    local = start.astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    since = (local - midnight).total_seconds()
    at = midnight + timedelta(seconds=math.ceil(since / step) * step)
    found: list[tuple[datetime, str]] = []
    while at <= end and len(found) < 4 * most:
        words = at.strftime("%H:%M:%S") if step < 60 else at.strftime("%H:%M")
        if step >= 86400 or (at.hour == at.minute == at.second == 0 and length > 43200):
            words = f"{at.day} {at:%b}"
        found.append((at, words))
        at += timedelta(seconds=step)
    return found
