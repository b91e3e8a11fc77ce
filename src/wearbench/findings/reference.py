"""When the reference itself was doubtful, what that changes, and where one of the two was wrong."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl

from wearbench.findings.finding import Said, statistics_of
from wearbench.findings.subject import Subject
from wearbench.wording import STATE_LABEL, duration, finite, join_words, number, plural, share

__all__ = ["say_disputed", "say_doubt_effect", "say_reference"]


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


def say_doubt_effect(subject: Subject) -> Iterator[Said]:
    """What share of time right, and of sessions with a failure, becomes with doubtful stretches kept."""
    rows = [r for r in subject.doubt_effect if finite(r.get("with_doubtful")) and finite(r.get("without_doubtful"))]
    if not rows or not float(rows[0].get("seconds_doubtful") or 0.0) > 0:
        return
    track = next((r for r in rows if r["statistic"] == "tracking_share"), None)
    if track is None:
        return
    claim = (
        f"With doubtful stretches of the reference kept it would have been right for {share(track['with_doubtful'])} "
        f"of the time; without them it was for {share(track['without_doubtful'])}."
    )
    moved = []
    for row in rows:
        state = str(row["statistic"]).removeprefix("affected_")
        if state in STATE_LABEL and row["with_doubtful"] != row["without_doubtful"]:
            n = int(row.get("n_sessions") or 0)
            with_it, without = (round(n * float(row[k])) for k in ("with_doubtful", "without_doubtful"))
            moved.append(f"“{STATE_LABEL[state]}” in {with_it} instead of {without}")
    claim += f" Sessions affected would be: {join_words(moved)}." if moved else " No session would count otherwise."
    evidence = {
        "rows": rows,
        "seconds": rows[0]["seconds_doubtful"],
        "sessions": rows[0].get("sessions_doubtful"),
        "method": "reference judged without looking at the tested device; both ways from the same readings",
        "made_from": [_key(subject, "doubt_effect", statistic=r["statistic"]) for r in rows],
    }
    yield "doubt_effect", claim, evidence


def say_disputed(subject: Subject) -> Iterator[Said]:
    """Where device and reference were apart by a simple ratio and it cannot be said which was wrong."""
    if not subject.disputed:
        return
    sessions = sorted({str(e["session"]) for e in subject.disputed})
    seconds = sum(float(e.get("seconds") or 0.0) for e in subject.disputed)
    longest = max(subject.disputed, key=lambda e: float(e.get("seconds") or 0.0))
    states = list(dict.fromkeys(STATE_LABEL[str(e["state"])] for e in subject.disputed))
    reasons = list(dict.fromkeys(str(e["doubt"]).partition(": ")[2] for e in subject.disputed))
    claim = (
        f"For {duration(seconds)}, in {plural(len(sessions), 'session')}, it read {join_words(states)}, but one of the "
        f"two is wrong and this study cannot say which: {'; or '.join(reasons)}. That time is not counted against it; "
        f"the longest was {duration(longest.get('seconds'))} ({longest.get('id')})."
    )
    evidence = {
        "seconds": seconds,
        "sessions": sessions,
        "episodes": [e.get("id") for e in subject.disputed],
        "longest": longest.get("id"),
        "method": "doubt in the reference, and which of the two stepped at the edges of the episode",
        "made_from": [_key(subject, "episodes", id=e.get("id")) for e in subject.disputed],
    }
    yield "disputed", claim, evidence


def _key(subject: Subject, table: str, **keys: Any) -> dict[str, Any]:
    return {"table": table, "keys": {"device": subject.device, "quantity": subject.quantity, **keys}}
