"""Rows of one file put in order of time, with what was done to them said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.formats.recording import Repair

__all__ = ["Ordered", "in_order"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

_FEW = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class Ordered:
    """Which rows to keep and in which order, and the repairs this amounts to; ``rows`` is None when all stay put."""

    rows: NDArray[np.intp] | None
    repairs: tuple[Repair, ...]


def in_order(
    time_ms: I64, columns: Sequence[F64], *, source_row: I64, file: str, beats: bool = False, word: str = "line"
) -> Ordered:
    """Sort rows by time, dropping rows that say the same thing twice.

    Parameters
    ----------
    time_ms : int64 array, shape (n,)
        In the order of the file.
    columns : sequence of float64 arrays, each of shape (n,)
        Rows are the same when the stamp and all of these are.
    source_row : int64 array, shape (n,)
        Numbers for messages.
    file : str
        Path for messages.
    beats : bool
        Rows are beats or samples: two equal neighbours within one second's stamp are two beats, not a copy.
    word : str
        What a row is called in this file (line, record, ...).

    Returns
    -------
    Ordered

    Notes
    -----
    The sort is stable. Equal rows that are neighbours in the file are copies only while shared stamps are rare; where
    more than a tenth of the rows share their neighbour's stamp the stamps are coarse, and nothing is dropped.
    """
    n = time_ms.size
    if n < 2:
        return Ordered(rows=None, repairs=())
    step = np.diff(time_ms)
    if bool((step > 0).all()):
        return Ordered(rows=None, repairs=())
    repairs: list[Repair] = []
    rows = np.arange(n)
    back = np.flatnonzero(step < 0)
    if back.size:
        rows = np.argsort(time_ms, kind="stable")
        first = int(source_row[back[0] + 1])
        late = int((time_ms < np.maximum.accumulate(time_ms)).sum())
        repairs.append(
            Repair(
                slug="out-of-order",
                said=f"{late} of {n} stamps are earlier than one before them, first at {word} {first}; sorted by time",
                file=file,
                line=first,
                count=late,
            )
        )
    shared_share = float((step == 0).mean())
    whole_seconds = bool((time_ms % 1000 == 0).all())
    drop_neighbours = shared_share <= _FEW and not (beats and whole_seconds)
    copies = _copies(time_ms, columns, rows, drop_neighbours=drop_neighbours)
    if copies.size:
        keep = np.ones(n, dtype=np.bool_)
        keep[copies] = False
        rows = rows[keep[rows]]
        first = int(source_row[copies.min()])
        repairs.append(
            Repair(
                slug="repeated-rows",
                said=f"{copies.size} of {n} rows repeat an earlier row exactly, first at {word} {first}; dropped",
                file=file,
                line=first,
                count=int(copies.size),
            )
        )
    shared = np.flatnonzero(np.diff(time_ms[rows]) == 0)
    if shared.size and not beats:
        first = int(source_row[rows[shared[0] + 1]])
        repairs.append(
            Repair(
                slug="same-stamp",
                said=f"{shared.size} of {rows.size} readings have the stamp of the reading before, first at {word} "
                f"{first}; kept in the order of the file",
                file=file,
                line=first,
                count=int(shared.size),
            )
        )
    unchanged = rows.size == n and not back.size
    return Ordered(rows=None if unchanged else rows, repairs=tuple(repairs))


def _copies(time_ms: I64, columns: Sequence[F64], rows: NDArray[np.intp], *, drop_neighbours: bool) -> NDArray[np.intp]:
    """Rows of the file that repeat an earlier row."""
    same = np.diff(time_ms[rows]) == 0
    crowded: NDArray[np.intp] = rows[np.append(False, same) | np.append(same, False)]
    if crowded.size == 0:
        return crowded
    order = np.lexsort((crowded, *(column[crowded] for column in columns), time_ms[crowded]))
    crowded = crowded[order]
    equal = np.diff(time_ms[crowded]) == 0
    for column in columns:
        here = column[crowded]
        equal &= (here[1:] == here[:-1]) | (np.isnan(here[1:]) & np.isnan(here[:-1]))
    if not drop_neighbours:
        equal &= np.diff(crowded) != 1
    found: NDArray[np.intp] = crowded[1:][equal]
    return found
