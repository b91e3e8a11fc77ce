"""The study's own small tables as text: comma, semicolon or tab, one heading line, one bad row costs that row."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Final, TypeVar

from wearbench.errors import StudyError
from wearbench.study.problem import Problem, listed, near, shown
from wearbench.study.zones import to_utc_ms

__all__ = ["Row", "Table", "When", "each_row", "read_table", "resolution_s"]

MAX_OFFSET_S: Final = 31 * 86_400.0
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True, slots=True)
class When:
    """An instant, or seconds from the session's start; one of the two is None."""

    utc_ms: int | None = None
    offset_s: float | None = None

    def at_ms(self, session_start_ms: int) -> int:
        """Milliseconds since 1970, given when the session started."""
        return self.utc_ms if self.utc_ms is not None else session_start_ms + round((self.offset_s or 0.0) * 1000)

    def placed(self, session_start_ms: int | None) -> When:
        """The same as an instant, if the session's start is known."""
        return self if session_start_ms is None else When(utc_ms=self.at_ms(session_start_ms))

    def is_after(self, other: When) -> bool | None:
        """Whether this comes later; None if one is an instant and the other is not."""
        if self.utc_ms is not None and other.utc_ms is not None:
            return self.utc_ms > other.utc_ms
        if self.offset_s is not None and other.offset_s is not None:
            return self.offset_s > other.offset_s
        return None


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One row: cells by heading, stripped; an empty cell reads as None."""

    file: str
    line: int
    cells: dict[str, str]

    def fail(self, heading: str, said: str, *, slug: str, value: str | None = None) -> StudyError:
        """The error about one cell."""
        place = f"{heading}: " if heading else ""
        return StudyError(f"{place}{said}", slug=slug, file=self.file, line=self.line, value=value)

    def text(self, heading: str) -> str | None:
        """The cell's text, None if empty or the column is missing."""
        return self.cells.get(heading) or None

    def need(self, heading: str) -> str:
        """The cell's text; an empty one is an error."""
        text = self.text(heading)
        if text is None:
            raise self.fail(heading, "expected a value, got an empty cell", slug="empty-cell")
        return text

    def one_of(self, heading: str, choices: tuple[str, ...], *, what: str, slug: str = "wrong-value") -> str | None:
        """The cell's text, which must be one of the choices."""
        text = self.text(heading)
        if text is None or text in choices:
            return text
        said = f"expected {what} ({listed(choices)}), got {shown(text)}.{near(text, choices)}".removesuffix(".")
        raise self.fail(heading, said, slug=slug, value=text)

    def when(self, heading: str, zone: tzinfo | None, *, offsets: bool) -> When | None:
        """The cell as a time: ISO, or (with ``offsets``) seconds from the session's start."""
        text = self.text(heading)
        if text is None:
            return None
        try:
            return _when(text, zone, offsets=offsets)
        except StudyError as error:
            raise self.fail(heading, error.message, slug=error.slug, value=text) from None

    def instant_ms(self, heading: str, zone: tzinfo | None) -> int | None:
        """The cell as an instant in milliseconds since 1970."""
        when = self.when(heading, zone, offsets=False)
        return None if when is None else when.utc_ms


def _when(text: str, zone: tzinfo | None, *, offsets: bool) -> When:
    what = "a date and time (2031-05-01T09:00:00)"
    try:
        offset_s = float(text.replace(",", "."))
    except ValueError:
        offset_s = None
    if offset_s is not None:
        if offsets and 0 <= offset_s <= MAX_OFFSET_S:
            return When(offset_s=offset_s)
        seconds = " or seconds from the session's start (0 to 2678400)" if offsets else ""
        raise StudyError(f"expected {what}{seconds}, got {shown(text)}", slug="table-time")
    try:
        moment = datetime.fromisoformat(text.replace(" Z", "Z"))
        if len(text) < 12:
            raise ValueError(text)
    except ValueError:
        seconds = " or seconds from the session's start" if offsets else ""
        raise StudyError(f"expected {what}{seconds}, got {shown(text)}", slug="table-time") from None
    return When(utc_ms=to_utc_ms(moment, zone, value=text))


