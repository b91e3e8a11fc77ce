from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from heaps import DAY, course, small_heap, write_band, write_strap

from wearbench.heap import Answers, Index, Proposal, propose, summary_lines


def proposed(heap: Path, *, study: Path | None = None, **answers: object) -> Proposal:
    with Index(heap.parent / "index" / "index.sqlite") as index:
        return propose((heap,), study_folder=study, answers=Answers(**answers), index=index)  # type: ignore[arg-type]


def places(proposal: Proposal) -> dict[str, str]:
    return {placing.file.name: placing.place for placing in proposal.placings}


def test_two_recorders_on_three_days(tmp_path: Path):
    found = proposed(small_heap(tmp_path / "heap"))
    assert places(found) == {
        "export (0).csv": "2031-01-12/wearable.csv",
        "export (1).csv": "2031-01-13/wearable.csv",
        "export (2).csv": "2031-01-14/wearable.csv",
        "strap 20310112.csv": "2031-01-12/strap.csv",
        "strap 20310113.csv": "2031-01-13/strap.csv",
        "strap 20310114.csv": "2031-01-14/strap.csv",
    }
    assert found.roles == {"strap": "reference", "wearable": "tested"}
    assert found.questions == []
    assert summary_lines(found) == [
        "6 files looked at; nothing in the heap is changed.",
        "",
        "Devices:",
        "  strap: reference, proposed; 3 files of rr, such as strap 20310112.csv",
        "  wearable: tested, proposed; 3 files of heart_rate, such as export (0).csv",
        '  (another name, or two that are one: --device "strap 20310112.csv=NAME", a file or a pattern of each)',
        "",
        "3 occasions where strap and a tested device both recorded.",
        "",
        "6 files to copy: 6 one recording each.",
    ]


def test_parts_after_a_crash_with_a_hole_of_40_s(tmp_path: Path):
    heap = small_heap(tmp_path / "heap", days=1)
    rate = course(2400, 9)
    start = DAY + timedelta(days=1)
    write_strap(heap / "strap a.csv", start, rate[:900], 9)
    write_strap(heap / "strap b.csv", start + timedelta(seconds=940), rate[940:], 10)
    write_band(heap / "export (7).csv", start, rate, seed=9)
    found = places(proposed(heap))
    assert found["strap a.csv"] == "2031-01-13/strap.part1.csv"
    assert found["strap b.csv"] == "2031-01-13/strap.part2.csv"
    assert found["export (7).csv"] == "2031-01-13/wearable.csv"


def test_backup_copy_that_lacks_beats_is_known_by_the_beats(tmp_path: Path):
    heap = small_heap(tmp_path / "heap")
    write_strap(heap / "old phone" / "heart_beats.csv", DAY, course(1200, 0), 0, skip=slice(300, 370), late_s=1.7)
    found = proposed(heap)
    assert places(found)["old phone/heart_beats.csv"] == "2031-01-12/strap@old-phone.csv"
    assert [r.name for r in found.devices] == ["strap", "wearable"]


def test_same_bytes_twice_are_copied_once(tmp_path: Path):
    heap = small_heap(tmp_path / "heap", days=1)
    (heap / "export (0) copy.csv").write_bytes((heap / "export (0).csv").read_bytes())
    found = proposed(heap)
    assert len(found.placings) == 2
    assert [(f.name, f.same_as) for f in found.duplicates] == [("export (0).csv", "export (0) copy.csv")]


def test_export_that_spans_sessions_goes_to_all(tmp_path: Path):
    heap = tmp_path / "heap"
    for day in range(3):
        write_strap(heap / f"strap{day}.csv", DAY + timedelta(days=day), course(1200, day), day)
    write_band(heap / "fortnight.csv", DAY - timedelta(days=1), course(5 * 86_400, 77), step=60)
    assert places(proposed(heap))["fortnight.csv"] == "_all/fortnight.csv"


def test_strap_forgotten_and_strap_that_stops_early(tmp_path: Path):
    heap = small_heap(tmp_path / "heap", days=2)
    write_band(heap / "export (8).csv", DAY + timedelta(days=4), course(1500, 8), seed=8)
    rate = course(3000, 6)
    write_strap(heap / "strap 20310120.csv", DAY + timedelta(days=8), rate[:1560], 6)
    write_band(heap / "export (9).csv", DAY + timedelta(days=8), rate, seed=6)
    found = proposed(heap)
    lines = summary_lines(found)
    assert "3 occasions where strap and a tested device both recorded." in lines
    assert "1 where only wearable did (16 January: strap forgotten?)." in lines
    assert "2031-01-20: strap stops 23 min early." in lines
    assert places(found)["export (8).csv"] == "2031-01-16/wearable.csv"


