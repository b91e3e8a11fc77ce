"""``wearbench sort``: from a heap of exports to a study."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wearbench.commands.common import emit, json_option, quiet_option, typed
from wearbench.errors import UsageError

if TYPE_CHECKING:
    from wearbench.heap import Answers, Done, Proposal

PAIR = "PATTERN=NAME"


@click.command(short_help="Sort a heap of exports into a study.")
@click.argument("heaps", metavar="HEAP...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--into", "study", type=click.Path(path_type=Path, file_okay=False), help="The study; made if it is new.")
@click.option("--yes", is_flag=True, help="Make the copies; without it the proposal is only printed.")
@click.option("--reference", help="The trusted device.")
@click.option("--timezone", help='Zone of stamps without an offset, such as "Europe/Oslo".')
@click.option("--zone", multiple=True, metavar="DEVICE=ZONE", help="A device's own zone; may be repeated.")
@click.option("--device", multiple=True, metavar=PAIR, help="Which device wrote these files; may be repeated.")
@click.option("--session", multiple=True, metavar=PAIR, help="Which session these files belong to; may be repeated.")
@click.option(
    "--session-zone", multiple=True, metavar="SESSION=ZONE", help="Zone of a session's local stamps; may be repeated."
)
@click.option("--ignore", multiple=True, metavar="PATTERN", help="Files that are no recordings; may be repeated.")
@click.option(
    "--answers", type=click.Path(path_type=Path, dir_okay=False), help="Answers in a TOML file; options go first."
)
@json_option
@quiet_option
def sort(
    heaps: tuple[Path, ...],
    *,
    study: Path | None,
    yes: bool,
    reference: str | None,
    timezone: str | None,
    zone: tuple[str, ...],
    device: tuple[str, ...],
    session: tuple[str, ...],
    session_zone: tuple[str, ...],
    ignore: tuple[str, ...],
    answers: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Sort the files of each HEAP into the sessions of a study.

    Reads everything and proposes devices, sessions and a place for every file; says what it cannot know and asks.
    Files are only copied with --into and --yes, never moved, and nothing is overwritten. Where each copy came from is
    written to origins.csv in the study. The same command again adds only what is new.

    \b
    Example: wearbench sort ~/exports
             wearbench sort ~/exports --into my-study --timezone Europe/Oslo --yes
    """  # noqa: D301
    from wearbench.commands.progress import Progress
    from wearbench.heap import Answers, Index, carry_out, checked, index_place, layouts_text, propose, read_answers

    if yes and study is None:
        raise UsageError("expected --into with the folder of a study, since --yes makes copies", slug="usage")
    said = Answers() if answers is None else read_answers(answers)
    said = checked(
        replace(
            said,
            reference=reference or said.reference,
            timezone=timezone or said.timezone,
            ignore=(*ignore, *said.ignore),
            zones=_pairs(zone, "--zone") | _without(said.zones, zone),
            devices=_pairs(device, "--device") | _without(said.devices, device),
            sessions=_pairs(session, "--session") | _without(said.sessions, session),
            session_zones=_pairs(session_zone, "--session-zone") | _without(said.session_zones, session_zone),
        )
    )
    with Progress(quiet=quiet) as progress, Index(index_place(heaps)) as index:
        proposal = propose(heaps, study_folder=study, answers=said, index=index, progress=progress)
        done: Done | None = None
        if yes and study is not None:
            text = "" if answers is None else layouts_text(answers)
            done = carry_out(proposal, study, layouts=text, layout_of=_layouts(proposal, said), progress=progress)
    emit(_lines(proposal, done, study), _document(proposal, done, study), as_json=as_json, wrap=True)


def _pairs(given: tuple[str, ...], option: str) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for text in given:
        left, sign, right = text.rpartition("=")
        if not sign or not left.strip() or not right.strip():
            raise UsageError(f"{option}: expected two sides joined by =, got '{text}'", slug="usage", value=text)
        pairs[left.strip()] = right.strip()
    return pairs


