"""Where within their intervals clock and averaging of a series can be moved to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from wearbench.core.clock import ClockFit
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.learning import ModeAveraging, in_session
from wearbench.recipe.windows import as_stamped_shift

__all__ = ["Place", "averaged", "centre_moves", "places_within"]

WIDE_S: Final = 2.0
"""An interval of the clock longer than this is looked through in five places, not three."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """A centre shift and an averaging within their intervals; the one analysed has no name."""

    shift: str
    length: str
    clock: ClockFit
    one: Comparison

    @property
    def name(self) -> str:
        """Of the alternative."""
        return "corner" if self.shift and self.length else self.shift or self.length


def places_within(one: Comparison, clock: ClockFit) -> Iterator[Place]:
    """Every pair of centre shift and averaging but the one analysed."""
    for length, how in _averagings(one):
        moved = one if how is None else averaged(one, how)
        for shift, shift_s in _shifts(one, clock):
            if shift or length:
                told = replace(clock, shift_s=shift_s + centre_moves(one, moved))
                yield Place(shift=shift, length=length, clock=told, one=moved)


def _shifts(one: Comparison, clock: ClockFit) -> list[tuple[str, float]]:
    """Centre shifts within what is known of clock and delay; the one analysed has no name."""
    low, high, what = clock.low_s, clock.high_s, "clock"
    delay = one.learned.delay
    if high - low <= 0 and one.device.delay_s is None and delay is not None and math.isfinite(delay.high_s):
        # A shared clock moves by nothing but the delay that was estimated.
        low = clock.shift_s - (delay.high_s - delay.delay_s)
        high = clock.shift_s + (delay.delay_s - delay.low_s)
        what = "delay"
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [("", clock.shift_s)]
    ends = ("clock_early", "clock_late") if what == "clock" else ("delay_longer", "delay_shorter")
    places = [("", clock.shift_s), (ends[0], low), (ends[1], high)]
    if high - low > WIDE_S:
        places += [("corner", 0.5 * (low + clock.shift_s)), ("corner", 0.5 * (high + clock.shift_s))]
    return places


def _averagings(one: Comparison) -> list[tuple[str, str | None]]:
    """Averagings within what is known: as analysed, and its two ends where they differ."""
    fit, device = one.learned.averaging, one.device
    if one.series.start_s is not None or device.averaging_s is not None or fit.averaging_s <= 0:
        return [("", None)]
    known = fit.n > 0
    if known and fit.high_s <= 1.02 * fit.low_s:
        return [("", None)]
    how = "interval" if known else "factor"
    return [("", None), ("averaging_shorter", f"{how} low"), ("averaging_longer", f"{how} high")]


def averaged(one: Comparison, how: str) -> Comparison:
    """The same comparison with the averaging of every mode at one end of its interval, or halved or doubled."""

    def at_end(mode: ModeAveraging) -> ModeAveraging:
        fit = mode.averaging
        low, high = (
            (fit.low_s, fit.high_s)
            if how.startswith("interval") and fit.n > 0
            else (0.5 * fit.averaging_s, 2.0 * fit.averaging_s)
        )
        return replace(mode, averaging=replace(fit, averaging_s=low if how.endswith("low") else high))

    main = at_end(ModeAveraging(usual_s=1.0, averaging=one.learned.averaging, n=1)).averaging
    learned = replace(one.learned, averaging=main, modes=tuple(at_end(mode) for mode in one.learned.modes))
    inside, lengths = in_session(learned, one.modes, one.main, one.device)
    return replace(one, learned=inside, lengths=lengths)


def centre_moves(one: Comparison, moved: Comparison) -> float:
    """How far a window's centre moves with its length: not at all where the data told the centre."""
    if one.device.clock != "shared" or one.device.delay_s is None:
        return 0.0
    delay = one.device.delay_s
    before, after = (as_stamped_shift(one.device, averaging_s=o.averaging_s, delay_s=delay) for o in (one, moved))
    return after - before
