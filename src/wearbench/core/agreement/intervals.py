"""Intervals from clusters: t on jackknifed values, on the scale where it behaves, and for the limits of agreement.

Every interval rests on the differences between clusters alone. With few clusters that is what decides its width; how
well each covers is measured by ``benchmarks/coverage.py`` and printed in ``docs/intervals.md``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.moments import Moments, statistics
from wearbench.core.clusters import effective_df, jackknife_se, t_quantile

__all__ = ["Variance", "log_interval", "plain_interval", "total_variance", "variance_arms", "z_interval"]

F64 = NDArray[np.float64]
Interval = tuple[float, float] | None


def plain_interval(value: float, se: float, quantile: float) -> Interval:
    """Value -+ quantile * se; None without a standard error."""
    if not (math.isfinite(value) and math.isfinite(se)) or se <= 1e-12 * abs(value):
        return None
    return value - quantile * se, value + quantile * se


def log_interval(value: float, without: F64, quantile: float) -> Interval:
    """The same on the scale of the logarithm, for what cannot be negative and is skewed to the right.

    Parameters
    ----------
    value : float
    without : float64 array, shape (count,)
        Estimates leaving out one cluster each.
    quantile : float
        Of Student's t.

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


def z_interval(value: float, without: F64, quantile: float) -> Interval:
    """The same on Fisher's scale, atanh, for a coefficient between -1 and 1."""
    if not abs(value) < 1 or not bool(np.all(np.abs(without) < 1)):
        return None
    se = float(jackknife_se(math.atanh(value), np.arctanh(without)))
    if not 1e-12 < se < 50:
        return None
    return math.tanh(math.atanh(value) - quantile * se), math.tanh(math.atanh(value) + quantile * se)


@dataclass(frozen=True, kw_only=True, slots=True)
class Variance:
    """Total variance of a difference between and within clusters, with its interval."""

    value: float
    low: float
    high: float


def total_variance(moments: Moments, *, confidence: float) -> Variance | None:
    """Interval of the total variance sigma_b^2 + sigma_w^2 by variance estimates recovery.

    Parameters
    ----------
    moments : Moments
        Of two clusters or more.
    confidence : float

    Returns
    -------
    Variance or None
        None where nothing varies.

    Notes
    -----
    The total is MSB/m0 + (1 - 1/m0) MSW. Arms of the two parts are joined by the square root of their squared sum (Zou
    2013, Stat Methods Med Res 22:630-642). The arm of the between part is the chi-square arm with Satterthwaite's df
    for unequal clusters. The within part is not trusted to be N - K independent values, as readings in a row are
    not: its arm is that of t on the jackknifed logarithm over clusters.
    """
    from scipy.special import chdtri

    total = statistics(moments.total(), moments.centre)
    value = float(total["variance"])
    if not value > 0:
        return None
    n, count = moments.pairs, moments.rows.shape[0]
    alpha = 1 - confidence
    size, square = float(n.sum()), float(np.sum(n * n))
    trace = size - square / size
    trace_square = square - 2 * float(np.sum(n**3)) / size + (square / size) ** 2
    df = max(1.0, min(count - 1.0, trace**2 / trace_square))
    one_each = size - count < 0.5
    part = value if one_each else float(total["ms_between"] / total["m0"])
    below = part * (1 - df / float(chdtri(df, alpha / 2)))
    above = part * (df / float(chdtri(df, 1 - alpha / 2)) - 1)
    within_below, within_above = 0.0, 0.0
    within = float(total["variance_within"])
    if not one_each and within > 0:
        share = max(0.0, 1 - 1 / float(total["m0"]))
        without = statistics(moments.without(), moments.centre)["variance_within"]
        arms = log_interval(within, without, t_quantile(1 - alpha / 2, count - 1.0))
        if arms is not None:
            within_below, within_above = share * (within - arms[0]), share * (arms[1] - within)
    return Variance(
        value=value,
        low=max(0.0, value - math.hypot(below, within_below)),
        high=value + math.hypot(above, within_above),
    )


def variance_arms(variance: Variance, bias_arm: float, *, multiplier: float) -> tuple[float, float]:
    """Outer and inner arm of a limit of agreement (Zou 2013).

    Parameters
    ----------
    variance : Variance
    bias_arm : float
        Half-width of the interval of the bias.
    multiplier : float
        Of the limits, 1.96.

    Returns
    -------
    tuple of float
        Outer arm, away from the bias, and inner arm; the outer one is the longer.
    """
    sd = math.sqrt(variance.value)
    outer = math.hypot(bias_arm, multiplier * (math.sqrt(variance.high) - sd))
    inner = math.hypot(bias_arm, multiplier * (sd - math.sqrt(variance.low)))
    return outer, inner


def bias_arm(moments: Moments, *, confidence: float) -> tuple[float, float]:
    """Half-width of the interval of the bias, and its degrees of freedom."""
    df = effective_df(moments.pairs)
    value = float(statistics(moments.total(), moments.centre)["bias"])
    se = float(jackknife_se(value, statistics(moments.without(), moments.centre)["bias"]))
    return t_quantile(0.5 + confidence / 2, df) * se, df
