"""Resampling in two stages: participants, and sessions within each drawn participant."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.moments import Centre, cluster_moments
from wearbench.core.resample import generator_of
from wearbench.errors import DataError

__all__ = ["two_stage_totals"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

ROWS_AT_A_TIME: Final = 64


def two_stage_totals(sums: F64, *, index: I64, count: int, centre: Centre, resamples: int, seed: int, name: str) -> F64:
    """Total moments of participants in each resample, sessions drawn anew within each.

    Parameters
    ----------
    sums : float64 array, shape (k, len(SUM_NAMES))
        One row a session, each with at least one pair, in an order that does not depend on reading order.
    index : int array, shape (k,)
        Participant of each row, from 0 to ``count - 1``; each has a session.
    count : int
        Participants.
    centre : Centre
    resamples, seed, name
        As in `resampled_totals`.

    Returns
    -------
    float64 array, shape (resamples, len(MOMENTS))

    Raises
    ------
    DataError
        If a participant has no session, or there are no resamples.

    Notes
    -----
    Participants are drawn with replacement, then as many sessions as each has, with replacement; the moments of a drawn
    participant follow from the sums of its drawn sessions. Drawing sessions again counts their scatter twice where
    sessions are few (Davison & Hinkley 1997, section 3.8), so whole participants are the default elsewhere.
    """
    sizes = np.bincount(index, minlength=count)
    if index.shape != sums.shape[:1] or sizes.size != count or count == 0 or int(sizes.min()) == 0:
        raise DataError(f"expected at least one session of each of {count} participants, got {sizes.tolist()}")
    if resamples < 1:
        raise DataError(f"expected at least one resample, got {resamples}")
    order = np.argsort(index, kind="stable")
    start = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    rows = cluster_moments(sums[order], centre).rows
    # the moments that add: all but the number of clusters, n^2 and d^2/n; squares about the centre instead of within
    linear = rows.copy()
    linear[:, 5] = rows[:, 4] + rows[:, 5]
    most = int(sizes.max())
    generator = generator_of(seed, name)
    out = np.empty((resamples, rows.shape[1]))
    for first in range(0, resamples, ROWS_AT_A_TIME):
        here = min(ROWS_AT_A_TIME, resamples - first)
        who = generator.integers(0, count, size=(here, count))
        size = sizes[who]
        pick = (generator.random((here, count, most)) * size[:, :, None]).astype(np.int64)
        weight = (np.arange(most) < size[:, :, None]).astype(np.float64)
        drawn = np.einsum("abj,abjm->abm", weight, linear[start[who][:, :, None] + pick])
        n, d = drawn[:, :, 1], drawn[:, :, 3]
        drawn[:, :, 0] = 1.0
        drawn[:, :, 2] = n * n
        drawn[:, :, 4] = d * d / n
        drawn[:, :, 5] = np.maximum(drawn[:, :, 5] - drawn[:, :, 4], 0.0)
        out[first : first + here] = drawn.sum(axis=1)
    return out
