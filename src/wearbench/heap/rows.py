"""Rows added below a table of the study, whose other lines stay as they are."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from pathlib import Path

__all__ = ["add_rows"]


def add_rows(
    path: Path, rows: Sequence[dict[str, str]], *, columns: Sequence[str], key: Sequence[str]
) -> list[dict[str, str]]:
    """Add rows that a table does not have yet; written beside and renamed.

    Parameters
    ----------
    path : Path
        Made if it is not there. Its delimiter and line ends are kept; columns it lacks are added to the line of
        headings, and only if a row has something for them.
    rows : sequence of dict
    columns : sequence of str
        Of a new table, in order.
    key : sequence of str
        What makes two rows the same.

    Returns
    -------
    list of dict
        The rows that were added; none if the table has not the columns of ``key``.
    """
    raw = path.read_bytes() if path.is_file() else b""
    mark = raw.startswith(b"\xef\xbb\xbf")
    text = raw.decode("utf-8-sig")
    lines = text.splitlines(keepends=True)
    number = next((i for i, line in enumerate(lines) if line.strip()), None)
    head = ",".join(columns) if number is None else lines[number].rstrip("\r\n")
    delimiter = max(",;\t", key=head.count)
    headings = [name.strip().strip('"') for name in next(csv.reader([head], delimiter=delimiter))]
    if not set(key) <= set(headings):
        return []
    read = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    there = {tuple(dict(zip(headings, map(str.strip, row), strict=False)).get(k, "") for k in key) for row in read}
    new = [row for row in rows if tuple(row[k] for k in key) not in there]
    if not new:
        return []
    while headings and not headings[-1]:
        headings.pop()
    missing = [name for name in columns if name not in headings and any(row.get(name) for row in new)]
    end = "\r\n" if "\r\n" in text else "\n"
    if number is None:
        text = head + end
    elif missing:
        bare = lines[number].rstrip("\r\n").rstrip(delimiter + " ")
        lines[number] = delimiter.join([bare, *missing]) + lines[number][len(lines[number].rstrip("\r\n")) :]
        text = "".join(lines)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(
        out, [*headings, *missing], restval="", extrasaction="ignore", delimiter=delimiter, lineterminator=end
    )
    writer.writerows(new)
    whole = (text if text.endswith("\n") else text + end) + out.getvalue()
    beside = path.with_name(f".{path.name}.part")
    beside.write_bytes((b"\xef\xbb\xbf" if mark else b"") + whole.encode())
    os.replace(beside, path)
    return new
