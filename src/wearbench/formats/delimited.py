"""Tables of text with a delimiter: one row a reading, columns known by their heading or by a layout."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.build import Column, settle_and_build, too_many
from wearbench.formats.numbers import Cells, parse_numbers
from wearbench.formats.recording import FileContent, ReadContext, Repair
from wearbench.formats.rr_list import read_without_stamps
from wearbench.formats.sniff import Shape, decimal_mark, sniff
from wearbench.formats.stamps import BAD, DATE, NAIVE, UTC
from wearbench.formats.tableplan import TablePlan, ValueColumn, plan_table
from wearbench.formats.textlines import Lines, TextFile, encoding_of, first_lines
from wearbench.formats.timecolumn import TimeColumn, decide_time
from wearbench.formats.times import wall_span

__all__ = ["looks_like_text", "read", "recognise"]

I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]

_SAMPLE_LINES = 400


def looks_like_text(head: bytes) -> bool:
    """Whether the first bytes of a file are text: no zero bytes (but UTF-16) and hardly any control characters."""
    encoding = encoding_of(head)
    if encoding == "utf-8" and 0 in head:
        return False
    if encoding.startswith("utf-16") or encoding == "utf-32":
        head = head.decode(encoding, "replace").encode()
    control = sum(head.count(byte) for byte in range(32) if byte not in (9, 10, 12, 13))
    odd = head.decode("utf-8", "replace").count("\ufffd") if encoding == "utf-8" else 0
    return control <= len(head) / 200 and odd <= len(head) / 10


def recognise(head: bytes, name: str) -> bool:
    """Whether a file is text; which kind of text is for the registry to say."""
    del name
    return looks_like_text(head)


@dataclass(kw_only=True, slots=True)
class _Gathered:
    """What has been read so far, a list entry a stretch."""

    ms: list[I64] = field(default_factory=list)
    state: list[U8] = field(default_factory=list)
    row: list[I64] = field(default_factory=list)
    values: list[list[NDArray[np.float64]]] = field(default_factory=list)
    n_rows: int = 0
    n_kept: int = 0
    n_unread: int = 0
    first_unread: tuple[int, str] | None = None
    n_bad: list[int] = field(default_factory=list)
    first_bad: list[tuple[int, str] | None] = field(default_factory=list)


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a delimited text table.

    Parameters
    ----------
    path : Path
    context : ReadContext

    Returns
    -------
    FileContent
        ``rr`` becomes intervals with stamps, ``ecg`` a signal, everything else readings.

    Raises
    ------
    FormatError
        If the file is empty, has headings only, or cannot be read without a guess.
    """
    file = TextFile(path=path)
    shape = sniff(first_lines(file), context)
    plan = plan_table(shape.headings, context, line=shape.heading_line)
    if not plan.time:
        return read_without_stamps(path, context, shape=shape, plan=plan)
    first = next(_stretches(file, shape), None)
    if first is None or first.number.size == 0:
        raise FormatError(
            f"expected rows beneath the headings, got none after line {shape.heading_line}; export the recording again",
            slug="header-only",
            file=context.shown,
            line=shape.heading_line,
        )
    decimal = decimal_mark([_texts(first.column(v.index)) for v in plan.values], context)
    start_text = _start_text(first, shape, context)
    time = decide_time(
        [first.column(place) for place in plan.time],
        ([lines.column(place) for place in plan.time] for lines in _stretches(TextFile(path=path), shape)),
        plan=plan,
        context=context,
        decimal=decimal,
        line=int(first.number[0]),
        start_text=start_text,
    )
    del first
    gathered = _gather(file, shape, plan, time, context=context, decimal=decimal)
    return _content(path, context, file=file, shape=shape, plan=plan, time=time, gathered=gathered, decimal=decimal)


def _texts(cells: Cells) -> list[str]:
    return [cells.text(row) for row in range(min(cells.start.size, _SAMPLE_LINES))]


def _start_text(first: Lines, shape: Shape, context: ReadContext) -> str | None:
    name = context.layout.start_column if context.layout is not None else None
    if name is None:
        return None
    keys = [heading.casefold().strip() for heading in shape.headings]
    if name.casefold().strip() not in keys:
        raise FormatError(
            f"expected the start column '{name}' that the layout names, got the headings "
            + ", ".join(f"'{heading}'" for heading in shape.headings)
            + "; correct the layout in study.toml",
            slug="layout-column",
            file=context.shown,
            line=shape.heading_line,
            value=name,
        )
    texts = _texts(first.column(keys.index(name.casefold().strip())))
    return next((text for text in texts if text), None)


def _stretches(file: TextFile, shape: Shape) -> Iterator[Lines]:
    for data, number in file.stretches():
        lines = Lines.of(data, first_number=number, delimiter=shape.delimiter)
        if number < shape.first_row_line:
            lines = lines.from_line(shape.first_row_line)
        if lines.number.size:
            yield lines


