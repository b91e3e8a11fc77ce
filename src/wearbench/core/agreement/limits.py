"""Limits of agreement of two columns of pairs, single or repeated, as plain functions on arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.summary import MULTIPLIER, summarise_clusters
from wearbench.core.agreement.sums import grouped_sums, paired
from wearbench.core.clusters import Clusters, Estimate, Unit
from wearbench.errors import CannotTell, DataError

__all__ = ["Limits", "OneWay", "limits_of_agreement", "one_way_components"]

I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class OneWay:
    """One-way analysis of variance of values in groups.

    ``variance_between`` is (MSB - MSW)/m0, not below 0; ``sd`` is the root of both variances together. With one value a
    group the parts cannot be told apart: the within terms are NaN and ``sd`` is the plain one.
    """

    n: int
    n_groups: int
    mean: float
    m0: float
    ss_between: float
    ss_within: float
    ms_between: float
    ms_within: float
    variance_between: float
    variance_within: float
    sd: float

    @property
    def f(self) -> float:
        """MSB/MSW, with ``n_groups - 1`` and ``n - n_groups`` degrees of freedom."""
        return self.ms_between / self.ms_within if self.ms_within > 0 else math.nan


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """Bias, SD of differences and limits of agreement with their intervals."""

    n_pairs: int
    n_participants: int
    bias: Estimate
    sd: Estimate
    low: Estimate
    high: Estimate


def _codes(group: ArrayLike, size: int) -> tuple[I64, int]:
    names = np.asarray(group)
    if names.shape != (size,):
        raise DataError(f"expected one group a value, got shape {names.shape} for {size} values")
    unique, index = np.unique(names, return_inverse=True)
    return np.asarray(index, dtype=np.int64), unique.size


def one_way_components(value: ArrayLike, group: ArrayLike) -> OneWay:
    """Variance between and within groups.

    Parameters
    ----------
    value : array-like, shape (n,)
        Usually differences, tested - reference.
    group : array-like, shape (n,)
        Whose each value is: numbers or names.

    Returns
    -------
    OneWay
        SSB = sum n_i (mean_i - mean)^2, SSW = sum (value - mean_i)^2, m0 = (N - sum n_i^2/N)/(K - 1), by method of
        moments (Searle, Casella & McCulloch 1992, Variance Components, chapter 3). Values are taken about the first
        one, so that their size costs no digits.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are fewer than two groups.
    """
    values, _ = paired(value, np.zeros(np.shape(value)))
    index, count = _codes(group, values.size)
    if count < 2:
        raise CannotTell(f"variance between groups needs two groups, there {'is 1' if count else 'are 0'}")
    pilot = values[0]
    shifted = values - pilot
    size = np.bincount(index, minlength=count).astype(np.float64)
    mean = np.bincount(index, weights=shifted, minlength=count) / size
    inside = shifted - mean[index]
    again = np.bincount(index, weights=inside, minlength=count) / size
    mean, inside = mean + again, inside - again[index]
    total = float(size.sum())
    grand = float(np.sum(size * mean)) / total
    ss_between = float(np.sum(size * (mean - grand) ** 2))
    ss_within = float(np.sum(inside**2))
    m0 = (total - float(np.sum(size**2)) / total) / (count - 1)
    ms_between = ss_between / (count - 1)
    one_each = values.size == count
    ms_within = math.nan if one_each else ss_within / (values.size - count)
    variance_between = math.nan if one_each else max(0.0, (ms_between - ms_within) / m0)
    return OneWay(
        n=values.size,
        n_groups=count,
        mean=float(pilot) + grand,
        m0=m0,
        ss_between=ss_between,
        ss_within=ss_within,
        ms_between=ms_between,
        ms_within=ms_within,
        variance_between=variance_between,
        variance_within=ms_within,
        sd=math.sqrt(ms_between if one_each else variance_between + ms_within),
    )


def limits_of_agreement(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    participant: ArrayLike | None = None,
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of tested with reference.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent: one pair a participant. Readings in a row are not
        independent; give the participant, or the session where there is one participant.
    multiplier : float
        Limits are bias -+ multiplier * SD. The 1986 paper used 2.
    confidence : float
        Level of the intervals.

    Returns
    -------
    Limits
        ``bias`` is the mean of all differences D = tested - reference. Single pairs: SD of D with divisor n - 1 (Bland
        & Altman 1986, Lancet 327:307-310). Repeated pairs whose true value varies: sqrt(sigma_b^2 + sigma_w^2) of the
        one-way components of D (Bland & Altman 2007, J Biopharm Stat 17:571-582). Intervals as in `summarise`.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    if first.size == 0:
        raise CannotTell("limits of agreement need pairs, there are none")
    if participant is None:
        index, count = np.arange(first.size), first.size
    else:
        index, count = _codes(participant, first.size)
    unit: Unit = "pairs" if participant is None else "participants"
    clusters = Clusters(unit=unit, index=np.arange(count), count=count, nested=False)
    found = summarise_clusters(
        grouped_sums(first, second, group=index, count=count), clusters, confidence=confidence, multiplier=multiplier
    )
    return Limits(
        n_pairs=first.size,
        n_participants=count,
        bias=found["bias"],
        sd=found["sd_of_differences"],
        low=found["limit_low"],
        high=found["limit_high"],
    )
