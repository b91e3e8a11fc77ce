"""Stretches in which a device kept one of its rhythms."""

from __future__ import annotations

import itertools
import math
from typing import Final

import polars as pl

from wearbench.findings import Subject
from wearbench.wording import finite

__all__ = ["rhythm_runs"]

_SCHEMA: Final = pl.Schema(
    {
        "session": pl.String(),
        "start": pl.Datetime("us", "UTC"),
        "end": pl.Datetime("us", "UTC"),
        "label": pl.String(),
    }
)
_LEAST: Final = 3
"""Fewest readings of a stretch that is shown."""


def rhythm_runs(subject: Subject, placed: pl.DataFrame) -> pl.DataFrame:
    """Stretches of one rhythm, for a device that keeps several over the study.

    Parameters
    ----------
    subject : Subject
    placed : polars.DataFrame
        Its pairs with ``stamp``, in order of session and time.

    Returns
    -------
    polars.DataFrame
        ``session, start, end, label``; empty for a device of one rhythm. A reading has the known rhythm nearest to the
        middle one of the five steps about it, by their ratio.
    """
    told = [(float(r["usual_s"]), str(r["rhythm"])) for r in subject.rhythms if finite(r.get("usual_s"))]
    known = sorted(told)
    if len(known) < 2 or placed.height < 2:
        return pl.DataFrame(schema=_SCHEMA)
    step = (pl.col("stamp").diff().over("session").dt.total_microseconds() / 1e6).clip(lower_bound=1e-3)
    usual = pl.col("step").rolling_median(5, min_samples=1, center=True).over("session")
    label: pl.Expr = pl.lit(known[0][1])
    for (quick, _), (slow, name) in itertools.pairwise(known):
        label = pl.when(pl.col("usual") > math.sqrt(quick * slow)).then(pl.lit(name)).otherwise(label)
    changed = (pl.col("label") != pl.col("label").shift()) | (pl.col("session") != pl.col("session").shift())
    return (
        placed.with_columns(step=step)
        .with_columns(usual=usual)
        .with_columns(label=label)
        .with_columns(run=changed.fill_null(value=True).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(pl.col("session", "label").first(), start=pl.col("stamp").first(), end=pl.col("stamp").last(), n=pl.len())
        .filter(pl.col("n") >= _LEAST)
        .select(list(_SCHEMA))
        .cast(_SCHEMA)
    )