def test_clock_an_hour_off_is_placed_by_the_course_and_said(tmp_path: Path):
    heap = small_heap(tmp_path / "heap")
    write_band(heap / "export (1).csv", DAY + timedelta(days=1, hours=-1), course(1200, 1), seed=1)
    found = proposed(heap)
    assert places(found)["export (1).csv"] == "2031-01-13/wearable.csv"
    assert found.notes == [
        "wearable: its clock reads 1 hour early in export (1).csv, going by the course of the rate; placed by that"
    ]


def test_local_stamps_ask_for_their_zone_once(tmp_path: Path):
    heap = tmp_path / "heap"
    for day in range(3):
        start = DAY + timedelta(days=day)
        write_strap(heap / f"strap{day}.csv", start, course(1200, day), day)
        write_band(heap / f"export ({day}).csv", start, course(1200, day), local_h=1, seed=day)
    found = proposed(heap)
    assert [q.kind for q in found.questions] == ["zone"]
    assert found.waits
    answered = proposed(heap, timezone="Europe/Oslo")
    assert answered.questions == []
    assert places(answered)["export (2).csv"] == "2031-01-14/wearable.csv"


def test_two_bands_under_one_kind_of_name_are_told_apart_or_asked_about(tmp_path: Path):
    heap = tmp_path / "heap"
    for day in range(2):
        start = DAY + timedelta(days=day)
        write_strap(heap / f"strap{day}.csv", start, course(1200, day), day)
        write_band(heap / f"export ({2 * day}).csv", start, course(1200, day), seed=20 + day)
        write_band(heap / f"export ({2 * day + 1}).csv", start, course(1200, day), seed=30 + day)
    found = proposed(heap)
    assert {f.name for f in found.left_out} == {f"export ({n}).csv" for n in range(4)}
    assert [q.kind for q in found.questions] == ["device"]
    left_right = {"export ([02]).csv": "left", "export ([13]).csv": "right"}
    told = proposed(heap, devices=left_right)
    assert places(told)["export (3).csv"] == "2031-01-13/right.csv"
    assert told.questions == []


def test_file_not_understood_shows_its_first_rows(tmp_path: Path):
    heap = small_heap(tmp_path / "heap", days=1)
    (heap / "notes.txt").write_text("forgot the strap on Tuesday\nsecond line\n", encoding="utf-8")
    found = proposed(heap)
    lines = summary_lines(found)
    assert "1 file not understood: notes.txt." in lines
    assert "   | forgot the strap on Tuesday" in lines
    assert len(found.placings) == 2
    assert proposed(heap, ignore=("notes.txt",)).questions == []


@pytest.mark.parametrize("seconds", [1200, 2700])
def test_beats_without_a_date_are_placed_by_their_course(tmp_path: Path, seconds: int):
    heap = tmp_path / "heap"
    for day in range(3):
        rate = course(seconds, day)
        write_band(heap / f"export ({day}).csv", DAY + timedelta(days=day), rate, seed=day)
        strap = write_strap(tmp_path / f"strap{day}.csv", DAY, rate, day)
        rows = strap.read_text(encoding="utf-8").splitlines()[1:]
        (heap / f"strap{day}.txt").write_text("\n".join(row.split(",")[1] for row in rows) + "\n", encoding="utf-8")
    found = proposed(heap)
    assert places(found)["strap1.txt"] == "2031-01-13/strap.rr.txt"
    assert found.questions == []


def test_beats_of_two_hearts_at_one_time_are_asked_about(tmp_path: Path):
    heap = small_heap(tmp_path / "heap")
    write_strap(heap / "pod 20310112.csv", DAY, course(1200, 40), 40)
    found = proposed(heap, reference="strap")
    assert [q.kind for q in found.questions] == ["another-heart"]
    assert found.questions[0].said == (
        "Two people? pod 20310112.csv of pod cannot be of the heart that another list of beats has at the same time"
    )
    assert "pod 20310112.csv" not in places(found)


