"""One-off or systematic, on the page: what comes back, how evidence grew, before and after, two devices."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from wearbench.findings import Subject
from wearbench.report.pieces import Figure
from wearbench.report.tables import Cell, Table
from wearbench.wording import (
    STATE_LABEL,
    duration,
    finite,
    least_p,
    number,
    p_words,
    plural,
    points,
    share,
    span_of,
    tenths,
)

__all__ = ["SystematicView", "systematic_view"]

_MEASURE: Final = {
    "share_of_time": "Time",
    "sessions_affected": "Sessions",
    "mae": "Mean error",
    "tracking_share": "Time it was right",
}
_KIND: Final = {"firmware": "firmware ", "app": "app ", "server": "server ", "declared": ""}


@dataclass(frozen=True, kw_only=True, slots=True)
class SystematicView:
    """What the section shows of one device; pictures with their titles and words."""

    recurrence: Table | None
    pictures: tuple[tuple[str, str, Figure], ...]
    changes: tuple[Table, ...]
    beside: tuple[Table, ...]


_PICTURES: Final = {
    "evidence": (
        "How the evidence grew",
        "The share of sessions affected after each session, for the failure with most of them.",
    ),
    "before_after": ("Before and after", "The last change of the device, session by session."),
}


def systematic_view(subject: Subject, figures: Mapping[str, Figure]) -> SystematicView | None:
    """Gather the section of one device.

    Parameters
    ----------
    subject : Subject
    figures : mapping
        Its drawn figures by name.

    Returns
    -------
    SystematicView or None
        None where there is nothing to show: no failure, no change and no other device.
    """
    recurrence = _recurrence(subject)
    changes, beside = tuple(_changes(subject)), tuple(_beside(subject))
    if recurrence is None and not changes and not beside:
        return None
    return SystematicView(
        recurrence=recurrence,
        pictures=tuple((*_PICTURES[name], figures[name]) for name in _PICTURES if name in figures),
        changes=changes,
        beside=beside,
    )


def _recurrence(subject: Subject) -> Table | None:
    rows = [r for r in subject.recurrence if int(r["n_affected"]) > 0]
    if not rows:
        return None
    head = ("Failure", "Sessions affected", "Next session", "Minutes an hour", "Over time", "By chance")
    last = {r["state"]: r for r in subject.evidence}
    note = ""
    if last:
        row = next(iter(last.values()))
        note = f"Which interval counts: {row['rests_on']} ({row['rests_on_why']})."
    return Table(
        caption=f"{subject.label}: what comes back",
        head=head,
        rows=tuple(
            (
                Cell(text=STATE_LABEL[r["state"]]),
                Cell(text=f"{r['n_affected']} of {r['n_sessions']}", small=_any_time(last.get(r["state"]))),
                Cell(text=share(r["next"]["value"]), small=span_of(r["next"], share)),
                Cell(
                    text=number(r["minutes_per_hour"]["value"], decimals=1),
                    small=_bounds(r["minutes_per_hour"], partial(number, decimals=1)),
                ),
                _trend(r["trend"]),
                _chance(r["chance"], held=r["state"] == "frozen"),
            )
            for r in rows
        ),
        note=note,
    )


def _any_time(row: Mapping[str, Any] | None) -> str:
    if row is None:
        return ""
    ends = ("low", "high") if row["rests_on"] == "declared" else ("low_always", "high_always")
    return f"{share(row[ends[0]])} to {share(row[ends[1]])}"


def _bounds(statistic: Mapping[str, Any], show: Any) -> str:
    if finite(statistic["low"]) and finite(statistic["high"]):
        return span_of(statistic, show)
    return str(statistic["why"] or "")


def _trend(trend: Mapping[str, Any]) -> Cell:
    if trend["p"] is None:
        return Cell(text="–", small=str(trend["why"] or ""))
    slope = trend["slope"]["value"]
    way = "–" if slope is None else "later ones" if slope > 0 else "earlier ones"
    return Cell(text=p_words(trend["p"]), small=f"leans to {way}; not below {least_p(trend['p_smallest'])}")


def _chance(chance: Mapping[str, Any], *, held: bool) -> Cell:
    """What shifting gives; of held values only the two times, as a small p is not what is asked of them."""
    if chance["p"] is None:
        return Cell(text="–")
    seen, by_chance = duration(chance["observed_seconds"]), duration(chance["expected_seconds"])
    return Cell(text="–" if held else p_words(chance["p"]), small=f"{seen}; shifted {by_chance}")


def _changes(subject: Subject) -> Iterator[Table]:
    changes: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    for row in subject.before_after:
        changes.setdefault((row["what"], row["before"], row["after"]), []).append(row)
    for (what, before, after), rows in changes.items():
        first = rows[0]
        least = f"p cannot be below {least_p(first['p_smallest'])}" if first["p"] is not None else str(first["why"])
        counts = f"{len(first['sessions_before'])} and {plural(len(first['sessions_after']), 'session')}"
        yield Table(
            caption=f"{subject.label}: from {_KIND[what]}{before} to {after}",
            head=("", "Before", "After", "Difference", "p"),
            rows=tuple(_change_row(r, subject) for r in rows),
            note=f"With {counts} {least}. Below the first row p is adjusted for the questions asked. Sessions were not "
            "drawn by lot into before and after.",
        )


def _change_row(row: Mapping[str, Any], subject: Subject) -> tuple[Cell, ...]:
    error = row["measure"] == "mae"
    show: Callable[[Any], str] = partial(number, decimals=1) if error else share
    unit = f" {subject.unit}".rstrip() if error else ""
    named = _MEASURE[row["measure"]]
    if row["state"]:
        named += " wrong or silent" if row["state"] == "any" else f" with “{STATE_LABEL[row['state']]}”"
        if (row["measure"], row["state"]) == ("sessions_affected", "any"):
            named = "Sessions with any failure"
    return (
        Cell(text=named),
        Cell(text=show(row["value_before"]) + unit),
        Cell(text=show(row["value_after"]) + unit),
        _apart(row["difference"], subject, error=error),
        Cell(text=p_words(row["p_adjusted"]), small=_alike(row)),
    )


def _alike(row: Mapping[str, Any]) -> str:
    alike: Any = row.get("p_if_alike")
    return f"neighbours alike: {p_words(alike)}" if finite(alike) and alike > float(row["p"]) + 1e-9 else ""


def _apart(difference: Mapping[str, Any], subject: Subject, *, error: bool) -> Cell:
    show: Callable[[Any], str] = tenths if error else points
    unit = f" {subject.unit}".rstrip() if error else " points"
    if not finite(difference["value"]):
        return Cell(text="–", small=str(difference["why"] or ""))
    return Cell(text=show(difference["value"]) + unit, small=_bounds(difference, show))


def _beside(subject: Subject) -> Iterator[Table]:
    for other in dict.fromkeys(str(r["other"]) for r in subject.side_by_side):
        rows = [r for r in subject.side_by_side if r["other"] == other]
        label = str(rows[0].get("other_label") or other)
        yield Table(
            caption=f"{subject.label} beside {label}",
            head=("", subject.label, label, "Difference", "p"),
            rows=tuple(_beside_row(r, subject) for r in rows),
            note=f"The same {plural(int(rows[0]['n_sessions']), 'session')}, only the "
            f"{duration(rows[0]['common_seconds'])} that both have. p by swapping the two in each session.",
        )


def _beside_row(row: Mapping[str, Any], subject: Subject) -> tuple[Cell, ...]:
    error = row["measure"] == "mae"
    show: Callable[[Any], str] = partial(number, decimals=1) if error else share
    unit = f" {subject.unit}".rstrip() if error else ""
    named, small = _MEASURE[row["measure"]], ""
    if row["state"]:
        named += f" with “{STATE_LABEL[row['state']]}”"
        small = f"only the one {row['only_device']}, only the other {row['only_other']}, both {row['both']}"
    if row["p_people"] is not None:
        small = f"by participant {p_words(row['p_people'])}"
    return (
        Cell(text=named),
        Cell(text=show(row["value"]) + unit),
        Cell(text=show(row["value_other"]) + unit),
        _apart(row["difference"], subject, error=error),
        Cell(text=p_words(row["p"]), small=small),
    )
