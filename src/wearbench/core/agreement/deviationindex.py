"""Total deviation index and coverage probability, always beside the plain share of the readings themselves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.columns import Columns, columns, too_few
from wearbench.core.agreement.differences import check_level, fixed, rounding_of
from wearbench.core.agreement.intervals import log_interval
from wearbench.core.agreement.moments import statistics
from wearbench.core.clusters import Estimate, jackknife_se, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["CoverageProbability", "DeviationIndex", "coverage_probability", "total_deviation_index"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviationIndex:
    """Total deviation index: the size that a share of the differences stays below, in the unit of the values.

    ``exact`` is that of normal differences with its interval, ``approximation`` is Lin's, ``upper`` the one-sided bound
    of the approximation (independent pairs) or of the exact index (participants), None where it cannot be given;
    ``raw`` is the size that share of the differences at hand does not exceed, with no model. Where ``raw`` and
    ``exact`` are far apart, the differences are not normal and ``raw`` is the one to read.
    """

    share: float
    exact: Estimate
    approximation: float
    upper: float | None
    raw: float
    bias: float
    sd: float
    n_pairs: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CoverageProbability:
    """Share of differences within a size: ``normal`` of normal differences, ``raw`` of those at hand."""

    within: float
    normal: Estimate
    raw: float
    bias: float
    sd: float
    n_pairs: int


def _share_within(size: F64 | float, bias: F64 | float, sd: F64 | float) -> F64:
    from scipy.special import ndtr

    return np.asarray(ndtr((size - bias) / sd) - ndtr((-size - bias) / sd))


def _index(share: float, bias: F64 | float, sd: F64 | float) -> F64:
    """Solve P(|D| < k) = share for k by halving, elementwise: no tail is too far out for it."""
    from scipy.special import ndtri

    away = np.abs(np.asarray(bias, dtype=np.float64))
    spread = np.asarray(sd, dtype=np.float64)
    low = np.maximum(0.0, away + spread * float(ndtri(share)))
    high = away + spread * float(ndtri(0.5 + share / 2))
    for _ in range(64):
        middle = 0.5 * (low + high)
        below = _share_within(middle, away, spread) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))


def _moments(data: Columns) -> tuple[float, float, float, F64, F64]:
    """Bias, SD and mean square of the differences, and the first two leaving out one unit each."""
    moments = data.moments()
    total = statistics(moments.total(), moments.centre)
    bias, variance = float(total["bias"]), float(total["variance"])
    if data.tested.size < 2:
        raise CannotTell("a spread of differences needs two pairs, there is 1")
    sd = math.sqrt(max(0.0, variance))
    if not sd > rounding_of(data.tested, data.reference):
        raise CannotTell("a spread of differences needs differences that vary, all are identical")
    if data.count < 3:
        return bias, sd, float(total["rmse"]) ** 2, np.empty(0), np.empty(0)
    without = statistics(moments.without(), moments.centre)
    return bias, sd, float(total["rmse"]) ** 2, without["bias"], np.sqrt(np.maximum(without["variance"], 0.0))


def total_deviation_index(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    share: float = 0.9,
    participant: ArrayLike | None = None,
    confidence: float = 0.95,
) -> DeviationIndex:
    """Total deviation index.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    share : float
        Of the differences that stay below the index.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float
        Of the two-sided interval and, one-sided, of the bound.

    Returns
    -------
    DeviationIndex
        Exact: k with P(|D| < k) = share for normal D, sd * sqrt(noncentral chi-square quantile of share, 1 df,
        (bias/sd)^2); SD with divisor n - 1, or of the one-way components with participants. Approximation: z sqrt(MSD),
        z the normal quantile of (1 + share)/2, MSD = mean(D^2) (Lin 2000, Stat Med 19:255-270). Bound for independent
        pairs: z exp((ln MSD + z_confidence sqrt(V))/2), V = 2/(n - 2) (1 - bias^4/MSD^2) (Lin, Hedayat, Sinha & Yang
        2002, JASA 97:257-270). Intervals, and the bound with participants: t on the jackknifed logarithm.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity or values too large, or a share is not between 0 and 1.
    CannotTell
        If there are fewer than two pairs, or all differences are identical.
    """
    from scipy.special import ndtri

    check_level(share, "a share")
    check_level(confidence, "a confidence")
    data = columns(tested, reference, participant=participant, what="a spread of differences")
    bias, sd, square, bias_without, sd_without = _moments(data)
    value, z = float(_index(share, bias, sd)), float(ndtri(0.5 + share / 2))
    n, method = data.tested.size, f"t({data.df:.3g}) on jackknifed logarithms of {data.scope}"
    why = too_few(data.count, least=3, unit=data.unit)
    ends, upper = None, None
    if why is None:
        varies = bool(np.all(sd_without > rounding_of(data.tested, data.reference)))
        why = f"without one of the {data.unit} the differences do not vary"
        if varies:
            without = _index(share, bias_without, sd_without)
            ends = log_interval(value, without, t_quantile(0.5 + confidence / 2, data.df))
            why = f"it does not vary between {data.unit}"
            bound = log_interval(value, without, t_quantile(confidence, data.df))
            upper = bound[1] if bound is not None else None
    if not data.clustered:
        upper = None
        if n > 2:
            variance = max(0.0, 2 / (n - 2) * (1 - (bias * bias / square) ** 2))
            upper = z * math.sqrt(square) * math.exp(0.5 * float(ndtri(confidence)) * math.sqrt(variance))
    sizes = np.sort(np.abs(data.tested - data.reference))
    return DeviationIndex(
        share=share,
        exact=fixed(value, ends, method, data.count, why),
        approximation=z * math.sqrt(square),
        upper=upper,
        raw=float(sizes[max(0, math.ceil(share * n - 1e-9) - 1)]),
        bias=bias,
        sd=sd,
        n_pairs=n,
    )


def coverage_probability(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    within: float,
    participant: ArrayLike | None = None,
    confidence: float = 0.95,
) -> CoverageProbability:
    """Coverage probability: the share of differences no larger than a declared size.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    within : float
        Size k above 0, in that unit.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    CoverageProbability
        Phi((k - bias)/sd) - Phi((-k - bias)/sd) (Lin, Hedayat, Sinha & Yang 2002, JASA 97:257-270), beside the raw
        share with |D| <= k. Interval on the logit scale: for independent pairs by the delta method, with a = (k -
        bias)/sd, b = (k + bias)/sd, variance (phi(b) - phi(a))^2/n + (a phi(a) + b phi(b))^2/(2(n - 1)); with
        participants t on the jackknifed logit, SD of the one-way components.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity or values too large, or the size is not above 0.
    CannotTell
        If there are fewer than two pairs, or all differences are identical.
    """
    from scipy.special import logit, ndtri

    check_level(confidence, "a confidence")
    if not (within > 0 and math.isfinite(within)):
        raise DataError(f"expected a size above 0 that differences are to stay within, got {within}")
    data = columns(tested, reference, participant=participant, what="a spread of differences")
    bias, sd, _, bias_without, sd_without = _moments(data)
    value, n = float(_share_within(within, bias, sd)), data.tested.size
    se = math.nan
    if data.clustered:
        method = f"t({data.df:.3g}) on jackknifed logits of {data.scope}"
        why = too_few(data.count, least=3, unit=data.unit)
        if why is None and bool(np.all(sd_without > 0)) and 0 < value < 1:
            each = _share_within(within, bias_without, sd_without)
            if bool(np.all((each > 0) & (each < 1))):
                se = float(jackknife_se(float(logit(value)), np.asarray(logit(each))))
        quantile = t_quantile(0.5 + confidence / 2, data.df) if data.count > 1 else math.nan
    else:
        method, why, quantile = f"delta method on the logit of {data.scope}", None, float(ndtri(0.5 + confidence / 2))
        a, b = (within - bias) / sd, (within + bias) / sd
        at_a, at_b = (math.exp(-0.5 * min(x * x, 1400.0)) / math.sqrt(2 * math.pi) for x in (a, b))
        variance = (at_b - at_a) ** 2 / n + (a * at_a + b * at_b) ** 2 / (2 * (n - 1))
        if 0 < value < 1:
            se = math.sqrt(variance) / (value * (1 - value))
    ends = None
    if 1e-12 < se < 50:
        middle = math.log(value / (1 - value))
        low, high = (
            1 / (1 + math.exp(-max(-700.0, min(700.0, x)))) for x in (middle - quantile * se, middle + quantile * se)
        )
        ends = (low, high)
    return CoverageProbability(
        within=within,
        normal=fixed(value, ends, method, data.count, why or "it is too close to 0 or 1"),
        raw=float(np.mean(np.abs(data.tested - data.reference) <= within)),
        bias=bias,
        sd=sd,
        n_pairs=n,
    )
