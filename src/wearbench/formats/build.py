"""Recordings out of the columns of one file: units, order, intervals and signals, with every repair said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.headings import unit_of
from wearbench.formats.order import in_order
from wearbench.formats.recording import Intervals, ReadContext, Readings, Repair, Segment, Signal
from wearbench.formats.stamps import CLOCK
from wearbench.formats.tableplan import WINDOW, ValueColumn
from wearbench.formats.times import settle

__all__ = ["Column", "build", "plain_column", "rr_factor", "settle_and_build", "too_many"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

_HALF_DAY_MS = 43_200_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """One column of values of a whole file, shape (n,), still in the file's unit."""

    plan: ValueColumn
    value: F64


def plain_column(quantity: str, value: F64, *, factor: float = 1.0) -> Column:
    """Column of a file whose format says what it is."""
    plan = ValueColumn(index=0, heading=quantity, quantity=quantity, unit=unit_of(quantity), factor=factor)
    return Column(plan=plan, value=value)


def too_many(context: ReadContext) -> FormatError:
    """Error for a recording with more readings than the setting allows."""
    most = f"{context.max_readings:,}"
    if context.keep_ms is None:
        text = (
            f"holds more than {most} readings, the most that one recording of one session may hold (max_readings); "
            "give the session's start and end in sessions.csv so that only that stretch is read"
        )
    else:
        text = (
            f"holds more than {most} readings between the session's start and end, the most that one recording may "
            "hold (max_readings); make the session shorter or raise max_readings"
        )
    return FormatError(text, slug="too-many-readings", file=context.shown)


def rr_factor(value: F64, context: ReadContext, *, heading: str, said: float | None) -> tuple[float, Repair | None]:
    """Factor from the numbers of an RR column to ms, by the heading's unit where it fits, else by their size.

    Parameters
    ----------
    value : float64 array, shape (n,)
    context : ReadContext
    heading : str
    said : float or None
        Factor that the heading or the layout names.

    Returns
    -------
    factor : float
    repair : Repair or None

    Raises
    ------
    FormatError
        If the numbers are too large for seconds and too small for milliseconds.
    """
    usable = value[np.isfinite(value) & (value > 0)]
    middle = float(np.median(usable)) if usable.size else 800.0
    fits = [factor for factor in (1.0, 1000.0) if 200.0 <= middle * factor <= 3000.0]
    if said is not None and (200.0 <= middle * said <= 3000.0 or not fits):
        return said, None
    if not fits:
        raise FormatError(
            f"expected RR intervals in milliseconds (200 to 3000) or seconds (0.2 to 3), got '{heading}' with the "
            f"middle value {middle:g}; say what the column is in a layout",
            slug="rr-unit",
            file=context.shown,
            value=f"{middle:g}",
        )
    if said is None:
        return fits[0], None
    names = {1.0: "milliseconds", 1000.0: "seconds"}
    return fits[0], Repair(
        slug="unit-by-size",
        said=f"the heading '{heading}' says one unit is {said:g} ms, but its middle value is {middle:g}; read as "
        f"{names[fits[0]]}",
        file=context.shown,
    )


def settle_and_build(
    columns: Sequence[Column],
    *,
    ms: I64,
    state: U8,
    source_row: I64,
    context: ReadContext,
    placed: bool = False,
    start_known: bool = True,
    word: str = "line",
) -> tuple[list[Readings | Intervals | Signal], list[Repair]]:
    """Make recordings of parsed stamps and the columns beside them.

    Parameters
    ----------
    columns : sequence of Column
    ms, state : arrays, shape (n,)
        Parsed stamps in the order of the file, without BAD rows (see :mod:`wearbench.formats.stamps`).
    source_row : int64 array, shape (n,)
    context : ReadContext
    placed : bool
        ``ms`` already counts from where it should; nothing is to be settled.
    start_known : bool
        Whether placed times are on the calendar.
    word : str
        What a row is called in messages.

    Returns
    -------
    recordings : list
    repairs : list of Repair

    Raises
    ------
    FormatError
        If local stamps lack a zone, or no column holds a number.
    """
    repairs: list[Repair] = []
    step = np.diff(ms)
    back = (step < 0) & ~((state[1:] == CLOCK) & (step < -_HALF_DAY_MS))  # midnight is no step back
    if int(back.sum()) > int((step > 0).sum()):
        ms, state, source_row = ms[::-1].copy(), state[::-1].copy(), source_row[::-1].copy()
        columns = [Column(plan=column.plan, value=column.value[::-1].copy()) for column in columns]
        repairs.append(
            Repair(
                slug="newest-first",
                said=f"{ms.size} rows stand with the newest first; turned round",
                file=context.shown,
                count=int(ms.size),
            )
        )
    if not placed:
        settled = settle(ms, state, source_row=source_row, context=context, word=word)
        ms, start_known = settled.time_ms, settled.start_known
        repairs.extend(settled.repairs)
    recordings, more = build(
        columns, time_ms=ms, source_row=source_row, start_known=start_known, context=context, word=word
    )
    if not recordings and more:
        raise FormatError(
            "expected numbers in the columns "
            + ", ".join(f"'{column.plan.heading}'" for column in columns)
            + f", got none in {ms.size} rows; export the recording again or name the right columns in a layout",
            slug="no-numbers",
            file=context.shown,
        )
    return recordings, [*repairs, *more]


