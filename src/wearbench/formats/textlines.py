"""A text file as stretches of whole lines in UTF-8, and those lines cut into columns."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.numbers import Cells, trimmed

__all__ = ["Lines", "TextFile", "encoding_of", "first_lines", "lines_of_head", "split_line"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]

_BLOCK = 1 << 21
_LONGEST_LINE = 1 << 24
_WIDE_BLANKS = (b"\xc2\xa0", b"\xe2\x80\xaf", b"\xe2\x80\x89", b"\xef\xbb\xbf")


def encoding_of(head: bytes) -> str:
    """Encoding of a text by its first bytes: a byte-order mark, the zero bytes of UTF-16, else UTF-8 (to be seen)."""
    for mark, name in (
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return name
    pairs = head[: len(head) // 2 * 2]
    if len(pairs) >= 4 and 0 in pairs:
        zeros = (pairs[0::2].count(0), pairs[1::2].count(0))
        if zeros[1] > 0.4 * len(pairs) / 2 and zeros[0] * 8 < zeros[1]:
            return "utf-16-le"
        if zeros[0] > 0.4 * len(pairs) / 2 and zeros[1] * 8 < zeros[0]:
            return "utf-16-be"
    return "utf-8"


@dataclass(kw_only=True, slots=True)
class TextFile:
    """Reads a text file in stretches of whole lines.

    After reading, ``encoding`` is what was used and ``first_odd_line`` is the first line that is not UTF-8 and was read
    as Latin-1 (None if all was well); ``ends_torn`` says that the last line has no line end.
    """

    path: Path
    encoding: str = "utf-8"
    first_odd_line: int | None = None
    ends_torn: bool = False
    n_lines: int = field(default=0)

    def stretches(self, *, block: int = _BLOCK) -> Iterator[tuple[bytes, int]]:
        """Yield (whole lines ending in a line feed, number of the first of them counted from 1).

        Raises
        ------
        FormatError
            If a line is longer than any table's.
        """
        line = 1
        rest = b""
        decoder: codecs.IncrementalDecoder | None = None
        only_returns = False
        with self.path.open("rb") as handle:
            while True:
                raw = handle.read(block)
                if line == 1 and not rest and raw:
                    self.encoding = encoding_of(raw[:4096])
                    if self.encoding != "utf-8":
                        decoder = codecs.getincrementaldecoder(self.encoding)("replace")
                if decoder is not None:
                    raw_text = decoder.decode(raw, final=not raw)
                    data = raw_text.encode("utf-8", "replace")
                else:
                    data = raw
                if line == 1 and not rest:
                    only_returns = b"\n" not in data and b"\r" in data[:-1]
                if only_returns:
                    data = data.replace(b"\r", b"\n")
                ended = not raw
                data = rest + data
                cut = len(data) if ended else data.rfind(b"\n") + 1
                rest, data = data[cut:], data[:cut]
                if len(rest) > _LONGEST_LINE:
                    raise FormatError(
                        f"expected lines of text, got one of more than {_LONGEST_LINE >> 20} MB; export the recording "
                        "again",
                        slug="long-line",
                        line=line + data.count(b"\n"),
                    )
                if data:
                    if ended and not data.endswith(b"\n"):
                        self.ends_torn = True
                        data += b"\n"
                    yield self._clean(data, line), line
                    line += data.count(b"\n")
                if ended:
                    break
        self.n_lines = line - 1

    def _clean(self, data: bytes, line: int) -> bytes:
        if data.isascii():
            return data
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as error:
            if self.first_odd_line is None:
                self.first_odd_line = line + data[: error.start].count(b"\n")
            data = data.decode("latin-1").encode("utf-8")
        for blank in _WIDE_BLANKS:
            data = data.replace(blank, b" ")
        return data


def lines_of_head(head: bytes, *, whole: bool) -> list[str]:
    """Lines of a file's first bytes, decoded; the last is left out unless the bytes are the whole file."""
    text = head.decode(encoding_of(head), "replace").replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    return lines if whole or len(lines) == 1 else lines[:-1]


def first_lines(file: TextFile, *, most: int = 150) -> list[str]:
    """First lines of a text file, decoded, at most ``most`` of them."""
    for data, _ in file.stretches(block=1 << 17):
        return [line.decode() for line in islice(data.split(b"\n"), most)]
    return []