def _gather(
    file: TextFile, shape: Shape, plan: TablePlan, time: TimeColumn, *, context: ReadContext, decimal: str
) -> _Gathered:
    got = _Gathered(values=[[] for _ in plan.values], n_bad=[0] * len(plan.values), first_bad=[None] * len(plan.values))
    wall = wall_span(context)
    for lines in _stretches(file, shape):
        ms, state = time.read([lines.column(place) for place in plan.time])
        got.n_rows += ms.size
        keep = state != BAD
        if not keep.all():
            row = int(np.argmin(keep))
            got.n_unread += int(ms.size - keep.sum())
            if got.first_unread is None:
                got.first_unread = (int(lines.number[row]), lines.column(plan.time[-1]).text(row))
        if context.keep_ms is not None and time.start_known:
            keep &= _wanted(ms, state, keep_ms=context.keep_ms, wall=wall)
        everything = bool(keep.all())
        number = lines.number if everything else lines.number[keep]
        got.n_kept += number.size
        if got.n_kept > context.max_readings:
            raise too_many(context)
        if number.size == 0:
            continue
        got.ms.append(ms if everything else ms[keep])
        got.state.append(state if everything else state[keep])
        got.row.append(number)
        for index, column in enumerate(plan.values):
            cells = lines.column(column.index)
            cells = cells if everything else cells.take(keep)
            value, bad = parse_numbers(cells, decimal=decimal, missing=column.missing)
            got.values[index].append(value)
            if bad.any():
                first = int(np.argmax(bad))
                got.n_bad[index] += int(bad.sum())
                if got.first_bad[index] is None:
                    got.first_bad[index] = (int(number[first]), cells.text(first))
    return got


def _wanted(ms: I64, state: U8, *, keep_ms: tuple[int, int], wall: tuple[int, int] | None) -> NDArray[np.bool_]:
    wanted: NDArray[np.bool_] = (state != UTC) | ((ms >= keep_ms[0]) & (ms < keep_ms[1]))
    if wall is not None:
        local = (state == NAIVE) | (state == DATE)
        wanted &= ~local | ((ms >= wall[0]) & (ms < wall[1]))
    return wanted


def _content(
    path: Path,
    context: ReadContext,
    *,
    file: TextFile,
    shape: Shape,
    plan: TablePlan,
    time: TimeColumn,
    gathered: _Gathered,
    decimal: str,
) -> FileContent:
    _refuse_unread(gathered, shape, plan, context)
    repairs = _reading_repairs(gathered, file, plan, context)
    facts = _facts(file, shape, plan, time, decimal)
    if gathered.n_kept == 0:
        return FileContent(path=path, format="delimited", recordings=(), repairs=tuple(repairs), facts=facts)
    ms: I64 = np.concatenate(gathered.ms)
    state: U8 = np.concatenate(gathered.state)
    row: I64 = np.concatenate(gathered.row)
    gathered.ms.clear()
    gathered.row.clear()
    columns = []
    for column, parts in zip(plan.values, gathered.values, strict=True):
        columns.append(Column(plan=column, value=np.concatenate(parts)))
        parts.clear()
    recordings, more = settle_and_build(
        columns,
        ms=ms,
        state=state,
        source_row=row,
        placed=time.elapsed,
        start_known=time.start_known,
        context=context,
    )
    return FileContent(
        path=path, format="delimited", recordings=tuple(recordings), repairs=(*repairs, *more), facts=facts
    )


def _refuse_unread(gathered: _Gathered, shape: Shape, plan: TablePlan, context: ReadContext) -> None:
    if gathered.n_unread * 2 <= gathered.n_rows or gathered.first_unread is None:
        return
    line, text = gathered.first_unread
    raise FormatError(
        f"expected stamps in column '{shape.headings[plan.time[-1]]}', got {gathered.n_unread} of {gathered.n_rows} "
        f"rows without one that can be read, the first '{text}'; give time_format in a layout",
        slug="time-unreadable",
        file=context.shown,
        line=line,
        value=text,
    )


def _reading_repairs(gathered: _Gathered, file: TextFile, plan: TablePlan, context: ReadContext) -> list[Repair]:
    repairs = []
    if file.first_odd_line is not None:
        repairs.append(
            Repair(
                slug="not-utf-8",
                said=f"line {file.first_odd_line} is not UTF-8; read as Latin-1 from there on",
                file=context.shown,
                line=file.first_odd_line,
            )
        )
    if gathered.n_unread and gathered.first_unread is not None:
        line, text = gathered.first_unread
        repairs.append(
            Repair(
                slug="rows-skipped",
                said=f"{gathered.n_unread} of {gathered.n_rows} rows have no stamp that can be read, first at line "
                f"{line} ('{text}'); left out",
                file=context.shown,
                line=line,
                count=gathered.n_unread,
            )
        )
    for column, count, first in zip(plan.values, gathered.n_bad, gathered.first_bad, strict=True):
        if first is not None:
            repairs.append(_bad_numbers(column, count, gathered.n_kept, first, context))
    return repairs


def _bad_numbers(column: ValueColumn, count: int, n: int, first: tuple[int, str], context: ReadContext) -> Repair:
    return Repair(
        slug="not-a-number",
        said=f"{count} of {n} cells of column '{column.heading}' are not numbers, first at line {first[0]} "
        f"('{first[1]}'); kept as readings without a value",
        file=context.shown,
        line=first[0],
        count=count,
    )


def _facts(file: TextFile, shape: Shape, plan: TablePlan, time: TimeColumn, decimal: str) -> dict[str, str]:
    facts = {"delimiter": shape.delimiter_name, "encoding": file.encoding, **time.facts}
    facts["time_column"] = " + ".join(shape.headings[place] for place in plan.time)
    if decimal == ",":
        facts["decimal"] = "comma"
    if shape.heading_line is not None and shape.heading_line > 1:
        facts["heading_line"] = str(shape.heading_line)
    if plan.others:
        facts["columns_not_read"] = ", ".join(plan.others)
    return facts
