from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from study_folders import STUDY, add, make_study

from wearbench.study import Bout, Mark, Wear, When, load_study


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def said(folder: Path, file: str) -> list[str]:
    return [str(problem) for problem in load_study(folder).problems if problem.file == file]


def test_sessions_are_read_in_their_zone(tmp_path: Path):
    make_study(tmp_path)
    add(
        tmp_path,
        "sessions.csv",
        "session,start,end,participant,activity,firmware,firmware.patch,wear_site.band,timezone,weather\n"
        "s01,2031-01-12 09:00,2031-01-12T09:45:30,p1,rowing,2.0,1.1,left wrist,,fog\n"
        "s02,2031-07-12T09:00:00,2700,p2,stairs,,,,America/New_York,\n"
        "s03,2031-07-12T09:00:00.250+05:30,,p1,,,,,,\n",
    )
    for name in ("s02", "s03"):
        add(tmp_path, f"raw/{name}/patch.csv", "time,heart_rate\n")
        add(tmp_path, f"raw/{name}/band.csv", "time,heart_rate\n")
    study = load_study(tmp_path)
    first, third, second = study.sessions  # in order of start
    assert (first.name, second.name, third.name) == ("s01", "s02", "s03")
    assert (first.start_ms, first.end_ms) == (ms("2031-01-12T08:00:00"), ms("2031-01-12T08:45:30"))
    assert (second.start_ms, second.end_ms) == (ms("2031-07-12T13:00:00"), ms("2031-07-12T13:45:00"))
    assert third.start_ms == ms("2031-07-12T03:30:00.250")
    assert second.zone == ZoneInfo("America/New_York")
    assert first.columns == {"weather": "fog"}
    assert study.firmware(first, "band") == "2.0"
    assert study.firmware(first, "patch") == "1.1"
    assert study.firmware(second, "patch") is None
    assert study.wear_site(first, "band") == "left wrist"
    assert study.problems == ()


def test_zone_of_stamps_is_the_devices_then_the_sessions_then_the_studys(tmp_path: Path):
    toml = STUDY.replace('label = "Wrist band"', 'timezone = "UTC"')
    make_study(tmp_path, toml)
    add(tmp_path, "sessions.csv", "session,timezone,start\ns01,Asia/Tokyo,2031-01-12T09:00:00\n")
    study = load_study(tmp_path)
    contexts = {file.shown: study.read_context(file) for file in study.files()}
    assert contexts["raw/s01/band.csv"].zone == ZoneInfo("UTC")
    assert contexts["raw/s01/patch.csv"].zone == ZoneInfo("Asia/Tokyo")
    assert contexts["raw/s01/patch.csv"].start_ms == ms("2031-01-12T00:00:00")
    (tmp_path / "sessions.csv").unlink()
    study = load_study(tmp_path)
    assert study.read_context(study.files()[-1]).zone == ZoneInfo("Europe/Oslo")


def test_a_bad_row_costs_that_row(tmp_path: Path):
    make_study(tmp_path)
    add(
        tmp_path,
        "sessions.csv",
        "session,start,end,participant,timezone\n"
        "s01,2031-01-12T09:00:00,2031-01-12T10:00:00,p1,\n"
        "s02,yesterday,,p1,\n"
        ",2031-01-12T09:00:00,,p1,\n"
        "s04,2031-01-12T09:00:00,2031-01-12T08:00:00,p1,\n"
        "s05,2031-01-12T09:00:00,,p1,Europe/Olso\n"
        "s06,2031-01-12,,p1,\n"
        "s07,1926000000,,p1,\n"
        "s01,2031-01-13T09:00:00,,p2,\n"
        "s08,2031-10-26T02:30:00,,p1,\n"
        "s09,2031-03-30T02:30:00,,p1,\n"
        "s10,2031-01-12T09:00:00,,p1,,extra\n"
        "s11,2031-01-12T09:00:00,9999999,p1,\n",
    )
    what = "expected a date and time (2031-05-01T09:00:00)"
    assert said(tmp_path, "sessions.csv") == [
        'sessions.csv:12: expected 5 cells as in the heading, got 6. Quote cells that hold ",". Left out: this row.',
        f'sessions.csv:3: start: {what}, got "yesterday". Left out: this row.',
        "sessions.csv:4: session: expected a value, got an empty cell. Left out: this row.",
        'sessions.csv:5: expected an end after the start, got start "2031-01-12T09:00:00" and end '
        '"2031-01-12T08:00:00". Left out: this row.',
        'sessions.csv:6: timezone: expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", got "Europe/Olso". '
        'Did you mean "Europe/Oslo"? Left out: this row.',
        f'sessions.csv:7: start: {what}, got "2031-01-12". Left out: this row.',
        f'sessions.csv:8: start: {what}, got "1926000000". Left out: this row.',
        'sessions.csv:10: start: expected one instant, got "2031-10-26T02:30:00", which happens twice when the clocks '
        "go back. Write 2031-10-26T02:30:00+02:00 or 2031-10-26T02:30:00+01:00. Left out: this row.",
        'sessions.csv:11: start: expected a time that exists, got "2031-03-30T02:30:00", which the clocks skip when '
        "they go forward. Write the time with its offset from UTC. Left out: this row.",
        f'sessions.csv:13: end: {what} or seconds from the session\'s start (0 to 2678400), got "9999999". '
        "Left out: this row.",
        'sessions.csv:9: session: expected each session once, got "s01" again (first in line 2). Left out: this row.',
    ]
    assert [session.name for session in load_study(tmp_path).sessions] == ["s01"]