def _without(said: dict[str, str], given: tuple[str, ...]) -> dict[str, str]:
    """Answers of the file that no option replaces."""
    return {key: value for key, value in said.items() if not any(text.startswith(f"{key}=") for text in given)}


def _layouts(proposal: Proposal, answers: Answers) -> dict[str, str]:
    """The layout each device's files were read with."""
    from wearbench.heap.answers import matched

    return {
        device.name: layout
        for device in proposal.devices
        for file in device.files
        if (layout := matched(file.name, answers.layout_of)) is not None
    }


def _lines(proposal: Proposal, done: Done | None, study: Path | None) -> list[str]:
    from wearbench.heap import summary_lines

    lines = summary_lines(proposal)
    if done is None:
        where = "--yes" if study is not None else "--into STUDY --yes"
        if proposal.waits:
            first = next(n for n, question in enumerate(proposal.questions, 1) if question.first)
            lines += ["", f"Nothing was copied. Answer question {first}, then give the command with {where}"]
        elif proposal.placings:
            rest = "; what is asked about stays out until it is answered" if proposal.questions else ""
            lines += ["", f"Nothing was copied. To copy, give the same command with {where}{rest}"]
        return lines
    n = "1 file" if len(done.copied) == 1 else f"{len(done.copied):,} files"
    copied = f"Copied {n} into {study}; origins.csv there says where each came from."
    lines += ["", copied if done.copied else "Nothing new to copy."]
    lines += [f"Not copied: {name}: {why}." for name, why in done.refused]
    if study is not None:
        lines.append(f"Next: wearbench check {typed(study)}")
    return lines


def _document(proposal: Proposal, done: Done | None, study: Path | None) -> dict[str, Any]:
    from wearbench.heap.summary import instant

    return {
        "study": study,
        "devices": [
            {
                "device": d.name,
                "role": proposal.roles[d.name],
                "known": d.known,
                "new": d.name in proposal.new_devices,
                "timezone": proposal.zones.get(d.name),
                "quantities": list(d.quantities),
                "files": [f.name for f in d.files if f.placed is None],
            }
            for d in proposal.devices
        ],
        "sessions": [
            {
                "session": o.name,
                "start": instant(o.start_ms, proposal, zone=proposal.zone_of(o)),
                "end": instant(o.end_ms, proposal, zone=proposal.zone_of(o)),
                "timezone": proposal.session_zones.of(o),
            }
            for o in proposal.occasions
        ],
        "files": [
            {
                "source": p.file.name,
                "sha256": p.file.imprint.sha256,
                "path": f"raw/{p.place}",
                "device": p.device,
                "session": p.session,
                "relation": p.relation,
                "note": p.note or None,
            }
            for p in proposal.placings
        ],
        "versions": [
            {
                "source": note.file.name,
                "device": row.device,
                "part": row.part,
                "seen_at": row.seen_at.isoformat(timespec="seconds"),
                "version": row.version,
            }
            for note in proposal.version_notes
            for row in note.rows
        ],
        "duplicates": [{"source": f.name, "same_as": f.same_as} for f in proposal.duplicates],
        "already": [{"source": f.name, "same_as": f.same_as} for f in proposal.already],
        "left_out": [{"source": f.name, "why": f.doubt} for f in proposal.left_out],
        "not_understood": [
            {"source": f.name, "slug": (f.imprint.problem or ("", "", None))[0], "head": list(f.imprint.head)}
            for f in proposal.not_understood
        ],
        "questions": [
            {"number": n, "kind": q.kind, "said": q.said, "answer": q.answer, "files": list(q.files), "first": q.first}
            for n, q in enumerate(proposal.questions, 1)
        ],
        "notes": proposal.notes,
        "copied": None if done is None else done.copied,
        "refused": None if done is None else [{"source": name, "why": why} for name, why in done.refused],
    }
