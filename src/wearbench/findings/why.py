"""Under which conditions it failed: the clearest description of each failure, and how many questions were asked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import (
    FAILURES,
    STATE_DID,
    STATE_LABEL,
    duration,
    finite,
    join_words,
    number,
    p_words,
    plural,
    share,
)

__all__ = ["condition_words", "is_clear", "odds_words", "say_why", "turned"]

Row = Mapping[str, Any]

DESCRIBING: Final = (
    *("activity", "intensity", "reference_band"),
    *("activity_and_reference_band", "activity_and_intensity"),
)
"""Questions a failure is described by: what was done and how hard, alone or together."""
_OPEN: Final = (
    "the rest",
    "other rates",
    "the other thirds",
    "all other time",
    "otherwise",
    "later",
    "further from it",
)
_METHOD: Final = "odds of seconds in the state; sessions with a minute on a side"


def say_why(subject: Subject) -> Iterator[Said]:
    """A sentence for each failure that has a clear condition, then one about all questions."""
    if not subject.why:
        return
    states = [s for s in (*FAILURES, "missing") if any(row["state"] == s for row in subject.why)]
    for state in states:
        rows = [row for row in subject.why if row["state"] == state]
        if said := _description(subject, state, rows):
            yield said
    yield _all_of_them(subject, states)


def is_clear(row: Row) -> int:
    """1 where the whole interval lies above equal odds, -1 below, else 0."""
    odds = row["odds_ratio"]
    if finite(odds["low"]) and odds["low"] > 1:
        return 1
    return -1 if finite(odds["high"]) and odds["high"] < 1 else 0


def turned(row: Row) -> dict[str, Any]:
    """The same question from its other side, where that has a name; odds above one are easier to read."""
    odds = row["odds_ratio"]
    value = odds["value"]
    if not finite(value) or value >= 1 or row["against"] in _OPEN:
        return dict(row)
    swapped = {f"{what}_{a}": row[f"{what}_{b}"] for what in ("seconds", "share", "affected", "sessions")
               for a, b in (("in", "out"), ("out", "in"))}  # fmt: skip
    low, high = odds["low"], odds["high"]
    ratio = {"value": 1 / value, "low": 1 / high if finite(high) else None, "high": 1 / low if finite(low) else None}
    return {**row, **swapped, "group": row["against"], "against": row["group"], "odds_ratio": {**odds, **ratio}}


def condition_words(row: Row) -> str:
    """A condition as a sentence begins with it: ``During “rowing”, above 150 bpm,``."""
    name, group = str(row["question"]), str(row["group"])
    if name == "reference_band":
        return group[0].upper() + group[1:]
    if name in ("activity", "activity_and_reference_band", "activity_and_intensity"):
        activity, _, more = group.rpartition(", ") if name != "activity" else (group, "", "")
        more = f", at “{more}”," if name == "activity_and_intensity" else f", {more}," if more else ""
        return f"During “{activity}”{more}"
    if name == "intensity":
        return f"At intensity “{group}”"
    return f"With {question_words(row)}"


def question_words(row: Row) -> str:
    """A condition in a list: ``firmware: 2.0``."""
    name = str(row["question"])
    words = {
        "reference_band": "heart rate",
        "own_third": "own range",
        "activity_and_reference_band": "activity and heart rate",
        "activity_and_intensity": "activity and intensity",
        "reference_change": "heart rate",
        "first_minutes": "time",
        "cadence_near": "heart rate and cadence",
    }.get(name, name.partition(".")[2] or name.replace("_", " "))
    return f"{words}: {row['group']}"


def odds_words(odds: Mapping[str, Any], *, confidence: float) -> str:
    """``18 times as high (95 % interval 4.2 to 77)``, or with the one bound there is."""
    value, low, high = odds["value"], odds["low"], odds["high"]
    level = f"{100 * confidence:g} % interval"
    if not finite(value):
        return "–"
    if finite(low) and finite(high):
        return f"{_ratio(value)} times as high ({level} {_ratio(low)} to {_ratio(high)})"
    if finite(low):
        return f"at least {_ratio(low)} times as high ({level} without an upper bound)"
    if finite(high):
        return f"at most {_ratio(high)} times as high ({level} without a lower bound)"
    return f"{_ratio(value)} times as high (no interval)"


def _ratio(value: float) -> str:
    if value >= 1000:
        return "over 1,000"
    if value < 0.001:
        return "under 0.001"
    return number(value, decimals=0 if value >= 20 else 1 if value >= 2 else 2 if value >= 0.1 else 3)


def _description(subject: Subject, state: str, rows: Sequence[Row]) -> Said | None:
    """The description with the largest difference in the share of sessions affected, of those that are clear."""
    told = [row for row in rows if row["question"] in DESCRIBING]
    one = len(subject.judged_sessions) == 1
    least = 0 if one else 2  # one affected session of several describes nothing
    clear = [row for row in map(turned, told) if is_clear(row) > 0 and row["sessions_in"] and row["sessions_out"]]
    clear = [row for row in clear if row["affected_in"] >= least]
    if not clear:
        return None
    best = max(clear, key=lambda row: (_apart(row), row["share_in"] or 0.0))
    did = STATE_DID[state].format(what=subject.what)
    head = condition_words(best)
    if one:
        here, there = share(best["share_in"]), share(best["share_out"])
        where = f"for {here} of the time, elsewhere for {there}, in this one session"
    else:
        here = f"in {best['affected_in']} of {plural(best['sessions_in'], 'session')}"
        there = f"elsewhere in {best['affected_out'] or 'none'} of {best['sessions_out']}"
        where = f"{here} for {duration(best['least_seconds'])} or more ({there})"
    claim = f"{head} it {did} {where}."
    claim += f" The odds of it were {odds_words(best['odds_ratio'], confidence=subject.confidence)}."
    claim += f" {_standing(best, subject, n_clear=len(clear), one=one)}"
    evidence = {
        **{key: best[key] for key in ("state", "question", "group", "against", "level")},
        **{key: best[key] for key in ("affected_in", "sessions_in", "affected_out", "sessions_out", "least_seconds")},
        **{key: best[key] for key in ("share_in", "share_out", "odds_ratio", "p", "p_adjusted", "counted")},
        "exploratory": best["exploratory"],
        "made_from": [_reference(subject, row) for row in told if turned(row) == best],
        "method": f"{best['odds_ratio']['method']}; {_METHOD}; Holm over {best['counted']} questions",
    }
    return f"why_{state}", claim, evidence


def _apart(row: Row) -> float:
    return float(row["affected_in"] / row["sessions_in"] - row["affected_out"] / row["sessions_out"])


def _standing(row: Row, subject: Subject, *, n_clear: int, one: bool) -> str:
    """How far the description may be leaned on."""
    if one:
        return "One session: that it is so in others this cannot tell."
    p, counted = row["p_adjusted"], int(row["counted"])
    asked = plural(counted, "question")
    if not row["exploratory"]:
        told = f"{p_words(p)} counting the {asked} declared" if p is not None else "no p can be given"
        held = p is not None and p < 1 - subject.confidence
        return f"This was asked beforehand ({told}{'' if held else ': chance is not ruled out'})."
    if p is None:
        return "Exploratory: it was found by looking, and how often chance gives as much cannot be told."
    if p >= 1 - subject.confidence:
        return f"A lead, no result: among {asked} chance alone could give as much ({p_words(p)} counting them all)."
    picked = f", picked as the clearest of {n_clear} such descriptions" if n_clear > 1 else ""
    return (
        f"Exploratory: found by asking {asked}{picked} ({p_words(p)} counting them all). Expect less of new sessions."
    )


def _all_of_them(subject: Subject, states: Sequence[str]) -> Said:
    rows = subject.why
    answered = [row for row in rows if is_clear(row) or row["odds_ratio"]["low"] is not None
                or row["odds_ratio"]["high"] is not None]  # fmt: skip
    clear = [row for row in rows if is_clear(row)]
    alpha = 1 - subject.confidence
    left = [row for row in clear if row["p_adjusted"] is not None and row["p_adjusted"] < alpha]
    names = join_words([f"“{STATE_LABEL[s]}”" for s in states])
    claim = f"When it failed: {plural(len(rows), 'question')} were asked about {names}. "
    claim += f"{len(answered)} could be answered with an interval; {len(clear) or 'none'} of these intervals "
    claim += f"{'is' if len(clear) == 1 else 'are'} clear of equal odds"
    claim += f", and {len(left) or 'none'} {'stands' if len(left) == 1 else 'stand'} after counting all questions."
    claim += _cadence(subject)
    evidence = {
        "questions": len(rows),
        "answered": len(answered),
        "clear": len(clear),
        "after_counting": len(left),
        "exploratory": sum(bool(row["exploratory"]) for row in rows),
        "made_from": [
            {"table": table, "keys": {"device": subject.device, "quantity": subject.quantity}}
            for table, there in (("why", True), ("cadence_evidence", bool(subject.cadence_evidence)))
            if there
        ],
        "method": "odds of seconds by condition; p by shifts within sessions or exchange of sessions; Holm",
    }
    return "why_asked", claim, evidence


def _cadence(subject: Subject) -> str:
    """Whether differences go with the cadence, where a lock was seen."""
    row = next((r for r in subject.cadence_evidence if r["statistic"] == "given_reference"), None)
    if row is None or not finite(row["low"]) or not any(r["state"] == "cadence_locked" for r in subject.why):
        return ""
    span = (
        f"{number(row['value'], decimals=2)}, {100 * subject.confidence:g} % interval {number(row['low'], decimals=2)}"
    )
    span += f" to {number(row['high'], decimals=2)}"
    if row["low"] > 0:
        return (
            f" Over all readings differences went with the cadence beyond what the heart explains (correlation {span})."
        )
    return (
        f" Over all readings it cannot be seen that differences went with the cadence beyond what the heart explains "
        f"(correlation {span})."
    )


def _reference(subject: Subject, row: Row) -> dict[str, Any]:
    keys = {key: row[key] for key in ("state", "question", "group")}
    return {"table": "why", "keys": {"device": subject.device, "quantity": subject.quantity, **keys}}
