"""Which format a file is in, by its content, and the reader for it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Final, cast

from wearbench.errors import FormatError
from wearbench.formats import delimited, edf, fit, gpx, rr_list, tcx
from wearbench.formats.recording import FileContent, Intervals, ReadContext, Readings, Signal
from wearbench.formats.textlines import lines_of_head
from wearbench.formats.track import root_name

__all__ = ["FORMATS", "read_file", "recognise"]

FORMATS: Final = ("edf", "fit", "parquet", "tcx", "gpx", "delimited", "rr_list")
"""Formats read, most telling first."""

_HEAD_BYTES: Final = 4096
_READABLE: Final = "delimited text, RR lists, FIT, TCX, GPX, EDF, EDF+, Parquet"
_KNOWN_OTHERS: Final = (
    (b"PK\x03\x04", "a zip archive or spreadsheet workbook", "unpack it, or export the sheet as CSV"),
    (b"\x1f\x8b", "a gzip archive", "unpack it"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it"),
    (b"%PDF", "a PDF document", "export the readings instead"),
    (b"SQLite format 3\x00", "a database", "export the readings instead"),
    (b"\xffBIOSEMI", "a BDF file (24 bits a sample)", "convert it to EDF+"),
)


def recognise(path: Path, *, head: bytes | None = None) -> str:
    """Say which format a file is in, by its content, whatever its name ends in.

    Parameters
    ----------
    path : Path
    head : bytes or None
        First bytes of the file if they are at hand.

    Returns
    -------
    str
        One of :data:`FORMATS`.

    Raises
    ------
    FormatError
        If the file is empty, cannot be opened, or is in no format that is read.
    """
    if head is None:
        head = _head_of(path)
    if not head:
        raise FormatError(
            "expected a recording, got an empty file of 0 bytes; copy or export it again", slug="empty", file=str(path)
        )
    for reader, name in ((edf, "edf"), (fit, "fit"), (tcx, "tcx"), (gpx, "gpx")):
        if reader.recognise(head, path.name):
            return name
    if head.startswith(b"PAR1"):  # its reader imports the table library, so only where needed
        return "parquet"
    root = root_name(head)
    if root is not None:
        raise FormatError(
            f"expected a recording ({_READABLE}), got XML that begins with '{root}'; export the recording in one of "
            "these formats",
            slug="unknown-format",
            file=str(path),
            value=root,
        )
    if head.lstrip()[:1] in (b"{", b"["):
        raise FormatError(
            f"expected a recording ({_READABLE}), got JSON; export the recording in one of these formats",
            slug="unknown-format",
            file=str(path),
        )
    for mark, what, advice in _KNOWN_OTHERS:
        if head.startswith(mark):
            raise FormatError(
                f"expected a recording ({_READABLE}), got {what}; {advice}", slug="unknown-format", file=str(path)
            )
    if delimited.recognise(head, path.name):
        lines = lines_of_head(head, whole=len(head) < _HEAD_BYTES)
        return "rr_list" if rr_list.is_rr_list(lines) else "delimited"
    raise FormatError(
        f"expected a recording ({_READABLE}), got binary data of no known format, beginning with the bytes "
        f"{head[:8].hex(' ')}; export the recording again",
        slug="unknown-format",
        file=str(path),
        value=head[:8].hex(" "),
    )


def _head_of(path: Path) -> bytes:
    try:
        with path.open("rb") as handle:
            return handle.read(_HEAD_BYTES)
    except OSError as error:
        raise FormatError(
            f"expected a file that can be opened, got '{error.strerror}'; check its path and rights",
            slug="cannot-open",
            file=str(path),
        ) from error


def read_file(path: Path, context: ReadContext) -> FileContent:
    """Recognise a file and read it.

    Parameters
    ----------
    path : Path
    context : ReadContext

    Returns
    -------
    FileContent

    Raises
    ------
    FormatError
        See :func:`recognise` and the reader of each format; the file is named as ``context.shown``.
    """
    try:
        name = recognise(path)
        reader = cast("Callable[[Path, ReadContext], FileContent]", import_module(f"wearbench.formats.{name}").read)
        content = reader(path, context)
    except OSError as error:
        raise FormatError(
            f"expected a file that can be read to its end, got '{error.strerror}'; check the disk and the rights",
            slug="cannot-read",
            file=context.shown,
        ) from error
    except FormatError as error:
        if error.file == context.shown:
            raise
        raise FormatError(
            error.message, slug=error.slug, file=context.shown, line=error.line, value=error.value
        ) from error.__cause__
    if context.needs_some and context.keep_ms is not None and not any(_holds(r) for r in content.recordings):
        first, last = (f"{datetime.fromtimestamp(ms / 1000, UTC):%Y-%m-%d %H:%M}" for ms in context.keep_ms)
        raise FormatError(
            f"expected readings between {first} and {last} UTC, which is the session's time with as much to either side"
            " as a clock may be off, got none; look at the dates in the file and at the session's start and end in"
            " sessions.csv",
            slug="outside-session",
            file=context.shown,
        )
    return content


def _holds(recording: Readings | Intervals | Signal) -> bool:
    if isinstance(recording, Signal):
        return bool(recording.segments)
    return bool((recording.interval_ms if isinstance(recording, Intervals) else recording.time_ms).size)
