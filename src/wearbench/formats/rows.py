"""Rows of a text table as they are read, a stretch at a time, with what could not be read counted."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from wearbench.formats.build import Column, too_many
from wearbench.formats.numbers import Cells, parse_numbers
from wearbench.formats.recording import ReadContext, Repair
from wearbench.formats.stamps import BAD, DATE, NAIVE, UTC
from wearbench.formats.tableplan import WINDOW, TablePlan, ValueColumn
from wearbench.formats.textlines import Lines
from wearbench.formats.timecolumn import TimeColumn
from wearbench.formats.times import wall_span

__all__ = ["Block", "Rows"]

I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
F64 = NDArray[np.float64]
T = TypeVar("T", bound=np.generic)

_SEVERAL: Final = re.compile(r"[\[({]?\s*\d+(?:\.\d+)?(?:\s*[;,|/ ]\s*\d+(?:\.\d+)?)+\s*[\])}]?")


@dataclass(kw_only=True, slots=True)
class Block:
    """Columns that share their stamps: parsed stamps, line numbers and values, a list entry a stretch."""

    plans: tuple[ValueColumn, ...]
    ms: list[I64] = field(default_factory=list)
    state: list[U8] = field(default_factory=list)
    row: list[I64] = field(default_factory=list)
    values: list[list[F64]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.values = [[] for _ in self.plans]

    def joined(self) -> tuple[I64, U8, I64, list[Column]]:
        """Whole columns; what was gathered is let go of on the way."""
        ms, state, row = _concatenated(self.ms), _concatenated(self.state), _concatenated(self.row)
        columns = [
            Column(plan=plan, value=_concatenated(parts)) for plan, parts in zip(self.plans, self.values, strict=True)
        ]
        return ms, state, row, columns


def _concatenated(parts: list[NDArray[T]]) -> NDArray[T]:
    whole: NDArray[T] = np.concatenate(parts)
    parts.clear()
    return whole


@dataclass(kw_only=True, slots=True)
class Rows:
    """What has been read of a table.

    ``readings`` holds the columns with one value a row; ``beats`` the RR column, whose cells may be empty or hold
    several intervals.
    """

    plan: TablePlan
    time: TimeColumn
    context: ReadContext
    decimal: str
    readings: Block = field(init=False)
    beats: Block = field(init=False)
    wall: tuple[int, int] | None = field(init=False)
    n_rows: int = 0
    n_kept: int = 0
    n_unread: int = 0
    first_unread: tuple[int, str] | None = None
    bad: dict[str, tuple[int, int, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        readings = tuple(v for v in self.plan.values if v.quantity != "rr")
        start = self.plan.time.start
        if readings and start is not None:
            window = ValueColumn(index=start, heading="start", quantity=WINDOW, unit="ms", factor=1.0)
            readings = (*readings, window)
        self.readings = Block(plans=readings)
        self.beats = Block(plans=tuple(v for v in self.plan.values if v.quantity == "rr"))
        self.wall = wall_span(self.context)

    def take(self, lines: Lines) -> None:
        """Read one stretch.

        Raises
        ------
        FormatError
            If more rows are to be kept than the context allows.
        """
        ms, state = self.time.read([lines.column(place) for place in self.plan.time.places])
        self.n_rows += ms.size
        keep = state != BAD
        if not keep.all():
            row = int(np.argmin(keep))
            self.n_unread += int(ms.size - keep.sum())
            if self.first_unread is None:
                self.first_unread = (int(lines.number[row]), lines.column(self.plan.time.places[-1]).text(row))
        if self.context.keep_ms is not None and self.time.start_known:
            keep &= self._wanted(ms, state, self.context.keep_ms)
        self.n_kept += int(keep.sum())
        if self.n_kept > self.context.max_readings:
            raise too_many(self.context)
        if not keep.any():
            return
        rows = None if keep.all() else np.flatnonzero(keep)
        number = lines.number
        if rows is not None:
            ms, state, number = ms[rows], state[rows], number[rows]
        if self.readings.plans:
            _append(self.readings, ms, state, number)
        for index, column in enumerate(self.readings.plans):
            cells = lines.column(column.index) if rows is None else lines.column(column.index).take(rows)
            if column.quantity == WINDOW:
                self.readings.values[index].append(self._window_ms(cells, ms, state))
                continue
            value, bad = parse_numbers(cells, decimal=self.decimal, missing=column.missing)
            self.readings.values[index].append(value)
            self._note_bad(column, cells, bad, number)
        for column in self.beats.plans:
            cells = lines.column(column.index) if rows is None else lines.column(column.index).take(rows)
            self._take_beats(column, cells, ms, state, number)

    def _window_ms(self, cells: Cells, end_ms: I64, end_state: U8) -> F64:
        """Length of each row's window; NaN where its start cannot be read or lies after its end."""
        start_ms, state = self.time.read([cells])
        lasted = np.where(state == end_state, end_ms - start_ms, np.nan)
        return np.where(lasted >= 0, lasted, np.nan)

    def _wanted(self, ms: I64, state: U8, keep_ms: tuple[int, int]) -> NDArray[np.bool_]:
        wanted: NDArray[np.bool_] = (state != UTC) | ((ms >= keep_ms[0]) & (ms < keep_ms[1]))
        if self.wall is not None:
            local = (state == NAIVE) | (state == DATE)
            wanted &= ~local | ((ms >= self.wall[0]) & (ms < self.wall[1]))
        return wanted

    def _take_beats(self, column: ValueColumn, cells: Cells, ms: I64, state: U8, number: I64) -> None:
        """Intervals of a stretch; a cell may hold none or several, which then share its stamp."""
        value, bad = parse_numbers(cells, decimal=self.decimal, missing=column.missing)
        row = np.flatnonzero(np.isfinite(value))
        value = value[row]
        several = [(int(at), text) for at in np.flatnonzero(bad) if _SEVERAL.fullmatch(text := cells.text(int(at)))]
        if several:
            found = [(at, float(part)) for at, text in several for part in re.findall(r"\d+(?:\.\d+)?", text)]
            bad[[at for at, _ in several]] = False
            row = np.concatenate([row, np.array([at for at, _ in found], dtype=np.intp)])
            value = np.concatenate([value, np.array([part for _, part in found])])
            order = np.argsort(row, kind="stable")
            row, value = row[order], value[order]
        self._note_bad(column, cells, bad, number)
        _append(self.beats, ms[row], state[row], number[row])
        self.beats.values[0].append(value)

    def _note_bad(self, column: ValueColumn, cells: Cells, bad: NDArray[np.bool_], number: I64) -> None:
        if not bad.any():
            return
        first = int(np.argmax(bad))
        count, line, text = self.bad.get(column.heading, (0, int(number[first]), cells.text(first)))
        self.bad[column.heading] = (count + int(bad.sum()), line, text)

    def repairs(self) -> list[Repair]:
        """What had to be left out or kept without a value."""
        repairs = []
        if self.n_unread and self.first_unread is not None:
            line, text = self.first_unread
            repairs.append(
                Repair(
                    slug="rows-skipped",
                    said=f"{self.n_unread} of {self.n_rows} rows have no stamp that can be read, first at line {line} "
                    f"('{text}'); left out",
                    file=self.context.shown,
                    line=line,
                    count=self.n_unread,
                )
            )
        beats = {plan.heading for plan in self.beats.plans}
        for heading, (count, line, text) in self.bad.items():
            fate = "left out" if heading in beats else "kept as readings without a value"
            repairs.append(
                Repair(
                    slug="not-a-number",
                    said=f"{count} of {self.n_kept} cells of column '{heading}' are not numbers, first at line {line} "
                    f"('{text}'); {fate}",
                    file=self.context.shown,
                    line=line,
                    count=count,
                )
            )
        return repairs


def _append(block: Block, ms: I64, state: U8, number: I64) -> None:
    block.ms.append(ms)
    block.state.append(state)
    block.row.append(number)
