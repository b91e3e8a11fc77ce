"""How long it was right, how long it was silent, and what could not be judged."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import polars as pl

from wearbench.core.resample import exact_proportion
from wearbench.findings.finding import Said, here, sessions_hit
from wearbench.findings.subject import Subject, distinct
from wearbench.wording import NOT_JUDGED, duration, finite, join_words, plural, share

__all__ = ["say_missing", "say_nothing_judged", "say_one_session", "say_tracking", "unjudged_s"]

ONE_SESSION: Final = "One session is an anecdote; more sessions, on other days, would make it more."


def say_tracking(subject: Subject) -> Iterator[Said]:
    """The share of time it was right, with what missing time does to it."""
    track = subject.tracking()
    if track is None or track["judged_s"] <= 0:
        return
    asked = track["judged_s"] + track["missing_s"]
    sure = ""
    if len(subject.judged_sessions) > 1 and finite(track["low"]) and finite(track["high"]):
        level = f"{100 * subject.confidence:g} %"
        sure = f" ({level} interval {share(track['low'])} to {share(track['high'])})"
    claim = (
        f"{here(subject)} was right for {share(track['share'])} of the time{sure}. That is "
        f"{duration(track['faithful_s'])} of the {duration(asked)} in which it should have given a value beside a "
        "trustworthy reference."
    )
    by_session = subject.by_session()
    if len(by_session) > 1:
        worst, best = min(by_session.values()), max(by_session.values())
        same = share(worst) == share(best)
        claim += (
            " So it was in every session."
            if same
            else (f" Session by session this went from {share(worst)} to {share(best)}.")
        )
    if track["missing_s"] > 0:
        claim += (
            f" Time without a value ({duration(track['missing_s'])}) counts as wrong here; counted as right it "
            f"would be {share(track['if_missing_right'])}."
        )
    unjudged = unjudged_s(subject.pairs)
    if unjudged > 0:
        claim += f" Another {duration(unjudged)} could not be judged."
    method = track["method"] or "seconds labelled faithful over judged plus missing seconds"
    yield "tracking", claim, {**track, "unjudged_s": unjudged, "by_session": by_session, "method": method}


def unjudged_s(pairs: pl.DataFrame) -> float:
    """Time that could not be judged; what a rule or a decision left out is another matter."""
    left_out = pl.col("reason").is_in(("rule", "left_out", "not_worn")).fill_null(value=False)
    return float(pairs.filter(~pl.col("used") & ~left_out)["seconds"].sum() or 0.0) if pairs.height else 0.0


def say_missing(subject: Subject) -> Iterator[Said]:
    """How long it gave no value."""
    seconds = subject.seconds()
    if not seconds:
        return
    missing = seconds.get("missing", 0.0)
    gaps = [e for e in subject.episodes if e.get("state") == "missing"]
    if missing <= 0:
        return
    asked = missing + sum(s for state, s in seconds.items() if state not in NOT_JUDGED)
    hit = sorted({str(e.get("session")) for e in gaps})
    claim = f"{here(subject)} gave no value for {duration(missing)} ({share(missing / asked)} of the time)"
    if gaps:
        longest = max(gaps, key=lambda e: e.get("seconds") or 0.0)
        claim += (
            f", in {plural(len(hit), 'session')}; the longest gap was {duration(longest.get('seconds'))} "
            f"({longest.get('id')})"
        )
    claim += "."
    evidence: dict[str, Any] = {"fault": False, "state": "missing", "seconds": missing, "asked_s": asked}
    evidence |= {"sessions": hit, "episodes": len(gaps), "n_sessions": None, "share": None, "low": None, "high": None}
    row, several = subject.affected_by("missing"), len(subject.judged_sessions) > 1
    if row is not None and row["n_affected"]:
        k, n = int(row["n_affected"]), int(row["n_sessions"])
        low, high = exact_proportion(k, n, confidence=subject.confidence)
        if several:
            words = sessions_hit(k, n, (low, high), confidence=subject.confidence, word=subject.sessions_word(n))
            claim += f" For {duration(row['least_seconds'])} or more in {words}."
        evidence |= {"fault": True, "sessions": list(row["sessions"]), "n_sessions": n, "share": k / n}
        evidence |= {"low": low, "high": high, "least_seconds": float(row["least_seconds"])}
    elif row is not None and gaps:
        claim += f" In no session for {duration(row['least_seconds'])}: too short to count."
    method = "time beyond the usual rhythm without a reading"
    yield "missing", claim, {**evidence, "method": f"{method}; exact binomial over sessions" if several else method}


def say_one_session(subject: Subject) -> Iterator[Said]:
    """That one session is one session."""
    if len(subject.judged_sessions) == 1:
        yield "one_session", ONE_SESSION, {"sessions": subject.judged_sessions}


def say_nothing_judged(subject: Subject) -> Iterator[Said]:
    """That nothing could be judged, and why."""
    if subject.judged_sessions:
        return
    reasons = distinct(subject.pairs, "reason")
    why = f" (reasons: {join_words([r.replace('_', ' ') for r in reasons])})" if reasons else ""
    claim = f"Nothing could be judged: no reading has a trustworthy reference beside it{why}."
    yield "nothing_judged", claim, {"reasons": reasons, "n_readings": subject.pairs.height}
