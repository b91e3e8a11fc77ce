"""What is so about a heap of exports: of each file, of each occasion, and of what went wrong."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

__all__ = [
    "TROUBLES",
    "ClockStep",
    "Disagreement",
    "FirmwareChange",
    "HeapDevice",
    "HeapFile",
    "HeapSession",
    "HeapTruth",
    "HeldSession",
    "ZoneSpan",
    "write_heap_truth",
]

Kind = Literal["recording", "part", "copy", "spanning", "re-export", "duplicate", "not a recording"]
Stamps = Literal["utc", "local", "local_as_utc", "none"]


TROUBLES: Final = {
    "changes_zone": "in the middle of the file the wall clock becomes that of another zone",
    "clock_one_hour_early": "some or all stamps are an hour early",
    "clock_steps_inside": "from the middle of the session on, stamps are an hour early",
    "copy_misses_beats": "lacks beats that the other phone has; has those that one lost in a crash",
    "counter_begins_anew": "a running count that begins anew",
    "counter_of_two_firmwares": "begins anew each midnight, from the update on no more",
    "cut_at_midnight": "a session begins in one file and ends in the next",
    "exercise_mode_not_started": "of one session there are only minute values",
    "firmware_changed": "the firmware changed in the middle of the file; its header names the new one",
    "local_time_as_utc": "local time in a format that says it is UTC",
    "mode_switch": "dense readings in exercise, one a minute else",
    "not_a_recording": "no recording",
    "part_after_crash": "one of the pieces of a session, seconds lost between them",
    "repeated_hour": "the wall clock shows a stretch of time twice",
    "same_bytes": "another file has the same bytes",
    "says_other_than_before": "an export of the same time as another that says something else in places",
    "stamped_at_start": "minute values are stamped at the minute's start, exercise readings at their end",
    "stops_early": "ends well before the session does",
}
"""What can be wrong with a file of the heap."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ZoneSpan:
    """From ``start`` (an instant, None: from the beginning) the wall clock was that of ``zone``."""

    zone: str
    start: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class HeldSession:
    """A session a file holds: first and last row of it, on the reference's clock, UTC."""

    session: str
    start: datetime
    end: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class HeapFile:
    """One file of the heap.

    Attributes
    ----------
    path : str
        Relative to the heap, with slashes.
    kind : str
        ``recording`` (one session), ``part``, ``copy`` (another phone's), ``spanning`` (all that a device wrote in
        the file's time, sessions or not), ``re-export`` (spanning, made again later), ``duplicate`` (same bytes as
        another file), ``not a recording``.
    device : str or None
        The true recorder.
    copy : str or None
        Which copy of the recorder's data.
    part, n_parts : int or None
        Place among the parts of a recording, from 1.
    same_as : str or None
        Path of the file with the same bytes.
    quantities : tuple of str
    sessions : tuple of HeldSession
        Sessions of which the file has rows.
    n_rows : int
        Rows with a stamp.
    first, last : datetime or None
        First and last row on the reference's clock, UTC.
    stamps : str
        ``utc``, ``local`` (no offset written), ``local_as_utc`` (local time that claims to be UTC).
    zones : tuple of ZoneSpan
        What the wall clock behind local stamps showed.
    stands_for : str
        ``ending`` or ``starting``, as in a device's ``stands_for``; of its minute values where there are any.
    rhythms_s : tuple of float
        Seconds between rows, one a mode, shortest first.
    firmware : str
        As the file says; empty where it does not.
    wrong : tuple of str
        What is wrong, of :data:`TROUBLES`, sorted.
    """

    path: str
    kind: Kind
    device: str | None = None
    copy: str | None = None
    part: int | None = None
    n_parts: int | None = None
    same_as: str | None = None
    quantities: tuple[str, ...] = ()
    sessions: tuple[HeldSession, ...] = ()
    n_rows: int = 0
    first: datetime | None = None
    last: datetime | None = None
    stamps: Stamps = "none"
    zones: tuple[ZoneSpan, ...] = ()
    stands_for: str = "ending"
    rhythms_s: tuple[float, ...] = ()
    firmware: str = ""
    wrong: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class HeapDevice:
    """A recorder: reference = stamp + ``offset_s`` once zone and steps are put right."""

    name: str
    label: str
    role: str
    offset_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class HeapSession:
    """One occasion, UTC. ``recorded`` are the devices that have rows of it; the patch ends ``patch_short_s`` early."""

    name: str
    start: datetime
    end: datetime
    zone: str
    activity: str
    recorded: tuple[str, ...]
    patch_short_s: float = 0.0
    patch_holes_s: tuple[float, ...] = ()
    exercise_mode: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Disagreement:
    """Two exports of one device: of ``n_common`` minutes in both, ``n_differ`` differ, by up to ``most_bpm``."""

    first: str
    second: str
    n_common: int
    n_differ: int
    most_bpm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockStep:
    """Between two instants the device's clock showed ``early_s`` less than it should."""

    device: str
    start: datetime
    end: datetime
    early_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FirmwareChange:
    """When which device changed its firmware."""

    device: str
    at: datetime
    before: str
    after: str


@dataclass(frozen=True, kw_only=True, slots=True)
class HeapTruth:
    """All that is so about a heap; invented.

    ``both`` names the sessions that patch and band recorded, ``band_only`` those without the patch,
    ``patch_stops_early`` those (among ``both``) where it stops before the end. ``copy_missing`` is the share of
    beats each copy lacks, by path.
    """

    seed: int
    devices: tuple[HeapDevice, ...]
    sessions: tuple[HeapSession, ...]
    files: tuple[HeapFile, ...]
    both: tuple[str, ...]
    band_only: tuple[str, ...]
    patch_stops_early: tuple[str, ...]
    disagreement: Disagreement
    clock_step: ClockStep
    firmware: tuple[FirmwareChange, ...]
    zones: tuple[ZoneSpan, ...]
    repeated_hour: datetime
    copy_missing: dict[str, float]

    def file(self, path: str) -> HeapFile:
        """Return the file at a path of the heap; KeyError if there is none."""
        return {each.path: each for each in self.files}[path]

    def session(self, name: str) -> HeapSession:
        """Return the session of a name; KeyError if there is none."""
        return {each.name: each for each in self.sessions}[name]


def write_heap_truth(path: Path, truth: HeapTruth) -> None:
    """Write the truth as JSON; ``path`` should lie outside the heap."""
    import msgspec

    path.write_bytes(msgspec.json.format(msgspec.json.encode(truth), indent=1) + b"\n")
