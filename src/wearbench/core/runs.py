"""Unbroken runs of one label."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Runs", "columns_of", "runs_of"]

I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Runs:
    """Unbroken runs of one label: first and one-past-last index, and the label; arrays of shape (m,)."""

    first: I64
    stop: I64
    label: I64


def runs_of(label: NDArray[np.integer]) -> Runs:
    """Split labels into unbroken runs.

    Parameters
    ----------
    label : integer array, shape (n,)

    Returns
    -------
    Runs
    """
    if label.size == 0:
        empty = np.zeros(0, dtype=np.int64)
        return Runs(first=empty, stop=empty, label=empty)
    edge = np.flatnonzero(np.diff(label)) + 1
    first = np.concatenate([[0], edge]).astype(np.int64)
    stop = np.concatenate([edge, [label.size]]).astype(np.int64)
    return Runs(first=first, stop=stop, label=label[first].astype(np.int64))


def columns_of(runs: Runs) -> tuple[list[int], list[int], list[int]]:
    """First, stop and label of each run as lists, for a loop.

    Parameters
    ----------
    runs : Runs

    Returns
    -------
    tuple of list of int
    """
    return runs.first.tolist(), runs.stop.tolist(), runs.label.tolist()
