"""Moments of clusters, linear in the clusters' weights, and every statistic as a function of their totals.

Leaving a cluster out is a subtraction, resampling clusters a matrix product; neither looks at the pairs again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.sums import SUM_NAMES

__all__ = ["MOMENTS", "Centre", "Moments", "cluster_moments", "statistics"]

F64 = NDArray[np.float64]

MOMENTS: Final = (
    "count",
    "n",
    "nn",
    "d",
    "between",
    "within",
    "absolute",
    "percent",
    "zero",
    "tolerance",
    "share",
    "greater",
    "x",
    "y",
    "xx",
    "yy",
    "xy",
)
"""``d``, ``x`` and ``y`` are sums less the centre; ``between`` is d^2/n of each cluster, ``nn`` its n^2."""

_AT: Final = {name: place for place, name in enumerate(MOMENTS)}
_FROM: Final = {name: place for place, name in enumerate(SUM_NAMES)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Centre:
    """Means of all pairs: what the moments are taken about."""

    reference: float
    tested: float
    difference: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Moments:
    """Moments of each cluster, shape (count, len(MOMENTS)), about ``centre``."""

    rows: F64
    centre: Centre

    @property
    def pairs(self) -> F64:
        """Pairs of each cluster, shape (count,)."""
        return np.asarray(self.rows[:, _AT["n"]])

    def total(self) -> F64:
        """Moments of all clusters together, shape (len(MOMENTS),)."""
        return np.asarray(self.rows.sum(axis=0))

    def without(self) -> F64:
        """Moments leaving out one cluster each, shape (count, len(MOMENTS))."""
        return np.asarray(self.total() - self.rows)


def cluster_moments(sums: F64, centre: Centre) -> Moments:
    """Moments of clusters from their sums.

    Parameters
    ----------
    sums : float64 array, shape (count, len(SUM_NAMES))
        One row a cluster, each with at least one pair.
    centre : Centre
        Near the means of all pairs, so that nothing is lost to cancellation.

    Returns
    -------
    Moments
    """
    column = {name: sums[:, place] for name, place in _FROM.items()}
    n = column["n"]
    away_x = column["mean_reference"] - centre.reference
    away_y = column["mean_tested"] - centre.tested
    away_d = column["mean_difference"] - centre.difference
    rows = np.stack(
        [
            np.ones_like(n),
            n,
            n * n,
            n * away_d,
            n * away_d**2,
            column["m2_difference"],
            column["sum_absolute"],
            column["sum_absolute_percent"],
            column["n_reference_zero"],
            column["n_within_tolerance"],
            column["n_within_10_percent"],
            column["n_within_greater"],
            n * away_x,
            n * away_y,
            column["m2_reference"] + n * away_x**2,
            column["m2_tested"] + n * away_y**2,
            column["comoment"] + n * away_x * away_y,
        ],
        axis=1,
    )
    return Moments(rows=rows, centre=centre)


def statistics(totals: F64, centre: Centre) -> dict[str, F64]:
    """Every statistic from total moments.

    Parameters
    ----------
    totals : float64 array, shape (..., len(MOMENTS))
        Weighted totals of clusters.
    centre : Centre

    Returns
    -------
    dict of float64 arrays, shape (...)
        NaN where a statistic is not defined. One-way components after Bland & Altman 2007 (J Biopharm Stat 17:571-582),
        with m0 = (N - sum n_i^2 / N)/(K - 1); where no cluster has two pairs the total is the plain variance.
    """
    at = {name: totals[..., place] for name, place in _AT.items()}
    count, n = at["count"], at["n"]
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = at["d"] / n
        bias = centre.difference + shift
        ss_between = np.maximum(at["between"] - at["d"] * shift, 0.0)
        ms_between = ss_between / (count - 1)
        ms_within = at["within"] / (n - count)
        m0 = (n - at["nn"] / n) / (count - 1)
        variance_between = np.maximum((ms_between - ms_within) / m0, 0.0)
        one_each = n - count < 0.5
        one_only = count < 1.5
        variance = np.where(one_each, ms_between, variance_between + ms_within)
        variance = np.where(one_only, at["within"] / (n - 1), variance)
        square = (at["between"] + at["within"] + 2 * centre.difference * at["d"]) / n + centre.difference**2
        mean_x, mean_y = at["x"] / n, at["y"] / n
        xx = at["xx"] / n - mean_x**2
        yy = at["yy"] / n - mean_y**2
        xy = at["xy"] / n - mean_x * mean_y
        return {
            "n_pairs": n,
            "bias": bias,
            "variance": variance,
            "variance_between": np.where(one_each | one_only, np.nan, variance_between),
            "variance_within": np.where(one_each, np.nan, ms_within),
            "ms_between": ms_between,
            "m0": m0,
            "mae": at["absolute"] / n,
            "mape": at["percent"] / (n - at["zero"]),
            "rmse": np.sqrt(np.maximum(square, 0.0)),
            "within_tolerance": at["tolerance"] / n,
            "within_10_percent": at["share"] / n,
            "within_greater": at["greater"] / n,
            "ccc": 2 * xy / (xx + yy + bias**2),
            "mean_reference": centre.reference + mean_x,
            "mean_tested": centre.tested + mean_y,
        }
