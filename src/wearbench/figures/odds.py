"""Odds: one row a condition, its odds against the other time on a log axis, with the interval."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import polars as pl

from wearbench.figures.palette import MARK, legend, mark_at
from wearbench.figures.scales import Scale
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject, is_clear, question_words
from wearbench.wording import STATE_LABEL, finite

__all__ = ["draw_odds", "odds_table"]

_LABELS: Final = 330.0
_VALUES: Final = 178.0
_NARROW: Final = 600.0
_MOST: Final = 8
_WIDEST: Final = 256.0
_COLUMNS: Final = {
    "state": pl.String,
    "condition": pl.String,
    "odds_ratio": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "affected_in": pl.Int64,
    "sessions_in": pl.Int64,
    "affected_out": pl.Int64,
    "sessions_out": pl.Int64,
    "stands": pl.Boolean,
    "exploratory": pl.Boolean,
}


def odds_table(subject: Subject) -> pl.DataFrame:
    """Conditions whose interval is clear of equal odds, those declared beforehand always; at most eight a failure.

    Returns
    -------
    polars.DataFrame
        ``state, condition, odds_ratio, low, high``, sessions affected on either side, ``stands`` (p below what the
        confidence leaves after counting all questions), ``exploratory``; the furthest from equal odds first.
    """
    rows: list[dict[str, Any]] = []
    for state in dict.fromkeys(row["state"] for row in subject.why):
        mine = [r for r in subject.why if r["state"] == state and finite(r["odds_ratio"]["value"])]
        mine = [r for r in mine if is_clear(r) or not r["exploratory"]]
        mine.sort(key=lambda r: (r["exploratory"], r["p_adjusted"] if r["p_adjusted"] is not None else 2.0, -_away(r)))
        rows += [
            {
                "state": state,
                "condition": question_words(r),
                "odds_ratio": r["odds_ratio"]["value"],
                "low": r["odds_ratio"]["low"],
                "high": r["odds_ratio"]["high"],
                **{name: r[name] for name in ("affected_in", "sessions_in", "affected_out", "sessions_out")},
                "stands": r["p_adjusted"] is not None and r["p_adjusted"] < 1 - subject.confidence,
                "exploratory": r["exploratory"],
            }
            for r in sorted(mine[:_MOST], key=lambda r: -r["odds_ratio"]["value"])
        ]
    return pl.DataFrame(rows, schema=_COLUMNS)


def _away(row: Mapping[str, Any]) -> float:
    return abs(math.log(row["odds_ratio"]["value"]))


def draw_odds(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 920.0) -> str:
    """Draw the odds: a mark and an interval for each condition, an arrow where there is no bound.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`odds_table`; at least one row.
    title, scope, uid : str
    width : float
        In pixels; below 600 the words stand above their line.
    """
    narrow = width < _NARROW
    left, right = (8.0, 8.0) if narrow else (_LABELS, _VALUES)
    step, top = (48.0 if narrow else 25.0), 30.0
    reach = _reach(table)
    across = Scale(low=-reach, high=reach, start=left, stop=width - right)
    bottom = top + step * table.height
    drawing = Drawing(width=width, height=bottom + 80, title=title, description=_describe(table), uid=uid)
    if not narrow:
        drawing.text(width, 14, "sessions affected, under it | else", cls="xs soft", anchor="end")
    middle = across.at(0.0)
    for power, words in _ticks(reach, few=narrow):
        x = across.at(power)
        drawing.line(x, top - 8, x, bottom, cls="guide thin" if power == 0 else "grid")
        at = "start" if x < 24 else "end" if x > width - 24 else "middle"
        drawing.text(x, bottom + 16, words, cls="xs soft num", anchor=at)
    drawing.text(middle - 8, 14, "less often", cls="xs soft", anchor="end")
    drawing.text(middle + 8, 14, "more often", cls="xs soft")
    for k, row in enumerate(table.iter_rows(named=True)):
        y = top + step * k + (32.0 if narrow else 12.0)
        counts = f"{row['affected_in']} of {row['sessions_in']} | {row['affected_out']} of {row['sessions_out']}"
        line, room = (y - 14, width - drawing.text_width(counts) - 14) if narrow else (y + 4, left - 18)
        words = drawing.fitted(row["condition"], room * (0.9 if row["stands"] else 1.0))  # strong letters are wider
        drawing.text(0, line, words, cls="sm strong" if row["stands"] else "sm")
        drawing.text(width, line, counts, cls="sm num soft", anchor="end")
        _mark(drawing, row, across, y, reach)
    states = set(table["state"].to_list())
    foot = bottom + 34
    foot += legend(drawing, states, x=0, y=foot, width=width, marks=True) + 4
    said = "Across: odds of the failure under the condition over the odds without it. Bold: stands after counting all "
    said += "questions. An arrow: no bound on that side, or beyond the axis."
    foot += 10 + drawing.paragraph(0, foot + 10, said, room=width)
    drawing.height = foot + 8 + drawing.paragraph(0, foot + 12, scope, room=width)
    return drawing.render()


def _reach(table: pl.DataFrame) -> float:
    """Half the width of the axis in doublings: far enough for all values, and for most intervals."""
    edges = [abs(math.log2(v)) for v in table["odds_ratio"].to_list()]
    bounds = [abs(math.log2(v)) for name in ("low", "high") for v in table[name].drop_nulls().to_list() if v > 0]
    most = max([*edges, sorted(bounds)[(9 * len(bounds)) // 10] if bounds else 1.0])
    return min(math.log2(_WIDEST), max(2.0, math.ceil(most)))


def _ticks(reach: float, *, few: bool) -> list[tuple[float, str]]:
    step = max(1, math.ceil(reach / (2 if few else 4)))
    powers = [k for k in range(-int(reach), int(reach) + 1) if k % step == 0]
    return [(float(k), f"{2**k}" if k >= 0 else f"1/{2**-k}") for k in powers]


def _mark(drawing: Drawing, row: Mapping[str, Any], across: Scale, y: float, reach: float) -> None:
    """The interval as a line, with arrows where it goes on; the value as the mark of its state."""
    ends = []
    for name, sign in (("low", -1.0), ("high", 1.0)):
        bound = row[name]
        power = sign * math.inf if bound is None or bound <= 0 else math.log2(bound)
        at = across.at(min(reach, max(-reach, power)))
        ends.append(at)
        if abs(power) > reach and (row["low"] is not None or row["high"] is not None):
            drawing.path(f"M{at - 5 * sign:.1f} {y - 4:.1f}l{5 * sign:.1f} 4l{-5 * sign:.1f} 4", cls="guide")
    if row["low"] is not None or row["high"] is not None:
        drawing.line(ends[0], y, ends[1], y, cls="guide")
    x = across.at(min(reach, max(-reach, math.log2(row["odds_ratio"]))))
    kind = "mark" if row["state"] in MARK else "dot"
    drawing.path(f"M{x:.1f} {y:.1f}" + mark_at(row["state"], 5.0), cls=f"{kind} big k-{row['state']}")


def _describe(table: pl.DataFrame) -> str:
    said = []
    for row in table.head(12).iter_rows(named=True):
        low, high = (f"{row[k]:.3g}" if row[k] is not None else "no bound" for k in ("low", "high"))
        said.append(f"{STATE_LABEL[row['state']]}, {row['condition']}: {row['odds_ratio']:.3g} ({low} to {high})")
    more = f"; and {table.height - 12} more" if table.height > 12 else ""
    return "Odds of failures by condition. " + "; ".join(said) + more + "."
