"""Which version a device ran, how that is known, and before and after where it is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from wearbench.findings import Subject, unknown_words
from wearbench.report.tables import Cell, Table
from wearbench.wording import finite, join_words, number, plural, signed

__all__ = ["change_tables", "version_table"]

_HOW: Final = {
    "sessions.csv": "told in sessions.csv",
    "file": "read from its files",
    "versions.csv": "seen, in versions.csv",
    "study.toml": "told in study.toml",
    "unknown": "not known",
}
_MOST_NAMES: Final = 10


def version_table(subject: Subject, sessions: Sequence[Mapping[str, Any]]) -> Table | None:
    """Versions in order of first appearance with their sessions and how they are known.

    Parameters
    ----------
    subject : Subject
    sessions : sequence of mapping
        The table of sessions, in order of time.

    Returns
    -------
    Table or None
        None where nothing is known of any version.
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for session in sessions:
        told = (session.get("firmware_how") or {}).get(subject.device)
        if told is None:
            continue
        version = str((session.get("firmware") or {}).get(subject.device) or "")
        how, between = str(told.get("how")), [str(v) for v in told.get("between") or []]
        name = version or (" or ".join(between) if len(between) > 1 else "")
        if not name and between:
            name = f"before {between[0]}"
        groups.setdefault((name or "not known", _HOW.get(how, how)), []).append(str(session["session"]))
    if all(name == "not known" for name, _ in groups):
        return None
    rows = tuple(
        (
            Cell(text=name),
            Cell(text=plural(len(names), "session"), small=_names(names)),
            Cell(text=how),
        )
        for (name, how), names in groups.items()
    )
    head = ("Firmware", "Sessions", "How it is known")
    return Table(caption=f"{subject.label}: firmware", head=head, rows=rows, numeric=False)


def _names(sessions: Sequence[str]) -> str:
    if len(sessions) <= _MOST_NAMES:
        return join_words(list(sessions))
    return f"{sessions[0]} to {sessions[-1]}"


def change_tables(subject: Subject) -> list[Table]:
    """Before against after, both ways, for each change with sessions whose version is not known."""
    found = []
    for row in subject.versions:
        if not row.get("sessions_unknown"):
            continue
        old, new = str(row["before"]), str(row["after"])
        ways = ("left_out", "as_before", "as_after")
        rows = (
            (Cell(text="Mean error"), *(Cell(text=_error(row.get(f"mae_change_{w}"), subject.unit)) for w in ways)),
            (Cell(text="Time it was right"), *(Cell(text=_share(row.get(f"share_change_{w}"))) for w in ways)),
        )
        words = unknown_words(row, subject.unit)
        found.append(
            Table(
                caption=f"{subject.label}: change from {old} to {new}",
                head=("", "Known sessions only", f"Unknown counted as {old}", f"Unknown counted as {new}"),
                rows=rows,
                note=words[:1].upper() + words[1:],
            )
        )
    return found


def _error(value: Any, unit: str) -> str:
    return f"{signed(round(float(value), 1))} {unit}".strip() if finite(value) else "–"


def _share(value: Any) -> str:
    """A change of a share, in points of per cent."""
    if not finite(value):
        return "–"
    points = 100.0 * float(value)
    sign = "+" if points > 0.05 else "−" if points < -0.05 else ""
    return f"{sign}{number(abs(points), decimals=1)} points"
