"""Acceptance figures on the page: what is asked, what was found, whether that settles it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from wearbench.findings import device_label
from wearbench.findings.subject import quantity_label
from wearbench.quantities import QUANTITIES
from wearbench.report.tables import Cell, Table, label_of
from wearbench.study.beforehand import statistic_words
from wearbench.study.declaration import TRACKING
from wearbench.wording import share

__all__ = ["criteria_tables"]

_HEAD: Final = ("Figure", "Asked", "Found", "Outcome", "Source")
_OUTCOME: Final = {"met": "Met", "not met": "Not met", "cannot be told yet": "Cannot be told yet"}
_SURE: Final = {
    "verified": "seen in the document",
    "second hand": "seen in a paper that uses it, not in the document",
    "from memory": "from memory, not looked up",
    "common practice": "common practice",
    "own": "",
}


def criteria_tables(document: Mapping[str, Any]) -> tuple[Table, ...]:
    """Tables of the study's own figures and of the trade's; those that are empty are left out.

    Parameters
    ----------
    document : mapping
        ``Results.document``.
    """
    captions = {"study": "The study's own figures", "trade": "Figures of the trade, for comparison"}
    tables = []
    for origin, caption in captions.items():
        rows = [_row(document, row) for row in document.get("criteria") or [] if row.get("origin") == origin]
        if rows:
            tables.append(Table(caption=caption, head=_HEAD, rows=tuple(rows), numeric=False))
    return tuple(tables)


def _row(document: Mapping[str, Any], row: Mapping[str, Any]) -> tuple[Cell, ...]:
    name, unit = str(row.get("statistic")), str(row.get("unit") or "")
    quantity = str(row.get("quantity") or "")
    tolerance = QUANTITIES[quantity].tolerance if quantity in QUANTITIES else None
    label = "Tracking share" if name == TRACKING else label_of(name, tolerance=tolerance, unit=unit)
    about = [device_label(document, str(row["device"]))] if row.get("device") else []
    about += [quantity_label(quantity)] if quantity else []
    own = row.get("origin") == "study"
    value, interval = statistic_words(name, row, unit=unit)
    source = str(row.get("source") or ("not said" if own else ""))
    notes = (_SURE.get(str(row.get("how_sure")), ""), str(row.get("note") or ""))
    return (
        Cell(text=f"{row['criterion']}: {label}" if own else label, small=", ".join(about)),
        Cell(text=" and ".join(_bounds(row, name, unit))),
        Cell(text=value, small=interval if row.get("low") is not None else "no interval"),
        Cell(text=_OUTCOME[str(row["outcome"])], small=str(row.get("why") or "")),
        Cell(text=source, small="; ".join(note for note in notes if note)),
    )


def _bounds(row: Mapping[str, Any], name: str, unit: str) -> list[str]:
    after = " %" if name == "mape" else f" {unit}" if unit and name != "ccc" else ""

    def shown(bound: float) -> str:
        return share(bound) if name == TRACKING or name.startswith("within_") else f"{bound:g}{after}".replace("-", "−")

    words = (("at least", row.get("at_least")), ("at most", row.get("at_most")))
    return [f"{word} {shown(float(bound))}" for word, bound in words if bound is not None]
