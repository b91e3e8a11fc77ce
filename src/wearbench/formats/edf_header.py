"""Header of EDF and EDF+ files: 256 bytes for the file, then each field for all signals in turn.

Layout after Kemp et al. 1992, Electroencephalogr Clin Neurophysiol 82:391-393, and Kemp & Olivan 2003, Clin
Neurophysiol 114:1755-1761.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.recording import ReadContext

__all__ = ["EdfHeader", "EdfSignal", "read_header"]

F64 = NDArray[np.float64]

_FIELDS: Final = (
    ("label", 16),
    ("transducer", 80),
    ("unit", 8),
    ("physical_min", 8),
    ("physical_max", 8),
    ("digital_min", 8),
    ("digital_max", 8),
    ("prefilter", 80),
    ("samples", 8),
    ("reserved", 32),
)
_MONTHS: Final = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")


@dataclass(frozen=True, kw_only=True, slots=True)
class EdfSignal:
    """One signal of the header; ``offset`` is where its samples begin in a record, in samples."""

    label: str
    unit: str
    physical: tuple[float, float]
    digital: tuple[float, float]
    samples: int
    offset: int

    def to_physical(self, raw: NDArray[np.int16]) -> F64:
        """Physical values: (digital - dmin) (pmax - pmin) / (dmax - dmin) + pmin."""
        gain = (self.physical[1] - self.physical[0]) / (self.digital[1] - self.digital[0])
        value: F64 = (raw.astype(np.float64) - self.digital[0]) * gain + self.physical[0]
        return value


@dataclass(frozen=True, kw_only=True, slots=True)
class EdfHeader:
    """Header of an EDF file. ``start`` is the wall clock in ms since 1970, None when it is a placeholder."""

    kind: str
    start_wall_ms: int | None
    header_bytes: int
    n_records: int
    record_s: float
    signals: tuple[EdfSignal, ...]
    record_samples: int
    equipment: str


def read_header(data: bytes, context: ReadContext) -> EdfHeader:
    """Read the header of an EDF file.

    Parameters
    ----------
    data : bytes
        From the beginning of the file, at least the whole header.
    context : ReadContext

    Raises
    ------
    FormatError
        If a field is not what the format prescribes or the file ends inside the header.
    """
    if len(data) < 256:
        raise _cut_header(len(data), 256, context)
    n_signals = int(_number(data, 252, 256, "number of signals", context))
    if n_signals < 1 or n_signals > 4096:
        raise _wrong("a number of signals from 1 to 4096", str(n_signals), context)
    header_bytes = 256 * (n_signals + 1)
    if len(data) < header_bytes:
        raise _cut_header(len(data), header_bytes, context)
    record_s = _number(data, 244, 252, "duration of a record", context)
    columns: dict[str, list[str]] = {}
    at = 256
    for name, width in _FIELDS:
        columns[name] = [_text(data, at + i * width, at + (i + 1) * width) for i in range(n_signals)]
        at += width * n_signals
    signals, offset = [], 0
    for i in range(n_signals):
        values = [
            _number_of(columns[name][i], f"{name.replace('_', ' ')} of signal '{columns['label'][i]}'", context)
            for name in ("physical_min", "physical_max", "digital_min", "digital_max", "samples")
        ]
        signals.append(
            EdfSignal(
                label=columns["label"][i],
                unit=columns["unit"][i],
                physical=(values[0], values[1]),
                digital=(values[2], values[3]),
                samples=int(values[4]),
                offset=offset,
            )
        )
        offset += int(values[4])
    if offset <= 0:
        raise _wrong("at least one sample in a record", "0", context)
    reserved = _text(data, 192, 236)
    return EdfHeader(
        kind=reserved[:5] if reserved.startswith("EDF+") else "EDF",
        start_wall_ms=_start(data, context),
        header_bytes=header_bytes,
        n_records=int(_number(data, 236, 244, "number of records", context)),
        record_s=record_s,
        signals=tuple(signals),
        record_samples=offset,
        equipment=_equipment(_text(data, 88, 168)),
    )


def _text(data: bytes, start: int, stop: int) -> str:
    return data[start:stop].decode("latin-1").replace("\x00", " ").strip()


def _number(data: bytes, start: int, stop: int, what: str, context: ReadContext) -> float:
    return _number_of(_text(data, start, stop), what, context)


def _number_of(text: str, what: str, context: ReadContext) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise _wrong(f"a number as {what}", f"'{text}'", context) from None


def _wrong(expected: str, came: str, context: ReadContext) -> FormatError:
    return FormatError(
        f"expected {expected} in the EDF header, got {came}; export the recording again",
        slug="edf-header",
        file=context.shown,
        value=came,
    )


def _cut_header(held: int, needed: int, context: ReadContext) -> FormatError:
    return FormatError(
        f"expected an EDF header of {needed} bytes, got a file of {held} bytes; copy the file again",
        slug="edf-cut-header",
        file=context.shown,
        value=str(held),
    )


def _start(data: bytes, context: ReadContext) -> int | None:
    date, clock = _text(data, 168, 176), _text(data, 176, 184)
    found = re.fullmatch(r"(\d\d)[.:/-](\d\d)[.:/-](\d\d)", date)
    time = re.fullmatch(r"(\d\d)[.:](\d\d)[.:](\d\d)", clock)
    if found is None or time is None:
        raise _wrong("a start as dd.mm.yy and hh.mm.ss", f"'{date}' and '{clock}'", context)
    day, month, short = (int(part) for part in found.groups())
    year = short + (1900 if short >= 85 else 2000)
    long = re.match(r"Startdate (\d\d)-([A-Z]{3})-(\d{4})", _text(data, 88, 168), re.IGNORECASE)
    if long is not None and long.group(2).upper() in _MONTHS:
        day, month, year = int(long.group(1)), _MONTHS.index(long.group(2).upper()) + 1, int(long.group(3))
    hour, minute, second = (int(part) for part in time.groups())
    if (day, month, year) == (1, 1, 1985):
        return None
    try:
        start = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        raise _wrong("a start that exists", f"'{date}' and '{clock}'", context) from None
    return int(start.timestamp()) * 1000


def _equipment(recording: str) -> str:
    words = recording.split()
    return " ".join(words[4:]).strip("X ") if len(words) >= 5 and words[0] == "Startdate" else ""
