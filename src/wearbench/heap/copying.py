"""Carrying a proposal out: copies, never moves; nothing is overwritten, and every copy's origin is written down."""

from __future__ import annotations

import csv
import io
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from wearbench.errors import UsageError
from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import digest_of
from wearbench.heap.proposal import Proposal
from wearbench.heap.summary import instant, present
from wearbench.study.config import read_config
from wearbench.study.problem import shown

__all__ = ["ORIGINS", "Done", "carry_out"]

ORIGINS: Final = "origins.csv"
COLUMNS: Final = ("path", "source", "bytes", "modified", "sha256", "placed", "relation", "note")


@dataclass(kw_only=True, slots=True)
class Done:
    """What was made: copies (below the study), new sessions, and files that changed or were taken meanwhile."""

    copied: list[str] = field(default_factory=list)
    sessions: list[str] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    made_study: bool = False


def carry_out(
    proposal: Proposal,
    folder: Path,
    *,
    layouts: str = "",
    layout_of: dict[str, str] | None = None,
    progress: Callable[[str, int, int], None] = lambda stage, done, total: None,
) -> Done:
    """Copy the proposed files into a study's folder, making it if it is not there.

    Parameters
    ----------
    proposal : Proposal
    folder : Path
    layouts : str
        Tables ``[layouts.<name>]`` for a new study.toml.
    layout_of : dict or None
        Device -> layout, for a new study.toml.
    progress : callable

    Returns
    -------
    Done

    Raises
    ------
    UsageError
        ``sort-asks`` if a question must be answered first; ``not-writable`` if the folder cannot be written. Copies
        made until then are whole, and the same command goes on from there.
    """
    if proposal.waits:
        first = next(question for question in proposal.questions if question.first)
        raise UsageError(
            f"nothing was copied: one answer is needed first. {first.said} Answer with {first.answer}", slug="sort-asks"
        )
    done = Done()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if proposal.study is None and proposal.placings:
            _write_config(proposal, folder, layouts=layouts, layout_of=layout_of or {})
            done.made_study = True
        done.sessions = _add_sessions(proposal, folder)
        known = _known_origins(folder)
        for number, placing in enumerate(proposal.placings):
            progress("copying", number, len(proposal.placings))
            why = _copy(placing.file, folder / "raw" / placing.place)
            if why is not None:
                done.refused.append((placing.file.name, why))
                continue
            shown_place = f"raw/{placing.place}"
            done.copied.append(shown_place)
            note = "; ".join(part for part in (placing.note, *placing.file.notes) if part)
            _write_origin(folder, placing.file, path=shown_place, relation=placing.relation, note=note, known=known)
        by_source = {placing.file.name: f"raw/{placing.place}" for placing in proposal.placings}
        for file in proposal.duplicates:
            kept = by_source.get(file.same_as or "")
            if kept is not None:
                _write_origin(
                    folder, file, path=kept, relation="duplicate", note="the same bytes; not copied", known=known
                )
        for file in proposal.already:
            if file.same_as is not None:
                _write_origin(folder, file, path=file.same_as, relation="there", note="", known=known)
    except OSError as error:
        raise UsageError(
            f"cannot be written: {error.strerror or error}. What was copied is whole; the same command goes on",
            slug="not-writable",
            file=str(folder),
        ) from error
    return done


def _copy(file: HeapFile, target: Path) -> str | None:
    """Copy one file; return why not if its name was taken or it changed since it was read."""
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f".{target.name}.part")
    try:
        shutil.copyfile(file.path, beside)
        if digest_of(beside) != file.imprint.sha256:
            return "it changed while it was sorted; run the command again"
        shutil.copystat(file.path, beside)
        if os.path.lexists(target):
            return f"the name {target.name} was taken meanwhile; run the command again"
        os.rename(beside, target)
    finally:
        beside.unlink(missing_ok=True)
    return None


