"""Bytes of the formats, written by hand for the tests; every reading in them is invented."""

from __future__ import annotations

import struct
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from wearbench.formats import FileContent, ReadContext, read_file

OSLO = ZoneInfo("Europe/Oslo")
START_MS = 1_935_385_200_000  # 2031-05-01T09:00:00+02:00


def text(path: Path, content: str | bytes, *, encoding: str = "utf-8") -> Path:
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


def reading(path: Path, content: str | bytes, **options: object) -> FileContent:
    """Write a file and read it as the study would."""
    text(path, content)
    settings: dict[str, object] = {"shown": path.name, "zone": OSLO} | options
    return read_file(path, ReadContext(**settings))  # type: ignore[arg-type]


def padded(*fields: tuple[str, int]) -> bytes:
    return b"".join(value.encode("latin-1").ljust(width) for value, width in fields)


def edf(
    *,
    signals: list[dict[str, object]],
    n_records: int,
    record_s: float = 1,
    kind: str = "",
    start: tuple[str, str] = ("01.05.31", "09.00.00"),
    recording: str = "Startdate 01-MAY-2031 X X X",
    said_records: int | None = None,
) -> bytes:
    """EDF after Kemp et al. 1992: header field by field, then int16 records."""
    n = len(signals)
    head = padded(
        ("0", 8),
        ("X X X X", 80),
        (recording, 80),
        (start[0], 8),
        (start[1], 8),
        (str(256 * (n + 1)), 8),
        (kind, 44),
        (str(n_records if said_records is None else said_records), 8),
        (f"{record_s:g}", 8),
        (str(n), 4),
    )
    for name, width, default in (
        ("label", 16, ""),
        ("transducer", 80, ""),
        ("unit", 8, "uV"),
        ("pmin", 8, "-500"),
        ("pmax", 8, "500"),
        ("dmin", 8, "-2048"),
        ("dmax", 8, "2047"),
        ("prefilter", 80, ""),
        ("samples", 8, ""),
        ("reserved", 32, ""),
    ):
        head += b"".join(padded((str(signal.get(name, default)), width)) for signal in signals)
    body = b""
    for record in range(n_records):
        for signal in signals:
            data = signal["data"]
            assert isinstance(data, list)
            part = data[record]
            raw = part if isinstance(part, bytes) else np.asarray(part, dtype="<i2").tobytes()
            body += raw.ljust(2 * int(str(signal["samples"])), b"\0")
    return head + body


def onsets(*seconds: float) -> dict[str, object]:
    """EDF+ annotation signal with the time-keeping onset of each record."""
    return {
        "label": "EDF Annotations",
        "unit": "",
        "pmin": -1,
        "pmax": 1,
        "dmin": -32768,
        "dmax": 32767,
        "samples": 16,
        "data": [f"+{onset:g}".encode() + b"\x14\x14\0" for onset in seconds],
    }


FIT_EPOCH_S = 631_065_600


class Fit:
    """FIT messages, little-endian, after the format's public description (from memory)."""

    def __init__(self) -> None:
        self.body = b""
        self.defined: dict[int, tuple[int, bytes]] = {}

    def define(self, local: int, number: int, *fields: tuple[int, int, int], developer: bytes = b"") -> None:
        """Fields are (number, size, base type)."""
        flag = 0x60 if developer else 0x40
        self.body += bytes([flag | local, 0, 0]) + struct.pack("<HB", number, len(fields))
        self.body += b"".join(bytes(field) for field in fields) + developer

    def data(self, local: int, payload: bytes) -> None:
        self.body += bytes([local]) + payload

    def record(self, utc_s: int, heart_rate: int, cadence: int = 0xFF) -> None:
        if 0 not in self.defined:
            self.define(0, 20, (253, 4, 0x86), (3, 1, 0x02), (4, 1, 0x02))
            self.defined[0] = (20, b"")
        self.data(0, struct.pack("<IBB", utc_s - FIT_EPOCH_S, heart_rate, cadence))

    def hrv(self, *intervals_ms: int) -> None:
        if 1 not in self.defined:
            self.define(1, 78, (0, 10, 0x84))
            self.defined[1] = (78, b"")
        values = [*intervals_ms, *[0xFFFF] * 5][:5]
        self.data(1, struct.pack("<5H", *values))

    def bytes(self, *, header_bytes: int = 14, checksum: int | None = None, size: int | None = None) -> bytes:
        body_bytes = len(self.body) if size is None else size
        head = struct.pack("<BBHI4s", header_bytes, 0x20, 2132, body_bytes, b".FIT")
        if header_bytes == 14:
            head += struct.pack("<H", crc_by_the_bit(head))
        crc = crc_by_the_bit(head + self.body) if checksum is None else checksum
        return head + self.body + struct.pack("<H", crc)


def crc_by_the_bit(data: bytes) -> int:
    """CRC-16 with polynomial 0x8005 reflected, bit by bit (the reader uses a table)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc
