"""Bouts from laps and from interval lists; every recording in here is invented."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "study"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "formats"))

from study_folders import add, make_study
from test_laps import Lapped, recorded
from test_laps import lap as tcx_lap
from test_laps import tcx as tcx_file

from wearbench.errors import UsageError
from wearbench.study import load_study
from wearbench.study.bouttable import read_bout_table
from wearbench.study.newbouts import NewBout

# the session begins with the first second of test_laps
SESSIONS = "session,start,end\ns01,2031-05-01T09:00:00+02:00,2031-05-01T10:00:00+02:00\n"
THREE = (("a", 0, 240.0), ("b", 4, 120.0), ("c", 6, 60.0))
EMPTY = "session,bout,start,end,activity,intensity,clock\n"


def band(*laps: tuple[float, float], trigger: int = 0) -> bytes:
    fit = recorded(n=5)
    for number, (start, seconds) in enumerate(laps):
        fit.lap(start, seconds, intensity=2 if number == 0 else 5, trigger=trigger, sport=15)
    return fit.bytes()


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """One session of an hour whose band kept three laps."""
    folder = make_study(tmp_path / "study")
    for old in ("patch.csv", "band.csv"):
        (folder / "raw" / "s01" / old).unlink()
    add(folder, "raw/s01/patch.csv", "time,heart_rate\n2031-05-01T09:00:00,90\n2031-05-01T09:00:01,91\n")
    (folder / "raw" / "s01" / "band.fit").write_bytes(band((0, 300), (300, 240), (540, 180.5)))
    add(folder, "sessions.csv", SESSIONS)
    return folder


def table(study: Path) -> str:
    return (study / "bouts.csv").read_text(encoding="utf-8")


def told(done: Any) -> dict[str, Any]:
    assert done.code == 0, done.err
    found: dict[str, Any] = json.loads(done.out)
    return found


def test_dry_run_says_what_would_be_added_and_writes_nothing(wearbench: Callable[..., Any], study: Path):
    done = wearbench("bouts", study, "s01", "--quiet")
    assert done.code == 0, done.err
    assert done.out.splitlines() == [
        "raw/s01/band.fit: 3 laps of Wrist band, ended 3 by hand",
        "",
        "In bouts.csv for s01: none.",
        "",
        "To add, on the clock of Wrist band:",
        "  lap 1: 2031-05-01 09:00:00 to 09:05:00 (5:00), rowing, warmup",
        "  lap 2: 2031-05-01 09:05:00 to 09:09:00 (4:00), rowing, interval",
        "  lap 3: 2031-05-01 09:09:00 to 09:12:00 (3:00), rowing, interval",
        "",
        "Nothing was written. To add them, give the same command with --yes",
    ]
    assert not (study / "bouts.csv").exists()


def test_laps_are_written_on_the_clock_of_their_device(wearbench: Callable[..., Any], study: Path):
    raw = (study / "raw" / "s01" / "band.fit").read_bytes()
    done = wearbench("bouts", study, "s01", "raw/s01/band.fit", "--yes", "--quiet")
    assert done.code == 0, done.err
    assert done.out.splitlines()[-2:] == [
        f"3 bouts of s01 added to {study / 'bouts.csv'}.",
        f"Next: wearbench check {study}",
    ]
    assert table(study) == (
        EMPTY + "s01,lap 1,2031-05-01T09:00:00+02:00,2031-05-01T09:05:00+02:00,rowing,warmup,band\n"
        "s01,lap 2,2031-05-01T09:05:00+02:00,2031-05-01T09:09:00+02:00,rowing,interval,band\n"
        "s01,lap 3,2031-05-01T09:09:00+02:00,2031-05-01T09:12:00.500+02:00,rowing,interval,band\n"
    )
    (session,) = load_study(study).sessions
    assert [(b.name, b.clock) for b in session.bouts] == [(f"lap {n}", "band") for n in (1, 2, 3)]
    assert (study / "raw" / "s01" / "band.fit").read_bytes() == raw
    assert not [path for path in study.iterdir() if path.name.startswith(".")]


def test_the_same_again_adds_nothing(wearbench: Callable[..., Any], study: Path):
    wearbench("bouts", study, "s01", "--yes", "--quiet")
    before = table(study).replace("lap 2", "hard")  # a name given by hand since
    add(study, "bouts.csv", before)
    done = wearbench("bouts", study, "s01", "--yes", "--quiet")
    assert done.code == 0, done.err
    assert done.out.splitlines()[-3:] == ["3 bouts of the file are there already.", "", "Nothing to add."]
    assert table(study) == before


def test_what_stands_in_the_table_stays_byte_by_byte(wearbench: Callable[..., Any], study: Path):
    own = (
        b"\xef\xbb\xbfsession;start;end;coach;bout;activity\r\n"
        b's01;2400;2700;"said; ""easy""";late;row\r\n'
        b"\r\n"
        b"s02;0;10;none;other\r\n"
        b"# kept by hand"
    )
    (study / "bouts.csv").write_bytes(own)
    assert wearbench("bouts", study, "s01", "--laps", "1", "--yes", "--quiet").code == 0
    heading, rest = own.split(b"\r\n", 1)
    assert (study / "bouts.csv").read_bytes() == (
        heading + b";intensity;clock\r\n" + rest + b"\r\n"
        b"s01;2031-05-01T09:00:00+02:00;2031-05-01T09:05:00+02:00;;lap 1;rowing;warmup;band\r\n"
    )


