"""Confusion matrices of paired categories: codes or labels in, counts out, one matrix a cluster."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.errors import CannotTell, DataError

__all__ = ["Confusion", "checked_counts", "confusion", "confusion_by", "label_texts"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Confusion:
    """Counts of pairs by category, and what the categories are called.

    ``counts`` has shape (q, q): rows are the reference's categories, columns the tested device's, both in the order of
    ``labels``.
    """

    labels: tuple[str, ...]
    counts: I64

    @property
    def n(self) -> int:
        """Pairs."""
        return int(self.counts.sum())

    @property
    def shares(self) -> F64:
        """Each row as shares of the reference's category; NaN where the reference never has it. Shape (q, q)."""
        rows = self.counts.sum(axis=1, keepdims=True).astype(np.float64)
        return np.asarray(self.counts / np.where(rows > 0, rows, np.nan))


def confusion(tested: ArrayLike, reference: ArrayLike, *, labels: Sequence[Any] | None = None) -> Confusion:
    """Confusion matrix of paired categories.

    Parameters
    ----------
    tested, reference : array-like of whole numbers or text, shape (n,)
        Categories of the same windows (epochs).
    labels : sequence or None
        The categories in their order (which matters for weighted kappa); by default those that occur, ascending.

    Returns
    -------
    Confusion

    Raises
    ------
    DataError
        If the columns do not match, hold something missing, or hold a category that ``labels`` does not name.
    CannotTell
        If there are no pairs.
    """
    names, counts = _counted(tested, reference, None, labels)
    return Confusion(labels=label_texts(names), counts=counts[0])


def confusion_by(
    tested: ArrayLike, reference: ArrayLike, group: ArrayLike, *, labels: Sequence[Any] | None = None
) -> tuple[tuple[str, ...], I64]:
    """Confusion matrices of each group of pairs (a night, a session, a participant).

    Parameters
    ----------
    tested, reference, labels
        As in `confusion`.
    group : array-like, shape (n,)
        Name or code of each pair's group.

    Returns
    -------
    labels : tuple of str
    counts : int64 array, shape (k, q, q)
        In ascending order of the groups.

    Raises
    ------
    DataError, CannotTell
        As `confusion`, or if the groups do not match.
    """
    names, counts = _counted(tested, reference, np.asarray(group), labels)
    return label_texts(names), counts


def _counted(
    tested: ArrayLike, reference: ArrayLike, group: NDArray[Any] | None, labels: Sequence[Any] | None
) -> tuple[list[Any], I64]:
    a, b = _column(tested, "tested"), _column(reference, "reference")
    if a.shape != b.shape:
        raise DataError(f"expected a tested and a reference category a pair, got {a.size} and {b.size}")
    if group is not None and group.shape != a.shape:
        raise DataError(f"expected one group a pair, got shape {group.shape} for {a.size} pairs")
    if a.size == 0:
        raise CannotTell("a confusion matrix needs pairs, there are none")
    if (a.dtype.kind == "U") != (b.dtype.kind == "U"):
        raise DataError("expected codes in both columns or labels in both, got one of each")
    names = np.unique(np.concatenate([a, b])).tolist() if labels is None else list(labels)
    if len(set(names)) < len(names):
        raise DataError(f"expected each label once, got {', '.join(label_texts(names))}")
    place = {name: i for i, name in enumerate(names)}
    at = [_places(column, place, name) for column, name in ((a, "tested"), (b, "reference"))]
    q = len(names)
    which, k = np.zeros(a.size, dtype=np.int64), 1
    if group is not None:
        groups, which = np.unique(group, return_inverse=True)
        k = groups.size
    counts = np.bincount((which * q + at[1]) * q + at[0], minlength=k * q * q)
    return names, counts.reshape(k, q, q).astype(np.int64)


def _column(values: ArrayLike, name: str) -> NDArray[Any]:
    column = np.asarray(values)
    if column.ndim != 1:
        raise DataError(f"expected one column of {name} categories, got shape {column.shape}")
    if column.size == 0:
        return column.astype(np.int64)
    missing = _missing(column)
    if bool(missing.any()):
        raise DataError(
            f"expected a category in every pair, {int(missing.sum())} of {column.size} {name} ones are missing or "
            f"infinite, the first in row {int(np.argmax(missing))}; leave such pairs out and count them"
        )
    if column.dtype.kind == "O":
        texts = [isinstance(v, str) for v in column]
        column = np.array(column.tolist(), dtype=np.str_) if all(texts) else column.astype(np.float64)
    if column.dtype.kind == "f":
        broken = column != np.round(column)
        if bool(broken.any()):
            at = int(np.argmax(broken))
            raise DataError(f"expected whole codes, got {column[at]:g} in row {at} of the {name} column")
    if column.dtype.kind not in "biufU":
        raise DataError(f"expected whole codes or labels in the {name} column, got {column.dtype}")
    return column if column.dtype.kind == "U" else column.astype(np.int64)


def _missing(column: NDArray[Any]) -> NDArray[np.bool_]:
    if column.dtype.kind == "f":
        return np.asarray(~np.isfinite(column))
    if column.dtype.kind == "U":
        return np.asarray(column == "")
    if column.dtype.kind == "O":
        return np.array([v is None or v == "" or v != v or v in (np.inf, -np.inf) for v in column], dtype=np.bool_)
    return np.zeros(column.shape, dtype=np.bool_)


def _places(column: NDArray[Any], place: dict[Any, int], name: str) -> I64:
    found, index = np.unique(column, return_inverse=True)
    for value in found.tolist():
        if value not in place:
            known = ", ".join(label_texts(list(place)))
            raise DataError(f"expected one of the labels {known}, got {value!r} in the {name} column")
    return np.array([place[value] for value in found.tolist()], dtype=np.int64)[index]


def label_texts(names: Sequence[Any]) -> tuple[str, ...]:
    """Labels as text.

    Parameters
    ----------
    names : sequence

    Returns
    -------
    tuple of str
    """
    return tuple(str(name) for name in names)


def checked_counts(counts: ArrayLike, *, least: int = 1) -> F64:
    """A confusion matrix as floats, or a message what is wrong with it.

    Parameters
    ----------
    counts : array-like, shape (q, q)
        Rows reference, columns tested.
    least : int
        Categories needed.

    Returns
    -------
    float64 array, shape (q, q)

    Raises
    ------
    DataError
        If it is not square, or holds what is no count.
    CannotTell
        If there are no pairs, or fewer categories than needed.
    """
    table = np.asarray(counts, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or table.shape[0] == 0:
        raise DataError(f"expected a square matrix of counts, got shape {table.shape}")
    if not bool(np.all(np.isfinite(table) & (table >= 0))):
        raise DataError("expected counts of 0 or more, got a negative, missing or infinite one")
    if not table.sum() > 0:
        raise CannotTell("agreement of categories needs pairs, there are none")
    if table.shape[0] < least:
        raise CannotTell(f"agreement of categories needs {least} categories, there is {table.shape[0]}")
    return table
