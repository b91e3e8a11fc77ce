"""``wearbench add``: copy recordings into a session."""

from __future__ import annotations

import os
import shutil
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wearbench.commands.common import emit, json_option, quiet_option, refuse_session_name, study_argument, typed
from wearbench.errors import UsageError, WearbenchError

if TYPE_CHECKING:
    from wearbench.study import Study
    from wearbench.study.discovery import FileName


@dataclass(frozen=True, kw_only=True, slots=True)
class Addition:
    """A file to be copied, the name it gets, and what was recognised in it."""

    source: Path
    target: Path
    told: dict[str, Any]


@click.command(short_help="Copy recordings into a session of a study.")
@study_argument
@click.argument("session")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--device", help="Device that recorded them; otherwise the file names must begin with it.")
@click.option("--quantity", help="What they hold, where the content does not say.")
@click.option("--part", type=click.IntRange(1), help="Number of the first file, if they are parts of one recording.")
@json_option
@quiet_option
def add(
    study: Path,
    session: str,
    files: tuple[Path, ...],
    *,
    device: str | None,
    quantity: str | None,
    part: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Copy FILES into a SESSION of a study and show what was recognised.

    The files stay where they are; nothing is ever overwritten. Several files of one device are parts of one
    recording, in the order given. Either all files are copied or none.

    \b
    Example: wearbench add my-study s01 ~/Downloads/export.csv --device band
    """  # noqa: D301
    from wearbench.commands.progress import Progress
    from wearbench.study import load_study

    refuse_session_name(session)
    loaded = load_study(study)
    names = _names(loaded, files, device=device, quantity=quantity, part=part)
    place = study / "raw" / session
    additions: list[Addition] = []
    with Progress(quiet=quiet) as progress:
        for done, (source, name) in enumerate(zip(files, names, strict=True)):
            progress("reading", done, len(files))
            target = place / _file_name(name)
            _refuse_claimed(loaded, session, name, source, target)
            additions.append(Addition(source=source, target=target, told=_told(loaded, session, source, name)))
    _copy(additions, place)
    _report(additions, study, session, as_json=as_json)


def _names(
    study: Study, files: tuple[Path, ...], *, device: str | None, quantity: str | None, part: int | None
) -> list[FileName]:
    """The names the copies get."""
    from wearbench.study.discovery import FileName, parse_file_name
    from wearbench.study.problem import listed, near, shown

    config = study.config
    for given, known, option, slug in (
        (device, config.devices, "--device", "unknown-device"),
        (quantity, config.all_quantities, "--quantity", "unknown-quantity"),
    ):
        if given is not None and given not in known:
            said = f"{option}: expected one of {listed(known)}, got {shown(given)}.{near(given, known)}"
            raise UsageError(said.removesuffix("."), slug=slug, value=given)
    names: list[FileName] = []
    for path in files:
        extension = path.suffix[1:].lower()
        if not extension:
            raise UsageError("expected a file with an extension (.csv, .fit)", slug="file-name", file=str(path))
        if device is not None:
            name = FileName(device=device, quantity=quantity, extension=extension)
        else:
            try:
                name = parse_file_name(path.name, devices=config.devices, quantities=config.all_quantities)
            except WearbenchError:
                said = (
                    f"expected --device, since the file's name does not begin with one. Known: {listed(config.devices)}"
                )
                raise UsageError(said, slug="ask-device", file=str(path)) from None
            name = replace(name, quantity=quantity or name.quantity)
        names.append(name)
    shared = Counter((name.device, name.quantity, name.copy) for name in names if name.part is None)
    numbered: list[FileName] = []
    following: Counter[tuple[str, str | None, str | None]] = Counter()
    for name in names:
        key = (name.device, name.quantity, name.copy)
        if name.part is None and (shared[key] > 1 or part is not None):
            name = replace(name, part=(part or 1) + following[key])
            following[key] += 1
        numbered.append(name)
    return numbered


def _file_name(name: FileName) -> str:
    words = [name.device, *([name.quantity] if name.quantity else []), *([f"part{name.part}"] if name.part else [])]
    copy = f"@{name.copy}" if name.copy else ""
    return f"{'.'.join(words)}{copy}.{name.extension}"


def _refuse_claimed(study: Study, session: str, name: FileName, source: Path, target: Path) -> None:
    """Refuse a copy that would overwrite a file or claim a recording that is there."""
    from wearbench.study.discovery import parse_file_name

    if not source.is_file():
        raise UsageError("expected a file, found none", slug="no-such-file", file=str(source))
    existing = sorted(target.parent.iterdir()) if target.parent.is_dir() else []
    for path in existing:
        try:
            there = parse_file_name(path.name, devices=study.config.devices, quantities=study.config.all_quantities)
        except WearbenchError:  # whatever it is, it claims nothing
            continue
        same = (there.device, there.quantity, there.copy) == (name.device, name.quantity, name.copy)
        if path == target or (same and (there.part is None or name.part is None or there.part == name.part)):
            number = f"rename {path.name} to {_file_name(replace(there, part=1))} and add this one with --part 2"
            if there.part is not None:
                number = "number this one with --part"
            said = (
                f"not copied to {target.name}: {path.name} is in session {session} already. "
                f"If they are parts of one recording, {number}; otherwise use another session"
            )
            raise UsageError(said, slug="already-there", file=str(source))


def _told(study: Study, session: str, source: Path, name: FileName) -> dict[str, Any]:
    from wearbench.commands.recognised import described
    from wearbench.formats import read_file
    from wearbench.study import StudyFile

    owner = next((one for one in study.sessions if one.name == session), None)
    file = StudyFile(path=source, shown=str(source), session=session, name=name, bytes=source.stat().st_size)
    return described(read_file(source, replace(study.read_context(file, owner), keep_ms=None)))


def _copy(additions: list[Addition], place: Path) -> None:
    """Copy all or none; a copy appears under its name only when it is whole."""
    made: list[Path] = []
    try:
        place.mkdir(parents=True, exist_ok=True)
        for addition in additions:
            beside = addition.target.with_name(f".{addition.target.name}.part")
            made.append(beside)
            shutil.copyfile(addition.source, beside)
            shutil.copystat(addition.source, beside)
            if addition.target.exists():
                raise FileExistsError(17, "the name was taken meanwhile", str(addition.target))
            os.replace(beside, addition.target)
            made[-1] = addition.target
    except OSError as error:
        for path in made:
            path.unlink(missing_ok=True)
        raise UsageError(f"nothing was copied: {error.strerror}", slug="not-writable", file=str(place)) from error


def _report(additions: list[Addition], study: Path, session: str, *, as_json: bool) -> None:
    from wearbench.commands.recognised import recognised_lines

    lines: list[str] = []
    for addition in additions:
        lines.append(f"{addition.source} -> {addition.target} ({addition.told['format']})")
        lines.extend(f"    {line}" for line in recognised_lines(addition.told))
    lines.append(f"Next: wearbench check {typed(study)}")
    document = {
        "study": study,
        "session": session,
        "added": [{"source": a.source, "target": a.target, **a.told} for a in additions],
    }
    emit(lines, document, as_json=as_json)
