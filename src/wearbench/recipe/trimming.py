"""Exports that span sessions are cut with a margin for the clock search; once the clock is known the margin goes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearbench.core.clock import ClockFit
from wearbench.core.modes import Modes
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.readings import chosen_readings, clock_stamps
from wearbench.recipe.windows import Lengths

__all__ = ["trimmed"]


def trimmed(one: Comparison, clock: ClockFit) -> Comparison:
    """A comparison without the readings of an export that lie outside its session.

    Parameters
    ----------
    one : Comparison
    clock : ClockFit
        Final.

    Returns
    -------
    Comparison
        The same if the series is no cut of an export, or its clock is refused (nothing can then be said to lie
        outside), or no reading lies inside. The session reaches from its told start to its told end, or as far as its
        reference was recorded where that is further; stretches on another clock are kept.
    """
    session, series = one.session, one.series
    if not series.margin or clock.trust == "refused" or session.start_ms is None or session.end_ms is None:
        return one
    low = min(one.reference.first_s, (session.start_ms - one.origin_ms) / 1000.0)
    high = max(one.reference.last_s, (session.end_ms - one.origin_ms) / 1000.0)
    stamp_s, half_s = clock_stamps(series), 0.5 * np.asarray(one.lengths.averaging_s)
    centre_s = clock.centre_s(stamp_s) + one.lengths.move_s
    inside = (centre_s + half_s > low) & (centre_s - half_s < high)
    for step in one.steps:
        inside |= (stamp_s >= step.from_s - 1e-6) & (stamp_s <= step.to_s + 1e-6)
    if inside.all() or not inside.any():
        return one
    averaging_s, move_s = one.lengths.averaging_s, one.lengths.move_s
    return replace(
        one,
        series=chosen_readings(series, np.flatnonzero(inside)),
        modes=Modes(mode=one.modes.mode[inside], usual_s=one.modes.usual_s),
        lengths=Lengths(
            averaging_s=averaging_s[inside] if isinstance(averaging_s, np.ndarray) else averaging_s,
            move_s=move_s[inside] if isinstance(move_s, np.ndarray) else move_s,
        ),
    )