def test_two_straps_on_one_heart_are_two_devices(tmp_path: Path):
    heap = small_heap(tmp_path / "heap")
    write_strap(heap / "belt 20310112.csv", DAY, course(1200, 0), 99)
    found = proposed(heap, reference="strap")
    assert found.questions == []
    assert places(found)["belt 20310112.csv"] == "2031-01-12/belt.csv"


def test_local_time_stored_as_utc_is_named(tmp_path: Path):
    heap = small_heap(tmp_path / "heap", days=0)
    for day in range(3):
        start = DAY + timedelta(days=day)
        write_strap(heap / f"strap {day}.csv", start, course(1200, day), day)
        write_band(heap / f"export ({day}).csv", start + timedelta(hours=1), course(1200, day), seed=day)
    found = proposed(heap, timezone="Europe/Oslo")
    assert found.notes == [
        "wearable: its clock reads 1 hour late in 3 files, the first export (0).csv, going by the course of the rate; "
        "placed by that: local time stored as UTC?"
    ]
    assert len(found.occasions) == 3


def test_flight_to_a_quarter_hour_zone_inside_one_export(tmp_path: Path):
    heap = tmp_path / "heap"
    rows: list[str] = []
    for day, hours in ((0, 1.0), (1, 1.0), (2, 5.75), (3, 5.75)):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        write_strap(heap / f"strap {day}.csv", start, rate, day)
        piece = write_band(tmp_path / f"{day}.csv", start, rate, local_h=hours, seed=day)
        rows += piece.read_text(encoding="utf-8").splitlines()[1:]
    (heap / "fortnight.csv").write_text("\n".join(["timestamp;hr", *rows]) + "\n", encoding="utf-8")
    found = proposed(heap, timezone="Europe/Oslo")
    assert places(found)["fortnight.csv"] == "_all/fortnight.csv"
    assert len(found.occasions) == 4
    assert found.notes == []
    assert found.questions == []
    assert (
        "2 sessions from 2031-01-14 to 2031-01-15: timezone +05:45 in sessions.csv, since there the stamps of "
        "fortnight, which carry no offset, fit +05:45 and not Europe/Oslo, going by the course of the rate. If it was "
        "another: "
        '--session-zone "2031-01-14=ZONE".'
    ) in summary_lines(found)


def test_tested_device_that_may_have_a_wrong_clock_is_asked_about(tmp_path: Path):
    heap = tmp_path / "heap"
    for day in range(3):
        start = DAY + timedelta(days=day)
        write_strap(heap / f"strap {day}.csv", start, course(1200, day), day)
        rate = course(1200, day) if day else course(1200, 50)
        write_band(heap / f"export ({day}).csv", start - timedelta(hours=2 if day == 0 else 0), rate, seed=day)
    found = proposed(heap)
    assert [q.kind for q in found.questions] == ["clock"]
    assert "export (0).csv" not in places(found)


def test_names_of_activities_are_no_devices(tmp_path: Path):
    heap = tmp_path / "heap"
    for day, word in enumerate(("row", "stairs", "row", "erg", "stairs", "erg")):
        start = DAY + timedelta(days=day)
        write_strap(heap / f"{word} {day}.csv", start, course(900, day), day)
        write_band(heap / f"{word} {day} (1).csv", start, course(900, day), seed=day)
    found = proposed(heap)
    assert [(d.name, len(d.files)) for d in found.devices] == [("beats", 6), ("wearable", 6)]
    assert found.questions == []


def test_right_clock_is_kept_where_intervals_repeat(tmp_path: Path):
    """Intervals of 97 and 700 s come again after 105 min, less 5 s: a band 8 s late fits that a little better.

    As stamped the course fits nearly as well, so there is no reason to think the clock off.
    """
    second = np.arange(4 * 3600)
    for day in (0, 4, 5):
        waves = ((30, 700 / (2 * np.pi), day), (15, 97 / (2 * np.pi), 3 * day), (5, 13.0, 0))
        rate = np.rint(110 + sum(a * np.sin(second / scale + phase) for a, scale, phase in waves)).astype(int)
        start = DAY + timedelta(days=day)
        write_band(tmp_path / f"strap {day}.csv", start, rate, heading="time;heart_rate")
        write_band(tmp_path / f"band {day}.csv", start, np.roll(rate, 8), seed=6 + day, heading="timestamp;hr")
    proposal = proposed(tmp_path, reference=("strap",))
    assert len(proposal.occasions) == 3
    assert not any("clock" in line or "late" in line for line in summary_lines(proposal))
