"""``wearbench bouts``: laps of recordings and interval lists as bouts of a session."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wearbench.commands.common import emit, json_option, quiet_option, study_argument, typed
from wearbench.errors import UsageError
from wearbench.wording import plural

if TYPE_CHECKING:
    from datetime import tzinfo

    from wearbench.commands.boutsource import Source
    from wearbench.study import Bout, Session, Study
    from wearbench.study.newbouts import BoutPlan, NewBout


@click.command(short_help="Make bouts of laps or of an interval list.")
@study_argument
@click.argument("session", required=False)
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--device", help="Device whose clock the times are on; laps of a file in raw/ are on their own device's.")
@click.option("--activity", help="What was done in all of them, instead of what the file says.")
@click.option(
    "--from",
    "anchor",
    metavar="TIME|MARK",
    help="Where an interval list begins: a date and time, seconds from the session's start, or a mark (tap, button, "
    "started, stopped; button:2 is the second). The session's start unless said.",
)
@click.option("--laps", "chosen", metavar="NUMBERS", help="Only these laps, such as 2-5,7.")
@click.option("--replace", is_flag=True, help="Take out the rows of bouts.csv that new ones overlap.")
@click.option("--yes", is_flag=True, help="Write bouts.csv; without it what would be written is only printed.")
@json_option
@quiet_option
def bouts(
    study: Path,
    session: str | None,
    file: Path | None,
    *,
    device: str | None,
    activity: str | None,
    anchor: str | None,
    chosen: str | None,
    replace: bool,
    yes: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Add bouts to a SESSION from FILE: a FIT or TCX file with laps, or an interval list (CSV).

    Without FILE, from the laps of the session's own recordings; without SESSION, says which recordings of the study
    hold laps. Nothing is written without --yes. Rows that are there stay as they are; new bouts that overlap them are
    refused unless --replace is given. Laps are on the clock of the device that recorded them, and move with its fit.

    \b
    Example: wearbench bouts my-study
             wearbench bouts my-study S04 --yes
             wearbench bouts my-study S04 intervals.csv --from 2031-05-01T09:05:00
    """  # noqa: D301
    from wearbench.commands.boutsource import source_of
    from wearbench.commands.progress import Progress
    from wearbench.study import load_study
    from wearbench.study.problem import listed, near, shown

    loaded = load_study(study)
    if session is None:
        for given, option in ((device, "--device"), (activity, "--activity"), (anchor, "--from"), (chosen, "--laps")):
            if given is not None:
                raise UsageError(f"{option}: expected a session too, got none", slug="usage")
        if yes or replace:
            raise UsageError("expected a session to write bouts of, got none", slug="usage")
        with Progress(quiet=quiet) as progress:
            _overview(loaded, progress, as_json=as_json)
        return
    owner = next((one for one in loaded.sessions if one.name == session), None)
    if owner is None:
        known = [one.name for one in loaded.sessions]
        said = f"expected a session of this study ({listed(known[:8])}), got {shown(session)}.{near(session, known)}"
        raise UsageError(said.removesuffix("."), slug="unknown-session", value=session)
    _refuse_unknown(loaded, device)
    with Progress(quiet=quiet) as progress:
        source = source_of(
            loaded, owner, file, device=device, activity=activity, anchor=anchor, chosen=chosen, progress=progress
        )
    _carry_out(loaded, owner, source, replace=replace, yes=yes, as_json=as_json)


def _refuse_unknown(study: Study, device: str | None) -> None:
    from wearbench.study.problem import listed, near, shown

    known = study.config.devices
    if device is not None and device not in known:
        said = f"--device: expected one of {listed(known)}, got {shown(device)}.{near(device, known)}"
        raise UsageError(said.removesuffix("."), slug="unknown-device", value=device)


