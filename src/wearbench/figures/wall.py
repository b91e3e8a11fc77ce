"""Ribbon wall: one row a session, elapsed time across, coloured by state."""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np
import polars as pl

from wearbench.figures.palette import fill_of, legend
from wearbench.figures.runs import session_spans, state_runs
from wearbench.figures.scales import Scale, elapsed_ticks
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject
from wearbench.study.results import Results
from wearbench.wording import FAILURES, NOT_JUDGED, STATE_LABEL, duration, plural, share

__all__ = ["draw_wall", "wall_table"]

_RANK: Final = {state: rank for rank, state in enumerate((*FAILURES, "between", "missing"))}


def wall_table(results: Results, subject: Subject) -> pl.DataFrame:
    """Runs of one state with what a reader wants to know of their session.

    Returns
    -------
    polars.DataFrame
        ``session, day, activity, firmware, participant, right, state, start_s, end_s``, sessions in order of time;
        ``right`` is the session's tracking share.
    """
    spans = session_spans(results).select("session", "first")
    shares = subject.by_session()

    def several(column: str) -> pl.Expr:
        return pl.col(column).drop_nulls().unique(maintain_order=True).str.join(", ").alias(column)

    about = subject.pairs.group_by("session", maintain_order=True).agg(
        several("activity"), several("firmware"), several("participant")
    )
    return (
        state_runs(results, subject)
        .join(about, on="session", how="left")
        .join(spans, on="session", how="left")
        .with_columns(
            day=pl.col("first").dt.date(),
            right=pl.col("session").replace_strict(shares, default=None, return_dtype=pl.Float64),
        )
        .sort("first", "session", "start_s")
        .select("session", "day", "activity", "firmware", "participant", "right", "state", "start_s", "end_s")
    )


def _row_height(count: int) -> tuple[float, float]:
    """Height of a ribbon and the step to the next: airy for few sessions, a carpet for hundreds."""
    if count <= 12:
        return 18.0, 25.0
    if count <= 40:
        return 12.0, 17.0
    if count <= 100:
        return 7.0, 9.0
    return 3.0, 4.0


def draw_wall(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 920.0) -> str:
    """Draw the wall.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`wall_table`.
    title, scope : str
        What is shown; the scope line stands under the picture.
    uid : str
        Prefix of ids in the page.
    width : float
        In pixels; under 500 the row labels shrink to the session's name.

    Returns
    -------
    str
        An ``<svg>`` element.
    """
    sessions = table["session"].unique(maintain_order=True).to_list()
    narrow = width < 500
    high, step = _row_height(len(sessions))
    labelled = step >= 11
    names = max((len(str(s)) for s in sessions), default=3)
    name_room = min(58.0 if narrow else 110.0, 12.0 + 8.0 * names)
    left = (name_room + 6 if narrow else name_room + 140.0) if labelled else 40.0
    right = 58.0
    top = 26.0
    bottom = top + max(1, len(sessions)) * step
    parts = table.partition_by("session", maintain_order=True, as_dict=True)
    longest = float(table["end_s"].max() or 1.0) if table.height else 1.0  # type: ignore[arg-type]
    scale = Scale(low=0.0, high=longest, start=left, stop=width - right)
    states = set(table["state"].unique().to_list())
    drawing = Drawing(
        width=width,
        height=bottom + 100,
        title=title,
        description=_describe(table, sessions),
        uid=uid,
    )
    short = [str(s) for s in sessions]
    if any(drawing.fitted(name, name_room - 4) != name for name in short):
        short = _without_lead(short)
    for second, words in elapsed_ticks(longest, most=4 if narrow else 8):
        x = scale.at(second)
        drawing.line(x, top - 4, x, bottom - step + high + 4, cls="axis")
        if x < width - right - 12 or not labelled:
            drawing.text(x, top - 10, words, cls="xs soft num", anchor="middle" if second else "start")
    if labelled and table["right"].is_not_null().any():
        drawing.text(width, top - 10, "right", cls="xs soft", anchor="end")
    before = None
    for row, session in enumerate(sessions):
        rows = parts[(session,)]
        y = top + row * step
        firmware = rows["firmware"][0]
        if before is not None and firmware and firmware != before:
            _firmware_line(drawing, y - (step - high) / 2, 0 if labelled else left, width)
        if labelled:
            base = y + high / 2 + 4.2
            name = drawing.fitted(short[row], name_room - 4)
            drawing.text(0, base, name, cls="sm strong num")
            if not narrow:
                words = drawing.fitted(_about(rows, before, firmware), 132, 11)
                drawing.text(name_room, base, words, cls="xs soft")
        elif row % max(1, round(24 / step)) == 0:
            drawing.text(0, y + 4, drawing.fitted(short[row], left - 4, 11), cls="xs soft num")
        before = firmware or before
        _draw_row(drawing, rows, scale, y, high)
        if labelled and rows["right"][0] is not None:
            words = share(rows["right"][0]).replace("over ", ">").replace("under ", "<")
            drawing.text(width, y + high / 2 + 4.2, words, cls="sm num", anchor="end")
    used = legend(drawing, states, x=0, y=bottom + 12, width=width)
    drawing.height = bottom + 20 + used + drawing.paragraph(0, bottom + 24 + used, scope, room=width)
    return drawing.render()