def test_overlap_is_refused_and_said(wearbench: Callable[..., Any], study: Path):
    own = EMPTY + "s01,mine,200,320,,,\ns01,late,2400,2700,,,\n"
    add(study, "bouts.csv", own)
    done = wearbench("bouts", study, "s01", "--quiet")
    assert done.code == 0
    assert done.out.splitlines()[2:] == [
        "In bouts.csv for s01:",
        "  line 2: mine, 2031-05-01 09:03:20 to 09:05:20 (2:00)",
        "  line 3: late, 2031-05-01 09:40:00 to 09:45:00 (5:00)",
        "",
        "To add, on the clock of Wrist band:",
        "  lap 1: 2031-05-01 09:00:00 to 09:05:00 (5:00), rowing, warmup; overlaps line 2",
        "  lap 2: 2031-05-01 09:05:00 to 09:09:00 (4:00), rowing, interval; overlaps line 2",
        "  lap 3: 2031-05-01 09:09:00 to 09:12:00 (3:00), rowing, interval",
        "",
        "Nothing was written. Some overlap what is there: give --replace to take those rows out, with --yes",
    ]
    done = wearbench("bouts", study, "s01", "--yes", "--quiet")
    assert done.code == 1
    assert done.err == (
        "wearbench: bouts.csv:2: nothing was written: 2 new bouts would overlap 1 bout of s01 that is there, first "
        "'lap 1' over 'mine'. Give --replace to take those rows out, or --laps to choose [bouts-overlap]\n"
    )
    assert table(study) == own


def test_replace_takes_out_only_rows_that_overlap(wearbench: Callable[..., Any], study: Path):
    add(study, "bouts.csv", EMPTY + 's01,"mine\nand yours",200,320,,,\ns01,late,2400,2700,,,\n')
    found = told(wearbench("bouts", study, "s01", "--replace", "--yes", "--json", "--quiet"))
    assert [row["bout"] for row in found["taken_out"]] == ["mine\nand yours"]
    assert found["written"] is True
    assert table(study).splitlines()[1] == "s01,late,2400,2700,,,"
    assert [line.split(",")[1] for line in table(study).splitlines()[2:]] == ["lap 1", "lap 2", "lap 3"]


def test_names_stay_apart(wearbench: Callable[..., Any], study: Path):
    add(study, "bouts.csv", EMPTY + "s01,lap 2,2400,2700,,,\n")
    found = told(wearbench("bouts", study, "s01", "--json", "--quiet"))
    assert [row["bout"] for row in found["add"]] == ["lap 1", "lap 2 2", "lap 3"]
    assert found["written"] is False


