"""A heap of exports as people have it: a fortnight of the winter camp, five recorders, and every trouble with files.

All of it is invented. Nothing in the heap says which file belongs to which session; the truth is returned apart.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import UsageError
from wearbench.simulator.fit_file import encode_fit
from wearbench.simulator.heap_day import (
    HeapRows,
    count_steps,
    day_course,
    day_rows,
    ms_of,
    wall_clock_ms,
    with_exercise,
)
from wearbench.simulator.heap_plan import (
    AWAY,
    BEGIN,
    CLOCK_STEP,
    DEVICES,
    END,
    FIRMWARE,
    HOME,
    LANDED,
    OCCASIONS,
    REPEATED_HOUR,
    ZONES,
    Occasion,
    session_plan,
)
from wearbench.simulator.heap_truth import (
    Disagreement,
    HeapFile,
    HeapSession,
    HeapTruth,
    HeldSession,
    ZoneSpan,
    write_heap_truth,
)
from wearbench.simulator.physiology import Course
from wearbench.simulator.session import SimulatedSession, session_generator, simulate_session

__all__ = ["write_heap"]

I64 = NDArray[np.int64]

_OFFSET_S: Final = {device.name: device.offset_s for device in DEVICES}
_EXPORT: Final = "Phone/Download/export (3).csv"
_RE_EXPORT: Final = "Laptop/Neuer Ordner/export (1) vom 9. November.csv"
_N_DIFFER, _MOST_BPM = 214, 31
_COPY_MISSING: Final = 0.03
_MARGIN_MS: Final = 60_000


def _at_home(day: int, hour: int, minute: int) -> datetime:
    return datetime(2031, 10, day, hour, minute, tzinfo=ZoneInfo(HOME)).astimezone(UTC)


def _away(month: int, day: int, hour: int, minute: int) -> datetime:
    return datetime(2031, month, day, hour, minute, tzinfo=ZoneInfo(AWAY)).astimezone(UTC)


_BAND_WORN: Final = (
    (BEGIN, _at_home(23, 20, 0)),
    (_at_home(23, 20, 50), _away(10, 29, 21, 0)),
    (_away(10, 29, 22, 10), END),
)
"""Off while it charged."""
_LOOP_WORN: Final = (
    (_at_home(20, 6, 30), _at_home(20, 22, 30)),
    (_at_home(22, 6, 40), _at_home(23, 9, 0)),
    (_at_home(25, 7, 0), _away(10, 28, 21, 0)),
    (_away(10, 29, 7, 0), _away(10, 29, 20, 0)),
    (_away(11, 1, 8, 0), _away(11, 1, 13, 0)),
)
_PATCH_NAMES: Final = {"O04": "Übung 4 (früh).csv", "O09": "training final FINAL.csv", "O12": "rr (1).csv"}
_COPY_NAMES: Final = {"O02": "Treppe abends.csv", "O08": "Backup (2).csv", "O12": "Frühsport Überblick.csv"}
_DUPLICATES: Final = {"O04": "Laptop/Neuer Ordner/Kopie von Übung 4.csv", "loop": "Laptop/unbenannt (7).fit"}


class _Heap:
    """Files as they are written, with what is so about each."""

    def __init__(self, folder: Path, sessions: Sequence[SimulatedSession]) -> None:
        self.folder = folder
        self.sessions = sessions
        self.files: list[HeapFile] = []

    def put(self, file: HeapFile, data: bytes) -> None:
        path = self.folder / file.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self.files.append(file)

    def held(self, true_ms: I64, among: Iterable[str] | None = None) -> tuple[HeldSession, ...]:
        """Sessions of which rows are there, with a minute's margin."""
        found = []
        for session in self.sessions:
            plan = session.plan
            if among is not None and plan.name not in among:
                continue
            inside = true_ms[(true_ms >= ms_of(plan.start) - _MARGIN_MS) & (true_ms <= ms_of(plan.end) + _MARGIN_MS)]
            if inside.size:
                found.append(HeldSession(session=plan.name, start=_instant(inside[0]), end=_instant(inside[-1])))
        return tuple(found)


def _instant(ms: int | np.int64) -> datetime:
    return datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=int(ms))


def _zones(true_ms: I64) -> tuple[ZoneSpan, ...]:
    if true_ms[0] >= ms_of(LANDED):
        return (ZoneSpan(zone=AWAY),)
    return ZONES if true_ms[-1] >= ms_of(LANDED) else ZONES[:1]


