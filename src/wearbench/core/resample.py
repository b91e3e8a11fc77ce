"""Resampling of clusters from sums, and intervals of shares: exact where none or all are affected."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.clusters import Clusters, Estimate, choose_clusters, effective_df, jackknife_se, t_quantile
from wearbench.errors import DataError

__all__ = [
    "Estimate",
    "bca_interval",
    "exact_proportion",
    "generator_of",
    "percentile_interval",
    "ratio_interval",
    "resampled_totals",
    "sessions_affected",
    "share_interval",
    "studentised_interval",
    "totals_and_squares",
    "wilson",
]

F64 = NDArray[np.float64]

BLOCK = 256
"""Resamples drawn at a time: the weights stay in the processor's cache and memory does not grow."""


def generator_of(seed: int, name: str) -> np.random.Generator:
    """Random generator of one question: PCG64 keyed by seed and name.

    Parameters
    ----------
    seed : int
    name : str
        What is resampled (a group's name), so that results depend neither on the order of groups nor on what else was
        drawn.

    Returns
    -------
    numpy.random.Generator
    """
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *name.encode()])))


def weight_blocks(count: int, *, resamples: int, seed: int, name: str) -> Iterator[F64]:
    """Draw how often each cluster appears in each resample.

    Parameters
    ----------
    count : int
        Clusters.
    resamples : int
    seed : int
    name : str
        What is resampled; with the seed it keys the generator, as in `generator_of`.

    Yields
    ------
    float64 array, shape (<= BLOCK, count)
        Whole numbers; each row sums to ``count``.
    """
    generator = generator_of(seed, name)
    for start in range(0, resamples, BLOCK):
        rows = min(BLOCK, resamples - start)
        pick = generator.integers(0, count, size=(rows, count))
        pick += np.arange(0, rows * count, count)[:, None]
        yield np.bincount(pick.ravel(), minlength=rows * count).reshape(rows, count).astype(np.float64)


