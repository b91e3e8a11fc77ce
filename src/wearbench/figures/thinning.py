"""Fewer points, the same picture: the smallest and largest value of each column of pixels, cut at gaps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["column_extremes", "thin"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


def thin(x: F64, value: F64, *, column: float, piece: I64 | None = None) -> I64:
    """Indices of the points worth drawing, in order.

    Parameters
    ----------
    x : float64 array, shape (n,)
        Non-decreasing places across, in pixels.
    value : float64 array, shape (n,)
        Without NaN.
    column : float
        Width of a column in pixels.
    piece : int64 array, shape (n,), optional
        Number of the unbroken piece each point belongs to; first and last of each piece are kept.

    Returns
    -------
    int64 array
        First, smallest, largest and last point of each column of each piece.
    """
    n = x.size
    if n < 3:
        return np.arange(n)
    number = np.zeros(n, dtype=np.int64) if piece is None else piece
    cell = np.floor(x / column).astype(np.int64)
    fresh = np.flatnonzero(np.concatenate([[True], (np.diff(cell) != 0) | (np.diff(number) != 0)]))
    group = np.zeros(n, dtype=np.int64)
    group[fresh[1:]] = 1
    group = np.cumsum(group)
    order = np.lexsort((value, group))
    ends = np.append(fresh[1:], n) - 1
    keep = np.unique(np.concatenate([fresh, ends, order[fresh], order[ends]]))
    return keep.astype(np.int64)


def column_extremes(x: F64, value: F64, *, column: float, piece: I64) -> tuple[F64, F64, F64, I64]:
    """Middle, smallest and largest value of each column of each piece.

    Parameters
    ----------
    x, value : float64 arrays, shape (n,)
        As in :func:`thin`; n >= 1.
    column : float
    piece : int64 array, shape (n,)

    Returns
    -------
    tuple
        ``x`` (mean place), ``low``, ``high`` and the number of the piece, one entry a column.
    """
    cell = np.floor(x / column).astype(np.int64)
    fresh = np.flatnonzero(np.concatenate([[True], (np.diff(cell) != 0) | (np.diff(piece) != 0)]))
    count = np.diff(np.append(fresh, x.size))
    middle = np.add.reduceat(x, fresh) / count
    return middle, np.minimum.reduceat(value, fresh), np.maximum.reduceat(value, fresh), piece[fresh]
