"""What the page shows, gathered from the results: plain strings, tables and drawn figures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from typing import Any, Final

import polars as pl

from wearbench.errors import StudyError
from wearbench.figures.runs import session_spans
from wearbench.findings import Subject, as_rows, find, subjects
from wearbench.report.advice import Advice, advice_of
from wearbench.report.criteria import criteria_tables
from wearbench.report.declared import DeclaredView, declared_view
from wearbench.report.device import DeviceView, device_view
from wearbench.report.files import FilesView, files_view
from wearbench.report.pieces import Said, instant_of, said_of
from wearbench.report.reference import reference_table, reference_words
from wearbench.report.remarks import Remark, remarks_of
from wearbench.report.session import SessionView, session_views
from wearbench.report.tables import (
    Table,
    rows_table,
)
from wearbench.report.texts import CAUTIONS, cannot_show, methods
from wearbench.settings import settings_table
from wearbench.study.results import Results, plain
from wearbench.study.zones import zone_named
from wearbench.wording import duration, join_words

__all__ = ["Page", "page_of"]

LEFT_OUT: Final = ("rule", "left_out")


@dataclass(frozen=True, kw_only=True, slots=True)
class Page:
    """All that the template needs."""

    title: str
    invented: bool
    made: str
    tool: str
    facts: tuple[tuple[str, str], ...]
    devices: tuple[DeviceView, ...]
    other_findings: tuple[Said, ...]
    sessions: tuple[SessionView, ...]
    sessions_note: str
    references: tuple[str, ...]
    reference_table: Table | None
    silent_sessions: tuple[str, ...]
    methods: tuple[tuple[str, str], ...]
    cannot: tuple[str, ...]
    cautions: tuple[str, ...]
    remarks: tuple[Remark, ...]
    appendix: tuple[Table, ...] = field(default=())
    declared: DeclaredView | None = None
    advice: tuple[Advice, ...] = ()
    files: FilesView | None = None
    criteria: tuple[Table, ...] = ()


def page_of(results: Results, *, title: str) -> Page:
    """Gather everything the page shows.

    Parameters
    ----------
    results : Results
    title : str
    """
    document = plain(results.document)
    settings = document.get("settings") or {}
    found = subjects(document, results.pairs)
    said = document.get("findings") or as_rows(find(document, results.pairs))
    zones = _zones(document)
    zone = next(iter(zones.values()), (UTC, "UTC"))[0]
    invented = bool(document.get("invented"))
    mark = " · invented data" if invented else ""
    devices: list[DeviceView] = []
    seen: set[str] = set()
    for k, subject in enumerate(found):
        mine = [f for f in said if f.get("device") == subject.device and _is_of(f, subject)]
        seen.update(f["id"] for f in mine)
        devices.append(device_view(results, document, subject, mine, number_in_page=k, mark=mark))
    sessions, note = session_views(results, found, zones=zones, mark=mark)
    tool = document.get("tool") or {}
    return Page(
        title=title,
        invented=invented,
        made=_day(document.get("made"), zone),
        tool=f"{tool.get('name', 'wearbench')} {tool.get('version', '')}".strip(),
        facts=_facts(results, document, found),
        devices=tuple(devices),
        other_findings=tuple(said_of(f) for f in said if f["id"] not in seen),
        sessions=tuple(sessions),
        sessions_note=note,
        references=tuple(reference_words(document)),
        reference_table=reference_table(document),
        silent_sessions=_silent(document, found),
        methods=tuple(methods(settings)),
        cannot=tuple(cannot_show(document, found)),
        cautions=CAUTIONS,
        remarks=tuple(remarks_of(document)),
        appendix=tuple(_appendix(document, settings)),
        declared=declared_view(document, found),
        advice=tuple(advice_of(document, zones)),
        files=files_view(document),
        criteria=criteria_tables(document),
    )


def _is_of(finding: Mapping[str, Any], subject: Subject) -> bool:
    evidence = finding.get("evidence")
    quantity = evidence.get("quantity") if isinstance(evidence, Mapping) else None
    return quantity in (None, subject.quantity)


def _zones(document: Mapping[str, Any]) -> dict[str, tuple[tzinfo, str]]:
    """Time zone of each session and its name; sessions that name none, or an unknown one, are left to UTC."""
    found: dict[str, tuple[tzinfo, str]] = {}
    for session in document.get("sessions") or []:
        name = str(session.get("zone") or "")
        if name:
            with suppress(StudyError):
                plain_name = name if name == "UTC" else name.removeprefix("UTC")  # a fixed offset is UTC+05:45
                found[str(session.get("session"))] = (zone_named(plain_name), name)
    return found


def _day(text: Any, zone: tzinfo) -> str:
    at = instant_of(text)
    if at is None:
        return ""
    local = at.astimezone(zone)
    return f"{local.day} {local:%B %Y}"


def _facts(results: Results, document: Mapping[str, Any], found: list[Subject]) -> tuple[tuple[str, str], ...]:
    people = {p for s in found for p in s.pairs["participant"].drop_nulls().unique().to_list()}
    sessions = {n for s in found for n in s.sessions} | {s.get("session") for s in document.get("sessions") or []}
    spans = session_spans(results).select(pl.col("last") - pl.col("first")).to_series()
    recorded = float(spans.dt.total_seconds().sum() or 0)
    names = {d["device"]: d.get("label") or d["device"] for d in document.get("devices") or []}
    references = {r for s in found for r in s.pairs["reference_device"].drop_nulls().unique().to_list()} or {
        d["device"] for d in document.get("devices") or [] if d.get("role") == "reference"
    }
    facts = [
        ("People", str(max(1, len(people)))),
        ("Sessions", str(len(sessions))),
        ("Recorded", duration(recorded)),
        ("Tested", join_words(list(dict.fromkeys(s.label for s in found))) or "–"),
        ("Reference", join_words(sorted(str(names.get(r, r)) for r in references)) or "none"),
    ]
    return tuple(facts)


def _silent(document: Mapping[str, Any], found: list[Subject]) -> tuple[str, ...]:
    """Sessions in which nothing could be judged, those left out by a rule or by hand apart."""
    judged = {n for s in found for n in s.judged_sessions}
    judged |= {n for s in found for n in s.pairs.filter(pl.col("reason").is_in(LEFT_OUT))["session"].unique()}
    names = [str(s.get("session")) for s in document.get("sessions") or []]
    names += [n for s in found for n in s.sessions]
    return tuple(dict.fromkeys(n for n in names if n not in judged))


def _appendix(document: Mapping[str, Any], settings: Mapping[str, Any]) -> Iterator[Table]:
    meanings = {name: meaning for name, _, meaning in settings_table()}
    rows = [{"setting": k, "value": v, "meaning": meanings.get(k, "")} for k, v in settings.items()]
    named = (
        (rows, "Settings of this run"),
        (document.get("windows") or [], "Averaging and delay of each device"),
        (
            [{"device": k, "learned": v} for k, v in (document.get("parameters") or {}).items()],
            "Learned over the study",
        ),
        (document.get("inputs") or [], "Files read, with their SHA-256"),
        (document.get("repairs") or [], "Read leniently: repairs"),
        (document.get("decisions_used") or [], "Decisions made by hand"),
    )
    for records, caption in named:
        table = rows_table([r for r in records if isinstance(r, Mapping)], caption=caption)
        if table is not None:
            yield table
