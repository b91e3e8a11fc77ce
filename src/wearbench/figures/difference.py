"""Difference plot: tested minus reference against their mean, with bias and limits of agreement.

Bland & Altman 1986, Lancet 327(8476):307-310. The mean of the two stands on the axis, not the reference alone, because
differences plotted against one of their own parts slope for no reason (Bland & Altman 1995, Lancet 346:1085-1087).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from wearbench.figures.cells import draw_cells
from wearbench.figures.palette import legend
from wearbench.figures.ratio import pair_table
from wearbench.figures.scales import Scale, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject
from wearbench.wording import finite, half_width, plural, signed

__all__ = ["difference_table", "draw_difference"]


def difference_table(subject: Subject) -> pl.DataFrame:
    """Judged pairs with ``mean`` of the two and ``difference`` = tested - reference."""
    return pair_table(subject).with_columns(
        mean=(pl.col("tested") + pl.col("reference")) / 2, difference=pl.col("tested") - pl.col("reference")
    )


def draw_difference(
    table: pl.DataFrame,
    *,
    statistics: Mapping[str, Mapping[str, Any]],
    title: str,
    scope: str,
    unit: str,
    uid: str,
    width: float = 450.0,
) -> str:
    """Draw the differences.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`difference_table`.
    statistics : mapping
        ``bias``, ``limit_low`` and ``limit_high`` of the results; what is missing is not drawn.
    title, scope, unit, uid : str
    width : float
        In pixels.
    """
    left, right, top, plot = 50.0, 70.0, 14.0, min(330.0, width * 0.8)
    mean, difference = table["mean"].to_numpy(), table["difference"].to_numpy()
    shown = {k: s for k in ("bias", "limit_low", "limit_high") if finite((s := statistics.get(k, {})).get("value"))}
    edges = [s[k] for s in shown.values() for k in ("value", "low", "high") if finite(s.get(k))]
    low, high = nice_range(mean)
    bottom, ceiling = nice_range(np.concatenate([difference, np.array(edges, dtype=float), [0.0]]))
    across = Scale(low=low, high=high, start=left, stop=width - right)
    up = Scale(low=bottom, high=ceiling, start=top + plot, stop=top)
    states = set(table["state"].unique().to_list())
    drawing = Drawing(
        width=width, height=top + plot + 130, title=title, description=_describe(table, shown, unit), uid=uid
    )
    for statistic in shown.values():
        if half_width(statistic) is not None:
            y1, y2 = up.at(statistic["high"]), up.at(statistic["low"])
            drawing.rect(left, y1, width - right - left, y2 - y1, cls="band")
    for value, words in tick_words(ticks(bottom, ceiling, most=6), sign=True):
        y = up.at(value)
        drawing.line(left, y, width - right, y, cls="grid" if value else "axis")
        drawing.text(left - 8, y + 4, words, cls="xs soft num", anchor="end")
    for value, words in tick_words(ticks(low, high, most=5)):
        x = across.at(value)
        drawing.line(x, top + plot, x, top + plot + 4, cls="axis")
        drawing.text(x, top + plot + 18, words, cls="xs soft num", anchor="middle")
    draw_cells(drawing, across.all(mean), up.all(difference), table["state"], many_from=max(4.0, mean.size / 150))
    for name, y in _label_places(shown, up).items():
        at = up.at(shown[name]["value"])
        drawing.line(left, at, width - right, at, cls="guide" if name == "bias" else "guide thin")
        words = "bias" if name == "bias" else "limit"
        drawing.text(width - right + 8, y - 2, words, cls="sm strong")
        amount = signed(shown[name]["value"], uncertainty=half_width(shown[name]))
        drawing.text(width - right + 8, y + 12, amount, cls="xs soft num")
    drawing.text(
        (left + width - right) / 2, top + plot + 36, f"mean of the two, {unit}", cls="sm soft", anchor="middle"
    )
    drawing.text(12, top + plot / 2, f"tested − reference, {unit}", cls="sm soft", anchor="middle", turn=-90)
    used = legend(drawing, states, x=0, y=top + plot + 52, width=width, marks=True)
    foot = top + plot + 62 + used
    drawing.height = foot - 6 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()


def _label_places(shown: Mapping[str, Mapping[str, Any]], up: Scale) -> dict[str, float]:
    """Where the labels of the lines stand, from the top down and never on each other."""
    places: dict[str, float] = {}
    last = -1e9
    for name in sorted(shown, key=lambda n: -float(shown[n]["value"])):
        last = max(up.at(float(shown[name]["value"])), last + 28)
        places[name] = last
    return places


def _describe(table: pl.DataFrame, shown: Mapping[str, Mapping[str, Any]], unit: str) -> str:
    words = f"{plural(table.height, 'reading')}, tested minus reference against the mean of the two."
    names = {"bias": "bias", "limit_low": "lower limit", "limit_high": "upper limit"}
    for key, name in names.items():
        if key in shown:
            words += f" {name} {signed(shown[key]['value'], uncertainty=half_width(shown[key]))} {unit}."
    return words
