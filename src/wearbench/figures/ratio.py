"""Ratio plot: reference across, tested over reference up on a log2 scale; half and double rate become lines."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import polars as pl

from wearbench.figures.cells import draw_cells
from wearbench.figures.palette import legend
from wearbench.figures.scales import Scale, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject
from wearbench.wording import number, plural, share

__all__ = ["draw_ratio", "ratio_table"]

_LEAST: Final = 1.15
_MOST: Final = 2.2
"""How far the axis reaches up and down at least and at most, in log2 of the ratio."""
_LINES: Final = ((2.0, "double", "doubled"), (1.0, "same", "faithful"), (0.5, "half", "halved"))


def pair_table(subject: Subject) -> pl.DataFrame:
    """Judged pairs with finite values: ``session, activity, tested, reference, state, seconds``."""
    finite = pl.col("tested").is_finite() & pl.col("reference").is_finite()
    return subject.pairs.filter(pl.col("used") & finite).select(
        "session", "activity", "tested", "reference", pl.col("state").fill_null("judged"), "seconds"
    )


def ratio_table(subject: Subject) -> pl.DataFrame:
    """Judged pairs with their ratio: the columns of the pair table and ``ratio``; both values positive."""
    return (
        pair_table(subject)
        .filter((pl.col("tested") > 0) & (pl.col("reference") > 0))
        .with_columns(ratio=pl.col("tested") / pl.col("reference"))
    )


def draw_ratio(
    table: pl.DataFrame, *, title: str, scope: str, what: str, unit: str, uid: str, width: float = 450.0
) -> str:
    """Draw the ratio plot.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`ratio_table`.
    title, scope : str
    what, unit : str
        Name and unit of the quantity, for the axes.
    uid : str
    width : float
        In pixels.
    """
    left, right, top, plot = 44.0, 66.0, 14.0, min(330.0, width * 0.8)
    x, ratio = table["reference"].to_numpy(), table["ratio"].to_numpy()
    low, high = nice_range(x)
    up = np.log2(ratio) if ratio.size else np.array([])
    bottom = float(np.clip(up.min() - 0.1 if up.size else -_LEAST, -_MOST, -_LEAST))
    ceiling = float(np.clip(up.max() + 0.1 if up.size else _LEAST, _LEAST, _MOST))
    across = Scale(low=low, high=high, start=left, stop=width - right)
    scale = Scale(low=bottom, high=ceiling, start=top + plot, stop=top)
    states = set(table["state"].unique().to_list())
    total = float(table["seconds"].sum() or 0.0)
    seconds = dict(table.group_by("state").agg(pl.col("seconds").sum()).iter_rows())
    outside = int(np.sum((up < bottom) | (up > ceiling)))
    drawing = Drawing(
        width=width, height=top + plot + 130, title=title, description=_describe(table, seconds, total), uid=uid
    )
    for value in (1 / 3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0):
        if bottom <= math.log2(value) <= ceiling:
            y = scale.at(math.log2(value))
            drawing.line(left, y, width - right, y, cls="axis")
            words = {1 / 3: "⅓", 0.5: "½", 0.75: "¾"}.get(value, number(value, decimals=0 if value % 1 == 0 else 1))
            drawing.text(left - 8, y + 4, "×" + words, cls="xs soft num", anchor="end")
    for value, words in tick_words(ticks(low, high, most=9 if width > 600 else 5)):
        px = across.at(value)
        drawing.line(px, top + plot, px, top + plot + 4, cls="axis")
        drawing.text(px, top + plot + 18, words, cls="xs soft num", anchor="middle")
    draw_cells(drawing, across.all(x), scale.all(up), table["state"], many_from=max(4.0, x.size / 150))
    for value, words, state in _LINES:
        y = scale.at(math.log2(value))
        drawing.line(left, y, width - right, y, cls="guide thin" if value != 1.0 else "guide")
        drawing.text(width - right + 8, y - 2, words, cls="sm strong")
        if total > 0:
            drawing.text(width - right + 8, y + 12, share(seconds.get(state, 0.0) / total), cls="xs soft num")
    drawing.text(
        (left + width - right) / 2, top + plot + 36, f"reference {what}, {unit}", cls="sm soft", anchor="middle"
    )
    used = legend(drawing, states, x=0, y=top + plot + 52, width=width, marks=True)
    foot = top + plot + 62 + used
    if outside:
        drawing.text(0, foot, f"{plural(outside, 'reading')} beyond the axis drawn at its edge", cls="xs soft")
        foot += 15
    drawing.height = foot - 6 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()


def _describe(table: pl.DataFrame, seconds: dict[str, float], total: float) -> str:
    if total <= 0:
        return "No reading could be judged."
    parts = [f"{share(seconds.get(state, 0.0) / total)} at “{words}”" for _, words, state in _LINES]
    return (
        f"{plural(table.height, 'reading')}: reference across, tested over reference up. Of the judged time "
        f"{parts[1]}, {parts[2]}, {parts[0]}."
    )
