"""EDF and EDF+ files: evenly sampled signals in records, possibly with gaps between the records.

Layout after Kemp et al. 1992, Electroencephalogr Clin Neurophysiol 82:391-393, and Kemp & Olivan 2003, Clin
Neurophysiol 114:1755-1761.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.build import too_many
from wearbench.formats.edf_header import EdfHeader, EdfSignal, read_header
from wearbench.formats.headings import read_heading, unit_factor, unit_of
from wearbench.formats.recording import FileContent, ReadContext, Readings, Repair, Segment, Signal
from wearbench.formats.times import no_zone, written
from wearbench.formats.zones import to_utc

__all__ = ["read", "recognise"]

I64 = NDArray[np.int64]

_ANNOTATIONS: Final = "EDF Annotations"
_SLOWEST_SIGNAL_HZ: Final = 16.0


def recognise(head: bytes, name: str) -> bool:
    """Whether a file begins like EDF: version 0, dots in the start date and time."""
    del name
    return len(head) >= 184 and head[:8] == b"0       " and head[170:171] == b"." and head[178:179] == b"."


def read(path: Path, context: ReadContext) -> FileContent:
    """Read the signals of an EDF or EDF+ file that have a known label.

    Parameters
    ----------
    path : Path
    context : ReadContext
        ``zone`` is needed: EDF stamps are local.

    Returns
    -------
    FileContent
        An ECG becomes a signal with a segment for each unbroken stretch; heart rate, cadence, SpO2 and the like become
        readings.

    Raises
    ------
    FormatError
        If the header is wrong, no record is there, or no signal is known.
    """
    size = path.stat().st_size
    with path.open("rb") as handle:
        fixed = handle.read(256)
        more = fixed[252:256].strip()
        rest = handle.read(256 * int(more)) if more.isdigit() and int(more) <= 4096 else b""
    header = read_header(fixed + rest, context)
    repairs: list[Repair] = []
    n_records = _count_records(header, size, context, repairs)
    record_bytes = header.record_samples * 2
    data = np.memmap(path, dtype="<i2", mode="r", offset=header.header_bytes, shape=(n_records, record_bytes // 2))
    onset_ms = _onsets(header, data, context, repairs)
    start_ms, start_known = _placed(header, context, repairs)
    onset_ms = onset_ms + start_ms
    wanted = np.ones(n_records, dtype=np.bool_)
    if context.keep_ms is not None and start_known:
        wanted = (onset_ms + header.record_s * 1000 > context.keep_ms[0]) & (onset_ms < context.keep_ms[1])
    recordings: list[Readings | Signal] = []
    others = []
    for signal in header.signals:
        if signal.label == _ANNOTATIONS:
            continue
        quantity, unit = _quantity_of(signal, context)
        if quantity is None or any(made.quantity == quantity for made in recordings):
            others.append(signal.label)
            continue
        if signal.digital[0] == signal.digital[1] or signal.physical[0] == signal.physical[1]:
            others.append(signal.label)
            repairs.append(
                Repair(
                    slug="edf-range",
                    said=f"signal '{signal.label}' has the digital range {signal.digital[0]:g} to "
                    f"{signal.digital[1]:g} and the physical range {signal.physical[0]:g} to {signal.physical[1]:g}, "
                    "which gives no scale; left out",
                    file=context.shown,
                )
            )
            continue
        made = _recording(
            signal, quantity, unit, header=header, data=data, onset_ms=onset_ms, wanted=wanted, context=context
        )
        if made is not None:
            recordings.append(made if start_known else _unplaced(made))
    known = {made.quantity for made in recordings}
    if not known and wanted.any():
        labels = ", ".join(f"'{label}'" for label in others)
        raise FormatError(
            f"expected a signal such as ECG, HR or SpO2, got the labels {labels}; name the signal in a layout",
            slug="edf-labels",
            file=context.shown,
            value=labels,
        )
    facts = {"kind": header.kind}
    if header.equipment:
        facts["equipment"] = header.equipment
    if others:
        facts["signals_not_read"] = ", ".join(others)
    return FileContent(path=path, format="edf", recordings=tuple(recordings), repairs=tuple(repairs), facts=facts)


def _count_records(header: EdfHeader, size: int, context: ReadContext, repairs: list[Repair]) -> int:
    record_bytes = header.record_samples * 2
    held, over = divmod(size - header.header_bytes, record_bytes)
    if held < 1:
        raise FormatError(
            f"expected at least one record of {record_bytes} bytes after the EDF header, got {max(over, 0)} bytes; "
            "copy the file again",
            slug="edf-no-records",
            file=context.shown,
            value=str(over),
        )
    if header.n_records == -1:
        repairs.append(
            Repair(
                slug="edf-records",
                said=f"the header leaves the number of records open (-1), the file holds {held}; read {held}",
                file=context.shown,
            )
        )
    elif header.n_records != held:
        repairs.append(
            Repair(
                slug="edf-records",
                said=f"the header says {header.n_records} records, the file holds {held}"
                + (f" and {over} bytes of another" if over else "")
                + f"; read {min(held, header.n_records) if header.n_records > 0 and held > header.n_records else held}",
                file=context.shown,
                count=abs(header.n_records - held),
            )
        )
    elif over:
        repairs.append(
            Repair(
                slug="edf-records",
                said=f"{over} bytes follow the last of {held} records; left out",
                file=context.shown,
            )
        )
    return min(held, header.n_records) if 0 < header.n_records < held else held


def _onsets(header: EdfHeader, data: NDArray[np.int16], context: ReadContext, repairs: list[Repair]) -> I64:
    """Milliseconds from the file's start to each record: by the time-keeping annotations, else one after another."""
    n = data.shape[0]
    even: I64 = np.rint(np.arange(n) * header.record_s * 1000).astype(np.int64)
    annotations = next((s for s in header.signals if s.label == _ANNOTATIONS), None)
    if annotations is None or not header.kind.startswith("EDF+"):
        return even
    onset = np.full(n, np.nan)
    block = np.asarray(data[:, annotations.offset : annotations.offset + annotations.samples])
    for record in range(n):
        found = re.match(rb"([+-]\d+(?:\.\d*)?)(?:\x15[\d.]*)?\x14\x14", block[record].tobytes())
        if found is not None:
            onset[record] = float(found.group(1))
    lost = np.isnan(onset)
    if lost.any():
        first = int(np.argmax(lost)) + 1
        repairs.append(
            Repair(
                slug="edf-onset",
                said=f"{int(lost.sum())} of {n} records do not say when they begin, first record {first}; placed after "
                "the record before",
                file=context.shown,
                line=first,
                count=int(lost.sum()),
            )
        )
        for late in np.flatnonzero(lost).tolist():
            onset[late] = onset[late - 1] + header.record_s if late else 0.0
    found_ms: I64 = np.rint(onset * 1000).astype(np.int64)
    return found_ms


