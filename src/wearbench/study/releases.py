"""Results that outlive the next run: the last runs, and releases kept by name.

``history/<n>.json.gz`` holds the document of run n, the hashes of the study's own files and the names of the raw ones
at that time; the last twenty are there. ``kept/<name>/`` is a release: results, report, the study's files, the hashes
of every recording.
"""

from __future__ import annotations

import gzip
import hashlib
import platform
import re
import shutil
import sys
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import msgspec

from wearbench.errors import StudyError, UsageError
from wearbench.study.declaration import DECLARATION_FILE
from wearbench.study.problem import near, shown
from wearbench.study.results import plain
from wearbench.study.saving import RESULTS_FOLDER

__all__ = ["HISTORY", "KEPT", "Earlier", "earlier_run", "keep_release", "release_names", "remember_run"]

HISTORY: Final = "history"
KEPT: Final = "kept"
MOST_RUNS: Final = 20
STUDY_FILES: Final = (
    "study.toml",
    DECLARATION_FILE,
    *("sessions.csv", "bouts.csv", "marks.csv", "wear.csv", "participants.csv", "versions.csv", "decisions.jsonl"),
)
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_PACKAGES: Final = ("wearbench", "numpy", "scipy", "polars", "msgspec", "sleepecg")
_BLOCK: Final = 1 << 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Earlier:
    """Results of an earlier run: what it is called in a sentence, and its document."""

    called: str
    document: dict[str, Any]


def remember_run(folder: Path, document: Mapping[str, Any]) -> Path:
    """Add a run to the history, and drop what is older than the last twenty.

    Parameters
    ----------
    folder : Path
        The study.
    document : mapping
        ``Results.document``; its look is the run's number.

    Raises
    ------
    OSError
        If it cannot be written; the history is then as it was.
    """
    place = folder / HISTORY
    place.mkdir(exist_ok=True)
    told = plain(document)
    number = max(int((told.get("declared") or {}).get("look") or 0), *(n for n, _ in _runs(folder)), 0)
    if number in dict(_runs(folder)):
        number += 1
    entry = {"run": number, "study_files": _hashes(folder), "raw_files": _raw(folder), "document": told}
    path = place / f"{number}.json.gz"
    new = place / f".{uuid.uuid4().hex[:8]}"
    try:
        new.write_bytes(gzip.compress(msgspec.json.encode(entry), 6, mtime=0))
        new.replace(path)
    finally:
        new.unlink(missing_ok=True)
    for _, old in _runs(folder)[:-MOST_RUNS]:
        old.unlink(missing_ok=True)
    return path


def _runs(folder: Path) -> list[tuple[int, Path]]:
    """The runs remembered, the oldest first."""
    found = [(p.name.removesuffix(".json.gz"), p) for p in (folder / HISTORY).glob("*.json.gz")]
    return sorted((int(name), path) for name, path in found if name.isdigit())


def _hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of the study's own files."""
    return {name: _sha256(folder / name) for name in STUDY_FILES if (folder / name).is_file()}


def _raw(folder: Path) -> list[str]:
    """Names of all raw files; a recording that came later would be missing in the results."""
    raw = folder / "raw"
    files = (path.relative_to(folder) for path in raw.rglob("*") if path.is_file())
    return sorted(path.as_posix() for path in files if not any(part.startswith(".") for part in path.parts))


def _sha256(path: Path) -> str:
    found = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


def _entry(path: Path) -> dict[str, Any]:
    try:
        entry: dict[str, Any] = msgspec.json.decode(gzip.decompress(path.read_bytes()), type=dict[str, Any])
        entry["document"]["made"]
    except (OSError, EOFError, msgspec.DecodeError, KeyError, TypeError) as error:
        said = f"this run cannot be read ({error}). Remove the file, or compare with another run"
        raise StudyError(said, slug="history-damaged", file=str(path)) from error
    return entry


def release_names(folder: Path) -> list[str]:
    """Names of the releases kept, in order."""
    return sorted(p.parent.name for p in (folder / KEPT).glob("*/results.json") if not p.parent.name.startswith("."))


def earlier_run(folder: Path, since: str, *, now: Mapping[str, Any]) -> Earlier:
    """What the results are compared with.

    Parameters
    ----------
    folder : Path
        The study.
    since : str
        ``last`` (the run before this one), the number of a run, or the name of a release.
    now : mapping
        The document of the present results.

    Raises
    ------
    UsageError
        If there is no such run.
    StudyError
        If it cannot be read.
    """
    runs = _runs(folder)
    if since == "last":
        for number, path in reversed(runs):
            document = _entry(path)["document"]
            if document["made"] != plain(now["made"]):
                return Earlier(called=f"run {number}", document=document)
        said = "expected a run before this one, found none. Run again after a change, or name a release with --since"
        raise UsageError(said, slug="no-earlier-run", file=str(folder / HISTORY))
    if since.isdigit():
        found = dict(runs).get(int(since))
        if found is None:
            there = f"runs {runs[0][0]} to {runs[-1][0]}" if runs else "none"
            raise UsageError(f"expected the number of a run ({there}), got {since}", slug="no-earlier-run")
        return Earlier(called=f"run {since}", document=_entry(found)["document"])
    names = release_names(folder)
    if since not in names:
        there = ", ".join(names) or "none yet; wearbench keep NAME makes one"
        said = f'expected "last", the number of a run or a release ({there}), got {shown(since)}.{near(since, names)}'
        raise UsageError(said.removesuffix("."), slug="no-earlier-run")
    path = folder / KEPT / since / "results.json"
    try:
        document = msgspec.json.decode(path.read_bytes(), type=dict[str, Any])
    except (OSError, msgspec.DecodeError) as error:
        said = f"this release cannot be read ({error})"
        raise StudyError(said, slug="history-damaged", file=str(path)) from error
    return Earlier(called=f"release {since}", document=document)


