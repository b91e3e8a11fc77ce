"""Shares that may be looked at after every session: intervals that hold at all numbers of sessions at once."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.errors import DataError

__all__ = ["always_valid_share"]

F64 = NDArray[np.float64]

_HALVINGS = 60


def always_valid_share(
    affected: ArrayLike, sessions: ArrayLike, *, confidence: float = 0.95, prior: float = 0.5
) -> tuple[F64, F64]:
    """Confidence sequence of a share.

    Parameters
    ----------
    affected, sessions : int array-like, shape (n,)
        Affected so far, of how many.
    confidence : float
    prior : float
        Both parameters of the Beta mixture; changes how wide the sequence is at which n, never whether it holds.

    Returns
    -------
    low, high : float64 arrays, shape (n,)
        With probability ``confidence`` the true share lies between them at all numbers of sessions at once, so that
        one may look after every session and stop when one likes.

    Raises
    ------
    DataError
        If the counts do not fit.

    Notes
    -----
    The p for which B(a + k, a + n - k) / B(a, a) stays below p^k (1 - p)^(n - k) / alpha: the ratio is a martingale
    that begins at 1, and Ville's inequality bounds it (Robbins 1970, Ann Math Stat 41:1397-1409; Howard, Ramdas,
    McAuliffe & Sekhon 2021, Ann Stat 49:1055-1080). Sessions are taken as independent with one share.
    """
    from scipy.special import betaln

    k, n = np.asarray(affected, dtype=np.float64), np.asarray(sessions, dtype=np.float64)
    if k.shape != n.shape or bool(np.any((n < 1) | (k < 0) | (k > n))):
        raise DataError("expected 0 <= affected <= sessions and at least one session in every row")
    bound = betaln(prior + k, prior + n - k) - betaln(prior, prior) + math.log(1 - confidence)
    share = k / n

    def outside(p: F64) -> NDArray[np.bool_]:
        with np.errstate(divide="ignore", invalid="ignore"):
            fit = np.where(k > 0, k * np.log(p), 0.0) + np.where(n > k, (n - k) * np.log1p(-p), 0.0)
        found: NDArray[np.bool_] = fit < bound
        return found

    def edge(far: F64) -> F64:
        """Between the share, which is inside, and the end of the scale."""
        inner, outer = share.copy(), far
        for _ in range(_HALVINGS):
            middle = 0.5 * (inner + outer)
            out = outside(middle)
            outer = np.where(out, middle, outer)
            inner = np.where(out, inner, middle)
        return outer

    low = np.where(k == 0, 0.0, edge(np.zeros(k.shape)))
    high = np.where(k == n, 1.0, edge(np.ones(k.shape)))
    return low, high
