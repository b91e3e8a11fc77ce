"""Shares: one bar, all judged and missing time of a device divided by state."""

from __future__ import annotations

import polars as pl

from wearbench.figures.palette import fill_of, legend
from wearbench.figures.scales import Scale
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject
from wearbench.wording import STATE_LABEL, STATES, duration, share

__all__ = ["draw_shares", "shares_table"]


def shares_table(subject: Subject) -> pl.DataFrame:
    """``state, label, seconds, share`` of judged and missing time, in the order of legends."""
    seconds = subject.seconds()
    counted = [s for s in STATES if s not in ("not_worn", "not_expected") and seconds.get(s, 0.0) > 0]
    total = sum(seconds[s] for s in counted)
    return pl.DataFrame(
        [(s, STATE_LABEL[s], seconds[s], seconds[s] / total) for s in counted],
        schema={"state": pl.String, "label": pl.String, "seconds": pl.Float64, "share": pl.Float64},
        orient="row",
    )


def draw_shares(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 624.0) -> str:
    """Draw the bar with its legend.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`shares_table`.
    title, scope, uid : str
    width : float
        In pixels.
    """
    said = [f"{label} {share(part)} ({duration(seconds)})" for _, label, seconds, part in table.iter_rows()]
    drawing = Drawing(width=width, height=30, title=title, description=", ".join(said) + ".", uid=uid)
    scale = Scale(low=0.0, high=1.0, start=0.0, stop=width)
    at = 0.0
    for state, _, _, part in table.iter_rows():
        x1, x2 = scale.at(at), scale.at(at + part)
        drawing.rect(x1, 1, max(1.0, x2 - x1), 22, cls=f"cell o-{state}", fill=fill_of(drawing, state))
        at += part
    words = {state: f"{label} {share(part)}" for state, label, _, part in table.iter_rows()}
    foot = 48 + legend(drawing, set(words), x=0, y=34, width=width, words=words)
    drawing.height = foot - 6 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()
