"""How late and how slowly a device answers: a table of medians."""

from __future__ import annotations

from typing import Any, Final

from wearbench.findings import Subject
from wearbench.report.tables import Cell, Table
from wearbench.wording import finite, number, plural

__all__ = ["response_table"]

_HEAD: Final = ("Jumps", "Dead time", "Time constant", "To 63 %", "To 90 %", "63 to 90 %", "Counted")
_SHOWN: Final = ("dead_time_s", "time_constant_s", "t63_s", "t90_s", "t63_to_t90_s")
_WORDS: Final = {"all": "all jumps", "up": "rising", "down": "falling"}


def response_table(subject: Subject) -> Table | None:
    """Medians over jumps, all, by direction and by activity; None where none was found."""
    groups: dict[tuple[str, str], dict[str, dict[str, Any]]] = {}
    for row in subject.responses:
        groups.setdefault((str(row.get("by")), str(row.get("group"))), {})[str(row.get("statistic"))] = row
    peaks = groups.pop(("direction", "peak"), {}).get("shortfall_bpm")
    if not any(int(r.get("n_steps") or 0) for rows in groups.values() for r in rows.values()):
        return None
    note = (
        "A jump is a rise or fall of the reference by 15 or more within 2 minutes, between fairly steady levels; only "
        "jumps that the device followed are counted. Times are for a sudden step, from the reference's beats."
    )
    hidden = groups.get(("all", "all"), {}).get("t63_s", {})
    if not finite(hidden.get("value")) and hidden.get("why"):
        note += f" Dead time and the times to 63 and 90 % are not given: {hidden['why']}."
    if peaks is not None and finite(peaks.get("value")):
        note += (
            f" At {plural(int(peaks.get('n_steps') or 0), 'peak')} its highest value lay "
            f"{number(peaks['value'], decimals=1)} {subject.unit} below the true highest 5 s (median)."
        )
    return Table(
        caption=f"{subject.label}: how late it answers",
        head=_HEAD,
        rows=tuple(_cells(name, rows) for (_, name), rows in groups.items()),
        note=note,
    )


def _cells(name: str, rows: dict[str, dict[str, Any]]) -> tuple[Cell, ...]:
    counts = max(rows.values(), key=lambda r: int(r.get("n_steps") or 0))
    steps, found = int(counts.get("n_steps") or 0), int(counts.get("n_found") or 0)
    return (
        Cell(text=_WORDS.get(name, name)),
        *(_time(rows.get(statistic) or {}) for statistic in _SHOWN),
        Cell(text=f"{steps} of {found}", small=plural(int(counts.get("n_sessions") or 0), "session")),
    )


def _time(row: dict[str, Any]) -> Cell:
    if not finite(row.get("value")):
        return Cell(text="–")
    places = 1 if abs(float(row["value"])) < 10 else 0
    low, high = (number(row.get(k), decimals=places) for k in ("low", "high"))
    known = finite(row.get("low")) and finite(row.get("high"))
    return Cell(text=f"{number(row['value'], decimals=places)} s", small=f"{low} to {high}" if known else "")
