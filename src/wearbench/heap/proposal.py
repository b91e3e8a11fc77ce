"""What sort proposes: devices, sessions, a place for every file, and questions about the rest. Nothing is changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Final

from wearbench.heap.answers import Answers
from wearbench.heap.clocks import (
    Timeline,
    clock_sentences,
    fit_by_ends,
    follow_neighbours,
    settle_clocks,
    settle_copies,
    unlike_hearts,
)
from wearbench.heap.files import HeapFile, files_below, imprint_for, read_again, read_all
from wearbench.heap.index import Index
from wearbench.heap.likeness import overlap_ms
from wearbench.heap.occasions import PAUSE_MS, Occasion, extent, find_occasions, spans_more
from wearbench.heap.places import Placing, named_places
from wearbench.heap.questions import Question, ask
from wearbench.heap.recorders import Recorder, recorders
from wearbench.heap.sessionzones import Zones, find_zones, unexplained
from wearbench.heap.unplaced import place_by_course
from wearbench.heap.versionnotes import VersionNote, read_version_notes
from wearbench.study import Study, load_study
from wearbench.study.tables import read_tables
from wearbench.study.zones import zone_named

__all__ = ["Proposal", "propose"]

ROLES: Final = ("reference", "tested", "context")
CONTEXT: Final = frozenset(("cadence", "power", "speed", "steps", "energy_kcal", "distance_m"))
Progress = Callable[[str, int, int], None]


@dataclass(kw_only=True, slots=True)
class Proposal:
    """Everything that ``sort`` would do, and what it asks.

    Attributes
    ----------
    devices : list of Recorder
    roles : dict
        Device -> role.
    occasions : list of Occasion
        In order of time, all named.
    placings : list of Placing
        Copies to be made.
    duplicates : list of HeapFile
        The same bytes as another file (``same_as``).
    already : list of HeapFile
        In the study already.
    left_out : list of HeapFile
        Readable, but someone has to say where they go.
    not_understood : list of HeapFile
    questions : list of Question
    notes : list of str
        What was noticed, in sentences.
    zone : tzinfo or None
    timezone : str or None
    study : Study or None
        The study as it was, if there is one.
    zones : dict
        Device -> its own zone, answered, declared or found.
    session_zones : Zones
        Sessions in which stamps without offset were written in another zone, and what must be asked of it.
    new_devices : list of str
        Devices that an existing study.toml does not know.
    version_notes : list of VersionNote
        Text files that say which device showed which version when.
    """

    devices: list[Recorder]
    roles: dict[str, str]
    occasions: list[Occasion]
    placings: list[Placing]
    duplicates: list[HeapFile]
    already: list[HeapFile]
    left_out: list[HeapFile]
    not_understood: list[HeapFile]
    questions: list[Question]
    notes: list[str]
    zone: tzinfo | None
    timezone: str | None
    study: Study | None
    zones: dict[str, str] = field(default_factory=dict)
    session_zones: Zones = field(default_factory=Zones)
    new_devices: list[str] = field(default_factory=list)
    version_notes: list[VersionNote] = field(default_factory=list)

    def zone_of(self, occasion: Occasion) -> tzinfo | None:
        """The zone of a session: as sessions.csv has it, as proposed, else the study's."""
        named = self.session_zones.of(occasion)
        return occasion.zone or (self.zone if named is None else zone_named(named))

    @property
    def waits(self) -> bool:
        """Whether a question must be answered before anything can be copied."""
        return any(question.first for question in self.questions)


