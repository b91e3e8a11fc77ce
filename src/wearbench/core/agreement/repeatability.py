"""Repeatability of one method: how much repeats on one participant differ."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from wearbench.core.agreement.differences import check_level, check_multiplier, fixed, rounding_of, unknown
from wearbench.core.agreement.replicates import participant_codes, participant_parts
from wearbench.core.agreement.singlelimits import sd_interval
from wearbench.core.agreement.summary import MULTIPLIER
from wearbench.core.agreement.sums import paired
from wearbench.core.clusters import Estimate
from wearbench.errors import CannotTell

__all__ = ["Repeatability", "repeatability"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Repeatability:
    """SD of repeats about their participant's mean, and the difference that 95 % of two repeats stay below."""

    n_readings: int
    n_participants: int
    sd_within: Estimate
    coefficient: Estimate


def repeatability(
    value: ArrayLike, participant: ArrayLike, *, multiplier: float = MULTIPLIER, confidence: float = 0.95
) -> Repeatability:
    """Repeatability of one method from repeats while the true value stays the same.

    Parameters
    ----------
    value : array-like, shape (n,)
        Readings of one method.
    participant : array-like, shape (n,)
        Whose each reading is: numbers or names. Repeats need not be equally many.
    multiplier : float
        1.96, or 2 as the 1986 paper has it.
    confidence : float
        Level of the intervals.

    Returns
    -------
    Repeatability
        ``sd_within`` is s_w, the root of the one-way residual mean square; for two readings a participant s_w^2 =
        sum d^2/(2 n). ``coefficient`` is multiplier sqrt(2) s_w: 2.77 s_w (Bland & Altman 1999, Stat Methods Med Res
        8:135-160), and with multiplier 2 for two readings 2 sqrt(sum d^2/n) (1986, Lancet 327:307-310). Intervals by
        chi-square with N - K df, repeats of a participant being independent.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no readings.
    """
    check_multiplier(multiplier)
    check_level(confidence, "a confidence")
    values, _ = paired(value, np.zeros(np.shape(value)))
    if values.size == 0:
        raise CannotTell("repeatability needs readings, there are none")
    code, count = participant_codes(participant, values.size, "reading")
    _, part = participant_parts(values, code, count)
    df, within = part.df, math.sqrt(part.mean_square)
    why = None if df > 0 else "no participant has two readings"
    if why is None and not within > rounding_of(values, values):
        why = "all repeats are identical"
    if why is not None:
        empty = unknown(why)
        return Repeatability(n_readings=values.size, n_participants=count, sd_within=empty, coefficient=empty)
    ends = sd_interval(within, df, confidence=confidence)
    scale = multiplier * math.sqrt(2)
    people = f"{count} participant{'s' if count != 1 else ''}"
    method = f"chi-square({df:.0f}) on {values.size} readings of {people}, repeats taken as independent"
    return Repeatability(
        n_readings=values.size,
        n_participants=count,
        sd_within=fixed(within, ends, method, count),
        coefficient=fixed(scale * within, (scale * ends[0], scale * ends[1]), method, count),
    )
