"""Carrying a proposal out: copies, never moves; nothing is overwritten, and every copy's origin is written down."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from wearbench.errors import StudyError, UsageError
from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import digest_of
from wearbench.heap.places import Placing
from wearbench.heap.proposal import Proposal
from wearbench.heap.rows import add_rows
from wearbench.heap.summary import instant, present
from wearbench.study.config import read_config
from wearbench.study.problem import listed, shown

__all__ = ["ORIGINS", "Done", "carry_out"]

ORIGINS: Final = "origins.csv"
COLUMNS: Final = ("path", "source", "bytes", "modified", "sha256", "placed", "relation", "note")


@dataclass(kw_only=True, slots=True)
class Done:
    """What was made: copies (below the study), new sessions, rows of versions; and files that changed meanwhile."""

    copied: list[str] = field(default_factory=list)
    sessions: list[str] = field(default_factory=list)
    versions: int = 0
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
        elif proposal.new_devices:
            _add_devices(proposal, folder / "study.toml")
        done.sessions = _add_sessions(proposal, folder)
        done.versions = _add_versions(proposal, folder)
        known = _known_origins(folder)
        for file in (told.file for told in proposal.version_notes if told.understood):
            _write_origin(folder, file, path="versions.csv", relation="note", note="", known=known)
        zones_said = _zones_said(proposal)
        for number, placing in enumerate(proposal.placings):
            progress("copying", number, len(proposal.placings))
            why = _copy(placing.file, folder / "raw" / placing.place)
            if why is not None:
                done.refused.append((placing.file.name, why))
                continue
            shown_place = f"raw/{placing.place}"
            done.copied.append(shown_place)
            parts = (placing.note, *placing.file.notes, zones_said(placing))
            note = "; ".join(part for part in parts if part)
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


def _section(proposal: Proposal, device: str, *, layout: str | None = None) -> list[str]:
    lines = ["", f"[devices.{device}]", f'role = "{proposal.roles[device]}"']
    if device in proposal.zones:
        lines.append(f"timezone = {shown(proposal.zones[device])}")
    if layout is not None:
        lines.append(f"layout = {shown(layout)}")
    return lines


def _write_config(proposal: Proposal, folder: Path, *, layouts: str, layout_of: dict[str, str]) -> None:
    used = {placing.device for placing in proposal.placings}
    lines = ['# Made by wearbench sort. Every key is explained in the documentation, page "The folder".', "schema = 1"]
    lines.append(f"title = {shown(folder.resolve().name)}")
    if proposal.timezone is not None:
        lines.append(f"timezone = {shown(proposal.timezone)}")
    for device in sorted(proposal.devices, key=lambda d: (proposal.roles[d.name] != "reference", d.name)):
        if device.name in used:
            lines += _section(proposal, device.name, layout=layout_of.get(device.name))
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


def _add_devices(proposal: Proposal, path: Path) -> None:
    """Add sections of new devices below what study.toml says, which stays as it is to the byte."""
    before = path.read_bytes()
    end = "\r\n" if b"\r\n" in before else "\n"
    lines = [line for device in sorted(proposal.new_devices) for line in _section(proposal, device)]
    more = end.join(lines) + end
    if not before.endswith(b"\n"):
        more = end + more
    beside = path.with_name(".study.toml.part")
    try:
        beside.write_bytes(before + more.encode())
        read_config(beside)
        os.replace(beside, path)
    except StudyError as error:
        said = f"cannot be given the sections of {listed(proposal.new_devices, word='and')}: {error.message}. Add"
        said += " them by hand, then run the command again"
        raise StudyError(said, slug="devices-by-hand", file=str(path)) from error
    finally:
        beside.unlink(missing_ok=True)


def _add_sessions(proposal: Proposal, folder: Path) -> list[str]:
    """Rows for sessions that sessions.csv does not have; its other lines stay as they are."""
    rows: dict[str, dict[str, str]] = {}
    for occasion in proposal.occasions:
        if occasion.name is not None and _needed(proposal, occasion.name):
            zone = proposal.zone_of(occasion)
            rows[occasion.name] = {
                "session": occasion.name,
                "start": instant(occasion.start_ms // 1000 * 1000, proposal, zone=zone),
                "end": instant(-(-occasion.end_ms // 1000) * 1000, proposal, zone=zone),
                "timezone": proposal.session_zones.of(occasion) or "",
            }
    columns = ("session", "start", "end", *["timezone"] * any(row["timezone"] for row in rows.values()))
    added = add_rows(folder / "sessions.csv", list(rows.values()), columns=columns, key=("session",))
    return [row["session"] for row in added]


def _add_versions(proposal: Proposal, folder: Path) -> int:
    rows = [
        {
            "device": row.device,
            "part": row.part,
            "seen_at": row.seen_at.isoformat(timespec="seconds"),
            "version": row.version,
            "how_known": "note",
        }
        for note in proposal.version_notes
        for row in note.rows
    ]
    key = ("device", "seen_at", "version")
    return len(add_rows(folder / "versions.csv", rows, columns=("device", "part", *key[1:], "how_known"), key=key))


def _zones_said(proposal: Proposal) -> Callable[[Placing], str]:
    """What origins.csv says of the zones that a copy's stamps are read in."""

    def said(placing: Placing) -> str:
        if not placing.file.imprint.local:
            return ""
        own = proposal.session_zones.devices.get(placing.device)
        if own is not None:
            return f"stamps read in {own}, found by sort"
        told = []
        for one in proposal.session_zones.sessions:
            names = [o.name or "" for o in one.occasions if placing.session in (None, o.name)]
            if names:
                how = "as answered" if one.answered else "found by sort"
                told.append(f"stamps read in {one.zone} for {' '.join(names)}, {how}")
        return "; ".join(told)

    return said


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
