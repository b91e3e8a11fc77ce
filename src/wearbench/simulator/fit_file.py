"""A small encoder of FIT activity files: heart rate records, enough to be read as a real file.

Layout after the public description of the format (flexible and interoperable data transfer, protocol 1.0): 14-byte
header, definition and data messages, 16-bit check sums.
"""

from __future__ import annotations

import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["check_sum", "encode_fit"]

_EPOCH_S: Final = 631_065_600
_NIBBLES: Final = (
    0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
    0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400,
)  # fmt: skip
_UINT8, _ENUM, _UINT16, _UINT32, _UINT32Z = 0x02, 0x00, 0x84, 0x86, 0x8C
_NO_RATE: Final = 0xFF


def check_sum(data: bytes) -> int:
    """Return the format's 16-bit check sum."""
    total = 0
    for byte in data:
        for nibble in (byte & 0xF, byte >> 4):
            total = (total >> 4) & 0x0FFF ^ _NIBBLES[total & 0xF] ^ _NIBBLES[nibble]
    return total


def _definition(local: int, number: int, fields: tuple[tuple[int, int, int], ...]) -> bytes:
    head = struct.pack("<BBBHB", 0x40 | local, 0, 0, number, len(fields))
    return head + b"".join(struct.pack("<BBB", *each) for each in fields)


def encode_fit(
    time_s: NDArray[np.int64], rate_bpm: NDArray[np.float64], *, software: float, serial: int | None = None
) -> bytes:
    """Encode heart rates as an activity file.

    Parameters
    ----------
    time_s : int64 array, shape (n,)
        Whole seconds since 1970-01-01T00:00:00Z.
    rate_bpm : float64 array, shape (n,)
        Rounded to whole beats a minute; NaN becomes the format's "invalid".
    software : float
        Software version of the device, to hundredths.
    serial : int or None
        Serial number of the device; None leaves the field out.

    Returns
    -------
    bytes
    """
    created = int(time_s[0]) - _EPOCH_S if time_s.size else 0
    number = () if serial is None else ((3, 4, _UINT32Z),)
    body = [
        _definition(0, 0, ((0, 1, _ENUM), (1, 2, _UINT16), (2, 2, _UINT16), (4, 4, _UINT32), *number)),
        struct.pack("<BBHHI", 0, 4, 255, 1, created) + (b"" if serial is None else struct.pack("<I", serial)),
        _definition(1, 23, ((253, 4, _UINT32), (0, 1, _UINT8), (2, 2, _UINT16), (5, 2, _UINT16))),
        struct.pack("<BIBHH", 1, created, 0, 255, round(software * 100)),
        _definition(2, 20, ((253, 4, _UINT32), (3, 1, _UINT8))),
    ]
    whole = np.where(np.isnan(rate_bpm), _NO_RATE, np.rint(rate_bpm)).astype(np.int64)
    pack = struct.Struct("<BIB").pack
    body += [pack(2, at - _EPOCH_S, rate) for at, rate in zip(time_s.tolist(), whole.tolist(), strict=True)]
    data = b"".join(body)
    head = struct.pack("<BBHI4s", 14, 0x10, 2132, len(data), b".FIT")
    head += struct.pack("<H", check_sum(head))
    return head + data + struct.pack("<H", check_sum(head + data))