def split_line(text: str, *, delimiter: str) -> list[str]:
    """Cells of one line: split at delimiters outside double quotes, trimmed."""
    if '"' not in text or text.count('"') % 2:
        return [cell.strip().strip('"').strip() for cell in text.split(delimiter)]
    cells, quoted, cell = [], False, ""
    for letter in text:
        if letter == '"':
            quoted = not quoted
        elif letter == delimiter and not quoted:
            cells.append(cell.strip())
            cell = ""
        else:
            cell += letter
    return [*cells, cell.strip()]


@dataclass(frozen=True, kw_only=True, slots=True)
class Lines:
    """Lines of one stretch, cut at the delimiter; empty lines are left out.

    ``number`` int64 (n,) is each line's number in the file; ``n_cells`` int64 (n,) how many cells it has.
    """

    buffer: U8
    number: I64
    n_cells: I64
    delimiter: str
    _start: I64
    _end: I64
    _first: I64
    _cuts: I64

    @classmethod
    def of(cls, data: bytes, *, first_number: int, delimiter: str) -> Lines:
        """Cut whole lines (each ending in a line feed) into cells."""
        buffer = np.frombuffer(data, dtype=np.uint8)
        ends = np.flatnonzero(buffer == 10)
        starts = np.empty_like(ends)
        starts[:1] = 0
        starts[1:] = ends[:-1] + 1
        number = first_number + np.arange(ends.size, dtype=np.int64)
        bare = ends - starts
        empty = (bare == 0) | ((bare == 1) & (buffer.take(starts, mode="clip") == 13))
        if empty.any():
            starts, ends, number = starts[~empty], ends[~empty], number[~empty]
        cuts = np.flatnonzero(buffer == ord(delimiter))
        if b'"' in data:
            cuts = _outside_quotes(buffer, cuts, starts, ends)
        first = np.searchsorted(cuts, starts)
        n_cells = np.searchsorted(cuts, ends) - first + 1
        return cls(
            buffer=buffer,
            number=number,
            n_cells=n_cells,
            delimiter=delimiter,
            _start=starts,
            _end=ends,
            _first=first,
            _cuts=cuts,
        )

    def column(self, index: int) -> Cells:
        """Cells of one column, counted from 0; lines that are too short have an empty cell there."""
        if self._cuts.size == 0:
            start = self._start if index == 0 else self._end
            return trimmed(self.buffer, start, self._end)
        at = self._first + index
        start = self._start if index == 0 else self._cuts.take(at - 1, mode="clip") + 1
        last = self.n_cells == index + 1
        end = np.where(last, self._end, self._cuts.take(at, mode="clip"))
        absent = self.n_cells <= index
        if absent.any():
            start, end = np.where(absent, self._end, start), np.where(absent, self._end, end)
        return trimmed(self.buffer, start, end)

    def may_hold(self, letter: str) -> bool:
        """Whether a letter can stand inside a cell at all: it is there, and not only as a delimiter."""
        there = bool((self.buffer == ord(letter)).any())
        return there and (self.delimiter != letter or bool((self.buffer == 34).any()))

    def from_line(self, number: int) -> Lines:
        """Return the lines from one line number of the file on."""
        cut = int(np.searchsorted(self.number, number))
        return Lines(
            buffer=self.buffer,
            number=self.number[cut:],
            n_cells=self.n_cells[cut:],
            delimiter=self.delimiter,
            _start=self._start[cut:],
            _end=self._end[cut:],
            _first=self._first[cut:],
            _cuts=self._cuts,
        )


def _outside_quotes(buffer: U8, cuts: I64, starts: I64, ends: I64) -> I64:
    """Delimiters outside double quotes; a line with an odd number of quotes is taken as it stands."""
    quotes = np.flatnonzero(buffer == 34)
    line_of = np.searchsorted(ends, cuts)
    line_of = np.minimum(line_of, max(ends.size - 1, 0))
    before = np.searchsorted(quotes, starts)
    total = np.searchsorted(quotes, ends) - before
    inside = (np.searchsorted(quotes, cuts) - before[line_of]) % 2 == 1
    outside: I64 = cuts[~(inside & (total[line_of] % 2 == 0))]
    return outside
