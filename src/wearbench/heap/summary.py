"""The proposal in plain lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from wearbench.heap.files import HeapFile
from wearbench.heap.likeness import overlap_ms
from wearbench.heap.occasions import Occasion, runs_of
from wearbench.heap.proposal import Proposal
from wearbench.heap.recorders import Recorder

__all__ = ["instant", "present", "summary_lines"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TOLD_MS = 600_000
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def summary_lines(proposal: Proposal) -> list[str]:
    """Say what was found and what would be done, a sentence a line."""
    fresh = [*proposal.duplicates, *proposal.already, *proposal.left_out, *proposal.not_understood]
    n_files = len(fresh) + len(proposal.placings) + sum(note.understood for note in proposal.version_notes)
    lines = [f"{_count(n_files, 'file')} looked at; nothing in the heap is changed.", ""]
    lines += ["Devices:", *(_device_line(d, proposal) for d in proposal.devices), *_naming(proposal), ""]
    lines += _occasion_lines(proposal)
    lines += _file_lines(proposal)
    lines += _zone_lines(proposal)
    lines += _version_lines(proposal)
    lines += [note if note.endswith("?") else f"{note}." for note in proposal.notes]
    compared = [p for p in proposal.placings if p.note]
    lines += [f"{p.file.name} is a copy: {p.note}." for p in compared[:8]]
    if len(compared) > 8:
        lines.append(f"... and {len(compared) - 8} more copies.")
    if proposal.questions:
        lines += ["", "Questions:"]
        for number, question in enumerate(proposal.questions, 1):
            wait = " Nothing is copied before this is answered." if question.first else ""
            lines += [f"{number}. {question.said}{wait}", f"   Answer: {question.answer}"]
            lines += _head_lines(proposal, question.files) if question.kind == "not-understood" else []
    return lines


def _zone_lines(proposal: Proposal) -> list[str]:
    """Zones other than the study's that would be written, each with why and how to say otherwise."""
    lines = []
    for one in proposal.session_zones.sessions:
        names = [o.name or "" for o in one.occasions]
        n = f"{names[0]}" if len(names) == 1 else f"{len(names)} sessions from {names[0]} to {names[-1]}"
        if one.answered:
            lines.append(f"{n}: timezone {one.zone} in sessions.csv, as you said.")
            continue
        whose = " and ".join(one.devices)
        lines.append(
            f"{n}: timezone {one.zone} in sessions.csv, since there the stamps of {whose}, which carry no offset, fit "
            f"{one.zone} and not {proposal.timezone}, going by the course of the rate. If it was another: "
            f'--session-zone "{names[0]}=ZONE".'
        )
    for device, zone in proposal.session_zones.devices.items():
        if proposal.study is None or device not in proposal.study.config.devices:
            lines.append(
                f"{device}: timezone {zone} of its own in study.toml, since its stamps fit {zone} in all sessions and "
                f'those of others {proposal.timezone}. If it is another: --zone "{device}=ZONE".'
            )
    return lines


def _version_lines(proposal: Proposal) -> list[str]:
    lines = []
    for note in proposal.version_notes:
        if not note.rows:
            lines += [f"{note.file.name} is a note of versions; versions.csv has them."] * note.understood
            continue
        told = ", ".join(
            f"{row.device} {row.version}{'' if row.part == 'device' else f' ({row.part})'} {row.seen_at:%Y-%m-%d %H:%M}"
            for row in note.rows
        )
        lines.append(f"{note.file.name} is a note of versions; rows for versions.csv: {told}.")
        lines += [
            f"{name} in it is taken for {device}, whose files name the same versions."
            for name, device in note.by_files.items()
        ]
        if note.days_only:
            lines.append(
                "A day without a time counts as a whole, for a new version as its end: before that it is not known."
            )
    return lines


def instant(ms: int, proposal: Proposal, *, zone: tzinfo | None = None) -> str:
    """An instant in a zone, else the study's, ISO with offset."""
    moment = _EPOCH + timedelta(milliseconds=ms)
    return moment.astimezone(zone or proposal.zone or UTC).isoformat(timespec="seconds")


def _head_lines(proposal: Proposal, names: Sequence[str]) -> list[str]:
    files = [f for f in proposal.not_understood if f.name in names]
    return [f"   | {line}" for f in files for line in f.imprint.head]