def test_laps_of_another_file_need_a_device(wearbench: Callable[..., Any], study: Path, tmp_path: Path):
    (tmp_path / "watch.tcx").write_text(tcx_file(tcx_lap(0, "60", points=(0, 5))), encoding="utf-8")
    done = wearbench("bouts", study, "s01", tmp_path / "watch.tcx", "--quiet")
    assert done.code == 1
    assert done.err == (
        f"wearbench: {tmp_path / 'watch.tcx'}: expected --device, to know whose clock the laps are on. Known: "
        '"patch" or "band" [ask-device]\n'
    )
    found = told(
        wearbench(
            *("bouts", study, "s01", tmp_path / "watch.tcx", "--device", "patch", "--activity", "ergometer"),
            *("--json", "--quiet"),
        )
    )
    (row,) = found["add"]
    assert (row["clock"], row["activity"], row["seconds"]) == ("patch", "ergometer", 60.0)


def test_laps_outside_the_session(wearbench: Callable[..., Any], study: Path, tmp_path: Path):
    (tmp_path / "day.fit").write_bytes(band((0, 60), (8 * 3600, 60)))
    found = told(wearbench("bouts", study, "s01", tmp_path / "day.fit", "--device", "band", "--json", "--quiet"))
    assert [row["bout"] for row in found["add"]] == ["lap 1"]
    assert found["notes"] == ["1 lap outside the session's time left out"]
    (tmp_path / "ahead.fit").write_bytes(band((2 * 3600, 60)))
    found = told(wearbench("bouts", study, "s01", tmp_path / "ahead.fit", "--device", "band", "--json", "--quiet"))
    assert len(found["add"]) == 1
    assert found["notes"] == [
        "none of its laps lies in the session's time as its clock shows it; taken nevertheless, since the clock may be "
        "off and bouts move with its fit"
    ]
    (tmp_path / "week.fit").write_bytes(band((86_400, 60)))
    done = wearbench("bouts", study, "s01", tmp_path / "week.fit", "--device", "band", "--quiet")
    assert done.err == (
        f"wearbench: {tmp_path / 'week.fit'}: expected laps in the time of session s01, got 1 lap from "
        "2031-05-02T09:00:00+02:00 on; look at the file, and at the session's start and end in sessions.csv [no-laps]\n"
    )


def test_export_that_spans_sessions_is_cut_by_their_times(wearbench: Callable[..., Any], study: Path):
    (study / "raw" / "_all").mkdir()
    (study / "raw" / "s01" / "band.fit").rename(study / "raw" / "_all" / "band.fit")
    (study / "raw" / "_all" / "band.fit").write_bytes(band((0, 300), (7200, 300)))
    add(study, "raw/s02/patch.csv", "time,heart_rate\n2031-05-01T11:00:00,90\n2031-05-01T11:00:01,91\n")
    add(study, "sessions.csv", SESSIONS + "s02,2031-05-01T11:00:00+02:00,2031-05-01T12:00:00+02:00\n")
    for session, start in (("s01", "09:00"), ("s02", "11:00")):
        (row,) = told(wearbench("bouts", study, session, "--json", "--quiet"))["add"]
        assert row["start"] == f"2031-05-01T{start}:00+02:00"


def test_overview(wearbench: Callable[..., Any], study: Path):
    wearbench("bouts", study, "s01", "--laps", "2-3", "--yes", "--quiet")
    done = wearbench("bouts", study, "--quiet")
    assert done.out.splitlines() == [
        "s01: 2 bouts in bouts.csv",
        "  raw/s01/band.fit: 3 laps, ended 3 by hand; 2 of them are bouts already",
        f"    wearbench bouts {study} s01",
    ]
    (row,) = told(wearbench("bouts", study, "--json", "--quiet"))["files"]
    assert row == {
        **{"session": "s01", "file": "raw/s01/band.fit", "device": "band"},
        **{"laps": 3, "bouts": 2, "overlaps": 0},
    }


