"""What a session strip is drawn from: traces, windows of readings, states, rhythms and bouts, session by session."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import polars as pl

from wearbench.figures.rhythms import rhythm_runs
from wearbench.figures.runs import placed_pairs, session_spans, shown_state, state_runs
from wearbench.findings import Subject
from wearbench.study.results import Results

__all__ = ["strip_tables"]

_NO_VALUE: Final = ("sentinel", "out_of_range")
STRIP_SCHEMA: Final = pl.Schema(
    {
        "session": pl.String(),
        "what": pl.String(),
        "start": pl.Datetime("us", "UTC"),
        "end": pl.Datetime("us", "UTC"),
        "value": pl.Float64(),
        "label": pl.String(),
        "doubtful": pl.Boolean(),
    }
)


def strip_tables(results: Results, subject: Subject) -> Iterator[tuple[str, pl.DataFrame]]:
    """One table for each session of a tested device, in order of time.

    Yields
    ------
    tuple of str and polars.DataFrame
        Session and ``session, what, start, end, value, label, doubtful``. ``what`` is ``reference``, ``cadence``,
        ``tested`` (the window a reading stands for; label: state), ``state`` (a run; label: state), ``rhythm`` (a
        stretch of one of several rhythms; label: its words), ``bout`` (label: activity or name) or ``session`` (from
        first to last instant, so that strips of one session share their axis).
    """
    spans = session_spans(results)
    placed = placed_pairs(subject.pairs)
    shown = ~pl.col("reason").fill_null("").is_in(_NO_VALUE)  # a sentinel is no rate and would stretch the axis
    whole_window = pl.col("start").is_not_null() & pl.col("end").is_not_null()
    tested = placed.filter(shown).select(
        "session",
        what=pl.lit("tested"),
        start=pl.when(whole_window).then("start").otherwise("at"),
        end=pl.when(whole_window).then("end").otherwise("at"),
        value="tested",
        label=shown_state(),
        doubtful=pl.lit(value=False),
    )
    runs = state_runs(results, subject).select(
        "session",
        "start",
        "end",
        what=pl.lit("state"),
        value=pl.lit(None, dtype=pl.Float64),
        label="state",
        doubtful=pl.lit(value=False),
    )
    traces = _context(results, subject)
    whole = spans.select(
        "session",
        start="first",
        end="last",
        what=pl.lit("session"),
        value=pl.lit(None, dtype=pl.Float64),
        label=pl.lit(None, dtype=pl.String),
        doubtful=pl.lit(value=False),
    )
    rhythms = rhythm_runs(subject, placed).with_columns(
        what=pl.lit("rhythm"), value=pl.lit(None, dtype=pl.Float64), doubtful=pl.lit(value=False)
    )
    frames = [
        f.select(list(STRIP_SCHEMA)).cast(STRIP_SCHEMA) for f in (traces, tested, runs, rhythms, _bouts(placed), whole)
    ]
    parts = _inside(pl.concat(frames), spans).partition_by("session", as_dict=True, maintain_order=True)
    mine = set(subject.pairs["session"].unique().to_list()) | {str(e.get("session")) for e in subject.episodes}
    for session in spans["session"].to_list():
        if session in mine and (session,) in parts:
            yield session, parts[(session,)]


def _inside(table: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    """What touches its session; stretches cut to it."""
    cut = pl.col("what").is_in(("rhythm", "bout"))
    return (
        table.join(spans, on="session", how="left", maintain_order="left")
        .filter((pl.col("end") >= pl.col("first")) & (pl.col("start") <= pl.col("last")))
        .with_columns(
            start=pl.when(cut).then(pl.max_horizontal("start", "first")).otherwise("start"),
            end=pl.when(cut).then(pl.min_horizontal("end", "last")).otherwise("end"),
        )
        .select(list(STRIP_SCHEMA))
    )


def _context(results: Results, subject: Subject) -> pl.DataFrame:
    """What stands behind the tested device: the reference it was held against, and one device's cadence."""
    held = subject.pairs.select("session", device="reference_device").drop_nulls().unique()
    reference = results.traces.filter((pl.col("role") == "reference") & (pl.col("quantity") == subject.quantity))
    chosen = reference.join(held, on=["session", "device"], how="semi")
    others = reference.join(held, on="session", how="anti")
    cadence = results.traces.filter((pl.col("role") != "reference") & (pl.col("quantity") == "cadence"))
    first = pl.col("device") == pl.col("device").min().over("session")
    parts = (("reference", chosen), ("reference", others.filter(first)), ("cadence", cadence.filter(first)))
    return pl.concat(
        part.select(
            "session",
            start="time",
            end="time",
            value="value",
            label=pl.lit(None, dtype=pl.String),
            doubtful="doubtful",
            what=pl.lit(what),
        )
        for what, part in parts
    )


def _bouts(placed: pl.DataFrame) -> pl.DataFrame:
    """Runs of one bout name, from the first to the last reading in it."""
    name = pl.coalesce(pl.col("activity"), pl.col("bout"))
    key = pl.coalesce(pl.col("bout"), pl.col("activity"))
    fresh = ((key != key.shift()) | (pl.col("session") != pl.col("session").shift())).fill_null(value=True)
    return (
        placed.filter(name.is_not_null())
        .with_columns(run=fresh.cum_sum(), label=name)
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("session", "label").first(),
            start=pl.col("stamp").first(),
            end=pl.col("stamp").last(),
        )
        .with_columns(what=pl.lit("bout"), value=pl.lit(None, dtype=pl.Float64), doubtful=pl.lit(value=False))
    )