def build(
    columns: Sequence[Column],
    *,
    time_ms: I64,
    source_row: I64,
    start_known: bool,
    context: ReadContext,
    word: str = "line",
) -> tuple[list[Readings | Intervals | Signal], list[Repair]]:
    """Make recordings of a file's columns.

    Parameters
    ----------
    columns : sequence of Column
    time_ms, source_row : int64 arrays, shape (n,)
        In the order of the file.
    start_known : bool
    context : ReadContext
        ``keep_ms`` is applied here.
    word : str
        What a row is called in messages.

    Returns
    -------
    recordings : list
    repairs : list of Repair
    """
    repairs: list[Repair] = []
    if context.keep_ms is not None and start_known:
        keep = (time_ms >= context.keep_ms[0]) & (time_ms < context.keep_ms[1])
        if not keep.all():
            time_ms, source_row = time_ms[keep], source_row[keep]
            columns = [replace(column, value=column.value[keep]) for column in columns]
    if time_ms.size == 0:
        return [], repairs
    recordings: list[Readings | Intervals | Signal] = []
    for beats in (False, True):
        group = [column for column in columns if (column.plan.quantity == "rr") == beats]
        if not group:
            continue
        ordered = in_order(
            time_ms,
            [column.value for column in group],
            source_row=source_row,
            file=context.shown,
            beats=beats,
            sampled=any(column.plan.quantity == "ecg" for column in group),
            word=word,
        )
        repairs.extend(repair for repair in ordered.repairs if repair not in repairs)
        rows = slice(None) if ordered.rows is None else ordered.rows
        window = next((column.value[rows] for column in group if column.plan.quantity == WINDOW), None)
        for column in group:
            if column.plan.quantity == WINDOW:
                continue
            made, repair = _recording(
                replace(column, value=column.value[rows]),
                time_ms=ordered.time_ms,
                source_row=source_row[rows],
                start_known=start_known,
                context=context,
                window_ms=window,
            )
            if made is not None:
                recordings.append(made)
            if repair is not None:
                repairs.append(repair)
    return recordings, repairs


def _recording(
    column: Column,
    *,
    time_ms: I64,
    source_row: I64,
    start_known: bool,
    context: ReadContext,
    window_ms: F64 | None = None,
) -> tuple[Readings | Intervals | Signal | None, Repair | None]:
    plan = column.plan
    if np.isnan(column.value).all():
        return None, Repair(
            slug="empty-column",
            said=f"column '{plan.heading}' holds no number in {time_ms.size} rows; left out",
            file=context.shown,
        )
    if plan.quantity == "rr":
        filled = np.isfinite(column.value)
        factor, repair = rr_factor(column.value, context, heading=plan.heading, said=plan.factor)
        made = Intervals(
            quantity="rr",
            interval_ms=column.value[filled] * factor,
            source_row=source_row[filled],
            stamp_ms=time_ms[filled],
            start_known=start_known,
        )
        return made, repair
    factor = 1.0 if plan.factor is None else plan.factor
    value = column.value if factor == 1.0 else column.value * factor
    if plan.quantity == "ecg":
        segments = segments_of(time_ms, value)
        return Signal(quantity="ecg", unit=plan.unit, segments=segments, start_known=start_known), None
    start_ms = None
    if window_ms is not None and np.isfinite(window_ms).any():
        start_ms = time_ms - np.nan_to_num(window_ms).astype(np.int64)
    return (
        Readings(
            quantity=plan.quantity,
            unit=plan.unit,
            time_ms=time_ms,
            value=value,
            source_row=source_row,
            start_ms=start_ms,
            end_ms=None if start_ms is None else time_ms,
            start_known=start_known,
        ),
        None,
    )


def segments_of(time_ms: I64, value: F64) -> tuple[Segment, ...]:
    """Cut stamped samples into evenly sampled stretches.

    Samples may share a stamp, as a packet does. A step between stamps longer than three usual ones (and than the usual
    one and 40 ms) is a gap. The rate is the pooled one of all stretches, taken as a whole number of Hz where that
    agrees with the stamps to their rounding.
    """
    if time_ms.size == 0:
        return ()
    first = np.append(0, np.flatnonzero(np.diff(time_ms)) + 1)
    step = np.diff(time_ms[first])
    usual = float(np.median(step)) if step.size else 1000.0
    cuts = np.flatnonzero(step > max(3 * usual, usual + 40)) + 1
    pairs = list(pairwise([0, *cuts.tolist(), first.size]))
    lasted = sum(int(time_ms[first[stop - 1]] - time_ms[first[start]]) for start, stop in pairs)
    counted = sum(int(first[stop - 1] - first[start]) for start, stop in pairs)
    rate = 1000.0 * counted / lasted if lasted > 0 else float(time_ms.size)
    if round(rate) > 0 and abs(rate - round(rate)) * lasted / 1000.0 <= 2.0 * len(pairs):
        rate = float(round(rate))
    edges = [*(int(first[start]) for start, _ in pairs), time_ms.size]
    return tuple(
        Segment(start_ms=int(time_ms[start]), rate_hz=rate, values=value[start:stop].astype(np.float32))
        for start, stop in pairwise(edges)
    )
