"""One tested device on the page: the answer, its pictures and tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from wearbench.figures import pictures_of, tolerance_of
from wearbench.findings import Subject, leading
from wearbench.report.believed import believed_figure, believed_sessions
from wearbench.report.leading import beside_tables, leading_table
from wearbench.report.pieces import Figure, Said, figure_of, kind_of, said_of
from wearbench.report.reference import doubt_tables
from wearbench.report.response import response_table
from wearbench.report.rhythms import rhythm_table
from wearbench.report.sceptic import ScepticView, sceptic_view
from wearbench.report.systematic import SystematicView, systematic_view
from wearbench.report.tables import (
    PRIMARY,
    Table,
    clock_table,
    doubtful_table,
    group_table,
    reviewers_table,
    states_table,
    statistics_table,
    three_clocks,
)
from wearbench.report.versions import change_tables, version_table
from wearbench.report.why import WhyView, why_view
from wearbench.study.results import Results
from wearbench.wording import STATE_LABEL, finite, half_width, number, share

__all__ = ["DeviceView", "device_view"]

_BY: Final = {
    "activity": "activity",
    "firmware": "firmware",
    "intensity": "intensity",
    "reference_third": "thirds of the reference",
    "wear_site": "wear site",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceView:
    """One tested device and quantity; ``numbers`` are value and words, the first shown largest."""

    anchor: str
    label: str
    what: str
    scope: str
    numbers: tuple[tuple[str, str], ...]
    bar: Figure | None
    lead: tuple[Said, ...]
    more: tuple[Said, ...]
    flow: Figure | None
    wall: Figure | None
    ratio: Figure | None
    plots: tuple[tuple[str, str, Figure], ...]
    primary: Table | None
    leading: Table | None
    groups: tuple[Table, ...]
    states: Table | None
    reviewers: tuple[Table, ...]
    rhythm: str
    kept: tuple[Table, ...]
    why: WhyView | None = None
    systematic: SystematicView | None = None
    response: Table | None = None
    believed: Table | None = None
    believed_picture: Figure | None = None
    doubt: tuple[Table, ...] = ()
    sceptic: ScepticView | None = None


def device_view(
    results: Results,
    document: Mapping[str, Any],
    subject: Subject,
    mine: list[dict[str, Any]],
    *,
    number_in_page: int,
    mark: str,
) -> DeviceView:
    """Everything the page shows of one tested device and quantity.

    Parameters
    ----------
    results : Results
    document : mapping
        Its document with plain values.
    subject : Subject
    mine : list of dict
        Findings about it.
    number_in_page : int
        Counts from 0; makes ids.
    mark : str
        Added to every scope line.
    """
    k, label, scope = number_in_page, subject.label, subject.scope + mark
    tolerance, part = tolerance_of(subject), _tolerance_share(document)
    lead = leading(mine)
    leads = {f["id"] for f in lead}
    figures = {p.name: figure_of(p, uid=f"{p.name}{k}") for p in pictures_of(results, subject, scope=scope)}
    return DeviceView(
        anchor=f"device-{k + 1}",
        label=label,
        what=subject.what,
        scope=scope,
        numbers=tuple(_numbers(subject, mine)),
        bar=figures.get("shares"),
        lead=tuple(said_of(f) for f in lead),
        more=tuple(said_of(f) for f in mine if f["id"] not in leads),
        flow=figures.get("flow"),
        wall=figures.get("wall"),
        ratio=figures.get("ratio"),
        plots=tuple(_plots(subject, figures)),
        primary=statistics_table(subject, PRIMARY, caption="In numbers", tolerance=tolerance, part=part),
        leading=leading_table(subject),
        groups=tuple(_groups(document, subject)),
        states=states_table(subject),
        reviewers=tuple(_reviewers(subject, tolerance=tolerance, part=part)),
        rhythm=next((str(f["claim"]) for f in mine if kind_of(f) == "rhythm"), ""),
        kept=tuple(_kept(document, subject)),
        sceptic=sceptic_view(document, subject, figures),
        why=why_view(subject, figures),
        systematic=systematic_view(subject, figures),
        response=response_table(subject),
        believed=believed_sessions(subject),
        believed_picture=believed_figure(subject, scope=scope, uid=f"believed{k}"),
        doubt=tuple(doubt_tables(subject)),
    )


def _kept(document: Mapping[str, Any], subject: Subject) -> Iterator[Table]:
    """Its rhythms, its versions, and what versions that are not known do to before and after."""
    sessions = [s for s in document.get("sessions") or [] if str(s.get("session")) in set(subject.sessions)]
    for table in (rhythm_table(subject), version_table(subject, sessions), *change_tables(subject)):
        if table is not None:
            yield table


def _tolerance_share(document: Mapping[str, Any]) -> float:
    part = (document.get("settings") or {}).get("tolerance_share")
    return float(part) if finite(part) and part is not None else 0.1


def _numbers(subject: Subject, mine: list[dict[str, Any]]) -> Iterator[tuple[str, str]]:
    """The answer in three numbers: how long right, how far off, in how many sessions the commonest failure."""
    track = subject.tracking()
    if track and track["judged_s"] > 0:
        yield share(track["share"]), "of the time it was right"
    mae = ((subject.overall() or {}).get("statistics") or {}).get("mae") or {}
    if finite(mae.get("value")):
        yield (
            f"{number(mae['value'], uncertainty=half_width(mae))} {subject.unit}".strip(),
            "off on average, all readings",
        )
    failures = [f["evidence"] for f in mine if kind_of(f).startswith("state_")]
    if failures and len(subject.judged_sessions) > 1:
        worst = max(failures, key=lambda e: float(e.get("seconds") or 0.0))
        words = f"sessions with “{STATE_LABEL.get(str(worst.get('state')), worst.get('state'))}”"
        yield f"{len(worst.get('sessions') or [])} of {worst.get('n_sessions')}", words
    if track is None and not finite(mae.get("value")):
        yield "–", "nothing could be judged"


def _groups(document: Mapping[str, Any], subject: Subject) -> Iterator[Table]:
    """Tables by activity, firmware and the like, then the clocks and the doubtful reference."""
    there = {str(r.get("by")) for r in subject.agreement}
    thirds = (document.get("parameters") or {}).get(f"thirds/{subject.quantity}") or {}
    low, high = (number(thirds.get(k), decimals=0) for k in ("low", "high"))
    meaning = {
        "lowest third": f"up to {low} {subject.unit}",
        "middle third": f"{low} to {high} {subject.unit}",
        "highest third": f"over {high} {subject.unit}",
    }
    for column, words in _BY.items():
        if column in there:
            table = group_table(
                subject, column, caption=f"By {words}", first=words.capitalize(), meaning=meaning if thirds else None
            )
            if table is not None:
                yield table
    for table in (three_clocks(subject), doubtful_table(subject)):
        if table is not None:
            yield table


def _reviewers(subject: Subject, *, tolerance: float | None, part: float) -> Iterator[Table]:
    names = (subject.overall() or {}).get("statistics") or {}
    rest = [n for n in names if n not in PRIMARY]
    other = {str(r.get("by")) for r in subject.agreement if r.get("by") not in (None, "", "all", "session", *_BY)} - {
        "overall",
        "doubtful_reference",
        "column",
    }
    tables = (
        *beside_tables(subject),
        statistics_table(subject, rest, caption="Further statistics", tolerance=tolerance, part=part),
        reviewers_table(subject, tolerance=tolerance, part=part),
        group_table(subject, "session", caption="By session", first="Session"),
        *(group_table(subject, c, caption=f"By {c.replace('_', ' ')}", first=c.capitalize()) for c in sorted(other)),
        clock_table(subject),
    )
    for table in tables:
        if table is not None:
            yield table


_PLOTS: Final = {
    "scatter": ("Against the line of equality", "On the line, tested and reference are equal."),
    "difference": (
        "How far off, by size",
        "Tested minus reference against their mean. Dashed: the limits between which about 19 of 20 readings lie; "
        "grey: how far these lines could move.",
    ),
}


def _plots(subject: Subject, figures: Mapping[str, Figure]) -> Iterator[tuple[str, str, Figure]]:
    """The usual plots of the trade: title, words, figure."""
    near = tolerance_of(subject)
    for name, (title, words) in _PLOTS.items():
        if name in figures:
            band = f" The grey band is ±{near:g} {subject.unit}." if near and name == "scatter" else ""
            yield title, words + band, figures[name]