def propose(
    heaps: Sequence[Path],
    *,
    study_folder: Path | None = None,
    answers: Answers | None = None,
    index: Index,
    progress: Progress = lambda stage, done, total: None,
) -> Proposal:
    """Read a heap and say what would go where.

    Parameters
    ----------
    heaps : sequence of Path
    study_folder : Path or None
        Where the copies would go; what it holds already is taken into account.
    answers : Answers or None
    index : Index
    progress : callable

    Returns
    -------
    Proposal

    Raises
    ------
    UsageError
        If a heap is not there.
    StudyError
        If the study's own files are wrong.
    """
    answers = answers or Answers()
    there = study_folder is not None and (study_folder / "study.toml").is_file()
    study = load_study(study_folder) if there and study_folder is not None else None
    timezone = study.config.timezone if study is not None and study.config.timezone else answers.timezone
    zone = None if timezone is None else zone_named(timezone)
    placed = [] if study is None else _placed(study, index, progress)
    found = files_below(heaps)
    inside = set() if study_folder is None else {study_folder.resolve()}
    found = [(path, name) for path, name in found if not inside & set(path.parents)]
    heap = read_all(found, index=index, answers=answers, zone=zone, progress=progress)
    already, duplicates, fresh = _known_content(heap, placed)
    not_understood = [file for file in fresh if file.imprint.problem is not None]
    usable = [file for file in fresh if file.imprint.problem is None]
    devices = recorders([*placed, *usable])
    zones = _own_zones(devices, study, answers, index)
    roles, candidates = _roles(devices, study, answers)
    devices.sort(key=lambda d: (ROLES.index(roles[d.name]), d.name))
    reference = [d for d in devices if roles[d.name] == "reference"]
    others = [d for d in devices if roles[d.name] != "reference"]
    settle_copies(devices)
    strangers = unlike_hearts(sorted(devices, key=lambda d: roles[d.name] != "reference"))
    for _, other in strangers:
        other.doubt = other.doubt or "another heart"
    off = settle_clocks(reference, others)
    known = [] if study is None or study_folder is None else _known_occasions(study, study_folder, placed)
    worn = [d for d in others if roles[d.name] == "tested"]
    occasions = find_occasions(reference, worn, known=known)
    notes = follow_neighbours(devices, occasions, zone_known=zone is not None)
    place_by_course(devices, occasions)
    notes += fit_by_ends(devices, occasions, tested=[d.name for d in worn])
    _leave_out_unsure(devices)
    placings = _placings(devices, occasions, study_folder, zone)
    _name_occasions(occasions, zone)
    occasions.sort(key=lambda o: o.start_ms)
    found_zones = find_zones(
        devices,
        occasions,
        zone=zone,
        line=Timeline(reference),
        own=tuple(zones),
        answered=answers.session_zones,
    )
    labels = {} if study is None else {name: d.label for name, d in study.config.devices.items() if d.label}
    noted = () if study is None else study.versions
    there_already = frozenset((v.device, v.part, v.seen_at_ms, v.version) for v in noted)
    version_notes = read_version_notes(
        not_understood, devices, roles=roles, labels=labels, zone=zone, there=there_already
    )
    told = [note.file for note in version_notes if note.understood]
    proposal = Proposal(
        devices=devices,
        roles=roles,
        occasions=occasions,
        placings=placings,
        duplicates=duplicates,
        already=already,
        left_out=[file for file in usable if file.doubt is not None],
        not_understood=[file for file in not_understood if file not in told],
        questions=[],
        notes=notes,
        zone=zone,
        timezone=timezone,
        study=study,
        zones=zones | found_zones.devices,
        session_zones=found_zones,
        new_devices=[d.name for d in devices if _is_new(d, study) and any(d.name == p.device for p in placings)],
        version_notes=version_notes,
    )
    left = unexplained(off, found_zones, occasions, zone=zone)
    proposal.notes = [*clock_sentences(left, zone, lambda ms: _zone_at(proposal, ms)), *notes]
    return _told(proposal, candidates)


