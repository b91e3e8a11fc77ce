"""The study's tables: who, when, doing what, wearing which firmware."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Final

from wearbench.errors import StudyError
from wearbench.study.config import StudyConfig
from wearbench.study.problem import Problem, listed, near, shown
from wearbench.study.tabletext import Row, Table, When, each_row, read_table, resolution_s
from wearbench.study.zones import zone_named

__all__ = ["Bout", "Mark", "Participant", "SessionRow", "Tables", "Version", "Wear", "read_tables"]

SESSION_KNOWN: Final = ("start", "end", "participant", "activity", "firmware", "timezone")
BOUT_KNOWN: Final = ("session", "start", "end", "bout", "activity", "intensity", "clock")
PER_DEVICE: Final = ("firmware", "wear_site")
MARK_KINDS: Final = ("tap", "button", "started", "stopped")
WEAR_KINDS: Final = ("off", "charging", "loosened")
VERSION_PARTS: Final = ("device", "app", "server")


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionRow:
    """A row of sessions.csv.

    ``firmware_by`` and ``wear_site_by`` are by device; ``columns`` holds all other columns.
    """

    session: str
    line: int
    start_ms: int | None = None
    end_ms: int | None = None
    zone: tzinfo | None = None
    participant: str | None = None
    activity: str | None = None
    firmware: str | None = None
    firmware_by: dict[str, str] = field(default_factory=dict)
    wear_site_by: dict[str, str] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Bout:
    """A named stretch of a session; on the reference's clock unless ``clock`` names a device.

    ``line`` is its line in bouts.csv, ``columns`` the person's own columns there. Once moved onto the reference's
    clock, ``clock`` is None, ``moved_with`` names the device and ``moved_s`` says how far its start was moved.
    """

    session: str
    name: str
    start: When
    end: When
    activity: str | None = None
    intensity: str | None = None
    clock: str | None = None
    line: int = field(default=0, compare=False)
    moved_with: str | None = None
    moved_s: float = 0.0
    columns: dict[str, str] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """Something noted at an instant on one device's clock.

    ``number`` says which marks of several devices are one act, None where their order does. The instant lies at
    ``time`` or up to ``resolution_s`` after it: a clock that shows seconds is read as the last one passed.
    """

    session: str
    device: str
    time: When
    kind: str
    number: str | None = None
    resolution_s: float = field(default=0.001, compare=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wear:
    """A span in which a device was not worn as usual; milliseconds since 1970."""

    device: str
    start_ms: int
    end_ms: int
    what: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Participant:
    """A row of participants.csv: every column but the name, as text."""

    name: str
    columns: dict[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Version:
    """A version of a device, its app or its server, when it was seen and how it is known."""

    device: str
    part: str
    seen_at_ms: int
    version: str
    how_known: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Tables:
    """All tables of a study, and the problems found in them."""

    sessions: dict[str, SessionRow]
    bouts: tuple[Bout, ...]
    marks: tuple[Mark, ...]
    wear: tuple[Wear, ...]
    participants: dict[str, Participant]
    versions: tuple[Version, ...]
    problems: tuple[Problem, ...]


def read_tables(folder: Path, config: StudyConfig) -> Tables:
    """Read the tables that are there.

    Parameters
    ----------
    folder : Path
        The study.
    config : StudyConfig

    Returns
    -------
    Tables
        Rows that cannot be used are in ``problems`` with file, line and value.
    """
    devices = tuple(config.devices)
    table = read_table(folder / "sessions.csv", required=("session",), known=SESSION_KNOWN)
    _check_device_headings(table, devices)
    sessions = _by_name(table, [(row.session, row) for row in each_row(table, lambda row: _session(row, config))])

    def zone_of(session: str) -> tzinfo | None:
        row = sessions.get(session)
        return config.zone if row is None or row.zone is None else row.zone

    def bout(row: Row) -> Bout:
        session = row.need("session")
        row.need("start"), row.need("end")
        start, end = _span(row, zone_of(session), sessions.get(session))
        return Bout(
            session=session,
            name=row.text("bout") or f"line {row.line}",
            start=start,
            end=end,
            activity=row.text("activity"),
            intensity=row.text("intensity"),
            clock=row.one_of("clock", devices, what="a device of this study", slug="unknown-device"),
            line=row.line,
            columns={heading: cell for heading, cell in row.cells.items() if heading not in BOUT_KNOWN and cell},
        )

    def mark(row: Row) -> Mark:
        session = row.need("session")
        row.need("time")
        device = _device(row, devices)
        zone = config.devices[device].zone or zone_of(session)
        time = row.when("time", zone, offsets=True) or When()
        kind = row.need("kind")
        row.one_of("kind", MARK_KINDS, what="a kind of mark")
        return Mark(
            session=session,
            device=device,
            time=time,
            kind=kind,
            number=row.text("mark"),
            resolution_s=resolution_s(row.need("time")),
        )

    def wear(row: Row) -> Wear:
        device = _device(row, devices)
        what = row.need("what")
        row.one_of("what", WEAR_KINDS, what="what happened")
        row.need("start"), row.need("end")
        start, end = row.instant_ms("start", config.zone) or 0, row.instant_ms("end", config.zone) or 0
        _refuse_backwards(row, end > start)
        return Wear(device=device, start_ms=start, end_ms=end, what=what)

    def version(row: Row) -> Version:
        row.need("seen_at")
        part = row.one_of("part", VERSION_PARTS, what="a part") or "device"
        return Version(
            device=_device(row, devices),
            part=part,
            seen_at_ms=row.instant_ms("seen_at", config.zone) or 0,
            version=row.need("version"),
            how_known=row.text("how_known"),
        )

    bouts = read_table(folder / "bouts.csv", required=BOUT_KNOWN[:3], known=BOUT_KNOWN[3:])
    marks = read_table(folder / "marks.csv", required=("session", "device", "time", "kind"), known=("mark",))
    worn = read_table(folder / "wear.csv", required=("device", "start", "end", "what"), known=())
    people = read_table(folder / "participants.csv", required=("participant",), known=())
    seen = read_table(folder / "versions.csv", required=("device", "seen_at", "version"), known=("part", "how_known"))
    made_bouts = tuple(each_row(bouts, bout))
    made_marks = tuple(each_row(marks, mark))
    made_wear = tuple(each_row(worn, wear))
    made_participants = {person.name: person for person in each_row(people, _participant)}
    made_versions = tuple(each_row(seen, version))
    return Tables(
        sessions=sessions,
        bouts=made_bouts,
        marks=made_marks,
        wear=made_wear,
        participants=made_participants,
        versions=made_versions,
        problems=tuple(problem for each in (table, bouts, marks, worn, people, seen) for problem in each.problems),
    )


def _session(row: Row, config: StudyConfig) -> SessionRow:
    name = row.need("session")
    timezone = row.text("timezone")
    zone = None
    if timezone is not None:
        try:
            zone = zone_named(timezone)
        except StudyError as error:
            raise row.fail("timezone", error.message, slug=error.slug, value=timezone) from None
    start_ms = row.instant_ms("start", zone or config.zone)
    end = row.when("end", zone or config.zone, offsets=start_ms is not None)
    end_ms = None if end is None else end.at_ms(start_ms or 0)
    _refuse_backwards(row, start_ms is None or end_ms is None or end_ms > start_ms)
    by_device: dict[str, dict[str, str]] = {kind: {} for kind in PER_DEVICE}
    columns: dict[str, str] = {}
    for heading, cell in row.cells.items():
        kind, dot, device = heading.partition(".")
        if kind in PER_DEVICE and dot:
            if cell:
                by_device[kind][device] = cell
        elif heading not in (*SESSION_KNOWN, "session"):
            columns[heading] = cell
    return SessionRow(
        session=name,
        line=row.line,
        start_ms=start_ms,
        end_ms=end_ms,
        zone=zone,
        participant=row.text("participant"),
        activity=row.text("activity"),
        firmware=row.text("firmware"),
        firmware_by=by_device["firmware"],
        wear_site_by=by_device["wear_site"],
        columns=columns,
    )


def _participant(row: Row) -> Participant:
    name = row.need("participant")
    return Participant(name=name, columns={key: cell for key, cell in row.cells.items() if key != "participant"})


def _by_name(table: Table, rows: list[tuple[str, SessionRow]]) -> dict[str, SessionRow]:
    found: dict[str, SessionRow] = {}
    for name, row in rows:
        if name in found:
            said = f"session: expected each session once, got {shown(name)} again (first in line {found[name].line})"
            table.problems.append(
                Problem(
                    slug="session-twice", said=said, file="sessions.csv", line=row.line, value=name, costs="this row"
                )
            )
        else:
            found[name] = row
    return found


def _check_device_headings(table: Table, devices: tuple[str, ...]) -> None:
    for heading in table.headings:
        kind, dot, device = heading.partition(".")
        if kind in PER_DEVICE and dot and device not in devices:
            said = (
                f"heading {shown(heading)}: expected a device of this study ({listed(devices)}), got {shown(device)}."
            )
            table.problems.append(
                Problem(
                    slug="unknown-device",
                    said=(said + near(device, devices)).removesuffix("."),
                    file="sessions.csv",
                    line=1,
                    value=device,
                    costs="this column",
                )
            )


def _device(row: Row, devices: tuple[str, ...]) -> str:
    device = row.need("device")
    row.one_of("device", devices, what="a device of this study", slug="unknown-device")
    return device


def _span(row: Row, zone: tzinfo | None, session: SessionRow | None) -> tuple[When, When]:
    known_start = None if session is None else session.start_ms
    start = (row.when("start", zone, offsets=True) or When()).placed(known_start)
    end = (row.when("end", zone, offsets=True) or When()).placed(known_start)
    _refuse_backwards(row, end.is_after(start) is not False)
    return start, end


def _refuse_backwards(row: Row, good: bool) -> None:  # noqa: FBT001 - the check itself
    if not good:
        said = f"expected an end after the start, got start {shown(row.text('start'))} and end {shown(row.text('end'))}"
        raise row.fail("", said, slug="end-before-start", value=row.text("end"))
