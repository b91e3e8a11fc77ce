"""Recordings found by their place and name: ``raw/<session>/<device>[.<quantity>][.part<N>][@<copy>].<ext>``."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from wearbench.errors import StudyError
from wearbench.study.config import StudyConfig
from wearbench.study.problem import Problem, listed, near, shown

__all__ = ["FileName", "RecordingFiles", "StudyFile", "discover", "parse_file_name", "unknown_device"]

GRAMMAR: Final = "<device>[.<quantity>][.part<N>][@<copy>].<ext>"
SPANNING: Final = "_all"
_PART = re.compile(r"part(\d{1,6})", re.IGNORECASE)
_WORD = re.compile(r"[A-Za-z0-9_-]+")
_JUNK: Final = ("thumbs.db", "desktop.ini")


@dataclass(frozen=True, kw_only=True, slots=True)
class FileName:
    """What the name of a raw file says."""

    device: str
    quantity: str | None = None
    part: int | None = None
    copy: str | None = None
    extension: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class StudyFile:
    """One raw file of a study.

    ``session`` is None for an export that spans sessions (``raw/_all``). ``shown`` is the path relative to the study,
    with forward slashes, for messages and results.
    """

    path: Path
    shown: str
    session: str | None
    name: FileName
    bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordingFiles:
    """The files of one recording, parts in order.

    ``quantity`` is None when the name does not say; such a file may hold several.
    """

    session: str | None
    device: str
    quantity: str | None
    copy: str | None
    parts: tuple[StudyFile, ...]


def parse_file_name(name: str, *, devices: Iterable[str], quantities: Iterable[str]) -> FileName:
    """Take a raw file's name apart.

    Parameters
    ----------
    name : str
        Without folder.
    devices, quantities : iterables of str
        Names known to the study.

    Raises
    ------
    StudyError
        If the name does not follow the grammar, or names a device or quantity the study does not know.
    """
    stem, dot, extension = name.rpartition(".")
    if not dot or not stem:
        raise StudyError(f"expected a name like {GRAMMAR}, got {shown(name)} without an extension", slug="file-name")
    stem, at, copy = stem.partition("@")
    if at and _WORD.fullmatch(copy) is None:
        said = f"expected the name of a copy after @ (letters, digits, _ and -), got {shown(copy)}"
        raise StudyError(said, slug="file-name", value=name)
    device, *rest = stem.split(".")
    if device not in (known := tuple(devices)):
        raise unknown_device(device, known)
    quantity: str | None = None
    part: int | None = None
    names = tuple(quantities)
    for word in rest:
        number = _PART.fullmatch(word)
        if number is not None and part is None:
            part = int(number[1])
        elif word in names and quantity is None and part is None:
            quantity = word
        else:
            said = f"expected a name like {GRAMMAR}, got {shown(name)}, where {shown(word)} is no quantity and no part."
            raise StudyError((said + near(word, names)).removesuffix("."), slug="file-name", value=name)
    return FileName(device=device, quantity=quantity, part=part, copy=copy or None, extension=extension.lower())


def unknown_device(device: str, devices: tuple[str, ...]) -> StudyError:
    """The error that a file names a device the study does not have, with what to add."""
    if _WORD.fullmatch(device) is None:
        said = f"expected a name like {GRAMMAR} that starts with a device ({listed(devices)}), got {shown(device)}"
        return StudyError(said, slug="file-name", value=device)
    hint = near(device, devices)
    said = (
        f"expected a device of study.toml ({listed(devices)}), got {shown(device)}.{hint} "
        f'To add it, write in study.toml: [devices.{device}] and below it role = "tested"'
    )
    return StudyError(said, slug="device-not-declared", value=device)


def discover(folder: Path, config: StudyConfig) -> tuple[list[str], list[RecordingFiles], list[Problem]]:
    """Find the raw files of a study.

    Parameters
    ----------
    folder : Path
    config : StudyConfig

    Returns
    -------
    sessions : list of str
        Folders under raw/, in natural order, ``_all`` left out.
    recordings : list of RecordingFiles
        Of all sessions and of ``_all`` (there ``session`` is None).
    problems : list of Problem
        Files that cannot be used, each with why.
    """
    raw = folder / "raw"
    problems: list[Problem] = []
    recordings: list[RecordingFiles] = []
    sessions: list[str] = []
    if not raw.is_dir():
        said = "expected a folder raw with a folder for each session, found none"
        return [], [], [Problem(slug="raw-missing", said=said, file="raw")]
    for entry in sorted(raw.iterdir(), key=lambda path: natural(path.name)):
        if _is_junk(entry):
            continue
        if not entry.is_dir():
            said = (
                f"expected raw files inside a session's folder, got a file here. Move it to raw/<session>/{entry.name}"
            )
            problems.append(Problem(slug="file-place", said=said, file=f"raw/{entry.name}", costs="this file"))
            continue
        session = None if entry.name == SPANNING else entry.name
        if session is not None:
            sessions.append(session)
        files = _files_in(entry, folder, session, config, problems)
        recordings.extend(_grouped(files, problems))
    return sessions, recordings, problems


def _files_in(
    place: Path, folder: Path, session: str | None, config: StudyConfig, problems: list[Problem]
) -> list[StudyFile]:
    files: list[StudyFile] = []
    for path in sorted(place.iterdir(), key=lambda path: natural(path.name)):
        if _is_junk(path):
            continue
        told = path.relative_to(folder).as_posix()
        if path.is_dir():
            said = "expected files here, got a folder. Files in it are not looked at"
            problems.append(Problem(slug="file-place", said=said, file=told, costs="this folder"))
            continue
        try:
            name = parse_file_name(path.name, devices=config.devices, quantities=config.all_quantities)
            files.append(StudyFile(path=path, shown=told, session=session, name=name, bytes=path.stat().st_size))
        except StudyError as error:
            placed = type(error)(error.message, slug=error.slug, file=told, value=error.value)
            problems.append(Problem.of(placed, costs="this file"))
        except OSError as error:
            said = f"cannot be opened: {error.strerror}"
            problems.append(Problem(slug="cannot-read", said=said, file=told, costs="this file"))
    return files


def _grouped(files: list[StudyFile], problems: list[Problem]) -> list[RecordingFiles]:
    """Parts and copies put together; files that claim the same recording are left out, both named."""
    groups: dict[tuple[str, str, str], list[StudyFile]] = {}
    for file in files:
        key = (file.name.device, file.name.quantity or "", file.name.copy or "")
        groups.setdefault(key, []).append(file)
    recordings: list[RecordingFiles] = []
    for claimants in groups.values():
        parts = [file.name.part for file in claimants]
        if len(claimants) > 1 and (None in parts or len(set(parts)) < len(parts)):
            problems.append(_same_recording(claimants))
            continue
        ordered = tuple(sorted(claimants, key=lambda file: file.name.part or 0))
        numbers = [part for part in parts if part is not None]
        missing = sorted(set(range(min(numbers, default=1), max(numbers, default=0))) - set(numbers))
        if missing:
            said = f"expected parts without a gap, found no part {', '.join(map(str, missing))}; the others are joined"
            problems.append(Problem(slug="part-missing", said=said, file=ordered[0].shown))
        first = ordered[0]
        recordings.append(
            RecordingFiles(
                session=first.session,
                device=first.name.device,
                quantity=first.name.quantity,
                copy=first.name.copy,
                parts=ordered,
            )
        )
    return recordings


def _same_recording(files: list[StudyFile]) -> Problem:
    names = listed((file.shown for file in files), word="and")
    said = (
        f"expected one file for this recording, got {names}. If they are parts, name them .part1, .part2; "
        "if they are copies of one recorder, @phone1, @phone2; otherwise keep one of them"
    )
    costs = "both files" if len(files) == 2 else f"these {len(files)} files"
    return Problem(slug="same-recording", said=said, file=files[0].shown, costs=costs)


def natural(name: str) -> list[tuple[int, int, str]]:
    """Sort key in which ``s2`` comes before ``s10``."""
    pieces = re.split(r"(\d+)", name.casefold())
    return [(1, int(piece), piece) if piece.isdecimal() and piece.isascii() else (0, 0, piece) for piece in pieces]


def _is_junk(path: Path) -> bool:
    return path.name.startswith((".", "~$")) or path.name.casefold() in _JUNK
