"""Exports of one device that overlap and do not say the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import PurePosixPath
from typing import Any, Final

from wearbench.wording import finite, join_words, number, plural

__all__ = ["disagreeing", "say_exports"]

_MOST: Final = 3
_MOST_NAMES: Final = 6


def disagreeing(overlaps: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Comparisons of exports in which something differs, the one with most differences first."""
    rows = [r for r in overlaps if r.get("kind") == "export" and int(r["n_identical"]) < int(r["n_both"])]
    return sorted(rows, key=lambda r: (int(r["n_identical"]) - int(r["n_both"]), str(r["first"]), str(r["second"])))


def say_exports(
    overlaps: Sequence[Mapping[str, Any]], sessions: Sequence[Mapping[str, Any]], clock: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """One sentence about all exports of a device that disagree.

    Parameters
    ----------
    overlaps : sequence of mapping
        Comparisons of one device and quantity.
    sessions : sequence of mapping
        With ``session``, ``start`` and ``end``: differences inside them matter to the results.
    clock : sequence of mapping
        Fits of the device, which bring its stamps to the sessions' clock.
    """
    rows = disagreeing(overlaps)
    if not rows:
        return
    parts = []
    for row in rows[:_MOST]:
        differ, both = int(row["n_both"]) - int(row["n_identical"]), int(row["n_both"])
        first, second = (PurePosixPath(str(row[k])).name for k in ("first", "second"))
        parts.append(
            f"{differ:,} of the {both:,} values that {second} and {first} share differ, by up to "
            f"{number(row.get('most'), decimals=0)} {row.get('unit') or ''}".rstrip()
            + f"; those of {first} are used"
        )
    count = "Two exports of it" if len(rows) == 1 else f"{plural(len(rows), 'pair')} of its exports"
    claim = f"{count} cover the same time and do not say the same: {'; '.join(parts)}"
    claim += f"; and {len(rows) - _MOST} more." if len(rows) > _MOST else "."
    inside = _sessions_hit(rows, sessions, clock)
    if inside:
        names = sorted(inside)
        shown = join_words(names) if len(names) <= _MOST_NAMES else ", ".join(names[:_MOST_NAMES]) + " and more"
        claim += f" Some of that lies in {plural(len(names), 'session')} compared here ({shown})."
    else:
        claim += " None of it lies in a session that was compared." if _all_told(rows) else ""
    yield (
        "exports_differ",
        claim,
        {
            "rows": [_kept(row) for row in rows],
            "sessions": sorted(inside),
            "method": "values at equal stamps compared one by one",
        },
    )


def _kept(row: Mapping[str, Any]) -> dict[str, Any]:
    names = ("first", "second", "n_both", "n_identical", "n_filled", "most", "unit")
    return {**{name: row.get(name) for name in names}, "span": _span(row)}


def _instants(row: Mapping[str, Any]) -> list[datetime]:
    return [datetime.fromisoformat(str(d["time"])) for d in row.get("differences") or []]


def _span(row: Mapping[str, Any]) -> list[str] | None:
    """First and last stamp at which the two differ, as far as they are listed."""
    at = _instants(row)
    return [min(at).isoformat(), max(at).isoformat()] if at else None


def _all_told(rows: Sequence[Mapping[str, Any]]) -> bool:
    """Whether every difference is listed one by one."""
    return all(len(r.get("differences") or []) == int(r["n_both"]) - int(r["n_identical"]) for r in rows)


def _sessions_hit(
    rows: Sequence[Mapping[str, Any]], sessions: Sequence[Mapping[str, Any]], clock: Sequence[Mapping[str, Any]]
) -> set[str]:
    """Sessions in whose time the exports differ."""
    offsets = {str(c.get("session")): float(c["offset_s"]) for c in clock if finite(c.get("offset_s"))}
    at = [instant for row in rows for instant in _instants(row)]
    hit = set()
    for session in sessions:
        if session.get("start") and session.get("end"):
            name = str(session["session"])
            move = timedelta(seconds=offsets.get(name, 0.0))
            low, high = (datetime.fromisoformat(str(session[k])) for k in ("start", "end"))
            if any(low <= instant + move <= high for instant in at):
                hit.add(name)
    return hit
