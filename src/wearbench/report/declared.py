"""What was declared beforehand, where the study departs from it, and the results in three columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wearbench.figures.pictures import tolerance_of
from wearbench.findings import Subject, device_label
from wearbench.findings.subject import quantity_label
from wearbench.report.pieces import instant_of
from wearbench.report.registration import rule_words
from wearbench.report.tables import PRIMARY, Cell, Table, cell_of, label_of
from wearbench.study import COLUMNS
from wearbench.study.beforehand import EQUAL, columns_differ, statistic_words, systematic_lines
from wearbench.study.declaration import TRACKING, rules_from
from wearbench.study.declared import column_value
from wearbench.wording import duration, plural

__all__ = ["DeclaredView", "declared_view"]


@dataclass(frozen=True, kw_only=True, slots=True)
class DeclaredView:
    """All that the section shows.

    Attributes
    ----------
    lead : str
    hash : str
        Empty without a declaration.
    facts : tuple of (name, words)
    systematic, deviations : tuples of str
    tables : tuple of Table
        One a device; empty where the columns are the same.
    equal : str
        The line that says so.
    """

    lead: str
    hash: str
    facts: tuple[tuple[str, str], ...]
    systematic: tuple[str, ...]
    deviations: tuple[str, ...]
    tables: tuple[Table, ...]
    equal: str


def declared_view(document: Mapping[str, Any], subjects: Sequence[Subject]) -> DeclaredView | None:
    """Gather the section; None for results that know nothing of declarations.

    Parameters
    ----------
    document : mapping
        ``Results.document``, plain.
    subjects : sequence of Subject
    """
    declared = document.get("declared")
    if not isinstance(declared, Mapping):
        return None
    apart = columns_differ(document)
    made = bool(declared.get("decision"))
    return DeclaredView(
        lead=_lead(declared),
        hash=str(declared.get("hash") or "") if made else "",
        facts=tuple(_facts(document, declared)) if made else (),
        systematic=tuple(systematic_lines(document)) if made else (),
        deviations=tuple(str(row["said"]) for row in document.get("deviations") or []),
        tables=tuple(_columns(document, subject, declared.get("primary") or {}) for subject in subjects)
        if apart
        else (),
        equal="" if apart else EQUAL,
    )


def _lead(declared: Mapping[str, Any]) -> str:
    count = int(declared.get("look") or 1)
    look = "This is the first look." if count == 1 else f"Results were looked at {_times(count)}, this one included."
    if not declared.get("decision"):
        return f"Nothing was declared before the results were seen, so all of this is exploratory. {look}"
    before = int(declared.get("looks_before") or 0)
    at = instant_of(declared.get("made"))
    day = f" on {at.day} {at:%B %Y}" if at is not None else ""
    when = f"after {plural(before, 'look')} at results" if before else "before any result was seen"
    return f"Declared{day} as {declared['decision']}, {when}. {look}"


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"


def _facts(document: Mapping[str, Any], declared: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    primary, rules, systematic = (declared.get(key) or {} for key in ("primary", "rules", "systematic"))
    yield "Question", str(declared.get("question"))
    named, device = str(primary.get("statistic")), str(primary.get("device"))
    name = "Tracking share" if named == TRACKING else label_of(named)
    yield "Primary number", f"{name}: {device_label(document, device)}, {quantity_label(str(primary.get('quantity')))}"
    yield "Left out by rule", "; ".join(rule_words(rules_from(rules))) or "nothing"
    yield "Sessions", f"{declared.get('sessions_compared')} of {declared.get('sessions_planned')} planned"
    yield "Recording ends", str(declared.get("stopping"))
    yield (
        "Called systematic",
        f"a failure in at least {100 * float(systematic.get('share_of_sessions') or 0):g} % of sessions, for at least "
        f"{duration(systematic.get('least_seconds'))} in each",
    )


def _columns(document: Mapping[str, Any], subject: Subject, primary: Mapping[str, Any]) -> Table:
    """The primary set of statistics and the tracking share of one device, in three columns; the declared one first."""
    mine = (primary.get("device"), primary.get("quantity")) == (subject.device, subject.quantity)
    first = [str(primary["statistic"])] if mine else []
    rows = []
    for name in dict.fromkeys((*first, TRACKING, *PRIMARY)):
        found = [
            column_value(document, column, statistic=name, device=subject.device, quantity=subject.quantity)
            for column in COLUMNS
        ]
        if not any(found):
            continue
        label = "Tracking share" if name == TRACKING else _label(name, subject)
        head = Cell(text=label, small="declared as the primary number" if name in first else "")
        rows.append((head, *(_cell(name, f, subject.unit) for f in found)))
    return Table(
        caption=f"{subject.label}, {subject.what}: with and without what was left out",
        head=("", "Everything", "Declared rules", "Plus decisions by hand"),
        rows=tuple(rows),
    )


def _cell(name: str, found: Mapping[str, Any] | None, unit: str) -> Cell:
    if name == TRACKING or not found:
        value, small = statistic_words(name, found, unit=unit)
        return Cell(text=value, small=small)
    return cell_of(name, found, unit)


def _label(name: str, subject: Subject) -> str:
    return label_of(name, tolerance=tolerance_of(subject), unit=subject.unit)
