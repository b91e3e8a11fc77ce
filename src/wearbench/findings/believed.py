"""What the wearer would have believed of a session, and how far that was from the truth."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import duration, finite, number, plural

__all__ = ["say_believed", "worst_believed"]


def worst_believed(rows: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The session whose mean was furthest from the truth; None without any."""
    return max(rows, key=lambda r: abs(float(r.get("mean_difference") or 0.0)), default=None)


def say_believed(subject: Subject) -> Iterator[Said]:
    """The worst session as it would have been shown, then all of them."""
    worst = worst_believed(subject.believed)
    if worst is None:
        return
    unit, level = subject.unit, f"{100 * subject.confidence:g} %"
    shown, true = (number(worst[k], decimals=0) for k in ("shown_mean", "true_mean"))
    claim = f"On {worst['session']} it would have shown "
    if shown == true:
        claim += f"the true mean of {true} {unit}"
    else:
        claim += f"a mean of {shown} instead of {true} {unit}"
    if finite(worst.get("shown_study_high_s")):
        top, really = (duration(worst[k]) for k in ("shown_study_high_s", "true_study_high_s"))
        claim += f" and {top}" + (f" instead of {really}" if top != really else "")
        claim += f" in the top third (over {number(worst['study_third_to'], decimals=0)} {unit})"
    high, truth = (number(worst[k], decimals=0) for k in ("shown_maximum", "true_maximum"))
    claim += f"; its maximum was {high}" + (f", the true one {truth}" if high != truth else ", as it was") + "."
    made = [_key(subject, "believed", session=worst["session"])]
    evidence: dict[str, Any] = {"session": worst["session"], "worst": worst}
    if len(subject.believed) > 1:
        claim += f" That is the session it told worst of {plural(len(subject.believed), 'session')}."
        for statistic, words in (("mean_difference", "mean"), ("maximum_difference", "maximum")):
            row = next((r for r in subject.believed_summary if r.get("statistic") == statistic), None)
            if row is None or not finite(row.get("value")):
                continue
            made.append(_key(subject, "believed_summary", statistic=statistic))
            evidence[statistic] = row
            value, low, high = (_signed(row.get(k)) for k in ("value", "low", "high"))
            span = f" ({level} interval {low} to {high})" if finite(row.get("low")) else ""
            least, most = _signed(row["lowest"]), _signed(row["highest"])
            claim += f" Shown less true {words}: median {value} {unit}{span}, from {least} to {most} by session."
    method = "weighted by time, readings beside a trustworthy reference; the reference over the same windows"
    yield "believed", claim, {**evidence, "method": method, "made_from": made}


def _signed(value: Any) -> str:
    text = number(value, decimals=1)
    return f"+{text}" if finite(value) and float(value) >= 0.05 else text


def _key(subject: Subject, table: str, **keys: Any) -> dict[str, Any]:
    return {"table": table, "keys": {"device": subject.device, "quantity": subject.quantity, **keys}}
