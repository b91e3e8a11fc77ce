"""Before and after each change, with the smallest p there could be said first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import STATE_LABEL, finite, join_words, least_p, number, p_words, plural, points, share, tenths

__all__ = ["claimed", "say_changes"]

_WHAT: Final = {"firmware": "firmware ", "app": "app ", "server": "server ", "declared": ""}
_ALIKE: Final = 0.1
"""Neighbouring sessions correlated by less are not told of."""
_NOT_DRAWN: Final = (
    "Sessions were not drawn by lot into before and after: whatever else changed over time changed with it."
)


def say_changes(subject: Subject) -> Iterator[Said]:
    """Each change, in order of time."""
    changes: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for row in subject.before_after:
        changes.setdefault((row["what"], row["before"], row["after"]), []).append(row)
    for (what, before, after), rows in changes.items():
        primary = next((r for r in rows if r["primary"]), None)
        if primary is not None:
            yield _one(subject, primary, rows, key=f"change_{what}_{before}_{after}")


def claimed(row: Mapping[str, Any], *, alpha: float) -> bool:
    """Whether a difference is more than chance shows: every p of it, and the whole interval on one side of 0.

    Parameters
    ----------
    row : mapping
        Of the table of before and after.
    alpha : float
    """
    p = [row[name] for name in ("p", "p_adjusted", "p_if_alike") if finite(row.get(name))]
    low, high = row["difference"]["low"], row["difference"]["high"]
    apart = finite(low) and finite(high) and (low > 0 or high < 0)
    return bool(p) and finite(row.get("p")) and max(p) < alpha and apart


def _one(subject: Subject, row: Mapping[str, Any], rows: list[dict[str, Any]], *, key: str) -> Said:
    alpha = 1 - subject.confidence
    kind = _WHAT[row["what"]]
    counts = f"{len(row['sessions_before'])} and {plural(len(row['sessions_after']), 'session')}"
    head = f"From {kind}{row['before']} to {row['after']}: "
    if row["p"] is None:
        claim = f"{head}{row['why']}, so before and after cannot be compared within anyone."
        return key, claim, _evidence(row, rows, verdict="cannot be compared")
    least = row["p_smallest_here"]
    first = f"with {counts} p cannot be below {least_p(least)}"
    share_words = (
        f"It was wrong or silent {share(row['value_before'])} of the time before and {share(row['value_after'])} "
        f"after: {_difference(row, subject)}, {p_words(row['p'])}."
    )
    verdict = "no change shown"
    if least >= alpha:
        verdict = "cannot show a change"
        parts = [f"{head}{first}: this cannot show a change.", share_words]
    else:
        if claimed(row, alpha=alpha):
            verdict = "less" if row["difference"]["value"] < 0 else "more"
            told = (
                f"{verdict.capitalize()} than chance shows" if verdict == "more" else "Less, by more than chance shows"
            )
            told = f"{told}{_whom(row)}."
            told = told.replace("More than chance shows", "More, by more than chance shows")
        else:
            told = "No change can be claimed, and none ruled out."
        parts = [f"{head}{first}.", share_words, told]
    parts += [_alike(row), _mixed(row), *_others(subject, rows, alpha=alpha), _both_ways(row), _NOT_DRAWN]
    if row["exploratory"]:
        parts.append(
            f"Exploratory: not declared beforehand, {plural(int(row['questions']), 'question')} asked of this change."
        )
    return key, " ".join(p for p in parts if p), _evidence(row, rows, verdict=verdict)


def _evidence(row: Mapping[str, Any], rows: list[dict[str, Any]], *, verdict: str) -> dict[str, Any]:
    names = ("measure", "state", "value_before", "value_after", "difference", "p", "p_adjusted", "p_if_alike")
    return {
        "what": row["what"],
        "before": row["before"],
        "after": row["after"],
        "verdict": verdict,
        "p_smallest": row["p_smallest"],
        "p_smallest_here": row["p_smallest_here"],
        "measures": [{name: r[name] for name in names} for r in rows],
        "sessions": [*row["sessions_before"], *row["sessions_after"]],
        "n_before": len(row["sessions_before"]),
        "n_after": len(row["sessions_after"]),
        "questions": row["questions"],
        "likeness": row["likeness"],
        "mix": row["mix"],
        "standardised": row["standardised"],
        "as_before": row["as_before"],
        "as_after": row["as_after"],
        "method": "sessions rearranged within participants, two-sided; " + str(row["difference"]["method"]),
    }


def _whom(row: Mapping[str, Any]) -> str:
    """How far a claim reaches: other people only if the interval over participants is on one side of 0 as well."""
    people = int(row["n_participants_both"])
    if people < 2:
        return ""
    over = row["difference_over_people"]
    if finite(over["low"]) and (over["low"] > 0 or over["high"] < 0):
        return f", in these {people} people and so far as they stand for others"
    return f", in these {people} people; what it is in others cannot be told"


def _difference(row: Mapping[str, Any], subject: Subject) -> str:
    """``-15 points (95 % -26 to -4)`` of shares, in the unit of errors."""
    difference = row["difference"]
    of_share = row["measure"] != "mae"
    show = points if of_share else tenths
    after = " points" if of_share else f" {subject.unit}".rstrip()
    if not finite(difference["value"]):
        return "no difference can be given"
    text = f"{show(difference['value'])}{after}"
    if finite(difference["low"]) and finite(difference["high"]):
        return f"{text} ({100 * subject.confidence:g} % {show(difference['low'])} to {show(difference['high'])})"
    return f"{text} (no interval: {str(difference['why']).removesuffix(': no interval can be given')})"


def _alike(row: Mapping[str, Any]) -> str:
    if not finite(row["likeness"]) or row["likeness"] < _ALIKE or not finite(row["p_if_alike"]):
        return ""
    return (
        f"Sessions next to one another are alike (correlation {number(row['likeness'], decimals=1)}); allowing for "
        f"that {p_words(row['p_if_alike'])}."
    )


def _mixed(row: Mapping[str, Any]) -> str:
    """A change of what was done, and the difference as if both had done alike."""
    mix, standardised = row["mix"], row["standardised"]
    if not mix["differs"]:
        return ""
    names = sorted({*mix["before"], *mix["after"]}, key=lambda a: (-round(abs(_moved(mix, a)), 6), a))[:2]
    told = ", ".join(
        f"{a} {share(mix['before'].get(a, 0.0))} before, {share(mix['after'].get(a, 0.0))} after" for a in names
    )
    claim = f"What was done changed as well ({told})"
    difference = (standardised or {}).get("difference") or {}
    if not finite(difference.get("value")):
        return f"{claim}, and no activity was done often enough on both sides to allow for it."
    both = join_words(list(standardised["activities"]))
    return f"{claim}; over what both sides did ({both}) the difference is {points(difference['value'])} points" + (
        f" ({points(difference['low'])} to {points(difference['high'])})." if finite(difference.get("low")) else "."
    )


def _moved(mix: Mapping[str, Any], activity: str) -> float:
    return float(mix["after"].get(activity, 0.0)) - float(mix["before"].get(activity, 0.0))


def _others(subject: Subject, rows: list[dict[str, Any]], *, alpha: float) -> Iterator[str]:
    """The mean error, and the failure that took most time."""
    mae = next((r for r in rows if r["measure"] == "mae" and r["p"] is not None), None)
    if mae is not None and finite(mae["value_before"]) and finite(mae["value_after"]):
        yield (
            f"Off by {number(mae['value_before'], decimals=1)} before and {number(mae['value_after'], decimals=1)} "
            f"{subject.unit} after: {_difference(mae, subject)}, {p_words(mae['p_adjusted'])} with the further "
            "questions allowed for."
        )
    hit = [r for r in rows if r["measure"] == "sessions_affected" and r["state"] != "any" and r["p"] is not None]
    if hit:
        row = hit[0]
        n = (len(row["sessions_before"]), len(row["sessions_after"]))
        k = [
            round(float(row[f"value_{side}"] or 0.0) * count)
            for side, count in zip(("before", "after"), n, strict=True)
        ]
        yield (
            f"Sessions with “{STATE_LABEL[row['state']]}”: {k[0]} of {n[0]} before, {k[1]} of {n[1]} "
            f"after, {_difference(row, subject)}, {p_words(row['p_adjusted'])}."
        )


def _both_ways(row: Mapping[str, Any]) -> str:
    unknown = row["sessions_unknown"]
    if not unknown or row["as_before"] is None:
        return ""
    told = [
        f"counted as {row[side]} {points(row[f'as_{side}']['difference']['value'])} points "
        f"({p_words(row[f'as_{side}']['p'])})"
        for side in ("before", "after")
        if finite(row[f"as_{side}"]["difference"]["value"]) and finite(row[f"as_{side}"]["p"])
    ]
    return f"With the {plural(len(unknown), 'session')} of unknown version: {'; '.join(told)}." if told else ""
