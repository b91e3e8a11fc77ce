"""Limits of agreement without a distribution: sample quantiles of the differences."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.differences import check_level, differences, fixed, unknown
from wearbench.core.clusters import Clusters, Estimate
from wearbench.core.resample import percentile_interval, share_interval, weight_blocks
from wearbench.errors import DataError

__all__ = ["QuantileLimits", "quantile_limits", "quantile_ranks", "sample_quantile"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FEW_CLUSTERS: Final = 5
"""Below this many there is nothing to resample."""

ALL_PLACES: Final = 4096
"""Up to this many differences each is a place where resampled counts are kept; above, places are thinned."""


@dataclass(frozen=True, kw_only=True, slots=True)
class QuantileLimits:
    """Median of differences and the two quantiles between which ``coverage`` of them lie."""

    n_pairs: int
    n_clusters: int
    median: Estimate
    low: Estimate
    high: Estimate


def sample_quantile(value: ArrayLike, probability: float) -> float | None:
    """Sample quantile at rank p (n + 1).

    Parameters
    ----------
    value : array-like, shape (n,)
    probability : float

    Returns
    -------
    float or None
        Between the two order statistics about the rank, in proportion; None where the rank lies outside 1 to n, so
        that the sample does not reach that far (Bland & Altman 1999, Stat Methods Med Res 8:135-160, section 4).

    Raises
    ------
    DataError
        If the probability does not lie between 0 and 1, or a value is NaN or infinite.
    """
    check_level(probability, "a probability")
    values = np.sort(np.asarray(value, dtype=np.float64))
    if values.size and not bool(np.all(np.isfinite(values))):
        raise DataError("expected finite values, got NaN or infinity; leave them out before")
    return _at_rank(values, probability)


def _at_rank(values: F64, probability: float) -> float | None:
    """Quantile of sorted values at rank p (n + 1)."""
    rank = round(probability * (values.size + 1), 9)
    if not 1 <= rank <= values.size:
        return None
    below = int(rank) - 1
    above = min(below + 1, values.size - 1)
    return float(values[below] + (rank - below - 1) * (values[above] - values[below]))


def quantile_ranks(n: int, probability: float, *, confidence: float = 0.95) -> tuple[int | None, int | None]:
    """Ranks of the order statistics that hold a quantile, whatever the distribution.

    Parameters
    ----------
    n : int
        Independent values.
    probability : float
        Of the quantile.
    confidence : float

    Returns
    -------
    tuple of int or None
        l and u, counted from 1, with Pr(l <= Bin(n, p) < u) >= confidence and at most half of what is left on either
        side (David & Nagaraja 2003, Order Statistics, section 7.1). None where that end is open: below, unless
        (1 - p)^n <= (1 - confidence)/2, which for the 2.5 % point takes 146 values.

    Raises
    ------
    DataError
        If a level does not lie between 0 and 1.
    """
    from scipy.special import bdtr

    check_level(probability, "a probability")
    check_level(confidence, "a confidence")
    tail = (1 - confidence) / 2 + 1e-12
    below = np.asarray(bdtr(np.arange(n + 1, dtype=np.float64), n, probability))
    # below[k] = Pr(Bin <= k); l is the largest with Pr(Bin <= l - 1) <= tail, u the smallest with Pr(Bin <= u - 1) >= 1
    # - tail, which for u = n + 1 is certain and leaves that end open
    low = int(np.sum(below <= tail))
    high = int(np.argmax(below >= 1 - tail)) + 1
    return (low if low >= 1 else None), (high if high <= n else None)


def quantile_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    coverage: float = 0.95,
    confidence: float = 0.95,
    interval: Literal["share", "resampled"] = "share",
    resamples: int = 2000,
    seed: int = 0,
    name: str = "",
) -> QuantileLimits:
    """Limits of agreement as quantiles of the differences, for differences of any distribution.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    cluster : array-like, shape (n,), or None
        Participant or session of each pair. None takes the pairs as independent.
    coverage : float
        Share of differences between the limits: 0.95 takes the 2.5 % and 97.5 % points.
    confidence : float
        Level of the intervals.
    interval : {"share", "resampled"}
        How intervals are made over clusters; unused without.
    resamples, seed, name
        Of the resampling: how many, and what keys the generator.

    Returns
    -------
    QuantileLimits
        Quantiles at rank p (n + 1). A limit is empty where the sample does not reach that far, below 39 pairs for 95 %.
        Independent pairs: intervals between order statistics (`quantile_ranks`), whose outer end is open below 146.
        Clusters: ranks hold for independent pairs only. "share" takes the exact interval of the share of differences
        below the quantile, at the effective number of clusters (`share_interval`), and reads quantiles at its ends
        (Woodruff 1952, J Am Stat Assoc 47:635-646); an end is open where the clusters do not tell how far it reaches.
        "resampled" resamples clusters (percentile interval) from five clusters on; above 4,096 pairs it keeps counts
        at 4,096 places, dense in the tails. It cannot reach beyond the differences that were seen, and covers less than
        it says with few clusters. Pairs weigh equally.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or an option does not fit.
    CannotTell
        If there are no pairs.
    """
    check_level(coverage, "a coverage")
    check_level(confidence, "a confidence")
    if interval not in ("share", "resampled"):
        raise DataError(f"expected the interval 'share' or 'resampled', got {interval!r}")
    found = differences(tested, reference)
    index, count = np.arange(found.n), found.n
    if cluster is not None:
        if np.shape(cluster) != (found.n,):
            raise DataError(f"expected one cluster a pair, got shape {np.shape(cluster)} for {found.n}")
        names, index = np.unique(cluster, return_inverse=True)
        count = names.size
    order = np.argsort(found.values, kind="stable")
    values, index = found.values[order], index[order]
    levels = (0.5, 0.5 - coverage / 2, 0.5 + coverage / 2)
    drawn: dict[float, F64] = {}
    if cluster is not None and interval == "resampled" and count >= FEW_CLUSTERS and found.why is None:
        drawn = _resampled(values, index, count, levels, resamples=resamples, seed=seed, name=name)
    out = []
    for level in levels:
        value = _at_rank(values, level)
        if value is None:
            out.append(unknown(_too_few(values.size, level)))
        elif found.why is not None:
            none = f"{found.why}: no interval can be given"
            out.append(fixed(value, None, "", 0, none) if level == 0.5 else unknown(found.why))
        elif cluster is None:
            out.append(_by_ranks(values, value, level, confidence))
        elif interval == "share":
            out.append(_by_share(values, index, count, value, level, confidence))
        else:
            out.append(_by_resampling(value, drawn.get(level), count, confidence))
    return QuantileLimits(n_pairs=found.n, n_clusters=count, median=out[0], low=out[1], high=out[2])


def _point(level: float) -> str:
    return "the median" if level == 0.5 else f"the {100 * level:.6g} % point"


def _too_few(n: int, level: float) -> str:
    need = math.ceil(round(1 / min(level, 1 - level) - 1, 9))
    return f"{_point(level)} cannot be estimated: it takes {need} pairs, there {'is' if n == 1 else 'are'} {n}"


def _open_end(low: float | None, high: float | None, level: float) -> str | None:
    if low is not None and high is not None:
        return None
    end = "below and above" if low is None and high is None else "below" if low is None else "above"
    return f"the interval of {_point(level)} is open {end}"


def _by_ranks(values: F64, value: float, level: float, confidence: float) -> Estimate:
    n = values.size
    ranks = quantile_ranks(n, level, confidence=confidence)
    low, high = (None if rank is None else float(values[rank - 1]) for rank in ranks)
    method = f"order statistics, distribution-free, on {n} pairs taken as independent"
    open_end = _open_end(low, high, level)
    if open_end is not None:
        need = math.ceil(math.log((1 - confidence) / 2) / math.log(1 - min(level, 1 - level)))
        open_end += f": it takes {need} pairs, there are {n}"
    return Estimate(value=value, low=low, high=high, method=method, n=n, why=open_end)


def _scope(count: int) -> str:
    return f"{count} cluster{'s' if count != 1 else ''}"


def _by_share(values: F64, cluster: I64, count: int, value: float, level: float, confidence: float) -> Estimate:
    """Quantiles at the ends of the interval of the share below."""
    if count < 2:
        return fixed(value, None, _scope(count), 0, f"{_scope(count)}: no interval can be given")
    first, last = (int(np.searchsorted(values, value, side=side)) for side in ("left", "right"))
    tied = min(1.0, max(0.0, (level * values.size - first) / max(1, last - first)))
    below = np.bincount(cluster[:first], minlength=count) + tied * np.bincount(cluster[first:last], minlength=count)
    clusters = Clusters(unit="participants", index=np.arange(count), count=count, nested=False)
    share = share_interval(
        below.astype(np.float64),
        np.bincount(cluster, minlength=count).astype(np.float64),
        clusters,
        confidence=confidence,
    )
    low, high = (None if end is None or not 0 < end < 1 else _at_rank(values, end) for end in (share.low, share.high))
    low, high = (None if low is None else min(low, value)), (None if high is None else max(high, value))
    open_end = _open_end(low, high, level)
    if open_end is not None:
        open_end += f": {_scope(count)} do not tell how far it reaches"
    method = f"from the exact interval of the share below it, at the effective number of {_scope(count)}"
    return Estimate(value=value, low=low, high=high, method=method, n=count, why=open_end)


def _by_resampling(value: float, drawn: F64 | None, count: int, confidence: float) -> Estimate:
    if drawn is None:
        why = f"{_scope(count)}: no interval can be given below {FEW_CLUSTERS}"
        return fixed(value, None, _scope(count), 0, why)
    ends = percentile_interval(drawn, confidence=confidence)
    if not ends[0] < ends[1]:
        return fixed(value, None, _scope(count), 0, "all resamples give the same value: no interval can be given")
    method = f"percentile, {drawn.size} resamples of {_scope(count)}; not beyond the differences seen"
    return fixed(value, (min(ends[0], value), max(ends[1], value)), method, count)


def _places(n: int) -> I64:
    """Which order statistics, counted from 0, keep counts: all of few, of many more towards both ends."""
    if n <= ALL_PLACES:
        return np.arange(n)
    tail = np.geomspace(1, n / 2, ALL_PLACES // 4)
    place = np.concatenate([np.linspace(0, n - 1, ALL_PLACES // 2), tail - 1, n - tail])
    return np.unique(np.clip(np.rint(place), 0, n - 1).astype(np.int64))


def _resampled(
    values: F64, cluster: I64, count: int, levels: tuple[float, ...], *, resamples: int, seed: int, name: str
) -> dict[float, F64]:
    """Quantiles in each resample of the clusters, from counts of differences up to each place."""
    place = _places(values.size)
    upto = np.zeros((count, place.size))
    step = np.searchsorted(place, np.arange(values.size))
    np.add.at(upto, (cluster, step), 1.0)
    np.cumsum(upto, axis=1, out=upto)
    kept = values[place]
    out: dict[float, list[F64]] = {level: [] for level in levels}
    for weights in weight_blocks(count, resamples=resamples, seed=seed, name=name):
        reached = weights @ upto
        total = reached[:, -1]
        for level in levels:
            rank = np.clip(level * (total + 1), 1, total)
            whole = np.floor(rank + 1e-9)
            first, second = (kept[_reaching(reached, rung)] for rung in (whole, np.minimum(whole + 1, total)))
            out[level].append(first + np.maximum(rank - whole, 0.0) * (second - first))
    return {level: np.concatenate(parts) for level, parts in out.items()}


def _reaching(count: F64, rank: F64) -> I64:
    """First place of each row, whose counts rise, that reaches the row's rank."""
    # rows are set apart so that one search finds a place in every row
    rows = np.arange(rank.size)
    apart = rows * (float(np.max(count)) + 1)
    ladder = (count + apart[:, None]).ravel()
    return np.asarray(np.searchsorted(ladder, rank - 0.5 + apart) - rows * count.shape[1], dtype=np.int64)
