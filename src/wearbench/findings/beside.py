"""Two devices on the same sessions, over the time that both have."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import STATE_LABEL, duration, finite, least_p, number, p_words, plural, points, share, tenths

__all__ = ["say_beside"]


def say_beside(subject: Subject) -> Iterator[Said]:
    """One sentence an other device."""
    for other in dict.fromkeys(str(r["other"]) for r in subject.side_by_side):
        yield _one(subject, [r for r in subject.side_by_side if r["other"] == other], other)


def _one(subject: Subject, rows: list[dict[str, Any]], other: str) -> Said:
    first, label = rows[0], str(rows[0].get("other_label") or other)
    alpha, n = 1 - subject.confidence, int(first["n_sessions"])
    shared = duration(first["common_seconds"])
    head = f"Beside {label}, in the same {plural(n, 'session')} and only the {shared} that both have: "
    right = next(r for r in rows if r["measure"] == "tracking_share")
    error = next((r for r in rows if r["measure"] == "mae"), None)
    parts = []
    if n > 1:
        parts.append(f"{head}swapping their names by session, p cannot be below {least_p(right['p_smallest'])}.")
        begin = "It was right"
    else:
        begin = f"{head}it was right"
    parts.append(
        f"{begin} {share(right['value'])} of the time against {share(right['value_other'])} "
        f"({_apart(right, points, ' points', subject)}{_p(right)})."
    )
    if error is not None and finite(error["value"]):
        parts.append(
            f"Off by {number(error['value'], decimals=1)} against {number(error['value_other'], decimals=1)} "
            f"{subject.unit} ({_apart(error, tenths, f' {subject.unit}', subject)}{_p(error)})."
        )
    if n > 1:
        parts.append(_verdict(right, error, alpha=alpha))
        parts += _affected(rows, subject.label, label)
    else:
        parts.append("One session: no general claim.")
    names = (
        "measure",
        "state",
        "value",
        "value_other",
        "difference",
        "p",
        "p_people",
        "only_device",
        "only_other",
        "both",
    )
    evidence = {
        "other": other,
        "sessions": list(first["sessions"]),
        "n_sessions": n,
        "common_seconds": first["common_seconds"],
        "p_smallest": right["p_smallest"],
        "measures": [{name: r[name] for name in names} for r in rows],
        "method": f"paired by session; {right['method']}; {right['difference']['method']}",
    }
    return f"beside_{other}", " ".join(p for p in parts if p), evidence


def _apart(row: Mapping[str, Any], show: Any, after: str, subject: Subject) -> str:
    difference = row["difference"]
    text = f"{show(difference['value'])}{after}"
    if finite(difference["low"]) and finite(difference["high"]):
        return f"{text}, {100 * subject.confidence:g} % {show(difference['low'])} to {show(difference['high'])}"
    return f"{text}, no interval: {difference['why']}"


def _p(row: Mapping[str, Any]) -> str:
    if int(row["n_sessions"]) < 2 or row["p"] is None:
        return ""
    people = f", by participant {p_words(row['p_people'])}" if row["p_people"] is not None else ""
    return f", {p_words(row['p'])}{people}"


def _verdict(right: Mapping[str, Any], error: Mapping[str, Any] | None, *, alpha: float) -> str:
    """Which is better, if the share of time says so by p and by its whole interval; else that it cannot be told."""
    told = []
    for row, better in ((right, 1.0), (error, -1.0)):
        if row is None or row["p"] is None:
            continue
        low, high = row["difference"]["low"], row["difference"]["high"]
        if row["p"] < alpha and finite(low) and finite(high) and (low > 0 or high < 0):
            told.append(better * (1.0 if low > 0 else -1.0))
    people = int(right["n_participants"])
    whom = f", in these {people} people" if people > 1 and (right["p_people"] or 0.0) >= alpha else ""
    if told and all(t > 0 for t in told):
        return f"It did better, by more than chance shows{whom}."
    if told and all(t < 0 for t in told):
        return f"It did worse, by more than chance shows{whom}."
    return "Which of the two does better this cannot tell."


def _affected(rows: list[dict[str, Any]], mine: str, other: str) -> Iterator[str]:
    hit = [r for r in rows if r["measure"] == "sessions_affected" and int(r["only_device"]) + int(r["only_other"]) > 0]
    for row in sorted(hit, key=lambda r: r["p"])[:1]:
        yield (
            f"Sessions with “{STATE_LABEL[row['state']]}”: {row['only_device']} with {mine} only, {row['only_other']} "
            f"with {other} only, {row['both']} with both ({p_words(row['p'])})."
        )
