"""A study as it lies in its folder: configuration, tables, sessions with their files, and what is wrong."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Final, TypeVar

from wearbench.formats.recording import ReadContext
from wearbench.study.config import StudyConfig, read_config, study_file
from wearbench.study.decisions import Decision, read_decisions
from wearbench.study.discovery import RecordingFiles, StudyFile, discover, natural
from wearbench.study.marking import check_marks
from wearbench.study.problem import Problem, listed, near, shown
from wearbench.study.tables import Bout, Mark, Participant, SessionRow, Tables, Version, Wear, read_tables

__all__ = ["UNNAMED", "Session", "Study", "load_study"]

UNNAMED: Final = "unnamed"
R = TypeVar("R", RecordingFiles, Bout, Mark)


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """One occasion on which devices were worn together.

    Attributes
    ----------
    name : str
    participant : str
        ``unnamed`` where the study does not say.
    start_ms, end_ms : int or None
        Milliseconds since 1970, as sessions.csv gives them.
    zone : tzinfo or None
        The session's own zone, else the study's.
    activity, firmware : str or None
    firmware_by, wear_site_by : dict
        By device, where sessions.csv has such columns.
    columns : dict
        The other columns of sessions.csv.
    recordings : tuple of RecordingFiles
    bouts, marks : tuples
    """

    name: str
    participant: str = UNNAMED
    start_ms: int | None = None
    end_ms: int | None = None
    zone: tzinfo | None = None
    activity: str | None = None
    firmware: str | None = None
    firmware_by: dict[str, str] = field(default_factory=dict)
    wear_site_by: dict[str, str] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)
    recordings: tuple[RecordingFiles, ...] = ()
    bouts: tuple[Bout, ...] = ()
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Study:
    """Everything a study's folder says; nothing has been computed and no raw file opened.

    Attributes
    ----------
    folder : Path
    config : StudyConfig
    sessions : tuple of Session
        In order of start, those without a start after them by name.
    spanning : tuple of RecordingFiles
        Exports that span sessions (``raw/_all``).
    participants, wear, versions : from the tables
    decisions : tuple of Decision
    problems : tuple of Problem
        What is wrong, and what it costs.
    """

    folder: Path
    config: StudyConfig
    sessions: tuple[Session, ...]
    spanning: tuple[RecordingFiles, ...] = ()
    participants: dict[str, Participant] = field(default_factory=dict)
    wear: tuple[Wear, ...] = ()
    versions: tuple[Version, ...] = ()
    decisions: tuple[Decision, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def spare_ms(self) -> int:
        """How far from its session a recording's stamps may lie: what a clock search looks through."""
        settings = self.config.settings
        return round(3_600_000 * (settings.zone_hours + 0.25))

    def files(self) -> tuple[StudyFile, ...]:
        """All raw files that will be read, session by session, then the spanning ones."""
        recordings = [recording for session in self.sessions for recording in session.recordings]
        return tuple(file for recording in (*recordings, *self.spanning) for file in recording.parts)

    def firmware(self, session: Session, device: str) -> str | None:
        """Firmware of a device in a session; the plain ``firmware`` column is about the tested devices."""
        config = self.config.devices[device]
        common = session.firmware if config.role == "tested" else None
        return session.firmware_by.get(device) or common or config.firmware

    def wear_site(self, session: Session, device: str) -> str | None:
        """Where a device was worn in a session."""
        return session.wear_site_by.get(device) or self.config.devices[device].wear_site

    def read_context(self, file: StudyFile, session: Session | None = None) -> ReadContext:
        """What a reader of this file is told.

        Parameters
        ----------
        file : StudyFile
        session : Session or None
            The session to cut a spanning export to.

        Notes
        -----
        Zone of stamps without offset: the device's own if declared, else the session's, else the study's. A file that
        holds more than its session is cut to it, with as much to either side as its clock may be off.
        """
        device = self.config.devices[file.name.device]
        owner = session or next((s for s in self.sessions if s.name == file.session), None)
        keep = None
        if owner is not None and owner.start_ms is not None and owner.end_ms is not None:
            spare = 0 if file.session is None else self.spare_ms
            keep = (owner.start_ms - spare, owner.end_ms + spare)
        return ReadContext(
            shown=file.shown,
            zone=device.zone or (owner.zone if owner is not None and owner.zone is not None else self.config.zone),
            layout=None if device.layout is None else self.config.layouts[device.layout],
            start_ms=None if owner is None else owner.start_ms,
            quantity=file.name.quantity,
            keep_ms=keep,
            needs_some=file.session is not None,
            max_readings=self.config.settings.max_readings,
            own_quantities={name: quantity.unit for name, quantity in self.config.quantities.items()},
        )


def load_study(folder: Path) -> Study:
    """Read a study's folder: study.toml, the tables that are there, names of raw files, decisions.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        If there is no study.toml or it is wrong. Anything else is in ``problems``.
    """
    config = read_config(study_file(folder))
    tables = read_tables(folder, config)
    names, recordings, found = discover(folder, config)
    decisions, torn = read_decisions(folder)
    spanning = tuple(recording for recording in recordings if recording.session is None)
    rows = tables.sessions
    of_recordings = _by_session(recordings)
    of_bouts = _by_session(tables.bouts)
    of_marks = _by_session(tables.marks)
    there = set(names)
    sessions = [
        _session(
            rows.get(name) or SessionRow(session=name, line=0),
            config,
            recordings=tuple(of_recordings.get(name, ())),
            bouts=tuple(of_bouts.get(name, ())),
            marks=tuple(of_marks.get(name, ())),
        )
        for name in sorted({*names, *rows}, key=natural)
        if name in there or spanning
    ]
    sessions.sort(key=lambda s: (s.start_ms is None, s.start_ms or 0))
    problems = (*tables.problems, *found, *torn, *_across(sessions, names, spanning, config, tables))
    return Study(
        folder=folder,
        config=config,
        sessions=tuple(sessions),
        spanning=spanning,
        participants=tables.participants,
        wear=tables.wear,
        versions=tables.versions,
        decisions=decisions,
        problems=problems,
    )


