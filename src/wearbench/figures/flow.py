"""Flow: from time worn to time judged, one bar a step, so that nothing is left out unseen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import polars as pl

from wearbench.figures.scales import Scale
from wearbench.figures.svg import Drawing
from wearbench.findings import Subject
from wearbench.wording import duration, finite, share

__all__ = ["draw_flow", "flow_table"]

STEPS: Final[dict[str, str]] = {
    "worn": "worn together",
    "reference_trustworthy": "reference trustworthy",
    "gave_values": "device gave values",
    "left_out_by_rule": "left out by rule",
    "left_out_by_hand": "left out by hand",
    "judged": "judged",
}
"""Steps in order with their words; the two left out are losses, the others what remains."""

_LOST: Final = ("left_out_by_rule", "left_out_by_hand")


def flow_table(document: Mapping[str, Any], subject: Subject) -> pl.DataFrame:
    """Steps of the flow for one device.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``.
    subject : Subject

    Returns
    -------
    polars.DataFrame
        ``step, words, seconds, lost``; empty when the results hold no flow for the device. Readings of an export that
        spans sessions count inside these only.
    """
    rows = [
        r
        for r in document.get("flow") or []
        if isinstance(r, Mapping)
        and r.get("device") == subject.device
        and r.get("quantity", subject.quantity) == subject.quantity
        and finite(r.get("seconds"))
    ]
    seconds: dict[str, float] = {}
    for r in rows:
        seconds[str(r.get("step"))] = seconds.get(str(r.get("step")), 0.0) + float(r["seconds"])
    if "left_out_by_rule" in seconds and subject.pairs.height:
        by_rule = pl.col("reason").is_not_null() & (pl.col("reason") != "left_out")
        inside = float(subject.pairs.filter(~pl.col("used") & by_rule)["seconds"].sum() or 0.0)
        seconds["left_out_by_rule"] = min(seconds["left_out_by_rule"], inside)
    order = [s for s in STEPS if s in seconds] + [s for s in seconds if s not in STEPS]
    return pl.DataFrame(
        [(s, STEPS.get(s, s.replace("_", " ")), seconds[s], s in _LOST) for s in order],
        schema={"step": pl.String, "words": pl.String, "seconds": pl.Float64, "lost": pl.Boolean},
        orient="row",
    )


def draw_flow(table: pl.DataFrame, *, title: str, scope: str, uid: str, width: float = 450.0) -> str:
    """Draw the steps as bars, with time and share of the first step.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`flow_table`; at least one row.
    title, scope, uid : str
    width : float
        In pixels.
    """
    whole = float(table["seconds"].max() or 1.0)  # type: ignore[arg-type]
    step = 40.0
    scale = Scale(low=0.0, high=whole if whole > 0 else 1.0, start=0.0, stop=width)
    parts = [f"{words} {duration(seconds)}" for _, words, seconds, _ in table.iter_rows()]
    drawing = Drawing(
        width=width,
        height=table.height * step + 34,
        title=title,
        description="Step by step: " + ", ".join(parts) + ".",
        uid=uid,
    )
    for k, (_, words, seconds, lost) in enumerate(table.iter_rows()):
        y = k * step
        amount = f"{duration(seconds)} · {share(seconds / whole if whole else 0.0)}"
        drawing.text(0, y + 14, words, cls="sm" + (" soft" if lost else " strong"))
        drawing.text(width, y + 14, amount, cls="sm num" + (" soft" if lost else ""), anchor="end")
        drawing.rect(0, y + 20, width, 9, cls="panel")
        if seconds > 0:
            drawing.rect(0, y + 20, max(1.0, scale.at(seconds)), 9, cls="bar light" if lost else "bar")
    foot = table.height * step + 10
    drawing.height = foot - 4 + drawing.paragraph(0, foot, scope, room=width)
    return drawing.render()
