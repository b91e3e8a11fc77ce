"""The clock of a series once the study's parameters are known: its own, its neighbours', or as stamped."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from wearbench.core.averaging import AveragingFit
from wearbench.core.clock import ClockFit, declared_clock, tolerant_loss
from wearbench.core.clockcurves import normal_point
from wearbench.core.running import values_over
from wearbench.core.smoothing import Shape
from wearbench.recipe.clocks import finite_width, first_clock, searches_clock
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.marks import FROM_MARKS
from wearbench.recipe.material import Series
from wearbench.recipe.readings import good_values, without_steps
from wearbench.recipe.walkclock import in_walk, unlike_walk
from wearbench.recipe.windows import as_stamped_shift, on_one_centre
from wearbench.wording import number

__all__ = ["SHARP_S", "final_clock"]

SHARP_S = 0.3
"""A clock that is known no better than this (standard error), or could not be by any method, is weak (our own)."""

_TRUSTS = ("good", "declared", "weak", "refused")


def final_clock(one: Comparison, first: ClockFit) -> ClockFit:
    """Tell a clock anew with the study's parameters.

    Parameters
    ----------
    one : Comparison
    first : ClockFit
        Of the first pass.

    Returns
    -------
    ClockFit
        Where the clock steps inside the recording, that of the other readings, and no better than weak.
    """
    series = without_steps(on_one_centre(one.series, one.lengths), one.steps)
    clock = _of_readings(one, series, first)
    if one.steps and clock.trust == "good":
        return replace(clock, trust="weak", why="the clock steps inside the recording; see the proposals")
    known = 0.5 * finite_width(clock)
    # The interval also counts what is not known of averaging and shape.
    error = max(clock.bound_s, known / normal_point(one.settings.confidence))
    if clock.trust == "good" and not one.marked.usable and error > SHARP_S:
        return replace(clock, trust="weak", why=f"the readings tell it to {number(known, decimals=1)} s only")
    return clock


def _of_readings(one: Comparison, series: Series, first: ClockFit) -> ClockFit:
    device, quantity, settings, learned = one.device, one.quantity, one.settings, one.learned
    averaging = one.averaging_s
    if not searches_clock(device, quantity):
        return first
    if device.clock == "shared" and learned.delay_s is not None:
        shift = as_stamped_shift(device, averaging_s=averaging, delay_s=learned.delay_s)
        shared = declared_clock(shift_s=shift, at_s=first.at_s, method="shared clock, delay estimated over the study")
        return replace(shared, trust="weak", why=first.why) if one.marked.notes else shared

    def again(start: float | None) -> ClockFit:
        return first_clock(
            device,
            quantity,
            series,
            one.reference,
            settings,
            averaging_s=averaging,
            shape=learned.averaging.shape,
            start_s=start,
            within_s=one.within_s,
            also=_other_averagings(learned.averaging),
            bias=learned.bias_in(one.session.name),
            seed=settings.seed,
        )

    if first.trust in ("weak", "refused"):
        # With the device's own averaging known, a session that hardly moves may show its clock after all.
        second = again(None)
        if second.trust == "good":
            return second
        near = _near_marks(one, first, again) if one.marked.usable else None
        if near is not None:
            return near
        if _TRUSTS.index(second.trust) < _TRUSTS.index(first.trust) or finite_width(second) < finite_width(first):
            first = second

    walk = next((w for w in learned.walk if w.session == one.session.name), None)
    if walk is not None and first.trust in ("weak", "refused"):
        settled = in_walk(first, walk, again, averaging_s=averaging, confidence=settings.confidence)
        if settled is not None:
            return settled
    if first.trust == "refused":
        return _refused(one, series, first)
    fine = again(first.shift_s)
    if fine.trust == "refused" and first.trust == "weak":
        return first
    trust = first.trust if first.trust == "weak" or fine.trust == "good" else "weak"
    fine = replace(fine, trust=trust, why=first.why or fine.why, candidates=first.candidates or fine.candidates)
    return unlike_walk(fine, walk) if walk is not None and walk.strange else fine


def _other_averagings(averaging: AveragingFit) -> tuple[tuple[float, Shape], ...]:
    """The ends of the averaging's interval, where it has one, and the other shape where that fits about as well."""
    ends = (averaging.low_s, averaging.high_s)
    also = [(end, averaging.shape) for end in ends if abs(end - averaging.averaging_s) > 0.02 * end]
    if averaging.other_s is not None and averaging.n:
        also.append((averaging.other_s, "boxcar" if averaging.shape == "exponential" else "exponential"))
    return tuple(also)


