"""How the time column of one table is written, decided from its first rows, and then read stretch by stretch."""

from __future__ import annotations

import re
from calendar import month_name
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.numbers import Cells, cells_of, parse_numbers
from wearbench.formats.recording import ReadContext, Repair
from wearbench.formats.stamps import BAD, CLOCK, DATE, LATEST_MS, NAIVE, UTC, Stamps, parse_stamps, pattern_of_strptime
from wearbench.formats.tableplan import TablePlan
from wearbench.formats.times import instant_ms
from wearbench.formats.zones import local_ms

__all__ = ["TimeColumn", "decide_time", "number_scale"]

I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
F64 = NDArray[np.float64]

_EARLIEST_MS = 630_000_000_000.0
_LATEST_MS = 4_200_000_000_000.0
_DECIDED_ON = 400
_NUMBERS_TRIED = 60
_ELAPSED_PATTERN = re.compile(r"(?:(?P<h>\d{1,4}):(?P<M>\d{2})|(?P<n>\d{1,4})):(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?")


@dataclass(kw_only=True, slots=True)
class TimeColumn:
    """A decided way of reading a table's time.

    ``scale_ms`` is set for numbers; ``elapsed`` tells that times count from ``start_ms`` (None: from an unknown
    start); ``day_first`` and ``pattern`` are for written stamps. ``twelve_hour`` is filled while reading.
    """

    places: tuple[int, ...]
    decimal: str
    scale_ms: float | None = None
    elapsed: bool = False
    start_ms: int | None = None
    day_first: bool | None = None
    pattern: re.Pattern[str] | None = None
    twelve_hour: bool = False
    facts: dict[str, str] = field(default_factory=dict)
    repairs: list[Repair] = field(default_factory=list)

    def read(self, columns: list[Cells]) -> tuple[I64, U8]:
        """Read the time of each row of a stretch: milliseconds and state (see :mod:`wearbench.formats.stamps`)."""
        if self.scale_ms is not None:
            value, _ = parse_numbers(columns[-1], decimal=self.decimal)
            good = np.isfinite(value) & (np.abs(value) * self.scale_ms < LATEST_MS)
            ms = np.rint(np.where(good, value, 0.0) * self.scale_ms).astype(np.int64)
            return self._placed(ms, np.where(good, UTC, BAD).astype(np.uint8))
        if self.pattern is not None and len(columns) > 1:
            columns = [_side_by_side(columns)]
        parts = [parse_stamps(cells, day_first=self.day_first, pattern=self.pattern) for cells in columns]
        self.twelve_hour |= any(part.twelve_hour for part in parts)
        return self._placed(*_joined(parts)) if self.elapsed else _joined(parts)

    def _placed(self, ms: I64, state: U8) -> tuple[I64, U8]:
        if self.elapsed:
            state = np.where(state == BAD, BAD, UTC).astype(np.uint8)
            ms = ms + (self.start_ms or 0)
        return ms, state

    @property
    def start_known(self) -> bool:
        """Whether times are on the calendar (times of day are settled later)."""
        return not self.elapsed or self.start_ms is not None


def _side_by_side(columns: list[Cells]) -> Cells:
    """Cells of several columns joined by a blank, as a pattern over all of them expects."""
    rows = zip(*([cells.text(row) for row in range(cells.start.size)] for cells in columns), strict=True)
    return cells_of([" ".join(row) for row in rows])


def _joined(parts: list[Stamps]) -> tuple[I64, U8]:
    """A date column and a time-of-day column make one stamp; a full stamp in the second stands alone."""
    if len(parts) == 1:
        return parts[0].ms, parts[0].state
    date, clock = parts[0], parts[-1]
    both = (date.state == DATE) | (date.state == NAIVE)
    whole = (clock.state == NAIVE) | (clock.state == UTC)
    ok = both & (clock.state == CLOCK)
    day = date.ms - date.ms % 86_400_000
    ms = np.where(whole, clock.ms, day + clock.ms)
    state = np.where(whole, clock.state, np.where(ok, NAIVE, BAD)).astype(np.uint8)
    return ms, state


def number_scale(value: F64) -> float | None:
    """Milliseconds in one unit of stamps that are numbers since 1970, told by their size; None if they are not."""
    finite = value[np.isfinite(value)]
    if finite.size == 0:
        return None
    middle = float(np.median(finite))
    for scale in (1000.0, 1.0, 1e-3, 1e-6):
        if _EARLIEST_MS <= middle * scale < _LATEST_MS:
            return scale
    return None


