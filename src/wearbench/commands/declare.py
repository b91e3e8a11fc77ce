"""``wearbench declare``: say beforehand what the study asks, counts and leaves out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from wearbench.commands.common import emit, json_option, refuse_out
from wearbench.errors import UsageError

if TYPE_CHECKING:
    from wearbench.report.registration import Registration
    from wearbench.study import Declaration, Declared, StudyConfig

ENDINGS: Final = (".md", ".html", ".htm")
NEEDED: Final = {
    "--question": ("question",),
    "--primary": ("primary", "statistic"),
    "--sessions": ("sessions", "planned"),
    "--stopping": ("sessions", "stopping"),
}


@click.command(short_help="Say beforehand what the study asks, counts and leaves out.")
@click.argument("study", type=click.Path(path_type=Path, file_okay=False), default=Path())
@click.option("--question", help="What the study asks, in a sentence.")
@click.option("--primary", metavar="STATISTIC", help="The one number it is about: mape, tracking_share, ...")
@click.option("--device", help="Tested device the primary number is about; needed where there are several.")
@click.option("--quantity", help="Quantity it is about; heart_rate unless said.")
@click.option("--sessions", type=click.IntRange(1), metavar="N", help="Sessions planned.")
@click.option("--stopping", metavar="TEXT", help="When recording ends.")
@click.option("--leave-out-sessions", multiple=True, metavar="COLUMN=VALUE", help="Leave these out; may be repeated.")
@click.option("--leave-out-activity", multiple=True, metavar="NAME", help="Leave it out; may be repeated.")
@click.option("--leave-out-intensity", multiple=True, metavar="NAME", help="Leave it out; may be repeated.")
@click.option("--first-s", type=float, metavar="SECONDS", help="Leave out so much at each session's start.")
@click.option("--last-s", type=float, metavar="SECONDS", help="Leave out so much at each session's end.")
@click.option("--min-covered", type=float, metavar="SHARE", help="Least share of a window with trustworthy reference.")
@click.option("--systematic-share", type=float, metavar="SHARE", help="Systematic: in this share of sessions (0.5) ...")
@click.option("--systematic-s", type=float, metavar="SECONDS", help="... for so many seconds in each (60).")
@click.option(
    "--condition",
    multiple=True,
    metavar="NAME[=VALUE]",
    help="Ask whether failures go with this: activity, activity=rowing, sessions.temperature; may be repeated.",
)
@click.option(
    "--from",
    "source",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Read it from a TOML file; declaration.toml of the study is read by itself.",
)
@click.option(
    "--out",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the page for a registry: a name ending in .md or .html; may be repeated.",
)
@click.option("--again", is_flag=True, help="Declare anew; what was declared before stays on record.")
@json_option
def declare(
    study: Path, *, source: Path | None, out: tuple[Path, ...], again: bool, as_json: bool, **said: Any
) -> None:
    """Declare, before results are seen, what STUDY asks, which number counts, what is left out, and when it ends.

    Asked one by one on a terminal, or taken from options or from declaration.toml. Prints a page of text for a registry
    and a short hash to show on camera. Every later run says what was declared before it and where it departs from
    that. Criteria are those of study.toml. Once declared, the page is printed again.

    \b
    Example: wearbench declare my-study --question "Is the band within 5 % while rowing?" --primary mape
             --sessions 20 --stopping "after 20 sessions" --first-s 60 --out declared.html
    """  # noqa: D301
    from wearbench.report.registration import as_html, as_markdown, registration_of
    from wearbench.study import declared_in, load_study
    from wearbench.study.declaration import DECLARATION_FILE

    for path in out:
        refuse_out(path, study, endings=ENDINGS)
    there = load_study(study)
    config, declared = there.config, declared_in(there.decisions)
    table = _of_options(said)
    notes: list[str] = []
    new = again or declared is None
    if not new and (table or source is not None):
        number = "" if declared is None else declared.decision.id
        text = f"declared already, as {number}. --again declares anew; what was declared before stays on record"
        raise UsageError(text, slug="declared-already", file=str(study / DECLARATION_FILE))
    if new:
        declaration, asked = _gather(study, config, table, source, declared)
        notes = _notes(declaration, there.sessions)
        if asked and not click.confirm(
            "Declare this? It cannot be changed, only declared again", default=True, err=True
        ):
            raise click.Abort
        declared = _record(study, declaration)
    assert declared is not None
    page = registration_of(config, declared)
    pages = {path: as_markdown(page) if path.suffix.lower() == ".md" else as_html(page) for path in out}
    _write(pages)
    lines = [
        *([] if out else [as_markdown(page)]),
        f"{'Declared' if new else 'Declared before,'} as {declared.decision.id}. To show on camera: {page.hash}",
        *(f"! {note}" for note in notes),
        *(f"Page: {path}" for path in out),
    ]
    emit(lines, _told(study, declared, page, notes, out), as_json=as_json)


def _told(
    study: Path, declared: Declared, page: Registration, notes: list[str], out: tuple[Path, ...]
) -> dict[str, Any]:
    return {
        "study": study,
        "decision": declared.decision.id,
        "made": declared.decision.made,
        "hash": page.hash,
        "sha256": page.sha256,
        "looks_before": declared.looks_before,
        "declaration": declared.declaration,
        "text": page.text,
        "warnings": notes,
        "pages": list(out),
    }


def _of_options(said: dict[str, Any]) -> dict[str, Any]:
    """What the options say, laid out as declaration.toml; empty without any."""
    table: dict[str, Any] = {}

    def put(value: Any, *place: str) -> None:
        if value is None or value == ():
            return
        inner = table
        for key in place[:-1]:
            inner = inner.setdefault(key, {})
        inner[place[-1]] = list(value) if isinstance(value, tuple) else value

    put(said["question"], "question")
    put(said["primary"], "primary", "statistic")
    put(said["device"], "primary", "device")
    put(said["quantity"], "primary", "quantity")
    put(said["sessions"], "sessions", "planned")
    put(said["stopping"], "sessions", "stopping")
    put(said["leave_out_activity"], "rules", "leave_out_activities")
    put(said["leave_out_intensity"], "rules", "leave_out_intensities")
    for name in ("first_s", "last_s", "min_covered"):
        put(said[name], "rules", name)
    put(said["systematic_share"], "systematic", "share_of_sessions")
    put(said["systematic_s"], "systematic", "least_seconds")
    put(said["condition"], "questions")
    for word in said["leave_out_sessions"]:
        _put_column(table, word)
    return table


def _put_column(table: dict[str, Any], word: str) -> None:
    column, equals, value = word.partition("=")
    if not (column.strip() and equals and value.strip()):
        raise UsageError(f"--leave-out-sessions: expected COLUMN=VALUE, got {word!r}", slug="usage", value=word)
    columns = table.setdefault("rules", {}).setdefault("leave_out_sessions", {})
    columns.setdefault(column.strip(), []).append(value.strip())


def _gather(
    study: Path, config: StudyConfig, table: dict[str, Any], source: Path | None, declared: Declared | None
) -> tuple[Declaration, bool]:
    """The declaration from a file, options and answers; and whether it was asked for."""
    from wearbench.study.checked import read_toml
    from wearbench.study.declaration import DECLARATION_FILE, as_declaration, read_declaration

    own = study / DECLARATION_FILE
    path = source or (own if own.is_file() else None)
    base: dict[str, Any] = {"schema": 1}
    if path is not None:
        name = str(source) if source is not None else DECLARATION_FILE
        if not table and declared is None:
            return read_declaration(path, config, file=name), False
        base = {"schema": 1, **read_toml(path, file=name).table}
        if source is None and declared is not None:  # as it was written then; study.toml counts
            base = {key: part for key, part in base.items() if key not in ("criteria", "settings")}
    merged = _merged(base, table)
    missing = [option for option, place in NEEDED.items() if not _has(merged, place)]
    if missing and sys.stdin.isatty():
        _ask(merged, config, everything=path is None and not table)
        return as_declaration(merged, config), True
    if missing:
        said = f"expected {', '.join(missing)}, or a file {DECLARATION_FILE} in the study, or a terminal to ask on"
        raise UsageError(said, slug="declare-missing")
    return as_declaration(merged, config), False


def _merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    found = dict(base)
    for key, value in over.items():
        inner = found.get(key)
        found[key] = _merged(inner, value) if isinstance(inner, dict) and isinstance(value, dict) else value
    return found


def _has(table: dict[str, Any], place: tuple[str, ...]) -> bool:
    inner: Any = table
    for key in place:
        if not isinstance(inner, dict) or key not in inner:
            return False
        inner = inner[key]
    return True


def _ask(table: dict[str, Any], config: StudyConfig, *, everything: bool) -> None:
    """Ask for what is missing, one by one; what may be left empty only where nothing was given."""
    from wearbench.study.declaration import primary_statistics

    if "question" not in table:
        table["question"] = click.prompt("What does the study ask, in a sentence", err=True)
    primary = table.setdefault("primary", {})
    tested = [device.name for device in config.with_role("tested")]
    if "statistic" not in primary:
        choice = click.Choice(primary_statistics())
        primary["statistic"] = click.prompt("Which one number is it about", err=True, type=choice, default="mape")
    if "device" not in primary and len(tested) > 1:
        primary["device"] = click.prompt("Of which device", err=True, type=click.Choice(tested))
    if everything:
        _ask_rules(table)
    sessions = table.setdefault("sessions", {})
    if "planned" not in sessions:
        sessions["planned"] = click.prompt("How many sessions are planned", err=True, type=click.IntRange(1))
    if "stopping" not in sessions:
        default = f"after {sessions['planned']} sessions"
        sessions["stopping"] = click.prompt("When does recording end", err=True, default=default)
    names = ", ".join(criterion.name for criterion in config.criteria) or "none"
    click.echo(f"Criteria, from study.toml: {names}", err=True)


def _ask_rules(table: dict[str, Any]) -> None:
    click.echo("What is left out, whatever the device shows? Empty for nothing.", err=True)
    rules = table.setdefault("rules", {})
    for prompt, key in (("  Seconds at the start", "first_s"), ("  Seconds at the end", "last_s")):
        value = click.prompt(prompt, err=True, type=click.FloatRange(0), default=0.0)
        if value:
            rules[key] = value
    for prompt, key in (("  Activities", "leave_out_activities"), ("  Intensities", "leave_out_intensities")):
        names = _words(click.prompt(f"{prompt}, with commas between", err=True, default="", show_default=False))
        if names:
            rules[key] = names
    said = click.prompt(
        "  Sessions by a column of sessions.csv, as COLUMN=VALUE", err=True, default="", show_default=False
    )
    for word in _words(said):
        _put_column(table, word)
    systematic = table.setdefault("systematic", {})
    systematic["share_of_sessions"] = click.prompt(
        "A failure is systematic from which share of sessions on", err=True, type=click.FloatRange(0, 1), default=0.5
    )
    systematic["least_seconds"] = click.prompt(
        "  showing for how many seconds in each", err=True, type=click.FloatRange(0), default=60.0
    )


def _words(text: str) -> list[str]:
    return [word.strip() for word in text.split(",") if word.strip()]


def _notes(declaration: Declaration, sessions: tuple[Any, ...]) -> list[str]:
    """What is odd about a rule, so that a slip of the hand is seen now."""
    notes = []
    columns = {name for s in sessions for name in (*s.columns, "session", "participant", "activity", "firmware")}
    columns |= {f"firmware.{name}" for s in sessions for name in s.firmware_by}
    columns |= {f"wear_site.{name}" for s in sessions for name in s.wear_site_by}
    bouts = [bout for s in sessions for bout in s.bouts]
    for known, given, what in (
        (columns, tuple(declaration.rules.leave_out_sessions), "column"),
        (
            {b.activity for b in bouts} | {s.activity for s in sessions},
            declaration.rules.leave_out_activities,
            "activity",
        ),
        ({b.intensity for b in bouts}, declaration.rules.leave_out_intensities, "intensity"),
    ):
        notes += [f"no session has {what} {name} so far" for name in given if sessions and name not in known]
    return notes


def _record(study: Path, declaration: Declaration) -> Declared:
    """Append the decision, and write declaration.toml; an older file that says otherwise is set aside."""
    from wearbench.study import declared_in, read_decisions, record_declaration
    from wearbench.study.declaration import DECLARATION_FILE, canonical_text

    record_declaration(study, declaration)
    path, text = study / DECLARATION_FILE, canonical_text(declaration).encode()
    try:
        if path.is_file() and path.read_bytes() != text:
            number = 1
            while (aside := study / f"declaration.before-{number}.toml").exists():
                number += 1
            path.rename(aside)
        path.write_bytes(text)
    except OSError as error:
        said = f"declared, but the file cannot be written: {error.strerror}"
        raise UsageError(said, slug="not-writable", file=str(path)) from error
    declared = declared_in(read_decisions(study)[0])
    assert declared is not None
    return declared


def _write(pages: dict[Path, str]) -> None:
    for path, text in pages.items():
        try:
            path.write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            said = f"the page cannot be written: {error.strerror}. Name another place with --out"
            raise UsageError(said, slug="not-writable", file=str(path)) from error
