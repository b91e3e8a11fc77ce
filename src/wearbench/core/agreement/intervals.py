"""Intervals from clusters: t on jackknifed values, on the scale where it behaves, and for the limits of agreement.

Every interval rests on the differences between clusters alone. With few clusters that is what decides its width; how
well each covers is measured by ``benchmarks/coverage`` and printed in ``docs/intervals.md``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.moments import Moments, statistics
from wearbench.core.clusters import jackknife_se, t_quantile

__all__ = ["Spread", "concordance_interval", "log_interval", "plain_interval", "positive_interval", "spread_of"]

F64 = NDArray[np.float64]
Interval = tuple[float, float] | None


def plain_interval(value: float, without: F64, quantile: float) -> Interval:
    """Interval on the scale of the statistic itself.

    Parameters
    ----------
    value : float
        Estimate from all clusters.
    without : float64 array, shape (count,)
        Estimates leaving out one cluster each.
    quantile : float
        Of Student's t.

    Returns
    -------
    tuple of float or None
        Value -+ quantile times the jackknife standard error; None where nothing varies.
    """
    se = float(jackknife_se(value, without))
    if not math.isfinite(se) or se <= 1e-12 * abs(value):
        return None
    return value - quantile * se, value + quantile * se


def log_interval(value: float, without: F64, quantile: float) -> Interval:
    """Interval on the scale of the logarithm, for what cannot be negative and is skewed to the right.

    Parameters
    ----------
    value, without, quantile
        As in `plain_interval`.

    Returns
    -------
    tuple of float or None
        None where the value or one left-out value is not positive, or nothing varies.
    """
    if not value > 0 or not bool(np.all(without > 0)):
        return None
    se = float(jackknife_se(math.log(value), np.log(without)))
    if not 1e-12 < se < 50:
        return None
    return value * math.exp(-quantile * se), value * math.exp(quantile * se)


def positive_interval(value: float, without: F64, quantile: float) -> Interval:
    """Interval of an error size: the wider arm of the plain and the logarithmic interval on each side.

    Parameters
    ----------
    value, without, quantile
        As in `plain_interval`.

    Returns
    -------
    tuple of float or None
        The upper end is the logarithmic one. The lower end is the plain one while that is above 0. Either interval
        alone covers less than it says with few clusters.
    """
    ends = log_interval(value, without, quantile)
    plain = plain_interval(value, without, quantile)
    if ends is None or plain is None:
        return None
    return (plain[0] if plain[0] > 0 else ends[0]), ends[1]


def concordance_interval(value: float, without: F64, quantile: float) -> Interval:
    """Interval of a coefficient up to 1: the wider arm of the plain interval and that of Fisher's z on each side.

    Parameters
    ----------
    value, without, quantile
        As in `plain_interval`.

    Returns
    -------
    tuple of float or None
        Within -1 to 1; a plain end beyond gives way to that of Fisher's z. None at -1 or 1, or where nothing varies.
    """
    if not abs(value) < 1 or not bool(np.all(np.abs(without) < 1)):
        return None
    se = float(jackknife_se(math.atanh(value), np.arctanh(without)))
    plain = plain_interval(value, without, quantile)
    if plain is None or not 1e-12 < se < 50:
        return None
    low, high = math.tanh(math.atanh(value) - quantile * se), math.tanh(math.atanh(value) + quantile * se)
    return (min(low, plain[0]) if plain[0] > -1 else low), (max(high, plain[1]) if plain[1] < 1 else high)


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """SD of differences and limits of agreement, with their intervals."""

    sd: float
    sd_interval: tuple[float, float]
    limits: tuple[float, float]
    limit_low_interval: tuple[float, float]
    limit_high_interval: tuple[float, float]


def spread_of(moments: Moments, *, multiplier: float, confidence: float, df: float) -> Spread | None:
    """SD of differences for repeated pairs, and limits, with intervals by recovered variance estimates.

    Parameters
    ----------
    moments : Moments
        Of two clusters or more.
    multiplier : float
        Of the limits, 1.96.
    confidence : float
    df : float
        Of the clusters, as `wearbench.core.clusters.effective_df` gives it.

    Returns
    -------
    Spread or None
        None where nothing varies.

    Notes
    -----
    The total variance is MSB/m0 + (1 - 1/m0) MSW, its interval [l, u]. Arms of a limit: sqrt(b^2 + v^2 -+ 2 r b v)
    with b = t SE(bias) by jackknife, v = multiplier times (sqrt(u) - sigma) outside and (sigma - sqrt(l)) inside (Zou
    2013, Stat Methods Med Res 22:630-642, there with z for t), and r the jackknife correlation of bias and SD (Zou &
    Donner 2008, Stat Med 27:1693-1702), which is 0 for normal differences and far from it where some clusters fail.
    """
    total = statistics(moments.total(), moments.centre)
    variance = float(total["variance"])
    if not variance > 0:
        return None
    without = statistics(moments.without(), moments.centre)
    low, high = _variance_interval(moments, total, without, confidence=confidence, df=df)
    sd, bias = math.sqrt(variance), float(total["bias"])
    bias_arm = t_quantile(0.5 + confidence / 2, df) * float(jackknife_se(bias, without["bias"]))
    outside, inside = multiplier * (math.sqrt(high) - sd), multiplier * (sd - math.sqrt(low))
    correlation = _correlation(without["bias"] - bias, np.sqrt(without["variance"]) - sd)

    def arm(part: float, sign: float) -> float:
        return math.sqrt(max(0.0, bias_arm**2 + part**2 + 2 * sign * correlation * bias_arm * part))

    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    return Spread(
        sd=sd,
        sd_interval=(math.sqrt(low), math.sqrt(high)),
        limits=(lower, upper),
        limit_low_interval=(lower - arm(outside, -1), lower + arm(inside, -1)),
        limit_high_interval=(upper - arm(inside, 1), upper + arm(outside, 1)),
    )


def _correlation(first: F64, second: F64) -> float:
    size = math.sqrt(float(np.sum(first**2)) * float(np.sum(second**2)))
    if not size > 0 or not math.isfinite(size):
        return 0.0
    return max(-1.0, min(1.0, float(np.sum(first * second)) / size))


def _variance_interval(
    moments: Moments, total: dict[str, F64], without: dict[str, F64], *, confidence: float, df: float
) -> tuple[float, float]:
    """Interval of the total variance: the outer of the normal-theory one and of t on its jackknifed logarithm.

    The first holds with few clusters but not for heavy tails and mixtures, the second the other way round. In the
    first, the arm of the between part is the chi-square arm with Satterthwaite's df for unequal clusters. The within
    part is not taken for N - K independent values, as readings in a row are not: its arm is that of t on its
    jackknifed logarithm over clusters.
    """
    from scipy.special import chdtri

    value = float(total["variance"])
    n, count = moments.pairs, moments.rows.shape[0]
    alpha = 1 - confidence
    size, square = float(n.sum()), float(np.sum(n * n))
    trace = size - square / size
    trace_square = square - 2 * float(np.sum(n**3)) / size + (square / size) ** 2
    between_df = max(1.0, min(count - 1.0, trace**2 / trace_square))
    one_each = size - count < 0.5
    part = value if one_each else float(total["ms_between"] / total["m0"])
    below = part * (1 - between_df / float(chdtri(between_df, alpha / 2)))
    above = part * (between_df / float(chdtri(between_df, 1 - alpha / 2)) - 1)
    within, within_below, within_above = float(total["variance_within"]), 0.0, 0.0
    if not one_each and within > 0:
        share = max(0.0, 1 - 1 / float(total["m0"]))
        ends = log_interval(within, without["variance_within"], t_quantile(1 - alpha / 2, count - 1.0))
        if ends is not None:
            within_below, within_above = share * (within - ends[0]), share * (ends[1] - within)
    low, high = max(0.0, value - math.hypot(below, within_below)), value + math.hypot(above, within_above)
    ends = log_interval(value, without["variance"], t_quantile(1 - alpha / 2, df))
    return (low, high) if ends is None else (min(low, ends[0]), max(high, ends[1]))
