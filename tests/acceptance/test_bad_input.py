"""Bad input, end to end: each case gives one clear message and costs no more than its own file.

A study of one good session and one with something wrong is checked and run; the whole message is pinned as it stands
in the results and as it is printed, and the good session must come out as it does alone.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from invented_study import STUDY, ecg_edf, good_study, means, put, rate_csv, rate_fit, rr_csv

from wearbench.study import Results, read_results

Files = dict[str, str | bytes]
KINDS = (
    "expected a recording (delimited text, RR lists, FIT, TCX, GPX, EDF, EDF+, Parquet), "
    "got binary data of no known format, beginning with the bytes "
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """Files of the bad session, in place of the good ones of the same device, and what is to be said of them."""

    files: Files
    without: tuple[str, ...] = ()
    left_out: tuple[str, str, str, int | None] | None = None
    repairs: tuple[tuple[str, str, int | None], ...] = ()
    warnings: tuple[str, ...] = ()
    n_pairs: int = 0
    toml: str = STUDY
    sessions: str | None = None


def row(number: int, value: str) -> Callable[[list[str]], None]:
    def change(rows: list[str]) -> None:
        rows[number] = rows[number].split(",")[0] + "," + value

    return change


def rate_rows(*changes: Callable[[list[str]], None]) -> str:
    """The band's file with some of its rows changed."""
    rows = rate_csv("bad").splitlines()
    for change in changes:
        change(rows)
    return "\n".join(rows) + "\n"


def four_backwards(rows: list[str]) -> None:
    rows[100:104] = rows[100:104][::-1]


def twice(rows: list[str]) -> None:
    rows[60:62] = [rows[60], rows[60], rows[61], rows[61]]


def last_ten_again(rows: list[str]) -> None:
    rows[60:60] = rows[50:60]


FIT, EDF = rate_fit("bad"), ecg_edf("bad")
RUBBISH = random.Random(5).randbytes(4000)
STOPS = (
    "bad: Wrist band stops 3 min before the reference; counted as missing (give the session's end in sessions.csv if"
    " it was taken off)"
)
NO_REFERENCE = (
    "bad: no usable reference of heart rate; Wrist band gave it for 100 % of 7 min 49 s, which counts for"
    " availability, not for accuracy"
)

