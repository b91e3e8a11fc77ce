from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from study_folders import STUDY, add, invented_results, make_study

from wearbench.errors import UsageError
from wearbench.study import load_study, read_config, read_decisions, read_results, write_results

CRITERION = '\n[criteria.close]\nstatistic = "mape"\nat_most = {}\n'


def test_new_makes_a_study_that_reads(wearbench, tmp_path: Path):
    folder = tmp_path / "my study"
    done = wearbench(
        "new", folder, "--tested", "band", "--tested", "loop", "--reference", "strap", "--timezone", "Europe/Oslo"
    )
    assert done.code == 0
    assert done.out == (
        f"Made {folder / 'study.toml'}\n"
        f'Next: wearbench add "{folder}" s01 FILE... --device band\n'
        f'Then: wearbench check "{folder}", wearbench run "{folder}"\n'
    )
    config = read_config(folder / "study.toml")
    assert [(d.name, d.role) for d in config.devices.values()] == [
        ("strap", "reference"),
        ("band", "tested"),
        ("loop", "tested"),
    ]
    assert (config.title, config.timezone) == ("my study", "Europe/Oslo")
    again = wearbench("new", folder)
    assert (again.code, again.err) == (
        1,
        f"wearbench: {folder / 'study.toml'}: there is a study here already; nothing was changed [study-exists]\n",
    )


def test_new_comments_hold_keys_that_are_known(wearbench, tmp_path: Path):
    """Each commented key can be switched on as it stands."""
    wearbench("new", tmp_path / "s")
    path = tmp_path / "s" / "study.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    is_key = [line.startswith("# ") and ("= " in line or line.startswith("# [")) for line in lines]
    path.write_text("\n".join(line[2:] if key else line for line, key in zip(lines, is_key, strict=True)))
    config = read_config(path)
    assert config.devices["band"].wear_site == "left wrist"
    assert config.criteria[0].source == "our protocol, version 1"


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (
            ("--timezone", "Oslo"),
            'expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", got "Oslo". Did you mean "Europe/Oslo"? '
            "[unknown-zone]",
        ),
        (
            ("--tested", "patch"),
            'expected a device to be tested or the reference, got "patch" as both [usage]',
        ),
        (
            ("--tested", "my band"),
            'expected the name of a device made of letters, digits, _ and -, got "my band" [bad-name]',
        ),
    ],
)
def test_new_refuses_what_cannot_be_a_study(wearbench, tmp_path: Path, args: tuple[str, ...], message: str):
    done = wearbench("new", tmp_path / "s", *args)
    assert (done.code, done.err) == (1, f"wearbench: {message}\n")
    assert not (tmp_path / "s" / "study.toml").exists()


@pytest.fixture
def export(tmp_path: Path) -> Path:
    return add(tmp_path, "downloads/export.csv", "time,heart_rate\n2031-01-12T09:00:00,92\n2031-01-12T09:00:05,93\n")


def test_add_copies_and_shows_what_was_recognised(wearbench, tmp_path: Path, export: Path):
    study = make_study(tmp_path / "study")
    done = wearbench("add", study, "s02", export, "--device", "band")
    target = study / "raw" / "s02" / "band.csv"
    assert done.code == 0, done.err
    assert done.out == (
        f"{export} -> {target} (delimited)\n"
        "    heart_rate, 2 readings, 2031-01-12 08:00:00Z to 2031-01-12 08:00:05Z\n"
        f"Next: wearbench check {study}\n"
    )
    assert target.read_bytes() == export.read_bytes()
    again = wearbench("add", study, "s02", export, "--device", "band")
    assert (again.code, again.err) == (
        1,
        f"wearbench: {export}: not copied to band.csv: band.csv is in session s02 already. If they are parts of one "
        "recording, rename band.csv to band.part1.csv and add this one with --part 2; otherwise use another session "
        "[already-there]\n",
    )
    told = json.loads(wearbench("add", study, "s03", export, "--device", "band", "--json").out)
    assert told["added"][0]["recordings"] == [
        {
            "quantity": "heart_rate",
            "unit": "bpm",
            "kind": "readings",
            "n": 2,
            "start": "2031-01-12 08:00:00Z",
            "end": "2031-01-12 08:00:05Z",
        }
    ]


