"""Notes of versions, in the ways people write them; and texts that are none."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from heaps import DAY, course, write_band, write_strap

from wearbench.heap import Answers, Index, Proposal, carry_out, propose


@pytest.fixture
def heap(tmp_path: Path) -> Path:
    place = tmp_path / "heap"
    for day in range(2):
        start, rate = DAY + timedelta(days=day), course(900, day)
        write_strap(place / f"strap {start.day}.csv", start, rate, day)
        write_band(place / f"band {start.day}.csv", start, rate, seed=day)
    return place


def noted(heap: Path, text: str, *, study: Path | None = None) -> Proposal:
    (heap / "notes.txt").write_text(text, encoding="utf-8")
    with Index(heap.parent / "index" / "index.sqlite") as index:
        return propose((heap,), study_folder=study, answers=Answers(timezone="Europe/Oslo"), index=index)


def rows(found: Proposal) -> list[tuple[str, str, str, str]]:
    return [
        (row.device, row.part, f"{row.seen_at:%Y-%m-%d %H:%M}", row.version)
        for note in found.version_notes
        for row in note.rows
    ]


@pytest.mark.parametrize(
    "text",
    [
        "2031-01-12 08:30 band 2.0\n2031-01-13 08:30 band 2.1\n",
        "12.01.2031 08:30 - band: v2.0\n13.1.2031, 08:30 band v2.1 (von selbst)\n",
        "01/12/2031 08:30;band;2.0\n01/13/2031 08:30;band;2.1\n",
        "date\tdevice\tversion\n13/01/2031 08:30\tband\t2.1\n12/01/2031 08:30\tband\t2.0\n",
        "版本 \n2031年1月12日 08:30 band 2.0（手動）\n2031年1月13日 08:30 band 2.1\n",
        "* 12 January 2031, 08:30: Band firmware 2.0\n* Jan 13, 2031 08:30 Band fw 2.1\n",
        "2031-01-12T08:30 Montag BAND 2.0\n2031-01-13T08:30 Dienstag bänd 2.1\n",
    ],
)
def test_ways_to_write_it(heap: Path, text: str):
    found = noted(heap, text)
    assert rows(found) == [
        ("band", "device", "2031-01-12 08:30", "2.0"),
        ("band", "device", "2031-01-13 08:30", "2.1"),
    ]
    assert (found.questions, found.not_understood) == ([], [])


def test_the_only_tested_device_needs_no_name_and_parts_are_told_apart(heap: Path):
    assert rows(noted(heap, "2031-01-12 08:30 2.0, strap 1.1.4, band app 5.6\n")) == [
        ("band", "device", "2031-01-12 08:30", "2.0"),
        ("strap", "device", "2031-01-12 08:30", "1.1.4"),
        ("band", "app", "2031-01-12 08:30", "5.6"),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "12.01.2031 forgot the strap, rowed 10.5 km\n",
        "12.01.2031 band 2.0 felt strange today\n",
        "12.01.2031 nothing\n",
        "band 2.0\nstrap 1.1\n",
        "01/02/2031 band 2.0\n",
        "31.02.2031 band 2.0\n",
        "12.01.2031 band 2.0\n13.01.2031 was ill\n",
        "Haferflocken;4;2,49;Hütte\n",
    ],
)
def test_other_texts_are_asked_about_as_before(heap: Path, text: str):
    found = noted(heap, text)
    assert found.version_notes == []
    assert [f.name for f in found.not_understood] == ["notes.txt"]
    assert [q.kind for q in found.questions] == ["not-understood"]


def test_name_that_no_device_has_is_asked_about(heap: Path):
    found = noted(heap, "12.01.2031 wrist 2.0\n13.01.2031 wrist 2.1 strap 1.1\n")
    (question,) = found.questions
    assert (question.kind, question.said) == (
        "version-device",
        "notes.txt notes versions of wrist. Which of the devices is that?",
    )
    assert {row[0] for row in rows(found)} == {"strap"}


def test_rows_are_added_once_below_those_that_are_there(heap: Path, tmp_path: Path):
    study = tmp_path / "study"
    text = "12.01.2031 08:30 band 2.0\n"
    carry_out(noted(heap, text), study)
    table = study / "versions.csv"
    assert table.read_text(encoding="utf-8") == (
        "device,part,seen_at,version,how_known\nband,device,2031-01-12T08:30:00+01:00,2.0,note\n"
    )
    again = noted(heap, text, study=study)
    assert (rows(again), again.not_understood, again.questions) == ([], [], [])
    carry_out(noted(heap, text + "13.01.2031 08:30 band 2.1\n", study=study), study)
    assert table.read_text(encoding="utf-8").splitlines()[1:] == [
        "band,device,2031-01-12T08:30:00+01:00,2.0,note",
        "band,device,2031-01-13T08:30:00+01:00,2.1,note",
    ]
