"""Zones of sessions and devices: proposed where the heap shows them, asked about where it does not."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from heaps import DAY, course, write_band, write_strap

from wearbench.heap import Answers, Index, Proposal, carry_out, propose, summary_lines


def proposed(heap: Path, *, study: Path | None = None, **answers: object) -> Proposal:
    with Index(heap.parent / "index" / "index.sqlite") as index:
        told = Answers(timezone="Europe/Oslo", **answers)  # type: ignore[arg-type]
        return propose((heap,), study_folder=study, answers=told, index=index)


def day_by_day(heap: Path, hours: tuple[float, ...], *, name: str = "band") -> Path:
    """A strap with UTC stamps and a band whose local stamps are some hours ahead of UTC, a session a day."""
    for day, ahead in enumerate(hours):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        write_strap(heap / f"strap {start.day}.csv", start, rate, day)
        write_band(heap / f"{name} {start.day}.csv", start, rate, local_h=ahead, seed=day)
    return heap


def zones(found: Proposal) -> dict[str, str | None]:
    return {o.name or "": found.session_zones.of(o) for o in found.occasions}


def test_one_session_alone_may_be_a_clock(tmp_path: Path):
    found = proposed(day_by_day(tmp_path / "heap", (1, 1, 5.75, 1)))
    assert set(zones(found).values()) == {None}
    (question,) = found.questions
    assert question.kind == "session-zone"
    assert question.said == (
        "The stamps of band in session 2031-01-14 fit +05:45 and not Europe/Oslo. Another zone, or a clock that is "
        "off? Left alone it is taken for a clock"
    )
    assert question.answer == '--session-zone "2031-01-14=+05:45"'
    assert not found.waits
    answered = proposed(tmp_path / "heap", session_zones={"2031-01-14": "Asia/Kathmandu"})
    assert zones(answered)["2031-01-14"] == "Asia/Kathmandu"
    assert answered.questions == []
    assert "2031-01-14: timezone Asia/Kathmandu in sessions.csv, as you said." in summary_lines(answered)


def test_offset_that_no_zone_has_is_a_clock_that_is_off(tmp_path: Path):
    found = proposed(day_by_day(tmp_path / "heap", (1, 1, 2.25, 2.25)))
    assert set(zones(found).values()) == {None}
    assert found.questions == []
    assert found.notes == [
        "band: its clock reads 1.25 hours late in 2 files, the first band 14.csv, going by the course of the rate; "
        "placed by that"
    ]


def test_there_and_back(tmp_path: Path):
    found = proposed(day_by_day(tmp_path / "heap", (1, -5, -5, -5, 1)))
    assert list(zones(found).values()) == [None, "-05:00", "-05:00", "-05:00", None]
    assert found.notes == []


def test_two_devices_that_disagree_are_no_zone_of_the_session(tmp_path: Path):
    """The band keeps UTC in all sessions, the loop the phone's zone: the band has a zone of its own."""
    heap = day_by_day(tmp_path / "heap", (0, 0, 0))
    for day in range(3):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        write_band(heap / f"loop {start.day}.csv", start, rate + 6, local_h=1, step=5, seed=50 + day)
    found = proposed(heap, devices={"loop*": "loop", "band*": "band"})
    assert set(zones(found).values()) == {None}
    assert found.session_zones.devices == {"band": "+00:00"}
    assert found.questions == []
    carry_out(found, tmp_path / "study")
    text = (tmp_path / "study" / "study.toml").read_text(encoding="utf-8")
    assert '[devices.band]\nrole = "tested"\ntimezone = "+00:00"\n' in text
    assert '[devices.loop]\nrole = "tested"\n' in text


def test_second_sort_finds_the_zones_written(tmp_path: Path):
    heap, study = day_by_day(tmp_path / "heap", (1, 5.75, 5.75)), tmp_path / "study"
    carry_out(proposed(heap), study)
    before = (study / "sessions.csv").read_bytes()
    again = proposed(heap, study=study)
    assert (again.placings, again.questions, again.notes) == ([], [], [])
    day_by_day(heap, (1, 5.75, 5.75, 5.75, 5.75))
    found = proposed(heap, study=study)
    assert list(zones(found).values()) == [None, None, None, "+05:45", "+05:45"]
    carry_out(found, study)
    after = (study / "sessions.csv").read_bytes()
    assert after.startswith(before)
    assert after.decode().splitlines()[-1] == "2031-01-16,2031-01-16T14:45:00+05:45,2031-01-16T15:04:59+05:45,+05:45"


def test_rows_that_are_there_are_asked_about_and_not_rewritten(tmp_path: Path):
    heap, study = day_by_day(tmp_path / "heap", (1, 5.75, 5.75)), tmp_path / "study"
    carry_out(proposed(heap), study)
    table = study / "sessions.csv"
    rows = [line.rsplit(",", 1)[0] for line in table.read_text(encoding="utf-8").splitlines()]
    table.write_text("\r\n".join(rows), encoding="utf-8", newline="")
    for place in (study / "raw").rglob("band.csv"):
        place.unlink()
    found = proposed(heap, study=study)
    (question,) = found.questions
    assert question.said == (
        "In 2031-01-13 and 2031-01-14 stamps without offset fit +05:45 and not Europe/Oslo. Was it another zone? Rows "
        "that sessions.csv has are not rewritten"
    )
    assert question.answer == "write +05:45 in a column timezone of sessions.csv"
    day_by_day(heap, (1, 5.75, 5.75, 5.75, 5.75))
    before = table.read_bytes()
    carry_out(proposed(heap, study=study), study)
    lines = table.read_bytes().split(b"\r\n")
    assert lines[0] == b"session,start,end,timezone"
    assert lines[1:4] == before.split(b"\r\n")[1:]
    assert [line.split(b",")[-1] for line in lines[4:6]] == [b"+05:45", b"+05:45"]