def _near_marks(one: Comparison, first: ClockFit, again: Callable[[float | None], ClockFit]) -> ClockFit | None:
    """Where the session's marks and the device's delay put the clock; None where its own data have to say."""
    told, delay = one.marked.clock(first, one.settings), one.learned.delay
    if delay is None:
        if first.method != FROM_MARKS:
            return None
        move = told.offset_s + one.half_s - first.shift_s
        return replace(first, shift_s=first.shift_s + move, low_s=first.low_s + move, high_s=first.high_s + move)
    shift = told.offset_s + one.half_s - delay.delay_s
    known = 0.0 if math.isnan(delay.low_s) else 0.5 * (delay.high_s - delay.low_s)
    z = normal_point(one.settings.confidence)
    spread = max(math.hypot(0.5 * (told.high_s - told.low_s), known) / z, 0.1)
    near = _joined(again(shift), first, shift, spread, z=z)
    method = "from sync marks and the device's delay, with what the session's own data show"
    if finite_width(near) <= 10.0:
        return replace(near, trust="good", method=method, why="")
    return replace(near, method=method)


def _joined(own: ClockFit, first: ClockFit, shift: float, spread: float, *, z: float) -> ClockFit:
    """Own evidence and that of marks, each weighed by what it knows."""
    width = max(0.5 * finite_width(own), 0.1)
    weight = 1.0 / spread**2, (1.0 / width**2 if abs(own.shift_s - shift) <= 3 * (spread + width) else 0.0)
    centre = (weight[0] * shift + weight[1] * own.shift_s) / sum(weight)
    half = z / math.sqrt(sum(weight))
    return replace(
        own,
        shift_s=centre,
        low_s=centre - half,
        high_s=centre + half,
        trust="weak",
        why=first.why,
        half_shifts_s=(centre, centre),
        candidates=first.candidates,
    )


def _refused(one: Comparison, series: Series, first: ClockFit) -> ClockFit:
    """As stamped if the stamps are among the answers that fit; else unknown, and nothing is paired."""
    near = as_stamped_shift(one.device, averaging_s=one.averaging_s, delay_s=one.device.delay_s or 0.0)
    close = any(abs(c.shift_s - near) <= 20.0 for c in first.candidates)
    if close or _stamps_will_do(one, series, first, near):
        return replace(
            first,
            shift_s=near,
            drift_ppm=0.0,
            low_s=-math.inf,
            high_s=math.inf,
            trust="weak",
            method="as stamped: the data cannot tell, and the stamps are among the answers that fit",
            half_shifts_s=(near, near),
        )
    return first


def _stamps_will_do(one: Comparison, series: Series, first: ClockFit, near: float) -> bool:
    if not first.candidates:
        return False
    good = good_values(series, one.quantity)
    centre = series.time_s[good] + near
    window = values_over(one.reference.running, centre - 0.5 * one.averaging_s, centre + 0.5 * one.averaging_s)
    seen = window.covered >= 0.5
    if int(seen.sum()) < 0.5 * seen.size or seen.size == 0:
        return False
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = tolerant_loss(np.log(series.value[good][seen] / window.value[seen]), scale=0.035)
    return float(np.nanmean(loss)) <= first.candidates[0].loss + 0.02
