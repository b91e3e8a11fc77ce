"""Differences of each participant, session and activity as three numbers: what a mixed model needs of the pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.sums import CHUNK, SUM_NAMES, paired
from wearbench.errors import DataError

__all__ = ["Cells", "cells_of_pairs", "cells_of_sums"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

LARGEST: Final = 1e150
"""Differences whose squares still fit a 64-bit number."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Cells:
    """Count, mean and sum of squares about the mean of the differences of each cell.

    A cell is one activity in one session of one participant; arrays have shape (cells,), sorted by participant,
    session, activity. ``session`` counts over all participants: the third session of two people are two sessions.
    Where no sessions were given each participant has one, where no activities were given there is one without a name;
    ``given`` names what was.
    """

    participant: I64
    session: I64
    activity: I64
    n: F64
    mean: F64
    m2: F64
    participant_names: tuple[str, ...]
    activity_names: tuple[str, ...]
    given: tuple[str, ...]

    @property
    def n_pairs(self) -> int:
        """Pairs in all cells."""
        return int(self.n.sum())

    def without(self, participant: int) -> Cells:
        """Cells of all participants but one, given by its code."""
        keep = self.participant != participant
        return _cells(
            [self.participant[keep], self.session[keep], self.activity[keep]],
            self.n[keep],
            self.mean[keep],
            self.m2[keep],
            names=(self.participant_names, self.activity_names),
            given=self.given,
        )


def _cells(
    codes: list[I64],
    n: F64,
    mean: F64,
    m2: F64,
    *,
    names: tuple[tuple[str, ...], tuple[str, ...]],
    given: tuple[str, ...],
) -> Cells:
    """Join rows of one cell, sort, and count participants, sessions and activities from 0."""
    who, who_index = np.unique(codes[0], return_inverse=True)
    what, what_index = np.unique(codes[2], return_inverse=True)
    _, which = np.unique(np.stack([codes[0], codes[1]]), axis=1, return_inverse=True)
    which = which.reshape(-1)
    cell, index = np.unique(which * max(1, what.size) + what_index, return_inverse=True)
    size = np.bincount(index, weights=n, minlength=cell.size)
    # means about one pilot value, so that the size of the values costs no digits
    pilot = float(mean[0]) if mean.size else 0.0
    middle = np.bincount(index, weights=n * (mean - pilot), minlength=cell.size) / np.where(size > 0, size, 1.0)
    away = mean - pilot - middle[index]
    square = np.bincount(index, weights=m2 + n * away**2, minlength=cell.size)
    first = np.full(cell.size, index.size, dtype=np.int64)
    np.minimum.at(first, index, np.arange(index.size))
    return Cells(
        participant=np.asarray(who_index[first], dtype=np.int64),
        session=np.asarray(which[first], dtype=np.int64),
        activity=np.asarray(what_index[first], dtype=np.int64),
        n=np.asarray(size, dtype=np.float64),
        mean=np.asarray(pilot + middle, dtype=np.float64),
        m2=np.asarray(square, dtype=np.float64),
        participant_names=tuple(names[0][code] for code in who),
        activity_names=tuple(names[1][code] for code in what),
        given=given,
    )


def _given(session: ArrayLike | None, activity: ArrayLike | None) -> tuple[str, ...]:
    asked = (("participant", True), ("session", session is not None), ("activity", activity is not None))
    return tuple(name for name, there in asked if there)


def _labels(label: ArrayLike | None, size: int, what: str) -> NDArray[np.generic]:
    if label is None:
        return np.zeros(size, dtype=np.int64)
    names = np.asarray(label)
    if names.shape != (size,):
        raise DataError(f"expected one {what} a row, got shape {names.shape} for {size} rows")
    empty = names != names if names.dtype.kind in "fO" else np.zeros(0, dtype=bool)
    if bool(np.any(empty)):
        raise DataError(f"expected one {what} a row, got NaN in row {int(np.argmax(empty))}; leave it out before")
    return names.astype(str) if names.dtype.kind == "O" else names


def _coded(labels: NDArray[np.generic]) -> tuple[I64, tuple[str, ...]]:
    unique, index = np.unique(labels, return_inverse=True)
    return np.asarray(index, dtype=np.int64), tuple(str(name) for name in unique)