def _overview(study: Study, progress: Any, *, as_json: bool) -> None:
    """Which recordings hold laps, and what to type to make bouts of them."""
    from wearbench.commands.boutsource import lapped_files
    from wearbench.study.newbouts import bouts_of_laps, plan_bouts

    rows: list[dict[str, Any]] = []
    lines: list[str] = []
    files = lapped_files(study, progress)
    for session in study.sessions:
        mine = [found for found in files if found.session in (session.name, None) and found.of(study, session)]
        lines.append(f"{session.name}: {plural(len(session.bouts), 'bout')} in bouts.csv")
        for found in mine:
            laps = found.of(study, session)
            plan = plan_bouts(bouts_of_laps(laps, clock=found.device), session.bouts, session_start_ms=session.start_ms)
            ended = _ended([lap.trigger for lap in laps])
            there = f"; {len(plan.already)} of them are bouts already" if plan.already else ""
            lines.append(f"  {found.shown}: {plural(len(laps), 'lap')}{ended}{there}")
            rows.append(
                {
                    "session": session.name,
                    "file": found.shown,
                    "device": found.device,
                    "laps": len(laps),
                    "bouts": len(plan.already),
                    "overlaps": len({bout.name for bout, _ in plan.overlaps}),
                }
            )
            if plan.add:
                lines.append(f"    {_command(study, session, found.shown if len(mine) > 1 else None)}")
    if not rows:
        lines.append("No recording of this study holds laps. Only FIT and TCX files can.")
    document = {
        "study": study.folder,
        "sessions": [{"session": s.name, "bouts": len(s.bouts)} for s in study.sessions],
        "files": rows,
    }
    emit(lines, document, as_json=as_json)


def _ended(triggers: list[str | None]) -> str:
    """How laps ended, where that is known: ``, 7 by hand, 1 with the session``."""
    words = {"manual": "by hand", "session_end": "with the session"}
    counts: dict[str, int] = {}
    for trigger in triggers:
        if trigger is not None:
            word = words.get(trigger, f"by {trigger.replace('_', ' ')}")
            counts[word] = counts.get(word, 0) + 1
    return f", ended {', '.join(f'{n} {word}' for word, n in counts.items())}" if counts else ""


def _command(study: Study, session: Session, file: str | None) -> str:
    words = ["wearbench bouts", typed(study.folder), f'"{session.name}"' if " " in session.name else session.name]
    return " ".join([*words, *([f'"{file}"' if " " in file else file] if file else [])])


def _carry_out(study: Study, session: Session, source: Source, *, replace: bool, yes: bool, as_json: bool) -> None:
    from wearbench.study.bouttable import read_bout_table
    from wearbench.study.newbouts import plan_bouts

    table = read_bout_table(study.folder)
    plan = plan_bouts(source.bouts, session.bouts, session_start_ms=session.start_ms)
    if plan.overlaps and replace:  # names of rows that go are free again
        gone = {bout.line for bout in plan.taken_out}
        rest = [bout for bout in session.bouts if bout.line not in gone]
        kept = plan_bouts(source.bouts, rest, session_start_ms=session.start_ms)
        added, taken_out = kept.add, plan.taken_out
    else:
        added, taken_out = plan.add, ()
    lines = _lines(study, session, source, plan, added, taken_out)
    if yes and plan.overlaps and not replace:
        new, old = plan.overlaps[0]
        count = len({one.name for one, _ in plan.overlaps})
        said = (
            f"nothing was written: {plural(count, 'new bout')} would overlap {plural(len(plan.taken_out), 'bout')} of "
            f"{session.name} that {_are(len(plan.taken_out))} there, first '{new.name}' over '{old.name}'. Give "
            "--replace to take those rows out, or --laps to choose"
        )
        raise UsageError(said, slug="bouts-overlap", file="bouts.csv", line=old.line)
    writes = bool(yes and added)
    if writes:
        zone = _zone(study, session)
        content = table.written(session.name, added, zone=zone, without=[bout.line for bout in taken_out])
        table.write(content)
    lines += _last(study, session, plan, added, writes=writes, replace=replace)
    emit(lines, _document(study, session, source, plan, added, taken_out, writes=writes), as_json=as_json)


def _zone(study: Study, session: Session) -> tzinfo | None:
    return session.zone or study.config.zone


