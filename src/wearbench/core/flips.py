"""Tests of pairs: two devices in the same sessions, their names swapped; sessions in which only one was affected."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from wearbench.core.permutation import DRAWS, MOST_ENUMERATED, Rearranged, rearranged_statistic
from wearbench.core.resample import generator_of
from wearbench.errors import DataError

__all__ = ["mcnemar_exact", "sign_flip_test"]


def sign_flip_test(
    difference: ArrayLike,
    *,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    seed: int = 0,
    name: str = "",
    most: int = MOST_ENUMERATED,
) -> Rearranged | None:
    """Two-sided sign-flip test of paired differences.

    Parameters
    ----------
    difference : array-like, shape (n,)
        One device less the other in each session.
    weight : array-like, shape (n,), optional
        How much a session counts; alike by default.
    cluster : int array-like, shape (n,), optional
        Rows that flip together (participants); by default each flips alone.
    seed, name
        As in `relabelled`.
    most : int
        Up to so many flips are enumerated.

    Returns
    -------
    Rearranged or None
        ``value`` is the weighted mean. None without rows.

    Raises
    ------
    DataError
        If the arrays do not fit.

    Notes
    -----
    Were the two devices alike, their names could be swapped in any session. Fisher 1935, section 21.
    """
    d = np.asarray(difference, dtype=np.float64)
    w = np.ones(d.size) if weight is None else np.asarray(weight, dtype=np.float64)
    which = np.arange(d.size) if cluster is None else np.unique(np.asarray(cluster), return_inverse=True)[1]
    if d.ndim != 1 or not d.shape == w.shape == which.shape:
        raise DataError(f"expected columns of one length, got shapes {d.shape}, {w.shape} and {which.shape}")
    total = float(w.sum())
    if not d.size or total <= 0:
        return None
    parts = np.bincount(which, weights=w * d) / total
    n = parts.size
    enumerated = n < 63 and 2**n <= most
    if enumerated:
        signs = 1.0 - 2.0 * ((np.arange(2**n)[:, None] >> np.arange(n)) & 1)
    else:
        signs = 1.0 - 2.0 * generator_of(seed, name).integers(0, 2, size=(DRAWS + 1, n))
        signs[0] = 1.0
    return rearranged_statistic(
        float(parts.sum()), signs @ parts, total=2**n, enumerated=enumerated, smallest=min(1.0, 2.0 / 2.0**n)
    )


def mcnemar_exact(only_first: int, only_second: int) -> float:
    """Exact two-sided p of discordant pairs (McNemar 1947, Psychometrika 12:153-157, with binomial probabilities).

    Parameters
    ----------
    only_first, only_second : int
        Sessions in which only the one, only the other device was affected.

    Returns
    -------
    float
        Twice the smaller tail of Binomial(n, 1/2), at most 1; 1 without any.

    Raises
    ------
    DataError
        If a count is negative.
    """
    if only_first < 0 or only_second < 0:
        raise DataError(f"expected counts of at least 0, got {only_first} and {only_second}")
    n, least = only_first + only_second, min(only_first, only_second)
    below, every = sum(math.comb(n, k) for k in range(least + 1)), 1 << n
    return min(1.0, 2 * below / every)