def _device_line(device: Recorder, proposal: Proposal) -> str:
    held = ", ".join(device.quantities)
    role = proposal.roles[device.name]
    sure = "" if device.known else ", proposed"
    if device.name in proposal.new_devices:
        sure = ", new: it gets a section in study.toml"
    return (
        f"  {device.name}: {role}{sure}; {_count(len(device.files), 'file')} of {held}, such as {device.files[0].name}"
    )


def _naming(proposal: Proposal) -> list[str]:
    """How to give a device another name, where some were made up."""
    made = [d for d in proposal.devices if not d.known]
    if not made:
        return []
    return [
        f'  (another name, or two that are one: --device "{made[0].files[0].name}=NAME", a file or a pattern of each)'
    ]


def present(device: Recorder, occasion: Occasion) -> int:
    """How long a device recorded in an occasion, ms."""
    held = occasion.files.get(device.name, [])
    if held:
        return occasion.end_ms - occasion.start_ms
    return sum(
        overlap_ms(run, occasion.span)
        for file in device.files
        if file.doubt is None and file.session in (None, "_all")
        for run in runs_of(file)
    )


def _occasion_lines(proposal: Proposal) -> list[str]:
    reference = [d for d in proposal.devices if proposal.roles[d.name] == "reference"]
    tested = [d for d in proposal.devices if proposal.roles[d.name] == "tested"]
    if not reference or not tested:
        return [f"{_count(len(proposal.occasions), 'occasion')}.", ""]
    trusted = " or ".join(d.name for d in reference)
    both = [o for o in proposal.occasions if _any(reference, o) and _any(tested, o)]
    lines = [f"{_count(len(both), 'occasion')} where {trusted} and a tested device both recorded."]
    for device in tested:
        alone = [o for o in proposal.occasions if not _any(reference, o) and present(device, o)]
        if alone:
            days = ", ".join(_day(o.start_ms, proposal) for o in alone)
            lines.append(f"{len(alone)} where only {device.name} did ({days}: {trusted} forgotten?).")
    only = [o for o in proposal.occasions if _any(reference, o) and not _any(tested, o)]
    if only:
        days = ", ".join(_day(o.start_ms, proposal) for o in only)
        lines.append(f"{len(only)} where only {trusted} did ({days}).")
    for occasion in both:
        if occasion.reference_ms is not None:
            early = occasion.end_ms - occasion.reference_ms[1]
            late = occasion.reference_ms[0] - occasion.start_ms
            if early > _TOLD_MS:
                lines.append(f"{occasion.name}: {trusted} stops {early // 60_000} min early.")
            if late > _TOLD_MS:
                lines.append(f"{occasion.name}: {trusted} starts {late // 60_000} min late.")
    return [*lines, ""]


def _any(devices: Sequence[Recorder], occasion: Occasion) -> bool:
    return any(present(device, occasion) for device in devices)


def _file_lines(proposal: Proposal) -> list[str]:
    kinds = Counter(placing.relation for placing in proposal.placings)
    told = {
        "recording": ("a whole recording", "one recording each"),
        "part": ("part of a recording or an export", "parts of a recording or an export"),
        "copy": ("copy of another", "copies of another"),
        "export": ("export that spans sessions", "exports that span sessions"),
    }
    parts = [f"{n:,} {told[kind][n > 1]}" for kind, n in kinds.most_common()]
    lines = [f"{_count(len(proposal.placings), 'file')} to copy" + (f": {', '.join(parts)}." if parts else ".")]
    if proposal.already:
        lines.append(f"{_count(len(proposal.already), 'file')} in the study already.")
    lines += [f"{f.name} has the same bytes as {f.same_as}; it is not copied." for f in proposal.duplicates]
    if proposal.left_out:
        n = _count(len(proposal.left_out), "file")
        lines.append(f"{n} left out until you say where they go: {_names(proposal.left_out)}.")
    if proposal.not_understood:
        lines.append(
            f"{_count(len(proposal.not_understood), 'file')} not understood: {_names(proposal.not_understood)}."
        )
    return lines


def _names(files: Sequence[HeapFile]) -> str:
    names = [f.name for f in files]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _day(ms: int, proposal: Proposal) -> str:
    day = (_EPOCH + timedelta(milliseconds=ms)).astimezone(proposal.zone or UTC)
    return f"{day.day} {_MONTHS[day.month - 1]}"


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}{'' if n == 1 else 's'}"
