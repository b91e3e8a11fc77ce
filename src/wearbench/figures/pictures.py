"""Every figure of one tested device: its table, its words, and how it is drawn at any width."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial

import polars as pl

from wearbench.figures.beforeafter import before_after_table, draw_before_after
from wearbench.figures.choices import choices_table, draw_choices, main_claim
from wearbench.figures.difference import difference_table, draw_difference
from wearbench.figures.evidence import draw_evidence, evidence_table
from wearbench.figures.flow import draw_flow, flow_table
from wearbench.figures.odds import draw_odds, odds_table
from wearbench.figures.ratio import draw_ratio, ratio_table
from wearbench.figures.scatter import draw_scatter, scatter_table
from wearbench.figures.shares import draw_shares, shares_table
from wearbench.figures.wall import draw_wall, wall_table
from wearbench.findings import Subject
from wearbench.quantities import QUANTITIES
from wearbench.study.results import Results, plain

__all__ = ["Picture", "pictures_of", "tolerance_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """A table and how it is drawn; ``draw(uid=..., width=...)`` gives the SVG.

    ``width`` is the one it looks best at; any other may be asked for.
    """

    name: str
    title: str
    table: pl.DataFrame = field(repr=False)
    draw: Callable[..., str] = field(repr=False)
    width: float


def tolerance_of(subject: Subject) -> float | None:
    """Half the width of the band that counts as close, in the quantity's unit; None where none is declared."""
    declared = QUANTITIES.get(subject.quantity)
    return declared.tolerance if declared else None


def _choices(scope: str) -> Callable[..., str]:
    return partial(draw_choices, scope=scope)


def pictures_of(results: Results, subject: Subject, *, scope: str) -> Iterator[Picture]:
    """Every figure of one tested device but the strips, those with nothing to draw left out.

    Parameters
    ----------
    results : Results
    subject : Subject
    scope : str
        Scope line of the figures.

    Yields
    ------
    Picture
        ``shares``, ``flow``, ``wall``, ``ratio``, ``scatter``, ``difference``, ``choices``, ``choices_error``.
    """
    label, unit, what = subject.label, subject.unit, subject.what
    tolerance, statistics = tolerance_of(subject), (subject.overall() or {}).get("statistics") or {}
    declared = QUANTITIES.get(subject.quantity)
    flow, turn = flow_table(plain(results.document), subject), before_after_table(subject)
    ratio = ratio_table(subject) if declared and declared.state_model else pl.DataFrame()
    close = partial(draw_scatter, scope=scope, unit=unit, tolerance=tolerance)
    apart = partial(draw_difference, scope=scope, unit=unit, statistics=statistics)
    for name, title, table, draw, width in (
        ("shares", "time by state", shares_table(subject), partial(draw_shares, scope=scope), 624.0),
        ("flow", "from worn to judged", flow, partial(draw_flow, scope=scope), 450.0),
        ("wall", "ribbon wall", wall_table(results, subject), partial(draw_wall, scope=scope), 920.0),
        ("odds", "odds of failures by condition", odds_table(subject), partial(draw_odds, scope=scope), 920.0),
        ("evidence", "how the evidence grew", evidence_table(subject), partial(draw_evidence, scope=scope), 624.0),
        ("before_after", "before and after", turn, partial(draw_before_after, scope=scope), 624.0),
        ("ratio", "ratio plot", ratio, partial(draw_ratio, scope=scope, unit=unit, what=what), 920.0),
        ("scatter", "tested against reference", scatter_table(subject), close, 450.0),
        ("difference", "differences", difference_table(subject), apart, 450.0),
        ("choices", "other analyses", choices_table(subject, main_claim(subject)), _choices(scope), 920.0),
        ("choices_error", "mean error in other analyses", choices_table(subject, "mae"), _choices(scope), 920.0),
    ):
        if table.height:
            title = f"{label}: {title}"
            yield Picture(name=name, title=title, table=table, draw=partial(draw, table, title=title), width=width)