def _write_config(proposal: Proposal, folder: Path, *, layouts: str, layout_of: dict[str, str]) -> None:
    used = {placing.device for placing in proposal.placings}
    lines = ['# Made by wearbench sort. Every key is explained in the documentation, page "The folder".', "schema = 1"]
    lines.append(f"title = {shown(folder.resolve().name)}")
    if proposal.timezone is not None:
        lines.append(f"timezone = {shown(proposal.timezone)}")
    for device in sorted(proposal.devices, key=lambda d: (proposal.roles[d.name] != "reference", d.name)):
        if device.name not in used:
            continue
        lines += ["", f"[devices.{device.name}]", f'role = "{proposal.roles[device.name]}"']
        if device.name in proposal.zones:
            lines.append(f"timezone = {shown(proposal.zones[device.name])}")
        if device.name in layout_of:
            lines.append(f"layout = {shown(layout_of[device.name])}")
    text = "\n".join(lines) + "\n"
    if layouts:
        text += "\n" + layouts
    path = folder / "study.toml"
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    try:
        read_config(path)
    except Exception:
        path.unlink()
        raise


def _add_sessions(proposal: Proposal, folder: Path) -> list[str]:
    """Rows for sessions that sessions.csv does not have; its other lines stay as they are."""
    path = folder / "sessions.csv"
    text = path.read_text(encoding="utf-8-sig") if path.is_file() else ""
    head = text.splitlines()[0] if text.strip() else "session,start,end"
    delimiter = max(",;\t", key=head.count)
    columns = [name.strip().strip('"') for name in next(csv.reader([head], delimiter=delimiter))]
    there = (
        {(row[0] if row else "").strip() for row in csv.reader(io.StringIO(text), delimiter=delimiter)}
        if text
        else set()
    )
    new = [o for o in proposal.occasions if o.name is not None and o.name not in there and _needed(proposal, o.name)]
    if not new or "session" not in columns:
        return []
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", extrasaction="ignore", delimiter=delimiter, lineterminator="\n")
    for occasion in new:
        writer.writerow(
            {
                "session": occasion.name,
                "start": instant(occasion.start_ms // 1000 * 1000, proposal),
                "end": instant(-(-occasion.end_ms // 1000) * 1000, proposal),
            }
        )
    whole = (text if text.endswith("\n") or not text else text + "\n") if text.strip() else head + "\n"
    beside = folder / ".sessions.csv.part"
    beside.write_text(whole + out.getvalue(), encoding="utf-8", newline="\n")
    os.replace(beside, path)
    return [o.name for o in new if o.name is not None]


def _needed(proposal: Proposal, name: str) -> bool:
    """Whether something is in the session, or an export in raw/_all is to be cut by it."""
    occasion = next(o for o in proposal.occasions if o.name == name)
    own = any(placing.session == name for placing in proposal.placings)
    return own or any(present(device, occasion) > 0 for device in proposal.devices)


def _known_origins(folder: Path) -> set[tuple[str, str, str]]:
    path = folder / ORIGINS
    if not path.is_file():
        return set()
    with path.open(encoding="utf-8", newline="") as file:
        return {(row.get("path", ""), row.get("source", ""), row.get("sha256", "")) for row in csv.DictReader(file)}


def _write_origin(
    folder: Path, file: HeapFile, *, path: str, relation: str, note: str, known: set[tuple[str, str, str]]
) -> None:
    """Add a row; flushed, so that a kill leaves the rows of all copies made."""
    key = (path, file.name, file.imprint.sha256)
    if key in known:
        return
    known.add(key)
    target = folder / ORIGINS
    new = not target.exists()
    with target.open("a", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        if new:
            writer.writerow(COLUMNS)
        writer.writerow(
            [
                path,
                file.name,
                file.imprint.bytes,
                datetime.fromtimestamp(file.path.stat().st_mtime, UTC).isoformat(timespec="seconds"),
                file.imprint.sha256,
                datetime.now(UTC).isoformat(timespec="seconds"),
                relation,
                note,
            ]
        )