def keep_release(folder: Path, name: str, *, document: Mapping[str, Any]) -> Path:
    """Store the present results as a release outside ``results/``; a release is never overwritten.

    Parameters
    ----------
    folder : Path
        The study.
    name : str
    document : mapping
        The present results.

    Returns
    -------
    Path
        ``kept/<name>``.

    Raises
    ------
    UsageError
        If the name cannot be one, or is taken.
    StudyError
        If recordings or the study's files changed since the run, so that the results are no longer theirs; or if the
        release cannot be written.
    """
    place = folder / KEPT / name
    if _NAME.fullmatch(name) is None or name.isdigit() or name == "last":
        said = f'expected a name of letters, digits, ".", "_" and "-", no number and not "last", got {shown(name)}'
        raise UsageError(said, slug="release-name", value=name)
    if place.exists():
        raise UsageError("there is a release of that name; it was left alone", slug="release-exists", file=str(place))
    _refuse_stale(folder, document)
    new = folder / KEPT / f".new-{uuid.uuid4().hex[:8]}"
    try:
        new.mkdir(parents=True)
        results = folder / RESULTS_FOLDER
        for path in (results / "results.json", results / "report.html", *sorted(results.glob("*.csv"))):
            if path.is_file():
                shutil.copyfile(path, new / path.name)
        (new / "study").mkdir()
        for kept in STUDY_FILES:
            if (folder / kept).is_file():
                shutil.copyfile(folder / kept, new / "study" / kept)
        _write(new / "inputs.sha256", _inputs(document))
        _write(new / "environment.txt", _environment())
        _write(new / "README.md", _readme(name, document))
        new.rename(place)
    except OSError as error:
        said = f"the release could not be written: {error.strerror or error}; nothing was kept"
        raise StudyError(said, slug="release-unwritable", file=str(place)) from error
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return place


def _refuse_stale(folder: Path, document: Mapping[str, Any]) -> None:
    """Refuse results that are older than what they were made of."""
    changed = [row["path"] for row in document.get("inputs") or [] if not _same(folder / row["path"], row["sha256"])]
    made = plain(document["made"])
    entry = next((e for _, path in reversed(_runs(folder)) if (e := _entry(path))["document"]["made"] == made), None)
    if entry is not None:
        was, now = entry["study_files"], _hashes(folder)
        changed += [name for name in STUDY_FILES if was.get(name) != now.get(name)]
        changed += sorted((set(entry["raw_files"]) ^ set(_raw(folder))) - set(changed))
    if changed:
        more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
        said = f"expected results of the study as it is; changed since: {', '.join(changed[:3])}{more}. Run again first"
        raise StudyError(said, slug="results-stale", file=str(folder / RESULTS_FOLDER))


def _same(path: Path, sha256: str) -> bool:
    try:
        return _sha256(path) == sha256
    except OSError:
        return False


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _inputs(document: Mapping[str, Any]) -> str:
    """Hashes of the recordings as ``sha256sum --check`` reads them."""
    rows = {row["path"]: row["sha256"] for row in document.get("inputs") or []}
    return "".join(f"{sha256}  {path}\n" for path, sha256 in rows.items())


def _environment() -> str:
    """Versions of what the numbers came from, as an installer's constraints, under the machine in a comment."""
    lines = [f"# Python {platform.python_version()} on {sys.platform} {platform.machine()}"]
    for package in _PACKAGES:
        try:
            lines.append(f"{package}=={metadata.version(package)}")
        except metadata.PackageNotFoundError:
            continue
    return "\n".join(lines) + "\n"


def _readme(name: str, document: Mapping[str, Any]) -> str:
    tool, declared = document.get("tool") or {}, document.get("declared") or {}
    beforehand = (
        f"Declared beforehand as {declared['decision']}, hash {declared['hash']} (SHA-256 {declared['sha256']})."
        if declared.get("decision")
        else "Nothing was declared beforehand."
    )
    return README.format(
        name=name,
        title=document.get("title") or "a study",
        tool=f"{tool.get('name')} {tool.get('version')}",
        made=plain(document["made"]),
        look=declared.get("look", "unknown"),
        beforehand=beforehand,
        invented="\n**Invented data**: people, devices and readings are made up.\n" if document.get("invented") else "",
    )


README: Final = """\
# {name}: results of “{title}”
{invented}
Made on {made} by {tool}, run {look}. {beforehand}

| here | what it is |
|---|---|
| `results.json`, `*.csv`, `report.html` | the results as they were; nothing is rounded in the tables |
| `study/` | the study's own files at that time: settings, tables, declaration, decisions |
| `inputs.sha256` | the hash of every recording that was read |
| `environment.txt` | versions of what the numbers came from, usable as constraints of an installer |

## To get the same numbers again

1. Put the recordings (`raw/`) and the files of `study/` into one folder, `again`.
2. In it, check the recordings: `sha256sum --check inputs.sha256` (with this folder's file).
3. Install the versions of `environment.txt`.
4. `wearbench run again`, and hold `again/results/results.json` against the one here. In the study itself:
   `wearbench changes STUDY --since {name}`.

The number of the run and the time of making differ; no result does. On another kind of processor the last digits may.
"""