def _placed(header: EdfHeader, context: ReadContext, repairs: list[Repair]) -> tuple[int, bool]:
    if header.start_wall_ms is None:
        repairs.append(
            Repair(
                slug="edf-placeholder",
                said="the header's start date is the placeholder 01.01.85; "
                + (
                    "the session's start is used"
                    if context.start_ms is not None
                    else "placed by the clock search unless sessions.csv gives the session's start"
                ),
                file=context.shown,
            )
        )
        return context.start_ms or 0, context.start_ms is not None
    if context.zone is None:
        raise no_zone(context, line=None, value=written(header.start_wall_ms))
    wall = np.array([header.start_wall_ms], dtype=np.int64)
    found = to_utc(wall, zone=context.zone, near_ms=context.start_ms)
    if found.n_repeated:
        repairs.append(
            Repair(
                slug="repeated-hour",
                said=f"the start {written(header.start_wall_ms)} falls into an hour that the clocks showed twice; read "
                f"as {written(int(found.utc_ms[0]))}Z",
                file=context.shown,
            )
        )
    return int(found.utc_ms[0]), True


def _unplaced(made: Readings | Signal) -> Readings | Signal:
    return replace(made, start_known=False)


def _quantity_of(signal: EdfSignal, context: ReadContext) -> tuple[str | None, str | None]:
    layout = context.layout
    if layout is not None and layout.columns:
        named = {name.casefold(): said for name, said in layout.columns.items()}
        said = named.get(signal.label.casefold())
        return (None, None) if said is None else (said.quantity, said.unit or signal.unit)
    words = re.findall(r"[^\W_]+", signal.label.casefold())
    if words and re.fullmatch(r"(ecg|ekg)\d*", words[0]):
        return "ecg", signal.unit
    found = read_heading(signal.label, own_quantities=context.own_quantities)
    if found is not None and found.quantity != "rr":
        return found.quantity, found.unit or signal.unit
    return None, None


def _recording(
    signal: EdfSignal,
    quantity: str,
    unit: str | None,
    *,
    header: EdfHeader,
    data: NDArray[np.int16],
    onset_ms: I64,
    wanted: NDArray[np.bool_],
    context: ReadContext,
) -> Readings | Signal | None:
    kept = unit_of(quantity, own_quantities=context.own_quantities)
    factor = unit_factor(quantity, unit) if unit else None
    if factor is None:
        factor, kept = 1.0, unit or kept
    records = np.flatnonzero(wanted)
    if records.size == 0:
        return None
    record_ms = header.record_s * 1000
    rate = signal.samples / header.record_s if header.record_s > 0 else float(signal.samples)
    breaks = np.flatnonzero((np.diff(records) != 1) | (np.abs(np.diff(onset_ms[records]) - record_ms) > 0.5)) + 1
    runs = np.split(records, breaks)
    if quantity == "ecg" or rate > _SLOWEST_SIGNAL_HZ:
        if records.size * signal.samples > 16 * context.max_readings:
            raise too_many(context)
        segments = []
        for run in runs:
            raw = data[run[0] : run[-1] + 1, signal.offset : signal.offset + signal.samples]
            values = _float32(signal, raw, factor)
            segments.append(Segment(start_ms=int(onset_ms[run[0]]), rate_hz=rate, values=values))
        return Signal(quantity=quantity, unit=kept, segments=tuple(segments))
    if records.size * signal.samples > context.max_readings:
        raise too_many(context)
    raw = data[records, signal.offset : signal.offset + signal.samples]
    value = signal.to_physical(raw).reshape(-1) * factor
    inside = np.arange(signal.samples) * (1000.0 / rate)
    time = np.rint(onset_ms[records][:, None] + inside[None, :]).astype(np.int64).reshape(-1)
    row = np.repeat(records + 1, signal.samples).astype(np.int64)
    if context.keep_ms is not None:
        keep = (time >= context.keep_ms[0]) & (time < context.keep_ms[1])
        time, value, row = time[keep], value[keep], row[keep]
    return Readings(quantity=quantity, unit=kept, time_ms=time, value=value, source_row=row)


def _float32(signal: EdfSignal, raw: NDArray[np.int16], factor: float) -> NDArray[np.float32]:
    out = np.empty(raw.size, dtype=np.float32)
    step = max(1, 1_000_000 // max(signal.samples, 1))
    for start in range(0, raw.shape[0], step):
        part = raw[start : start + step]
        begin = start * signal.samples
        out[begin : begin + part.size] = (signal.to_physical(part) * factor).reshape(-1)
    return out
