"""Which limits of agreement lead and why, what they rest on, and every other kind for reviewers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from wearbench.core.agreement import PRIMARY_KINDS
from wearbench.findings import Subject, primary_row
from wearbench.report.tables import Cell, Table, cell_of
from wearbench.wording import finite, number

__all__ = ["beside_tables", "leading_table"]

_USUAL: Final = ("repeated", "single", "none")
"""Kinds whose limits stand in the primary table already."""
_ASSUMPTION: Final = {
    "proportional_bias": "Bias the same at every value",
    "uneven_spread": "Scatter the same at every value",
    "mixture": "Readings of one kind",
    "heavy_tails": "No more far out than normal",
    "few_clusters": "Five independent units or more",
    "dependence_left": "Units in a row not alike",
    "influence": "No unit decides alone",
}
_OUTCOME: Final = {"holds": "nothing against it seen", "violated": "violated", "cannot be told": "cannot be told"}
_FAMILY: Final = {
    "single": "Single pairs, taken as independent",
    "repeated": "Repeated pairs, variances between and within units",
    "recovered": "Repeated pairs, units weigh equally",
    "sloping": "Sloping",
    "ratio": "Ratio tested/reference",
    "percent": "Per cent of the average",
    "quantiles": "Quantiles of the differences",
    "mixed": "Mixed model",
}
_STATISTICS: Final = ("bias", "limit_low", "limit_high")


def leading_table(subject: Subject) -> Table | None:
    """The limits that lead where they are not the usual ones, with the reason; None where they are.

    Parameters
    ----------
    subject : Subject
    """
    row = primary_row(subject)
    if row is None or row["primary"] in _USUAL or not row.get("primary_limits"):
        return None
    rows = [
        (Cell(text=_at(limits, subject.unit)), *(_shown(limits, name, subject.unit) for name in _STATISTICS))
        for limits in row["primary_limits"]
    ]
    right = any(limits.get("readings") == "faithful" for limits in row["primary_limits"])
    note = str(row.get("primary_why") or "")
    if right:
        note += " Readings “while right” were chosen for being close: not comparable with published limits."
    return Table(
        caption=f"The limits to read first: {PRIMARY_KINDS[row['primary']]}",
        head=("", "Ratio" if row["primary"] == "ratio" else "Bias", "Lower limit", "Upper limit"),
        rows=tuple(rows),
        note=note,
    )


def _at(limits: Mapping[str, Any], unit: str) -> str:
    if finite(limits.get("at")):
        return f"At {number(limits['at'], decimals=0)} {unit}".strip()
    return "While right" if limits.get("readings") == "faithful" else "All readings"


def _shown(limits: Mapping[str, Any], name: str, unit: str) -> Cell:
    if limits.get("scale") == "ratio":
        return cell_of("ccc", limits.get(name), "")
    return cell_of(name, limits.get(name), unit)


def beside_tables(subject: Subject) -> tuple[Table, ...]:
    """What the limits rest on, and limits of every other kind, for reviewers.

    Parameters
    ----------
    subject : Subject
    """
    return tuple(t for t in (_assumptions(subject), *_others(subject), _further(subject)) if t is not None)


def _assumptions(subject: Subject) -> Table | None:
    over_all = [a for a in subject.assumptions if a.get("by") in (None, "", "all")]
    if not over_all:
        return None
    row = primary_row(subject)
    rows = tuple(
        (
            Cell(text=_ASSUMPTION.get(str(a["assumption"]), str(a["assumption"]))),
            Cell(text=_OUTCOME[str(a["outcome"])]),
            Cell(text=str(a["said"]), small=str(a.get("method") or "")),
        )
        for a in over_all
    )
    note = "" if row is None else f"Limits that lead: {PRIMARY_KINDS[row['primary']]}. {row.get('primary_why') or ''}"
    return Table(
        caption="What the limits rest on", head=("Assumption", "", "What was seen"), rows=rows, numeric=False, note=note
    )


def _others(subject: Subject) -> list[Table]:
    tables = []
    for readings, caption in (("all", "Limits of every kind"), ("faithful", "Limits of every kind, while right")):
        mine = [r for r in subject.reviewers if r.get("readings") == readings and r.get("statistic") in _STATISTICS]
        groups: dict[tuple[str, Any], dict[str, Mapping[str, Any]]] = {}
        for r in mine:
            groups.setdefault((str(r["family"]), r.get("at")), {})[str(r["statistic"])] = r
        rows = []
        for (family, at), found in groups.items():
            unit = {"ratio": "", "percent": "%"}.get(family, subject.unit)
            where = f"at {number(at, decimals=0)} {subject.unit}".strip() if finite(at) else ""
            leads = "leads" if any(r.get("primary") for r in found.values()) else ""
            name = Cell(text=_FAMILY.get(family, family), small=", ".join(w for w in (where, leads) if w))
            rows.append((name, *(cell_of("ccc" if family == "ratio" else s, found.get(s), unit) for s in _STATISTICS)))
        if rows:
            note = (
                "Single pairs taken as independent stand here to be compared only: where pairs are repeated, their "
                "intervals are far too narrow."
            )
            tables.append(
                Table(caption=caption, head=("", "Bias", "Lower limit", "Upper limit"), rows=tuple(rows), note=note)
            )
    return tables


_FURTHER: Final = {
    "total_deviation_index_90": ("Total deviation index, 90 %", "unit"),
    "coverage_probability": ("Coverage probability within the tolerance", "share"),
    "a_rms": ("Accuracy root mean square", "unit"),
    "participant_mape": ("Mean absolute error, per cent, units weigh equally", "percent"),
    "icc_2_1": ("Intraclass correlation (2,1) of the units' means", "plain"),
}
_LINES: Final = {
    "sloping": "Tested less reference on the average",
    "deming": "Deming regression",
    "weighted_deming": "Weighted Deming regression",
    "least_products": "Least products regression",
    "passing_bablok": "Passing and Bablok's regression of the units' means",
}
_AS: Final = {"unit": "mae", "share": "within_greater", "percent": "mape", "plain": "ccc"}
"""A statistic of the primary set that is written alike."""


def _further(subject: Subject) -> Table | None:
    rows = []
    for r in subject.reviewers:
        name, family = str(r["statistic"]), str(r["family"])
        if r.get("readings") != "all" or name in (*_STATISTICS, "sd_of_differences"):
            continue
        label, kind = _FURTHER.get(name, (name.replace("_", " ").capitalize(), "plain"))
        if family in _LINES:
            label, kind = f"{_LINES[family]}: {name.replace('_', ' ')}", "unit" if name == "intercept" else "plain"
        cell = cell_of(_AS[kind], r, subject.unit)
        rows.append((Cell(text=label), cell, Cell(text=str(r.get("method") or "–"))))
    if not rows:
        return None
    head = ("", "Value, interval", "Method")
    return Table(caption="Error, concordance and regression", head=head, rows=tuple(rows), numeric=False)
