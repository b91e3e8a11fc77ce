"""Correlation inside sessions, with or without what a third thing explains, with an interval over clusters."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.clusters import Estimate, choose_clusters, effective_df, jackknife_se, t_quantile
from wearbench.errors import DataError

__all__ = ["inner_products", "partial_correlation"]

F64 = NDArray[np.float64]


def inner_products(x: ArrayLike, y: ArrayLike, z: ArrayLike, *, weight: ArrayLike) -> F64:
    """Sums of squares and products about the session's own means.

    Parameters
    ----------
    x, y, z : array-like, shape (n,)
        Of one session; rows where any is NaN are left out.
    weight : array-like, shape (n,)
        Seconds each stands for.

    Returns
    -------
    float64 array, shape (6,)
        xx, yy, zz, xy, xz, yz, to be added over sessions.

    Raises
    ------
    DataError
        If the four differ in length.
    """
    rows = [np.asarray(part, dtype=np.float64) for part in (x, y, z, weight)]
    if any(row.ndim != 1 or row.shape != rows[0].shape for row in rows):
        raise DataError(f"expected four rows of one length, got shapes {', '.join(str(row.shape) for row in rows)}")
    table = np.stack(rows)
    table = table[:, np.all(np.isfinite(table), axis=0)]
    w = table[3]
    if w.size < 2 or not w.sum() > 0:
        return np.zeros(6)
    flat = table[:3] - (table[:3] @ w / w.sum())[:, None]
    products = (flat * w) @ flat.T
    return np.asarray(products[[0, 1, 2, 0, 0, 1], [0, 1, 2, 1, 2, 2]], dtype=np.float64)


def partial_correlation(
    sums: ArrayLike, *, session: ArrayLike, participant: ArrayLike, given: bool, confidence: float = 0.95
) -> Estimate:
    """Correlation of x and y inside sessions, pooled.

    Parameters
    ----------
    sums : array-like, shape (k, 6)
        From `inner_products`, of each session.
    session, participant : int array-like, shape (k,)
    given : bool
        Take out of both what z explains (partial correlation).
    confidence : float

    Returns
    -------
    Estimate
        Interval from Fisher's z, its standard error by leaving out one participant (else session) at a time, with t.

    Notes
    -----
    Pooled sums inside sessions are the repeated-measures correlation of Bland & Altman 1995, BMJ 310:446; the partial
    one after Fisher 1924, Metron 3:329-332; the jackknife about the full estimate as in `jackknife_se`.
    """
    table = np.asarray(sums, dtype=np.float64)
    which, who = np.asarray(session), np.asarray(participant)
    telling = (table[:, 0] > 0) & (table[:, 1] > 0)
    method = "correlation inside sessions, pooled" + (", given the reference" if given else "")
    if not telling.any():
        return Estimate(value=None, low=None, high=None, method=method, n=0, why="nothing varies in any session")
    table = table[telling]
    clusters = choose_clusters(which[telling], who[telling])
    total = table.sum(axis=0)
    value = float(_correlation(total, given=given))
    method += f", clusters {clusters.scope}"
    if not math.isfinite(value):
        return Estimate(value=None, low=None, high=None, method=method, n=0, why="nothing varies beside the reference")
    if clusters.count < 3:
        why = f"fewer than three {'participants' if clusters.unit == 'participants' else 'sessions'}: no interval"
        return Estimate(value=value, low=None, high=None, method=method, n=clusters.count, why=why)
    parts = np.zeros((clusters.count, 6))
    np.add.at(parts, clusters.index, table)
    without = np.arctanh(np.clip(_correlation(total - parts, given=given), -0.999999, 0.999999))
    z = math.atanh(min(0.999999, max(-0.999999, value)))
    se = float(jackknife_se(z, without[np.isfinite(without)]))
    reach = t_quantile(0.5 + confidence / 2, effective_df(parts[:, 1])) * se
    return Estimate(value=value, low=math.tanh(z - reach), high=math.tanh(z + reach), method=method, n=clusters.count)


def _correlation(sums: F64, *, given: bool) -> F64:
    xx, yy, zz, xy, xz, yz = np.moveaxis(sums, -1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        if given:
            xx, yy, xy = xx - xz * xz / zz, yy - yz * yz / zz, xy - xz * yz / zz
        tiny = 1e-12 * np.abs(sums[..., 1])
        return np.where((xx > 0) & (yy > tiny), xy / np.sqrt(np.abs(xx * yy)), np.nan)
