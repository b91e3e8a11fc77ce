"""One-off or systematic: whether a failure came back, will come back, and is more than chance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import STATE_LABEL, duration, finite, least_p, number, p_words, plural, share, span_of

__all__ = ["say_recurrence"]

_FOLLOWED: Final = {
    "halved": "half the rate",
    "cadence_locked": "the cadence or a simple multiple of it",
}


def say_recurrence(subject: Subject) -> Iterator[Said]:
    """Each failure that affected a session of several, the one with most sessions first."""
    rows = [r for r in subject.recurrence if int(r["n_affected"]) > 0 and int(r["n_sessions"]) > 1]
    for row in sorted(rows, key=lambda r: -int(r["n_affected"])):
        yield _one(subject, row)


def _one(subject: Subject, row: Mapping[str, Any]) -> Said:
    state, k, n = str(row["state"]), int(row["n_affected"]), int(row["n_sessions"])
    parts = [_how_often(subject, row, k, n), _evidence(subject, state)]
    if k > 1:
        parts += [_minutes(row, subject), _trend(row["trend"], subject.confidence)]
        parts.append(_chance(state, row["chance"], subject.confidence))
    evidence = {
        "state": state,
        "n_affected": k,
        "n_sessions": n,
        "share": row["share"],
        "next": row["next"],
        "minutes_per_hour": row["minutes_per_hour"],
        "trend": row["trend"],
        "chance": row["chance"],
        "rests_on": (_last(subject, state) or {}).get("rests_on"),
        "sessions": [s for s, hit in zip(row["sessions"], row["affected"], strict=True) if hit],
        "method": f"{row['next']['method']}; places of affected sessions rearranged; shifts in time",
    }
    return f"recurrence_{state}", " ".join(p for p in parts if p), evidence


def _how_often(subject: Subject, row: Mapping[str, Any], k: int, n: int) -> str:
    named, after = STATE_LABEL[str(row["state"])], row["next"]
    seen = f"came back: {k} of {plural(n, 'session')} were affected."
    if k == 1:
        seen = f"affected one of {n} sessions; whether it comes back one session cannot tell."
    if k == n:
        seen = f"came back in every one of {plural(n, 'session')}."
    whom = " of one of these people" if int(row["n_participants"]) > 1 else ""
    return (
        f"“{named[0].upper()}{named[1:]}” {seen} The next session like these{whom} would be affected with a chance of "
        f"{share(after['value'])} ({100 * subject.confidence:g} % credible {span_of(after, share)})."
    )


def _last(subject: Subject, state: str) -> Mapping[str, Any] | None:
    return next((r for r in reversed(subject.evidence) if r.get("state") == state), None)


def _evidence(subject: Subject, state: str) -> str:
    """Which interval may be leaned on: the exact one, the one that is always valid, or none."""
    row = _last(subject, state)
    if row is None:
        return ""
    exact = f"{share(row['low'])} to {share(row['high'])}"
    always = f"{share(row['low_always'])} to {share(row['high_always'])}"
    if row["rests_on"] == "declared":
        return f"Share of sessions: {exact}, as the number of sessions was declared beforehand."
    if row["rests_on"] == "exploratory":
        return f"Exploratory: {row['rests_on_why']}."
    return f"Share of sessions, whenever one had stopped: {always} ({row['rests_on_why']})."


def _minutes(row: Mapping[str, Any], subject: Subject) -> str:
    held = row["minutes_per_hour"]
    if not finite(held["value"]):
        return ""
    per = f"{number(held['value'], decimals=1)} min of each hour"
    if finite(held["low"]) and finite(held["high"]):
        low, high = number(held["low"], decimals=1), number(held["high"], decimals=1)
        return f"It took {per} ({100 * subject.confidence:g} % {low} to {high})."
    return f"It took {per}."


def _trend(trend: Mapping[str, Any], confidence: float) -> str:
    if trend["p"] is None:
        return ""
    alpha, least = 1 - confidence, trend["p_smallest"]
    if least is not None and least > alpha:
        return f"Whether it grows or fades so few affected sessions cannot show (p cannot be below {least_p(least)})."
    slope = trend["slope"]["value"]
    if trend["p"] >= alpha or slope is None:
        return f"No trend over time can be seen ({p_words(trend['p'])})."
    way = "later" if slope > 0 else "earlier"
    return f"Affected sessions lie {way} than chance puts them ({p_words(trend['p'])}): the chance above may not last."


def _chance(state: str, chance: Mapping[str, Any], confidence: float) -> str:
    if chance["p"] is None:
        return ""
    seen, by_chance = duration(chance["observed_seconds"]), duration(chance["expected_seconds"])
    p = p_words(chance["p"])
    if state == "frozen":
        return (
            f"Held values met a moving rate for {seen}; held at any other times of the same sessions they would have "
            f"for {by_chance}."
        )
    followed = _FOLLOWED[state]
    claim = f"{seen} of its wrong readings lie near {followed}, {by_chance} would if that were shifted in time ({p})"
    if chance["p"] < 1 - confidence:
        return f"{claim}: more than the height of the values explains."
    return f"{claim}: the height of the values alone may explain it."
