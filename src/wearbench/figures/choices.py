"""Choices: one row a reasonable analysis, what it gives with its interval, beside the band of the analysis itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
import polars as pl

from wearbench.figures.scales import Scale, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject, claim_label, shown_value
from wearbench.wording import plural

__all__ = ["choices_table", "draw_choices", "main_claim"]

_LABELS: Final = 350.0
_VALUES: Final = 126.0
_NARROW: Final = 600.0
_COLUMNS: Final = {
    "claim": pl.String,
    "analysis": pl.String,
    "words": pl.String,
    "value": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "shown": pl.String,
    "unit": pl.String,
    "holds": pl.Boolean,
}


def main_claim(subject: Subject) -> str:
    """The claim that leads: the failure in most sessions, silence only without another; else how long it was right."""
    faults = {
        str(row["claim"]): (row["claim"] != "missing", int(row["n_affected"]))
        for row in subject.choices
        if row["analysis"] == "as_analysed" and row.get("n_affected") is not None
    }
    return max(faults, key=lambda claim: faults[claim]) if faults else "tracking"


def choices_table(subject: Subject, claim: str) -> pl.DataFrame:
    """Every analysis of one claim, the analysis itself first.

    Parameters
    ----------
    subject : Subject
    claim : str
        A failure, "tracking", "mae" or "bias".

    Returns
    -------
    polars.DataFrame
        ``claim, analysis, words, value, low, high, shown, unit, holds``; empty where there is nothing to choose.
    """
    rows = [row for row in subject.choices if row["claim"] == claim]
    found = [
        {**{name: row.get(name) for name in _COLUMNS}, "shown": shown_value(row), "unit": row.get("unit") or ""}
        for row in rows
    ]
    return pl.DataFrame(found if len(found) > 1 else [], schema=_COLUMNS)


def draw_choices(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 920.0) -> str:
    """Draw the analyses: a dot where the claim holds, a cross where it does not, a line for the interval.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`choices_table`; at least two rows.
    title, scope, uid : str
    width : float
        In pixels; below 600 the words stand above their line.
    """
    narrow = width < _NARROW
    left, right = (6.0, 6.0) if narrow else (_LABELS, _VALUES)
    step, top = (46.0 if narrow else 25.0), 8.0
    share = str(table["unit"][0]).startswith("share")
    edges = table.select("value", "low", "high").to_numpy().astype(np.float64).ravel()
    low, high = (0.0, 1.0) if share else nice_range(edges)
    across = Scale(low=low, high=high, start=left, stop=width - right)
    bottom = top + step * table.height
    drawing = Drawing(width=width, height=bottom + 80, title=title, description=_describe(table), uid=uid)
    first = table.row(0, named=True)
    if not narrow:
        _backdrop(drawing, first, across, top=top - 4, bottom=bottom)
    for k, row in enumerate(table.iter_rows(named=True)):
        y = top + step * k + (33.0 if narrow else 13.0)
        shown = row["shown"].removesuffix(" sessions") if narrow else row["shown"]
        if narrow:
            _backdrop(drawing, first, across, top=y - 8, bottom=y + 8)
        line, room = (y - 13, width - drawing.text_width(shown) - 12) if narrow else (y + 4, left - 14)
        drawing.text(0, line, drawing.fitted(row["words"], room), cls="sm strong" if k == 0 else "sm")
        drawing.text(width, line, shown, cls="sm num soft", anchor="end")
        _mark(drawing, row, across, y)
    drawing.line(across.start, bottom, across.stop, bottom, cls="axis")
    for value, words in _ticks(low, high, share=share):
        x = across.at(value)
        drawing.line(x, bottom, x, bottom + 4, cls="axis")
        at = "start" if x < 20 else "end" if x > width - 20 else "middle"
        drawing.text(x, bottom + 17, words, cls="xs soft num", anchor=at)
    foot = bottom + 38 + drawing.paragraph(0, bottom + 38, _key(table), room=width)
    drawing.height = foot + 4 + drawing.paragraph(0, foot + 10, scope, room=width)
    return drawing.render()


def _backdrop(drawing: Drawing, first: Mapping[str, Any], across: Scale, *, top: float, bottom: float) -> None:
    """The interval of the analysis itself as a band, its value as a dashed line."""
    if first["low"] is not None and first["high"] is not None:
        ends = across.all(np.array([first["low"], first["high"]]))
        drawing.rect(float(ends[0]), top, float(ends[1] - ends[0]), bottom - top, cls="band")
    if first["value"] is not None:
        x = across.at(first["value"])
        drawing.line(x, top, x, bottom, cls="guide thin")


def _mark(drawing: Drawing, row: Mapping[str, Any], across: Scale, y: float) -> None:
    """The interval of one analysis as a line, its value as a dot, or a cross where the claim does not hold."""
    if row["low"] is not None and row["high"] is not None:
        ends = across.all(np.array([row["low"], row["high"]]))
        drawing.line(float(ends[0]), y, float(ends[1]), y, cls="guide")
    if row["value"] is not None:
        x = float(across.all(np.array([row["value"]]))[0])
        mark, cls = ("h0", "dot big t-faithful") if row["holds"] else ("m-4 -4l8 8m0 -8l-8 8", "trace fat t-faithful")
        drawing.path(f"M{x:.1f} {y:.1f}{mark}", cls=cls)


def _ticks(low: float, high: float, *, share: bool) -> Iterator[tuple[float, str]]:
    if share:
        yield from ((k / 4, f"{25 * k} %") for k in range(5))
    else:
        yield from tick_words(ticks(low, high, most=5))


def _key(table: pl.DataFrame) -> str:
    unit = str(table["unit"][0])
    words = f"Across: {unit}. Grey band: the interval as analysed."
    return words if table["holds"].all() else f"{words} A cross marks an analysis in which the claim does not hold."


def _describe(table: pl.DataFrame) -> str:
    first, rest = table.row(0, named=True), table.slice(1)
    held = int(rest["holds"].sum())
    words = f"{claim_label(first['claim'])}: {first['shown']} as analysed; holds in {held} of "
    words += f"{plural(rest.height, 'other analysis') if rest.height == 1 else f'{rest.height} other analyses'}."
    failing = [f"{row['words']}: {row['shown']}" for row in rest.filter(~pl.col("holds")).iter_rows(named=True)]
    return words + (f" Not with {'; '.join(failing)}." if failing else "")
