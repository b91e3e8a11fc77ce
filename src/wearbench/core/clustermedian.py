"""A median over values that come in clusters, with its interval."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clusters import Clusters, Estimate, choose_clusters, t_quantile
from wearbench.core.resample import percentile_interval, weight_blocks
from wearbench.errors import DataError

__all__ = ["cluster_median"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FEWEST_RESAMPLED = 5
"""Under so many clusters a t interval over the clusters' own medians is given instead."""
RESAMPLES = 2000


def cluster_median(
    values: F64, *, participant: I64, session: I64, confidence: float, seed: int, name: str, blocks: bool = True
) -> Estimate:
    """Median of all values, with an interval over the independent units they come from.

    Parameters
    ----------
    values : float64 array, shape (k,)
    participant, session : int arrays, shape (k,)
        Codes of each value's participant and session.
    confidence : float
    seed : int
    name : str
        What is asked; keys the generator.
    blocks : bool
        Values of a single session count as units of their own.

    Returns
    -------
    Estimate
        With 5 or more units the percentile interval of resampled units (Davison & Hinkley 1997, section 3.8); with 2
        to 4 the t interval of the units' medians, widened to hold the value.

    Raises
    ------
    DataError
        If the arrays differ in length.
    """
    if not values.shape == participant.shape == session.shape:
        raise DataError(
            f"expected a participant and a session a value, got {values.size}, {participant.size} and {session.size}"
        )
    if values.size == 0:
        return Estimate(value=None, low=None, high=None, method="median", n=0, why="no values")
    middle = float(np.median(values))
    clusters = choose_clusters(session, participant, blocks=blocks)
    method = f"median, {clusters.scope}"
    if clusters.count < 2:
        return Estimate(value=middle, low=None, high=None, method=method, n=0, why="one session: no interval")
    if clusters.count < FEWEST_RESAMPLED:
        medians = [float(np.median(values[clusters.index == k])) for k in range(clusters.count)]
        low, high = _by_t(np.array(medians), confidence)
        return Estimate(
            value=middle,
            low=min(low, middle),
            high=max(high, middle),
            method=f"{method}, t over their medians",
            n=clusters.count,
        )
    drawn = _resampled(values, clusters, seed=seed, name=name)
    low, high = percentile_interval(drawn, confidence=confidence)
    return Estimate(value=middle, low=low, high=high, method=f"{method}, resampled", n=clusters.count)


def _by_t(medians: F64, confidence: float) -> tuple[float, float]:
    half = t_quantile(0.5 + confidence / 2, medians.size - 1) * float(medians.std(ddof=1)) / math.sqrt(medians.size)
    return float(medians.mean()) - half, float(medians.mean()) + half


def _resampled(values: F64, clusters: Clusters, *, seed: int, name: str) -> F64:
    """Weighted medians: each value counts as often as its unit was drawn."""
    order = np.argsort(values, kind="stable")
    ranked, unit = values[order], clusters.index[order]
    drawn = []
    for times in weight_blocks(clusters.count, resamples=RESAMPLES, seed=seed, name=name):
        total = np.cumsum(times[:, unit], axis=1)
        half = 0.5 * total[:, -1:]
        below, above = (total < half).sum(axis=1), (total <= half).sum(axis=1)
        drawn.append(0.5 * (ranked[below] + ranked[np.minimum(above, ranked.size - 1)]))
    return np.concatenate(drawn)
