"""Written instants to whole milliseconds, many rows at once.

Rows that are written alike (same length, digits and marks in the same places) are read together: the first of them is
matched against the ways of writing below, and the places of its year, month, ... hold for all the others.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.formats.numbers import Cells

__all__ = [
    "BAD",
    "CLOCK",
    "DATE",
    "EARLIEST_MS",
    "LATEST_MS",
    "NAIVE",
    "UTC",
    "Stamps",
    "parse_stamps",
    "pattern_of_strptime",
]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]

BAD: Final = 0
"""Not a stamp."""
NAIVE: Final = 1
"""Date and time without an offset; ``ms`` counts from 1970-01-01T00:00 on that clock."""
UTC: Final = 2
"""Date, time and offset; ``ms`` is UTC."""
CLOCK: Final = 3
"""Time of day only; ``ms`` counts from midnight."""
DATE: Final = 4
"""Date only; ``ms`` as for NAIVE."""

EARLIEST_MS: Final = -2_208_988_800_000
"""1900-01-01; instants before it, or from 2200 on, are not believed."""
LATEST_MS: Final = 7_258_118_400_000

_TIME = (
    r"(?P<H>\d{1,2}):(?P<M>\d{2})(?::(?P<S>\d{2})(?:[.,:](?P<f>\d{1,9}))?)?"
    r"(?: ?(?P<p>[AaPp])\.?[Mm]\.?)?"
    r"(?: ?(?P<z>Z|z|UTC|GMT|(?:UTC|GMT)?(?P<zs>[+-])(?P<zh>\d{1,2})(?::?(?P<zm>\d{2}))?))?"
)
_GAP = r"(?:[T_]| ?, ?| +- +| +at +| +)"
_WEEKDAY = r"(?:[A-Za-z]{3,9}\.?,? )?"
_DATES = {
    "ymd": r"(?P<Y>\d{4})(?P<sep>[-/.])(?P<m>\d{1,2})(?P=sep)(?P<d>\d{1,2})",
    "compact": r"(?P<Y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
    "dotted": r"(?P<a>\d{1,2})\.(?P<b>\d{1,2})\.(?P<Y>\d{4})",
    "slashed": _WEEKDAY + r"(?P<a>\d{1,2})(?P<sep>[-/])(?P<b>\d{1,2})(?P=sep)(?P<Y>\d{4})",
    "short": r"(?P<s1>\d{1,2})(?P<sep>[-/.])(?P<s2>\d{1,2})(?P=sep)(?P<s3>\d{2})",
    "named_dmy": _WEEKDAY + r"(?P<d>\d{1,2})\.?[ -](?P<b3>[A-Za-z]{3,9})\.?,?[ -](?P<Y>\d{4})",
    "named_mdy": _WEEKDAY + r"(?P<b3>[A-Za-z]{3,9})\.? (?P<d>\d{1,2}),? (?P<Y>\d{4})",
}
_WAYS: Final = tuple(
    [re.compile(date + _GAP + _TIME) for date in _DATES.values()]
    + [re.compile(_TIME)]
    + [re.compile(date) for name, date in _DATES.items() if name != "compact"]
    + [
        re.compile(r"(?P<Y>\d{4})(?P<m>\d{2})(?P<d>\d{2})T?(?P<H>\d{2})(?P<M>\d{2})(?P<S>\d{2})(?P<z>Z)?"),
        re.compile(r"(?:[A-Za-z]{3} )(?P<b3>[A-Za-z]{3}) +(?P<d>\d{1,2}) " + _TIME + r" (?P<Y>\d{4})"),
    ]
)
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DAY_MS: Final = 86_400_000
_MOST_SHAPES: Final = 400

_STRPTIME: Final = {
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<y>\d{2})",
    "m": r"(?P<m>\d{1,2})",
    "d": r"(?P<d>\d{1,2})",
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<H>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,9})",
    "p": r"(?P<p>[AaPp])\.?[Mm]\.?",
    "b": r"(?P<b3>[A-Za-z]{3,9})",
    "B": r"(?P<b3>[A-Za-z]{3,9})",
    "a": r"[A-Za-z]{2,9}",
    "A": r"[A-Za-z]{2,9}",
    "z": r"(?P<z>Z|(?P<zs>[+-])(?P<zh>\d{2})(?::?(?P<zm>\d{2}))?)",
    "T": r"(?P<H>\d{1,2}):(?P<M>\d{1,2}):(?P<S>\d{1,2})",
    "%": "%",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Stamps:
    """Stamps of n cells.

    Attributes
    ----------
    ms : int64 array, shape (n,)
        Whole milliseconds; what they count from is told by ``state``. Finer fractions are rounded half up.
    state : uint8 array, shape (n,)
        ``BAD``, ``NAIVE``, ``UTC``, ``CLOCK`` or ``DATE``.
    first_part, second_part : (int, int) or None
        Smallest and largest of the first and of the second number of dates such as 05/01/2031; None without such.
    parts_differ : bool
        Whether any such date has two different numbers, so that its order matters.
    dotted : bool
        Whether such dates are written with dots.
    short_year : int or None
        Row of the first date whose year has two digits (such rows are BAD).
    twelve_hour : bool
        Whether any stamp says AM or PM.
    """

    ms: I64
    state: U8
    first_part: tuple[int, int] | None = None
    second_part: tuple[int, int] | None = None
    parts_differ: bool = False
    dotted: bool = False
    short_year: int | None = None
    twelve_hour: bool = False


def pattern_of_strptime(pattern: str) -> re.Pattern[str] | None:
    """Regular expression of a strptime pattern; None if a directive is not known or is given twice."""
    out = ""
    letters = iter(pattern)
    for letter in letters:
        if letter == "%":
            piece = _STRPTIME.get(next(letters, ""))
            if piece is None:
                return None
            out += piece
        else:
            out += r" +" if letter == " " else re.escape(letter)
    try:
        return re.compile(out)
    except re.error:
        return None


def parse_stamps(cells: Cells, *, day_first: bool | None = None, pattern: re.Pattern[str] | None = None) -> Stamps:
    """Read written instants.

    Parameters
    ----------
    cells : Cells
        n cells.
    day_first : bool or None
        Order of dates such as 05/01/2031. None reads each as it can be, day
        first where both orders can, and leaves the decision to the caller, who has
        ``first_part`` and ``second_part``.
    pattern : compiled pattern or None
        From :func:`pattern_of_strptime`; then nothing else is tried.

    Returns
    -------
    Stamps
    """
    n = cells.start.size
    ms = np.zeros(n, dtype=np.int64)
    state = np.zeros(n, dtype=np.uint8)
    notes = _Notes()
    ways = _WAYS if pattern is None else (pattern,)
    left: NDArray[np.intp] | None = None
    for _ in range(_MOST_SHAPES):
        rows = cells if left is None else cells.take(left)
        if rows.start.size == 0:
            break
        sample = rows.text(0)
        found = next((m for way in ways if (m := way.fullmatch(sample))), None)
        alike = _alike(rows, sample, found)
        here = np.flatnonzero(alike) if left is None else left[alike]
        if found is not None:
            group = rows if alike.all() else rows.take(alike)
            ms[here], state[here] = _read_alike(group, found, day_first=day_first, notes=notes, first_row=int(here[0]))
        left = np.flatnonzero(~alike) if left is None else left[~alike]
    return Stamps(
        ms=ms,
        state=state,
        first_part=notes.first,
        second_part=notes.second,
        parts_differ=notes.differ,
        dotted=notes.dotted,
        short_year=notes.short_year,
        twelve_hour=notes.twelve_hour,
    )


@dataclass(kw_only=True, slots=True)
class _Notes:
    first: tuple[int, int] | None = None
    second: tuple[int, int] | None = None
    differ: bool = False
    dotted: bool = False
    short_year: int | None = None
    twelve_hour: bool = False


def _alike(cells: Cells, sample: str, found: re.Match[str] | None) -> NDArray[np.bool_]:
    """Rows with digits where the sample has digits and the same marks elsewhere (letters of names may differ)."""
    raw = sample.encode()
    same: NDArray[np.bool_] = cells.length == len(raw)
    if not sample.isascii() or len(raw) > 64:
        alone = np.zeros(same.size, dtype=np.bool_)
        alone[0] = True
        return alone
    named: set[int] = set()
    if found is not None:
        for group in ("b3", "p"):
            if group in found.re.groupindex and found.start(group) >= 0:
                named.update(range(*found.span(group)))
    for place, byte in enumerate(raw):
        ours = cells.byte(place)
        if 48 <= byte <= 57:
            same &= (ours - np.uint8(48)) < 10
        elif place in named or (
            found is not None and place < 10 and sample[place].isalpha() and "b3" in found.groupdict()
        ):
            same &= ((ours | np.uint8(32)) - np.uint8(97)) < 26
        else:
            same &= ours == byte
    same[0] = True
    return same


def _number(cells: Cells, found: re.Match[str], group: str) -> I64 | None:
    if group not in found.re.groupindex or found.start(group) < 0:
        return None
    total = np.zeros(cells.start.size, dtype=np.int64)
    for place in range(*found.span(group)):
        total *= 10
        total += cells.byte(place) - np.uint8(48)
    return total


def _read_alike(
    cells: Cells, found: re.Match[str], *, day_first: bool | None, notes: _Notes, first_row: int
) -> tuple[I64, NDArray[np.uint8]]:
    n = cells.start.size
    groups = found.groupdict()
    state = np.full(n, NAIVE, dtype=np.uint8)
    if groups.get("s1") is not None:
        notes.short_year = first_row if notes.short_year is None else notes.short_year
        return np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.uint8)
    date_ms, good = _date_ms(cells, found, day_first=day_first, notes=notes)
    clock_ms, fine = _clock_ms(cells, found, notes=notes)
    if date_ms is None:
        state[:] = CLOCK
    elif clock_ms is None:
        state[:] = DATE
    total = np.zeros(n, dtype=np.int64)
    for part in (date_ms, clock_ms):
        if part is not None:
            total += part
    if groups.get("z") is not None:
        hours, minutes = _number(cells, found, "zh"), _number(cells, found, "zm")
        if hours is not None:
            offset = hours * 3_600_000 + (0 if minutes is None else minutes * 60_000)
            total -= offset if groups["zs"] == "+" else -offset
        if date_ms is not None:
            state[:] = UTC
    state[~(good & fine)] = BAD
    if date_ms is None and clock_ms is None:
        state[:] = BAD
    return total, state


def _date_ms(
    cells: Cells, found: re.Match[str], *, day_first: bool | None, notes: _Notes
) -> tuple[I64 | None, NDArray[np.bool_]]:
    good = np.ones(cells.start.size, dtype=np.bool_)
    year, month, day = (_number(cells, found, group) for group in ("Y", "m", "d"))
    short = _number(cells, found, "y")
    if short is not None:
        year = short + np.where(short >= 70, 1900, 2000)
    if year is None:
        return None, good
    a, b = _number(cells, found, "a"), _number(cells, found, "b")
    if a is not None and b is not None:
        notes.first = _wider(notes.first, a)
        notes.second = _wider(notes.second, b)
        notes.differ |= bool((a != b).any())
        notes.dotted |= "." in found.group(0).split(" ")[0]
        day, month = (b, a) if day_first is False else (a, b)
        if day_first is None:
            day, month = np.where(b > 12, b, a), np.where(b > 12, a, b)
    if month is None and found.groupdict().get("b3") is not None:
        month = _named_month(cells, found)
    if month is None or day is None:
        return None, good
    good = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1900) & (year < 2200)
    year = np.where(good, year, 1970)
    months = (year - 1970) * 12 + np.where(good, month - 1, 0)
    first = months.astype("M8[M]").astype("M8[D]").astype(np.int64)
    if (day > 28).any():
        good &= first + day - 1 < (months + 1).astype("M8[M]").astype("M8[D]").astype(np.int64)
    return (first + day - 1) * _DAY_MS, good


def _wider(span: tuple[int, int] | None, parts: I64) -> tuple[int, int]:
    low, high = int(parts.min()), int(parts.max())
    return (low, high) if span is None else (min(low, span[0]), max(high, span[1]))


def _named_month(cells: Cells, found: re.Match[str]) -> I64:
    place = found.start("b3")
    packed = np.zeros(cells.start.size, dtype=np.int64)
    for step in range(3):
        packed = packed * 256 + (cells.byte(place + step) | np.uint8(32))
    month = np.zeros(cells.start.size, dtype=np.int64)
    for number, name in enumerate(_MONTHS, start=1):
        month[packed == int.from_bytes(name.encode(), "big")] = number
    return month


def _clock_ms(cells: Cells, found: re.Match[str], *, notes: _Notes) -> tuple[I64 | None, NDArray[np.bool_]]:
    hour, minute, second = (_number(cells, found, group) for group in ("H", "M", "S"))
    elapsed = _number(cells, found, "h")
    counted = _number(cells, found, "n")
    if counted is not None:
        elapsed, minute = counted // 60, counted % 60
    elif hour is None and elapsed is None and (minute is not None or second is not None):
        elapsed = np.zeros(cells.start.size, dtype=np.int64)
    if hour is None and elapsed is not None:
        hour, fine = elapsed, np.ones(elapsed.size, dtype=np.bool_)
    elif hour is not None:
        fine = hour < 24
    else:
        return None, np.ones(cells.start.size, dtype=np.bool_)
    if found.groupdict().get("p") is not None:
        notes.twelve_hour = True
        fine = (hour >= 1) & (hour <= 12)
        afternoon = (cells.byte(found.start("p")) | np.uint8(32)) == ord("p")
        hour = hour % 12 + 12 * afternoon
    total = hour * 3_600_000
    if minute is not None:
        fine = fine & (minute < 60)
        total = total + minute * 60_000
    if second is not None:
        fine = fine & (second <= 60)
        total = total + second * 1000
    fraction = _number(cells, found, "f")
    if fraction is not None:
        digits = found.end("f") - found.start("f")
        if digits <= 3:
            total = total + fraction * 10 ** (3 - digits)
        else:
            scale = 10 ** (digits - 3)
            total = total + (fraction + scale // 2) // scale
    return total, fine