def test_a_time_without_offset_needs_a_zone(tmp_path: Path):
    make_study(tmp_path, STUDY.replace('timezone = "Europe/Oslo"', ""))
    add(tmp_path, "sessions.csv", "session,start,participant\ns01,2031-01-12T09:00:00,p1\n")
    assert said(tmp_path, "sessions.csv")[0] == (
        "sessions.csv:2: start: expected a time with its offset (2031-05-01T09:00:00+02:00), got "
        '"2031-01-12T09:00:00" and no time zone to read it in. Add timezone = "..." to study.toml. Left out: this row.'
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", 'sessions.csv: expected a heading line with "session", got an empty file. Left out: this table.'),
        (
            "sesion,start\ns01,\n",
            'sessions.csv:1: expected the headings "session", got "sesion" and "start". Left out: this table.',
        ),
        (
            "session,start,start\n",
            'sessions.csv:1: expected each heading once, got "start" twice. Left out: this table.',
        ),
        (
            "session,particpant\ns01,p1\n",
            'sessions.csv: column "particpant" is kept as it is. Did you mean "participant"?',
        ),
        (
            "session,participant,firmware.bend\ns01,p1,2\n",
            'sessions.csv:1: heading "firmware.bend": expected a device of this study ("patch" or "band"), got "bend". '
            'Did you mean "band"? Left out: this column.',
        ),
    ],
)
def test_headings_that_are_wrong(tmp_path: Path, text: str, message: str):
    make_study(tmp_path)
    add(tmp_path, "sessions.csv", text)
    assert said(tmp_path, "sessions.csv")[0] == message


@pytest.mark.parametrize(
    "raw",
    [
        "session;participant\r\ns01;Bjørn\r\n".encode("utf-8-sig"),
        "session\tparticipant\ns01\tBjørn\n".encode("utf-16"),
        b"\nsession , participant\n\n s01 , Bj\xc3\xb8rn \n,\n",
    ],
)
def test_tables_as_spreadsheets_write_them(tmp_path: Path, raw: bytes):
    make_study(tmp_path)
    (tmp_path / "sessions.csv").write_bytes(raw)
    study = load_study(tmp_path)
    assert [session.participant for session in study.sessions] == ["Bjørn"]
    assert study.problems == ()


def test_an_old_encoding_is_read_and_said(tmp_path: Path):
    make_study(tmp_path)
    (tmp_path / "sessions.csv").write_bytes("session,participant\ns01,Bjørn\n".encode("cp1252"))
    study = load_study(tmp_path)
    assert study.sessions[0].participant == "Bjørn"
    assert [str(problem) for problem in study.problems] == [
        "sessions.csv:2: expected UTF-8 text, got byte 0xf8; read as Windows-1252, so check names with accents"
    ]


def test_binary_rubbish_costs_the_table(tmp_path: Path):
    make_study(tmp_path)
    (tmp_path / "bouts.csv").write_bytes(b"\x00\x01\x02session")
    assert said(tmp_path, "bouts.csv") == [
        "bouts.csv: expected a table of text, got binary data. Left out: this table."
    ]


