"""How evidence grew: the share of sessions affected after each session, between the bounds that hold at any time."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.figures.palette import mark_at
from wearbench.figures.scales import Scale, tick_words, ticks
from wearbench.figures.svg import Drawing, fmt, path_of
from wearbench.findings import Subject
from wearbench.wording import STATE_LABEL, plural, share

__all__ = ["draw_evidence", "evidence_table"]

F64 = NDArray[np.float64]

_COLUMNS = {
    "state": pl.String,
    "number": pl.Int64,
    "session": pl.String,
    "affected": pl.Boolean,
    "n_affected": pl.Int64,
    **dict.fromkeys(("share", "low", "high", "low_always", "high_always"), pl.Float64),
    "rests_on": pl.String,
}


def evidence_table(subject: Subject) -> pl.DataFrame:
    """Rows of the failure that affected most sessions: ``state, number, session, affected, share`` and bounds."""
    table = pl.DataFrame(
        [[row.get(name) for name in _COLUMNS] for row in subject.evidence], schema=_COLUMNS, orient="row"
    )
    if not table.height:
        return table
    most = table.group_by("state", maintain_order=True).agg(pl.col("affected").sum(), pl.len())
    most = most.filter(pl.col("len") > 1, pl.col("affected") > 0)
    if not most.height:
        return table.clear()
    state = most.sort("affected", descending=True, maintain_order=True)["state"][0]
    return table.filter(pl.col("state") == state)


def draw_evidence(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 624.0) -> str:
    """Draw the share after each session, and the bounds.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`evidence_table`.
    title, scope, uid : str
    width : float
        In pixels.
    """
    left, right, top, plot = 46.0, 14.0, 12.0, 190.0
    last, state = table.row(-1, named=True), str(table["state"][0])
    n = table.height
    about = (
        f"“{STATE_LABEL[state]}” in {last['n_affected']} of {plural(n, 'session')}: {share(last['share'])}; bounds at "
        f"any time {share(last['low_always'])} to {share(last['high_always'])}, for so many sessions fixed beforehand "
        f"{share(last['low'])} to {share(last['high'])}."
    )
    drawing = Drawing(width=width, height=top + plot + 110, title=title, description=about, uid=uid)
    across = Scale(low=0.5, high=n + 0.5, start=left, stop=width - right)
    up = Scale(low=0.0, high=1.0, start=top + plot, stop=top)
    number = table["number"].to_numpy().astype(np.float64)
    x = across.all(number)
    _band(drawing, x, up.all(table["low_always"].to_numpy()), up.all(table["high_always"].to_numpy()))
    for value in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = up.at(value)
        drawing.line(left, y, width - right, y, cls="grid")
        drawing.text(left - 8, y + 4, f"{100 * value:.0f} %", cls="xs soft num", anchor="end")
    for value, words in tick_words([v for v in ticks(1.0, float(n), most=8) if v == round(v)] or [1.0]):
        drawing.text(across.at(value), top + plot + 18, words, cls="xs soft num", anchor="middle")
    for name in ("low", "high"):
        drawing.path(path_of(x, up.all(table[name].to_numpy())), cls="guide thin")
    shown = up.all(table["share"].to_numpy())
    drawing.path(path_of(x, shown), cls="trace t-faithful")
    for at, height, hit in zip(x.tolist(), shown.tolist(), table["affected"].to_list(), strict=True):
        if hit and state == "missing":
            drawing.rect(at - 4, height - 4, 8, 8, cls="cell o-missing", fill="var(--missing)")
        elif hit:
            drawing.path(f"M{fmt(at)} {fmt(height)}{mark_at(state, 4.5)}", cls=f"mark k-{state}", fill=_paint(state))
        else:
            drawing.path(f"M{fmt(at)} {fmt(height)}h0", cls="dot k-judged big")
    drawing.text((left + width - right) / 2, top + plot + 36, "sessions so far", cls="sm soft", anchor="middle")
    foot = top + plot + 58
    words = (
        f"Mark: a session with “{STATE_LABEL[state]}”; dot: one without. Grey: bounds that hold whenever one stops. "
        "Dashed: bounds for a number of sessions fixed beforehand."
    )
    foot += drawing.paragraph(0, foot, words, room=width) + 4
    drawing.height = foot - 6 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()


def _paint(state: str) -> str:
    return f"var(--{state.replace('_', '-')})" if state not in ("between", "astray") else ""


def _band(drawing: Drawing, x: F64, low: F64, high: F64) -> None:
    there = [f"{fmt(a)} {fmt(b)}" for a, b in zip(x, high, strict=True)]
    back = [f"{fmt(a)} {fmt(b)}" for a, b in zip(x[::-1], low[::-1], strict=True)]
    drawing.path(f"M{'L'.join(there + back)}Z", cls="band", fill="var(--ribbon)")
