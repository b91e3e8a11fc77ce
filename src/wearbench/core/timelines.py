"""What two devices did at the same time: stretches that both cover, cut where either changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Shared", "shared_pieces"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Shared:
    """Pieces of time, and which stretch of either timeline each belongs to; arrays of shape (m,)."""

    seconds: F64
    first: I64
    second: I64


def shared_pieces(first_start: F64, first_end: F64, second_start: F64, second_end: F64) -> Shared:
    """Cut time into pieces that lie in one stretch of either timeline.

    Parameters
    ----------
    first_start, first_end : float64 arrays, shape (n,)
        Stretches of one timeline, in order; one that runs into the next ends there.
    second_start, second_end : float64 arrays, shape (k,)
        Of the other.

    Returns
    -------
    Shared
    """
    edges = np.unique(np.concatenate([first_start, first_end, second_start, second_end]))
    middle, length = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
    at = [_inside(start, end, middle) for start, end in ((first_start, first_end), (second_start, second_end))]
    both = (at[0] >= 0) & (at[1] >= 0)
    return Shared(seconds=length[both], first=at[0][both], second=at[1][both])


def _inside(start: F64, end: F64, instant: F64) -> I64:
    """The last stretch that has begun, if it still lasts; else -1."""
    if not start.size:
        return np.full(instant.shape, -1, dtype=np.int64)
    at = np.searchsorted(start, instant, side="right") - 1
    found: I64 = np.where((at >= 0) & (instant < end[np.maximum(at, 0)]), at, -1)
    return found
