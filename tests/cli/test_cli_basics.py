from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from study_folders import invented_results, make_study

from wearbench import __version__
from wearbench.cli import COMMANDS, cli
from wearbench.commands import progress
from wearbench.commands.common import emit
from wearbench.commands.progress import Progress
from wearbench.settings import settings_table
from wearbench.study import read_results, write_results

COMMAND = [sys.executable, "-m", "wearbench.cli"]


def commands() -> dict[str, click.Command]:
    context = click.Context(cli)
    found = {name: cli.get_command(context, name) for name in cli.list_commands(context)}
    return {name: command for name, command in found.items() if command is not None}


def test_help_needs_none_of_the_numeric_libraries():
    code = (
        "import sys\n"
        "from wearbench.cli import main\n"
        "try:\n    main(['--help'])\n"
        "except SystemExit as left:\n    code = left.code\n"
        "heavy = {'numpy', 'scipy', 'polars', 'rich', 'msgspec', 'jinja2', 'tomllib', 'zoneinfo'} & set(sys.modules)\n"
        "print('HEAVY', sorted(heavy), code)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("HEAVY [] 0\n")


def test_every_command_has_an_example_json_and_a_short_help_that_fits():
    assert tuple(commands()) == COMMANDS
    for name, command in commands().items():
        assert f"Example: wearbench {name}" in (command.help or ""), name
        options = {option for parameter in command.params for option in parameter.opts}
        assert "--json" in options, name
        assert len(command.short_help or "") < 62, name
    listing = CliRunner().invoke(cli, ["--help"]).output
    assert "..." not in listing.split("Commands:")[1]


def test_version_and_bare_call(wearbench):
    assert wearbench("--version").out == f"wearbench {__version__}\n"
    bare = wearbench()
    assert (bare.code, bare.out) == (0, wearbench("--help").out)


def test_wrong_usage_is_exit_code_1(wearbench):
    done = wearbench("run")
    assert (done.code, done.out) == (1, "")
    assert done.err == (
        "wearbench: Missing argument 'STUDY'.\n"
        "Usage: wearbench run [OPTIONS] STUDY\n"
        "More: wearbench run --help [usage]\n"
    )
    assert wearbench("show", "x", "agreemnt").code == 1
    assert wearbench("chek").code == 1
    assert wearbench("look", "a.csv").code == 1


def test_errors_are_text_and_json(wearbench, tmp_path: Path):
    (tmp_path / "study.toml").write_text("schema = 3\n", encoding="utf-8")
    done = wearbench("check", tmp_path)
    message = "schema: expected 1, the only version this wearbench reads, got 3"
    assert (done.code, done.out) == (1, "")
    assert done.err == f"wearbench: study.toml:1: {message} [wrong-value]\n"
    done = wearbench("check", tmp_path, "--json")
    assert json.loads(done.out) == {
        "error": {"slug": "wrong-value", "message": message, "file": "study.toml", "line": 1, "value": "3"}
    }
    assert done.code == 1


def test_debug_gives_the_trace_wherever_it_stands(wearbench, tmp_path: Path):
    for args in (("--debug", "check", tmp_path), ("check", tmp_path, "--debug")):
        done = wearbench(*args)
        assert done.code == 1
        assert done.err.startswith("Traceback (most recent call last):")
        assert done.err.endswith("[study-missing]\n")
    assert "Traceback" not in wearbench("check", tmp_path).err


def test_a_fault_of_ours_is_said_to_be_ours(wearbench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def broken(_: Path) -> None:
        raise KeyError("x")

    monkeypatch.setattr("wearbench.study.load_study", broken)
    done = wearbench("check", tmp_path)
    assert (done.code, done.err) == (
        1,
        "wearbench: a fault of wearbench, not of your data: KeyError: 'x'. "
        "Run it again with --debug for the trace, and report it [fault]\n",
    )


def test_settings_are_listed(wearbench):
    rows = json.loads(wearbench("settings", "--json").out)
    assert [(row["name"], row["default"], row["meaning"]) for row in rows] == settings_table()
    text = wearbench("settings").out
    assert all(name in text and meaning in text for name, _, meaning in settings_table())


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_script_names_the_command(wearbench, shell: str):
    script = wearbench("completion", shell).out
    assert "_WEARBENCH_COMPLETE" in script
    assert json.loads(wearbench("completion", shell, "--json").out) == {"shell": shell, "script": script[:-1]}


def test_completion_completes():
    env = {**os.environ, "_WEARBENCH_COMPLETE": "bash_complete", "COMP_WORDS": "wearbench sh", "COMP_CWORD": "1"}
    code = "import sys; sys.argv = ['wearbench']; from wearbench.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=False)
    assert done.stdout == "plain,show\n"


def test_output_into_a_closed_pipe_is_quiet(tmp_path: Path):
    write_results(make_study(tmp_path), invented_results())
    reader, writer = os.pipe()
    os.close(reader)
    command = [*COMMAND, "show", str(tmp_path), "agreement", "--json"]
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writer)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="interrupts by signal")
def test_an_interrupt_leaves_the_last_results(tmp_path: Path):
    write_results(make_study(tmp_path), invented_results())
    before = read_results(tmp_path).document
    code = f"""
import sys, time, types
module = types.ModuleType("wearbench.analysis")
def run_study(study, *, settings, progress, workers, keep):
    print("begun", flush=True)
    time.sleep(60)
module.run_study = run_study
sys.modules["wearbench.analysis"] = module
from wearbench.cli import main
main(["run", {str(tmp_path)!r}])
"""
    run = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    assert run.stdout is not None
    assert run.stdout.readline() == "begun\n"
    time.sleep(0.1)
    run.send_signal(signal.SIGINT)
    _, err = run.communicate(timeout=20)
    assert run.returncode == 1
    assert err.strip() == (
        "wearbench: interrupted; nothing was replaced, the last results are as they were [interrupted]"
    )
    assert read_results(tmp_path).document == before


