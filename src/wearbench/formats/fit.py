"""FIT files: records with heart rate, cadence, power and speed, hrv messages with RR intervals, laps.

General terms of the format are from memory of its public description: ``record`` is global message 20, ``hrv`` 78,
``monitoring`` 55, ``lap`` 19, ``workout_step`` 27; field 253 counts seconds from 1989-12-31T00:00:00Z. Words for
sports, intensities and triggers are those of the public profile.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.build import plain_column, settle_and_build, too_many
from wearbench.formats.laps import RawLap, settle_laps
from wearbench.formats.recording import FileContent, Intervals, Lap, ReadContext, Readings, Repair, Signal
from wearbench.formats.stamps import UTC

__all__ = ["crc16", "read", "recognise"]

I64 = NDArray[np.int64]

_EPOCH_S: Final = 631_065_600
_SINCE_POWER_ON: Final = 0x1000_0000
_FILE_ID, _SESSION, _RECORD, _DEVICE_INFO, _CREATOR, _MONITORING, _HRV, _SPORT = 0, 18, 20, 23, 49, 55, 78, 12
_LAP, _STEP = 19, 27
_STRIDE_SPORTS: Final = {1: "running", 11: "walking", 17: "hiking"}
_TIMESTAMP: Final = 253
_NO_WORD: Final = ("generic", "all", "other")


def recognise(head: bytes, name: str) -> bool:
    """Whether a file begins with a FIT header: its size and the letters .FIT in places 8 to 11."""
    del name
    return len(head) >= 12 and head[8:12] == b".FIT"


def _table() -> tuple[int, ...]:
    rows = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ 0xA001 if byte & 1 else byte >> 1
        rows.append(byte)
    return tuple(rows)


_CRC_TABLE: Final = _table()


def crc16(data: bytes) -> int:
    """16-bit checksum of FIT files (polynomial 0x8005, reflected, start 0)."""
    crc, table = 0, _CRC_TABLE
    for byte in data:
        crc = (crc >> 8) ^ table[(crc ^ byte) & 0xFF]
    return crc


@dataclass(kw_only=True, slots=True)
class _Gathered:
    """Columns as they are read; None stands for "no value"."""

    time_s: list[int] = field(default_factory=list)
    row: list[int] = field(default_factory=list)
    columns: dict[str, list[float | None]] = field(
        default_factory=lambda: {name: [] for name in ("heart_rate", "cadence", "power", "speed", "respiration_rate")}
    )
    interval_ms: list[float] = field(default_factory=list)
    interval_row: list[int] = field(default_factory=list)
    after_record: list[int] = field(default_factory=list)
    facts: dict[str, str] = field(default_factory=dict)
    developer_fields: set[str] = field(default_factory=set)
    laps: list[dict[int, Any]] = field(default_factory=list)
    steps: dict[int, str] = field(default_factory=dict)
    sport: int | None = None
    n_messages: int = 0
    n_untimed: int = 0
    last_s: int = 0


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a FIT file.

    Parameters
    ----------
    path : Path
    context : ReadContext

    Returns
    -------
    FileContent
        Records become readings; hrv messages become intervals, each stamped with the record that follows it (or the
        last one), which can be late but not early. The format's own marks for "invalid" become NaN. Laps last from
        their start over the elapsed time, pauses included; a lap without one ends with its message's stamp.

    Raises
    ------
    FormatError
        If no record can be read, and with ``context.laps_only`` no lap either.
    """
    data = path.read_bytes()
    repairs: list[Repair] = []
    data = _checked(data, context, repairs)
    got = _Gathered()
    for fields in _messages(data, got, context, repairs):
        _take(fields, got, context)
    if not got.time_s and not got.interval_ms and not (context.laps_only and got.laps):
        raise FormatError(
            f"expected record or hrv messages, got {got.n_messages} messages and none of these; export the activity "
            "itself, or copy the file again",
            slug="fit-no-records",
            file=context.shown,
        )
    return _content(path, context, got, repairs)