def _without_lead(names: list[str]) -> list[str]:
    """Names without what all begin with, up to its last ``-``, ``_`` or space: ``2031-10-20b`` is ``10-20b``."""
    first, last = min(names), max(names)  # what these share, all share
    same = len(list(itertools.takewhile(lambda pair: pair[0] == pair[1], zip(first, last, strict=False))))
    cut = max(first[:same].rfind(sign) for sign in "-_ ") + 1 if first != last else 0
    return [name[cut:] for name in names] if all(len(name) > cut for name in names) else names


def _about(rows: pl.DataFrame, before: str | None, firmware: str | None) -> str:
    """What stands beside a session's name: its day, and the firmware where it changes."""
    day = rows["day"][0]
    parts = [f"{day.day} {day:%b}"] if day else []
    if firmware and firmware != before:
        parts.append(f"firmware {firmware}")
    elif rows["participant"][0] not in (None, "", "unnamed"):
        parts.append(str(rows["participant"][0]))
    return " · ".join(parts)


def _firmware_line(drawing: Drawing, y: float, left: float, width: float) -> None:
    drawing.line(left, y, width, y, cls="guide thin")


def _draw_row(drawing: Drawing, rows: pl.DataFrame, scale: Scale, y: float, high: float) -> None:
    """One ribbon, at a pixel's resolution: each pixel shows the state that filled most of it."""
    start, end = rows["start_s"].to_numpy(), rows["end_s"].to_numpy()
    names = rows["state"].unique(maintain_order=True).to_list()
    pixels = int(np.ceil(scale.stop - scale.start))
    filled = np.zeros((len(names), pixels + 1))
    code = rows["state"].replace_strict(names, list(range(len(names))), return_dtype=pl.Int64).to_numpy()
    a, b = (start - scale.low) * scale.per_unit, (end - scale.low) * scale.per_unit
    for k in range(len(names)):
        mine = code == k
        filled[k] = _cover(a[mine], b[mine], pixels)
    order = np.array([_RANK.get(n, 99) for n in names])
    best = np.argmax(filled + (filled > 0) * 1e-6 * (100 - order[:, None]), axis=0)
    best = np.where(filled.max(axis=0) > 0.02, best, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(best)) + 1, [best.size]])
    by_state: dict[str, list[str]] = {}
    for first, last in itertools.pairwise(edges):
        if best[first] >= 0:
            piece = f"M{scale.start + first:.0f} {y:.1f}h{last - first}v{high:.0f}h-{last - first}z"
            by_state.setdefault(names[best[first]], []).append(piece)
    for state, pieces in by_state.items():
        drawing.path("".join(pieces), cls=f"cell o-{state}", fill=fill_of(drawing, state))


def _cover(a: np.ndarray, b: np.ndarray, pixels: int) -> np.ndarray:
    """How much of each pixel the spans [a, b] fill; running sum of their overlap at pixel edges."""
    edges = np.arange(pixels + 2, dtype=float)
    knots = np.sort(np.concatenate([a, b]))
    amount = np.zeros(knots.size)
    order = np.argsort(np.concatenate([a, b]), kind="stable")
    change = np.concatenate([np.ones(a.size), -np.ones(b.size)])[order]
    if knots.size:
        amount[1:] = np.cumsum(np.diff(knots) * np.cumsum(change)[:-1])
        return np.diff(np.interp(edges, knots, amount))
    return np.zeros(pixels + 1)


def _describe(table: pl.DataFrame, sessions: list[str]) -> str:
    lengths = (
        table.with_columns(length=pl.col("end_s") - pl.col("start_s")).group_by("state").agg(pl.col("length").sum())
    )
    seconds = dict(lengths.iter_rows())
    judged = sum(s for state, s in seconds.items() if state not in NOT_JUDGED) + seconds.get("missing", 0.0)
    rows = f"One row for each of {plural(len(sessions), 'session')}, elapsed time across."
    if judged <= 0 or "judged" in seconds:
        return rows
    right = share(seconds.get("faithful", 0.0) / judged)
    worst = max(FAILURES, key=lambda s: seconds.get(s, 0.0))
    words = f"{rows} Right for {right} of the time."
    if seconds.get(worst, 0.0) > 0:
        words += f" The commonest failure is “{STATE_LABEL[worst]}”, {duration(seconds[worst])} in all."
    return words
