"""What lies in a heap besides recordings: notes, a shopping list, a picture, an export that came out empty."""

from __future__ import annotations

import struct
import zlib
from typing import Final

import numpy as np

from wearbench.simulator.heap_files import HeapFolder
from wearbench.simulator.heap_truth import HeapFile

__all__ = ["put_oddments"]

_NOTES: Final = """Invented: nobody rowed for these files, a simulator made them.

strap lay at home on Thursday (stairs)
new batteries for the pod!!
flew Monday, jet lag
ask about the second phone
"""
_VERSIONS: Final = """Versionen / versions (invented)

20.10.2031  band 2.0   loop 4.3
28.10.2031  Tuesday: loop 4.4 (by itself, in the night)   band 2.1 (by itself, before supper)
"""
_GROCERIES: Final = """item;pieces;price;shop
Haferflocken;4;2,49;Hütte
Äpfel;12;0,35;Hütte
Müsliriegel;30;0,89;Markt
Kaffee;2;6,95;Markt
"""


def _photo() -> bytes:
    """Make a small picture, stored without compression so that its bytes do not depend on a library's version."""
    width, height = 96, 64
    y, x = np.mgrid[0:height, 0:width]
    pixels = np.stack([(2 * x + y) % 256, (90 + 2 * y) % 256, (200 - x) % 256], axis=-1).astype(np.uint8)
    lines = b"".join(b"\x00" + line.tobytes() for line in pixels)
    stored = b"\x78\x01\x01" + struct.pack("<HH", len(lines), len(lines) ^ 0xFFFF) + lines
    stored += struct.pack(">I", zlib.adler32(lines))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", stored), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body)) for kind, body in chunks
    )


def put_oddments(heap: HeapFolder) -> None:
    """Write the files that are no recordings."""
    for path, data in (
        ("Phone/IMG_2041.png", _photo()),
        ("Laptop/notes.txt", _NOTES.encode()),
        ("Laptop/Versionsstände.txt", _VERSIONS.encode()),
        ("Laptop/Neuer Ordner/Einkauf Hütte.csv", _GROCERIES.encode()),
        ("Phone/Download/export (2).csv", b""),
    ):
        heap.put(HeapFile(path=path, kind="not a recording", wrong=("not_a_recording",)), data)
