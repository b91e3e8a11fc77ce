"""Readings that are set aside: by the person's decisions, by a clock nothing could tell, by one that stepped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearbench.core.clock import ClockFit
from wearbench.core.pairing import REASONS
from wearbench.core.steps import outside_steps
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.readings import clock_stamps
from wearbench.recipe.windows import Windowed
from wearbench.study import Study

__all__ = ["without_set_aside"]

_MENDED_BY_CLOCK = [0, *(REASONS.index(r) for r in ("no_reference", "covered_too_little", "reference_doubtful"))]


def without_set_aside(one: Comparison, window: Windowed, decided: Study, clock: ClockFit) -> Windowed:
    """The same readings, those that are set aside with their reason.

    Parameters
    ----------
    one : Comparison
    window : Windowed
    decided : Study
        Whose decisions and wear.csv hold.
    clock : ClockFit

    Returns
    -------
    Windowed
    """
    return _off_clock(one, _left_out(one, window, decided, clock))


def _left_out(one: Comparison, window: Windowed, decided: Study, clock: ClockFit) -> Windowed:
    """Apply the person's decisions and a clock that nothing could tell."""
    series, origin_ms = one.series, one.origin_ms
    reason = window.pairs.reason.copy()
    if clock.trust == "refused":
        reason[reason == 0] = REASONS.index("clock_unknown")
    revoked = {d.revokes for d in decided.decisions if d.kind == "revoke"}
    for decision in decided.decisions:
        if decision.kind not in ("leave_out", "wear") or decision.id in revoked:
            continue
        if decision.session != one.session.name or decision.start is None or decision.end is None:
            continue
        low = decision.start.timestamp() - origin_ms / 1000.0
        high = decision.end.timestamp() - origin_ms / 1000.0
        if decision.on == "reference":
            hit = (window.pairs.end_s > low) & (window.pairs.start_s < high)
        elif decision.device in (None, series.device) and decision.quantity in (None, series.quantity):
            hit = (series.stamp_s >= low) & (series.stamp_s <= high)
        else:
            continue
        name = "not_worn" if decision.kind == "wear" else "left_out"
        reason[hit & (reason == 0)] = REASONS.index(name)
    for wear in decided.wear:
        if wear.device == series.device and wear.what in ("off", "charging"):
            at = series.stamp_s * 1000.0 + origin_ms
            hit = (at >= wear.start_ms) & (at <= wear.end_ms)
            reason[hit & (reason == 0)] = REASONS.index("not_worn")
    return replace(window, pairs=replace(window.pairs, reason=reason))


def _off_clock(one: Comparison, window: Windowed) -> Windowed:
    """Set aside the readings that are on another clock than the rest; nobody has decided to move them."""
    if not one.steps:
        return window
    reason = window.pairs.reason.copy()
    stepped = ~outside_steps(clock_stamps(one.series), one.steps)
    reason[stepped & np.isin(reason, _MENDED_BY_CLOCK)] = REASONS.index("clock_unknown")
    return replace(window, pairs=replace(window.pairs, reason=reason))