def test_check_says_how_many_laps_there_are(wearbench: Callable[..., Any], study: Path):
    assert "3 laps; wearbench bouts makes bouts of them" in wearbench("check", study, "--quiet").out
    files = told(wearbench("check", study, "--json", "--quiet"))["files"]
    assert {file["path"]: file["laps"] for file in files} == {"raw/s01/patch.csv": 0, "raw/s01/band.fit": 3}


def test_study_without_laps(wearbench: Callable[..., Any], tmp_path: Path):
    folder = make_study(tmp_path / "study")
    assert wearbench("bouts", folder, "--quiet").out.splitlines() == [
        "s01: 0 bouts in bouts.csv",
        "No recording of this study holds laps. Only FIT and TCX files can.",
    ]
    done = wearbench("bouts", folder, "s01", "--quiet")
    assert done.err == (
        "wearbench: expected laps in a recording in session s01, found none. Only FIT and TCX files hold laps; give "
        "another file, or an interval list [no-laps]\n"
    )


def test_two_recordings_with_laps_are_asked_about(wearbench: Callable[..., Any], study: Path):
    (study / "raw" / "s01" / "patch.csv").unlink()
    (study / "raw" / "s01" / "patch.tcx").write_text(tcx_file(tcx_lap(0, "60", points=(0, 5))), encoding="utf-8")
    done = wearbench("bouts", study, "s01", "--quiet")
    assert done.err == (
        'wearbench: expected one recording with laps, found "raw/s01/band.fit" and "raw/s01/patch.tcx"; name the file, '
        "or --device [ask-file]\n"
    )
    assert len(told(wearbench("bouts", study, "s01", "--device", "patch", "--json", "--quiet"))["add"]) == 1


def test_parts_of_one_recording_are_taken_together(wearbench: Callable[..., Any], study: Path):
    (study / "raw" / "s01" / "band.fit").unlink()
    (study / "raw" / "s01" / "band.part1.fit").write_bytes(band((0, 300), (300, 100)))
    (study / "raw" / "s01" / "band.part2.fit").write_bytes(band((500, 100)))
    rows = told(wearbench("bouts", study, "s01", "--json", "--quiet"))["add"]
    assert [(row["bout"], row["seconds"]) for row in rows] == [("lap 1", 300.0), ("lap 2", 100.0), ("lap 3", 100.0)]


def test_clock_that_was_never_set(wearbench: Callable[..., Any], study: Path, tmp_path: Path):
    from test_laps import FIT_EPOCH_S, T0

    fit = Lapped()
    fit.record(FIT_EPOCH_S + 500, 120)
    fit.lap(FIT_EPOCH_S + 500 - T0, 30)
    (tmp_path / "a.fit").write_bytes(fit.bytes())
    add(study, "sessions.csv", "session,start\n")
    arguments = ("bouts", study, "s01", tmp_path / "a.fit", "--device", "band", "--quiet")
    assert wearbench(*arguments).err == (
        f"wearbench: {tmp_path / 'a.fit'}: its clock was never set, so that its laps have no date. Give when the first "
        "lap began with --from, or the session's start in sessions.csv [bouts-anchor]\n"
    )
    (row,) = told(wearbench(*arguments, "--from", "2031-05-01T09:10:00", "--json"))["add"]
    assert row["start"] == "2031-05-01T09:10:00+02:00"


def intervals(wearbench: Callable[..., Any], study: Path, text: str, *more: object) -> Any:
    add(study, "plan.csv", text)
    return wearbench("bouts", study, "s01", study / "plan.csv", *more, "--json", "--quiet")


def spans(found: dict[str, Any]) -> list[tuple[str, str, float]]:
    return [(row["bout"], row["start"][11:19], row["seconds"]) for row in found["add"]]


