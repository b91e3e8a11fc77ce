"""Replicates of participants: their means, and what varies within participants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.errors import DataError

__all__ = ["Within", "participant_codes", "participant_parts"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Within:
    """A part of the variance within participants.

    ``mean_square`` is the one-way residual mean square with ``df`` degrees of freedom, 0 where no participant has two
    values; ``replicates`` is the harmonic mean h of how many values a participant has.
    """

    mean_square: float
    df: float
    replicates: float

    @property
    def weight(self) -> float:
        """1 - 1/h: the part that averaging the replicates took out of the variance of means."""
        return 1 - 1 / self.replicates


def participant_codes(participant: ArrayLike, size: int, one: str) -> tuple[I64, int]:
    """Codes of participants.

    Parameters
    ----------
    participant : array-like, shape (size,)
        Numbers or names.
    size : int
        How many values there are.
    one : str
        What a value is called.

    Returns
    -------
    tuple of int64 array, shape (size,), and int
        Code of each value, 0 to count - 1 in order of the names, and count.

    Raises
    ------
    DataError
        If the column does not match.
    """
    names = np.asarray(participant)
    if names.shape != (size,):
        raise DataError(f"expected one participant a {one}, got shape {names.shape} for {size}")
    unique, index = np.unique(names, return_inverse=True)
    return np.asarray(index, dtype=np.int64), unique.size


def participant_parts(value: F64, code: I64, count: int) -> tuple[F64, Within]:
    """Mean of each participant, and what varies within them.

    Parameters
    ----------
    value : float64 array, shape (n,)
    code : int64 array, shape (n,)
        0 to ``count - 1``, each at least once.
    count : int

    Returns
    -------
    tuple of float64 array, shape (count,), and Within
    """
    size = np.bincount(code, minlength=count).astype(np.float64)
    shifted = value - value[0]
    mean = np.bincount(code, weights=shifted, minlength=count) / size
    mean += np.bincount(code, weights=shifted - mean[code], minlength=count) / size
    df = value.size - count
    square = float(np.sum((shifted - mean[code]) ** 2)) / df if df > 0 else 0.0
    return value[0] + mean, Within(mean_square=square, df=float(df), replicates=count / float(np.sum(1 / size)))
