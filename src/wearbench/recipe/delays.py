"""How late a device is: what the data say beyond the clock that marks, or a shared clock, give."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wearbench.core.clock import ClockFit
from wearbench.core.marks import MarkClock
from wearbench.wording import number, plural

__all__ = ["DelayFit", "delay_in", "delay_words", "interval_words", "no_offset"]


@dataclass(frozen=True, kw_only=True, slots=True)
class DelayFit:
    """How late a device is, seconds; ``low_s`` and ``high_s`` are NaN where nothing was estimated."""

    delay_s: float
    low_s: float
    high_s: float
    how: str


def delay_in(clock: ClockFit, told: MarkClock, *, half_s: float, averaging_width_s: float = 0.0) -> DelayFit:
    """How late a device is in one session: what the data say beyond the clock that the marks give.

    Parameters
    ----------
    clock : ClockFit
        Centre shift of the data.
    told : MarkClock
    half_s : float
        From stamp to window centre on a right clock without delay.
    averaging_width_s : float
        Width of the averaging's own interval, which moves the delay by half as much.

    Returns
    -------
    DelayFit
    """
    delay = told.offset_s + half_s - clock.shift_s
    half = math.hypot(0.5 * (told.high_s - told.low_s), 0.25 * averaging_width_s)
    low = math.hypot(half, clock.high_s - clock.shift_s)
    high = math.hypot(half, clock.shift_s - clock.low_s)
    return DelayFit(delay_s=delay, low_s=delay - low, high_s=delay + high, how=f"from {plural(told.n, 'sync mark')}")


def no_offset(clock: ClockFit) -> MarkClock:
    """The clock of a device that shares the reference's."""
    return MarkClock(
        at_s=clock.at_s,
        offset_s=0.0,
        low_s=0.0,
        high_s=0.0,
        drift_ppm=0.0,
        drift_low_ppm=0.0,
        drift_high_ppm=0.0,
        n=0,
    )


def delay_words(delay: DelayFit, n: int) -> str:
    """Put a device's delay in words: ``late by 6.2 s (5.1 to 7.4; 4 sessions with marks)``."""
    half = 0.5 * (delay.high_s - delay.low_s)
    low, high = (number(x, uncertainty=half) for x in (delay.low_s, delay.high_s))
    inside = f"({low} to {high}; {plural(n, 'session')} with marks)"
    if delay.low_s > 0:
        return f"late by {number(delay.delay_s, uncertainty=half)} s {inside}"
    return f"not seen to be late: {number(delay.delay_s, uncertainty=half)} s {inside}"


def interval_words(value: float, low: float, high: float) -> str:
    """Put seconds with their interval in words: ``−40.0 s (−41.1 to −38.9)``."""
    places = 1 if high - low < 20.0 else 0
    low_words, high_words = (number(x, decimals=places) for x in (low, high))
    return f"{number(value, decimals=places)} s ({low_words} to {high_words})"
