"""One-off or systematic: whether a failure came back, will come back, and is more than chance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import (
    STATE_LABEL,
    duration,
    finite,
    join_words,
    least_p,
    number,
    p_words,
    plural,
    share,
    span_of,
)

__all__ = ["say_recurrence"]

_FOLLOWED: Final = {
    "halved": "half the rate",
    "cadence_locked": "the cadence or a simple multiple of it",
}


def say_recurrence(subject: Subject) -> Iterator[Said]:
    """Each failure that came back, the one with most sessions first; then those seen in one session of several."""
    rows = [r for r in subject.recurrence if int(r["n_affected"]) > 0 and int(r["n_sessions"]) > 1]
    for row in sorted(rows, key=lambda r: -int(r["n_affected"])):
        if int(row["n_affected"]) > 1:
            yield _came_back(subject, row)
    if once := [r for r in rows if int(r["n_affected"]) == 1]:
        yield _once(subject, once)


def _came_back(subject: Subject, row: Mapping[str, Any]) -> Said:
    state = str(row["state"])
    parts = (
        _how_often(subject, row),
        _bounds(subject, row),
        _minutes(row, subject),
        _trend(row["trend"], subject.confidence),
        _chance(state, row["chance"], subject.confidence),
    )
    evidence = {
        "state": state,
        "n_affected": int(row["n_affected"]),
        "n_sessions": int(row["n_sessions"]),
        "share": row["share"],
        "share_over_people": row["share_over_people"],
        "next": row["next"],
        "minutes_per_hour": row["minutes_per_hour"],
        "trend": row["trend"],
        "chance": row["chance"],
        "rests_on": (_last(subject, state) or {}).get("rests_on"),
        "sessions": [s for s, hit in zip(row["sessions"], row["affected"], strict=True) if hit],
        "method": f"{row['next']['method']}; places of affected sessions rearranged; shifts in time",
    }
    return f"recurrence_{state}", " ".join(p for p in parts if p), evidence


def _how_often(subject: Subject, row: Mapping[str, Any]) -> str:
    named, after = STATE_LABEL[str(row["state"])], row["next"]
    k, n = int(row["n_affected"]), int(row["n_sessions"])
    seen = f"came back: {k} of {plural(n, 'session')} were affected."
    if k == n:
        seen = f"came back in every one of {plural(n, 'session')}."
    chance = f"{_next(subject, row)} {share(after['value'])} {_credible(subject, row)}."
    return f"“{named[0].upper()}{named[1:]}” {seen} {chance}"


def _next(subject: Subject, row: Mapping[str, Any]) -> str:
    whom = " of one of these people" if int(row["n_participants"]) > 1 else ""
    return f"The next session like these{whom} would be affected with a chance of"


def _credible(subject: Subject, row: Mapping[str, Any]) -> str:
    return f"({100 * subject.confidence:g} % credible {span_of(row['next'], share)})"


def _once(subject: Subject, rows: list[dict[str, Any]]) -> Said:
    """Failures that affected one session each: nothing can be told of their coming back."""
    named = join_words([f"“{STATE_LABEL[str(r['state'])]}”" for r in rows])
    numbers = {int(r["n_sessions"]) for r in rows}
    claim = (
        f"In one session {'each ' if len(rows) > 1 else ''}of {join_words([str(n) for n in sorted(numbers)])}: {named}."
    )
    claim += " Whether it comes back one session cannot tell."
    if len(numbers) == 1:
        claim += f" {_next(subject, rows[0])} {share(rows[0]['next']['value'])} {_credible(subject, rows[0])}"
        claim += f", {'each' if len(rows) > 2 else 'either'} of them." if len(rows) > 1 else "."
    evidence = {
        "states": [str(r["state"]) for r in rows],
        "n_affected": 1,
        "n_sessions": max(numbers),
        "next": rows[0]["next"],
        "sessions": sorted({s for r in rows for s, hit in zip(r["sessions"], r["affected"], strict=True) if hit}),
        "method": str(rows[0]["next"]["method"]),
    }
    return "recurrence_once", claim, evidence


def _last(subject: Subject, state: str) -> Mapping[str, Any] | None:
    return next((r for r in reversed(subject.evidence) if r.get("state") == state), None)


def _bounds(subject: Subject, told: Mapping[str, Any]) -> str:
    """Which interval may be leaned on: the exact one, the one that is always valid, or none; and that over people."""
    row, over = _last(subject, str(told["state"])), told["share_over_people"]
    people = (
        f" With people as the units: {span_of(over, share)}." if finite(over["low"]) and finite(over["high"]) else ""
    )
    return _of_sessions(row) + people if row is not None else people.strip()


def _of_sessions(row: Mapping[str, Any]) -> str:
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
