"""The few questions that only a person can answer, each with how to answer it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wearbench.heap.files import HeapFile
from wearbench.heap.recorders import Recorder
from wearbench.heap.sessionzones import Zones
from wearbench.heap.versionnotes import VersionNote
from wearbench.study import Study
from wearbench.study.problem import listed

__all__ = ["Question", "ask"]

_NUMBERS: Final = re.compile(r"\d[\d:.,-]*\s*[,;\t]\s*\d")
_BY_SLUG: Final = {
    "comma": "are these decimal commas?",
    "day-or-month": "which is the day and which the month?",
    "no-heading": "what do the columns hold?",
    "no-values": "what do the columns hold?",
    "too-many-readings": "can it be exported in shorter pieces?",
    "empty": "can it be exported again?",
    "header-only": "can it be exported again?",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """One question; ``first`` means that nothing is copied before it is answered."""

    kind: str
    said: str
    answer: str
    files: tuple[str, ...] = ()
    first: bool = False


def ask(
    *,
    devices: Sequence[Recorder],
    candidates: Sequence[str],
    left_out: Sequence[HeapFile],
    not_understood: Sequence[HeapFile],
    zone_known: bool,
    timezone: str | None = None,
    zones: Zones | None = None,
    version_notes: Sequence[VersionNote] = (),
    study: Study | None = None,
    roles: dict[str, str],
) -> list[Question]:
    """Put together what must be asked, most important first."""
    asked: list[Question] = []
    if candidates:
        asked.append(
            Question(
                kind="reference",
                said=f"Which device is the trusted one: {listed(candidates)}?",
                answer=f"--reference {candidates[0]}",
                first=True,
            )
        )
    local = [d.name for d in devices if any(f.imprint.local and f.placed is None for f in d.files)]
    if local and not zone_known:
        asked.append(
            Question(
                kind="zone",
                said=f"The stamps of {listed(local, word='and')} carry no offset. In which zone were they written?",
                answer="--timezone ZONE, such as Europe/Oslo; --zone DEVICE=ZONE where one differs",
                first=True,
            )
        )
    asked += _about_zones(zones or Zones(), timezone, study)
    asked += _about_devices(devices, left_out)
    asked += _about_versions(version_notes, devices, roles)
    unnamed = [note.file for note in version_notes if not note.understood]
    asked += _about_files(left_out, [file for file in not_understood if file not in unnamed])
    return asked


def _about_zones(zones: Zones, timezone: str | None, study: Study | None) -> list[Question]:
    asked = []
    for doubt in zones.doubts:
        names = [o.name or "" for o in doubt.occasions]
        whose = _and(doubt.devices)
        said = {
            "one": f"The stamps of {whose} in session {names[0]} fit {doubt.zone} and not {timezone}. Another zone, or "
            "a clock that is off? Left alone it is taken for a clock",
            "between": f"Was it {timezone} in {_and(names)}, or {doubt.zone} as in sessions near it? "
            f"Nothing shows it; left alone it is taken for {timezone}",
            "known": f"In {_and(names)} stamps without offset fit {doubt.zone} and not {timezone}. Was it another "
            "zone? Rows that sessions.csv has are not rewritten",
        }[doubt.why]
        answer = " ".join(f'--session-zone "{name}={doubt.zone}"' for name in names)
        if doubt.why == "known":
            answer = f"write {doubt.zone} in a column timezone of sessions.csv"
        elif doubt.why == "between":
            answer += f"; or ={timezone}"
        asked.append(Question(kind="session-zone", said=said, answer=answer))
    for device, zone in zones.devices.items():
        if study is not None and device in study.config.devices:
            asked.append(
                Question(
                    kind="device-zone",
                    said=f"The stamps of {device} fit {zone} in all sessions, those of others {timezone}. Has it a "
                    "zone of its own?",
                    answer=f'write timezone = "{zone}" below [devices.{device}] in study.toml',
                )
            )
    return asked


def _about_versions(notes: Sequence[VersionNote], devices: Sequence[Recorder], roles: dict[str, str]) -> list[Question]:
    named = {row.device for note in notes for row in note.rows}
    free = [d for d in devices if d.name not in named and roles.get(d.name) != "context"]
    asked = []
    for note in notes:
        if note.unknown:
            names = [name or "no device" for name in note.unknown]
            example = next((d for d in free if roles.get(d.name) == "tested"), free[0] if free else None)
            pattern = "PATTERN" if example is None else example.files[0].name
            asked.append(
                Question(
                    kind="version-device",
                    said=f"{note.file.name} notes versions of {_and(names)}. Which of the devices is that?",
                    answer=f'--device "{pattern}={note.unknown[0] or "NAME"}" names a device so; '
                    f'or --ignore "{note.file.name}"',
                    files=(note.file.name,),
                )
            )
    return asked


def _about_devices(devices: Sequence[Recorder], left_out: Sequence[HeapFile]) -> list[Question]:
    asked: list[Question] = []
    unsure = [d for d in devices if any(f.doubt == "one or several" for f in d.files)]
    if unsure:
        which = "; ".join(f"{d.name}: {_some(d.files)}" for d in unsure)
        asked.append(
            Question(
                kind="one-or-several",
                said=f"Are these one device or several? They are written alike and nothing else tells. {which}",
                answer=" ".join(f'--device "{_pattern(d.files)}={unsure[0].name}"' for d in unsure),
                files=tuple(f.name for d in unsure for f in d.files if f.doubt is not None),
            )
        )
    for device in devices:
        other = [f for f in device.files if f.doubt == "another heart"]
        if other:
            asked.append(
                Question(
                    kind="another-heart",
                    said=f"Two people? {_some(other)} of {device.name} cannot be of the heart that another list of "
                    "beats has at the same time",
                    answer="sort each person's files on their own; or --ignore the files of the other person",
                    files=tuple(f.name for f in other),
                )
            )
    loose = [f for f in left_out if f.doubt == "device"]
    by_manner: dict[tuple[str, ...], list[HeapFile]] = defaultdict(list)
    for file in loose:
        by_manner[file.imprint.manner()].append(file)
    asked += [
        Question(
            kind="device",
            said=f"Which device wrote {_some(files)}? Written alike, they could be of more than one",
            answer=" ".join(f'--device "{f.name}=NAME"' for f in files[:2]),
            files=tuple(f.name for f in files),
        )
        for files in by_manner.values()
    ]
    return asked


def _about_files(left_out: Sequence[HeapFile], not_understood: Sequence[HeapFile]) -> list[Question]:
    asked = [
        Question(
            kind="session",
            said=f"When was {file.name} recorded? "
            + ("It has no date" if file.doubt == "when" else "Nothing else was on at its time, and it is short"),
            answer=f'--session "{file.name}=SESSION" or --ignore "{file.name}"',
            files=(file.name,),
        )
        for file in left_out
        if file.doubt in ("when", "which session")
    ]
    asked += [
        Question(
            kind="clock",
            said=f"Was {file.name} recorded alone, or is its clock off? It looks like a session in which its device is "
            "missing, whole quarters of an hour away",
            answer=f'--session "{file.name}=SESSION"',
            files=(file.name,),
        )
        for file in left_out
        if file.doubt == "clock"
    ]
    for file in not_understood:
        slug, message, _ = file.imprint.problem or ("", "", None)
        if slug == "no-heading" and not any(_NUMBERS.search(line) for line in file.imprint.head):
            asked.append(
                Question(
                    kind="not-understood",
                    said=f"{file.name}: is it a recording? It begins with words, not with columns of numbers",
                    answer=f'--ignore "{file.name}", or a layout in a file of answers',
                    files=(file.name,),
                )
            )
            continue
        asked.append(
            Question(
                kind="not-understood",
                said=f"{file.name}: {_BY_SLUG.get(slug, 'is it a recording?')} {message}",
                answer=f'a layout in a file of answers, or --ignore "{file.name}"',
                files=(file.name,),
            )
        )
    return asked


def _some(files: Sequence[HeapFile]) -> str:
    names = [f.name for f in files]
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _pattern(files: Sequence[HeapFile]) -> str:
    """A pattern that begins as all the names do."""
    names = [f.name for f in files]
    start = names[0]
    for name in names[1:]:
        while not name.startswith(start):
            start = start[:-1]
    return names[0] if len(names) == 1 else f"{start}*"