def resampled_totals(rows: F64, *, resamples: int, seed: int, name: str) -> F64:
    """Totals of linear moments in each resample of the clusters.

    Parameters
    ----------
    rows : float64 array, shape (count, m)
        Moments of each cluster, in an order that does not depend on reading order.
    resamples, seed, name
        As in `weight_blocks`.

    Returns
    -------
    float64 array, shape (resamples, m)

    Raises
    ------
    DataError
        If there are no rows or no resamples.

    Notes
    -----
    The cluster bootstrap (Davison & Hinkley 1997, section 3.8). Its cost does not depend on the number of pairs.
    """
    rows = np.ascontiguousarray(rows, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[0] == 0:
        raise DataError(f"expected one row of moments a cluster, got shape {rows.shape}")
    if resamples < 1:
        raise DataError(f"expected at least one resample, got {resamples}")
    out = np.empty((resamples, rows.shape[1]))
    start = 0
    for weights in weight_blocks(rows.shape[0], resamples=resamples, seed=seed, name=name):
        np.matmul(weights, rows, out=out[start : start + weights.shape[0]])
        start += weights.shape[0]
    return out


def totals_and_squares(rows: F64, *, resamples: int, seed: int, name: str) -> tuple[F64, F64]:
    """Totals of linear moments in each resample, and of their products: what studentising needs.

    Parameters
    ----------
    rows, resamples, seed, name
        As in `resampled_totals`, with the same draws.

    Returns
    -------
    totals : float64 array, shape (resamples, m)
    squares : float64 array, shape (resamples, m, m)
        Sum over drawn clusters of the products of two moments.

    Raises
    ------
    DataError
        As `resampled_totals`.
    """
    rows = np.ascontiguousarray(rows, dtype=np.float64)
    if rows.ndim != 2:
        raise DataError(f"expected one row of moments a cluster, got shape {rows.shape}")
    m = rows.shape[1]
    first, second = np.triu_indices(m)
    both = np.concatenate([rows, rows[:, first] * rows[:, second]], axis=1)
    drawn = resampled_totals(both, resamples=resamples, seed=seed, name=name)
    squares = np.empty((resamples, m, m))
    squares[:, first, second] = squares[:, second, first] = drawn[:, m:]
    return drawn[:, :m], squares


def percentile_interval(resampled: F64, *, confidence: float) -> tuple[float, float]:
    """Equal-tailed interval of resampled values; NaN values are left out.

    Parameters
    ----------
    resampled : float64 array, shape (resamples,)
    confidence : float

    Returns
    -------
    tuple of float
    """
    low, high = np.nanquantile(resampled, [0.5 - confidence / 2, 0.5 + confidence / 2])
    return float(low), float(high)


def bca_interval(value: float, resampled: F64, without: F64, *, confidence: float) -> tuple[float, float] | None:
    """Bias-corrected and accelerated interval (Efron 1987, J Am Stat Assoc 82:171-185).

    Parameters
    ----------
    value : float
        Estimate from all clusters.
    resampled : float64 array, shape (resamples,)
    without : float64 array, shape (count,)
        Estimates leaving out one cluster each, for the acceleration.
    confidence : float

    Returns
    -------
    tuple of float or None
        None where the resampled values do not vary or lie all on one side of the value.
    """
    from scipy.special import ndtr, ndtri

    values = resampled[np.isfinite(resampled)]
    if values.size < 2 or not float(np.ptp(values)) > 0:
        return None
    below = (float(np.mean(values < value)) + float(np.mean(values <= value))) / 2
    if not 0 < below < 1:
        return None
    z0 = float(ndtri(below))
    away = np.mean(without) - without
    spread = float(np.sum(away**2))
    acceleration = float(np.sum(away**3)) / (6 * spread**1.5) if spread > 0 else 0.0
    z = ndtri(np.array([0.5 - confidence / 2, 0.5 + confidence / 2]))
    level = ndtr(z0 + (z0 + z) / (1 - acceleration * (z0 + z)))
    low, high = np.quantile(values, level)
    return float(low), float(high)


def studentised_interval(
    value: float, se: float, resampled: F64, resampled_se: F64, *, confidence: float
) -> tuple[float, float] | None:
    """Studentised (bootstrap-t) interval (Efron 1982; Davison & Hinkley 1997, section 5.2).

    Parameters
    ----------
    value, se : float
        Estimate from all clusters and its standard error.
    resampled, resampled_se : float64 arrays, shape (resamples,)
        The same in each resample; resamples without a standard error are left out.
    confidence : float

    Returns
    -------
    tuple of float or None
        value - q_upper se and value - q_lower se, q the quantiles of (resampled - value)/resampled_se. None where the
        standard error is not above 0, or more than one resample in twenty has none.
    """
    if not (math.isfinite(value) and math.isfinite(se) and se > 1e-12 * abs(value)):
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(resampled_se > 1e-9 * se, (resampled - value) / resampled_se, np.nan)
    t = t[np.isfinite(t)]
    if t.size < max(2.0, 0.95 * resampled.size):
        return None
    low, high = np.quantile(t, [0.5 - confidence / 2, 0.5 + confidence / 2])
    return value - float(high) * se, value - float(low) * se


def exact_proportion(x: float, n: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Exact binomial interval of a share (Clopper & Pearson 1934, Biometrika 26:404-413).

    Parameters
    ----------
    x, n : float
        Affected and all, 0 <= x <= n, n > 0; need not be whole (effective numbers).
    confidence : float

    Returns
    -------
    tuple of float
        Beta quantiles at x, n - x + 1 and x + 1, n - x; 0 and 1 where none or all are affected. The other bound is
        then still one of a two-sided interval: 1 - (alpha/2)^(1/n) for none.

    Raises
    ------
    DataError
        If x and n do not fit.
    """
    _check_share(x, n)
    from scipy.special import betaincinv

    alpha = 1 - confidence
    low = 0.0 if x <= 0 else float(betaincinv(x, n - x + 1, alpha / 2))
    high = 1.0 if x >= n else float(betaincinv(x + 1, n - x, 1 - alpha / 2))
    return low, high


def wilson(x: float, n: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Score interval of a share (Wilson 1927, J Am Stat Assoc 22:209-212).

    Parameters
    ----------
    x, n : float
        Affected and all.
    confidence : float

    Returns
    -------
    tuple of float

    Raises
    ------
    DataError
        If x and n do not fit.
    """
    _check_share(x, n)
    from scipy.special import ndtri

    z = float(ndtri(0.5 + confidence / 2))
    share = x / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return (0.0 if x <= 0 else middle - half), (1.0 if x >= n else middle + half)


def _check_share(x: float, n: float) -> None:
    if not (n > 0 and 0 <= x <= n):
        raise DataError(f"expected 0 <= affected <= all and at least one, got {x} of {n}")


def sessions_affected(x: int, n: int, *, confidence: float = 0.95) -> Estimate:
    """Share of sessions affected, with the exact interval.

    Parameters
    ----------
    x, n : int
        Sessions affected, and all sessions in which it could have shown.
    confidence : float

    Returns
    -------
    Estimate
        Empty, with the reason, without sessions.

    Raises
    ------
    DataError
        If more are affected than there are.
    """
    if n == 0:
        return Estimate(value=None, low=None, high=None, method="exact (Clopper-Pearson)", n=0, why="no sessions")
    low, high = exact_proportion(x, n, confidence=confidence)
    return Estimate(value=x / n, low=low, high=high, method=f"exact (Clopper-Pearson) on {n} sessions", n=n)


def share_interval(
    numerator: F64, denominator: F64, clusters: Clusters, *, confidence: float, most: float | None = None
) -> Estimate:
    """Share of what clusters hold, with its interval.

    Parameters
    ----------
    numerator, denominator : float64 arrays, shape (clusters.count,)
        0 <= numerator <= denominator, in pairs or seconds; denominators above 0.
    clusters : Clusters
        What the rows are.
    confidence : float
    most : float or None
        Largest effective number believed (the pairs); by default the denominators' total.

    Returns
    -------
    Estimate
        Value sum(numerator)/sum(denominator). None or all: exact bounds with each cluster counted once. Otherwise
        the exact interval at the effective number p (1 - p)/V, V the jackknife variance over clusters, reduced by
        (z/t)^2 for few clusters (Korn & Graubard 1998, Surv Methodol 24:193-201).
    """
    from scipy.special import ndtri

    total = float(denominator.sum())
    count = clusters.count
    share = min(1.0, max(0.0, float(numerator.sum()) / total))
    if clusters.count < 2:
        return Estimate(
            value=share,
            low=None,
            high=None,
            method=clusters.scope,
            n=0,
            why=f"one {clusters.one}: no interval can be given",
        )
    hit = float(numerator.sum())
    if hit <= 0 or float(np.max(denominator - numerator)) <= 0:
        share = 0.0 if hit <= 0 else 1.0
        low, high = exact_proportion(share * count, count, confidence=confidence)
        return Estimate(value=share, low=low, high=high, method=f"exact (Clopper-Pearson) on {clusters.scope}", n=count)
    left = total - denominator
    without = (numerator.sum() - numerator) / np.where(left > 0, left, 1.0)
    variance = float(jackknife_se(share, without)) ** 2
    upper = 0.5 + confidence / 2
    shrink = (float(ndtri(upper)) / t_quantile(upper, effective_df(denominator))) ** 2
    limit = total if most is None else most
    number = limit if variance <= 0 else min(limit, shrink * share * (1 - share) / variance)
    low, high = exact_proportion(share * number, number, confidence=confidence)
    return Estimate(
        value=share, low=low, high=high, method=f"exact at the effective number of {clusters.scope}", n=count
    )


def ratio_interval(
    numerator: ArrayLike,
    denominator: ArrayLike,
    *,
    participant: ArrayLike,
    session: ArrayLike | None = None,
    blocks: bool = False,
    confidence: float = 0.95,
) -> Estimate:
    """Share of time, such as the tracking share, over sessions.

    Parameters
    ----------
    numerator, denominator : array-like, shape (k,)
        Seconds of each session (or block) in which it held, and all seconds judged.
    participant : int array-like, shape (k,)
        Code of each row's participant.
    session : int array-like, shape (k,), or None
        Code of each row's session; None where each row is a session of its own.
    blocks : bool
        Rows of a single session are blocks of it.
    confidence : float

    Returns
    -------
    Estimate
        As `share_interval`, clusters chosen by `choose_clusters`; rows without time are left out.

    Raises
    ------
    DataError
        If the arrays do not fit, or a numerator is negative or above its denominator.
    """
    top, bottom = np.asarray(numerator, dtype=np.float64), np.asarray(denominator, dtype=np.float64)
    who = np.asarray(participant)
    which = np.arange(top.size) if session is None else np.asarray(session)
    if top.ndim != 1 or not top.shape == bottom.shape == who.shape == which.shape:
        raise DataError(
            f"expected four columns of one length, got shapes {top.shape}, {bottom.shape}, {who.shape}, {which.shape}"
        )
    slack = 1e-9 * np.maximum(bottom, 1.0)
    wrong = ~((top >= -slack) & (top <= bottom + slack) & np.isfinite(bottom))
    if bool(wrong.any()):
        at = int(np.argmax(wrong))
        raise DataError(
            f"expected 0 <= numerator <= denominator in every row, got {top[at]} of {bottom[at]} in row {at}"
        )
    keep = bottom > 0
    if not bool(keep.any()):
        return Estimate(value=None, low=None, high=None, method="share of time", n=0, why="no time was judged")
    clusters = choose_clusters(which[keep], who[keep], blocks=blocks)
    size = max(1, clusters.count)
    held = np.clip(top[keep], 0, bottom[keep])
    tops = np.asarray(np.bincount(clusters.index, weights=held, minlength=size), dtype=np.float64)
    bottoms = np.asarray(np.bincount(clusters.index, weights=bottom[keep], minlength=size), dtype=np.float64)
    return share_interval(tops, bottoms, clusters, confidence=confidence)
