"""Where new bouts come from: laps of the session's recordings, laps of another file, or an interval list."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from wearbench.commands.boutanchor import anchor_of
from wearbench.errors import FormatError, UsageError, WearbenchError
from wearbench.formats import FileContent, Lap, Repair, read_file, recognise
from wearbench.study import FileName, Session, Study, StudyFile, parse_file_name
from wearbench.study.boutlist import read_bout_list
from wearbench.study.bouttable import iso_instant
from wearbench.study.discovery import SPANNING
from wearbench.study.newbouts import NewBout, bouts_of_laps
from wearbench.study.problem import listed, shown
from wearbench.wording import plural

__all__ = ["LappedFile", "Source", "lapped_files", "source_of"]

WITH_LAPS: Final = ("fit", "tcx")
LISTS: Final = ("delimited", "rr_list")
_CHOICE = re.compile(r"(\d+)(?:\s*-\s*(\d+))?")

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """New bouts and what is to be said of where they come from; ``clock`` None is the reference's."""

    bouts: tuple[NewBout, ...]
    told: str
    files: tuple[str, ...]
    clock: str | None
    repairs: tuple[Repair, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class LappedFile:
    """A recording of the study that holds laps; ``session`` is None in ``raw/_all``."""

    shown: str
    device: str
    session: str | None
    laps: tuple[Lap, ...]
    repairs: tuple[Repair, ...]

    def of(self, study: Study, session: Session) -> tuple[Lap, ...]:
        """The laps that lie in a session."""
        return _in_session(self.laps, study, session, spans=self.session is None)[0]


def lapped_files(study: Study, progress: Progress, *, session: Session | None = None) -> list[LappedFile]:
    """Raw files of the study, or those of one session and of ``raw/_all``, that hold laps.

    Files that cannot be read are passed over: ``check`` says why.
    """
    wanted = [f for f in study.files() if session is None or f.session in (session.name, None)]
    found: list[LappedFile] = []
    for done, file in enumerate(wanted):
        progress("reading", done, len(wanted))
        try:
            if recognise(file.path) not in WITH_LAPS:
                continue
            content = _read(study, file, next((s for s in study.sessions if s.name == file.session), None))
        except WearbenchError:
            continue
        if content.laps:
            found.append(
                LappedFile(
                    shown=file.shown,
                    device=file.name.device,
                    session=file.session,
                    laps=content.laps,
                    repairs=_of_laps(content.repairs),
                )
            )
    return found


def source_of(
    study: Study,
    session: Session,
    path: Path | None,
    *,
    device: str | None,
    activity: str | None,
    anchor: str | None,
    chosen: str | None,
    progress: Progress,
) -> Source:
    """New bouts of a session.

    Parameters
    ----------
    study : Study
    session : Session
    path : Path or None
        None means the laps of the session's own recordings.
    device, activity, anchor, chosen
        As the options give them.
    progress : callable

    Raises
    ------
    UsageError, FormatError
        If the file holds none, or it cannot be told where they belong.
    """
    if path is None:
        if anchor is not None:
            raise UsageError("--from: expected an interval list too, got no file", slug="usage", value=anchor)
        source = _own_laps(study, session, device, chosen, progress)
    else:
        place = _file(study, path)
        kind = recognise(place)
        if kind in WITH_LAPS:
            source = _laps_of(study, session, path, place, device=device, anchor=anchor, chosen=chosen)
        elif kind in LISTS:
            if chosen is not None:
                raise UsageError("--laps: expected a file with laps, got an interval list", slug="usage", value=chosen)
            source = _list(study, session, path, place, device=device, anchor=anchor)
        else:
            raise FormatError(
                f"expected a FIT or TCX file with laps, or an interval list, got {kind.upper()}, which has no laps",
                slug="no-laps",
                file=str(path),
            )
    if source.clock is not None:
        source = replace(source, notes=(*source.notes, *_of_clock(study, session, source.clock)))
    if activity is not None:
        source = replace(source, bouts=tuple(replace(bout, activity=activity) for bout in source.bouts))
    return source


def _file(study: Study, path: Path) -> Path:
    """The file as given, or below the study's folder, where it is named as messages name it."""
    found = next((one for one in (path, study.folder / path) if one.is_file()), None)
    if found is None:
        raise UsageError("expected a file, found none", slug="no-such-file", file=str(path))
    return found


def _read(study: Study, file: StudyFile, session: Session | None) -> FileContent:
    context = study.read_context(file, session)
    return read_file(file.path, replace(context, keep_ms=None, needs_some=False, laps_only=True))


def _of_laps(repairs: Iterable[Repair]) -> tuple[Repair, ...]:
    """Repairs that bear on laps."""
    return tuple(repair for repair in repairs if repair.slug.startswith(("lap-", "fit-", "xml-")))


def _own_laps(study: Study, session: Session, device: str | None, chosen: str | None, progress: Progress) -> Source:
    files = [f for f in lapped_files(study, progress, session=session) if f.of(study, session)]
    if device is not None:
        files = [file for file in files if file.device == device]
    if not files:
        of = "" if device is None else f" of {study.config.devices[device].label}"
        raise UsageError(
            f"expected laps in a recording{of} in session {session.name}, found none. Only FIT and TCX files hold "
            "laps; give another file, or an interval list",
            slug="no-laps",
        )
    places = [file.shown for file in files]
    if len({file.device for file in files}) > 1 or (len(files) > 1 and not _are_parts(study, places)):
        raise UsageError(
            f"expected one recording with laps, found {listed(places, word='and')}; name the file, or --device",
            slug="ask-file",
        )
    laps: list[Lap] = []
    notes: list[str] = []
    for file in files:
        kept, said = _in_session(file.laps, study, session, spans=file.session is None)
        laps += [replace(lap, number=len(laps) + n) for n, lap in enumerate(kept, 1)] if len(files) > 1 else kept
        notes += said
    return _from_laps(
        study,
        laps,
        clock=files[0].device,
        files=tuple(places),
        chosen=chosen,
        repairs=tuple(repair for file in files for repair in file.repairs),
        notes=tuple(notes),
    )


def _are_parts(study: Study, places: Sequence[str]) -> bool:
    """Whether files are parts of one recording of a session."""
    return any({*places} <= {part.shown for part in r.parts} for s in study.sessions for r in s.recordings)


def _laps_of(
    study: Study,
    session: Session,
    path: Path,
    place: Path,
    *,
    device: str | None,
    anchor: str | None,
    chosen: str | None,
) -> Source:
    name, owner = _name_of(study, place)
    if owner not in (None, session.name, SPANNING):
        raise UsageError(
            f"expected a recording of session {session.name}, got one of {owner}", slug="other-session", file=str(path)
        )
    if device is None and name is None:
        raise UsageError(
            f"expected --device, to know whose clock the laps are on. Known: {listed(study.config.devices)}",
            slug="ask-device",
            file=str(path),
        )
    if device is not None and name is not None and device != name.device:
        said = f"--device: expected {shown(name.device)}, which recorded this file, got {shown(device)}"
        raise UsageError(said, slug="other-device", file=str(path), value=device)
    clock = name.device if name is not None else str(device)
    made_up = name or FileName(device=clock, extension=place.suffix[1:])
    file = StudyFile(path=place, shown=str(path), session=None, name=made_up, bytes=place.stat().st_size)
    content = _read(study, file, session)
    if not content.laps:
        raise FormatError("expected laps, found none in this file", slug="no-laps", file=str(path))
    notes: tuple[str, ...]
    if content.laps[0].start_known:
        if anchor is not None:
            said = (
                f"--from: expected an interval list, got laps that have times of their own, from {_at(content, study)}"
            )
            raise UsageError(said, slug="usage", file=str(path), value=anchor)
        laps, notes = _in_session(content.laps, study, session, spans=owner == SPANNING)
        if not laps:
            said = (
                f"expected laps in the time of session {session.name}, got {plural(len(content.laps), 'lap')} from "
                f"{_at(content, study)} on; look at the file, and at the session's start and end in sessions.csv"
            )
            raise UsageError(said, slug="no-laps", file=str(path))
    else:
        if anchor is None:
            said = (
                "its clock was never set, so that its laps have no date. Give when the first lap began with --from, or "
                "the session's start in sessions.csv"
            )
            raise UsageError(said, slug="bouts-anchor", file=str(path))
        start_ms, _, anchored = anchor_of(study, session, anchor, device=clock)
        move = start_ms - content.laps[0].start_ms
        laps = tuple(replace(lap, start_ms=lap.start_ms + move, end_ms=lap.end_ms + move) for lap in content.laps)
        notes = (f"its clock was never set; the first lap is put at {anchored or iso_instant(start_ms, session.zone)}",)
    return _from_laps(
        study,
        laps,
        clock=clock,
        files=(str(path),),
        chosen=chosen,
        repairs=_of_laps(content.repairs),
        notes=notes,
    )


def _at(content: FileContent, study: Study) -> str:
    return iso_instant(content.laps[0].start_ms, study.config.zone)


def _name_of(study: Study, place: Path) -> tuple[FileName | None, str | None]:
    """Name and session of a file that lies in raw/."""
    try:
        inside = place.resolve().relative_to((study.folder / "raw").resolve())
        config = study.config
        name = parse_file_name(place.name, devices=config.devices, quantities=config.all_quantities)
    except (ValueError, WearbenchError):
        return None, None
    return name, inside.parts[0] if len(inside.parts) == 2 else None


def _in_session(
    laps: Sequence[Lap], study: Study, session: Session, *, spans: bool
) -> tuple[tuple[Lap, ...], tuple[str, ...]]:
    """Laps of a session; where none lies in its time, and the file is its own, those that its clock may be off by."""
    if session.start_ms is None and session.end_ms is None:
        return tuple(laps), ()
    low = session.start_ms if session.start_ms is not None else -(2**62)
    high = session.end_ms if session.end_ms is not None else 2**62
    margin = round(1000 * study.config.settings.spanning_margin_s)

    def near(by_ms: int) -> tuple[Lap, ...]:
        return tuple(lap for lap in laps if lap.end_ms > low - by_ms and lap.start_ms < high + by_ms)

    found = near(margin)
    if found or spans:
        left = len(laps) - len(found)
        said = f"{plural(left, 'lap')} outside the session's time left out"
        return found, (said,) if found and left and not spans else ()
    found = near(study.spare_ms)
    said = (
        "none of its laps lies in the session's time as its clock shows it; taken nevertheless, since the clock may be "
        "off and bouts move with its fit"
    )
    return found, (said,) if found else ()


def _from_laps(
    study: Study,
    laps: Sequence[Lap],
    *,
    clock: str,
    files: tuple[str, ...],
    chosen: str | None,
    repairs: tuple[Repair, ...],
    notes: tuple[str, ...],
) -> Source:
    label = study.config.devices[clock].label
    told = f"{', '.join(files)}: {plural(len(laps), 'lap')} of {label}"
    if chosen is not None:
        laps = _chosen(laps, chosen)
        told += f", {len(laps)} chosen"
    if laps and all(lap.trigger == "distance" for lap in laps[:-1]) and len(laps) > 1:
        notes = (*notes, "all laps were ended by distance: these may be the device's own and no bouts; see --laps")
    return Source(
        bouts=bouts_of_laps(laps, clock=clock), told=told, files=files, clock=clock, repairs=repairs, notes=notes
    )


def _chosen(laps: Sequence[Lap], chosen: str) -> tuple[Lap, ...]:
    """Laps by their numbers in the file: ``2-5,7``."""
    wanted: set[int] = set()
    numbers = [lap.number for lap in laps]
    for part in chosen.split(","):
        found = _CHOICE.fullmatch(part.strip())
        if found is None:
            said = f"--laps: expected numbers of laps such as 2-5,7, got {shown(chosen)}"
            raise UsageError(said, slug="usage", value=chosen)
        first, last = int(found[1]), int(found[2] or found[1])
        if first not in numbers or last not in numbers or last < first:
            said = f"--laps: expected laps {min(numbers)} to {max(numbers)}, got {part.strip()}"
            raise UsageError(said, slug="usage", value=chosen)
        wanted |= set(range(first, last + 1))
    return tuple(lap for lap in laps if lap.number in wanted)


def _list(study: Study, session: Session, path: Path, place: Path, *, device: str | None, anchor: str | None) -> Source:
    clock, anchored = device, "the session's start"
    anchor_ms = session.start_ms
    if anchor is not None:
        anchor_ms, marked, anchored = anchor_of(study, session, anchor, device=device)
        clock = marked or device
    zone = session.zone or study.config.zone
    if clock is not None and study.config.devices[clock].zone is not None:
        zone = study.config.devices[clock].zone
    found = read_bout_list(place, shown_as=str(path), zone=zone, anchor_ms=anchor_ms, clock=clock)
    notes = []
    if found.anchored:
        at = "" if anchor_ms is None else iso_instant(anchor_ms, zone)
        notes.append(f"counted from {anchored} ({at})" if anchored else f"counted from {at}")
    elif anchor is not None:
        notes.append("--from was not needed: the list has dates and times of its own")
    if found.unused:
        notes.append(f"not used: column{'' if len(found.unused) == 1 else 's'} {listed(found.unused, word='and')}")
    notes += _outside(found.bouts, session)
    told = f"{path}: interval list, {plural(len(found.bouts), 'bout')}"
    return Source(bouts=found.bouts, told=told, files=(str(path),), clock=clock, notes=tuple(notes))


def _outside(bouts: Sequence[NewBout], session: Session) -> list[str]:
    if session.end_ms is None:
        return []
    late = [bout for bout in bouts if bout.end_ms > session.end_ms]
    if not late:
        return []
    by_s = (max(bout.end_ms for bout in late) - session.end_ms) / 1000
    word = "ends" if len(late) == 1 else "end"
    return [f"{plural(len(late), 'bout')} {word} after the session's end in sessions.csv, by up to {by_s:.0f} s"]


def _of_clock(study: Study, session: Session, device: str) -> tuple[str, ...]:
    """What is to be said of the clock that bouts will be on."""
    label = study.config.devices[device].label
    if all(recording.device != device for recording in (*session.recordings, *study.spanning)):
        return (
            f"{label} has no recording in this session: its clock cannot be fitted, so these times stay as written",
        )
    return ()