def test_interval_list_from_the_session_start(wearbench: Callable[..., Any], study: Path):
    found = told(
        intervals(
            wearbench,
            study,
            "step,duration,intensity,repeat\nwarm,5:00,easy,\nhard,4 min,hard,2\nslow,180,easy,2\ncool,1:00:00,easy,\n",
        )
    )
    assert spans(found) == [
        ("warm", "09:00:00", 300.0),
        ("hard 1", "09:05:00", 240.0),
        ("slow 1", "09:09:00", 180.0),
        ("hard 2", "09:12:00", 240.0),
        ("slow 2", "09:16:00", 180.0),
        ("cool", "09:19:00", 3600.0),
    ]
    assert {row["clock"] for row in found["add"]} == {None}
    assert found["notes"] == [
        "counted from the session's start (2031-05-01T09:00:00+02:00)",
        "1 bout ends after the session's end in sessions.csv, by up to 1140 s",
    ]


def test_interval_list_written(wearbench: Callable[..., Any], study: Path):
    text = "name;start;end;activity;target\neasy;0;300;row;120 bpm\nhard;300;2031-05-01T09:09:00;row;160 bpm\n"
    assert told(intervals(wearbench, study, text, "--yes"))["written"] is True
    assert table(study) == (
        EMPTY + "s01,easy,2031-05-01T09:00:00+02:00,2031-05-01T09:05:00+02:00,row,120 bpm,\n"
        "s01,hard,2031-05-01T09:05:00+02:00,2031-05-01T09:09:00+02:00,row,160 bpm,\n"
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("duration_min\n1.5\n", [("step 1", "09:00:00", 90.0)]),
        ("Duration (min)\n2\n3:30\n", [("step 1", "09:00:00", 120.0), ("step 2", "09:02:00", 210.0)]),
        ("step;duration [s]\na;1,5\n", [("a", "09:00:00", 1.5)]),
        ("step\tduration\na\t1 h 2 min 3 s\n", [("a", "09:00:00", 3723.0)]),
        ("step,duration\na,4'30\"\n", [("a", "09:00:00", 270.0)]),
        ("step,duration\na,60\n,30\nb,60\n", [("a", "09:00:00", 60.0), ("b", "09:01:30", 60.0)]),
        ("step,start,end\na,0:00,\nb,4:00,\nc,0:06:00,7:00\n", [(n, f"09:0{m}:00", s) for n, m, s in THREE]),
        ("step,start,end\na,0:00,\nb,4:00,5:00\n", [("a", "09:00:00", 240.0), ("b", "09:04:00", 60.0)]),
        (
            "set,step,duration,repeat\n1,a,10,2\n2,b,10,2\n",
            [
                (f"{step} {n}", f"09:00:{s}", 10.0)
                for step, n, s in (("a", 1, "00"), ("a", 2, "10"), ("b", 1, "20"), ("b", 2, "30"))
            ],
        ),
    ],
)
def test_forms_of_interval_lists(
    wearbench: Callable[..., Any], study: Path, text: str, expected: list[tuple[str, str, float]]
):
    assert spans(told(intervals(wearbench, study, text))) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "step,what\na,b\n",
            ':1: expected an interval list with a heading duration or start, got "step" and "what"; the forms are in '
            "the documentation, page Bouts from files [bout-list-heading]",
        ),
        (
            "a page of prose\nwith, commas, in it\n",
            ':1: expected an interval list with a heading duration or start, got "a page of prose"; the forms are in '
            "the documentation, page Bouts from files [bout-list-heading]",
        ),
        (
            "step,duration\na,60\nb,soon\n",
            ':3: duration: expected a duration (240, 4:00, 1:04:00, 4 min, 4 min 30 s), got "soon" '
            "[bout-list-duration]",
        ),
        (
            "step,duration\na,0\n",
            ':2: duration: expected a duration longer than nothing, got "0" [bout-list-duration]',
        ),
        (
            "step,duration,repeat\na,60,often\n",
            ':2: repeat: expected how often it was done (1 to 999), got "often" [bout-list-repeat]',
        ),
        (
            "step,start,duration,repeat\na,10,60,3\n",
            ":2: repeat: expected a duration, and neither start nor end, for steps that repeat; or write each as a row "
            "of its own [bout-list-repeat]",
        ),
        (
            "step,start,end,duration\na,10,20,60\n",
            ":2: expected two of start, end and duration, got all three; leave one of them empty [bout-list-three]",
        ),
        (
            "step,start,duration\na,9:05,60\n",
            ":2: start: expected a date and time, seconds, or minutes and seconds in a list that begins at 0:00, got "
            '"9:05", which could be a time of day; write it as one of these [bout-list-clock]',
        ),
        (
            "step,start,duration\na,0,60\nb,50,60\n",
            ":3: expected a start after the end of the row before, got one 10 s earlier [bout-list-overlap]",
        ),
        (
            "step,start,duration\na,0,60\nb,90,\n",
            ":3: expected a duration, an end, or a start in the row after, to know how long it was, found none "
            "[bout-list-open]",
        ),
        (
            "step,start,end\na,60,30\n",
            ":2: expected an end after the start; look at this row's times and at those of the row after "
            "[end-before-start]",
        ),
        (
            "step,duration\na,60,60,60\n",
            ':2: expected 2 cells as in the heading, got 4. Quote cells that hold "," [table-row]',
        ),
    ],
)
def test_errors_of_interval_lists(wearbench: Callable[..., Any], study: Path, text: str, said: str):
    done = intervals(wearbench, study, text)
    assert done.code == 1
    assert done.err == f"wearbench: {study / 'plan.csv'}{said}\n"