def decide_time(
    first: list[Cells],
    rest: Iterable[list[Cells]],
    *,
    plan: TablePlan,
    context: ReadContext,
    decimal: str,
    line: int,
    start_text: str | None = None,
) -> TimeColumn:
    """Decide how a table's time is written.

    Parameters
    ----------
    first : list of Cells
        The time columns of the first stretch; its first 400 rows are looked at.
    rest : iterable of list of Cells
        The time columns of all stretches; only gone through when the order of day and month is still open.
    plan, context : TablePlan, ReadContext
    decimal : str
    line : int
        Line of the first row, for messages.
    start_text : str or None
        First cell of the layout's start column.

    Returns
    -------
    TimeColumn

    Raises
    ------
    FormatError
        If the time cannot be read without a guess; the message names the choices.
    """
    layout = context.layout
    first = [cells.take(np.arange(min(cells.start.size, _DECIDED_ON))) for cells in first]
    column = TimeColumn(places=plan.time.places, decimal=decimal)
    given = "auto" if layout is None else layout.time_format
    sample = _sample(first[-1])
    if given not in ("auto", "unix_s", "unix_ms", "elapsed_s"):
        column.pattern = pattern_of_strptime(given)
        if column.pattern is None:
            raise FormatError(
                f"expected time_format 'auto', 'unix_s', 'unix_ms', 'elapsed_s' or a strptime pattern, got '{given}'; "
                "correct the layout in study.toml",
                slug="time-format",
                file=context.shown,
                value=given,
            )
        return column
    few = first[-1].take(np.arange(min(first[-1].start.size, _NUMBERS_TRIED)))
    numbers, _ = parse_numbers(few, decimal=decimal)
    filled = few.length > 0
    numeric = bool(filled.any()) and float(np.isfinite(numbers[filled]).mean()) > 0.5
    if (
        numeric
        and plan.time.kind != "date"
        and _decide_numbers(column, numbers, plan=plan, given=given, context=context, line=line, sample=sample)
    ):
        pass
    elif plan.time.kind == "elapsed":
        column.elapsed = True
        column.pattern = _ELAPSED_PATTERN
    else:
        _decide_written(column, first, rest, context=context, line=line, sample=sample, numeric=numeric)
    if column.elapsed:
        _decide_start(column, context=context, start_text=start_text)
    return column


def _sample(cells: Cells) -> str:
    rows = np.flatnonzero(cells.length > 0)
    return cells.text(int(rows[0])) if rows.size else ""


def _decide_numbers(
    column: TimeColumn, numbers: F64, *, plan: TablePlan, given: str, context: ReadContext, line: int, sample: str
) -> bool:
    by_size = number_scale(numbers)
    if given in ("unix_s", "unix_ms"):
        column.scale_ms = 1000.0 if given == "unix_s" else 1.0
        if by_size != column.scale_ms:
            raise FormatError(
                f"expected times in {given} as the layout says, got {sample}, which would lie outside 1990 to 2103; "
                "correct time_format in the layout",
                slug="time-format",
                file=context.shown,
                line=line,
                value=sample,
            )
        return True
    if given == "elapsed_s" or (by_size is None and plan.time.scale_ms is not None):
        column.scale_ms, column.elapsed = plan.time.scale_ms or 1000.0, True
        return True
    if by_size is None:
        return False
    said = plan.time.scale_ms
    column.scale_ms = by_size
    if said is not None and said != by_size:
        column.repairs.append(
            Repair(
                slug="unit-by-size",
                said=f"the heading of the time says one unit is {said:g} ms, but by their size it is {by_size:g} ms; "
                "read by size",
                file=context.shown,
            )
        )
    return True


def _decide_start(column: TimeColumn, *, context: ReadContext, start_text: str | None) -> None:
    layout = context.layout
    text = start_text if start_text is not None else (layout.start if layout is not None else None)
    if text:
        column.start_ms = instant_ms(text, context)
        if column.start_ms is None:
            raise FormatError(
                f"expected a start such as 2031-05-01T09:00:00, got '{text}'; correct start or start_column in the "
                "layout",
                slug="layout-start",
                file=context.shown,
                value=text,
            )
    else:
        column.start_ms = context.start_ms


