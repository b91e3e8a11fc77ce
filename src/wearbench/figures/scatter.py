"""Identity scatter: tested against reference, with the line on which they would be equal."""

from __future__ import annotations

import numpy as np
import polars as pl

from wearbench.figures.cells import draw_cells
from wearbench.figures.palette import legend
from wearbench.figures.ratio import pair_table
from wearbench.figures.scales import Scale, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing, fmt
from wearbench.findings import Subject
from wearbench.wording import number, plural, share

__all__ = ["draw_scatter", "scatter_table"]


def scatter_table(subject: Subject) -> pl.DataFrame:
    """Judged pairs: ``session, activity, tested, reference, state, seconds``."""
    return pair_table(subject)


def draw_scatter(
    table: pl.DataFrame,
    *,
    title: str,
    scope: str,
    unit: str,
    uid: str,
    tolerance: float | None = None,
    width: float = 450.0,
) -> str:
    """Draw tested against reference on equal axes.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`scatter_table`.
    title, scope, unit, uid : str
    tolerance : float or None
        Half-width of the grey band about the line of equality.
    width : float
        In pixels.
    """
    left, right, top = 50.0, 12.0, 14.0
    plot = width - left - right
    tested, reference = table["tested"].to_numpy(), table["reference"].to_numpy()
    low, high = nice_range(np.concatenate([tested, reference]))
    across = Scale(low=low, high=high, start=left, stop=left + plot)
    up = Scale(low=low, high=high, start=top + plot, stop=top)
    states = set(table["state"].unique().to_list())
    near = float(np.mean(np.abs(tested - reference) <= tolerance)) if tolerance and tested.size else None
    about = f"{plural(table.height, 'reading')}, reference across, tested up."
    if near is not None:
        about += f" {share(near)} lie within {number(tolerance)} {unit} of the line of equality."
    drawing = Drawing(width=width, height=top + plot + 130, title=title, description=about, uid=uid)
    if tolerance:
        under = [(low, low), (low + tolerance, low), (high, high - tolerance), (high, high)]
        corners = under + [(b, a) for a, b in under[2:0:-1]]
        data = "L".join(f"{fmt(across.at(a))} {fmt(up.at(b))}" for a, b in corners)
        drawing.path(f"M{data}Z", cls="band", fill="var(--ribbon)")
    for value, words in tick_words(ticks(low, high, most=5)):
        x, y = across.at(value), up.at(value)
        drawing.line(left, y, left + plot, y, cls="grid")
        drawing.line(x, top, x, top + plot, cls="grid")
        drawing.text(left - 8, y + 4, words, cls="xs soft num", anchor="end")
        drawing.text(x, top + plot + 18, words, cls="xs soft num", anchor="middle")
    draw_cells(drawing, across.all(reference), up.all(tested), table["state"], many_from=max(4.0, tested.size / 150))
    drawing.line(across.at(low), up.at(low), across.at(high), up.at(high), cls="guide")
    drawing.text(left + plot / 2, top + plot + 36, f"reference, {unit}", cls="sm soft", anchor="middle")
    drawing.text(12, top + plot / 2, f"tested, {unit}", cls="sm soft", anchor="middle", turn=-90)
    used = legend(drawing, states, x=0, y=top + plot + 52, width=width, marks=True)
    foot = top + plot + 62 + used
    drawing.height = foot - 6 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()