def _stamps(ms: I64, *, digits: int, between: str = " ", after: str = "") -> list[str]:
    texts = np.datetime_as_string(ms.astype("datetime64[ms]"), unit="ms" if digits else "s").tolist()
    return [text.replace("T", between) + after for text in texts]


def _text(heading: str, stamps: list[str], values: list[str], *, delimiter: str = ",", end: str = "\n") -> bytes:
    rows = (f"{stamp}{delimiter}{value}" for stamp, value in zip(stamps, values, strict=True))
    return (end.join((heading, *rows)) + end).encode()


def _whole(value: NDArray[np.float64]) -> list[str]:
    return [f"{each:.0f}" for each in value.tolist()]


def _patch_files(heap: _Heap, rng: np.random.Generator) -> dict[str, float]:
    """One file a session, several after a crash; copies from a second phone. Returns what each copy lacks."""
    missing: dict[str, float] = {}
    for occasion, session in zip(OCCASIONS, heap.sessions, strict=True):
        if "patch" not in occasion.devices:
            continue
        stamp_s = session.intervals.stamp_s
        assert stamp_s is not None
        rows = HeapRows(
            own_ms=ms_of(session.plan.start) + np.rint(stamp_s * 1000).astype(np.int64),
            value=session.intervals.interval_ms,
        )
        _put_patch(heap, occasion, rows)
        if occasion.copied:
            path, share = _put_copy(heap, occasion, rows, rng)
            missing[path] = share
    return missing


def _put_patch(heap: _Heap, occasion: Occasion, rows: HeapRows) -> None:
    start_ms = ms_of(occasion.start)
    stop_ms = start_ms + round((occasion.minutes * 60.0 - occasion.patch_short_s) * 1000)
    if not occasion.patch_short_s:
        stop_ms += _MARGIN_MS
    edges = [(start_ms + round(at * 1000), start_ms + round((at + lasts) * 1000)) for at, lasts in occasion.holes]
    begins = [start_ms, *(resumed for _, resumed in edges)]
    ends = [*(crashed for crashed, _ in edges), stop_ms]
    wrong = {"part_after_crash"} if edges else set()
    wrong |= {"stops_early"} if occasion.patch_short_s else set()
    for number, (begin, end) in enumerate(zip(begins, ends, strict=True), start=1):
        part = rows.between(begin, end)
        name = _instant(part.own_ms[0]).strftime("rr_%Y%m%d-%H%M%S.csv")
        if not edges:
            name = _PATCH_NAMES.get(occasion.name, name)
        file = HeapFile(
            path=f"Phone/Beats/{name}",
            kind="part" if edges else "recording",
            device="patch",
            part=number if edges else None,
            n_parts=len(begins) if edges else None,
            quantities=("rr",),
            sessions=heap.held(part.own_ms, (occasion.name,)),
            n_rows=part.own_ms.size,
            first=_instant(part.own_ms[0]),
            last=_instant(part.own_ms[-1]),
            stamps="utc",
            wrong=tuple(sorted(wrong)),
        )
        stamps = _stamps(part.own_ms, digits=3, between="T", after="Z")
        data = _text("time,rr_ms", stamps, [f"{ms:.1f}" for ms in part.value.tolist()])
        heap.put(file, data)
        if occasion.name in _DUPLICATES:
            _put_duplicate(heap, file, _DUPLICATES[occasion.name], data)


def _put_copy(heap: _Heap, occasion: Occasion, rows: HeapRows, rng: np.random.Generator) -> tuple[str, float]:
    """Write what the second phone heard: 3 % of the beats are not there, but what the first lost in the crash is."""
    n = rows.own_ms.size
    n_lost = round(_COPY_MISSING * n)
    kept = np.ones(n, dtype=np.bool_)
    kept[1 + rng.choice(n - 2, size=n_lost, replace=False)] = False
    later = rows.own_ms + np.rint(rng.exponential(25.0, n)).astype(np.int64)
    copy = HeapRows(own_ms=np.maximum.accumulate(later), value=rows.value).where(kept)
    path = f"Zweithandy – Übertragung/{_COPY_NAMES[occasion.name]}"
    file = HeapFile(
        path=path,
        kind="copy",
        device="patch",
        copy="phone2",
        quantities=("rr",),
        sessions=heap.held(copy.own_ms, (occasion.name,)),
        n_rows=copy.own_ms.size,
        first=_instant(copy.own_ms[0]),
        last=_instant(copy.own_ms[-1]),
        stamps="local",
        zones=_zones(copy.own_ms),
        wrong=("copy_misses_beats",),
    )
    stamps = _stamps(wall_clock_ms(copy.own_ms), digits=3)
    values = [f"{ms:.1f}".replace(".", ",") for ms in copy.value.tolist()]
    heap.put(file, _text("Timestamp;RR [ms]", stamps, values, delimiter=";", end="\r\n"))
    return path, n_lost / n


