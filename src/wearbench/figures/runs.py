"""Unbroken stretches of one state on the reference's clock: what walls and strips are drawn from."""

from __future__ import annotations

from typing import Final

import polars as pl

from wearbench.findings import Subject, session_bounds
from wearbench.study.results import Results, plain

__all__ = ["placed_pairs", "session_spans", "shown_state", "state_runs"]

_NO_READING: Final = ("missing", "not_worn", "not_expected")
RUN_SCHEMA: Final = pl.Schema(
    {
        "session": pl.String(),
        "state": pl.String(),
        "start": pl.Datetime("us", "UTC"),
        "end": pl.Datetime("us", "UTC"),
        "start_s": pl.Float64(),
        "end_s": pl.Float64(),
    }
)
_SPAN_SCHEMA: Final = pl.Schema({k: RUN_SCHEMA[k] for k in ("session", "state", "start", "end")})


def shown_state() -> pl.Expr:
    """The state a reading is drawn in: its own if it was used, ``judged`` where it has none, else ``unjudged``."""
    own = pl.col("state").fill_null("judged")
    return pl.when(pl.col("used")).then(own).otherwise(pl.lit("unjudged"))


def placed_pairs(pairs: pl.DataFrame) -> pl.DataFrame:
    """Pairs with ``at``, the middle of each window on the reference's clock, in order of session and time.

    Readings without a window keep the device's own stamp.
    """
    middle = pl.col("start") + (pl.col("end") - pl.col("start")) / 2
    return pairs.with_columns(
        at=pl.coalesce(middle, pl.col("end"), pl.col("time")).cast(pl.Datetime("us", "UTC")),
        stamp=pl.coalesce(pl.col("end"), pl.col("time")),
    ).sort("session", "stamp")


def session_spans(results: Results) -> pl.DataFrame:
    """First and last instant of each session over all recordings, within what the study tells of it.

    Returns
    -------
    polars.DataFrame
        ``session, first, last``.
    """
    parts = []
    if results.pairs.height:
        placed = results.pairs.select("session", at=pl.coalesce(pl.col("end"), pl.col("time")))
        parts.append(placed)
    if results.traces.height:
        parts.append(results.traces.select("session", at=pl.col("time")))
    if not parts:
        return pl.DataFrame(schema={"session": pl.String(), "first": RUN_SCHEMA["start"], "last": RUN_SCHEMA["start"]})
    first = pl.max_horizontal(pl.col("first"), pl.col("low"))
    last = pl.min_horizontal(pl.col("last"), pl.col("high"))
    return (
        pl.concat(parts)
        .group_by("session")
        .agg(first=pl.col("at").min(), last=pl.col("at").max())
        .join(session_bounds(plain(results.document)), on="session", how="left")
        .select("session", first=first, last=pl.max_horizontal(first, last))
        .sort("first", "session")
    )


def state_runs(results: Results, subject: Subject) -> pl.DataFrame:
    """Runs of one state for one tested device.

    Parameters
    ----------
    results : Results
    subject : Subject

    Returns
    -------
    polars.DataFrame
        ``session, state, start, end, start_s, end_s``; seconds count from the session's first instant. Readings that
        could not be judged have the state ``unjudged``; time without readings comes from the episodes.
    """
    spans = session_spans(results)
    runs = [_reading_runs(subject.pairs), _silent_runs(subject)]
    found = pl.concat([r for r in runs if r.height] or [runs[0]])
    seconds = pl.duration(seconds=1).cast(pl.Duration("us"))
    return (
        found.join(spans, on="session", how="left")
        .with_columns(
            start=pl.max_horizontal("start", "first"),
            end=pl.when(pl.col("state") == "unjudged").then(pl.min_horizontal("end", "last")).otherwise(pl.col("end")),
        )
        .with_columns(
            start_s=(pl.col("start") - pl.col("first")).dt.total_microseconds() / 1e6,
            end_s=(pl.col("end") - pl.col("first")).dt.total_microseconds() / 1e6,
        )
        .filter(pl.col("end") - pl.col("start") > 0 * seconds)
        .select(list(RUN_SCHEMA))
        .sort("session", "start")
    )


def _reading_runs(pairs: pl.DataFrame) -> pl.DataFrame:
    """Runs of readings of one state, each reading about the middle of its window for as long as it counts."""
    if not pairs.height:
        return pl.DataFrame(schema=_SPAN_SCHEMA)
    half = pl.duration(microseconds=(pl.col("seconds").fill_null(0.0) * 5e5).cast(pl.Int64))
    rows = placed_pairs(pairs).select(
        "session", begin=pl.col("at") - half, state=shown_state(), until=pl.col("at") + half, seconds="seconds"
    )
    apart = (pl.col("begin") - pl.col("until").shift()).dt.total_microseconds() / 1e6
    fresh = (
        (pl.col("session") != pl.col("session").shift())
        | (pl.col("state") != pl.col("state").shift())
        | (apart > 0.5 * pl.col("seconds").fill_null(0.0) + 0.05)
    ).fill_null(value=True)
    return (
        rows.with_columns(run=fresh.cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            session=pl.col("session").first(),
            state=pl.col("state").first(),
            start=pl.col("begin").first(),
            end=pl.col("until").max(),
        )
        .select(list(_SPAN_SCHEMA))
        .cast(_SPAN_SCHEMA)
    )


def _silent_runs(subject: Subject) -> pl.DataFrame:
    rows = [
        (e["session"], e["state"], str(e["start"]), str(e["end"]))
        for e in subject.episodes
        if e.get("state") in _NO_READING and e.get("start") and e.get("end")
    ]
    text = pl.DataFrame(rows, schema=dict.fromkeys(_SPAN_SCHEMA, pl.String), orient="row")
    instant = pl.col("start", "end").str.to_datetime(time_unit="us", time_zone="UTC", strict=False)
    return (
        text.with_columns(instant).drop_nulls().cast(_SPAN_SCHEMA) if text.height else pl.DataFrame(schema=_SPAN_SCHEMA)
    )