def _by_session(rows: Iterable[R]) -> dict[str, list[R]]:
    """Rows of one session together, in their order; those of no session left out."""
    found: dict[str, list[R]] = {}
    for row in rows:
        if row.session is not None:
            found.setdefault(row.session, []).append(row)
    return found


def _session(
    row: SessionRow,
    config: StudyConfig,
    *,
    recordings: tuple[RecordingFiles, ...],
    bouts: tuple[Bout, ...],
    marks: tuple[Mark, ...],
) -> Session:
    return Session(
        name=row.session,
        participant=row.participant or UNNAMED,
        start_ms=row.start_ms,
        end_ms=row.end_ms,
        zone=row.zone or config.zone,
        activity=row.activity,
        firmware=row.firmware,
        firmware_by=row.firmware_by,
        wear_site_by=row.wear_site_by,
        columns=row.columns,
        recordings=recordings,
        bouts=bouts,
        marks=marks,
    )


def _across(
    sessions: list[Session],
    names: list[str],
    spanning: tuple[RecordingFiles, ...],
    config: StudyConfig,
    tables: Tables,
) -> list[Problem]:
    """What is wrong between the files, the tables and study.toml."""
    problems: list[Problem] = []
    known = {session.name for session in sessions}
    there = set(names)
    for slug, role, without in (
        ("no-reference", "reference", "availability can be told, accuracy cannot"),
        ("no-tested", "tested", "there is nothing to judge"),
    ):
        if not any(role in (device.role, *device.roles.values()) for device in config.devices.values()):
            said = f'expected a device with role = "{role}", found none: {without}'
            problems.append(Problem(slug=slug, said=said, file="study.toml"))
    for name, row in tables.sessions.items():
        if name not in there and not spanning:
            said = f"session: expected a folder raw/{name}, found none.{near(name, names)}".removesuffix(".")
            problems.append(
                Problem(
                    slug="session-without-files",
                    said=said,
                    file="sessions.csv",
                    line=row.line,
                    value=name,
                    costs="this row",
                )
            )
    for table, rows in (("bouts.csv", tables.bouts), ("marks.csv", tables.marks)):
        for name in dict.fromkeys(row.session for row in rows if row.session not in known):
            said = f"session: expected a session of this study, got {shown(name)}.{near(name, known)}".removesuffix(".")
            problems.append(Problem(slug="unknown-session", said=said, file=table, value=name, costs="its rows"))
    if tables.participants:
        for name in dict.fromkeys(
            s.participant for s in sessions if s.participant not in (UNNAMED, *tables.participants)
        ):
            said = f"participant: {shown(name)} has no row in participants.csv.{near(name, tables.participants)}"
            problems.append(
                Problem(slug="unknown-participant", said=said.removesuffix("."), file="sessions.csv", value=name)
            )
    problems.extend(_participants(sessions, tables))
    for session in sessions:
        problems.extend(_in_session(session, spanning, config))
        problems.extend(check_marks(session.name, session.marks, config.devices))
    if not sessions:
        said = "expected at least one session with a recording (raw/<session>/<device>.<ext>), found none"
        problems.append(Problem(slug="no-session", said=said, file="raw"))
    return problems


def _participants(sessions: list[Session], tables: Tables) -> list[Problem]:
    unnamed = [session.name for session in sessions if session.participant == UNNAMED]
    if not unnamed:
        return []
    if len(unnamed) == len(sessions):
        said = "no participants are named; all sessions count as one unnamed participant"
    else:
        said = (
            f"no participant is named for {listed(unnamed[:5], word='and')}"
            f"{'' if len(unnamed) <= 5 else f' and {len(unnamed) - 5} more'}; they count as one unnamed participant"
        )
    return [Problem(slug="participant-unnamed", said=said, file="sessions.csv")]


def _in_session(session: Session, spanning: tuple[RecordingFiles, ...], config: StudyConfig) -> list[Problem]:
    place = f"raw/{session.name}"
    problems: list[Problem] = []
    devices = {recording.device for recording in (*session.recordings, *spanning)}
    if not devices:
        said = "expected recordings in this folder, found none that can be used"
        return [Problem(slug="session-empty", said=said, file=place, costs="this session")]
    if spanning and (session.start_ms is None or session.end_ms is None):
        said = "expected start and end in sessions.csv, to cut the exports in raw/_all to this session, found none"
        problems.append(
            Problem(slug="spanning-needs-times", said=said, file=place, costs="exports in raw/_all, for this session")
        )
    roles = {role for name in devices for role in (config.devices[name].role, *config.devices[name].roles.values())}
    if "reference" not in roles:
        said = "no reference was recorded in this session: it counts for availability, not for accuracy"
        problems.append(Problem(slug="session-no-reference", said=said, file=place))
    if "tested" not in roles:
        said = "no tested device was recorded in this session: it counts as time without values"
        problems.append(Problem(slug="session-no-tested", said=said, file=place))
    return problems
