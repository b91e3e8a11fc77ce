"""The shape of a text table from its first lines: delimiter, heading, first row, decimal mark."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from wearbench.errors import FormatError
from wearbench.formats.recording import ReadContext
from wearbench.formats.tableplan import is_heading_row
from wearbench.formats.textlines import split_line

__all__ = ["DELIMITERS", "Shape", "decimal_mark", "sniff"]

DELIMITERS = ("\t", ";", "|", ",")
_MOST_TITLE_LINES = 60
_COMMA = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_NAMES = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Shape:
    """Shape of a table; ``heading_line`` is None when the first line is already data."""

    delimiter: str
    heading_line: int | None
    headings: tuple[str, ...]
    first_row_line: int

    @property
    def delimiter_name(self) -> str:
        """Delimiter in a word."""
        return _NAMES.get(self.delimiter, repr(self.delimiter))


def sniff(lines: Sequence[str], context: ReadContext) -> Shape:
    """Find the delimiter and the heading among the first lines of a table.

    Parameters
    ----------
    lines : sequence of str
        The first lines of the file, some hundreds at most.
    context : ReadContext

    Returns
    -------
    Shape

    Raises
    ------
    FormatError
        If the file is empty, or no line reads as headings and nothing else says what the columns are.

    Notes
    -----
    The heading is the first line with an understood heading and no number in it, among the delimiters the one that
    gives most understood cells; title lines above it are skipped.
    """
    layout = context.layout
    skipped = layout.skip_rows if layout is not None else 0
    given = layout.delimiter if layout is not None and layout.delimiter != "auto" else None
    delimiters = ("\t" if given in ("\\t", "tab") else given,) if given is not None else DELIMITERS
    body = [(number, text) for number, text in enumerate(lines, start=1) if number > skipped and text.strip()]
    if not body:
        raise FormatError(
            "expected rows of readings, got nothing but empty lines; export the recording again",
            slug="empty",
            file=context.shown,
        )
    best: tuple[int, int, int, str, list[str]] | None = None
    for rank, delimiter in enumerate(delimiters):
        for number, text in body[:_MOST_TITLE_LINES]:
            cells = split_line(text, delimiter=delimiter)
            if len(cells) < 2 and delimiter != delimiters[-1]:
                continue
            if not is_heading_row(cells, context):
                continue
            understood = sum(is_heading_row([cell], context) for cell in cells)
            score = (-understood, number, rank)
            if best is None or score < best[:3]:
                best = (*score, delimiter, cells)
            if understood > 1:
                break
    if best is not None:
        return Shape(delimiter=best[3], heading_line=best[1], headings=tuple(best[4]), first_row_line=best[1] + 1)
    return _without_heading(body, delimiters, context)


def _without_heading(body: list[tuple[int, str]], delimiters: Sequence[str], context: ReadContext) -> Shape:
    """Two columns, a stamp and a number, need no heading when the file's name says what the number is."""
    width, delimiter = _usual_width(body, delimiters)
    layout = context.layout
    positions = [*layout.time, *layout.columns] if layout is not None else []
    by_place = bool(positions) and all(name.isdigit() for name in positions)
    if by_place or (width == 2 and context.quantity is not None):
        first = next(number for number, text in body if len(split_line(text, delimiter=delimiter)) == width)
        names = tuple(str(i + 1) for i in range(width)) if by_place else ("time", context.quantity or "")
        return Shape(delimiter=delimiter, heading_line=None, headings=names, first_row_line=first)
    number, text = body[0]
    shown = text.strip()[:80]
    raise FormatError(
        f"expected a line of headings such as 'time,heart_rate', got '{shown}'; name the columns in a layout "
        "([layouts.<name>] in study.toml; columns without headings are '1', '2', ...) or add a heading line to a copy",
        slug="no-heading",
        file=context.shown,
        line=number,
        value=shown,
    )


def _usual_width(body: list[tuple[int, str]], delimiters: Sequence[str]) -> tuple[int, str]:
    best = (0.0, 1, delimiters[-1])
    for delimiter in delimiters:
        widths = Counter(len(split_line(text, delimiter=delimiter)) for _, text in body)
        width, count = widths.most_common(1)[0]
        if width > 1 and count / len(body) > best[0]:
            best = (count / len(body), width, delimiter)
    return best[1], best[2]


def decimal_mark(columns: Sequence[Sequence[str]], context: ReadContext) -> str:
    """Decimal mark of a table from samples of its number columns.

    Parameters
    ----------
    columns : sequence of sequences of str
    context : ReadContext

    Returns
    -------
    str
        ``"."`` or ``","``.

    Raises
    ------
    FormatError
        If commas could be decimal commas as well as thousands separators.
    """
    if context.layout is not None and context.layout.decimal is not None:
        return context.layout.decimal
    for cells in columns:
        commas = [cell for cell in cells if _COMMA.fullmatch(cell)]
        if not commas:
            continue
        if any(not _THOUSANDS.fullmatch(cell) for cell in commas):
            return ","
        raise FormatError(
            f"expected numbers with one meaning, got '{commas[0]}', which is {commas[0].replace(',', '.')} with a "
            f"decimal comma or {commas[0].replace(',', '')} with a thousands comma; say which with decimal in a layout",
            slug="comma",
            file=context.shown,
            value=commas[0],
        )
    return "."