def _decide_written(
    column: TimeColumn,
    first: list[Cells],
    rest: Iterable[list[Cells]],
    *,
    context: ReadContext,
    line: int,
    sample: str,
    numeric: bool,
) -> None:
    parts = [parse_stamps(cells) for cells in first]
    if all(not (part.state != BAD).any() for part in parts) or not (parts[-1].state != BAD).any():
        short = next((part.short_year for part in parts if part.short_year is not None), None)
        if short is not None:
            raise FormatError(
                f"expected years of four digits, got '{sample}', whose day, month and year can be read in several "
                'orders; give time_format in a layout (for example "%d.%m.%y %H:%M:%S")',
                slug="short-year",
                file=context.shown,
                line=line,
                value=sample,
            )
        if numeric:
            raise FormatError(
                f"expected stamps, got numbers such as {sample}, which could be seconds or milliseconds from some "
                'start; say so in the heading ("elapsed_s", "time [ms]") or with time_format = "elapsed_s", "unix_s" '
                'or "unix_ms" in a layout',
                slug="time-numbers",
                file=context.shown,
                line=line,
                value=sample,
            )
        raise FormatError(
            f"expected stamps such as 2031-05-01T09:00:00, got '{sample}'; give time_format in a layout (for example "
            '"%d/%m/%Y %H:%M:%S")',
            slug="time-unreadable",
            file=context.shown,
            line=line,
            value=sample,
        )
    dated = parts[0]
    if dated.first_part is not None:
        column.day_first = _day_first(dated, rest, context=context, line=line, sample=_sample(first[0]))
        column.facts["date_order"] = "day first" if column.day_first else "month first"
    _decide_clock_or_elapsed(column, parts[-1], alone=len(parts) == 1, context=context, line=line, sample=sample)


def _decide_clock_or_elapsed(
    column: TimeColumn, part: Stamps, *, alone: bool, context: ReadContext, line: int, sample: str
) -> None:
    """Times of day that begin at 00:00:0x may count from the start instead."""
    read = part.state != BAD
    if not alone or not (part.state[read] == CLOCK).all() or int(part.ms[read][0]) >= 60_000:
        return
    if context.start_ms is not None and context.zone is not None:
        wall = _start_of_day_ms(context)
        if min(wall, 86_400_000 - wall) > 600_000:
            column.elapsed, column.pattern = True, _ELAPSED_PATTERN
            column.facts["time"] = "counted from the session's start"
        return
    raise FormatError(
        f"expected times of day or elapsed times, got '{sample}', which is either a midnight or a count from the "
        'start; say which with time_format = "elapsed_s" or "%H:%M:%S" in a layout, or give the session\'s start in '
        "sessions.csv",
        slug="clock-or-elapsed",
        file=context.shown,
        line=line,
        value=sample,
    )


def _start_of_day_ms(context: ReadContext) -> int:
    """Milliseconds since midnight of the session's start, on the context's clock."""
    assert context.start_ms is not None and context.zone is not None
    return local_ms(context.start_ms, zone=context.zone) % 86_400_000


def _day_first(dated: Stamps, rest: Iterable[list[Cells]], *, context: ReadContext, line: int, sample: str) -> bool:
    assert dated.first_part is not None and dated.second_part is not None
    first, second = dated.first_part[1], dated.second_part[1]
    differ, dotted = dated.parts_differ, dated.dotted
    if first <= 12 and second <= 12 and differ and not dotted:
        for columns in rest:
            more = parse_stamps(columns[0])
            if more.first_part is not None and more.second_part is not None:
                first, second = max(first, more.first_part[1]), max(second, more.second_part[1])
            if first > 12 or second > 12:
                break
    if first > 12 and second > 12:
        raise FormatError(
            f"expected dates in one order, got '{sample}' and others in which both the first and the second number go "
            f"beyond 12 (up to {first} and {second}); split the file, or give time_format in a layout",
            slug="date-order",
            file=context.shown,
            line=line,
            value=sample,
        )
    if first > 12 or not differ or (dotted and second <= 12):
        return True
    if second > 12:
        return False
    a, b = re.findall(r"\d+", sample)[:2]
    raise FormatError(
        f"expected dates whose day and month can be told apart, got '{sample}', which is {int(a)} {month_name[int(b)]} "
        f"(day first) or {int(b)} {month_name[int(a)]} (month first), and no date in the file settles it; give "
        'time_format in a layout (for example "%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S")',
        slug="date-order",
        file=context.shown,
        line=line,
        value=sample,
    )
