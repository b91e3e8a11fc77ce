"""What the wearer would have believed: a table and a picture."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

from wearbench.figures import Picture, believed_table, draw_believed
from wearbench.findings import Subject
from wearbench.report.pieces import Figure, figure_of
from wearbench.report.tables import Cell, Table
from wearbench.wording import duration, finite, number

__all__ = ["believed_figure", "believed_sessions"]

_MOST: Final = 60


def believed_sessions(subject: Subject) -> Table | None:
    """Mean, maximum and time in the top third of each session, shown and true; None without any."""
    if not subject.believed:
        return None
    rows = sorted(subject.believed, key=lambda r: -abs(float(r.get("mean_difference") or 0.0)))
    third = next((r["study_third_to"] for r in rows if finite(r.get("study_third_to"))), None)
    over = f"Top third (over {number(third, decimals=0)} {subject.unit})" if third else "Top third"
    note = (
        "All values it showed beside a trustworthy reference, wrong ones too; true is the reference over the same "
        "windows. The true maximum over 5 s shows what averaging hides. Worst first."
    )
    if len(rows) > _MOST:
        note += f" The {_MOST} worst of {len(rows)} sessions; all of them are in the results."
    return Table(
        caption=f"{subject.label}: session by session, as shown and as it was",
        head=("Session", "Mean shown", "Mean true", "Maximum shown", "Maximum true", "True over 5 s", over, "True"),
        rows=tuple(_cells(row) for row in rows[:_MOST]),
        note=note,
    )


def _cells(row: dict[str, Any]) -> tuple[Cell, ...]:
    values = ("shown_mean", "true_mean", "shown_maximum", "true_maximum", "true_maximum_5_s")
    top, really = row.get("shown_study_high_s"), row.get("true_study_high_s")
    return (
        Cell(text=str(row["session"]), small=duration(row.get("seconds"))),
        *(Cell(text=number(row.get(name), decimals=0)) for name in values),
        Cell(text=duration(top), small="" if finite(top) else str(row.get("study_thirds_why") or "")),
        Cell(text=duration(really)),
    )


def believed_figure(subject: Subject, *, scope: str, uid: str) -> Figure | None:
    """The picture of all sessions; None without any."""
    table = believed_table(subject)
    if not table.height:
        return None
    title = f"{subject.label}: sessions as shown and as they were"
    draw = partial(draw_believed, table, title=title, scope=scope, unit=subject.unit)
    return figure_of(Picture(name="believed", title=title, table=table, draw=draw, width=624.0), uid=uid)
