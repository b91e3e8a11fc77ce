"""A session's clock where its own data do not settle it: with what the device's other sessions say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from wearbench.core.clock import ClockFit
from wearbench.core.clockcurves import normal_point
from wearbench.recipe.clocks import finite_width
from wearbench.recipe.walks import SessionWalk, own_answers
from wearbench.wording import plural

__all__ = ["in_walk", "unlike_walk"]

NARROW_S: Final = 20.0
"""Longest interval that is an answer, or half the averaging where that is longer (our own figure)."""
_MOST_STARTS: Final = 6
_UNLIKELY: Final = 12.0


def in_walk(
    first: ClockFit, walk: SessionWalk, again: Callable[[float], ClockFit], *, averaging_s: float, confidence: float
) -> ClockFit | None:
    """Settle a clock by the session's own data and what the device's other sessions say.

    Parameters
    ----------
    first : ClockFit
        Weak or refused.
    walk : SessionWalk
    again : callable
        Searches near a centre shift only.
    averaging_s : float
    confidence : float

    Returns
    -------
    ClockFit or None
        Weak, with the interval of both together; None where that is too wide to be an answer.
    """
    z = normal_point(confidence)
    predicted = walk.mixture
    narrow = max(NARROW_S, 0.5 * averaging_s)
    starts = _starts(first, walk, most_s=2.0 * narrow)
    if not starts:
        return None
    fits = _apart([again(start) for start in starts])
    # Own data that reach the end of what was looked at say nothing of how far it goes on.
    telling = [fit for fit in fits if finite_width(fit) <= narrow]
    after = predicted.seen(own_answers(telling, z=z), wrong_density=1e-5)
    low, high = after.interval_s(confidence=confidence)
    if high - low > narrow:
        return None
    centre = float(np.dot(after.weight, after.mean_s))
    if not low <= centre <= high:
        centre = 0.5 * (low + high)
    nearest = min(fits, key=lambda fit: abs(fit.shift_s - centre))
    return replace(
        nearest,
        shift_s=centre,
        low_s=low,
        high_s=high,
        trust="weak",
        method=f"from {plural(walk.n, 'other session')} of the device, with what this one shows",
        why=first.why,
        half_shifts_s=(centre, centre),
        candidates=first.candidates,
    )


def _starts(first: ClockFit, walk: SessionWalk, *, most_s: float) -> list[float]:
    """Centre shifts worth a look: what the data suggest and the other sessions allow, and where those point."""
    mixture = walk.mixture
    at = np.array([c.shift_s for c in first.candidates])
    points = [m for m, w, odd in zip(walk.mean_s, walk.weight, walk.odd, strict=True) if w > 0.02 and not odd]
    likely = float(mixture.log_density(mixture.mean_s).max())
    allowed = at[mixture.log_density(at) > likely - _UNLIKELY] if at.size else at
    found = list(allowed[:_MOST_STARTS])
    if walk.high_s - walk.low_s <= most_s:
        found += [p for p in points if all(abs(p - f) > 4.0 for f in found)]
    return [float(f) for f in found[: 2 * _MOST_STARTS]]


def _apart(fits: list[ClockFit]) -> list[ClockFit]:
    """One fit of each place."""
    kept: list[ClockFit] = []
    for fit in sorted(fits, key=finite_width):
        if all(abs(fit.shift_s - other.shift_s) > 1.0 for other in kept):
            kept.append(fit)
    return kept


def unlike_walk(clock: ClockFit, walk: SessionWalk) -> ClockFit:
    """Say of a clock, good by itself, that it is unlike the device's other sessions.

    Parameters
    ----------
    clock : ClockFit
    walk : SessionWalk

    Returns
    -------
    ClockFit
        Not moved, with trust "weak".
    """
    away = abs(clock.shift_s - 0.5 * (walk.low_s + walk.high_s))
    give = 0.5 * (walk.high_s - walk.low_s)
    others = plural(walk.n, "other session")
    said = f"{away:,.0f} s from where {others} of the device put it, give or take {give:,.0f} s: a wrong answer?"
    return replace(clock, trust="weak", why=said)