def test_bouts_in_seconds_or_instants(tmp_path: Path):
    make_study(tmp_path)
    add(tmp_path, "raw/s02/patch.csv", "time,heart_rate\n")
    add(tmp_path, "sessions.csv", "session,start,participant\ns01,2031-01-12T09:00:00,p1\ns02,,p1\n")
    add(
        tmp_path,
        "bouts.csv",
        "session;bout;start;end;activity;intensity;clock\n"
        "s01;warm-up;0;600,5;rowing;easy;\n"
        "s01;;2031-01-12T09:11:00;2031-01-12T09:12:00;rowing;hard;band\n"
        "s02;warm-up;30;60;;;\n"
        "s02;late;60;30;;;\n"
        "s01;clock;0;1;;;belt\n"
        "s09;lost;0;1;;;\n"
        "s01;open;0;;;;\n",
    )
    study = load_study(tmp_path)
    start = ms("2031-01-12T08:00:00")
    assert study.sessions[0].bouts == (
        Bout(
            session="s01",
            name="warm-up",
            start=When(utc_ms=start),
            end=When(utc_ms=start + 600_500),
            activity="rowing",
            intensity="easy",
        ),
        Bout(
            session="s01",
            name="line 3",
            start=When(utc_ms=start + 660_000),
            end=When(utc_ms=start + 720_000),
            activity="rowing",
            intensity="hard",
            clock="band",
        ),
    )
    assert study.sessions[1].bouts[0].start == When(offset_s=30)
    assert study.sessions[1].bouts[0].end.at_ms(1000) == 61_000
    assert said(tmp_path, "bouts.csv") == [
        'bouts.csv:5: expected an end after the start, got start "60" and end "30". Left out: this row.',
        'bouts.csv:6: clock: expected a device of this study ("patch" or "band"), got "belt". Left out: this row.',
        "bouts.csv:8: end: expected a value, got an empty cell. Left out: this row.",
        'bouts.csv: session: expected a session of this study, got "s09". Left out: its rows.',
    ]


def test_the_other_tables(tmp_path: Path):
    make_study(tmp_path)
    add(tmp_path, "sessions.csv", "session,participant\ns01,p1\n")
    add(tmp_path, "marks.csv", "session,device,time,kind\ns01,band,12.5,tap\ns01,bnad,1,tap\ns01,band,1,tapp\n")
    add(
        tmp_path,
        "wear.csv",
        "device,start,end,what\nband,2031-01-12T09:00:00,2031-01-12T10:00:00,charging\nband,5,6,off\n",
    )
    add(tmp_path, "participants.csv", "participant,age_band,sex\np1,30-39,f\n")
    add(
        tmp_path,
        "versions.csv",
        "device,part,seen_at,version,how_known\nband,app,2031-01-12T09:00:00,7.1,screen\nband,ap,2031-01-12T09:00,7,\n",
    )
    study = load_study(tmp_path)
    assert study.sessions[0].marks == (Mark(session="s01", device="band", time=When(offset_s=12.5), kind="tap"),)
    start = ms("2031-01-12T08:00:00")
    assert study.wear == (Wear(device="band", start_ms=start, end_ms=start + 3_600_000, what="charging"),)
    assert study.participants["p1"].columns == {"age_band": "30-39", "sex": "f"}
    assert [(v.device, v.part, v.version, v.seen_at_ms) for v in study.versions] == [("band", "app", "7.1", start)]
    assert [str(problem) for problem in study.problems] == [
        'marks.csv:3: device: expected a device of this study ("patch" or "band"), got "bnad". Did you mean "band"? '
        "Left out: this row.",
        'marks.csv:4: kind: expected a kind of mark ("tap", "button", "started" or "stopped"), got "tapp". '
        'Did you mean "tap"? Left out: this row.',
        'wear.csv:3: start: expected a date and time (2031-05-01T09:00:00), got "5". Left out: this row.',
        'versions.csv:3: part: expected a part ("device", "app" or "server"), got "ap". Did you mean "app"? '
        "Left out: this row.",
        "marks.csv: session s01: tap: expected the same act on patch too, found it on band only. "
        "Left out: these marks.",
    ]


def test_participants_not_named_are_one(tmp_path: Path):
    make_study(tmp_path)
    assert [str(problem) for problem in load_study(tmp_path).problems] == [
        "sessions.csv: no participants are named; all sessions count as one unnamed participant"
    ]
    add(tmp_path, "raw/s02/patch.csv", "time,heart_rate\n")
    add(tmp_path, "raw/s02/band.csv", "time,heart_rate\n")
    add(tmp_path, "sessions.csv", "session,participant\ns01,p1\n")
    add(tmp_path, "participants.csv", "participant,sex\np2,f\n")
    assert [str(problem) for problem in load_study(tmp_path).problems] == [
        'sessions.csv: participant: "p1" has no row in participants.csv',
        'sessions.csv: no participant is named for "s02"; they count as one unnamed participant',
    ]