def _lines(
    study: Study,
    session: Session,
    source: Source,
    plan: BoutPlan,
    added: tuple[NewBout, ...],
    taken_out: tuple[Bout, ...],
) -> list[str]:
    zone = _zone(study, session)
    lines = [f"{source.told}{_ended([bout.trigger for bout in source.bouts])}"]
    lines += [f"  repaired: {repair.said}" for repair in source.repairs]
    lines += [f"  {note}" for note in source.notes]
    gone = {bout.line for bout in taken_out}
    if session.bouts:
        lines += ["", f"In bouts.csv for {session.name}:"]
        for bout in session.bouts:
            start, end = (when.at_ms(session.start_ms or 0) for when in (bout.start, bout.end))
            mark = ", to be taken out" if bout.line in gone else ""
            what = _what(bout.activity, bout.intensity, _clock(study, bout.clock))
            lines.append(f"  line {bout.line}: {bout.name}, {_span(start, end, zone)}{what}{mark}")
    else:
        lines += ["", f"In bouts.csv for {session.name}: none."]
    lines += [
        f"  {problem}" for problem in study.problems if problem.file == "bouts.csv" and problem.costs == "this row"
    ]
    if plan.already:
        lines.append(f"{plural(len(plan.already), 'bout')} of the file {_are(len(plan.already))} there already.")
    if added:
        lines += ["", f"To add{_clock_words(study, source)}:"]
        over: dict[str, list[str]] = {}
        for new, old in plan.overlaps:
            if old.line not in gone:
                over.setdefault(new.name, []).append(f"line {old.line}")
        for one in added:
            clash = f"; overlaps {', '.join(over[one.name])}" if one.name in over else ""
            lines.append(
                f"  {one.name}: {_span(one.start_ms, one.end_ms, zone)}{_what(one.activity, one.intensity)}{clash}"
            )
    return lines


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _clock(study: Study, device: str | None) -> str | None:
    return None if device is None else f"clock of {study.config.devices[device].label}"


def _clock_words(study: Study, source: Source) -> str:
    if source.clock is None:
        return ", on the reference's clock"
    return f", on the clock of {study.config.devices[source.clock].label}"


def _what(*words: str | None) -> str:
    said = [word for word in words if word]
    return f", {', '.join(said)}" if said else ""


def _span(start_ms: int, end_ms: int, zone: tzinfo | None) -> str:
    """``2031-05-01 09:00:00 to 09:05:00 (5:00)``."""
    from wearbench.study.bouttable import iso_instant

    start, end = (iso_instant(ms // 1000 * 1000, zone)[:19].replace("T", " ") for ms in (start_ms, end_ms))
    minutes, seconds = divmod(round((end_ms - start_ms) / 1000), 60)
    return f"{start} to {end[11:] if start[:10] == end[:10] else end} ({minutes}:{seconds:02d})"


def _last(
    study: Study, session: Session, plan: BoutPlan, added: tuple[NewBout, ...], *, writes: bool, replace: bool
) -> list[str]:
    if writes:
        lost = plural(len(plan.taken_out), "row") + " taken out, " if replace and plan.taken_out else ""
        done = f"{lost}{plural(len(added), 'bout')} of {session.name} added to {study.folder / 'bouts.csv'}."
        return ["", done, f"Next: wearbench check {typed(study.folder)}"]
    if not added:
        return ["", "Nothing to add."]
    if plan.overlaps and not replace:
        return [
            "",
            "Nothing was written. Some overlap what is there: give --replace to take those rows out, with --yes",
        ]
    return ["", "Nothing was written. To add them, give the same command with --yes"]


def _document(
    study: Study,
    session: Session,
    source: Source,
    plan: BoutPlan,
    added: tuple[NewBout, ...],
    taken_out: tuple[Bout, ...],
    *,
    writes: bool,
) -> dict[str, Any]:
    from wearbench.study.bouttable import iso_instant

    zone = _zone(study, session)

    def new(bout: NewBout) -> dict[str, Any]:
        return {
            "bout": bout.name,
            "start": iso_instant(bout.start_ms, zone),
            "end": iso_instant(bout.end_ms, zone),
            "seconds": (bout.end_ms - bout.start_ms) / 1000,
            "activity": bout.activity,
            "intensity": bout.intensity,
            "clock": bout.clock,
            "ended_by": bout.trigger,
            "source_row": bout.source_row,
        }

    def old(bout: Bout) -> dict[str, Any]:
        start, end = (when.at_ms(session.start_ms or 0) for when in (bout.start, bout.end))
        return {
            "line": bout.line,
            "bout": bout.name,
            "start": iso_instant(start, zone),
            "end": iso_instant(end, zone),
            "activity": bout.activity,
            "intensity": bout.intensity,
            "clock": bout.clock,
        }

    return {
        "study": study.folder,
        "session": session.name,
        "files": list(source.files),
        "clock": source.clock,
        "there": [old(bout) for bout in session.bouts],
        "already": [new(bout) for bout in plan.already],
        "add": [new(bout) for bout in added],
        "overlaps": [{"bout": n.name, "with": o.name, "line": o.line} for n, o in plan.overlaps],
        "taken_out": [old(bout) for bout in taken_out],
        "repairs": [{"slug": repair.slug, "said": repair.said} for repair in source.repairs],
        "notes": list(source.notes),
        "written": writes,
    }
