"""Tables of text with a delimiter: one row a reading, columns known by their heading or by a layout."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from wearbench.errors import FormatError
from wearbench.formats.build import settle_and_build
from wearbench.formats.numbers import Cells
from wearbench.formats.recording import FileContent, Intervals, ReadContext, Readings, Repair, Signal
from wearbench.formats.rows import Rows
from wearbench.formats.rr_list import read_without_stamps
from wearbench.formats.sniff import Shape, decimal_mark, sniff
from wearbench.formats.tableplan import plan_table
from wearbench.formats.textlines import Lines, TextFile, encoding_of, first_lines
from wearbench.formats.timecolumn import decide_time
from wearbench.formats.timeplan import on_heading_clock

__all__ = ["looks_like_text", "read", "recognise"]

_SAMPLE_LINES = 400
_ABOUT_A_COLUMN = ("empty-column", "unit-by-size", "out-of-order", "repeated-rows")


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
    context = on_heading_clock(plan.time, context)
    if not plan.time.places:
        return read_without_stamps(path, context, shape=shape, plan=plan)
    first = next(_stretches(file, shape), None)
    if first is None or first.number.size == 0:
        raise FormatError(
            f"expected rows beneath the headings, got none after line {shape.heading_line}; export the recording again",
            slug="header-only",
            file=context.shown,
            line=shape.heading_line,
        )
    _refuse_wider_rows(first, shape, context)
    numbers = [*(value.index for value in plan.values), *plan.time.places] if first.may_hold(",") else []
    decimal = decimal_mark([_texts(first.column(place)) for place in numbers], context)
    start_text = _start_text(first, shape, context)
    time = decide_time(
        [first.column(place) for place in plan.time.places],
        ([lines.column(place) for place in plan.time.places] for lines in _stretches(TextFile(path=path), shape)),
        plan=plan,
        context=context,
        decimal=decimal,
        line=int(first.number[0]),
        start_text=start_text,
    )
    del first
    rows = Rows(plan=plan, time=time, context=context, decimal=decimal)
    for lines in _stretches(file, shape):
        rows.take(lines)
    _refuse_unread(rows, shape)
    return _content(path, file=file, shape=shape, rows=rows)


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


def _refuse_wider_rows(first: Lines, shape: Shape, context: ReadContext) -> None:
    """Rows with more cells than there are headings would be read one column off."""
    width = len(shape.headings)
    wider = np.flatnonzero(first.n_cells > width)
    wider = wider[first.column(width).length[wider] > 0] if wider.size else wider
    if wider.size * 2 <= first.number.size:
        return
    row = int(wider[0])
    cells = int(first.n_cells[row])
    raise FormatError(
        f"expected rows of {width} cells as in the headings, got rows of {cells}; if the numbers have decimal commas, "
        "export with another delimiter; else correct the headings in a copy",
        slug="wider-rows",
        file=context.shown,
        line=int(first.number[row]),
        value=str(cells),
    )


def _stretches(file: TextFile, shape: Shape) -> Iterator[Lines]:
    for data, number in file.stretches():
        lines = Lines.of(data, first_number=number, delimiter=shape.delimiter)
        if number < shape.first_row_line:
            lines = lines.from_line(shape.first_row_line)
        if lines.number.size:
            yield lines


def _content(path: Path, *, file: TextFile, shape: Shape, rows: Rows) -> FileContent:
    context, time = rows.context, rows.time
    repairs = [*_encoding_repairs(file, context), *time.repairs, *rows.repairs()]
    recordings: list[Readings | Intervals | Signal] = []
    for block in (rows.readings, rows.beats):
        if not block.plans or not block.ms:
            continue
        ms, state, row, columns = block.joined()
        if ms.size == 0:
            repairs.append(
                Repair(
                    slug="empty-column",
                    said=f"column '{columns[0].plan.heading}' holds no number in {rows.n_kept} rows; left out",
                    file=context.shown,
                )
            )
            continue
        made, more = settle_and_build(
            columns,
            ms=ms,
            state=state,
            source_row=row,
            placed=time.elapsed,
            start_known=time.start_known,
            context=context,
        )
        recordings.extend(made)
        told = {repair.slug for repair in repairs}
        repairs.extend(repair for repair in more if repair.slug not in told or repair.slug in _ABOUT_A_COLUMN)
    if not recordings and rows.n_kept:
        raise FormatError(
            "expected numbers in the columns "
            + ", ".join(f"'{column.heading}'" for column in rows.plan.values)
            + f", got none in {rows.n_kept} rows; export the recording again or name the right columns in a layout",
            slug="no-numbers",
            file=context.shown,
        )
    return FileContent(
        path=path,
        format="delimited",
        recordings=tuple(recordings),
        repairs=tuple(repairs),
        facts=_facts(file, shape, rows),
    )


def _refuse_unread(rows: Rows, shape: Shape) -> None:
    if rows.n_unread * 2 <= rows.n_rows or rows.first_unread is None:
        return
    line, text = rows.first_unread
    heading = shape.headings[rows.plan.time.places[-1]]
    raise FormatError(
        f"expected stamps in column '{heading}', got {rows.n_unread} of {rows.n_rows} rows "
        f"without one that can be read, the first '{text}'; give time_format in a layout",
        slug="time-unreadable",
        file=rows.context.shown,
        line=line,
        value=text,
    )


def _encoding_repairs(file: TextFile, context: ReadContext) -> list[Repair]:
    if file.first_odd_line is None:
        return []
    return [
        Repair(
            slug="not-utf-8",
            said=f"line {file.first_odd_line} is not UTF-8; read as Latin-1 from there on",
            file=context.shown,
            line=file.first_odd_line,
        )
    ]


def _facts(file: TextFile, shape: Shape, rows: Rows) -> dict[str, str]:
    facts = {"delimiter": shape.delimiter_name, "encoding": file.encoding, **rows.time.facts}
    facts["time_column"] = " + ".join(shape.headings[place] for place in rows.plan.time.places)
    if rows.decimal == ",":
        facts["decimal"] = "comma"
    if shape.heading_line is not None and shape.heading_line > 1:
        facts["heading_line"] = str(shape.heading_line)
    if rows.plan.others:
        facts["columns_not_read"] = ", ".join(rows.plan.others)
    return facts