def _checked(data: bytes, context: ReadContext, repairs: list[Repair]) -> bytes:
    """Compare sizes and checksums with what is there; a size of 0 left by a crash is filled in."""
    at, number = 0, 0
    while at + 12 <= len(data) and data[at + 8 : at + 12] == b".FIT":
        number += 1
        which = "" if at == 0 else f" of the file that begins at byte {at}"
        header_bytes, body_bytes = data[at], struct.unpack_from("<I", data, at + 4)[0]
        held = len(data) - at - header_bytes
        if body_bytes == 0 and held > 2:
            repairs.append(
                _said("fit-size", f"the header{which} says 0 bytes of data, {held} are there; read", context)
            )
            return data[: at + 4] + struct.pack("<I", held) + data[at + 8 :]
        end = at + header_bytes + body_bytes
        if end + 2 > len(data):
            repairs.append(
                _said(
                    "fit-truncated",
                    f"the header{which} promises {header_bytes + body_bytes + 2} bytes, {len(data) - at} are there; "
                    "kept what was read up to the cut",
                    context,
                )
            )
            return data
        written, found = struct.unpack_from("<H", data, end)[0], crc16(data[at:end])
        if written != found:
            repairs.append(
                _said(
                    "fit-checksum",
                    f"the checksum{which} is 0x{written:04X}, its bytes give 0x{found:04X}; read nevertheless",
                    context,
                )
            )
        at = end + 2
    if at < len(data) and number:
        repairs.append(_said("fit-tail", f"{len(data) - at} bytes follow the end of the file; left out", context))
        return data[:at]
    return data


def _said(slug: str, said: str, context: ReadContext) -> Repair:
    return Repair(slug=slug, said=said, file=context.shown)


def _messages(
    data: bytes, got: _Gathered, context: ReadContext, repairs: list[Repair]
) -> Iterator[tuple[int, list[Any]]]:
    """Data messages up to the end or to the first fault."""
    import fitdecode

    reader = fitdecode.FitReader(
        BytesIO(data),
        processor=None,
        check_crc=fitdecode.CrcCheck.DISABLED,
        error_handling=fitdecode.ErrorHandling.IGNORE,
    )
    try:
        for frame in reader:
            if frame.frame_type == fitdecode.FIT_FRAME_DATA:
                got.n_messages += 1
                yield frame.global_mesg_num, frame.fields
    except fitdecode.FitEOFError:
        if not any(repair.slug in ("fit-truncated", "fit-size") for repair in repairs):
            repairs.append(
                _said(
                    "fit-broken", f"the data ends inside a message after {got.n_messages} messages; kept these", context
                )
            )
    except (fitdecode.FitError, struct.error, KeyError, ValueError, AssertionError, TypeError) as error:
        repairs.append(
            _said(
                "fit-broken",
                f"after {got.n_messages} messages the bytes are no message ({error}); kept what was read before",
                context,
            )
        )


def _take(message: tuple[int, list[Any]], got: _Gathered, context: ReadContext) -> None:
    number, fields = message
    if number == _STEP:
        _take_step(fields, got)
    if number not in (_RECORD, _HRV, _MONITORING, _FILE_ID, _CREATOR, _DEVICE_INFO, _SESSION, _SPORT, _LAP):
        for item in fields:
            if isinstance(item.raw_value, int) and _place(item) == _TIMESTAMP:
                got.last_s = int(item.raw_value)
        return
    if number == _HRV:
        for item in fields:
            if _place(item) == 0:
                raw = item.raw_value if isinstance(item.raw_value, tuple) else (item.raw_value,)
                for value in raw:
                    if isinstance(value, int | float):
                        got.interval_ms.append(float(value))
                        got.interval_row.append(got.n_messages)
                        got.after_record.append(len(got.time_s))
        if len(got.interval_ms) > context.max_readings:
            raise too_many(context)
        return
    values: dict[int, Any] = {}
    for item in fields:
        place = _place(item)
        if item.field_def is None and place != _TIMESTAMP:
            continue  # a component: repeats another field in its own scale
        if place is None:
            got.developer_fields.add(str(item.name))
        elif isinstance(item.raw_value, int | float):
            values[place] = item.raw_value
    if _TIMESTAMP in values:
        got.last_s = int(values[_TIMESTAMP])
    if number == _RECORD:
        _take_record(values, got, context)
    elif number == _MONITORING and 27 in values:
        _take_monitoring(values, got, context)
    elif number == _LAP:
        got.laps.append(values)
    else:
        if number in (_SESSION, _SPORT):
            got.sport = values.get(5 if number == _SESSION else 0, got.sport)
        _take_facts(number, values, got)


def _place(item: Any) -> int | None:
    """Number of a field; None for developer fields."""
    if item.field_def is not None:
        return None if item.field_def.is_dev else int(item.field_def.def_num)
    return int(item.field.def_num) if item.field is not None else None