def _run_sums(first: F64, second: F64, start: I64, n: F64) -> tuple[F64, F64]:
    """Mean and sum of squares about it of each run of differences, a piece that stays in the cache at a time."""
    size, count = first.size, start.size
    mean, m2 = np.zeros(count), np.zeros(count)
    if count == 0:
        return mean, m2
    some = start[:: 1 + count // 64]
    edges = np.unique(np.append(np.searchsorted(start, np.arange(0, size, CHUNK)), count)).tolist()
    ends = [*start[edges[:-1]].tolist(), size]
    spare = np.empty(int(np.max(np.diff(ends))))
    with np.errstate(over="ignore", invalid="ignore"):
        pilot = float(np.median(first[some] - second[some]))
        for a, b, low, high in zip(edges, edges[1:], ends, ends[1:], strict=False):
            piece, at = spare[: high - low], start[a:b] - low
            np.subtract(first[low:high], second[low:high], out=piece)
            piece -= pilot
            middle = np.add.reduceat(piece, at) / n[a:b]
            raw = np.add.reduceat(np.multiply(piece, piece, out=piece), at)
            if not (abs(pilot) < LARGEST and bool(np.all(raw < LARGEST**2))):
                raise DataError(f"expected differences below {LARGEST:g} in size, got one beyond; give another unit")
            square = raw - n[a:b] * middle * middle
            if bool(np.any(square < 1e-4 * raw)):  # a mean far from the pilot cost digits: again, about each mean
                np.subtract(first[low:high], second[low:high], out=piece)
                piece -= pilot
                piece -= np.repeat(middle, n[a:b].astype(np.int64))
                left = np.add.reduceat(piece, at)
                square = np.maximum(np.add.reduceat(piece * piece, at) - left * left / n[a:b], 0.0)
                middle = middle + left / n[a:b]
            mean[a:b], m2[a:b] = pilot + middle, square
    return mean, m2


def cells_of_pairs(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    participant: ArrayLike,
    session: ArrayLike | None = None,
    activity: ArrayLike | None = None,
) -> Cells:
    """Cells of the differences of paired values, in one pass.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant, session, activity : array-like, shape (n,)
        Whose each pair is, in which session of that participant, during what: numbers or names.

    Returns
    -------
    Cells
        Of D = tested - reference. Fastest where the pairs of a cell follow each other, as in a recording.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or differences of 1e150 and more.
    """
    first, second = paired(tested, reference)
    size = first.size
    given = _given(session, activity)
    labels = [
        _labels(label, size, what)
        for label, what in ((participant, "participant"), (session, "session"), (activity, "activity"))
    ]
    change = np.zeros(size, dtype=bool)
    change[:1] = True
    for label, name in zip(labels, ("participant", "session", "activity"), strict=True):
        if name in given:
            change[1:] |= np.asarray(label[1:] != label[:-1], dtype=bool)
    start = np.flatnonzero(change)
    (who, who_names), (which, _), (what, what_names) = (_coded(label[start]) for label in labels)
    n = np.diff(np.append(start, size)).astype(np.float64)
    mean, m2 = _run_sums(first, second, start, n)
    names = (who_names, what_names if activity is not None else ("",))
    return _cells([who, which, what], n, mean, m2, names=names, given=given)


def cells_of_sums(
    sums: ArrayLike,
    *,
    participant: ArrayLike,
    session: ArrayLike | None = None,
    activity: ArrayLike | None = None,
) -> Cells:
    """Cells from rows of sums, without the pairs.

    Parameters
    ----------
    sums : array-like, shape (k, len(SUM_NAMES))
        As `grouped_sums` gives them, one row each for a participant, session and activity, or finer.
    participant, session, activity : array-like, shape (k,)
        Of each row: numbers or names.

    Returns
    -------
    Cells
        Rows without pairs are left out, rows of one cell joined.

    Raises
    ------
    DataError
        If the rows are not rows of sums, or the columns do not match.
    """
    rows = np.asarray(sums, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != len(SUM_NAMES):
        raise DataError(f"expected rows of {len(SUM_NAMES)} sums, got shape {rows.shape}")
    column = {name: rows[:, place] for place, name in enumerate(SUM_NAMES)}
    keep = column["n"] > 0
    wanted = np.stack([column["n"], column["mean_difference"], column["m2_difference"]])[:, keep]
    if not bool(np.all(np.isfinite(wanted))):
        raise DataError("expected finite sums, got NaN or infinity; leave such pairs out before summing")
    (who, who_names), (which, _), (what, what_names) = (
        _coded(_labels(label, rows.shape[0], name)[keep])
        for label, name in ((participant, "participant"), (session, "session"), (activity, "activity"))
    )
    names = (who_names, what_names if activity is not None else ("",))
    return _cells([who, which, what], *wanted, names=names, given=_given(session, activity))
