"""One tested device on the page: the answer, its pictures and tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from wearbench.figures import (
    difference_table,
    draw_difference,
    draw_flow,
    draw_ratio,
    draw_scatter,
    draw_shares,
    draw_wall,
    flow_table,
    ratio_table,
    scatter_table,
    shares_table,
    wall_table,
)
from wearbench.findings import Subject
from wearbench.quantities import QUANTITIES
from wearbench.report.pieces import Figure, Said, figure_of, said_of
from wearbench.report.tables import (
    PRIMARY,
    Table,
    clock_table,
    group_table,
    reviewers_table,
    states_table,
    statistics_table,
    three_clocks,
)
from wearbench.study.results import Results
from wearbench.wording import finite, number, share

__all__ = ["DeviceView", "device_view"]

_LEAD: Final = ("nothing_judged", "tracking", "accuracy")


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceView:
    """One tested device and quantity."""

    anchor: str
    label: str
    what: str
    scope: str
    big: str
    big_words: str
    bar: Figure | None
    lead: tuple[Said, ...]
    more: tuple[Said, ...]
    flow: Figure | None
    wall: Figure | None
    ratio: Figure | None
    plots: tuple[tuple[str, str, Figure], ...]
    primary: Table | None
    groups: tuple[Table, ...]
    clocks: Table | None
    states: Table | None
    reviewers: tuple[Table, ...]


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
    k = number_in_page
    label, what, unit = subject.label, subject.what, subject.unit
    declared = QUANTITIES.get(subject.quantity)
    tolerance = declared.tolerance if declared else None
    settings = document.get("settings") or {}
    part = float(settings["tolerance_share"]) if finite(settings.get("tolerance_share")) else 0.1
    scope = subject.scope + mark
    track = subject.tracking()
    row = subject.overall() or {}
    mae = (row.get("statistics") or {}).get("mae") or {}
    big, big_words = "–", "nothing could be judged"
    if track and track["judged_s"] > 0:
        big, big_words = share(track["share"]), "of the time it was right"
    elif finite(mae.get("value")):
        big, big_words = f"{number(mae['value'])} {unit}".strip(), "mean absolute error"
    lead = _lead(mine)
    shares = shares_table(subject)
    flow, wall = flow_table(document, subject), wall_table(results, subject)
    rest = [n for n in (row.get("statistics") or {}) if n not in PRIMARY]
    reviewers = (
        statistics_table(subject, rest, caption=f"{label}: further statistics", tolerance=tolerance, part=part),
        reviewers_table(subject, tolerance=tolerance, part=part),
        group_table(subject, "session", caption=f"{label}: by session", first="Session"),
        clock_table(subject),
    )
    known = ("activity", "firmware", "intensity", "reference_third", "third", "wear_site")
    columns = [
        str(r.get("by")) for r in subject.agreement if r.get("by") not in (None, "", "all", "overall", "session")
    ]
    ordered = sorted(dict.fromkeys(columns), key=lambda c: known.index(c) if c in known else len(known))
    words_of = [(c, c.replace("_", " ")) for c in ordered]
    groups = (group_table(subject, c, caption=f"{label}: by {w}", first=w.capitalize()) for c, w in words_of)
    return DeviceView(
        anchor=f"device-{k + 1}",
        label=label,
        what=what,
        scope=scope,
        big=big,
        big_words=big_words,
        bar=figure_of(draw_shares, shares, title=f"{label}: time by state", uid=f"b{k}") if shares.height else None,
        lead=tuple(said_of(f) for id_ in lead for f in mine if f["id"] == id_),
        more=tuple(said_of(f) for f in mine if f["id"] not in lead),
        flow=figure_of(draw_flow, flow, title=f"{label}: from worn to judged", scope=scope, uid=f"f{k}")
        if flow.height
        else None,
        wall=figure_of(draw_wall, wall, title=f"{label}: ribbon wall", scope=scope, uid=f"w{k}")
        if wall.height
        else None,
        ratio=_ratio(subject, scope=scope, k=k),
        plots=tuple(_plots(subject, scope=scope, k=k, tolerance=tolerance)),
        primary=statistics_table(subject, PRIMARY, caption=f"{label}: how far off", tolerance=tolerance, part=part),
        groups=tuple(t for t in groups if t),
        clocks=three_clocks(subject),
        states=states_table(subject),
        reviewers=tuple(t for t in reviewers if t),
    )


def _ratio(subject: Subject, *, scope: str, k: int) -> Figure | None:
    """The ratio plot, as wide as the page; None for a quantity whose half and double mean nothing."""
    declared = QUANTITIES.get(subject.quantity)
    table = ratio_table(subject)
    if declared is None or not declared.state_model or not table.height:
        return None
    return figure_of(
        draw_ratio,
        table,
        title=f"{subject.label}: ratio plot",
        scope=scope,
        what=subject.what,
        unit=subject.unit,
        uid=f"r{k}",
        width=920.0,
    )


def _plots(subject: Subject, *, scope: str, k: int, tolerance: float | None) -> Iterator[tuple[str, str, Figure]]:
    """The usual plots of the trade: title, words, figure."""
    table = scatter_table(subject)
    if not table.height:
        return
    axes = {"scope": scope, "unit": subject.unit}
    words = "On the line, tested and reference are equal."
    if tolerance:
        words += f" The grey band is ±{tolerance:g} {subject.unit}."
    title = f"{subject.label}: tested against reference"
    yield (
        "Against the line of equality",
        words,
        figure_of(draw_scatter, table, title=title, uid=f"s{k}", tolerance=tolerance, **axes),
    )
    statistics = (subject.overall() or {}).get("statistics") or {}
    title = f"{subject.label}: differences"
    yield (
        "How far off, by size",
        "Tested minus reference against their mean. Dashed: the limits between which about 19 of 20 readings lie; grey: "
        "how far these lines could move.",
        figure_of(draw_difference, difference_table(subject), statistics=statistics, title=title, uid=f"d{k}", **axes),
    )


def _lead(mine: list[dict[str, Any]]) -> list[str]:
    """Ids of the findings that stand first: how long right, how far off, the failure with most time."""

    def kind(f: Mapping[str, Any]) -> str:
        evidence = f.get("evidence")
        return str(evidence.get("kind", "")) if isinstance(evidence, Mapping) else ""

    first = [f["id"] for k in _LEAD for f in mine if kind(f) == k]
    failures = [f for f in mine if kind(f).startswith("state_")]
    failures.sort(key=lambda f: -float(f["evidence"].get("seconds") or 0.0))
    return [*first, *(f["id"] for f in failures[:2])] or [f["id"] for f in mine[:3]]
