"""How far the reference can be trusted where the device failed: by its own beats, by the cadence, by a second one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from wearbench.core.running import values_over
from wearbench.core.states import STATES
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.recipe.statetimes import value_seconds
from wearbench.wording import FAILURES

__all__ = ["Support", "support_of"]

AGREES: Final = 0.05
"""Two references agree that are no further apart than this share of the first."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Support:
    """Seconds in which the device failed, and how many of them the reference is supported in.

    Attributes
    ----------
    failed_s : float
        In any failure, readings that were used.
    regular_s : float
        Of these with a reference made of beats, none of them mended and no doubt in the window.
    beats_s : float
        Of these with a reference made of beats at all.
    at_cadence_s : float
        Of these with the reference itself within 3 % of the cadence or twice the cadence, so that it could be the one
        that followed it.
    second : str
        Device of a second reference, empty without one; as it was stamped.
    second_s, agrees_s : float
        Of the failed seconds those that the second reference covers, and in which the two agree within 5 %.
    apart : float
        Mean absolute difference of the two over all readings used, NaN without a second.
    """

    failed_s: float
    regular_s: float
    beats_s: float
    at_cadence_s: float
    second: str
    second_s: float
    agrees_s: float
    apart: float


def support_of(group: list[tuple[SessionResult, SeriesResult]]) -> Support:
    """What supports the reference in the time in which a device failed.

    Parameters
    ----------
    group : list of (SessionResult, SeriesResult)
        All sessions of one device and quantity.

    Returns
    -------
    Support
    """
    total = dict.fromkeys(("failed", "regular", "beats", "at_cadence", "second", "agrees"), 0.0)
    apart, weight, name = 0.0, 0.0, ""
    codes = [STATES.index(state) for state in FAILURES]
    for r, s in group:
        first = r.material.reference_for(s.quantity)
        if first is None:
            continue
        pairs, used = s.pairs, s.pairs.used
        seconds = np.where(used, value_seconds(pairs), 0.0)
        failed = np.where(np.isin(s.states.state, codes), seconds, 0.0)
        total["failed"] += float(failed.sum())
        if "beats" in first.counts:
            total["beats"] += float(failed.sum())
            total["regular"] += float(failed[(pairs.mended <= 1e-9) & (pairs.doubtful <= 1e-9)].sum())
        with np.errstate(invalid="ignore"):
            near = [np.abs(pairs.reference - k * s.cadence) <= 0.03 * pairs.reference for k in (1.0, 2.0)]
        total["at_cadence"] += float(failed[np.logical_or.reduce(near)].sum())
        others = [o for o in r.material.references if o.quantity == s.quantity and o is not first]
        if others and others[0].start_known:
            name = name or others[0].device
            seen = values_over(others[0].running.without_doubtful(), pairs.start_s, pairs.end_s)
            there = used & (seen.covered >= 0.8) & np.isfinite(seen.value)
            difference = np.abs(seen.value - pairs.reference)[there]
            apart += float((difference * seconds[there]).sum())
            weight += float(seconds[there].sum())
            total["second"] += float(failed[there].sum())
            total["agrees"] += float(failed[there][difference <= AGREES * pairs.reference[there]].sum())
    return Support(
        failed_s=total["failed"],
        regular_s=total["regular"],
        beats_s=total["beats"],
        at_cadence_s=total["at_cadence"],
        second=name,
        second_s=total["second"],
        agrees_s=total["agrees"],
        apart=apart / weight if weight > 0 else math.nan,
    )