def _take_record(values: dict[int, Any], got: _Gathered, context: ReadContext) -> None:
    if _TIMESTAMP not in values:
        got.n_untimed += 1
        return
    cadence, part = values.get(4), values.get(53)
    speed = values.get(73, values.get(6))
    breaths = values.get(108)
    _append(
        got,
        int(values[_TIMESTAMP]),
        context,
        heart_rate=values.get(3),
        cadence=None if cadence is None else cadence + (part or 0) / 128.0,
        power=values.get(7),
        speed=None if speed is None else speed / 1000.0,
        respiration_rate=values.get(99) if breaths is None else breaths / 100.0,
    )


def _take_monitoring(values: dict[int, Any], got: _Gathered, context: ReadContext) -> None:
    stamp = got.last_s
    if 26 in values and _TIMESTAMP not in values:
        stamp += (int(values[26]) - stamp) & 0xFFFF
        got.last_s = stamp
    _append(got, stamp, context, heart_rate=values[27])


def _append(got: _Gathered, stamp: int, context: ReadContext, **values: float | None) -> None:
    got.time_s.append(stamp)
    got.row.append(got.n_messages)
    for name, column in got.columns.items():
        column.append(values.get(name))
    if len(got.time_s) > context.max_readings:
        raise too_many(context)


def _take_step(fields: list[Any], got: _Gathered) -> None:
    """Keep the name of a step of the workout under its index, for laps that say which step they are."""
    values = {place: item.raw_value for item in fields if (place := _place(item)) is not None}
    if isinstance(values.get(254), int) and isinstance(values.get(0), str) and values[0].strip():
        got.steps[values[254]] = values[0].strip()


def _take_facts(number: int, values: dict[int, Any], got: _Gathered) -> None:
    if number == _FILE_ID:
        for place, name in ((1, "manufacturer_number"), (2, "product_number"), (3, "serial_number")):
            if place in values:
                got.facts[name] = str(values[place])
    elif number == _CREATOR:
        for place, name in ((0, "software_version"), (1, "hardware_version")):
            if place in values:
                got.facts[name] = str(values[place])
    elif number == _DEVICE_INFO and values.get(0) == 0 and 5 in values:
        got.facts["software_version"] = f"{values[5] / 100:.2f}"  # goes before the creator's, which has no scale
    elif number == _SESSION and values.get(5) in _STRIDE_SPORTS:
        got.facts["sport"] = _STRIDE_SPORTS[values[5]]
    elif number == _SPORT and values.get(0) in _STRIDE_SPORTS:
        got.facts["sport"] = _STRIDE_SPORTS[values[0]]


def _content(path: Path, context: ReadContext, got: _Gathered, repairs: list[Repair]) -> FileContent:
    recordings: list[Readings | Intervals | Signal] = []
    time_s = np.array(got.time_s, dtype=np.int64)
    early = time_s < _SINCE_POWER_ON
    unset = time_s.size > 0 and bool(early.all())
    first_s = int(time_s[0]) if unset else None
    if early.any() and not unset:
        repairs.append(
            Repair(
                slug="fit-unset-clock",
                said=f"{int(early.sum())} of {time_s.size} stamps count from when the device was switched on, before "
                "its clock was set; left out",
                file=context.shown,
                count=int(early.sum()),
            )
        )
        _keep_records(got, np.flatnonzero(~early))
        time_s = time_s[~early]
    if unset:
        repairs.append(
            _said(
                "fit-unset-clock",
                f"{time_s.size} of {time_s.size} stamps count from when the device was switched on; placed by the "
                "clock search unless sessions.csv gives the session's start",
                context,
            )
        )
        time_ms = (time_s - time_s[0]) * 1000 + (context.start_ms or 0)
    else:
        time_ms = (time_s + _EPOCH_S) * 1000
    start_known = not unset or context.start_ms is not None
    laps = _laps(got, first_s, int(time_ms.max()) if time_ms.size else None, context, repairs)
    if context.laps_only:
        return FileContent(path=path, format="fit", recordings=(), repairs=tuple(repairs), facts=got.facts, laps=laps)
    if got.n_untimed:
        repairs.append(
            Repair(
                slug="rows-skipped",
                said=f"{got.n_untimed} of {got.n_untimed + time_s.size} records have no timestamp; left out",
                file=context.shown,
                count=got.n_untimed,
            )
        )
    columns = [
        plain_column(name, np.array([np.nan if value is None else value for value in values], dtype=np.float64))
        for name, values in got.columns.items()
        if any(value is not None for value in values)
    ]
    if columns:
        recordings, more = settle_and_build(
            columns,
            ms=time_ms,
            state=np.full(time_s.size, UTC, dtype=np.uint8),
            source_row=np.array(got.row, dtype=np.int64),
            context=context,
            placed=True,
            start_known=start_known,
            word="message",
        )
        repairs.extend(more)
    if got.interval_ms:
        made = _intervals(got, time_ms, start_known=start_known, context=context)
        if made is not None:
            recordings.append(made)
    if got.facts.get("sport") and any(made.quantity == "cadence" for made in recordings):
        got.facts["cadence_unit"] = "strides/min"
    if got.developer_fields:
        got.facts["developer_fields_not_read"] = ", ".join(sorted(got.developer_fields))
    if not recordings and not columns:
        raise FormatError(
            f"expected heart rate, cadence, power, speed or RR intervals, got {time_s.size} records without any of "
            "these; export the recording with its sensors",
            slug="no-numbers",
            file=context.shown,
        )
    return FileContent(
        path=path,
        format="fit",
        recordings=tuple(recordings),
        repairs=tuple(repairs),
        facts=got.facts,
        laps=laps,
    )


