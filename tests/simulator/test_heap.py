"""The heap of exports: same bytes each time, files that readers open, and a truth that the bytes bear out."""

from __future__ import annotations

import csv
import hashlib
import json
from collections import Counter
from datetime import UTC, datetime, timedelta
from functools import cache
from io import StringIO
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import fitdecode  # type: ignore[import-untyped,unused-ignore]
import numpy as np
import pytest

from wearbench.errors import FormatError, UsageError
from wearbench.formats.recording import FileContent, Intervals, ReadContext, Readings
from wearbench.formats.registry import read_file
from wearbench.simulator import write_heap
from wearbench.simulator.heap_truth import TROUBLES, HeapFile, HeapTruth

MINUTE = timedelta(minutes=1)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, HeapTruth]:
    place = tmp_path_factory.mktemp("heap")
    return place / "heap", write_heap(place / "heap", truth_file=place / "heap_truth.json")


@pytest.fixture(scope="module")
def heap(made: tuple[Path, HeapTruth]) -> Path:
    return made[0]


@pytest.fixture(scope="module")
def truth(made: tuple[Path, HeapTruth]) -> HeapTruth:
    return made[1]


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def opened(heap: Path, path: str, zone: str | None) -> FileContent:
    return read_file(heap / path, ReadContext(shown=path, zone=None if zone is None else ZoneInfo(zone)))


def written(heap: Path, file: HeapFile) -> list[tuple[datetime, float]]:
    """Stamps and values in the order of the file, as they stand there, by other code than the package's readers.

    Stamps are wall clocks that carry UTC, whatever they mean.
    """
    if file.path.endswith(".fit"):
        with fitdecode.FitReader(heap / file.path) as reader:
            records = [frame for frame in reader if isinstance(frame, fitdecode.FitDataMessage)]
        return [(m.get_value("timestamp"), float(m.get_value("heart_rate"))) for m in records if m.name == "record"]
    text = (heap / file.path).read_text(encoding="utf-8")
    delimiter = next(mark for mark in "\t;," if mark in text.splitlines()[0])
    rows = list(csv.reader(StringIO(text), delimiter=delimiter))[1:]
    return [
        (
            datetime.fromisoformat(" ".join(row[:-1]).removesuffix("Z")).replace(tzinfo=UTC),
            float(row[-1].replace(",", ".")),
        )
        for row in rows
    ]


@cache
def offset_of(zone: str, quarter: datetime, fold: int) -> timedelta:
    """Offset of a zone in a quarter of an hour of its wall clock."""
    found = quarter.replace(tzinfo=ZoneInfo(zone), fold=fold).utcoffset()
    assert found is not None
    return found


def right_clock(at: datetime, file: HeapFile, truth: HeapTruth) -> list[datetime]:
    """What an instant of a device's clock can be on a right one."""
    if "clock_one_hour_early" not in file.wrong:
        return [at]
    step = truth.clock_step
    late = at + timedelta(seconds=step.early_s)
    return [at] * (not step.start <= at < step.end) + [late] * (step.start <= late < step.end)


