"""Declaring beforehand, what moved, and releases, from the command line; the last test with the real analysis."""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from study_folders import STUDY, add, make_study

from wearbench.study import read_decisions

GIVEN = ("--question", "Is it close?", "--primary", "mape", "--sessions", "20", "--stopping", "after twenty")


def text_of(folder: Path) -> str:
    return (folder / "declaration.toml").read_text(encoding="utf-8")


def short(text: str) -> str:
    digest = hashlib.sha256(text.encode()).hexdigest()
    return "-".join(digest[k : k + 2] for k in range(0, 10, 2))


def test_declare_by_options(wearbench, tmp_path: Path):
    make_study(tmp_path)
    rules = ("--first-s", "60", "--leave-out-sessions", "strap=dry", "--leave-out-sessions", "strap=loose")
    done = wearbench("declare", tmp_path, *GIVEN, *rules, "--leave-out-activity", "rest")
    assert done.code == 0, done.err
    text = text_of(tmp_path)
    assert '[rules]\nfirst_s = 60\nleave_out_activities = ["rest"]\n' in text
    assert 'strap = ["dry", "loose"]' in text
    assert done.out.startswith("# Rowing, wrist band against chest patch: declared beforehand\n")
    assert f"```toml\n{text}```\n" in done.out
    assert done.out.endswith(
        f"Declared as D1. To show on camera: {short(text)}\n"
        "! no session has column strap so far\n"
        "! no session has activity rest so far\n"
    )
    (decision,) = read_decisions(tmp_path)[0]
    assert (decision.kind, decision.value["text"], decision.value["hash"]) == ("declare", text, short(text))


def test_declare_by_a_file_in_the_study_and_see_it_again(wearbench, tmp_path: Path):
    make_study(tmp_path)
    own = (
        "schema=1\nquestion='Is it close?'\n[primary]\nstatistic='mape'\n[sessions]\nplanned=20\n"
        "stopping='after twenty'\n"
    )
    add(tmp_path, "declaration.toml", own)
    told = json.loads(wearbench("declare", tmp_path, "--json").out)
    assert (told["decision"], told["hash"]) == ("D1", short(text_of(tmp_path)))
    assert (tmp_path / "declaration.before-1.toml").read_text() == own
    again = json.loads(wearbench("declare", tmp_path, "--json").out)
    assert again == told
    assert len(read_decisions(tmp_path)[0]) == 1
    refused = wearbench("declare", tmp_path, *GIVEN)
    assert (refused.code, refused.err) == (
        1,
        f"wearbench: {tmp_path / 'declaration.toml'}: declared already, as D1. --again declares anew; what was "
        "declared before stays on record [declared-already]\n",
    )
    anew = json.loads(wearbench("declare", tmp_path, "--again", "--sessions", "30", "--json").out)
    assert (anew["decision"], anew["declaration"]["sessions_planned"]) == ("D2", 30)
    assert anew["declaration"]["question"] == "Is it close?"


def test_declare_writes_pages_for_a_registry(wearbench, tmp_path: Path):
    study = make_study(tmp_path / "s")
    html, markdown = tmp_path / "page.html", tmp_path / "page.md"
    question = "Is <b>it</b> | close?"
    done = wearbench("declare", study, *GIVEN[2:], "--question", question, "--out", html, "--out", markdown)
    hashed = short(text_of(study))
    assert done.out == f"Declared as D1. To show on camera: {hashed}\nPage: {html}\nPage: {markdown}\n"
    page = html.read_text(encoding="utf-8")
    assert "<b>" not in page
    assert "Is &lt;b&gt;it&lt;/b&gt; | close?" in page
    assert f'<p class="hash">{hashed}</p>' in page
    assert "http" not in page
    assert "| Question | Is <b>it</b> \\| close? |" in markdown.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (
            ("--question", "Is it?"),
            "expected --primary, --sessions, --stopping, or a file declaration.toml in the study, or a terminal to ask "
            "on [declare-missing]",
        ),
        (
            (*GIVEN, "--device", "bnad"),
            'declare: primary.device: expected a tested device of this study ("band"), got "bnad". Did you mean '
            '"band"? [unknown-device]',
        ),
        ((*GIVEN, "--out", "page.txt"), "page.txt: --out: expected a name that ends in .md or .html [out-name]"),
        (
            (*GIVEN, "--leave-out-sessions", "strap"),
            "--leave-out-sessions: expected COLUMN=VALUE, got 'strap' [usage]",
        ),
    ],
)
def test_declare_refuses(wearbench, tmp_path: Path, args: tuple[str, ...], message: str):
    make_study(tmp_path)
    done = wearbench("declare", tmp_path, *args)
    assert (done.code, done.err) == (1, f"wearbench: {message}\n")
    assert not (tmp_path / "decisions.jsonl").exists()
    assert not (tmp_path / "declaration.toml").exists()


class Terminal:
    """Stands in for standard input at a terminal."""

    def isatty(self) -> bool:
        return True


