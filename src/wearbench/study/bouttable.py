"""bouts.csv with rows added or taken out; every other byte of it stays as the person wrote it."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Final

from wearbench.errors import StudyError, UsageError
from wearbench.study.beside import write_beside
from wearbench.study.newbouts import NewBout
from wearbench.study.problem import listed

__all__ = ["BoutTable", "iso_instant", "read_bout_table"]

FILE: Final = "bouts.csv"
HEADINGS: Final = ("session", "bout", "start", "end", "activity", "intensity", "clock")
REQUIRED: Final = ("session", "start", "end")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MARKED: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def iso_instant(ms: int, zone: tzinfo | None) -> str:
    """An instant as it is written in tables: ISO with its offset, milliseconds only where there are any."""
    moment = (_EPOCH + timedelta(milliseconds=ms)).astimezone(zone or UTC)
    return moment.isoformat(timespec="milliseconds" if ms % 1000 else "seconds")


@dataclass(frozen=True, kw_only=True, slots=True)
class BoutTable:
    """The table as it stands in its file.

    Attributes
    ----------
    path : Path
    raw : bytes or None
        What the file held when it was read; None where there was none.
    mark, encoding : bytes, str
        Byte-order mark and encoding.
    lines : tuple of str
        With their line ends.
    heading_lines : tuple of int
        First line of the heading and the first after it, counted from 0.
    headings : tuple of str
    spans : dict of int to int
        From the line a row begins with, counted from 1, to the line it ends with.
    delimiter, newline : str
    """

    path: Path
    raw: bytes | None
    mark: bytes
    encoding: str
    lines: tuple[str, ...]
    heading_lines: tuple[int, int]
    headings: tuple[str, ...]
    spans: dict[int, int]
    delimiter: str
    newline: str

    def written(
        self, session: str, bouts: Sequence[NewBout], *, zone: tzinfo | None, without: Collection[int] = ()
    ) -> bytes:
        """The bytes of the table with rows added at its end and others taken out.

        Parameters
        ----------
        session : str
        bouts : sequence of NewBout
        zone : tzinfo or None
            In which instants are written, with their offset; UTC if None.
        without : collection of int
            Lines with which the rows begin that are to go.

        Raises
        ------
        UsageError
            If a name cannot be written in the table's encoding, or no row begins with such a line.
        """
        rows = [
            {
                "session": session,
                "bout": bout.name,
                "start": iso_instant(bout.start_ms, zone),
                "end": iso_instant(bout.end_ms, zone),
                "activity": bout.activity or "",
                "intensity": bout.intensity or "",
                "clock": bout.clock or "",
            }
            for bout in bouts
        ]
        missing = [name for name in HEADINGS if name not in self.headings and any(row[name] for row in rows)]
        first, after = self.heading_lines
        if not {*without} <= self.spans.keys():
            raise _changed()
        gone = {line for begin in without for line in range(begin - 1, self.spans[begin])}
        lines = [line for number, line in enumerate(self.lines) if number >= after and number not in gone]
        head = "".join(self.lines[first:after])
        if missing:
            head = head.rstrip("\r\n").rstrip(self.delimiter + " ")
            head += "".join(self.delimiter + name for name in missing) + self.newline
        text = "".join(self.lines[:first]) + head + "".join(lines)
        if text and not text.endswith(("\n", "\r")):
            text += self.newline
        out = io.StringIO(newline="")
        columns = [*self.headings, *missing]
        writer = csv.DictWriter(
            out, columns, restval="", extrasaction="ignore", delimiter=self.delimiter, lineterminator=self.newline
        )
        writer.writerows(rows)
        try:
            return self.mark + (text + out.getvalue()).encode(self.encoding)
        except UnicodeEncodeError as error:
            sign = error.object[error.start]
            said = f"expected names that can be written as Windows-1252, got {sign!r}; save the table as UTF-8 first"
            raise UsageError(said, slug="table-text", file=FILE) from error

    def write(self, content: bytes) -> None:
        """Put the new table in place of the one that was read.

        Raises
        ------
        UsageError
            If the file was changed since, or cannot be written; it then stays as it is.
        """
        try:
            if (self.path.read_bytes() if self.path.exists() else None) != self.raw:
                raise _changed()
            write_beside(self.path.resolve(), content)
        except OSError as error:
            said = f"nothing was written: {error.strerror or error}"
            raise UsageError(said, slug="not-writable", file=FILE) from error


def _changed() -> UsageError:
    said = "the table was changed while this ran; nothing was written, give the command again"
    return UsageError(said, slug="bouts-changed", file=FILE)


def read_bout_table(folder: Path) -> BoutTable:
    """Read bouts.csv with everything that has to stay; a missing or empty one gets its headings.

    Parameters
    ----------
    folder : Path
        The study.

    Raises
    ------
    StudyError
        If it is no table of bouts, so that nothing can be added to it.
    """
    path = folder / FILE
    try:
        raw = path.read_bytes() if path.exists() else None
    except OSError as error:
        raise StudyError(f"cannot be opened: {error.strerror}", slug="cannot-read", file=FILE) from error
    mark, encoding, text = _decoded(raw or b"")
    newline = "\r\n" if "\r\n" in text else "\n"
    if not text.strip():
        text = ",".join(HEADINGS) + newline
    lines = list(io.StringIO(text, newline=""))
    first = next(line for line in lines if line.strip())
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(iter(lines), delimiter=delimiter, skipinitialspace=True)
    headings: list[str] | None = None
    heading_lines, spans, line = (0, 0), {}, 0
    try:
        for cells in reader:
            line, before = reader.line_num, line
            if not any(cell.strip() for cell in cells):
                continue
            if headings is None:
                headings, heading_lines = [cell.strip() for cell in cells], (before, line)
            else:
                spans[before + 1] = line
    except csv.Error as error:
        raise StudyError(f"expected a table of text: {error}", slug="table-row", file=FILE, line=line + 1) from error
    while headings and not headings[-1]:
        headings.pop()
    if headings is None or any(name not in headings for name in REQUIRED):
        said = f"expected the headings {listed(REQUIRED, word='and')}, got {listed(headings or (), word='and')}"
        raise StudyError(said, slug="table-heading", file=FILE, line=heading_lines[0] + 1)
    return BoutTable(
        path=path,
        raw=raw,
        mark=mark,
        encoding=encoding,
        lines=tuple(lines),
        heading_lines=heading_lines,
        headings=tuple(headings),
        spans=spans,
        delimiter=delimiter,
        newline=newline,
    )


def _decoded(raw: bytes) -> tuple[bytes, str, str]:
    """Byte-order mark, encoding and text, such that encoding it again gives the same bytes."""
    mark, named = next(((m, name) for m, name in _MARKED if raw.startswith(m)), (b"", None))
    for encoding in (named,) if named else ("utf-8", "cp1252"):
        try:
            text = raw[len(mark) :].decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return mark, encoding, text
    said = "expected a table of text, got bytes that are none; save it as UTF-8"
    raise StudyError(said, slug="table-text", file=FILE)