def test_add_names_several_files_as_parts(wearbench, tmp_path: Path, export: Path):
    study = make_study(tmp_path / "study")
    second = add(tmp_path, "downloads/second.csv", "time,heart_rate\n2031-01-12T09:10:00,92\n")
    assert wearbench("add", study, "s02", export, second, "--device", "band").code == 0
    assert (
        wearbench("add", study, "s02", export, "--device", "band", "--part", "3", "--quantity", "heart_rate").code == 0
    )
    assert sorted(path.name for path in (study / "raw/s02").iterdir()) == [
        "band.heart_rate.part3.csv",
        "band.part1.csv",
        "band.part2.csv",
    ]
    done = wearbench("add", study, "s02", export, "--device", "band", "--part", "2")
    assert done.err == (
        f"wearbench: {export}: not copied to band.part2.csv: band.part2.csv is in session s02 already. If they are "
        "parts of one recording, number this one with --part; otherwise use another session [already-there]\n"
    )


def test_add_takes_the_device_from_the_name(wearbench, tmp_path: Path):
    study = make_study(tmp_path / "study")
    named = add(tmp_path, "band.heart_rate@phone2.csv", "time,heart_rate\n2031-01-12T09:00:00,92\n")
    assert wearbench("add", study, "s02", named).code == 0
    assert [path.name for path in (study / "raw/s02").iterdir()] == ["band.heart_rate@phone2.csv"]


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (
            ("s02", "{export}"),
            '{export}: expected --device, since the file\'s name does not begin with one. Known: "patch" or "band" '
            "[ask-device]",
        ),
        (
            ("s02", "{export}", "--device", "bnd"),
            '--device: expected one of "patch" or "band", got "bnd". Did you mean "band"? [unknown-device]',
        ),
        (
            ("s02", "{export}", "--device", "band", "--quantity", "pulse"),
            '--quantity: expected one of "heart_rate", "rr", "ecg", "cadence", "power", "speed", "spo2", '
            '"respiration_rate" or "steps", got "pulse" [unknown-quantity]',
        ),
        (
            ("../s02", "{export}", "--device", "band"),
            'expected a session name that can name a folder, got "../s02" [session-name]',
        ),
        (
            ("s02", "{folder}/none.csv", "--device", "band"),
            "{folder}/none.csv: expected a file, found none [no-such-file]",
        ),
        (
            ("s02", "{folder}/none", "--device", "band"),
            "{folder}/none: expected a file with an extension (.csv, .fit) [file-name]",
        ),
    ],
)
def test_add_says_what_is_missing(wearbench, tmp_path: Path, export: Path, args: tuple[str, ...], message: str):
    study = make_study(tmp_path / "study")
    told = {"export": export, "folder": tmp_path}
    done = wearbench("add", study, *(arg.format(**told) for arg in args))
    assert (done.code, done.err) == (1, f"wearbench: {message.format(**told)}\n")
    assert not (study / "raw/s02").exists()


def test_add_copies_all_or_nothing(wearbench, tmp_path: Path, export: Path):
    study = make_study(tmp_path / "study")
    empty = add(tmp_path, "downloads/empty.csv", "")
    done = wearbench("add", study, "s02", export, empty, "--device", "band")
    assert done.code == 1
    assert done.err.startswith(f"wearbench: {empty}: ")
    assert not (study / "raw/s02").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="permissions work otherwise there")
