"""decisions.jsonl: what the person decided by hand, one line each, only ever added to."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, Literal

import msgspec

from wearbench.errors import StudyError
from wearbench.study.config import StudyConfig
from wearbench.study.problem import Problem

__all__ = [
    "Decision",
    "DecisionKind",
    "append_decisions",
    "now",
    "read_decisions",
    "record_criteria",
    "record_look",
]

FILE = "decisions.jsonl"
DecisionKind = Literal["clock", "leave_out", "bout", "wear", "criterion", "declare", "look", "revoke"]


class Decision(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=False):
    """One decision.

    Attributes
    ----------
    id : str
        ``D1``, ``D2`` ...; given when it is appended.
    made : datetime
        Aware.
    kind : str
    session, device, quantity : str or None
        What it is about.
    start, end : datetime or None
        The span it is about, on the clock that ``on`` names.
    on : {"device", "reference"}
    value : any JSON value
    why : tuple of str
        Reasons from a short list.
    note : str
    tested_visible : bool or None
        Whether the tested device's values were in view.
    revokes : str or None
        Id of the decision taken back.
    """

    id: str = ""
    made: datetime
    kind: DecisionKind
    session: str | None = None
    device: str | None = None
    quantity: str | None = None
    start: datetime | None = None
    end: datetime | None = None
    on: Literal["device", "reference"] = "device"
    value: Any = None
    why: tuple[str, ...] = ()
    note: str = ""
    tested_visible: bool | None = None
    revokes: str | None = None


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(Decision).decode


def read_decisions(folder: Path) -> tuple[tuple[Decision, ...], tuple[Problem, ...]]:
    """Read the decisions of a study.

    Returns
    -------
    decisions : tuple of Decision
        In the order made, those taken back included.
    problems : tuple of Problem
        Lines that are no decision; a torn last line is reported as such.
    """
    try:
        raw = (folder / FILE).read_bytes()
    except FileNotFoundError:
        return (), ()
    except OSError as error:
        said = f"cannot be opened: {error.strerror}"
        return (), (Problem(slug="cannot-read", said=said, file=FILE, costs="all decisions"),)
    decisions: list[Decision] = []
    problems: list[Problem] = []
    lines = raw.split(b"\n")
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            decision = _decode(line)
            if decision.made.tzinfo is None:
                raise msgspec.ValidationError("expected a time with its offset in `made`")
            decisions.append(decision)
        except (msgspec.DecodeError, UnicodeDecodeError) as error:
            problems.append(_bad_line(line, number, torn=number == len(lines), error=error))
    return tuple(decisions), tuple(problems)


def _bad_line(line: bytes, number: int, *, torn: bool, error: Exception) -> Problem:
    text = line.decode("utf-8", errors="replace")
    if torn:
        said = f"expected a whole line, got one cut off after {len(line)} bytes (a write that was interrupted)"
        return Problem(slug="decision-torn", said=said, file=FILE, line=number, value=text, costs="this line")
    said = f"expected a decision as one line of JSON: {error}"
    return Problem(slug="decision-line", said=said, file=FILE, line=number, value=text, costs="this line")


def append_decisions(folder: Path, decisions: list[Decision]) -> list[Decision]:
    """Append decisions under a lock and flush them to the disk.

    A torn last line is moved to ``decisions.torn`` first, so that the new lines stand on their own.

    Returns
    -------
    list of Decision
        The same with their ids.

    Raises
    ------
    StudyError
        If the file cannot be written.
    """
    if not decisions:
        return []
    try:
        with (folder / FILE).open("a+b") as file, _locked(file):
            file.seek(0)
            raw = file.read()
            end = _without_torn(file, raw, folder)
            number = sum(1 for line in end.split(b"\n") if line.strip())
            named = [
                msgspec.structs.replace(decision, id=f"D{number + nth}")
                for nth, decision in enumerate(decisions, start=1)
            ]
            lead = b"" if not end or end.endswith(b"\n") else b"\n"
            file.write(lead + b"".join(_encode(decision) + b"\n" for decision in named))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        said = f"the decision could not be kept: {error.strerror}. Check that the study can be written to"
        raise StudyError(said, slug="decision-unwritable", file=FILE) from error
    return named


def _without_torn(file: BinaryIO, raw: bytes, folder: Path) -> bytes:
    """The file's content once a torn last line is set aside; a last line that only lacks its end is kept."""
    head, newline, last = raw.rpartition(b"\n")
    if not last.strip():
        return raw
    try:
        _decode(last)
    except (msgspec.DecodeError, UnicodeDecodeError):
        with (folder / "decisions.torn").open("ab") as aside:
            aside.write(last + b"\n")
        file.truncate(len(head) + len(newline))
        return head + newline
    return raw


@contextlib.contextmanager
def _locked(file: BinaryIO) -> Iterator[None]:
    """Hold the file's lock, waiting for another process to let go."""
    if sys.platform == "win32":
        import msvcrt

        far = 1 << 30
        file.seek(far)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
        try:
            yield
        finally:
            file.flush()
            file.seek(far)
            msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
    else:
        import fcntl

        fcntl.flock(file.fileno(), fcntl.LOCK_EX)
        try:
            yield
        finally:
            file.flush()
            fcntl.flock(file.fileno(), fcntl.LOCK_UN)


def record_criteria(folder: Path, config: StudyConfig) -> tuple[list[Decision], list[str]]:
    """Record the first use of each criterion, and of each figure it is changed to later.

    Returns
    -------
    added : list of Decision
    warnings : list of str
        One for each criterion whose figure was changed after results had been looked at.
    """
    earlier, _ = read_decisions(folder)
    added: list[Decision] = []
    warnings: list[str] = []
    for criterion in config.criteria:
        name, terms = criterion.name, criterion.terms()
        uses = [
            d for d in earlier if d.kind == "criterion" and isinstance(d.value, dict) and d.value.get("name") == name
        ]
        if not uses or uses[-1].value != {"name": name, **terms}:
            added.append(Decision(made=now(), kind="criterion", value={"name": name, **terms}))
        seen = any(d.kind == "look" for d in earlier)
        first = uses[0] if uses else None
        if first is not None and first.value != {"name": name, **terms} and seen:
            was = ", ".join(f"{key} {value}" for key, value in first.value.items() if key != "name")
            changed_to = ", ".join(f"{key} {value}" for key, value in terms.items())
            warnings.append(
                f"criterion {name} was changed after results had been seen: first used on "
                f"{first.made.date().isoformat()} with {was}; now {changed_to}"
            )
        elif first is None and seen:
            warnings.append(f"criterion {name} was set after results had been seen")
    return append_decisions(folder, added), warnings


def record_look(folder: Path, *, value: dict[str, Any]) -> Decision:
    """Record that results were made and seen."""
    return append_decisions(folder, [Decision(made=now(), kind="look", value=value, tested_visible=True)])[0]


def now() -> datetime:
    """The instant a decision is made, to the second."""
    return datetime.now(UTC).replace(microsecond=0)
