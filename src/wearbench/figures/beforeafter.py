"""Before and after a change: each session's share of time wrong or silent, in order of time."""

from __future__ import annotations

import math
from typing import Any

import polars as pl

from wearbench.figures.scales import Scale
from wearbench.figures.svg import Drawing, fmt
from wearbench.findings import Subject
from wearbench.wording import plural, share

__all__ = ["before_after_table", "draw_before_after"]

_COLUMNS = {
    "session": pl.String,
    "number": pl.Int64,
    "side": pl.String,
    "version": pl.String,
    "wrong": pl.Float64,
    "pooled": pl.Float64,
}


def before_after_table(subject: Subject) -> pl.DataFrame:
    """Sessions of the last change: ``session, number, side, version, wrong``, and ``pooled`` over its side."""
    rows = [r for r in subject.before_after if r.get("primary")]
    if not rows:
        return pl.DataFrame(schema=_COLUMNS)
    row, shares = rows[-1], subject.by_session()
    held: list[tuple[Any, ...]] = []
    for side in ("before", "after"):
        there = [name for name in row[f"sessions_{side}"] if name in shares]
        held += [(name, side, row[side], 1.0 - shares[name], row[f"value_{side}"]) for name in there]
    order = {name: i for i, name in enumerate(_by_time(subject))}
    held.sort(key=lambda cell: order.get(cell[0], len(order)))
    data = [(cell[0], i + 1, *cell[1:]) for i, cell in enumerate(held)]
    return pl.DataFrame(data, schema=_COLUMNS, orient="row")


def _by_time(subject: Subject) -> list[str]:
    if not subject.pairs.height:
        return []
    first = subject.pairs.group_by("session").agg(pl.col("time").min()).sort("time", "session")
    return [str(name) for name in first["session"]]


def draw_before_after(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 624.0) -> str:
    """Draw one stem a session, and the pooled share of either side.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`before_after_table`.
    title, scope, uid : str
    width : float
        In pixels.
    """
    left, right, top, plot = 46.0, 14.0, 30.0, 160.0
    n = table.height
    sides = {side: table.filter(pl.col("side") == side) for side in ("before", "after")}
    told = [
        f"{part['version'][0]}: {plural(part.height, 'session')}, wrong or silent {share(part['pooled'][0])} of it"
        for part in sides.values()
        if part.height
    ]
    drawing = Drawing(width=width, height=top + plot + 90, title=title, description="; ".join(told) + ".", uid=uid)
    highest = min(1.0, max(0.1, math.ceil(10 * max(table["wrong"].to_list())) / 10))
    across = Scale(low=0.4, high=n + 0.6, start=left, stop=width - right)
    up = Scale(low=0.0, high=highest, start=top + plot, stop=top)
    parts = 4 if round(100 * highest) % 4 == 0 else 2
    for value in (highest * k / parts for k in range(parts + 1)):
        y = up.at(value)
        drawing.line(left, y, width - right, y, cls="grid")
        drawing.text(left - 8, y + 4, f"{100 * value:.0f} %", cls="xs soft num", anchor="end")
    room = across.per_unit
    for session, number, side, _, value, _ in table.iter_rows():
        x = across.at(number)
        cls = "bar light" if side == "before" else "bar"
        drawing.rect(x - 0.3 * room, up.at(value), 0.6 * room, up.at(0.0) - up.at(value), cls=cls)
        if room >= 26:
            drawing.text(x, top + plot + 16, drawing.fitted(str(session), room, 11), cls="xs soft", anchor="middle")
    foot = top + plot + (36 if room >= 26 else 20)
    for part in sides.values():
        if not part.height:
            continue
        places = part["number"].to_list()
        y = up.at(float(part["pooled"][0]))
        for number in places:
            drawing.line(across.at(number - 0.5), y, across.at(number + 0.5), y, cls="guide")
        words = f"{part['version'][0]}: {share(part['pooled'][0])}"
        at = (across.at(places[0] - 0.4) + across.at(places[-1] + 0.4)) / 2
        drawing.text(at, top - 12, drawing.fitted(words, width / 2 - 30, 12), cls="sm strong", anchor="middle")
    edge = _edge(table)
    if edge is not None:
        drawing.path(f"M{fmt(across.at(edge))} {fmt(top - 4)}V{fmt(top + plot)}", cls="guide thin")
    words = "One bar a session in order of time: share of time wrong or silent. Line: over all sessions of the side."
    foot += drawing.paragraph(0, foot, words, room=width) + 4
    drawing.height = foot - 6 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()


def _edge(table: pl.DataFrame) -> float | None:
    """Between the last session before and the first after, if they do not mix."""
    before = table.filter(pl.col("side") == "before")["number"]
    after = table.filter(pl.col("side") == "after")["number"]
    if not len(before) or not len(after):
        return None
    last, first = int(before.max()), int(after.min())  # type: ignore[arg-type]
    return (last + first) / 2 if last < first else None
