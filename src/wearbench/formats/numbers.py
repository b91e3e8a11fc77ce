"""Numbers and fixed places out of the bytes of a text table, many rows at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cells", "cells_of", "parse_numbers", "trimmed"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

MISSING = frozenset({"-", "--", "---", "na", "n/a", "nan", "null", "none", "nil", "missing", "?", "\\n", "."})


@dataclass(frozen=True, kw_only=True, slots=True)
class Cells:
    """One column of a stretch of text: cell i is ``buffer[start[i]:end[i]]``, trimmed of blanks and quotes."""

    buffer: U8
    start: I64
    end: I64

    @property
    def length(self) -> I64:
        """Bytes in each cell, shape (n,)."""
        return self.end - self.start

    def text(self, row: int) -> str:
        """Return one cell as text."""
        return self.buffer[int(self.start[row]) : int(self.end[row])].tobytes().decode("utf-8", "replace")

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Cells:
        """Return some of the cells."""
        return Cells(buffer=self.buffer, start=self.start[rows], end=self.end[rows])

    def byte(self, place: int) -> U8:
        """Byte at ``place`` of each cell, shape (n,); what lies past a cell's end is not blanked."""
        return self.buffer.take(self.start + place, mode="clip")


def cells_of(texts: Sequence[str]) -> Cells:
    """Cells from texts, trimmed; empty ones are kept."""
    raw = [text.strip().encode() for text in texts]
    end = np.cumsum([len(text) for text in raw], dtype=np.int64)
    start = np.append(0, end[:-1]).astype(np.int64)
    return Cells(buffer=np.frombuffer(b"".join(raw) or b" ", dtype=np.uint8), start=start, end=end)


def trimmed(buffer: U8, start: I64, end: I64) -> Cells:
    """Cells without surrounding blanks, carriage returns and one pair of double quotes."""
    if buffer.size == 0:
        return Cells(buffer=buffer, start=start, end=end)
    start, end = _strip(buffer, start, end)
    quoted = (end - start >= 2) & (buffer.take(start, mode="clip") == 34) & (buffer.take(end - 1, mode="clip") == 34)
    if quoted.any():
        start, end = _strip(buffer, start + quoted, end - quoted)
    return Cells(buffer=buffer, start=start, end=end)


def _strip(buffer: U8, start: I64, end: I64) -> tuple[I64, I64]:
    while True:
        byte = buffer.take(start, mode="clip")
        blank = ((byte == 32) | (byte == 9) | (byte == 13)) & (start < end)
        if not blank.any():
            break
        start = start + blank
    while True:
        byte = buffer.take(end - 1, mode="clip")
        blank = ((byte == 32) | (byte == 9) | (byte == 13)) & (start < end)
        if not blank.any():
            break
        end = end - blank
    return start, end


def parse_numbers(cells: Cells, *, decimal: str = ".", missing: tuple[str, ...] = ()) -> tuple[F64, NDArray[np.bool_]]:
    """Read cells as decimal numbers.

    Parameters
    ----------
    cells : Cells
        n cells.
    decimal : str
        ``"."`` or ``","``.
    missing : tuple of str
        Further texts that mean "no value".

    Returns
    -------
    value : float64 array, shape (n,)
        NaN where a cell is empty, means "no value", or is not a number.
    bad : bool array, shape (n,)
        Cells that are neither a number nor any way of saying "no value".

    Notes
    -----
    Up to 15 digits the value is an exact integer over an exact power of ten and so the nearest float64; longer numbers
    and exponents go through ``float``.
    """
    n = cells.start.size
    length = cells.length
    value = np.full(n, np.nan)
    bad = np.zeros(n, dtype=np.bool_)
    if n == 0:
        return value, bad
    width = int(min(length.max(), 17))
    point = ord(decimal)
    mantissa = np.zeros(n, dtype=np.int64)
    after = np.zeros(n, dtype=np.int64)
    points = np.zeros(n, dtype=np.int8)
    digits = np.zeros(n, dtype=np.int8)
    negative = np.zeros(n, dtype=np.bool_)
    odd = length > 17
    for place in range(width):
        byte = cells.byte(place)
        inside = place < length
        figure = byte - np.uint8(48)
        is_digit = (figure < 10) & inside
        np.multiply(mantissa, 10, out=mantissa, where=is_digit)
        np.add(mantissa, figure, out=mantissa, where=is_digit)
        digits += is_digit
        after += is_digit & (points > 0)
        other = inside & ~is_digit
        if other.any():
            is_point = other & (byte == point)
            points += is_point
            other &= ~is_point
            if place == 0:
                minus = other & (byte == 45)
                negative |= minus
                other &= ~(minus | (byte == 43))
            odd |= other
    plain = ~odd & (digits > 0) & (digits <= 15) & (points <= 1)
    np.divide(mantissa, _POWERS[after], out=value, where=plain)
    np.negative(value, out=value, where=plain & negative)
    blanks = {text.casefold() for text in missing} | MISSING
    for row in np.flatnonzero(~plain & (length > 0)):
        text = cells.text(int(row))
        if text.casefold() in blanks:
            continue
        try:
            value[row] = float(text.replace(",", ".") if decimal == "," and "." not in text else text)
        except ValueError:
            bad[row] = True
            continue
        if not np.isfinite(value[row]) or "_" in text:
            value[row], bad[row] = np.nan, True
    for text in missing:
        _blank_where(cells, text, value)
    return value, bad


def _blank_where(cells: Cells, text: str, value: F64) -> None:
    raw = text.encode()
    same = cells.length == len(raw)
    for place, byte in enumerate(raw):
        same &= cells.byte(place) == byte
    value[same] = np.nan


_POWERS: F64 = np.power(10.0, np.arange(18), dtype=np.float64)
