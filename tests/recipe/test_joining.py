"""Parts and copies of recordings; hearts drawn by hand, what was taken away and put in counted by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from recorded import study

from wearbench.core.running import values_over
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.reading import read_session
from wearbench.study import load_study

START = datetime(2031, 3, 4, 9, tzinfo=UTC)
F64 = NDArray[np.float64]


def heart(n: int, seed: int = 1) -> F64:
    """Whole-millisecond intervals around 600 ms: invented."""
    return np.rint(600 + 50 * np.sin(np.arange(n) / 60) + np.random.default_rng(seed).normal(0, 12, n))


def stamped(interval_ms: F64, ends_s: F64, *, start: datetime = START) -> str:
    rows = [
        f"{(start + timedelta(seconds=float(t))).isoformat(timespec='milliseconds')},{rr:.0f}"
        for t, rr in zip(ends_s, interval_ms, strict=True)
    ]
    return "\n".join(["time,rr_ms", *rows]) + "\n"


def rates(seconds: range, value: int | None = None, *, start: datetime = START) -> str:
    rows = [f"{(start + timedelta(seconds=s)).isoformat()},{100 + s % 50 if value is None else value}" for s in seconds]
    return "\n".join(["time,heart_rate", *rows]) + "\n"


def put(folder: Path, name: str, text: str) -> None:
    path = folder / "raw/S01" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def read(folder: Path) -> SessionMaterial:
    loaded = load_study(folder)
    assert [p.slug for p in loaded.problems if p.costs] == []
    return read_session(loaded, loaded.sessions[0])


def said(notes: object) -> list[tuple[str, str, str]]:
    return [(n.slug, n.file, n.said) for n in notes]  # type: ignore[attr-defined]


def test_a_crash_leaves_a_hole_of_forty_seconds_and_beats_on_both_sides_where_they_were(tmp_path: Path):
    """The app crashed 10 minutes in; its second file begins 40 s after the first ends."""
    folder = study(tmp_path / "study")
    interval = heart(2000)
    ends = np.cumsum(interval) / 1000.0
    ends[1000:] += 40.0
    # the first interval of the second part is measured anew: part 2 begins 40 s after part 1 ends
    put(folder, "patch.part2.csv", stamped(interval[1000:], ends[1000:]))
    put(folder, "patch.part1.csv", stamped(interval[:1000], ends[:1000]))
    put(folder, "band.csv", rates(range(1200)))
    material = read(folder)
    reference = material.references[0]
    assert reference.counts["beats"] == 2002  # 2000 intervals and the hole between 2002 beats
    assert reference.running.covered_s[-1] == pytest.approx(interval.sum() / 1000.0, abs=0.01)
    hole = values_over(reference.running, np.array([ends[999] + 1.0]), np.array([ends[999] + 39.0]))
    assert hole.covered[0] == 0.0
    after = values_over(reference.running, np.array([ends[1000]]), np.array([ends[1050]]))
    assert after.value[0] == pytest.approx(60 * 50 / (ends[1050] - ends[1000]), rel=1e-3)
    assert said(material.repairs) == [
        (
            "part-hole",
            "raw/S01/patch.part2.csv",
            "begins 40 s after raw/S01/patch.part1.csv ends; the time between is kept as a gap",
        )
    ]
    assert material.warnings == ()


def test_parts_that_say_the_same_beats_twice_count_them_once(tmp_path: Path):
    folder = study(tmp_path / "study")
    interval = heart(2000)
    ends = np.cumsum(interval) / 1000.0
    put(folder, "patch.part1.csv", stamped(interval[:1050], ends[:1050]))
    put(folder, "patch.part2.csv", stamped(interval[1000:], ends[1000:]))
    material = read(folder)
    assert material.references[0].counts["beats"] == 2001
    (note,) = material.repairs
    assert (note.slug, note.count) == ("parts-overlap", 50)
    assert note.said == (
        f"begins {round(interval[1000:1050].sum() / 1000)} s before raw/S01/patch.part1.csv ends; 50 beats in both, "
        "identical, counted once"
    )
    assert material.warnings == ()


def test_readings_of_parts_that_contradict_each_other_are_said_with_numbers(tmp_path: Path):
    folder = study(tmp_path / "study")
    put(folder, "band.part1.csv", rates(range(600), 120))
    put(folder, "band.part2.csv", rates(range(570, 900), 131))
    put(folder, "patch.csv", rates(range(900)))
    material = read(folder)
    series = material.tested[0]
    np.testing.assert_array_equal(series.time_s, np.arange(900))
    np.testing.assert_array_equal(series.value, [120.0] * 600 + [131.0] * 300)
    assert said(material.warnings) == [
        (
            "parts-differ",
            "raw/S01/band.part2.csv",
            "begins 29 s before raw/S01/band.part1.csv ends; 30 seconds in both, of which 30 differ by up to 11 bpm; "
            "raw/S01/band.part1.csv is used where both are",
        )
    ]
    (row,) = material.compared
    assert (row.kind, row.n_both, row.n_identical, row.most, len(row.differences)) == ("part", 30, 0, 11.0, 30)


def test_beats_of_parts_that_share_time_and_nothing_else_follow_the_earlier_part(tmp_path: Path):
    folder = study(tmp_path / "study")
    one, other = heart(1000), heart(1000, 2)
    put(folder, "patch.part1.csv", stamped(one, np.cumsum(one) / 1000.0))
    ends = np.cumsum(other) / 1000.0 + 500.0
    put(folder, "patch.part2.csv", stamped(other, ends))
    material = read(folder)
    late = int(np.count_nonzero(ends > one.sum() / 1000.0))
    assert material.references[0].counts["beats"] == pytest.approx(1000 + late, abs=2)
    (note,) = material.warnings
    assert note.slug == "parts-differ"
    assert note.said == (
        f"begins {_words(one.sum() / 1000.0 - 500.0)} before raw/S01/patch.part1.csv ends, and the two have no beat in "
        "common there; raw/S01/patch.part1.csv is used where both are"
    )


def _words(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s"


def test_a_part_without_a_start_follows_the_one_before_and_says_so(tmp_path: Path):
    folder = study(tmp_path / "study")
    (folder / "sessions.csv").write_text(f"session,start\nS01,{START.isoformat()}\n", encoding="utf-8")
    interval = heart(800)
    put(folder, "patch.rr.part1.txt", "\n".join(f"{rr:.0f}" for rr in interval[:500]) + "\n")
    put(folder, "patch.rr.part2.txt", "\n".join(f"{rr:.0f}" for rr in interval[500:]) + "\n")
    material = read(folder)
    reference = material.references[0]
    assert reference.start_known
    assert reference.counts["beats"] == 801
    assert reference.last_s - reference.first_s == pytest.approx(interval.sum() / 1000.0, abs=0.01)
    assert said(material.warnings) == [
        (
            "part-no-start",
            "raw/S01/patch.rr.part2.txt",
            "does not say when it starts and was put right behind raw/S01/patch.rr.part1.txt; how long the pause was "
            "cannot be told",
        )
    ]


def test_a_backup_that_lacks_three_per_cent_is_compared_beat_by_beat_and_each_fills_the_other(tmp_path: Path):
    """Of 5000 beats the backup lacks 150, the first phone 100 others; 63 of the 4750 in both differ by 40 ms."""
    folder = study(tmp_path / "study")
    interval = heart(5000)
    ends = np.cumsum(interval) / 1000.0
    first = np.delete(np.arange(5000), np.arange(3000, 3100))
    backup = np.delete(np.arange(5000), np.arange(1000, 1150))
    put(folder, "patch.csv", stamped(interval[first], ends[first]))
    told = interval.copy()
    told[4000:4630:10] += 40
    # the backup's clock is 7 s ahead
    put(folder, "patch@phone2.csv", stamped(told[backup], ends[backup] + 7.0))
    material = read(folder)
    (row,) = material.compared
    assert (row.n_first, row.n_second, row.n_both, row.n_identical) == (4900, 4850, 4750, 4687)
    assert row.second_lacks == pytest.approx(0.03)
    assert row.first_lacks == pytest.approx(0.02)
    assert row.n_filled == 100
    assert row.clock_s == pytest.approx(-7.0, abs=0.001)
    assert row.most == 40.0
    assert said(material.warnings) == [
        (
            "copies-differ",
            "raw/S01/patch@phone2.csv",
            "98.7 % of 4,750 beats in both raw/S01/patch.csv and this copy are identical, the others differ by up to "
            "40 ms and are taken from raw/S01/patch.csv; this copy lacks 3.0 % and raw/S01/patch.csv lacks 2.0 %, "
            "100 beats filled from this copy; its clock is 7 s ahead",
        )
    ]
    reference = material.references[0]
    assert reference.counts["beats"] == 5001
    assert reference.running.covered_s[-1] == pytest.approx(interval.sum() / 1000.0, abs=0.01)
    filled = values_over(reference.running, np.array([ends[3010]]), np.array([ends[3090]]))
    assert filled.value[0] == pytest.approx(60 * 80 / (ends[3090] - ends[3010]), rel=1e-3)


def test_identical_copies_are_said_and_nothing_is_warned_of(tmp_path: Path):
    folder = study(tmp_path / "study")
    interval = heart(600)
    put(folder, "patch@a.csv", stamped(interval, np.cumsum(interval) / 1000.0))
    put(folder, "patch@b.csv", stamped(interval, np.cumsum(interval) / 1000.0))
    material = read(folder)
    assert material.warnings == ()
    assert [c.said for c in material.compared] == [
        "raw/S01/patch@b.csv: all of 600 beats in both raw/S01/patch@a.csv and this copy are identical"
    ]
    assert material.references[0].counts["beats"] == 601


def test_a_copy_that_is_none_is_kept_aside(tmp_path: Path):
    folder = study(tmp_path / "study")
    for name, seed in (("patch.csv", 1), ("patch@phone2.csv", 2)):
        interval = heart(600, seed)
        put(folder, name, stamped(interval, np.cumsum(interval) / 1000.0))
    material = read(folder)
    assert said(material.warnings) == [
        (
            "copy-kept-aside",
            "raw/S01/patch@phone2.csv",
            "expected a copy of raw/S01/patch.csv, got nothing in common with it; that one is used, this one kept "
            "aside",
        )
    ]
    assert material.references[0].counts["beats"] == 601


def test_a_copy_from_another_phone_goes_on_when_the_first_stops(tmp_path: Path):
    folder = study(tmp_path / "study")
    put(folder, "patch.csv", rates(range(900)))
    put(folder, "band.csv", rates(range(400)))
    put(folder, "band@phone2.csv", rates(range(420, 900)))
    material = read(folder)
    assert material.tested[0].time_s.size == 880
    assert said(material.repairs) == [
        (
            "copy-filled",
            "raw/S01/band@phone2.csv",
            "recorded at other times than raw/S01/band.csv; its 480 seconds are added by their stamps",
        )
    ]


def test_readings_of_a_copy_whose_clock_is_off_are_matched_by_their_values(tmp_path: Path):
    folder = study(tmp_path / "study")
    value = np.rint(110 + 20 * np.sin(np.arange(900) / 50) + np.random.default_rng(3).normal(0, 2, 900))
    put(folder, "patch.csv", rates(range(900)))

    def rows(chosen: NDArray[np.int64], away_s: int) -> str:
        lines = [f"{(START + timedelta(seconds=int(s) + away_s)).isoformat()},{value[s]:.0f}" for s in chosen]
        return "\n".join(["time,heart_rate", *lines]) + "\n"

    put(folder, "band.csv", rows(np.delete(np.arange(900), np.arange(300, 330)), 0))
    put(folder, "band@phone2.csv", rows(np.arange(900), 3600))
    material = read(folder)
    np.testing.assert_array_equal(material.tested[0].value, value)
    np.testing.assert_array_equal(material.tested[0].time_s, np.arange(900))
    (row,) = material.compared
    assert (row.n_both, row.n_identical, row.n_filled, row.clock_s) == (870, 870, 30, -3600.0)


def test_two_files_that_claim_one_recording_are_an_error_that_names_both(tmp_path: Path):
    folder = study(tmp_path / "study")
    put(folder, "band.csv", rates(range(60)))
    put(folder, "band.tsv", rates(range(60)))
    (problem,) = [p for p in load_study(folder).problems if p.costs == "both files"]
    assert problem.said == (
        'expected one file for this recording, got "raw/S01/band.csv" and "raw/S01/band.tsv". If they are parts, name '
        "them .part1, .part2; if they are copies of one recorder, @phone1, @phone2; otherwise keep one of them"
    )
