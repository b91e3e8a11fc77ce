"""What each session would have looked like: mean and maximum as shown, on the true ones."""

from __future__ import annotations

from typing import Final

import polars as pl

from wearbench.figures.scales import Scale, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject
from wearbench.wording import number, plural

__all__ = ["believed_table", "draw_believed"]

MOST: Final = 40
"""Sessions drawn; with more, those told worst."""

_SCHEMA: Final = {
    "session": pl.String,
    "shown_mean": pl.Float64,
    "true_mean": pl.Float64,
    "shown_maximum": pl.Float64,
    "true_maximum": pl.Float64,
}


def believed_table(subject: Subject) -> pl.DataFrame:
    """``session, shown_mean, true_mean, shown_maximum, true_maximum``, in order of the sessions.

    With more than 40 sessions, the 40 whose mean was furthest off.
    """
    rows = [{name: row.get(name) for name in _SCHEMA} for row in subject.believed]
    table = pl.DataFrame(rows, schema=_SCHEMA)
    if table.height <= MOST:
        return table
    worst = (pl.col("shown_mean") - pl.col("true_mean")).abs()
    return table.filter(worst.rank("ordinal", descending=True) <= MOST)


def draw_believed(table: pl.DataFrame, *, title: str, scope: str, uid: str, unit: str, width: float = 624.0) -> str:
    """Draw a ribbon from the true mean to the true maximum and, on it in ink, the same as shown.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`believed_table`; at least one row.
    title, scope, uid, unit : str
    width : float
        In pixels.
    """
    gap = (table["shown_mean"] - table["true_mean"]).abs()
    worst = table.row(int(gap.arg_max() or 0), named=True)
    shown, true = (number(worst[k], decimals=0) for k in ("shown_mean", "true_mean"))
    drawing = Drawing(
        width=width,
        height=100,
        title=title,
        description=f"One row for each of {plural(table.height, 'session')}. Furthest off: {worst['session']}, "
        f"shown mean {shown}, true mean {true} {unit}.",
        uid=uid,
    )
    step, top, left = 18.0, 24.0, 64.0
    low, high = nice_range(table.select(pl.exclude("session")).to_numpy().ravel())
    scale = Scale(low=low, high=high, start=left, stop=width - 12.0)
    foot = top + table.height * step
    for value, words in tick_words(ticks(low, high, most=4 if width < 450 else 7)):
        drawing.line(scale.at(value), top - 6, scale.at(value), foot, cls="axis")
        drawing.text(scale.at(value), top - 10, words, cls="xs soft num", anchor="middle")
    for k, row in enumerate(table.iter_rows(named=True)):
        y = top + (k + 0.5) * step
        drawing.text(0, y + 4, drawing.fitted(row["session"], left - 8), cls="sm num")
        a, b = scale.at(row["true_mean"]), scale.at(row["true_maximum"])
        drawing.rect(a, y - 6, max(2.0, b - a), 12, cls="ribbon")
        drawing.line(a, y - 6, a, y + 6, cls="guide")
        _ink(drawing, scale.at(row["shown_mean"]), scale.at(row["shown_maximum"]), y)
    words = f"{unit}. Grey: from the true mean to the true maximum. Ink: the same as shown, dot the mean, "
    words += "stroke the maximum."
    foot += 18 + drawing.paragraph(0, foot + 16, words, room=width)
    drawing.height = foot + drawing.paragraph(0, foot + 4, scope, room=width)
    return drawing.render()


def _ink(drawing: Drawing, mean: float, maximum: float, y: float) -> None:
    drawing.line(mean, y, maximum, y, cls="trace t-faithful")
    drawing.line(maximum, y - 4, maximum, y + 4, cls="trace t-faithful")
    drawing.path(f"M{mean:.1f} {y:.1f}h0", cls="dot big t-faithful")
