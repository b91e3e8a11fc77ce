"""Lists of RR intervals without stamps: one number a line, or a column of a table that has no time."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from wearbench.errors import FormatError
from wearbench.formats.build import rr_factor, too_many
from wearbench.formats.headings import read_heading, unit_factor
from wearbench.formats.numbers import parse_numbers
from wearbench.formats.recording import FileContent, Intervals, ReadContext, Repair
from wearbench.formats.sniff import Shape, decimal_mark
from wearbench.formats.tableplan import TablePlan
from wearbench.formats.textlines import Lines, TextFile, first_lines
from wearbench.formats.timeplan import no_time_column

__all__ = ["is_rr_list", "read", "read_without_stamps"]

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")


def is_rr_list(lines: list[str]) -> bool:
    """Whether text lines are one number each, but for a few lines at the top.

    A comma inside a line is a decimal mark only under a single heading of RR intervals, or, without headings, when
    what stands before it is at most 3, as it is for seconds; otherwise it parts two columns (``1930294262682,63``).
    """
    body = [line.strip().strip('"') for line in lines if line.strip()]
    top = 0
    while top < min(len(body), 10) and not _NUMBER.fullmatch(body[top]):
        top += 1
    numbers = [line for line in body[top:] if _NUMBER.fullmatch(line)]
    if not numbers or len(numbers) < 0.9 * len(body[top:]):
        return False
    commas = [line for line in numbers if "," in line]
    if not commas:
        return True
    if any("," in line for line in body[:top]):
        return False
    headings = [found for line in body[:top] if (found := read_heading(line)) is not None]
    return any(found.quantity == "rr" for found in headings) or all(
        abs(int(line.split(",")[0])) <= 3 for line in commas
    )


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a list of RR intervals, one a line, in ms or s as their size tells.

    Parameters
    ----------
    path : Path
    context : ReadContext
        ``start_ms`` places the first interval; without it ``start_known`` is False.

    Returns
    -------
    FileContent

    Raises
    ------
    FormatError
        If the file's name says it holds another quantity, or the numbers are no RR intervals.
    """
    if context.quantity not in (None, "rr"):
        raise FormatError(
            f"expected stamps beside the readings of {context.quantity}, got a list of numbers without stamps; export "
            "the recording with its times (only RR intervals can do without)",
            slug="no-time",
            file=context.shown,
        )
    lines = first_lines(TextFile(path=path))
    top = 0
    heading, said = "rr", None
    for line in lines:
        text = line.strip().strip('"')
        if text and _NUMBER.fullmatch(text):
            break
        found = read_heading(text) if text else None
        if found is not None and found.quantity == "rr":
            heading = text
            said = unit_factor("rr", found.unit) if found.unit else None
        elif found is not None:
            raise FormatError(
                f"expected stamps beside the column '{text}', got a list of numbers without stamps; export the "
                "recording with its times (only RR intervals can do without)",
                slug="no-time",
                file=context.shown,
                line=top + 1,
                value=text,
            )
        top += 1
    shape = Shape(delimiter="\t", heading_line=None, headings=(heading,), first_row_line=top + 1)
    return _read(path, context, shape=shape, index=0, said=said, missing=())


def read_without_stamps(path: Path, context: ReadContext, *, shape: Shape, plan: TablePlan) -> FileContent:
    """Read the RR column of a table that has no time column; other quantities cannot do without.

    Raises
    ------
    FormatError
        If the table has no RR column.
    """
    for column in plan.values:
        if column.quantity == "rr":
            return _read(path, context, shape=shape, index=column.index, said=column.factor, missing=column.missing)
    raise no_time_column(shape.headings, context, line=shape.heading_line)


def _read(
    path: Path, context: ReadContext, *, shape: Shape, index: int, said: float | None, missing: tuple[str, ...]
) -> FileContent:
    file = TextFile(path=path)
    decimal: str | None = None
    values, rows = [], []
    n_bad, n_kept = 0, 0
    first_bad: tuple[int, str] | None = None
    for data, number in file.stretches():
        lines = Lines.of(data, first_number=number, delimiter=shape.delimiter).from_line(shape.first_row_line)
        cells = lines.column(index)
        if decimal is None:
            texts = [cells.text(row) for row in range(min(400, cells.start.size))]
            decimal = decimal_mark([texts], context)
        value, bad = parse_numbers(cells, decimal=decimal, missing=missing)
        filled = np.isfinite(value)
        if bad.any():
            n_bad += int(bad.sum())
            row = int(np.argmax(bad))
            first_bad = first_bad or (int(lines.number[row]), cells.text(row))
        values.append(value[filled])
        rows.append(lines.number[filled])
        n_kept += int(filled.sum())
        if n_kept > context.max_readings:
            raise too_many(context)
    if n_kept == 0:
        raise FormatError(
            "expected RR intervals, got no number; export the recording again",
            slug="header-only",
            file=context.shown,
        )
    interval = np.concatenate(values)
    factor, repair = rr_factor(interval, context, heading=shape.headings[index], said=said)
    repairs = [] if repair is None else [repair]
    if first_bad is not None:
        repairs.append(
            Repair(
                slug="not-a-number",
                said=f"{n_bad} of {n_kept + n_bad} lines are not numbers, first at line {first_bad[0]} "
                f"('{first_bad[1]}'); left out",
                file=context.shown,
                line=first_bad[0],
                count=n_bad,
            )
        )
    made = Intervals(
        quantity="rr",
        interval_ms=interval * factor,
        source_row=np.concatenate(rows),
        start_ms=context.start_ms,
        start_known=context.start_ms is not None,
    )
    facts = {"encoding": file.encoding, "unit": "s" if factor == 1000.0 else "ms"}
    return FileContent(path=path, format="rr_list", recordings=(made,), repairs=tuple(repairs), facts=facts)
