"""Whether an interval settles a limit, and how many more clusters would."""

from __future__ import annotations

import math
from typing import Final, Literal

from wearbench.core.clusters import t_quantile
from wearbench.core.resample import exact_proportion
from wearbench.errors import DataError

__all__ = ["MOST_CLUSTERS", "Outcome", "Scale", "clusters_to_tell", "verdict"]

Outcome = Literal["met", "not met", "cannot be told yet"]
Scale = Literal["plain", "positive", "coefficient", "share"]

MOST_CLUSTERS: Final = 1000
"""Beyond this many the answer is that no number would tell."""


def verdict(
    low: float | None, high: float | None, *, at_most: float | None = None, at_least: float | None = None
) -> Outcome:
    """Hold an interval against a limit.

    Parameters
    ----------
    low, high : float or None
        Ends of the interval; None or NaN where there is none.
    at_most, at_least : float or None
        The limit, or both; a value on it is on the good side.

    Returns
    -------
    {"met", "not met", "cannot be told yet"}
        Met where the whole interval is on the good side, not met where all of it is on the wrong side (the confidence
        interval approach to equivalence and its converse; Schuirmann 1987, J Pharmacokinet Biopharm 15:657-680). An
        interval of 95 % so errs on either side in 2.5 % of studies at most, not in 5 %.

    Raises
    ------
    DataError
        If there is no limit.
    """
    if at_most is None and at_least is None:
        raise DataError("expected a limit, at_most or at_least, got neither")
    if low is None or high is None or math.isnan(low) or math.isnan(high):
        return "cannot be told yet"
    if (at_most is None or high <= at_most) and (at_least is None or low >= at_least):
        return "met"
    if (at_most is not None and low > at_most) or (at_least is not None and high < at_least):
        return "not met"
    return "cannot be told yet"


def clusters_to_tell(
    value: float,
    low: float,
    high: float,
    count: int,
    *,
    at_most: float | None = None,
    at_least: float | None = None,
    scale: Scale = "plain",
    confidence: float = 0.95,
    most: int = MOST_CLUSTERS,
) -> int | None:
    """Smallest number of clusters whose interval would settle a limit, if value and spread stay as they are.

    Parameters
    ----------
    value, low, high : float
        Estimate and its interval, now.
    count : int
        Clusters it rests on, at least 2.
    at_most, at_least : float or None
        The limit, or both.
    scale : {"plain", "positive", "coefficient", "share"}
        How the interval was made: symmetric; an error size (plain below, of the logarithm above); a coefficient up to 1
        (Fisher's z); a share (exact binomial at an effective number).
    confidence : float
        Of the interval.
    most : int
        Largest number considered.

    Returns
    -------
    int or None
        ``count`` where it is settled now; None where ``most`` would not settle it, as where the value is on the limit.

    Raises
    ------
    DataError
        If there is no limit, fewer than two clusters, or the value is outside its interval.

    Notes
    -----
    An arm is t(count - 1) times a standard error that shrinks as 1/sqrt(count), so with k clusters it is
    sqrt(count/k) t(k - 1)/t(count - 1) times as long; the effective number of a share grows as the inverse square of
    that, and as k itself where none or all are affected. Where a cluster dominates, the interval was made with fewer
    degrees of freedom than count - 1; the number given is then too large rather than too small. It is a plan, not a
    promise: the value moves too.
    """
    if count < 2:
        raise DataError(f"expected two clusters or more, got {count}")
    if not low <= value <= high:
        raise DataError(f"expected a value within its interval, got {value} for {low} to {high}")
    if verdict(low, high, at_most=at_most, at_least=at_least) != "cannot be told yet":
        return count
    upper = 0.5 + confidence / 2
    now = t_quantile(upper, count - 1)
    number = _effective(value, low, high, count, confidence) if scale == "share" else 0.0
    for k in range(count + 1, most + 1):
        shorter = math.sqrt(count / k) * t_quantile(upper, k - 1) / now
        if scale == "share":
            grown = number * (k / count if value in (0.0, 1.0) else shorter**-2)
            ends = exact_proportion(value * grown, grown, confidence=confidence)
        else:
            ends = _shrunk(value, low, high, shorter, scale)
        if verdict(*ends, at_most=at_most, at_least=at_least) != "cannot be told yet":
            return k
    return None


def _shrunk(value: float, low: float, high: float, shorter: float, scale: Scale) -> tuple[float, float]:
    if scale == "positive" and value > 0:
        return value - (value - low) * shorter, value * (high / value) ** shorter
    if scale == "coefficient" and max(abs(low), abs(value), abs(high)) < 1:
        z, a, b = math.atanh(value), math.atanh(low), math.atanh(high)
        return math.tanh(z - (z - a) * shorter), math.tanh(z + (b - z) * shorter)
    return value - (value - low) * shorter, value + (high - value) * shorter


def _effective(share: float, low: float, high: float, count: int, confidence: float) -> float:
    """The number at which the exact interval of a share is as wide as this one."""
    if share in (0.0, 1.0):
        return float(count)
    few, many = 1e-3, 1e9
    for _ in range(100):
        middle = math.sqrt(few * many)
        ends = exact_proportion(share * middle, middle, confidence=confidence)
        few, many = (middle, many) if ends[1] - ends[0] > high - low else (few, middle)
    return few