CASES = {
    "empty": Case(
        files={"band.csv": ""},
        left_out=(
            "raw/bad/band.csv",
            "empty",
            "expected a recording, got an empty file of 0 bytes; copy or export it again",
            None,
        ),
    ),
    "header only": Case(
        files={"band.csv": "time,heart_rate\n"},
        left_out=(
            "raw/bad/band.csv",
            "header-only",
            "expected rows beneath the headings, got none after line 1; export the recording again",
            1,
        ),
    ),
    "binary rubbish named .csv": Case(
        files={"band.csv": RUBBISH},
        left_out=(
            "raw/bad/band.csv",
            "unknown-format",
            f"{KINDS}45 7c 76 9f 39 d8 64 41; export the recording again",
            None,
        ),
    ),
    "FIT cut in its header": Case(
        files={"band.fit": FIT[:9]},
        left_out=(
            "raw/bad/band.fit",
            "unknown-format",
            f"{KINDS}0e 20 54 08 e9 0c 00 00; export the recording again",
            None,
        ),
    ),
    "FIT cut": Case(
        files={"band.fit": FIT[: 2 * len(FIT) // 3 + 3]},
        repairs=(
            (
                "fit-truncated",
                "the header promises 3321 bytes, 2217 are there; kept what was read up to the cut",
                None,
            ),
        ),
        warnings=(STOPS,),
        n_pairs=312,
    ),
    "FIT with a wrong CRC": Case(
        files={"band.fit": rate_fit("bad", checksum=0x1234)},
        repairs=(("fit-checksum", "the checksum is 0x1234, its bytes give 0x9AF7; read nevertheless", None),),
        n_pairs=470,
    ),
    "EDF cut in its header": Case(
        files={"patch.edf": EDF[:300]},
        left_out=(
            "raw/bad/patch.edf",
            "edf-cut-header",
            "expected an EDF header of 512 bytes, got a file of 300 bytes; copy the file again",
            None,
        ),
        warnings=(NO_REFERENCE,),
    ),
    "EDF cut": Case(
        files={"patch.edf": EDF[: 2 * len(EDF) // 3 + 7]},
        repairs=(
            (
                "edf-records",
                "the header says 480 records, the file holds 319 and 92 bytes of another; read 319",
                None,
            ),
        ),
        warnings=("bad: the reference stops 3 min before Wrist band; that time cannot be judged",),
        n_pairs=310,
    ),
    "stamps without a zone": Case(
        files={"band.csv": rate_csv("bad").replace("Z,", ",")},
        toml=STUDY.replace('timezone = "UTC"\n', ""),
        left_out=(
            "raw/bad/band.csv",
            "no-zone",
            "expected stamps with an offset or a known time zone, got stamps without an offset and no time zone; say"
            " which clock they are on with timezone in study.toml (of the study, the device or the session)",
            2,
        ),
    ),
    "stamps out of order": Case(
        files={"band.csv": rate_rows(four_backwards)},
        repairs=(
            (
                "out-of-order",
                "3 of 470 stamps are earlier than one before them, first at line 102; sorted by time",
                102,
            ),
        ),
        n_pairs=470,
    ),
    "rows twice": Case(
        files={"band.csv": rate_rows(twice)},
        repairs=(("repeated-rows", "2 of 472 rows repeat an earlier row exactly, first at line 62; dropped", 62),),
        n_pairs=470,
    ),
    "a stretch twice": Case(  # two things are wrong with it, and both are said
        files={"band.csv": rate_rows(last_ten_again)},
        repairs=(
            (
                "out-of-order",
                "9 of 480 stamps are earlier than one before them, first at line 61; sorted by time",
                61,
            ),
            ("repeated-rows", "10 of 480 rows repeat an earlier row exactly, first at line 61; dropped", 61),
        ),
        n_pairs=470,
    ),
    "a device not in study.toml": Case(
        files={"belt.csv": rate_csv("bad")},
        left_out=(
            "raw/bad/belt.csv",
            "device-not-declared",
            'expected a device of study.toml ("patch" or "band"), got "belt". To add it, write in study.toml:'
            ' [devices.belt] and below it role = "tested"',
            None,
        ),
        n_pairs=470,
    ),
    "stamps of another year": Case(
        files={"band.csv": rate_csv("bad").replace("2031-", "2029-")},
        sessions="session,participant,start,end\ngood,p1,,\nbad,p1,2031-01-13T09:00:00,2031-01-13T09:08:00\n",
        left_out=(
            "raw/bad/band.csv",
            "outside-session",
            "expected readings between 2031-01-12 18:45 and 2031-01-13 23:23 UTC, which is the session's time with as"
            " much to either side as a clock may be off, got none; look at the dates in the file and at the session's"
            " start and end in sessions.csv",
            None,
        ),
    ),
    "no reference": Case(files={}, without=("patch.csv",), warnings=(NO_REFERENCE,)),
    "a text with no numbers": Case(
        files={"band.csv": rate_csv("bad").split("\n")[0] + "\n" + "2031-01-13T09:00:10Z,high\n" * 5},
        left_out=(
            "raw/bad/band.csv",
            "no-numbers",
            "expected numbers in the columns 'heart_rate', got none in 5 rows; export the recording again or name the"
            " right columns in a layout",
            None,
        ),
    ),
}


def study_of(folder: Path, case: Case) -> Path:
    good_study(folder, toml=case.toml)
    files: Files = {"patch.csv": rr_csv("bad"), "band.csv": rate_csv("bad")}
    if case.sessions is not None:
        put(folder, "sessions.csv", case.sessions)
    replaced = {name.split(".")[0] for name in case.files}
    kept = {name: text for name, text in files.items() if name.split(".")[0] not in replaced}
    for name, content in (kept | case.files).items():
        if name not in case.without:
            put(folder, f"raw/bad/{name}", content)
    return folder


def of_session(results: Results, name: str) -> dict[str, Any]:
    """Everything the results say of one session on its own."""
    document = results.document
    tables = ("clock", "episodes", "references", "sessions")
    found: dict[str, Any] = {table: [r for r in document[table] if r["session"] == name] for table in tables}
    for session in found["sessions"]:
        del session["zone"]  # of the study, which one case takes away
        session.pop("last_episode", None)  # written by the command, not by the analysis
    found["pairs"] = results.pairs.filter(session=name)
    return found


def assert_same(found: dict[str, Any], alone: dict[str, Any], *, learned: bool) -> None:
    """The session as it was alone; what is learned over the study may move the certainty of states, nothing else."""
    for table in ("clock", "references", "sessions"):
        assert found[table] == alone[table]
    drop = ["probability"] if learned else []
    assert found["pairs"].drop(drop).equals(alone["pairs"].drop(drop), null_equal=True)
    assert [{k: v for k, v in e.items() if k not in drop} for e in found["episodes"]] == [
        {k: v for k, v in e.items() if k not in drop} for e in alone["episodes"]
    ]


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    from wearbench.analysis import run_study
    from wearbench.study import load_study, write_results

    folder = good_study(tmp_path_factory.mktemp("alone") / "study")
    write_results(folder, run_study(load_study(folder)))
    found = of_session(read_results(folder), "good")
    assert found["pairs"].height == means()[0].size
    assert found["pairs"]["used"].all()
    return found


@pytest.mark.parametrize("name", CASES)
def test_bad_file(name: str, tmp_path: Path, wearbench: Callable[..., Any], alone: dict[str, Any]):
    case = CASES[name]
    folder = study_of(tmp_path / "study", case)

    checked = wearbench("check", folder, "--quiet")
    assert (checked.code, checked.err) == (0, "")
    assert not (folder / "results").exists()

    done = wearbench("run", folder, "--quiet")
    assert (done.code, done.err) == (0, "")
    results = read_results(folder)
    document = results.document
    if case.left_out is None:
        assert document["files_left_out"] == []
        assert "Nothing is left out." in checked.out
        assert "Left out:" not in done.out
    else:
        path, slug, why, line = case.left_out
        assert document["files_left_out"] == [{"path": path, "why": why, "slug": slug, "line": line}]
        place = path if line is None else f"{path}:{line}"
        assert f"\nLeft out, and why:\n  {place}: {why}. Left out: this file.\n" in checked.out
        assert f"\n\nLeft out:\n  {place}: {why}\n\n" in done.out
        assert done.out.count(path) == 1  # said once
    assert [(r["slug"], r["said"], r["line"]) for r in document["repairs"]] == list(case.repairs)
    for _, said, _ in case.repairs:
        assert said in checked.out
    assert [r["said"] for r in document["warnings"]] == list(case.warnings)
    assert [line[2:] for line in done.out.splitlines() if line.startswith("! ")] == list(case.warnings)
    assert int(results.pairs.filter(session="bad")["used"].sum()) == case.n_pairs
    assert_same(of_session(results, "good"), alone, learned=case.n_pairs > 0)


def column(results: Results, state: str | None, reason: str | None) -> list[float | None]:
    bad = results.pairs.filter(session="bad")
    return bad.filter(pl.col("state").eq_missing(state) & pl.col("reason").eq_missing(reason))["tested"].to_list()


def test_zero_and_255_are_no_rates(tmp_path: Path, wearbench: Callable[..., Any], alone: dict[str, Any]):
    """Recorders write them for "no value": kept as they came, never judged, missing time, left in no mean."""
    gone = [row(n, "0") for n in range(100, 120)] + [row(n, "255") for n in range(200, 220)]
    folder = study_of(tmp_path / "study", Case(files={"band.csv": rate_rows(*gone)}))
    done = wearbench("run", folder, "--quiet")
    assert (done.code, done.err) == (0, "")
    results = read_results(folder)
    assert column(results, "missing", "sentinel") == [0.0] * 20 + [255.0] * 20
    assert int(results.pairs.filter(session="bad")["used"].sum()) == 430
    missing = [
        e["seconds"]
        for e in results.document["episodes"]
        if (e["session"], e["state"]) == ("bad", "missing") and e["seconds"] > 5
    ]
    assert missing == pytest.approx([20, 20], abs=1.0)
    assert_same(of_session(results, "good"), alone, learned=True)


def test_not_a_number_is_no_rate(tmp_path: Path, wearbench: Callable[..., Any], alone: dict[str, Any]):
    words = ["NaN"] * 10 + [""] * 10 + ["--"] * 10 + ["inf"] * 5
    files: Files = {"band.csv": rate_rows(*(row(100 + n, word) for n, word in enumerate(words)))}
    folder = study_of(tmp_path / "study", Case(files=files))
    done = wearbench("run", folder, "--quiet")
    assert (done.code, done.err) == (0, "")
    results = read_results(folder)
    assert column(results, "missing", "sentinel") == [None] * len(words)
    assert int(results.pairs.filter(session="bad")["used"].sum()) == 470 - len(words)
    assert_same(of_session(results, "good"), alone, learned=True)


def test_unknown_zone_in_study_toml_ends_the_run(tmp_path: Path, wearbench: Callable[..., Any]):
    folder = good_study(tmp_path / "study", toml=STUDY.replace('timezone = "UTC"', 'timezone = "Europe/Olso"'))
    for command in ("check", "run"):
        done = wearbench(command, folder, "--quiet")
        assert (done.code, done.out, done.err) == (
            1,
            "",
            'wearbench: study.toml:3: timezone: expected a time zone such as "Europe/Oslo", "UTC" or'
            ' "+02:00", got "Europe/Olso". Did you mean "Europe/Oslo"? [unknown-zone]\n',
        )
    assert not (folder / "results").exists()


def test_unknown_zone_of_a_session_costs_its_row(tmp_path: Path, wearbench: Callable[..., Any]):
    folder = study_of(tmp_path / "study", Case(files={}))
    put(folder, "sessions.csv", "session,participant,timezone\ngood,p1,UTC\nbad,p1,Mars/Base\n")
    done = wearbench("run", folder, "--quiet")
    assert (done.code, done.err) == (0, "")
    said = (
        'sessions.csv:3: timezone: expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", got "Mars/Base".'
        " Left out: this row."
    )
    assert f"\n\nLeft out:\n  {said}\n\n" in done.out
    assert done.out.count("Mars/Base") == 1
    assert said in wearbench("check", folder, "--quiet").out
    assert int(read_results(folder).pairs["used"].sum()) == 2 * 470