def test_add_without_write_permission_as_an_ordinary_user(tmp_path: Path, export: Path):
    study = make_study(tmp_path / "study")
    for path in (tmp_path, *tmp_path.parents):
        if path.stat().st_uid == os.getuid() and path != Path("/"):
            path.chmod(path.stat().st_mode | 0o555)
    code = f"""
import os
from datetime import UTC
from wearbench.cli import main
import wearbench.commands.add, wearbench.formats
from pathlib import Path
from wearbench.study import load_study
load_study(Path({str(study)!r}))  # all that is imported late is imported while it may be
wearbench.formats.read_file(Path({str(export)!r}), wearbench.formats.ReadContext(shown="x", zone=UTC))
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
main(["add", {str(study)!r}, "s02", {str(export)!r}, "--device", "band"])
"""
    (study / "raw").chmod(0o555)
    try:
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    finally:
        (study / "raw").chmod(0o755)
    assert (done.returncode, done.stderr) == (
        1,
        f"wearbench: {study / 'raw/s02'}: nothing was copied: Permission denied [not-writable]\n",
    )


def test_check_says_what_is_there_what_is_wrong_and_what_is_left_out(wearbench, tmp_path: Path):
    make_study(tmp_path)
    add(tmp_path, "raw/s01/belt.csv", "time,heart_rate\n")
    add(tmp_path, "raw/s02/band.csv", "")
    add(tmp_path, "sessions.csv", "session,start,participant,activity\ns01,2031-01-12T09:00,p1,rowing\ns02,noon,p1,\n")
    done = wearbench("check", tmp_path)
    assert done.code == 0
    text = done.out.replace(str(tmp_path), "STUDY")
    empty = next(line for line in text.splitlines() if "raw/s02/band.csv" in line)
    assert "expected" in empty and empty.endswith("Left out: this file.")
    assert text.replace(empty, "  EMPTY") == (
        "Rowing, wrist band against chest patch (STUDY)\n"
        "\n"
        "2 sessions, 2 participants, 3 files, stamps without offset in Europe/Oslo\n"
        "  patch: reference\n"
        "  band: tested, Wrist band\n"
        "\n"
        " session   participant   activity   bouts   patch   band\n"
        " ───────────────────────────────────────────────────────\n"
        " s01       p1            rowing         0       1      1\n"
        " s02       unnamed       –              0       0      1\n"
        "\n"
        "Recognised:\n"
        "  raw/s01/band.csv (delimited)\n"
        "    heart_rate, 2 readings, 2031-01-12 08:00:00Z to 2031-01-12 08:00:01Z\n"
        "  raw/s01/patch.csv (delimited)\n"
        "    heart_rate, 2 readings, 2031-01-12 08:00:00Z to 2031-01-12 08:00:01Z\n"
        "\n"
        "Left out, and why:\n"
        '  sessions.csv:3: start: expected a date and time (2031-05-01T09:00:00), got "noon". Left out: this row.\n'
        '  raw/s01/belt.csv: expected a device of study.toml ("patch" or "band"), got "belt". To add it, write in '
        'study.toml: [devices.belt] and below it role = "tested". Left out: this file.\n'
        "  EMPTY\n"
        "\n"
        "Worth knowing:\n"
        '  sessions.csv: no participant is named for "s02"; they count as one unnamed participant\n'
        "  raw/s02: no reference was recorded in this session: it counts for availability, not for accuracy\n"
        "\n"
        "Next: wearbench run STUDY\n"
    )
    told = json.loads(wearbench("check", tmp_path, "--json").out)
    assert [problem["slug"] for problem in told["problems"]][:2] == ["table-time", "device-not-declared"]
    assert [file["path"] for file in told["files"]] == ["raw/s01/band.csv", "raw/s01/patch.csv", "raw/s02/band.csv"]
    assert not (tmp_path / "results").exists()