def _put_duplicate(heap: _Heap, file: HeapFile, path: str, data: bytes) -> None:
    from dataclasses import replace

    wrong = tuple(sorted({*file.wrong, "same_bytes"}))
    heap.put(replace(file, path=path, kind="duplicate", same_as=file.path, wrong=wrong), data)


def _pod_files(heap: _Heap) -> None:
    for occasion, session in zip(OCCASIONS, heap.sessions, strict=True):
        if "pod" not in occasion.devices or session.pod is None:
            continue
        true_ms = ms_of(session.plan.start) + np.rint(session.pod.stamp_s * 1000).astype(np.int64)
        early = (true_ms >= ms_of(CLOCK_STEP.start)) & (true_ms < ms_of(CLOCK_STEP.end))
        wrong = {"clock_one_hour_early"} if early.any() else set()
        wrong |= {"clock_steps_inside"} if early.any() and not early.all() else set()
        shown = wall_clock_ms(true_ms) - np.where(early, round(CLOCK_STEP.early_s * 1000), 0)
        local = occasion.start.astimezone(ZoneInfo(occasion.zone))
        file = HeapFile(
            path=f"Pod/Schläge {local.day}.{local.month}. {'früh' if local.hour < 12 else 'spät'}.csv",
            kind="recording",
            device="pod",
            quantities=("cadence",),
            sessions=heap.held(true_ms, (occasion.name,)),
            n_rows=true_ms.size,
            first=_instant(true_ms[0]),
            last=_instant(true_ms[-1]),
            stamps="local",
            zones=_zones(true_ms),
            rhythms_s=(1.0,),
            wrong=tuple(sorted(wrong)),
        )
        values = [f"{each:.1f}".replace(".", ",") for each in session.pod.per_min.tolist()]
        heap.put(file, _text("time;cadence", _stamps(shown, digits=0), values, delimiter=";"))


def _band_files(heap: _Heap, course: Course, noise: np.random.Generator, rng: np.random.Generator) -> Disagreement:
    """Write the fortnight's export, the one made a week later, and the counter."""
    day = day_rows(
        course, heap.sessions, offset_s=_OFFSET_S["band"], worn=_BAND_WORN, starting=True, noise_bpm=1.0, rng=noise
    )
    told = [session for o, session in zip(OCCASIONS, heap.sessions, strict=True) if o.exercise_mode]
    rows, minutes = with_exercise(day, told, [session.devices[0] for session in told])
    true_ms = rows.own_ms + round(_OFFSET_S["band"] * 1000)
    file = HeapFile(
        path=_EXPORT,
        kind="spanning",
        device="band",
        quantities=("heart_rate",),
        sessions=heap.held(true_ms),
        n_rows=true_ms.size,
        first=_instant(true_ms[0]),
        last=_instant(true_ms[-1]),
        stamps="local",
        zones=ZONES,
        stands_for="starting",
        rhythms_s=(1.0, 60.0),
        wrong=("changes_zone", "exercise_mode_not_started", "mode_switch", "repeated_hour", "stamped_at_start"),
    )
    stamps = _stamps(wall_clock_ms(rows.own_ms), digits=0)
    heap.put(file, _text("time,heart_rate", stamps, _whole(rows.value)))
    _put_steps(heap, rng)
    return _put_re_export(heap, file, rows, minutes, noise)


