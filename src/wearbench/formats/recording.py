"""What a file holds once read: columns of numbers with their unit, time and the repairs made on the way.

Times are int64 milliseconds since 1970-01-01T00:00:00Z. A file of elapsed times, or a list of intervals, that
nothing places on the calendar has ``start_known=False`` and counts its milliseconds from its own start.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FileContent",
    "Intervals",
    "Lap",
    "Layout",
    "LayoutColumn",
    "ReadContext",
    "Readings",
    "Repair",
    "Segment",
    "Signal",
]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
F32 = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True)
class Repair:
    """Something read leniently: ``slug`` names the kind, ``said`` tells it with both numbers."""

    slug: str
    said: str
    file: str | None = None
    line: int | None = None
    count: int = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Readings:
    """Values at instants. Arrays have shape (n,); values that were empty or not numbers are NaN, never dropped.

    ``start_ms`` and ``end_ms`` are there when the file gives each reading a window of its own. ``source_row`` is the
    row or message number in the file, counted from 1. Sentinels are kept as they came.
    """

    quantity: str
    unit: str
    time_ms: I64
    value: F64
    source_row: I64
    start_ms: I64 | None = None
    end_ms: I64 | None = None
    start_known: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Intervals:
    """Intervals between beats, in ms, in the order recorded; shape (n,).

    ``stamp_ms[i]`` is when the recorder noted interval i (close to its end, often late), or None when the file has no
    stamps at all. ``start_ms`` is where the first interval begins, if the file says.
    """

    quantity: str
    interval_ms: F64
    source_row: I64
    stamp_ms: I64 | None = None
    start_ms: int | None = None
    start_known: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """An unbroken stretch of evenly sampled signal; ``values`` float32, NaN where a sample is missing."""

    start_ms: int
    rate_hz: float
    values: F32


@dataclass(frozen=True, kw_only=True, slots=True)
class Signal:
    """An evenly sampled signal with its gaps: segments in order of time."""

    quantity: str
    unit: str
    segments: tuple[Segment, ...]
    start_known: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Lap:
    """A lap that the recorder kept, on the same clock as its readings; laps of a file do not overlap.

    Attributes
    ----------
    start_ms, end_ms : int
        Milliseconds as those of readings; the end comes after the start.
    number : int
        Its place in the file, counted from 1.
    label : str or None
        Notes, or the name of the step of a workout.
    activity : str or None
        The sport in the format's own word (``rowing``); None where it says "other" or "generic".
    intensity : str or None
        ``active``, ``rest``, ``warmup``, ``cooldown``, ``recovery`` or ``interval``.
    trigger : str or None
        What ended it: ``manual``, ``distance``, ``time``, ``session_end`` and so on.
    start_known : bool
        False where the milliseconds count from the file's own start.
    """

    start_ms: int
    end_ms: int
    number: int
    label: str | None = None
    activity: str | None = None
    intensity: str | None = None
    trigger: str | None = None
    start_known: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class FileContent:
    """Everything one file held. ``facts`` are what the file says about its device (firmware, serial kind of thing).

    ``laps`` are in order of time; only FIT and TCX have any.
    """

    path: Path
    format: str
    recordings: tuple[Readings | Intervals | Signal, ...]
    repairs: tuple[Repair, ...] = ()
    facts: dict[str, str] = field(default_factory=dict)
    laps: tuple[Lap, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class LayoutColumn:
    """How one column of a table is understood."""

    quantity: str
    unit: str | None = None
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """How a table is read when its headings do not say; see the folder contract in the docs."""

    time: tuple[str, ...] = ()
    time_format: str = "auto"
    start: str | None = None
    start_column: str | None = None
    decimal: str | None = None
    delimiter: str = "auto"
    skip_rows: int = 0
    columns: dict[str, LayoutColumn] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadContext:
    """What a reader is told besides the path.

    Attributes
    ----------
    shown : str
        The path as messages should name it (relative to the study).
    zone : tzinfo or None
        For stamps without an offset; None means such stamps are an error that asks for a zone.
    layout : Layout or None
    start_ms : int or None
        The session's start from sessions.csv: places elapsed times and intervals without a start.
    quantity : str or None
        What the file name says it holds; decides when headings do not (``patch.rr.txt``).
    keep_ms : tuple of int or None
        Only readings inside this span are wanted; a reader may drop the rest as it streams.
    needs_some : bool
        A file without a reading inside ``keep_ms`` is an error; an export that spans sessions need not have one.
    max_readings : int
        More than this in one recording is refused with a message that asks for session times.
    own_quantities : dict
        Quantities declared by the study: name -> unit.
    laps_only : bool
        Readers of FIT and TCX give laps and no recordings; a file without readings is no error.
    """

    shown: str
    zone: tzinfo | None = None
    layout: Layout | None = None
    start_ms: int | None = None
    quantity: str | None = None
    keep_ms: tuple[int, int] | None = None
    needs_some: bool = False
    max_readings: int = 4_000_000
    own_quantities: dict[str, str] = field(default_factory=dict)
    laps_only: bool = False