def resolution_s(text: str) -> float:
    """How finely a time is written: 60 for minutes, 1 for whole seconds, 0.1 for tenths and so on; never below 1 ms."""
    if re.search(r"\d[T ]\d{1,2}:\d{2}(?!\d|:)", text):
        return 60.0
    digits = re.search(r"(?:^|:)\d+[.,](\d+)", text)
    return 1.0 if digits is None else max(10.0 ** -len(digits[1]), 0.001)


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """A table read: headings, rows, and the problems found on the way."""

    headings: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    problems: list[Problem] = field(default_factory=list)


def read_table(path: Path, *, required: tuple[str, ...], known: tuple[str, ...]) -> Table:
    """Read one of the study's tables; a missing file is an empty table.

    Parameters
    ----------
    path : Path
    required : tuple of str
        Headings without which the table cannot be used.
    known : tuple of str
        Other headings with a meaning; anything else is kept, with a word if it looks like one of these.

    Returns
    -------
    Table
        What cannot be read is in ``problems``; nothing is raised.
    """
    table = Table()
    if not path.exists():
        return table
    try:
        text, problems = _decoded(path)
        return _parsed(text, file=path.name, required=required, known=known, problems=problems)
    except StudyError as error:
        table.problems.append(Problem.of(error, costs="this table"))
        return table


def _decoded(path: Path) -> tuple[str, list[Problem]]:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise StudyError(f"cannot be opened: {error.strerror}", slug="cannot-read", file=path.name) from error
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace"), []
    if b"\0" in raw:
        raise StudyError("expected a table of text, got binary data", slug="table-text", file=path.name)
    try:
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        said = (
            f"expected UTF-8 text, got byte 0x{raw[error.start]:02x}; read as Windows-1252, so check names with accents"
        )
        note = Problem(slug="table-text", said=said, file=path.name, line=raw[: error.start].count(b"\n") + 1)
        return raw.decode("cp1252", errors="replace"), [note]


def _parsed(
    text: str, *, file: str, required: tuple[str, ...], known: tuple[str, ...], problems: list[Problem]
) -> Table:
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    headings: tuple[str, ...] | None = None
    rows: list[Row] = []
    line = 0
    try:
        for cells in reader:
            line, before = reader.line_num, line
            stripped = [cell.strip() for cell in cells]
            if not any(stripped):
                continue
            if headings is None:
                headings = _checked_headings(stripped, file=file, line=line, required=required)
            elif len(stripped) > len(headings) and any(stripped[len(headings) :]):
                said = (
                    f"expected {len(headings)} cells as in the heading, got {len(stripped)}. "
                    f"Quote cells that hold {shown(delimiter)}"
                )
                problems.append(Problem(slug="table-row", said=said, file=file, line=before + 1, costs="this row"))
            else:
                rows.append(Row(file=file, line=before + 1, cells=dict(zip(headings, stripped, strict=False))))
    except csv.Error as error:
        said = f"expected a table of text: {error}"
        problems.append(Problem(slug="table-row", said=said, file=file, line=line + 1, costs="the rest of this table"))
    if headings is None:
        raise StudyError(
            f"expected a heading line with {listed(required, word='and')}, got an empty file",
            slug="table-heading",
            file=file,
        )
    problems.extend(
        Problem(slug="table-heading", said=f"column {shown(heading)} is kept as it is.{hint}", file=file)
        for heading in headings
        if heading not in known + required
        and "." not in heading
        and (hint := near(heading, [k for k in known if k not in headings]))
    )
    return Table(headings=headings, rows=tuple(rows), problems=problems)


def _checked_headings(cells: list[str], *, file: str, line: int, required: tuple[str, ...]) -> tuple[str, ...]:
    while cells and not cells[-1]:
        cells.pop()
    for heading in cells:
        if cells.count(heading) > 1:
            raise StudyError(
                f"expected each heading once, got {shown(heading)} twice", slug="table-heading", file=file, line=line
            )
    missing = [heading for heading in required if heading not in cells]
    if missing:
        said = f"expected the headings {listed(required, word='and')}, got {listed(cells, word='and')}"
        raise StudyError(said, slug="table-heading", file=file, line=line)
    return tuple(cells)


def each_row(table: Table, make: Callable[[Row], T]) -> list[T]:
    """Make something of each row; a row that fails becomes a problem and costs only itself."""
    made: list[T] = []
    for row in table.rows:
        try:
            made.append(make(row))
        except StudyError as error:
            table.problems.append(Problem.of(error, costs="this row"))
    return made
