"""Sessions on the page: strips with the episodes under them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from functools import partial
from typing import Any, Final

import polars as pl

from wearbench.figures import Picture, draw_strip, strip_tables, tolerance_of
from wearbench.findings import Subject
from wearbench.report.pieces import Figure, figure_of, instant_of
from wearbench.report.tables import (
    Cell,
    Table,
)
from wearbench.study.results import Results
from wearbench.wording import STATE_LABEL, duration, number, plural, share

__all__ = ["SessionView", "session_views"]

_MOST_STRIPS: Final = 60
_OPEN: Final = 3
_MOST_EPISODES: Final = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionView:
    """One session: its strips and the episodes under them."""

    name: str
    anchor: str
    facts: str
    right: str
    open: bool
    strips: tuple[tuple[str, Figure], ...]
    episodes: Table | None


def _chosen(found: list[Subject], names: list[str]) -> list[str]:
    """Sessions whose strips are drawn: all, or those with most failing time where there are very many."""
    most = max(1, _MOST_STRIPS // max(1, len(found)))
    if len(names) <= most:
        return names
    wrong = dict.fromkeys(names, 0.0)
    for subject in found:
        for e in subject.episodes:
            if e.get("session") in wrong and e.get("state") != "not_worn":
                wrong[e["session"]] += float(e.get("seconds") or 0.0)
    worst = set(sorted(names, key=lambda n: (-wrong[n], n))[:most])
    return [n for n in names if n in worst]


def session_views(
    results: Results, found: list[Subject], *, zones: Mapping[str, tuple[tzinfo, str]], mark: str
) -> tuple[list[SessionView], str]:
    """Sessions in order of time with a strip for each tested device, and a note where not all are drawn.

    Parameters
    ----------
    results : Results
    found : list of Subject
    zones : mapping
        Session -> time zone and its name; UTC where a session is not in it.
    mark : str
        Added to every scope line.
    """
    tables: dict[str, list[tuple[int, pl.DataFrame]]] = {}
    for j, subject in enumerate(found):
        for session, table in strip_tables(results, subject):
            tables.setdefault(session, []).append((j, table))
    pairs = [s.pairs.partition_by("session", as_dict=True) for s in found]
    shares = [s.by_session() for s in found]
    whole = pl.col("what") == "session"
    firsts: dict[str, Any] = {name: parts[0][1].filter(whole)["start"].min() for name, parts in tables.items()}
    names = sorted(tables, key=lambda n: (firsts[n], n))
    chosen = _chosen(found, names)
    views = []
    for k, name in enumerate(chosen):
        strips, rows, right = [], [], []
        zone, zone_name = zones.get(name, (UTC, "UTC"))
        for j, table in tables[name]:
            subject = found[j]
            strip = Picture(
                name="strip",
                title=f"{subject.label}, session {name}",
                table=table,
                draw=partial(
                    draw_strip,
                    table,
                    title=f"{subject.label}, session {name}",
                    scope=f"{name} · {subject.scope_of(name)}{mark}",
                    unit=subject.unit,
                    tolerance=tolerance_of(subject) or 0.0,
                    zone=zone,
                    zone_name=zone_name,
                ),
                width=920.0,
            )
            strips.append((subject.label, figure_of(strip, uid=f"t{k}-{j}")))
            rows += [(subject, e) for e in subject.episodes if e.get("session") == name]
            if name in shares[j]:
                right.append(f"{subject.label} {share(shares[j][name])}" if len(found) > 1 else share(shares[j][name]))
        about = pl.concat([pairs[j].get((name,), found[j].pairs.clear()) for j, _ in tables[name]])
        local = firsts[name].astimezone(zone)
        when = f"{local.day} {local:%b %Y, %H:%M}"
        views.append(
            SessionView(
                name=name,
                anchor=f"session-{k + 1}",
                facts=" · ".join([when, *_some(about, "participant"), *_some(about, "activity")]),
                right=", ".join(right),
                open=k < _OPEN,
                strips=tuple(strips),
                episodes=_episodes(rows, zone, several=len(found) > 1),
            )
        )
    note = ""
    if len(chosen) < len(names):
        note = (
            f"{plural(len(chosen), 'session')} of {len(names)} are drawn here, those with most failing time; the wall "
            "above shows all of them, and the tables beside this page hold every reading."
        )
    return views, note


def _some(pairs: pl.DataFrame, column: str) -> list[str]:
    values = [str(v) for v in pairs[column].drop_nulls().unique(maintain_order=True).to_list() if v != "unnamed"]
    return [", ".join(values[:4]) + (" …" if len(values) > 4 else "")] if values else []


def _episodes(rows: list[tuple[Subject, dict[str, Any]]], zone: tzinfo, *, several: bool) -> Table | None:
    if not rows:
        return None
    rows = sorted(rows, key=lambda r: -float(r[1].get("seconds") or 0.0))
    shown = sorted(rows[:_MOST_EPISODES], key=lambda r: str(r[1].get("start")))
    cells = []
    for subject, e in shown:
        start = instant_of(e.get("start"))
        state = STATE_LABEL.get(str(e.get("state")), str(e.get("state")))
        also = STATE_LABEL.get(str(e.get("also")), str(e.get("also"))) if e.get("also") else ""
        cells.append(
            (
                Cell(text=str(e.get("id"))),
                *((Cell(text=subject.label),) if several else ()),
                Cell(text=state, small=f"or {also}" if also else ""),
                Cell(text=f"{start.astimezone(zone):%H:%M:%S}" if start else "–"),
                Cell(text=duration(e.get("seconds"))),
                Cell(text=number(e.get("tested_mean"), decimals=0)),
                Cell(text=number(e.get("reference_mean"), decimals=0)),
            )
        )
    unit = rows[0][0].unit
    device = ("Device",) if several else ()
    head = ("Episode", *device, "State", "From", "Length", f"It said, {unit}", f"Reference, {unit}")
    left = len(rows) - len(shown)
    note = f"and {left} shorter, in the tables beside this page" if left else ""
    return Table(caption="Episodes", head=head, rows=tuple(cells), note=note)
