"""When the reference itself was doubtful."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from wearbench.findings.finding import Said, statistics_of
from wearbench.findings.subject import Subject
from wearbench.wording import duration, number, plural, share

__all__ = ["say_reference"]


def say_reference(subject: Subject) -> Iterator[Said]:
    """How long the reference was doubtful, and what that does to the error."""
    if not subject.pairs.height:
        return
    reason = pl.col("reason") == "reference_doubtful"
    compared = pl.col("reference").is_finite() & pl.col("tested").is_finite()
    doubtful = subject.pairs.filter(reason)
    seconds = float(doubtful["seconds"].sum() or 0.0)
    whole = float(subject.pairs["seconds"].sum() or 0.0)
    if seconds <= 0 or whole <= 0:
        return
    apart = (pl.col("tested") - pl.col("reference")).abs().mean()
    without = statistics_of(subject.overall()).get("mae", {}).get("value")
    kept = next((r for r in subject.agreement if r.get("by") == "doubtful_reference"), None)
    with_it = statistics_of(kept).get("mae", {}).get("value")
    if with_it is None:
        with_it = subject.pairs.filter((pl.col("used") | reason) & compared).select(apart).item()
    sessions = sorted(doubtful["session"].unique().to_list())
    claim = (
        f"The reference itself was doubtful for {duration(seconds)} ({share(seconds / whole)} of its readings' time), "
        f"in {plural(len(sessions), 'session')}; that time is left out. Mean error without it "
        f"{number(without)} {subject.unit}, with it {number(with_it)} {subject.unit}."
    )
    yield (
        "reference_doubtful",
        claim,
        {
            "seconds": seconds,
            "sessions": sessions,
            "mae_without": without,
            "mae_with": with_it,
            "method": "reference judged without looking at the tested device",
        },
    )