def _zone_at(proposal: Proposal, ms: int) -> tzinfo | None:
    """The zone of the session nearest to an instant."""
    near = min(proposal.occasions, key=lambda o: abs((o.start_ms + o.end_ms) // 2 - ms), default=None)
    return proposal.zone if near is None else proposal.zone_of(near)


def _is_new(device: Recorder, study: Study | None) -> bool:
    return study is not None and device.name not in study.config.devices


def _told(proposal: Proposal, candidates: list[str]) -> Proposal:
    proposal.questions = ask(
        devices=proposal.devices,
        candidates=candidates,
        left_out=proposal.left_out,
        not_understood=proposal.not_understood,
        zone_known=proposal.zone is not None,
        timezone=proposal.timezone,
        zones=proposal.session_zones,
        study=proposal.study,
        version_notes=proposal.version_notes,
        roles=proposal.roles,
    )
    return proposal


def _placed(study: Study, index: Index, progress: Progress) -> list[HeapFile]:
    """What the study holds already."""
    owners = {session.name: session for session in study.sessions}
    out: list[HeapFile] = []
    files = study.files()
    for done, file in enumerate(files):
        progress("reading the study", done, len(files))
        context = study.read_context(file, owners.get(file.session or ""))
        imprint = imprint_for(
            file.path, index=index, zone=context.zone, layout=context.layout, quantity=file.name.quantity
        )
        out.append(
            HeapFile(
                path=file.path,
                name=file.shown,
                imprint=imprint,
                device=file.name.device,
                session=file.session,
                placed=file.shown,
            )
        )
    return out


def _known_content(
    heap: list[HeapFile], placed: list[HeapFile]
) -> tuple[list[HeapFile], list[HeapFile], list[HeapFile]]:
    """Files that are in the study already, files with the same bytes as another, and the rest."""
    in_study = {file.imprint.sha256: file.name for file in placed}
    seen: dict[str, str] = {}
    already: list[HeapFile] = []
    duplicates: list[HeapFile] = []
    fresh: list[HeapFile] = []
    for file in heap:
        digest = file.imprint.sha256
        if digest in in_study:
            file.same_as = in_study[digest]
            already.append(file)
        elif digest in seen and file.imprint.bytes > 0:
            file.same_as = seen[digest]
            duplicates.append(file)
        else:
            seen[digest] = file.name
            fresh.append(file)
    return already, duplicates, fresh


def _own_zones(devices: list[Recorder], study: Study | None, answers: Answers, index: Index) -> dict[str, str]:
    """Zones of devices that have their own; their files are read again in it."""
    zones: dict[str, str] = {}
    for device in devices:
        config = None if study is None else study.config.devices.get(device.name)
        name = answers.zones.get(device.name) or (None if config is None else config.timezone)
        if name is None:
            continue
        zones[device.name] = name
        for file in device.files:
            if file.imprint.local and file.placed is None:
                read_again(file, index=index, answers=answers, zone=zone_named(name))
    return zones


def _roles(devices: list[Recorder], study: Study | None, answers: Answers) -> tuple[dict[str, str], list[str]]:
    """Role of each device; and the devices that could be the reference where that is open."""
    roles: dict[str, str] = {}
    for device in devices:
        config = None if study is None else study.config.devices.get(device.name)
        if config is not None:
            roles[device.name] = config.role
        elif device.name == answers.reference:
            roles[device.name] = "reference"
        else:
            roles[device.name] = "context" if set(device.quantities) <= CONTEXT else "tested"
    if "reference" in roles.values():
        return roles, []
    beats = [d for d in devices if set(d.quantities) & {"rr", "ecg"}]
    rates = [d for d in devices if roles[d.name] == "tested"]
    likely = sorted(beats or rates, key=lambda d: (-("ecg" in d.quantities), -len(d.files)))
    if likely:
        roles[likely[0].name] = "reference"
    return roles, [d.name for d in (likely if len(likely) != 1 or not beats else [])]


def _known_occasions(study: Study, folder: Path, placed: list[HeapFile]) -> list[Occasion]:
    """The study's sessions, with the times of sessions.csv, else of their files."""
    out: list[Occasion] = []
    rows = read_tables(folder, study.config).sessions
    for name in dict.fromkeys((*rows, *(s.name for s in study.sessions))):
        row = rows.get(name)
        spans = [span for f in placed if f.session == name and (span := extent(f)) is not None]
        start = (
            row.start_ms if row is not None and row.start_ms is not None else min((a for a, _ in spans), default=None)
        )
        end = row.end_ms if row is not None and row.end_ms is not None else max((b for _, b in spans), default=None)
        if start is not None and end is not None:
            zone = None if row is None else row.zone
            out.append(Occasion(start_ms=start, end_ms=end, name=name, known=row is not None, zone=zone))
    return out


def _leave_out_unsure(devices: list[Recorder]) -> None:
    for device in devices:
        for file in device.files:
            if file.placed is None and file.doubt is None and device.asked and not device.known:
                file.doubt = "one or several"


def _placings(
    devices: list[Recorder], occasions: list[Occasion], study_folder: Path | None, zone: tzinfo | None
) -> list[Placing]:
    by_name: dict[str, Occasion] = {o.name: o for o in occasions if o.name is not None}
    for device in devices:
        for file in device.files:
            if file.doubt is None:
                _assign(device.name, file, occasions, by_name)
    _name_occasions(occasions, zone)
    out: list[Placing] = []
    for device in devices:
        spanning = [f for f in device.files if f.placed is None and f.doubt is None and f.session == "_all"]
        out += named_places(
            spanning, device=device.name, session=None, taken=_names_in(study_folder, "_all"), usual=_usual(device)
        )
        for occasion in occasions:
            fresh = [f for f in occasion.files.get(device.name, []) if f.placed is None and f.doubt is None]
            if fresh and occasion.name is not None:
                taken = _names_in(study_folder, occasion.name)
                out += named_places(fresh, device=device.name, session=occasion.name, taken=taken, usual=_usual(device))
    return out


def _usual(device: Recorder) -> tuple[str, ...]:
    """How most files of a device are written."""
    return Counter(f.imprint.manner() for f in device.files).most_common(1)[0][0]


def _assign(device: str, file: HeapFile, occasions: list[Occasion], by_name: dict[str, Occasion]) -> None:
    """Give a file to its occasion, mark it as spanning several, or leave it in doubt."""
    if file.placed is not None:
        if file.session in by_name:
            by_name[file.session].files.setdefault(device, []).append(file)
        return
    if file.session is not None and file.session != "_all":
        occasion = by_name.get(file.session)
        if occasion is None:
            there = extent(file) or (0, 0)
            occasion = by_name[file.session] = Occasion(start_ms=there[0], end_ms=there[1], name=file.session)
            occasions.append(occasion)
        occasion.files.setdefault(device, []).append(file)
        return
    span = extent(file)
    if span is None:
        file.doubt = "when"
        return
    if file.session == "_all" or spans_more(file, occasions):
        file.session = "_all"
        return
    common = [overlap_ms(span, (o.start_ms - PAUSE_MS, o.end_ms + PAUSE_MS)) for o in occasions]
    if max(common, default=0) <= 0:
        file.doubt = "which session"
        return
    best = occasions[common.index(max(common))]
    best.files.setdefault(device, []).append(file)


def _names_in(study_folder: Path | None, session: str) -> list[str]:
    place = None if study_folder is None else study_folder / "raw" / session
    return [path.name for path in place.iterdir()] if place is not None and place.is_dir() else []


def _name_occasions(occasions: list[Occasion], zone: tzinfo | None) -> None:
    """Name new occasions after their day; a letter follows where a day has several."""
    taken = {o.name for o in occasions if o.name is not None}
    for occasion in sorted(occasions, key=lambda o: o.start_ms):
        if occasion.name is None:
            moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=occasion.start_ms)
            day = moment.astimezone(zone or UTC).strftime("%Y-%m-%d")
            names = (day, *(f"{day}{letter}" for letter in "bcdefghijklmnopqrstuvwxyz"))
            fallback = f"{day}-{moment:%H%M%S}"
            occasion.name = next((name for name in names if name not in taken), fallback)
            taken.add(occasion.name)
