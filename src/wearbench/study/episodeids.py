"""Episodes keep their ids from run to run: an episode that lies where an earlier one lay has its id."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from wearbench.study.results import Results

__all__ = ["earlier_document", "with_kept_ids"]

_Row = Mapping[str, Any]


def earlier_document(folder: Path) -> dict[str, Any] | None:
    """``results.json`` of the last run, or None where there is none that can be read.

    Parameters
    ----------
    folder : Path
        The study.
    """
    try:
        found = json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) and isinstance(found.get("episodes"), list) else None


def with_kept_ids(results: Results, earlier: Mapping[str, Any] | None) -> Results:
    """Give episodes and events the ids they had, and new ones numbers that were never used.

    Parameters
    ----------
    results : Results
        Its episodes are numbered in order of time.
    earlier : mapping or None
        Document of the run before, if there was one.

    Returns
    -------
    Results
        With ``last_episode``, the highest number used so far, in each row of its sessions. An episode is the same one
        if it overlaps in time, of several the one it shares most time with, those of the same state first.
    """
    mine = results.document.get("episodes") or []
    ids: dict[str, str] = {}
    events: dict[str, str] = {}
    highest: dict[str, int] = {}
    before = (earlier or {}).get("episodes") or []
    used = {str(s["session"]): int(s.get("last_episode") or 0) for s in (earlier or {}).get("sessions") or []}
    names = {str(s["session"]) for s in results.document.get("sessions") or []}
    for session in sorted(names | {str(e["session"]) for e in mine}):
        new, old = (_of(rows, session) for rows in (mine, before))
        partner = _partners(new, old)
        last = max([used.get(session, 0), *(_number(e["id"]) for e in old)])
        for episode in new:
            if episode["id"] in partner:
                ids[episode["id"]] = str(partner[episode["id"]]["id"])
            elif last or old:
                last += 1
                ids[episode["id"]] = f"{session}-E{last}"
        events |= _events(session, new, partner, ids)
        highest[session] = max([last, *(_number(ids.get(e["id"], e["id"])) for e in new)])
    changed = {was: now for was, now in (ids | events).items() if was != now}
    document = {key: _renamed(part, changed) for key, part in results.document.items()} if changed else results.document
    sessions = [{**s, "last_episode": highest.get(str(s["session"]), 0)} for s in document.get("sessions") or []]
    pairs = results.pairs
    if changed:
        columns = [c for c in ("episode", "event") if c in pairs.columns]
        pairs = pairs.with_columns(pl.col(columns).replace(list(changed), list(changed.values())))
    return replace(results, document={**document, "sessions": sessions}, pairs=pairs)


def _of(rows: Iterable[_Row], session: str) -> list[_Row]:
    return sorted((e for e in rows if e.get("session") == session), key=lambda e: (_at(e["start"]), str(e["id"])))


def _partners(new: list[_Row], old: list[_Row]) -> dict[str, _Row]:
    """The earlier episode each episode continues."""
    shared = [
        (a["state"] == b["state"], seconds, a, b)
        for a in new
        for b in old
        if (a["device"], a["quantity"]) == (b["device"], b["quantity"]) and (seconds := _overlap(a, b)) > 0
    ]
    found: dict[str, _Row] = {}
    taken: set[str] = set()
    for _, _, a, b in sorted(shared, key=lambda s: (-s[0], -s[1], str(s[2]["id"]), str(s[3]["id"]))):
        if a["id"] not in found and b["id"] not in taken:
            found[str(a["id"])] = b
            taken.add(str(b["id"]))
    return found


def _events(session: str, new: list[_Row], partner: Mapping[str, _Row], ids: Mapping[str, str]) -> dict[str, str]:
    """What each event is called: as the first of its episodes that was there before, else after its first episode."""
    found: dict[str, str] = {}
    for episode in new:
        event = str(episode["event"])
        kept = str(partner[episode["id"]]["event"]) if episode["id"] in partner else ""
        if event not in found and kept and kept not in found.values():
            found[event] = kept
    for episode in new:
        event = str(episode["event"])
        name = f"{session}-V{_number(ids.get(episode['id'], episode['id']))}"
        if event not in found and name not in found.values():
            found[event] = name
    return found


def _number(name: Any) -> int:
    digits = str(name).rpartition("-")[2][1:]
    return int(digits) if digits.isdigit() else 0


def _at(instant: Any) -> datetime:
    return instant if isinstance(instant, datetime) else datetime.fromisoformat(str(instant))


def _overlap(a: _Row, b: _Row) -> float:
    first, last = max(_at(a["start"]), _at(b["start"])), min(_at(a["end"]), _at(b["end"]))
    return (last - first).total_seconds()


def _renamed(part: Any, changed: Mapping[str, str]) -> Any:
    """The same part of the document with other names of episodes and events, wherever they stand."""
    if isinstance(part, str):
        return changed.get(part, part)
    if isinstance(part, dict):
        return {key: _renamed(cell, changed) for key, cell in part.items()}
    if isinstance(part, list):
        return [_renamed(cell, changed) for cell in part]
    return part