def _laps(
    got: _Gathered, first_s: int | None, last_ms: int | None, context: ReadContext, repairs: list[Repair]
) -> tuple[Lap, ...]:
    """Laps on the clock of the records; ``first_s`` is the first stamp of one that was never set."""
    if not got.laps:
        return ()
    starts = [values[2] for values in got.laps if 2 in values]
    if first_s is None and not got.time_s and starts and max(starts) < _SINCE_POWER_ON:
        first_s = int(min(starts))
    raw = []
    for number, values in enumerate(got.laps, 1):
        stamps = (values.get(2), values.get(_TIMESTAMP))
        start, written = (None if s is None else _lap_ms(int(s), first_s, context) for s in stamps)
        end = written if start is None or written is None or written > start else None
        if start is not None and 7 in values:
            end = start + int(values[7])
        raw.append(
            RawLap(
                number=number,
                start_ms=start,
                end_ms=end,
                label=got.steps.get(int(values.get(71, -1))),
                activity=_word("sport", values.get(25, got.sport)),
                intensity=_word("intensity", values.get(23)),
                trigger=_word("lap_trigger", values.get(24)),
            )
        )
    start_known = first_s is None or context.start_ms is not None
    laps, more = settle_laps(raw, last_ms=last_ms, context=context, start_known=start_known)
    repairs.extend(more)
    return laps


def _lap_ms(stamp_s: int, first_s: int | None, context: ReadContext) -> int | None:
    if first_s is not None:
        return (stamp_s - first_s) * 1000 + (context.start_ms or 0)
    return None if stamp_s < _SINCE_POWER_ON else (stamp_s + _EPOCH_S) * 1000


def _word(kind: str, number: int | None) -> str | None:
    """The public profile's word for a number; None where it has none, or one that says nothing."""
    if number is None:
        return None
    from fitdecode.profile import FIELD_TYPES

    word = FIELD_TYPES[kind].enum.get(number)
    return None if word in _NO_WORD else word


def _keep_records(got: _Gathered, keep: NDArray[np.intp]) -> None:
    """Drop records; intervals go with the next record that stays."""
    got.after_record = np.searchsorted(keep, np.array(got.after_record, dtype=np.int64)).tolist()
    got.time_s = [got.time_s[i] for i in keep]
    got.row = [got.row[i] for i in keep]
    got.columns = {name: [values[i] for i in keep] for name, values in got.columns.items()}


def _intervals(got: _Gathered, time_ms: I64, *, start_known: bool, context: ReadContext) -> Intervals | None:
    interval = np.array(got.interval_ms, dtype=np.float64)
    row = np.array(got.interval_row, dtype=np.int64)
    if time_ms.size == 0:
        return Intervals(
            quantity="rr",
            interval_ms=interval,
            source_row=row,
            start_ms=context.start_ms,
            start_known=context.start_ms is not None,
        )
    stamp = time_ms[np.minimum(np.array(got.after_record, dtype=np.int64), time_ms.size - 1)]
    if context.keep_ms is not None and start_known:
        keep = (stamp >= context.keep_ms[0]) & (stamp < context.keep_ms[1])
        interval, row, stamp = interval[keep], row[keep], stamp[keep]
    if interval.size == 0:
        return None
    return Intervals(quantity="rr", interval_ms=interval, source_row=row, stamp_ms=stamp, start_known=start_known)