def _put_re_export(
    heap: _Heap, before: HeapFile, rows: HeapRows, minutes: NDArray[np.bool_], rng: np.random.Generator
) -> Disagreement:
    """Write the same fortnight as its maker computed it anew: some runs of minutes no longer say the same."""
    from dataclasses import replace

    places = np.flatnonzero(minutes)
    lengths = [53, 47, 41, 33, 25, 15]
    assert sum(lengths) == _N_DIFFER
    slots = np.sort(rng.choice(places.size // 60, size=len(lengths), replace=False)) * 60
    chosen = np.concatenate([places[at : at + lasts] for at, lasts in zip(slots.tolist(), lengths, strict=True)])
    change = rng.integers(1, _MOST_BPM, size=_N_DIFFER) * rng.choice([-1, 1], size=_N_DIFFER)
    change[rng.integers(_N_DIFFER)] = _MOST_BPM
    value = rows.value.copy()
    change = np.where(value[chosen] + change < 35.0, np.abs(change), change)
    value[chosen] += change
    stamps = _stamps(wall_clock_ms(rows.own_ms), digits=0)
    file = replace(
        before, path=_RE_EXPORT, kind="re-export", wrong=tuple(sorted({*before.wrong, "says_other_than_before"}))
    )
    heap.put(file, _text("time,heart_rate", stamps, _whole(value)))
    return Disagreement(
        first=_EXPORT,
        second=_RE_EXPORT,
        n_common=places.size,
        n_differ=_N_DIFFER,
        most_bpm=float(np.abs(change).max()),
    )


def _put_steps(heap: _Heap, rng: np.random.Generator) -> None:
    rows = count_steps(heap.sessions, every_min=5, rng=rng)
    true_ms = rows.own_ms + round(_OFFSET_S["band"] * 1000)
    file = HeapFile(
        path="Phone/Download/Schrittzähler Übersicht.csv",
        kind="spanning",
        device="band",
        quantities=("steps",),
        sessions=heap.held(true_ms),
        n_rows=true_ms.size,
        first=_instant(true_ms[0]),
        last=_instant(true_ms[-1]),
        stamps="local",
        zones=ZONES,
        rhythms_s=(300.0,),
        wrong=("changes_zone", "counter_begins_anew", "counter_of_two_firmwares", "repeated_hour"),
    )
    heap.put(file, _text("date\ttime\tsteps", _tabbed(wall_clock_ms(rows.own_ms)), _whole(rows.value), delimiter="\t"))


def _tabbed(ms: I64) -> list[str]:
    return _stamps(ms, digits=0, between="\t")


def _loop_files(heap: _Heap, course: Course, noise: np.random.Generator) -> None:
    """A file a local day, local time stored where the format wants UTC."""
    day = day_rows(
        course, heap.sessions, offset_s=_OFFSET_S["loop"], worn=_LOOP_WORN, starting=False, noise_bpm=0.8, rng=noise
    )
    told = [session for o, session in zip(OCCASIONS, heap.sessions, strict=True) if "loop" in o.devices]
    rows, _ = with_exercise(day, told, [session.devices[1] for session in told])
    starts = [ms_of(session.plan.start) for session in told]
    exercise_ms = [
        (start + int(session.devices[1].stamp_ms[0]), start + int(session.devices[1].stamp_ms[-1]))
        for start, session in zip(starts, told, strict=True)
    ]
    shown = wall_clock_ms(rows.own_ms)
    true_ms = rows.own_ms + round(_OFFSET_S["loop"] * 1000)
    update = next(change for change in FIRMWARE if change.device == "loop")
    number = 8_812_733
    day_of = shown // 86_400_000
    for date in np.unique(day_of).tolist():
        here = np.flatnonzero(day_of == date)
        own = rows.own_ms[here]
        inside = [span for span in exercise_ms if span[1] >= own[0] and span[0] <= own[-1]]
        firmware = update.before if own[-1] < ms_of(update.at) else update.after
        wrong = {"local_time_as_utc"}
        wrong |= {"mode_switch"} if inside else set()
        wrong |= {"changes_zone"} if len(_zones(true_ms[here])) > 1 else set()
        wrong |= {"firmware_changed"} if own[0] < ms_of(update.at) <= own[-1] else set()
        wrong |= {"repeated_hour"} if np.any(np.diff(shown[here]) < 0) else set()
        wrong |= {"cut_at_midnight"} if any(span[0] < own[0] or span[1] > own[-1] for span in inside) else set()
        file = HeapFile(
            path=f"Laptop/Sync/activity_{number}.fit",
            kind="spanning",
            device="loop",
            quantities=("heart_rate",),
            sessions=heap.held(true_ms[here], [o.name for o in OCCASIONS if "loop" in o.devices]),
            n_rows=here.size,
            first=_instant(true_ms[here[0]]),
            last=_instant(true_ms[here[-1]]),
            stamps="local_as_utc",
            zones=_zones(true_ms[here]),
            rhythms_s=(5.0, 60.0) if inside else (60.0,),
            firmware=firmware,
            wrong=tuple(sorted(wrong)),
        )
        number += 11 + date % 7
        data = encode_fit(shown[here] // 1000, rows.value[here], software=float(firmware), serial=4_021_907)
        heap.put(file, data)
        if "firmware_changed" in wrong:
            _put_duplicate(heap, file, _DUPLICATES["loop"], data)


_NOTES = """Invented: nobody rowed for these files, a simulator made them.

strap lay at home on Thursday (stairs)
new batteries for the pod!!
flew Monday, jet lag
ask about the second phone
"""
_VERSIONS = """Versionen / versions (invented)

20.10.2031  band 2.0   loop 4.3
28.10.2031  Tuesday: loop 4.4 (by itself, in the night)   band 2.1 (by itself, before supper)
"""
_GROCERIES = """item;pieces;price;shop
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


def _other_files(heap: _Heap) -> None:
    for path, data in (
        ("Phone/IMG_2041.png", _photo()),
        ("Laptop/notes.txt", _NOTES.encode()),
        ("Laptop/Versionsstände.txt", _VERSIONS.encode()),
        ("Laptop/Neuer Ordner/Einkauf Hütte.csv", _GROCERIES.encode()),
        ("Phone/Download/export (2).csv", b""),
    ):
        heap.put(HeapFile(path=path, kind="not a recording", wrong=("not_a_recording",)), data)


def _heap_sessions() -> tuple[HeapSession, ...]:
    return tuple(
        HeapSession(
            name=o.name,
            start=o.start,
            end=o.start + timedelta(minutes=o.minutes),
            zone=o.zone,
            activity=o.activity,
            recorded=o.devices,
            patch_short_s=o.patch_short_s,
            patch_holes_s=tuple(lasts for _, lasts in o.holes),
            exercise_mode=o.exercise_mode,
        )
        for o in OCCASIONS
    )


def write_heap(folder: Path, *, seed: int = 20311020, truth_file: Path | None = None) -> HeapTruth:
    """Write a heap of exports: a fortnight of five recorders, with every trouble files bring along.

    Parameters
    ----------
    folder : pathlib.Path
        New or empty.
    seed : int
        Same seed, same bytes.
    truth_file : pathlib.Path or None
        Where to write the truth as JSON too; must lie outside ``folder``.

    Returns
    -------
    HeapTruth

    Raises
    ------
    UsageError
        If the folder already holds files, or the truth would lie inside it.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"expected a new or empty folder for the heap, got {folder}; name another one")
    if truth_file is not None and folder.resolve() in truth_file.resolve().parents:
        raise UsageError(f"expected a file outside the heap for its truth, got {truth_file}; name another one")
    folder.mkdir(parents=True, exist_ok=True)
    plans = [session_plan(occasion) for occasion in OCCASIONS]
    sessions = [simulate_session(plan, session_generator(plan.name, seed=seed)) for plan in plans]
    days, band_noise, loop_noise, steps, copies = np.random.Generator(np.random.PCG64([seed, 3])).spawn(5)
    course = day_course(sessions, days)
    heap = _Heap(folder, sessions)
    missing = _patch_files(heap, copies)
    disagreement = _band_files(heap, course, band_noise, steps)
    _loop_files(heap, course, loop_noise)
    _pod_files(heap)
    _other_files(heap)
    truth = HeapTruth(
        seed=seed,
        devices=DEVICES,
        sessions=_heap_sessions(),
        files=tuple(sorted(heap.files, key=lambda file: file.path)),
        both=tuple(o.name for o in OCCASIONS if "patch" in o.devices),
        band_only=tuple(o.name for o in OCCASIONS if "patch" not in o.devices),
        patch_stops_early=tuple(o.name for o in OCCASIONS if o.patch_short_s),
        disagreement=disagreement,
        clock_step=CLOCK_STEP,
        firmware=FIRMWARE,
        zones=ZONES,
        repeated_hour=REPEATED_HOUR,
        copy_missing=missing,
    )
    if truth_file is not None:
        write_heap_truth(truth_file, truth)
    return truth
