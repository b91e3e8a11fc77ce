"""A centre shift parted into clock and delay, as far as the two are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wearbench.core.clock import ClockFit
from wearbench.recipe.clocks import finite_width
from wearbench.recipe.delays import DelayFit, delay_in, interval_words
from wearbench.recipe.marks import Marked, mark_note
from wearbench.recipe.material import FileNote
from wearbench.settings import Settings
from wearbench.study import DeviceConfig
from wearbench.wording import number

__all__ = ["Split", "declared_otherwise", "split_clock"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Split:
    """A centre shift parted into clock and delay; what adds up is ``offset_s - delay.delay_s``.

    ``offset_is`` is "clock" where both are known and "clock_minus_delay" where only their difference is.
    """

    offset_s: float
    low_s: float
    high_s: float
    offset_is: str
    delay: DelayFit


def split_clock(
    clock: ClockFit,
    marked: Marked,
    delay: DelayFit | None,
    settings: Settings,
    *,
    half_s: float,
    after_stamp_s: float,
    averaging_width_s: float = 0.0,
    unknown: str = "",
) -> Split:
    """Part a session's centre shift into clock and delay, as far as they are known.

    Parameters
    ----------
    clock : ClockFit
        As finished.
    marked : Marked
        Of the first pass.
    delay : DelayFit or None
        Of the device over the study, or declared.
    settings : Settings
    half_s : float
        From stamp to window centre on a right clock without delay.
    after_stamp_s : float
        How far the series' seconds lie after the device's own stamps.
    averaging_width_s : float
        Width of the averaging's own interval.
    unknown : str
        Why the delay is not known, where it is not.

    Returns
    -------
    Split
    """
    if marked.usable and clock.trust in ("good", "weak") and finite_width(clock) < math.inf:
        told = marked.clock(clock, settings)
        own = delay_in(clock, told, half_s=half_s, averaging_width_s=averaging_width_s)
        low, high = told.low_s + after_stamp_s, told.high_s + after_stamp_s
        return Split(offset_s=told.offset_s + after_stamp_s, low_s=low, high_s=high, offset_is="clock", delay=own)
    if delay is None:
        nothing = DelayFit(delay_s=0.0, low_s=math.nan, high_s=math.nan, how=unknown)
        move = after_stamp_s - half_s
        return Split(
            offset_s=clock.shift_s + move,
            low_s=clock.low_s + move,
            high_s=clock.high_s + move,
            offset_is="clock_minus_delay",
            delay=nothing,
        )
    offset = clock.shift_s + after_stamp_s - half_s + delay.delay_s
    below = 0.0 if math.isnan(delay.low_s) else delay.delay_s - delay.low_s
    above = 0.0 if math.isnan(delay.high_s) else delay.high_s - delay.delay_s
    return Split(
        offset_s=offset,
        low_s=offset - math.hypot(clock.shift_s - clock.low_s, below),
        high_s=offset + math.hypot(clock.high_s - clock.shift_s, above),
        offset_is="clock",
        delay=delay,
    )


def declared_otherwise(split: Split, marked: Marked, device: DeviceConfig) -> tuple[FileNote, ...]:
    """Say where marks contradict a delay that was declared."""
    delay = split.delay
    if device.delay_s is None or not marked.usable or math.isnan(delay.low_s):
        return ()
    if delay.low_s <= device.delay_s <= delay.high_s:
        return ()
    declared = f"study.toml declares a delay of {number(device.delay_s)} s"
    seen = interval_words(delay.delay_s, delay.low_s, delay.high_s)
    return (mark_note("marks-disagree", f"{device.label}: {declared}, its marks and data give {seen}"),)