def test_list_from_a_mark_is_on_its_clock(wearbench: Callable[..., Any], study: Path):
    add(study, "marks.csv", "session,device,time,kind\ns01,band,60,button\ns01,band,90,button\ns01,patch,30,tap\n")
    text = "step,duration\na,60\n"
    done = intervals(wearbench, study, text, "--from", "button")
    assert done.err == (
        "wearbench: --from: expected one mark button, found 2; choose: button:1 is 2031-05-01T09:01:00+02:00 of band; "
        "button:2 is 2031-05-01T09:01:30+02:00 of band [no-mark]\n"
    )
    (row,) = told(intervals(wearbench, study, text, "--from", "button:2"))["add"]
    assert (row["start"], row["clock"]) == ("2031-05-01T09:01:30+02:00", "band")
    assert told(intervals(wearbench, study, text, "--from", "tap"))["notes"] == [
        "counted from the mark tap of patch (2031-05-01T09:00:30+02:00)"
    ]
    done = intervals(wearbench, study, text, "--from", "started")
    assert done.err == (
        "wearbench: --from: expected a mark started in marks.csv for session s01, found none [no-mark]\n"
    )


def test_list_from_an_instant_on_the_clock_of_a_device(wearbench: Callable[..., Any], study: Path):
    text = "step,duration\na,60\n"
    found = told(intervals(wearbench, study, text, "--from", "2031-05-01 09:20:00", "--device", "band"))
    assert found["notes"] == ["counted from 2031-05-01T09:20:00+02:00"]
    (row,) = found["add"]
    assert (row["start"], row["clock"]) == ("2031-05-01T09:20:00+02:00", "band")
    done = intervals(wearbench, study, text, "--from", "noon")
    assert done.err == (
        "wearbench: --from: expected a date and time (2031-05-01T09:00:00) or seconds from the session's start, got "
        '"noon", or a mark (tap, button, started, stopped) [table-time]\n'
    )