def test_declare_asks_one_by_one_on_a_terminal(wearbench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    make_study(tmp_path, STUDY + '\n[devices.loop]\nrole = "tested"\n')
    answers = iter(
        [
            "Is it close?",
            "tracking_share",
            "loop",
            "60",
            "",
            "rest, stairs",
            "",
            "strap=dry",
            "0.4",
            "45",
            "20",
            "",
            "y",
        ]
    )
    monkeypatch.setattr(sys, "stdin", Terminal())
    monkeypatch.setattr("click.termui.visible_prompt_func", lambda _prompt: next(answers))
    done = wearbench("declare", tmp_path)
    assert done.code == 0, done.err
    assert list(answers) == []
    table = text_of(tmp_path)
    for part in (
        'statistic = "tracking_share"\ndevice = "loop"',
        'planned = 20\nstopping = "after 20 sessions"',
        'first_s = 60\nleave_out_activities = ["rest", "stairs"]',
        'strap = ["dry"]',
        "share_of_sessions = 0.4\nleast_seconds = 45",
    ):
        assert part in table
    assert "Criteria, from study.toml: none" in done.err


def test_declare_does_nothing_without_a_yes(wearbench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    make_study(tmp_path)
    answers = iter(["after 20", "n"])
    monkeypatch.setattr(sys, "stdin", Terminal())
    monkeypatch.setattr("click.termui.visible_prompt_func", lambda _prompt: next(answers))
    done = wearbench("declare", tmp_path, *GIVEN[:-2])
    assert (done.code, done.err.splitlines()[-1][:22]) == (1, "wearbench: interrupted")
    assert not (tmp_path / "decisions.jsonl").exists()


SECONDS = 420


def real_study(folder: Path) -> Path:
    """Two sessions that the real analysis runs through; the band halves for two minutes of one."""
    make_study(folder, STUDY + 'clock = "shared"\nstamps = "exact"\naveraging_s = 1\ndelay_s = 0\n')
    start = datetime(2031, 1, 12, 9, tzinfo=UTC)
    for number, session in enumerate(("s01", "s02")):
        rows: dict[str, list[str]] = {"patch": [], "band": []}
        for second in range(SECONDS):
            at = (start + timedelta(days=number, seconds=second)).isoformat()
            rate = 110 + 30 * ((second // 60) % 2)
            rows["patch"].append(f"{at},{rate}")
            rows["band"].append(f"{at},{rate / 2 if number and 120 <= second < 240 else rate + 1:g}")
        for device, lines in rows.items():
            add(folder, f"raw/{session}/{device}.csv", "time,heart_rate\n" + "\n".join(lines) + "\n")
    return folder


def results_of(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))
    return found


def numbers_of(document: dict[str, Any]) -> dict[str, Any]:
    """All but the time of making and the number of the look, also where a sceptic is told of it."""
    out = {key: part for key, part in document.items() if key != "made"}
    out["declared"] = {k: v for k, v in (out["declared"] or {}).items() if k != "look"}
    out["objections"] = [row for row in out["objections"] if row["objection"] != "changed_afterwards"]
    assert len(out["objections"]) == len(document["objections"]) - 1
    return out


def test_a_release_is_made_again_with_identical_numbers(wearbench, tmp_path: Path):
    folder = real_study(tmp_path / "s")
    assert wearbench("declare", folder, *GIVEN, "--first-s", "30").code == 0
    ran = wearbench("run", folder, "--quiet")
    assert ran.code == 0, ran.err
    assert "Declared beforehand as D1" in ran.out
    assert "  ! departs: 2 sessions instead of the 20 planned: 18 fewer\n" in ran.out
    assert read_decisions(folder)[0][-1].value == {
        "number": 1,
        "declared": "D1",
        "hash": short(text_of(folder)),
        "deviations": 1,
        "criteria": {},
    }
    report = (folder / "results" / "report.html").read_text(encoding="utf-8")
    assert short(text_of(folder)) in report
    assert "2 sessions instead of the 20 planned: 18 fewer" in report.replace("\u00a0", " ")
    assert "Plus decisions by hand" in report
    nothing = wearbench("changes", folder)
    assert (nothing.code, nothing.err[-17:]) == (1, "[no-earlier-run]\n")
    kept = wearbench("keep", "pilot", folder)
    assert kept.out == (f"Kept: {folder / 'kept' / 'pilot'}\nCompare later: wearbench changes {folder} --since pilot\n")

    # In the study itself.
    assert wearbench("run", folder, "--quiet").code == 0
    same = wearbench("changes", folder, "--since", "pilot")
    assert same.out == "Since release pilot: nothing moved. No finding changed direction.\n"
    assert wearbench("changes", folder).out == "Since run 1: nothing moved. No finding changed direction.\n"

    # As its README says, from the release and the recordings alone.
    place, again = folder / "kept" / "pilot", tmp_path / "again"
    shutil.copytree(place / "study", again)
    shutil.copytree(folder / "raw", again / "raw")
    for line in (place / "inputs.sha256").read_text().splitlines():
        sha256, path = line.split("  ")
        assert hashlib.sha256((again / path).read_bytes()).hexdigest() == sha256
    assert wearbench("run", again, "--quiet").code == 0
    first = json.loads((place / "results.json").read_text(encoding="utf-8"))
    assert numbers_of(results_of(again)) == numbers_of(first)
    assert first["declared"]["look"] == 1
    assert results_of(again)["declared"]["look"] == 2

    # A session less moves things, and says which.
    shutil.rmtree(folder / "raw" / "s02")
    assert wearbench("run", folder, "--quiet").code == 0
    told = wearbench("changes", folder, "--since", "pilot").out
    assert told.startswith("Since release pilot: -s02. Tracking share ")
    as_json = json.loads(wearbench("changes", folder, "--since", "pilot", "--json").out)
    assert as_json["since"] == "release pilot"
    assert {change["kind"] for change in as_json["changes"]} >= {"session_removed", "headline"}


def test_a_run_that_cannot_be_remembered_is_still_a_run(wearbench, analysis, tmp_path: Path):
    make_study(tmp_path)
    add(tmp_path, "history", "a file where a folder should be\n")
    done = wearbench("run", tmp_path, "--quiet")
    assert done.code == 0
    said = "! this run could not be added to the history (File exists): wearbench changes will not know it\n"
    assert said in done.out
    assert (tmp_path / "results" / "results.json").is_file()
