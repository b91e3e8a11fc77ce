"""How often a device gave a value, in each of its rhythms, and what that cannot show."""

from __future__ import annotations

from typing import Any, Final

from wearbench.findings import Subject, shortest_s
from wearbench.report.tables import Cell, Table
from wearbench.wording import duration, finite, number, share

__all__ = ["rhythm_table"]

_HEAD: Final = (
    "Rhythm",
    "Time compared",
    "Pairs",
    "Mean error by pairs",
    "Mean error by time",
    "Cannot be seen",
)


def rhythm_table(subject: Subject) -> Table | None:
    """One row a rhythm, and one over all; None for a device that keeps one."""
    if sum(finite(r.get("usual_s")) for r in subject.rhythms) < 2:
        return None
    rows = tuple(_row(row, subject.unit) for row in subject.rhythms)
    note = "Where rhythms differ, pairs and time weigh them differently: a quick rhythm has most of the pairs."
    return Table(caption=f"{subject.label}: by rhythm", head=_HEAD, rows=rows, note=note)


def _row(row: dict[str, Any], unit: str) -> tuple[Cell, ...]:
    usual, averaging = row.get("usual_s"), row.get("averaging_s")
    blind = ""
    if finite(usual) and usual is not None:
        blind = (
            f"under {duration(shortest_s(usual, averaging if finite(averaging) and averaging is not None else 0.0))}"
        )
    name = str(row["rhythm"])
    return (
        Cell(
            text="all together" if name == "all" else name,
            small=f"each over about {duration(averaging)}" if finite(averaging) else "",
        ),
        Cell(text=duration(row.get("seconds")), small=share(row.get("share_of_time"))),
        Cell(text=f"{int(row.get('n_pairs') or 0):,}", small=share(row.get("share_of_pairs"))),
        Cell(text=_error(row.get("mae"), unit)),
        Cell(text=_error(row.get("mae_by_time"), unit)),
        Cell(text=blind),
    )


def _error(value: Any, unit: str) -> str:
    return f"{number(value, decimals=1)} {unit}".strip() if finite(value) else "–"
