"""Checked columns of pairs with the independent unit of each, and the words for what an interval rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.moments import Centre, Moments, cluster_moments
from wearbench.core.agreement.replicates import participant_codes
from wearbench.core.agreement.sums import grouped_sums, merge_sums, paired
from wearbench.core.clusters import effective_df
from wearbench.errors import CannotTell, DataError

__all__ = ["Columns", "columns", "rectangle", "too_few"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

LARGEST: Final = 1e70
"""Values above this would overflow where they are multiplied four times."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Columns:
    """Pairs, the code of each pair's independent unit (0 to ``count - 1``), and how many pairs each unit has."""

    tested: F64
    reference: F64
    code: I64
    count: int
    clustered: bool

    @property
    def size(self) -> F64:
        """Pairs of each unit, shape (count,)."""
        return np.bincount(self.code, minlength=self.count).astype(np.float64)

    @property
    def df(self) -> float:
        """Degrees of freedom of a jackknifed mean over the units."""
        return effective_df(self.size) if self.count > 1 else 0.0

    @property
    def unit(self) -> str:
        """What a unit is called, in the plural."""
        return "participants" if self.clustered else "pairs"

    @property
    def scope(self) -> str:
        """What an interval rests on, in words."""
        return f"{self.count} participants" if self.clustered else f"{self.count} pairs taken as independent"

    def moments(self, *, tolerance: float | None = None) -> Moments:
        """Moments of each unit."""
        sums = grouped_sums(self.tested, self.reference, group=self.code, count=self.count, tolerance=tolerance)
        whole = merge_sums(sums)[0]
        centre = Centre(reference=float(whole[1]), tested=float(whole[2]), difference=float(whole[3]))
        return cluster_moments(sums, centre)

    def means(self) -> tuple[F64, F64]:
        """Mean of each unit's tested and reference values, shapes (count,)."""
        out = []
        for values in (self.tested, self.reference):
            away = np.bincount(self.code, weights=values - values[0], minlength=self.count)
            out.append(values[0] + away / self.size)
        return out[0], out[1]


def columns(tested: ArrayLike, reference: ArrayLike, *, participant: ArrayLike | None, what: str) -> Columns:
    """Check two columns of pairs and whose they are.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
    participant : array-like, shape (n,), or None
        None takes every pair as a unit of its own.
    what : str
        What needs the pairs, to begin a message with.

    Returns
    -------
    Columns

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or values too large to be multiplied.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    if first.size == 0:
        raise CannotTell(f"{what} needs pairs, there are none")
    for name, values in (("tested", first), ("reference", second)):
        _check_size(values, name)
    if participant is None:
        code, count = np.arange(first.size, dtype=np.int64), first.size
    else:
        code, count = participant_codes(participant, first.size, "pair")
    return Columns(tested=first, reference=second, code=code, count=count, clustered=participant is not None)


def rectangle(values: ArrayLike, *, name: str, rows: str, across: str, least: int, what: str) -> F64:
    """Check a table of values with nothing missing.

    Parameters
    ----------
    values : array-like, shape (n, k)
    name, rows, across : str
        What the table, its rows and its columns are called.
    least : int
        Columns it needs.
    what : str
        What needs the table, to begin a message with.

    Returns
    -------
    float64 array, shape (n, k)

    Raises
    ------
    DataError
        If it is no table, or holds NaN, infinity, or values too large to be multiplied.
    CannotTell
        If it has fewer than two rows, or fewer columns than needed.
    """
    table = np.asarray(values, dtype=np.float64)
    if table.ndim != 2:
        raise DataError(f"expected {name} values as a table of {rows} by {across}, got shape {table.shape}")
    bad = ~np.isfinite(table)
    if bool(bad.any()):
        at = np.argwhere(bad)[0]
        raise DataError(
            f"expected finite values, got {int(bad.sum())} of {table.size} {name} values NaN or infinity, the first at "
            f"row {at[0]}, column {at[1]}; leave out those {rows} before"
        )
    _check_size(table.ravel(), name)
    if table.shape[0] < 2 or table.shape[1] < least:
        raise CannotTell(f"{what} needs 2 {rows} and {least} {across}, there are {table.shape[0]} and {table.shape[1]}")
    return table


def _check_size(values: F64, name: str) -> None:
    wrong = ~(np.abs(values) < LARGEST)
    if bool(wrong.any()):
        at = int(np.argmax(wrong))
        raise DataError(
            f"expected values below {LARGEST:g} in size, got {values[at]} in {name} at position {at}; use another unit"
        )


def too_few(count: int, *, least: int, unit: str) -> str | None:
    """Say that there are too few units for an interval.

    Parameters
    ----------
    count, least : int
    unit : str
        In the plural.

    Returns
    -------
    str or None
        None where there are enough.
    """
    if count >= least:
        return None
    return f"an interval needs {least} {unit}, there {'is 1' if count == 1 else f'are {count}'}"
