"""Rows of one file put in order of time, with what was done to them said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.formats.recording import Repair

__all__ = ["Ordered", "in_order"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
Places = NDArray[np.intp]

_FEW: Final = 0.1
_BLOCK_STEP_MS: Final = 10_000
_MOST_BLOCKS: Final = 200
_FEWEST_INSIDE: Final = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class Ordered:
    """Which rows to keep and in which order, their times, and the repairs this amounts to.

    ``rows`` is None when all stay where they are; ``time_ms`` has the times of the rows as ordered.
    """

    rows: Places | None
    time_ms: I64
    repairs: tuple[Repair, ...]


def in_order(
    time_ms: I64,
    columns: Sequence[F64],
    *,
    source_row: I64,
    file: str,
    beats: bool = False,
    sampled: bool = False,
    word: str = "line",
) -> Ordered:
    """Put rows in order of time, dropping rows that say the same thing twice.

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
        Rows are intervals between beats, which follow one another as recorded whatever their stamps say: only whole
        blocks of rows change places.
    sampled : bool
        Rows are samples of a signal; samples that share a stamp are no news.
    word : str
        What a row is called in this file (line, record, ...).

    Returns
    -------
    Ordered

    Notes
    -----
    A block begins where the stamps step back by more than 10 s and five usual steps. A block that goes on from the row
    before but for whole quarter hours, or that runs over time already covered, with other readings, was recorded after
    the clock had been set back: it and what follows are moved to go on from the row before. Other blocks are sorted.
    Equal rows that are neighbours in the file are copies only while shared stamps are rare; where more than a tenth of
    the rows share their neighbour's stamp the stamps are coarse, and nothing is dropped.
    """
    n = time_ms.size
    step = np.diff(time_ms)
    if n < 2 or bool((step > 0).all()):
        return Ordered(rows=None, time_ms=time_ms, repairs=())
    repairs: list[Repair] = []
    blocks = _blocks(step)
    if blocks.size > 1:
        time_ms, repairs = _without_set_backs(
            time_ms, columns, blocks, usual=_usual(step), source_row=source_row, file=file, word=word
        )
        step = np.diff(time_ms)
    rows = np.argsort(time_ms, kind="stable")
    neighbours = not sampled and _neighbours_may_be_copies(time_ms, step, beats=beats)
    copies = _copies(time_ms, columns, rows, drop_neighbours=neighbours, beats=beats)
    if (step < 0).any():
        repairs.append(_out_of_order(time_ms, step, source_row, file=file, word=word, sorted_by_time=not beats))
        if beats:
            rows = _by_blocks(time_ms, blocks)
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
    if shared.size and not beats and not sampled:
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
    return Ordered(rows=rows, time_ms=time_ms[rows], repairs=tuple(repairs))


def _usual(step: I64) -> float:
    forward = step[step > 0]
    return float(np.median(forward)) if forward.size else 1000.0


def _blocks(step: I64) -> Places:
    """First row of each block."""
    edge = -max(float(_BLOCK_STEP_MS), 5 * _usual(step))
    return np.append(0, np.flatnonzero(step < edge) + 1)


def _neighbours_may_be_copies(time_ms: I64, step: I64, *, beats: bool) -> bool:
    whole_seconds = bool((time_ms % 1000 == 0).all())
    return float((step == 0).mean()) <= _FEW and not (beats and whole_seconds)


def _out_of_order(time_ms: I64, step: I64, source_row: I64, *, file: str, word: str, sorted_by_time: bool) -> Repair:
    first = int(source_row[np.flatnonzero(step < 0)[0] + 1])
    late = int((time_ms < np.maximum.accumulate(time_ms)).sum())
    fate = "sorted by time" if sorted_by_time else "intervals kept in the order recorded"
    return Repair(
        slug="out-of-order",
        said=f"{late} of {time_ms.size} stamps are earlier than one before them, first at {word} {first}; {fate}",
        file=file,
        line=first,
        count=late,
    )


def _by_blocks(time_ms: I64, blocks: Places) -> Places:
    """Rows with whole blocks in order of their first stamps."""
    order = np.argsort(time_ms[blocks], kind="stable")
    parts = np.split(np.arange(time_ms.size), blocks[1:])
    return np.concatenate([parts[i] for i in order])


def _without_set_backs(
    time_ms: I64,
    columns: Sequence[F64],
    blocks: Places,
    *,
    usual: float,
    source_row: I64,
    file: str,
    word: str,
) -> tuple[I64, list[Repair]]:
    """Times with blocks that follow a clock set back moved on to the row before."""
    if blocks.size > _MOST_BLOCKS:
        return time_ms, []
    time = time_ms.copy()
    repairs = []
    stops = np.append(blocks[1:], time.size)
    for start, stop in zip(blocks[1:].tolist(), stops[1:].tolist(), strict=True):
        back = int(time[start - 1] - time[start])
        by_zone = _quarter_hours(back, usual=usual)
        if not by_zone and not _runs_over(time, columns, start, stop, usual=usual):
            continue
        time[start:] += by_zone or back + round(usual)
        line = int(source_row[start])
        why = f"as a clock set back by {by_zone // 60_000} min" if by_zone else "as a clock that was set back"
        over = " and run over time already covered" if not by_zone else ""
        repairs.append(
            Repair(
                slug="clock-set-back",
                said=f"the stamps step back by {back / 1000:g} s at {word} {line}{over}; read {why}, "
                "going on from the row before",
                file=file,
                line=line,
                count=int(time.size - start),
            )
        )
    return time, repairs


def _quarter_hours(back_ms: int, *, usual: float) -> int:
    """Whole quarter hours that a clock was set back by, in ms; 0 unless rows then go on without a pause."""
    quarter = 900_000
    whole = round((back_ms + usual) / quarter) * quarter
    slack = max(5 * usual, 2_000.0)
    fits = 0 < whole <= 14 * 3_600_000 and -slack <= whole - back_ms - usual <= slack and usual < 120_000
    return whole if fits else 0


def _runs_over(time: I64, columns: Sequence[F64], start: int, stop: int, *, usual: float) -> bool:
    """Whether a block lies over time that earlier rows cover, and is no copy of them."""
    order = np.argsort(time[:start], kind="stable")
    earlier, block = time[:start][order], time[start:stop]
    after = np.searchsorted(earlier, block)
    before = np.maximum(after - 1, 0)
    after = np.minimum(after, start - 1)
    inside = (earlier[before] <= block) & (block <= earlier[after]) & (earlier[after] - earlier[before] <= 5 * usual)
    if int(inside.sum()) < _FEWEST_INSIDE or float(inside.mean()) <= 2 * _FEW:
        return False
    same = earlier[after] == block
    for column in columns:
        ours, theirs = column[start:stop], column[:start][order][after]
        same &= (ours == theirs) | (np.isnan(ours) & np.isnan(theirs))
    return float(same[inside].mean()) < 0.5


def _copies(time_ms: I64, columns: Sequence[F64], rows: Places, *, drop_neighbours: bool, beats: bool) -> Places:
    """Rows of the file that repeat an earlier row.

    Beats that came in one packet share a stamp, and two of them may well be equal: they are copies only where the
    stamp stands in the file a second time.
    """
    same = np.diff(time_ms[rows]) == 0
    crowded: Places = rows[np.append(False, same) | np.append(same, False)]
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
    if beats:
        packet = np.append(0, np.cumsum(np.diff(time_ms) != 0))
        equal &= np.diff(packet[crowded]) != 0
    found: Places = crowded[1:][equal]
    return found