def test_list_without_anything_to_count_from(wearbench: Callable[..., Any], study: Path):
    (study / "sessions.csv").unlink()
    done = intervals(wearbench, study, "step,duration\na,60\n")
    assert done.err == (
        f"wearbench: {study / 'plan.csv'}:2: this counts from a start that is not known. Give the session's start in "
        "sessions.csv, or --from [bouts-anchor]\n"
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("s09",), 'expected a session of this study ("s01"), got "s09" [unknown-session]'),
        (("s01", "none.fit"), "none.fit: expected a file, found none [no-such-file]"),
        (
            ("s01", "--device", "bandx"),
            '--device: expected one of "patch" or "band", got "bandx". Did you mean "band"? [unknown-device]',
        ),
        (("s01", "--laps", "2-9"), "--laps: expected laps 1 to 3, got 2-9 [usage]"),
        (("s01", "--laps", "two"), '--laps: expected numbers of laps such as 2-5,7, got "two" [usage]'),
        (("--yes",), "expected a session to write bouts of, got none [usage]"),
        (("s01", "--from", "tap"), "--from: expected an interval list too, got no file [usage]"),
        (
            ("s01", "raw/s01/band.fit", "--device", "patch"),
            'raw/s01/band.fit: --device: expected "band", which recorded this file, got "patch" [other-device]',
        ),
        (
            ("s01", "raw/s01/band.fit", "--from", "10"),
            "raw/s01/band.fit: --from: expected an interval list, got laps that have times of their own, from "
            "2031-05-01T09:00:00+02:00 [usage]",
        ),
    ],
)
def test_usage(wearbench: Callable[..., Any], study: Path, arguments: tuple[str, ...], said: str):
    done = wearbench("bouts", study, *arguments, "--quiet")
    assert done.code == 1
    assert done.err.replace('". [', '" [') == f"wearbench: {said}\n".replace('". [', '" [')


def test_row_that_cannot_be_read_is_said_and_stays(wearbench: Callable[..., Any], study: Path):
    add(study, "bouts.csv", EMPTY + "s01,mine,soon,late,,,\n")
    done = wearbench("bouts", study, "s01", "--yes", "--quiet")
    assert done.code == 0
    assert done.out.splitlines()[2:4] == [
        "In bouts.csv for s01: none.",
        "  bouts.csv:2: start: expected a date and time (2031-05-01T09:00:00) or seconds from the session's start, got "
        '"soon". Left out: this row.',
    ]
    assert table(study).splitlines()[1] == "s01,mine,soon,late,,,"


def test_table_that_changes_meanwhile_is_left_alone(study: Path):
    add(study, "bouts.csv", EMPTY)
    before = read_bout_table(study)
    add(study, "bouts.csv", EMPTY + "s01,new,0,10,,,\n")
    with pytest.raises(UsageError) as caught:
        before.write(before.written("s01", (), zone=None))
    assert str(caught.value) == (
        "bouts.csv: the table was changed while this ran; nothing was written, give the command again"
    )
    assert table(study) == EMPTY + "s01,new,0,10,,,\n"


def test_name_that_the_encoding_of_the_table_lacks(study: Path):
    (study / "bouts.csv").write_bytes("session,bout,start,end\ns01,sprütz,0,5\n".encode("cp1252"))
    new = NewBout(name="\u5f37", start_ms=0, end_ms=1000, source_row=1)
    with pytest.raises(UsageError) as caught:
        read_bout_table(study).written("s01", (new,), zone=None)
    assert str(caught.value) == (
        "bouts.csv: expected names that can be written as Windows-1252, got '\u5f37'; save the table as UTF-8 first"
    )


def test_table_that_is_none(wearbench: Callable[..., Any], study: Path):
    add(study, "bouts.csv", "what,when\nrow,noon\n")
    done = wearbench("bouts", study, "s01", "--yes", "--quiet")
    assert done.err == (
        'wearbench: bouts.csv:1: expected the headings "session", "start" and "end", got "what" and "when" '
        "[table-heading]\n"
    )
    assert table(study) == "what,when\nrow,noon\n"


def test_utf_16_and_windows_tables_keep_their_encoding(wearbench: Callable[..., Any], study: Path):
    own = "session,bout,start,end\ns01,sprütz,2400,2500\n"
    for encoded in (b"\xff\xfe" + own.encode("utf-16-le"), own.encode("cp1252")):
        (study / "bouts.csv").write_bytes(encoded)
        assert wearbench("bouts", study, "s01", "--laps", "1", "--yes", "--quiet").code == 0
        now = (study / "bouts.csv").read_bytes()
        head = "session,bout,start,end".encode("utf-16-le" if encoded[:1] == b"\xff" else "cp1252")
        assert head in now
        row = "s01,sprütz,2400,2500\n".encode("utf-16-le" if encoded[:1] == b"\xff" else "cp1252")
        assert row in now
        assert [b.name for b in load_study(study).sessions[0].bouts] == ["sprütz", "lap 1"]