def instants(rows: list[tuple[datetime, float]], file: HeapFile, truth: HeapTruth) -> list[datetime]:
    """Stamps put on the reference's clock with what the truth says about zone, steps and offset."""
    offset = timedelta(seconds={d.name: d.offset_s for d in truth.devices}[file.device or ""])
    if file.stamps == "utc":
        return [stamp + offset for stamp, _ in rows]
    found, last = [], datetime(1970, 1, 1, tzinfo=UTC)
    for stamp, _ in rows:
        wall = stamp.replace(tzinfo=None)
        choices = []
        for span in file.zones:
            for fold in (0, 1):
                at = stamp - offset_of(
                    span.zone, wall.replace(minute=wall.minute // 15 * 15, second=0, microsecond=0), fold
                )
                begins = span.start or datetime(1970, 1, 1, tzinfo=UTC)
                ends = min((s.start for s in truth.zones if s.start and s.start > begins), default=None)
                if at >= begins and (ends is None or len(file.zones) == 1 or at < ends):
                    choices += right_clock(at, file, truth)
        last = min(at for at in choices if at >= last)
        found.append(last + offset)
    return found


def recordings(truth: HeapTruth) -> list[HeapFile]:
    return [file for file in truth.files if file.device is not None]


def test_same_seed_same_bytes_other_seed_other_values(heap: Path, truth: HeapTruth, tmp_path: Path) -> None:
    again = write_heap(tmp_path / "again")
    assert again == truth
    assert digests(tmp_path / "again") == digests(heap)
    other = write_heap(tmp_path / "other", seed=7)
    assert digests(tmp_path / "other")[truth.disagreement.first] != digests(heap)[truth.disagreement.first]
    assert other.disagreement.n_differ == truth.disagreement.n_differ


def test_every_file_is_in_the_truth_and_the_heap_stays_small(heap: Path, truth: HeapTruth) -> None:
    found = digests(heap)
    assert sorted(found) == sorted(file.path for file in truth.files)
    assert len(found) == 44
    assert sum(path.stat().st_size for path in heap.rglob("*") if path.is_file()) < 4_000_000
    assert len({file.device for file in recordings(truth)} | {f.copy for f in truth.files if f.copy}) == 5
    assert {word for file in truth.files for word in file.wrong} == set(TROUBLES)


def test_truth_is_written_outside_the_heap_only(heap: Path, truth: HeapTruth, tmp_path: Path) -> None:
    told = json.loads((heap.parent / "heap_truth.json").read_text(encoding="utf-8"))
    assert [file["path"] for file in told["files"]] == [file.path for file in truth.files]
    with pytest.raises(UsageError) as caught:
        write_heap(tmp_path / "heap", truth_file=tmp_path / "heap" / "truth.json")
    assert str(caught.value) == (
        f"expected a file outside the heap for its truth, got {tmp_path / 'heap' / 'truth.json'}; name another one"
    )
    assert not (tmp_path / "heap").exists()


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        write_heap(tmp_path)
    assert str(caught.value) == f"expected a new or empty folder for the heap, got {tmp_path}; name another one"


def test_recordings_are_read_and_hold_what_the_truth_says(heap: Path, truth: HeapTruth) -> None:
    for file in recordings(truth):
        content = opened(heap, file.path, file.zones[0].zone if file.stamps == "local" else None)
        assert tuple(r.quantity for r in content.recordings) == file.quantities
        (recording,) = content.recordings
        assert isinstance(recording, (Readings, Intervals))
        lost = sum(repair.count for repair in content.repairs if "dropped" in repair.said)
        assert recording.source_row.size + lost == file.n_rows
        if file.firmware:
            assert float(content.facts["software_version"]) == float(file.firmware)


def test_what_is_no_recording_cannot_be_read(heap: Path, truth: HeapTruth) -> None:
    others = [file.path for file in truth.files if file.kind == "not a recording"]
    assert len(others) == 5
    for path in others:
        with pytest.raises(FormatError):
            opened(heap, path, "Europe/Oslo")


def check_stamps(heap: Path, truth: HeapTruth) -> None:
    for file in recordings(truth):
        rows = written(heap, file)
        assert len(rows) == file.n_rows
        at = instants(rows, file, truth)
        assert (at[0], at[-1]) == (file.first, file.last), file.path
        held = {each.session: each for each in file.sessions}
        assert len(held) == 1 or file.kind not in ("recording", "part", "copy")
        for session in truth.sessions:
            inside = [t for t in at if session.start - MINUTE <= t <= session.end + MINUTE]
            if session.name not in held:
                assert not inside, (file.path, session.name)
                continue
            assert file.device in session.recorded
            assert (inside[0], inside[-1]) == (held[session.name].start, held[session.name].end)


def test_stamps_lie_where_the_truth_says_once_zone_step_and_offset_are_put_right(heap: Path, truth: HeapTruth) -> None:
    check_stamps(heap, truth)


def test_another_seed_and_a_flight_to_the_west_keep_the_truth_true(tmp_path: Path) -> None:
    truth = write_heap(tmp_path / "heap", seed=7, away="Atlantic/Azores")
    check_stamps(tmp_path / "heap", truth)
    assert [file.kind for file in truth.files].count("part") == 5
    assert {word for file in truth.files for word in file.wrong} == set(TROUBLES)


def test_thirteen_with_both_two_with_the_band_only_one_that_stops_early(heap: Path, truth: HeapTruth) -> None:
    assert (len(truth.sessions), len(truth.both), truth.band_only) == (15, 13, ("O06", "O13"))
    held = {h.session for file in recordings(truth) if file.device == "patch" for h in file.sessions}
    assert held == set(truth.both)
    assert truth.patch_stops_early == ("O07",)
    (file,) = [f for f in recordings(truth) if f.device == "patch" and f.sessions[0].session == "O07"]
    short = (truth.session("O07").end - file.sessions[0].end).total_seconds()
    assert truth.session("O07").patch_short_s == 24 * 60
    assert 24 * 60 <= short < 24 * 60 + 3


def test_parts_leave_holes_of_40_seconds_which_the_copy_fills(heap: Path, truth: HeapTruth) -> None:
    for name, n_parts in (("O02", 2), ("O08", 3)):
        parts = sorted(
            (f for f in truth.files if f.kind == "part" and f.sessions[0].session == name), key=lambda f: f.part or 0
        )
        assert [part.part for part in parts] == list(range(1, n_parts + 1))
        holes = [
            (after.sessions[0].start - before.sessions[0].end).total_seconds() for before, after in pairwise(parts)
        ]
        assert np.allclose(holes, truth.session(name).patch_holes_s, atol=2.5)
        assert truth.session(name).patch_holes_s[0] == 40
        (copy,) = [f for f in truth.files if f.kind == "copy" and f.sessions[0].session == name]
        at = instants(written(heap, copy), copy, truth)
        inside = [t for t in at if parts[0].sessions[0].end < t < parts[1].sessions[0].start]
        assert len(inside) > 40


def test_copies_lack_three_percent_of_the_beats(heap: Path, truth: HeapTruth) -> None:
    (copy,) = [f for f in truth.files if f.kind == "copy" and f.sessions[0].session == "O12"]
    (first,) = [
        f for f in truth.files if f.kind == "recording" and f.device == "patch" and f.sessions[0].session == "O12"
    ]
    beats = [value for _, value in written(heap, first)]
    copied = [value for _, value in written(heap, copy)]
    assert 1 - len(copied) / len(beats) == pytest.approx(truth.copy_missing[copy.path])
    assert list(truth.copy_missing.values()) == pytest.approx([0.03] * 3, abs=0.0005)
    rest = iter(beats)
    assert all(value in rest for value in copied)  # in the same order


def test_the_exports_differ_in_214_minutes_by_up_to_31(heap: Path, truth: HeapTruth) -> None:
    said = truth.disagreement
    first, second = (written(heap, truth.file(path)) for path in (said.first, said.second))
    assert [stamp for stamp, _ in first] == [stamp for stamp, _ in second]
    off = [abs(a - b) for (_, a), (_, b) in zip(first, second, strict=True) if a != b]
    assert (len(off), max(off)) == (said.n_differ, said.most_bpm) == (214, 31.0)
    steps = [(b - a).total_seconds() for (a, _), (b, _) in pairwise(first)]
    minutes = sum(1.0 not in (before, after) for before, after in pairwise([60, *steps, 60]))
    assert minutes == said.n_common


def test_minutes_are_stamped_at_their_start(heap: Path, truth: HeapTruth) -> None:
    """Where exercise mode was not started: the mean rate of the patch over the minute after the stamp fits best."""
    file = truth.file(truth.disagreement.first)
    session = truth.session("O09")
    assert not session.exercise_mode
    rows = written(heap, file)
    at = instants(rows, file, truth)
    mine = [
        (t, v) for t, (_, v) in zip(at, rows, strict=True) if session.start <= t <= session.end - timedelta(minutes=1)
    ]
    assert len(mine) in (12, 13)
    (patch,) = [
        f for f in truth.files if f.kind == "recording" and f.device == "patch" and f.sessions[0].session == "O09"
    ]
    beats = np.asarray([t.timestamp() for t in instants(written(heap, patch), patch, truth)])
    off = {
        shift: np.mean(
            [
                abs(v - np.sum((beats >= t.timestamp() + shift) & (beats < t.timestamp() + shift + 60)))
                for t, v in mine[1:]
            ]
        )
        for shift in (0.0, -30.0, -60.0)
    }
    assert off[0.0] < 2.5 < off[-30.0] < off[-60.0]


def test_the_clock_steps_back_an_hour_in_the_middle_of_a_file(heap: Path, truth: HeapTruth) -> None:
    (file,) = [f for f in truth.files if "clock_steps_inside" in f.wrong]
    stamps = [stamp for stamp, _ in written(heap, file)]
    steps = Counter((b - a).total_seconds() for a, b in pairwise(stamps))
    assert steps == {1.0: len(stamps) - 2, -3599.0: 1}
    back = next(b for a, b in pairwise(stamps) if b < a)
    assert back.replace(tzinfo=None) == datetime(2031, 10, 21, 13, 10)  # noqa: DTZ001
    others = [f.sessions[0].session for f in truth.files if "clock_one_hour_early" in f.wrong and f is not file]
    assert others == ["O04", "O07"]


def test_the_flight_and_the_repeated_hour_show_in_the_stamps(heap: Path, truth: HeapTruth) -> None:
    stamps = [stamp for stamp, _ in written(heap, truth.file(truth.disagreement.first))]
    pairs = list(pairwise(stamps))
    back = [(a, b) for a, b in pairs if b < a]
    assert [(f"{a:%d %H:%M}", f"{b:%d %H:%M}") for a, b in back] == [("26 02:59", "26 02:00")]
    # 23:30 there is 18:45 at home; two charging breaks are the other long steps.
    long = [(f"{a:%d %H:%M}", f"{b:%d %H:%M}") for a, b in pairs if b - a > timedelta(minutes=5)]
    assert long == [("23 19:59", "23 20:50"), ("27 18:44", "27 23:30"), ("29 20:59", "29 22:10")]


def test_firmware_changes_on_a_tuesday_in_headers_and_note(heap: Path, truth: HeapTruth) -> None:
    loop = [f for f in truth.files if f.device == "loop" and f.kind == "spanning"]
    assert [f.firmware for f in sorted(loop, key=lambda f: str(f.first))] == ["4.3"] * 6 + ["4.4"] * 3
    for change in truth.firmware:
        assert change.at.astimezone(ZoneInfo("Asia/Kathmandu")).strftime("%A %d %B") == "Tuesday 28 October"
    note = (heap / "Laptop/Versionsstände.txt").read_text(encoding="utf-8")
    assert all(change.before in note and change.after in note for change in truth.firmware)


def test_the_counter_begins_anew_at_midnight_then_no_more(heap: Path, truth: HeapTruth) -> None:
    (file,) = [f for f in truth.files if "counter_begins_anew" in f.wrong]
    rows = written(heap, file)
    down = [b for (_, a), (b, value) in pairwise(rows) if value < a]
    assert [f"{stamp:%d %H}" for stamp in down[-2:]] == ["28 00", "28 20"]
    assert len(down) == 9
    assert all(value >= 0 and value == int(value) for _, value in rows)


def test_the_night_session_is_cut_at_midnight(truth: HeapTruth) -> None:
    loop = [f for f in truth.files if f.device == "loop" and any(h.session == "O05" for h in f.sessions)]
    assert len(loop) == 2
    assert all("cut_at_midnight" in f.wrong for f in loop)


def test_duplicates_have_the_same_bytes_and_nothing_else_does(heap: Path, truth: HeapTruth) -> None:
    found = digests(heap)
    pairs = [(file.path, file.same_as) for file in truth.files if file.kind == "duplicate"]
    assert len(pairs) == 2
    assert all(found[a] == found[b] for a, b in pairs if b is not None)
    assert len(set(found.values())) == len(found) - 2


def test_the_invention_is_said(heap: Path) -> None:
    assert (heap / "Laptop/notes.txt").read_text(encoding="utf-8").startswith("Invented")
