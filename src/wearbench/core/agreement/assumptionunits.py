"""Whether the independent units carry the intervals: enough of them, not alike in a row, none deciding alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.assumptionresult import (
    Assumption,
    cannot_tell,
    counted,
    said_number,
    said_span,
    with_unit,
)
from wearbench.core.agreement.moments import Centre, cluster_moments, statistics
from wearbench.core.agreement.summary import FEW, MULTIPLIER
from wearbench.core.agreement.sums import merge_sums
from wearbench.core.clusters import Clusters, t_quantile
from wearbench.errors import DataError

__all__ = ["dependence_left", "few_clusters", "influence"]

F64 = NDArray[np.float64]

FEWEST_IN_A_ROW: Final = 8
"""Units below which their correlation in a row says nothing."""
FEWEST_TO_LEAVE_ONE: Final = 4
MOST_LEFT_OUT: Final = 20
"""Units looked at in full for each statistic: those that move it most."""
TIMES: Final = 5.0
"""Correlation times a block should be long."""


def few_clusters(clusters: Clusters) -> Assumption:
    """Whether there are five independent units or more.

    Parameters
    ----------
    clusters : Clusters

    Returns
    -------
    Assumption
        ``value`` is their number. Below five nothing can be resampled and intervals rest on hardly any degrees of
        freedom (common practice, no source).
    """
    count = clusters.count
    units = {"none": "sessions", "pairs": "pairs"}.get(clusters.unit, clusters.unit)
    one = units[:-1] if count == 1 else units
    said = (
        f"There {'is' if count == 1 else 'are'} {count} {one} only: fewer than {FEW} say little about others."
        if count < FEW
        else f"There are {count} {units}."
    )
    return Assumption(
        name="few_clusters",
        value=float(count),
        low=None,
        high=None,
        outcome="violated" if count < FEW else "holds",
        said=said,
        method=clusters.scope,
        n=count,
    )


def dependence_left(
    mean: ArrayLike,
    *,
    clusters: Clusters,
    block_s: float | None = None,
    correlation_s: float | None = None,
    confidence: float = 0.95,
) -> Assumption:
    """Whether units that follow each other are alike.

    Parameters
    ----------
    mean : array-like, shape (clusters.count,)
        Mean difference of each unit, in order of time.
    clusters : Clusters
    block_s, correlation_s : float or None
        Of blocks of one session: their length, and the time over which differences stay alike.
    confidence : float

    Returns
    -------
    Assumption
        ``value`` is the first serial correlation r1 of the means; under independence its mean is about -1/k and its
        SD 1/sqrt(k) (Bartlett 1946, J R Stat Soc Suppl 8:27-41), so the interval is r1 + 1/k -+ z/sqrt(k) within -1
        to 1. Violated where that lies above 0, or where a block is shorter than five correlation times. Between
        participants there is no order: there nothing is asked.

    Raises
    ------
    DataError
        If there is not one finite mean a unit.
    """
    from scipy.special import ndtri

    name, method = "dependence_left", "first serial correlation of the units' mean differences"
    d = np.asarray(mean, dtype=np.float64)
    if d.shape != (clusters.count,) or not bool(np.all(np.isfinite(d))):
        raise DataError(f"expected one finite mean a unit, got shape {d.shape} for {clusters.count} units")
    if clusters.unit in ("participants", "pairs"):
        said = "Participants have no order in time; what is alike within one is carried by counting participants."
        if clusters.unit == "pairs":
            said = "Pairs were taken as independent, as was said of them."
        return Assumption(
            name=name, value=None, low=None, high=None, outcome="holds", said=said, method=method, n=clusters.count
        )
    if block_s is not None and correlation_s is not None and block_s < TIMES * correlation_s:
        said = (
            f"Blocks of {said_number(block_s)} s are shorter than five times the {said_number(correlation_s)} s over "
            "which its differences stay alike: the intervals are too narrow."
        )
        return Assumption(
            name=name,
            value=block_s / correlation_s,
            low=None,
            high=None,
            outcome="violated",
            said=said,
            method="length of a block in correlation times",
            n=clusters.count,
        )
    k = clusters.count
    if k < FEWEST_IN_A_ROW:
        why = f"it takes {FEWEST_IN_A_ROW} {_plural(clusters)} in a row, {counted(clusters)}"
        return cannot_tell(name, why, method=method, n=k)
    away = d - d.mean()
    square = float(np.dot(away, away))
    if not square > 1e-24 * k * float(np.max(np.abs(d))) ** 2:
        return cannot_tell(name, f"all {_plural(clusters)} give the same value", method=method, n=k)
    r1 = float(np.dot(away[1:], away[:-1])) / square
    arm = float(ndtri(0.5 + confidence / 2)) / math.sqrt(k)
    low, high = max(-1.0, r1 + 1 / k - arm), min(1.0, r1 + 1 / k + arm)
    words = f"correlation in a row {said_number(r1)} {said_span(low, high, confidence=confidence)}"
    said = (
        f"{_plural(clusters).capitalize()} that follow each other are alike, so the intervals are too narrow: {words}."
        if low > 0
        else f"{_plural(clusters).capitalize()} that follow each other were not clearly seen to be alike: {words}."
    )
    return Assumption(
        name=name,
        value=r1,
        low=low,
        high=high,
        outcome="violated" if low > 0 else "holds",
        said=said,
        method=f"{method}; {clusters.scope}",
        n=k,
    )


def _plural(clusters: Clusters) -> str:
    return {"participants": "participants", "pairs": "pairs", "blocks": "blocks"}.get(clusters.unit, "sessions")


def _one(clusters: Clusters) -> str:
    return _plural(clusters)[:-1]


def influence(
    sums: F64,
    clusters: Clusters,
    *,
    names: Sequence[str] | None = None,
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
    unit: str = "",
) -> Assumption:
    """Whether leaving out one cluster moves bias or limits out of the interval that the others give.

    Parameters
    ----------
    sums : float64 array, shape (clusters.count, len(SUM_NAMES))
        One row a cluster, each with at least one pair.
    clusters : Clusters
    names : sequence of str or None
        What the clusters are called.
    multiplier : float
        Of the limits.
    confidence : float
    unit : str

    Returns
    -------
    Assumption
        ``value`` is the largest shift of bias, lower or upper limit by leaving out one cluster, in half-widths of the
        interval made without it (t on the jackknife over the others), the shift in the manner of Belsley, Kuh & Welsch
        1980 (Regression Diagnostics, chapter 2). Above 1 the value over all lies outside what the others allow:
        violated. A shift in units of the interval over all could not tell, as a single odd cluster widens that as fast.
    """
    name, method = "influence", "largest shift by leaving one out, in half-widths of the interval without it"
    count = clusters.count
    if count < FEWEST_TO_LEAVE_ONE:
        why = f"leaving one out takes {FEWEST_TO_LEAVE_ONE} {_plural(clusters)}, {counted(clusters)}"
        return cannot_tell(name, why, method=method, n=count)
    whole = merge_sums(sums)[0]
    moments = cluster_moments(sums, Centre(reference=whole[1], tested=whole[2], difference=whole[3]))
    total = moments.total()
    t = t_quantile(0.5 + confidence / 2, count - 2.0)

    def three(totals: F64) -> F64:
        found = statistics(totals, moments.centre)
        sd = np.sqrt(np.maximum(found["variance"], 0.0))
        return np.stack([found["bias"], found["bias"] - multiplier * sd, found["bias"] + multiplier * sd], axis=-1)

    value = three(total)
    # what rounding leaves of differences that are all the same is no shift
    floor = 1e-9 * max(abs(float(whole[1])), abs(float(whole[2])))
    if not float(total[5] + total[4]) > floor**2 * float(total[1]):
        return cannot_tell(name, "all differences are identical", method=method, n=count)
    shifts = np.abs(value - three(total - moments.rows))
    shifts = np.where(shifts > floor, shifts, 0.0)
    worst, at, which = -1.0, 0, 0
    for left_out in np.unique(np.argsort(-shifts, axis=0, kind="stable")[:MOST_LEFT_OUT]).tolist():
        rest = total - moments.rows[left_out]
        others = three(rest - np.delete(moments.rows, left_out, axis=0))
        arms = t * np.sqrt((count - 2) / (count - 1) * np.sum((others - three(rest)) ** 2, axis=0))
        for place, (shift, arm) in enumerate(zip(shifts[left_out].tolist(), arms.tolist(), strict=True)):
            times = shift / max(arm, floor) if shift > 0 and math.isfinite(arm) else 0.0
            if times > worst:
                worst, at, which = times, left_out, place
    what = ("the mean difference", "the lower limit", "the upper limit")[which]
    called = f"{_one(clusters)} {names[at]}" if names is not None else f"one {_one(clusters)}"
    new = float(three(total - moments.rows[at])[which])
    moved = f"{with_unit(said_number(float(value[which])), unit)} to {with_unit(said_number(new), unit)}"
    said = (
        f"Much of the result hangs on {called}: without it {what} goes from {moved}, further than the others' own "
        "interval allows."
        if worst > 1
        else f"No single {_one(clusters)} decides the result: leaving out {called} moves {what} most, from {moved}."
    )
    return Assumption(
        name=name,
        value=worst,
        low=None,
        high=None,
        outcome="violated" if worst > 1 else "holds",
        said=said,
        method=f"{method}; {clusters.scope}",
        n=count,
    )