def test_run_writes_results_prints_findings_and_records_the_look(wearbench, tmp_path: Path, analysis):
    make_study(tmp_path, STUDY + CRITERION.format(10))
    done = wearbench("run", tmp_path)
    assert done.code == 0, done.err
    assert done.out == (
        "Rowing, wrist band against chest patch\n"
        "\n"
        "one person, one unit, one session:\n"
        "- The wrist band read 1.9 bpm high.\n"
        "\n"
        "! one session is an anecdote\n"
        "\n"
        "Left out:\n"
        "  raw/s01/belt.csv: belt is no device of study.toml\n"
        "\n"
        "Criteria of study.toml:\n"
        "  close (band, heart_rate): mape at most 10: met with 2.5 (1.5 to 3.5): of this one session only: "
        "no general claim\n"
        "\n"
        "Figures of the trade, for comparison:\n"
        "  mape_10 (band, heart_rate): mape at most 10: met with 2.5 (1.5 to 3.5): of this one session only: "
        "no general claim [CTA-2065 (2018), as read by Reece, Bunn, Choi & Navalta 2021, Technologies 9(3):46; "
        "second hand]\n"
        "\n"
        f"Report: {tmp_path / 'results' / 'report.html'}\n"
    )
    assert (tmp_path / "results/report.html").read_text() == "<title>Rowing, wrist band against chest patch</title>"
    assert read_results(tmp_path).document["findings"][0]["id"] == "F-band-1"
    assert [d.kind for d in read_decisions(tmp_path)[0]] == ["criterion", "look"]
    told = json.loads(wearbench("run", tmp_path, "--json").out)
    assert (told["criteria_met"], told["criteria"][0]["value"]) == (True, 2.5)
    assert [d.kind for d in read_decisions(tmp_path)[0]] == ["criterion", "look", "look"]


@pytest.mark.parametrize(
    ("at_most", "mape", "line"),
    [
        (1, 2.5, "mape at most 1: NOT MET with 2.5 (1.5 to 3.5): of this one session only: no general claim"),
        (2, None, "mape at most 2: cannot be told, since it cannot be given: too few; that counts as not met"),
    ],
)
def test_run_exits_with_2_if_a_criterion_is_not_met(wearbench, tmp_path: Path, analysis, at_most, mape, line):
    make_study(tmp_path, STUDY + CRITERION.format(at_most))
    analysis.results = invented_results(mape)
    done = wearbench("run", tmp_path)
    assert done.code == 2
    assert f"  close (band, heart_rate): {line}\n" in done.out


def test_run_exits_with_0_if_a_criterion_cannot_be_told_yet(wearbench, tmp_path: Path, analysis):
    make_study(tmp_path, STUDY + CRITERION.format(2))
    done = wearbench("run", tmp_path)
    assert done.code == 0
    assert (
        "  close (band, heart_rate): mape at most 2: cannot be told yet with 2.5 (1.5 to 3.5): one session cannot "
        "tell how sessions differ; record more, then this says how many would tell\n"
    ) in done.out
    told = json.loads(wearbench("run", tmp_path, "--json").out)
    assert (told["criteria_met"], told["criteria"][0]["outcome"]) == (False, "cannot be told yet")
    assert [o["criterion"] for o in told["trade_figures"]] == ["mape_10"]
    assert [o["origin"] for o in read_results(tmp_path).document["criteria"]] == ["study", "trade"]
    assert read_decisions(tmp_path)[0][-1].value["criteria"] == {"close": False}


def test_run_says_that_a_criterion_was_changed_after_a_look(wearbench, tmp_path: Path, analysis):
    make_study(tmp_path, STUDY + CRITERION.format(1))
    assert wearbench("run", tmp_path).code == 2
    (tmp_path / "study.toml").write_text(STUDY + CRITERION.format(20), encoding="utf-8")
    done = wearbench("run", tmp_path)
    assert done.code == 0
    assert "! criterion close was changed after results had been seen: first used on " in done.out
    assert len(read_results(tmp_path).document["warnings"]) == 2


def test_run_hands_the_studys_settings_on(wearbench, tmp_path: Path, analysis):
    make_study(tmp_path, STUDY + "\n[settings]\nmin_covered = 0.7\n")
    wearbench("run", tmp_path)
    assert analysis.calls[0][1].min_covered == 0.7


def test_run_that_fails_leaves_the_last_results(wearbench, tmp_path: Path, analysis, monkeypatch: pytest.MonkeyPatch):
    write_results(make_study(tmp_path), invented_results())
    before = read_results(tmp_path).document

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sys.modules["wearbench.report"], "write_report", full)
    done = wearbench("run", tmp_path)
    assert (done.code, done.err) == (
        1,
        f"wearbench: {tmp_path / 'results'}: the results could not be written: no space left on the disk; "
        "the last results are as they were. Free some space and run again [disk-full]\n",
    )
    assert read_results(tmp_path).document == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["raw", "results", "study.toml"]


