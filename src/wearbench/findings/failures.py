"""How it went wrong: each failure by sessions affected, and those never seen."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from wearbench.core.resample import exact_proportion
from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import FAILURES, STATE_DID, STATE_LABEL, duration, join_words, plural, share

__all__ = ["say_states"]


def say_states(subject: Subject) -> Iterator[Said]:
    """Each failure that was seen, the one with most time first; then those that were not."""
    total = subject.judged_sessions
    if not total or not subject.states:
        return
    seconds = subject.seconds()
    absent = []
    for state in sorted(FAILURES, key=lambda s: -seconds.get(s, 0.0)):
        episodes = [e for e in subject.episodes if e.get("state") == state]
        if not episodes and seconds.get(state, 0.0) <= 0:
            if state in ("halved", "doubled", "cadence_locked", "frozen"):
                absent.append(state)
            continue
        yield _one_state(subject, state, episodes, seconds.get(state, 0.0), total)
    if absent:
        bound = exact_proportion(0, len(total), confidence=subject.confidence)[1]
        names = join_words([f"“{STATE_LABEL[s]}”" for s in absent])
        claim = f"Not seen: {names}. "
        claim += (
            "One session without it says little."
            if len(total) == 1
            else f"With {plural(len(total), 'session')} without it, something that strikes up to {share(bound)} of "
            "sessions could still have gone unseen."
        )
        yield "not_seen", claim, {"states": absent, "n_sessions": len(total), "high": bound, "method": "exact binomial"}


def _one_state(subject: Subject, state: str, episodes: list[dict[str, Any]], seconds: float, total: list[str]) -> Said:
    row = next((r for r in subject.affected if r.get("state") == state), None)
    if row is not None and row.get("n_sessions"):
        hit, asked = list(row.get("sessions") or []), int(row["n_sessions"])
        at_least = float(row.get("least_seconds") or 0.0)
    else:
        hit, asked, at_least = (
            sorted({e["session"] for e in episodes if e.get("session") in set(total)}),
            len(total),
            0.0,
        )
    low, high = exact_proportion(len(hit), asked, confidence=subject.confidence)
    did = STATE_DID[state].format(what=subject.what)
    longest = max(episodes, key=lambda e: e.get("seconds") or 0.0, default=None)
    most = ""
    if longest is not None:
        most = f", for {duration(longest.get('seconds'))} at the longest ({longest.get('id')})"
    if len(total) == 1:
        claim = f"In this one session it {did}{most}. {duration(seconds)} in all."
    else:
        level = f"{100 * subject.confidence:g} %"
        claim = (
            f"It {did} in {len(hit)} of {plural(asked, 'session')}{most}. {duration(seconds)} in all. Share of "
            f"sessions affected: {share(len(hit) / asked)} ({level} interval {share(low)} to {share(high)})"
        )
        claim += f", counting sessions with {duration(at_least)} of it or more." if at_least > 0 else "."
    both = sum(1 for e in episodes if e.get("also"))
    if both:
        other = STATE_LABEL[str(next(e["also"] for e in episodes if e.get("also")))]
        claim += (
            f" In {both} of {plural(len(episodes), 'episode')} “{other}” fits as well: the two cannot be told apart."
        )
    evidence = {
        "state": state,
        "sessions": hit,
        "n_sessions": asked,
        "least_seconds": at_least,
        "share": len(hit) / asked,
        "low": low,
        "high": high,
        "seconds": seconds,
        "episodes": len(episodes),
        "longest": None if longest is None else longest.get("id"),
        "also": both,
        "method": "exact binomial interval over sessions" if len(total) > 1 else "",
    }
    return f"state_{state}", claim, evidence