class Stream:
    def __init__(self, *, terminal: bool) -> None:
        self.text = ""
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        pass


def tell(*, terminal: bool, quiet: bool, seconds: list[float]) -> str:
    stream = Stream(terminal=terminal)
    times = iter([0.0, *seconds])
    with Progress(quiet=quiet, stream=stream, clock=lambda: next(times)) as tells:  # type: ignore[arg-type]
        for done, _ in enumerate(seconds):
            tells("reading", done, len(seconds))
    return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", stream.text)


def test_progress_as_lines_at_intervals():
    seconds = [0.2, 0.9, 1.5, 5.0, 11.4, 11.6, 12.0, 25.0]
    assert tell(terminal=False, quiet=False, seconds=seconds) == "reading: 2 of 8\nreading: 5 of 8\nreading: 7 of 8\n"
    assert tell(terminal=False, quiet=False, seconds=[0.2, 0.9]) == ""
    assert tell(terminal=False, quiet=True, seconds=seconds) == ""


@pytest.mark.parametrize("terminal", [True, False])
def test_what_cannot_tell_how_far_it_is_says_that_it_goes_on(monkeypatch: pytest.MonkeyPatch, terminal: bool):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(progress, "FIRST_AFTER_S", 0.02)
    for quiet, seconds, said in ((False, 0.2, True), (True, 0.05, False), (False, 0.0, False)):
        stream = Stream(terminal=terminal)
        with progress.waiting("looking", quiet=quiet, stream=stream):  # type: ignore[arg-type]
            time.sleep(seconds)
        assert ("looking" in stream.text) is said


def test_progress_as_a_bar_on_a_terminal(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("TERM", "xterm")
    assert "reading" in tell(terminal=True, quiet=False, seconds=[0.5, 1.5, 2.0])
    assert tell(terminal=True, quiet=False, seconds=[0.5]) == ""
    assert tell(terminal=True, quiet=True, seconds=[0.5, 1.5]) == ""


def test_prose_is_wrapped_on_a_terminal_only(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):
    line = "- It was off by 10 bpm on average, over all readings."
    emit([line, "  " + line], None, as_json=False, wrap=True)
    assert capsys.readouterr().out == f"{line}\n  {line}\n"
    monkeypatch.setenv("COLUMNS", "30")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    emit(["  " + line], None, as_json=False, wrap=True)
    assert capsys.readouterr().out == "  - It was off by 10 bpm on\n    average, over all\n    readings.\n"
    emit(["  " + line], None, as_json=False)
    assert capsys.readouterr().out == f"  {line}\n"