@pytest.mark.skipif(sys.platform == "win32", reason="permissions work otherwise there")
def test_run_without_write_permission_fails_before_the_work(tmp_path: Path):
    study = make_study(tmp_path / "study")
    for path in (tmp_path, *tmp_path.parents):
        if path.stat().st_uid == os.getuid() and path != Path("/"):
            path.chmod(path.stat().st_mode | 0o555)
    study.chmod(0o555)
    code = f"""
import os, sys, types
import wearbench.commands.run
from pathlib import Path
from wearbench.study import load_study
load_study(Path({str(study)!r}))  # all that is imported late is imported while it may be
module = types.ModuleType("wearbench.analysis")
module.run_study = lambda *a, **k: sys.exit("the work was begun")
sys.modules["wearbench.analysis"] = module
import wearbench.report
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
from wearbench.cli import main
main(["run", {str(study)!r}])
"""
    try:
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    finally:
        study.chmod(0o755)
    assert (done.returncode, done.stderr) == (
        1,
        f"wearbench: {study / 'results'}: the results could not be written: no permission; nothing was written. Allow "
        "writing to the study's folder, or copy the study to where you may write [results-unwritable]\n",
    )


@pytest.fixture
def simulator(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    seeds: list[int] = []

    def write_demo(folder: Path, *, seed: int) -> None:
        seeds.append(seed)
        make_study(folder)
        (folder / "truth").mkdir()

    monkeypatch.setattr("wearbench.simulator.write_demo", write_demo)
    return seeds


def test_demo_writes_runs_and_says_that_it_is_invented(wearbench, tmp_path: Path, analysis, simulator: list[int]):
    folder = tmp_path / "demo"
    done = wearbench("demo", folder, "--seed", "7")
    assert done.code == 0, done.err
    assert done.out.startswith(
        "This study is invented: a simulator made its people, devices and recordings. "
        "It says nothing about any real device.\n\nRowing"
    )
    assert done.out.endswith(f"Report: {folder / 'results' / 'report.html'}\n")
    assert wearbench("demo", folder).code == 0  # the study that is there is analysed again
    assert simulator == [7]
    done = wearbench("demo", folder, "--seed", "8")
    assert (done.code, done.err) == (
        1,
        f"wearbench: {folder}: there is an invented study here already. Name another folder, or leave --seed out to "
        "analyse this one [demo-exists]\n",
    )
    told = json.loads(wearbench("demo", tmp_path / "other", "--json").out)
    assert told["invented"] is True
    assert simulator == [7, 20_310_112]


def test_demo_leaves_other_folders_alone(wearbench, tmp_path: Path, analysis, simulator: list[int]):
    add(tmp_path, "mine/notes.txt", "mine")
    done = wearbench("demo", tmp_path / "mine")
    assert (done.code, done.err) == (
        1,
        f"wearbench: {tmp_path / 'mine'}: expected a folder that is new or empty. Name another one [demo-exists]\n",
    )
    assert simulator == []


def test_demo_that_is_stopped_leaves_nothing_half_made(wearbench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def write_demo(folder: Path, *, seed: int) -> None:
        make_study(folder)
        raise UsageError(f"stopped with seed {seed}")

    monkeypatch.setattr("wearbench.simulator.write_demo", write_demo)
    assert wearbench("demo", tmp_path / "demo").code == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "table",
    ["agreement", "states", "episodes", "clock", "flow", "pairs", "sessions", "settings", "inputs", "warnings"],
)
def test_show_any_table(wearbench, tmp_path: Path, table: str):
    write_results(make_study(tmp_path), invented_results())
    text = wearbench("show", tmp_path, table)
    assert text.code == 0, text.err
    assert len(text.out.splitlines()) >= 3
    rows = list(csv.DictReader(io.StringIO(wearbench("show", tmp_path, table, "--csv").out)))
    assert rows
    told = json.loads(wearbench("show", tmp_path, table, "--json").out)
    assert told
    if table not in ("settings", "warnings"):
        assert len(told) == len(rows)


def test_show_rounds_on_screen_only(wearbench, tmp_path: Path):
    results = invented_results(100 / 3)
    write_results(make_study(tmp_path), results)
    assert "33.33 " in wearbench("show", tmp_path, "agreement").out
    assert str(100 / 3) in wearbench("show", tmp_path, "agreement", "--csv").out
    assert json.loads(wearbench("show", tmp_path, "agreement", "--json").out)[1]["value"] == 100 / 3


def test_show_says_once_what_is_the_same_in_all_rows(wearbench, tmp_path: Path):
    write_results(make_study(tmp_path), invented_results())
    assert wearbench("show", tmp_path, "agreement").out == (
        "All rows: device band, quantity heart_rate, by all, reference_device patch, unit bpm, readings all, "
        "clock fitted, n_pairs 2, n_sessions 1, n_participants 1, method t on sessions, n 2\n"
        " statistic   value   low   high\n"
        " ──────────────────────────────\n"
        " bias          1.9   0.9    2.9\n"
        " mape          2.5   1.5    3.5\n"
    )


def test_show_findings_as_sentences(wearbench, tmp_path: Path):
    write_results(make_study(tmp_path), invented_results())
    assert wearbench("show", tmp_path, "findings").out == (
        "F-band-1  The wrist band read 1.9 bpm high.\n    one person, one unit, one session\n"
    )


def test_show_cuts_tables_in_cells_short_on_screen_only(wearbench, tmp_path: Path):
    results = invented_results()
    results.document["clock"][0]["candidates"] = [{"offset_s": n} for n in range(50)]
    write_results(make_study(tmp_path), results)
    shown = wearbench("show", tmp_path, "clock").out
    assert '[{"offset_s": 0}, {"offset_s": 1}, {"offset_s": 2} ...\n' in shown
    assert '{"offset_s": 49}' not in shown
    assert '{""offset_s"": 49}' in wearbench("show", tmp_path, "clock", "--csv").out


def test_show_long_tables_in_part(wearbench, tmp_path: Path):
    results = invented_results()
    results.document["warnings"] = [f"warning {n}" for n in range(100)]
    write_results(make_study(tmp_path), results)
    assert wearbench("show", tmp_path, "warnings").out.endswith(
        "... and 40 more rows; --csv or --json gives them all\n"
    )
    assert len(wearbench("show", tmp_path, "warnings", "--csv").out.splitlines()) == 101


def test_show_without_results_or_with_both_kinds(wearbench, tmp_path: Path):
    make_study(tmp_path)
    done = wearbench("show", tmp_path, "flow")
    assert (done.code, done.err) == (
        1,
        f"wearbench: {tmp_path / 'results'}: expected results of a run, found none. "
        "Make them with: wearbench run STUDY [results-missing]\n",
    )
    done = wearbench("show", tmp_path, "flow", "--json", "--csv")
    assert (done.code, done.err) == (1, "wearbench: expected --json or --csv, got both [usage]\n")


def test_commands_from_outside_this_process(tmp_path: Path):
    """New, add, check, with the real readers, as a person calls them."""
    command = [sys.executable, "-m", "wearbench.cli"]
    export = add(tmp_path, "band export.csv", "time;Heart Rate (bpm)\n12.01.2031 09:00:00;92\n12.01.2031 09:00:05;93\n")

    def call(*args: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run([*command, *map(str, args)], capture_output=True, text=True, check=False, cwd=tmp_path)

    assert call("new", "s", "--timezone", "UTC").returncode == 0
    assert call("add", "s", "s01", export, "--device", "band").returncode == 0
    assert call("add", "s", "s01", export, "--device", "belt").returncode == 1
    done = call("check", "s", "--json")
    assert json.loads(done.stdout)["files"][0]["recordings"][0]["start"] == "2031-01-12 09:00:00Z"
    assert [s.name for s in load_study(tmp_path / "s").sessions] == ["s01"]
