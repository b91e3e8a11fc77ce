"""The set-up script: whole messages, and when it sets up again. CI runs the set-up itself on a fresh clone."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

import start


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project in a folder with a space, where every program that would run is noted instead."""
    folder = tmp_path / "my project"
    folder.mkdir()
    (folder / "pyproject.toml").write_text("[project]\n")
    (folder / "constraints.txt").write_text("a==1\n")
    monkeypatch.setattr(start, "ROOT", folder)
    monkeypatch.setattr(start, "VENV", folder / ".venv")
    monkeypatch.setattr(start, "STAMP", folder / ".venv" / "set-up.json")
    return folder


@pytest.fixture
def calls(root: Path, monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    noted: list[list[str]] = []

    def note(command: list[str], **options: Any) -> int:
        if command[1] == "-c":  # asks whether the environment is usable
            return 0
        noted.append([str(word) for word in command])
        start.tool("python").parent.mkdir(parents=True, exist_ok=True)
        start.tool("python").touch()
        return 0

    monkeypatch.setattr(start.subprocess, "call", note)
    return noted


def test_old_python_is_told_what_to_do() -> None:
    with pytest.raises(start.SetUpError) as caught:
        start.check_python((3, 9, 2), find=lambda name: object())
    assert str(caught.value) == (
        f"expected Python 3.11 or later, this is 3.9 ({sys.executable}). "
        "Start it with a newer one, for example 'python3.11 start.py demo'."
    )


def test_python_without_environments_is_told_what_to_do() -> None:
    with pytest.raises(start.SetUpError) as caught:
        start.check_python((3, 12, 0), find=lambda name: None if name == "ensurepip" else object())
    assert str(caught.value) == (
        f"expected Python's modules venv and ensurepip, {sys.executable} has no ensurepip. "
        "On Debian or Ubuntu: 'sudo apt install python3-venv'; elsewhere install the full Python."
    )


def test_pip_that_fails_is_told_what_to_do_without_a_network(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(start.subprocess, "call", lambda command, **options: int("pip" in command))
    assert start.main(["demo"]) == 1
    assert capsys.readouterr().err == (
        "start.py: pip could not install the packages; the lines above say why. Without a network, fetch them once "
        "where there is one, with 'pip download -c constraints.txt -d wheels hatchling editables \".\"', then set "
        "PIP_NO_INDEX=1 and PIP_FIND_LINKS to that folder and start again. Once set up, nothing needs a network.\n"
    )
    assert not start.STAMP.exists()


@pytest.mark.parametrize(("arguments", "code"), [([], 1), (["walk"], 1), (["--help"], 0)])
def test_usage(arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert start.main(arguments) == code
    said = capsys.readouterr()
    assert (said.out if code == 0 else said.err) == str(start.__doc__).strip() + "\n"


def test_sets_up_once_and_again_only_when_something_changed(root: Path, calls: list[list[str]]) -> None:
    start.set_up(extras=())
    assert [call[2] for call in calls] == ["venv", "pip", "compileall"]
    calls.clear()
    start.set_up(extras=())
    assert calls == []
    start.set_up(extras=("dev",))
    assert [call[2] for call in calls] == ["pip", "compileall"]
    assert calls[0][-1] == ".[dev]"
    calls.clear()
    start.set_up(extras=())  # more than enough is there
    assert calls == []
    (root / "constraints.txt").write_text("a==2\n")
    start.set_up(extras=())
    assert calls[0][-1] == ".[dev]"  # what was there is kept up


def test_a_moved_folder_starts_afresh(root: Path, calls: list[list[str]]) -> None:
    start.set_up(extras=())
    start.STAMP.write_text(json.dumps(json.loads(start.STAMP.read_text()) | {"root": "elsewhere"}))
    calls.clear()
    start.set_up(extras=())
    assert calls[0][1:4] == ["-m", "venv", "--clear"]


def test_an_environment_whose_python_is_gone_starts_afresh(root: Path, calls: list[list[str]]) -> None:
    start.set_up(extras=())
    start.tool("python").unlink()
    calls.clear()
    start.set_up(extras=())
    assert calls[0][1:4] == ["-m", "venv", "--clear"]


def test_demo_goes_beside_the_script_and_its_report_is_named(
    root: Path, calls: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    (root / "demo" / "results").mkdir(parents=True)
    report = root / "demo" / "results" / "report.html"
    report.touch()
    assert start.run_demo([]) == 0
    assert calls[-1][1:] == ["demo", str(root / "demo")]
    assert capsys.readouterr().out == f"Open the report: {report.as_uri()}\n"


def test_nothing_from_outside_steers_pip(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PIP_USER", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", "wheels")
    kept = start.clean_environment()
    assert "PIP_USER" not in kept
    assert kept["PIP_FIND_LINKS"] == "wheels"
