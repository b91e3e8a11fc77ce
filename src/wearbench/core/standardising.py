"""Two sets of sessions compared as if both had spent their time alike: over common activities, equally weighed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.clusters import Estimate, jackknife_se, t_quantile
from wearbench.errors import DataError

__all__ = ["Standardised", "mix_distance", "standardised_difference"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Standardised:
    """A standardised difference and what it rests on.

    Attributes
    ----------
    difference : Estimate
        Labelled less unlabelled.
    unlabelled, labelled : float or None
        Standardised values of either side.
    cells : tuple of int
        Codes of the cells in common.
    weights : tuple of float
        Their weights, which add up to 1.
    """

    difference: Estimate
    unlabelled: float | None
    labelled: float | None
    cells: tuple[int, ...]
    weights: tuple[float, ...]


def mix_distance(first: ArrayLike, second: ArrayLike) -> float:
    """How differently two sides spent their time.

    Parameters
    ----------
    first, second : float array-like, shape (cells,)
        Seconds of either side in each cell.

    Returns
    -------
    float
        Half the sum of the absolute differences of their shares: the part of the time that would have to be moved to
        make them alike, 0 to 1; NaN where a side has no time.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if not (a.sum() > 0 and b.sum() > 0):
        return math.nan
    return float(0.5 * np.abs(a / a.sum() - b / b.sum()).sum())


def standardised_difference(
    numerator: ArrayLike,
    denominator: ArrayLike,
    *,
    cell: ArrayLike,
    label: ArrayLike,
    cluster: ArrayLike,
    weight: ArrayLike | None = None,
    confidence: float = 0.95,
    least: int = 2,
) -> Standardised:
    """Difference of ratios after direct standardisation to common cells.

    Parameters
    ----------
    numerator, denominator : array-like, shape (n,)
        Of each row: a session's time in one cell.
    cell : int array-like, shape (n,)
        Activity and intensity.
    label : bool array-like, shape (n,)
        Which side.
    cluster : int array-like, shape (n,)
        Sessions, or participants; of either side, a code on both sides being two clusters.
    weight : array-like, shape (n,), optional
        Time of each row, from which cells are weighed; the denominators by default.
    confidence : float
    least : int
        Clusters that a cell needs on either side to be in common.

    Returns
    -------
    Standardised
        Each cell in common weighs as the pooled time spent in it. Interval: jackknife over the clusters of each side,
        weights held, t with Welch's degrees of freedom; none where a cell rests on one cluster.

    Raises
    ------
    DataError
        If the arrays do not fit.

    Notes
    -----
    Direct standardisation: Rothman, Greenland & Lash 2008, Modern Epidemiology, third edition, chapter 3 (from memory).
    """
    top, bottom = np.asarray(numerator, dtype=np.float64), np.asarray(denominator, dtype=np.float64)
    heavy = bottom if weight is None else np.asarray(weight, dtype=np.float64)
    side, where, who = np.asarray(label, dtype=np.bool_), np.asarray(cell), np.asarray(cluster)
    if top.ndim != 1 or any(a.shape != top.shape for a in (bottom, heavy, side, where, who)):
        raise DataError("expected columns of one length: numerator, denominator, weight, cell, label and cluster")
    keep = bottom > 0
    top, bottom, heavy = top[keep], bottom[keep], heavy[keep]
    side, where, who = side[keep], where[keep], who[keep]
    common = [
        c
        for c in np.unique(where)
        if all(np.unique(who[(where == c) & (side == s)]).size >= least for s in (True, False))
    ]
    method = "directly standardised"
    if not common:
        enough = "at all" if least == 1 else f"by {least} clusters or more"
        why = f"nothing was done {enough} on both sides"
        empty = Estimate(value=None, low=None, high=None, method=method, n=0, why=why)
        return Standardised(difference=empty, unlabelled=None, labelled=None, cells=(), weights=())
    total = np.array([heavy[where == c].sum() for c in common])
    weights = total / total.sum()
    values: dict[bool, float] = {}
    variances: list[float] = []
    freedom: list[int] = []
    count, alone = 0, False
    for s in (True, False):
        mine = side == s
        codes = np.unique(who[mine & np.isin(where, common)])
        count += codes.size
        tops, bottoms = (
            np.array([[a[mine & (where == c) & (who == k)].sum() for c in common] for k in codes])
            for a in (top, bottom)
        )
        values[s] = float(weights @ (tops.sum(axis=0) / bottoms.sum(axis=0)))
        left = bottoms.sum(axis=0) - bottoms
        if bool((left <= 1e-12 * bottoms.sum(axis=0)).any()):
            alone = True
            continue
        without = ((tops.sum(axis=0) - tops) / left) @ weights
        se = float(jackknife_se(float(without.mean()), without))
        variances.append(se * se)
        freedom.append(codes.size - 1)
    value, variance = values[True] - values[False], sum(variances)
    method = f"directly standardised over {len(common)} cells, jackknife over {count} clusters, Welch's t"
    low = high = why_not = None
    if alone:
        why_not = "what was done rests on one cluster somewhere: no interval can be given"
    elif variance > (1e-12 * max(1.0, abs(value))) ** 2:
        df = variance**2 / sum(v * v / f for v, f in zip(variances, freedom, strict=True))
        half = t_quantile(0.5 + confidence / 2, df) * math.sqrt(variance)
        low, high = value - half, value + half
    else:
        why_not = "the sessions do not vary: no interval can be given"
    return Standardised(
        difference=Estimate(value=value, low=low, high=high, method=method, n=count, why=why_not),
        unlabelled=values[False],
        labelled=values[True],
        cells=tuple(int(c) for c in common),
        weights=tuple(float(w) for w in weights),
    )
