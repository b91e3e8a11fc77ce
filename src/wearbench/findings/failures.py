"""How it went wrong: each failure by sessions affected, lapses too short to count, and failures never seen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.core.resample import exact_proportion
from wearbench.findings.finding import Said, sessions_hit
from wearbench.findings.subject import Subject
from wearbench.wording import FAILURES, STATE_DID, STATE_LABEL, duration, join_words, number_word, plural, share

__all__ = ["say_states"]

_LOOKED_FOR: Final = ("halved", "doubled", "cadence_locked", "frozen")
_METHOD: Final = "exact binomial interval over sessions"


def say_states(subject: Subject) -> Iterator[Said]:
    """Each failure that held long enough to count, the one with most time first; then lapses; then the unseen."""
    if not subject.judged_sessions or not subject.states:
        return
    rows = {state: row for state in FAILURES if (row := subject.affected_by(state)) is not None}
    for row in sorted(rows.values(), key=lambda r: -float(r["seconds"])):
        if row["n_affected"]:
            yield _fault(subject, row)
    yield from _lapses(subject, rows)
    yield from _unsure(subject, rows)
    yield from _not_seen(subject, rows)


def _fault(subject: Subject, row: Mapping[str, Any]) -> Said:
    state, k, n = str(row["state"]), int(row["n_affected"]), int(row["n_sessions"])
    low, high = exact_proportion(k, n, confidence=subject.confidence)
    did = STATE_DID[state].format(what=subject.what)
    longest = f"longest {duration(row['longest_seconds'])}" if row.get("longest_seconds") else ""
    longest += f" ({row['longest']})" if longest and row.get("longest") else ""
    if len(subject.judged_sessions) == 1:
        claim = f"In this one session it {did}{', ' if longest else ''}{longest}."
        claim += f" {duration(row['affected_seconds'])} in all."
    else:
        hit = sessions_hit(k, n, (low, high), confidence=subject.confidence, word=subject.sessions_word(n))
        if n == 1:
            hit = "the only session that could show it,"
        pause = "," if state == "frozen" else ""  # the true rate moved, and it held
        claim = f"In {hit} it {did}{pause} for at least {duration(row['least_seconds'])}"
        claim += f", {longest}." if longest else "."
        claim += f" {duration(row['affected_seconds'])} in all."
        claim += _people(subject, row)
        if state == "cadence_locked" and n < len(subject.judged_sessions):
            claim += f" Only {plural(n, 'session')} had a cadence beside it."
    also, episodes = int(row.get("n_also") or 0), int(row.get("n_episodes") or 0)
    if also:
        claim += (
            f" In {also} of {plural(episodes, 'episode')} “{STATE_LABEL['cadence_locked']}” fits as well: the two "
            "cannot be told apart."
        )
    several = len(subject.judged_sessions) > 1
    evidence = {
        "fault": True,
        "state": state,
        "sessions": list(row["sessions"]),
        "n_sessions": n,
        "least_seconds": float(row["least_seconds"]),
        "share": k / n,
        "low": low,
        "high": high,
        "seconds": float(row["affected_seconds"]),
        "episodes": episodes,
        "longest": row.get("longest"),
        "also": also,
        "people": [len(subject.participants(list(row["sessions"]))), len(subject.participants())],
        "method": f"{_METHOD}; episodes of enough probability, summed within a session" if several else "",
    }
    return f"state_{state}", claim, evidence


def _people(subject: Subject, row: Mapping[str, Any]) -> str:
    """In how many of several people."""
    everyone = subject.participants()
    if len(everyone) < 2:
        return ""
    struck = subject.participants(list(row["sessions"]))
    if len(struck) == len(everyone):
        return f" It struck all {number_word(len(everyone))} people."
    return f" It struck {number_word(len(struck))} of {number_word(len(everyone))} people."


def _lapses(subject: Subject, rows: Mapping[str, Mapping[str, Any]]) -> Iterator[Said]:
    """Failures shorter than what counts: said in one sentence, and no fault."""
    brief = {s: r for s, r in rows.items() if float(r.get("brief_seconds") or 0.0) > 0}
    if not brief:
        return
    ordered = sorted(brief.items(), key=lambda item: -float(item[1]["brief_seconds"]))
    one = len(subject.judged_sessions) == 1
    parts = [_amount(s, r["brief_seconds"], len(r["brief_sessions"]), one=one) for s, r in ordered]
    least = duration(ordered[0][1]["least_seconds"])
    claim = f"Shorter lapses, too short to count (under {least} in a session, or one reading): {'; '.join(parts)}."
    evidence = {
        "fault": False,
        "states": [s for s, _ in ordered],
        "seconds": {s: float(r["brief_seconds"]) for s, r in ordered},
        "sessions": {s: list(r["brief_sessions"]) for s, r in ordered},
        "least_seconds": float(ordered[0][1]["least_seconds"]),
        "method": "seconds of episodes in sessions that held less than what counts",
    }
    yield "lapses", claim, evidence


def _unsure(subject: Subject, rows: Mapping[str, Mapping[str, Any]]) -> Iterator[Said]:
    """Episodes whose state is too uncertain to count."""
    doubtful = {s: r for s, r in rows.items() if float(r.get("unsure_seconds") or 0.0) > 0}
    if not doubtful:
        return
    ordered = sorted(doubtful.items(), key=lambda item: -float(item[1]["unsure_seconds"]))
    one = len(subject.judged_sessions) == 1
    parts = [_amount(s, r["unsure_seconds"], len(r["unsure_sessions"]), one=one) for s, r in ordered]
    claim = f"Not sure enough to count: {'; '.join(parts)}."
    evidence = {
        "fault": False,
        "states": [s for s, _ in ordered],
        "seconds": {s: float(r["unsure_seconds"]) for s, r in ordered},
        "sessions": {s: list(r["unsure_sessions"]) for s, r in ordered},
        "method": "episodes whose mean posterior probability is below affected_probability",
    }
    yield "unsure", claim, evidence


def _amount(state: str, seconds: float, sessions: int, *, one: bool) -> str:
    where = "" if one else f" in all in {plural(sessions, 'session')}"
    return f"“{STATE_LABEL[state]}”, {duration(seconds)}{where}"


def _not_seen(subject: Subject, rows: Mapping[str, Mapping[str, Any]]) -> Iterator[Said]:
    """Failures that no session held long enough, with what could still have gone unseen."""
    absent = {s: rows[s] for s in _LOOKED_FOR if s in rows and not rows[s]["n_affected"]}
    if any(row.get("n_also") for row in rows.values()):
        absent.pop("cadence_locked", None)  # it fits what was seen
    told = {s: int(r["n_sessions"]) for s, r in absent.items() if int(r["n_sessions"])}
    parts: list[str] = []
    bounds: dict[str, float] = {}
    for n in sorted(set(told.values()), reverse=True):
        states = [s for s in told if told[s] == n]
        bound = exact_proportion(0, n, confidence=subject.confidence)[1]
        bounds |= dict.fromkeys(states, bound)
        names = join_words([f"“{STATE_LABEL[s]}”" for s in states])
        least = duration(absent[states[0]]["least_seconds"])
        without = (
            "One session without it says little."
            if n == 1
            else f"With {plural(n, 'session')} without it, something that strikes up to {share(bound)} of sessions "
            "could still have gone unseen."
        )
        said = f"Not seen for {least} or more in any session: {names}. {without}"
        parts.append(_few(names, n, bound) if parts else said)
    if "cadence_locked" in absent and "cadence_locked" not in told:
        label = STATE_LABEL["cadence_locked"]
        parts.append(f"Whether it was {label} cannot be told: no cadence was recorded beside it.")
    if parts:
        high = max(bounds.values(), default=None)
        evidence = {"fault": False, "states": list(told), "n_sessions": max(told.values(), default=0), "high": high}
        yield "not_seen", " ".join(parts), {**evidence, "bounds": bounds, "method": "exact binomial"}


def _few(names: str, n: int, bound: float) -> str:
    """The same of a failure that only some sessions could have shown."""
    return f"Nor was {names}, which only {plural(n, 'session')} with cadence could show (up to {share(bound)})."
