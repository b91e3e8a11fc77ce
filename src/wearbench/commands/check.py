"""``wearbench check``: what is there, what is wrong, what will be left out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wearbench.commands.common import emit, json_option, quiet_option, study_argument, typed
from wearbench.errors import WearbenchError

if TYPE_CHECKING:
    from wearbench.study import Problem, Study


@click.command(short_help="Say what a study holds and what is wrong.")
@study_argument
@json_option
@quiet_option
def check(study: Path, *, as_json: bool, quiet: bool) -> None:
    """Say what a study holds, what is wrong, and what will be left out and why.

    Reads every file and computes no results; nothing is changed.

    \b
    Example: wearbench check my-study
    """  # noqa: D301
    from wearbench.study import load_study

    loaded = load_study(study)
    files, unreadable = _read_all(loaded, quiet=quiet)
    problems = [*loaded.problems, *unreadable]
    emit(_lines(loaded, files, problems), _document(loaded, files, problems), as_json=as_json)


def _read_all(study: Study, *, quiet: bool) -> tuple[dict[str, dict[str, Any]], list[Problem]]:
    """What was recognised in each file, and the files that cannot be read."""
    from wearbench.commands.progress import Progress
    from wearbench.commands.recognised import described
    from wearbench.formats import read_file
    from wearbench.study import Problem

    told: dict[str, dict[str, Any]] = {}
    problems: list[Problem] = []
    files = study.files()
    owners = {session.name: session for session in study.sessions}
    with Progress(quiet=quiet) as progress:
        for done, file in enumerate(files):
            progress("reading", done, len(files))
            try:
                context = study.read_context(file, owners.get(file.session or ""))
                told[file.shown] = described(read_file(file.path, context))
                continue
            except WearbenchError as error:
                problem = Problem.of(error, costs="this file")
            except OSError as error:
                said = f"cannot be read: {error.strerror or error}"
                problem = Problem(slug="cannot-read", said=said, file=file.shown, costs="this file")
            told[file.shown] = {"format": None, "recordings": [], "repairs": [], "facts": {}}
            problems.append(problem)
    return told, problems


def _document(study: Study, files: dict[str, dict[str, Any]], problems: list[Problem]) -> dict[str, Any]:
    config = study.config
    return {
        "study": study.folder,
        "title": config.title,
        "timezone": config.timezone,
        "devices": [{"device": d.name, "label": d.label, "role": d.role} for d in config.devices.values()],
        "sessions": [_session_row(study, name) for name in range(len(study.sessions))],
        "files": [
            {
                "path": file.shown,
                "session": file.session,
                "device": file.name.device,
                "bytes": file.bytes,
                **files[file.shown],
            }
            for file in study.files()
        ],
        "decisions": len(study.decisions),
        "problems": problems,
    }


def _session_row(study: Study, place: int) -> dict[str, Any]:
    session = study.sessions[place]
    row: dict[str, Any] = {
        "session": session.name,
        "participant": session.participant,
        "activity": session.activity,
        "bouts": len(session.bouts),
    }
    for name in study.config.devices:
        held = [r for r in session.recordings if r.device == name]
        row[name] = sum(len(recording.parts) for recording in held)
    return row


def _lines(study: Study, files: dict[str, dict[str, Any]], problems: list[Problem]) -> list[str]:
    from wearbench.commands.recognised import recognised_lines
    from wearbench.commands.tabletext import table_lines

    config = study.config
    people = {session.participant for session in study.sessions}
    lines = [f"{config.title} ({study.folder})", ""]
    lines.append(f"{_count(len(study.sessions), 'session')}, {_count(len(people), 'participant')}, ")
    lines[-1] += f"{_count(len(files), 'file')}, stamps without offset in {config.timezone or 'no zone: refused'}"
    for device in config.devices.values():
        label = "" if device.label == device.name else f", {device.label}"
        roles = "".join(f", {role} for {quantity}" for quantity, role in device.roles.items())
        lines.append(f"  {device.name}: {device.role}{roles}{label}")
    lines.append("")
    lines.extend(table_lines([_session_row(study, place) for place in range(len(study.sessions))]))
    lines += ["", "Recognised:"]
    for shown, told in files.items():
        if told["format"] is not None:
            lines.append(f"  {shown} ({told['format']})")
            lines.extend(f"    {line}" for line in recognised_lines(told))
    costly = [problem for problem in problems if problem.costs]
    notes = [problem for problem in problems if not problem.costs]
    lines += ["", "Left out, and why:" if costly else "Nothing is left out."]
    lines.extend(f"  {problem}" for problem in costly)
    if notes:
        lines += ["", "Worth knowing:", *(f"  {problem}" for problem in notes)]
    lines += ["", f"Next: wearbench run {typed(study.folder)}"]
    return lines


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"
