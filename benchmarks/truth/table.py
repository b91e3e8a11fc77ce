"""Scores as one Markdown page, several studies side by side."""

from __future__ import annotations

from typing import Any

from benchmarks.truth.score import NO_STATE, STATES

GOALS = {
    "share_sharp_within_1_s": ">= 0.95",
    "halved": ">= 0.93",
    "cadence_locked": ">= 0.93",
    "frozen": ">= 0.93",
    "false_alarm_share": "<= 0.005",
}


def figure(value: Any, *, digits: int = 3) -> str:
    """Write a number; a dash where there is none."""
    if value is None:
        return "-"
    return f"{value:.{digits}f}" if isinstance(value, float) else str(value)


def grid(heading: list[str], rows: list[list[str]]) -> str:
    """Lay out one Markdown table."""
    lines = ["| " + " | ".join(row) + " |" for row in (heading, ["---"] * len(heading), *rows)]
    return "\n".join(lines) + "\n"


def clock_part(scores: dict[str, dict[str, Any]]) -> str:
    """Lay out the clocks."""
    lines = (
        ("share_sharp_within_1_s", "information bound <= 0.3 s: window centre within 1 s, share of sessions"),
        ("n_sharp", "information bound <= 0.3 s: sessions"),
        ("n_sharp_without_answer", "information bound <= 0.3 s: sessions without an answer"),
        ("median_abs_error_sharp_s", "information bound <= 0.3 s: median centre error, s"),
        ("share_blunt_covered", "other sessions: clock interval covers, share of those answered"),
        ("n_blunt", "other sessions"),
        ("n_blunt_without_answer", "other sessions without an answer"),
        ("share_all_covered", "all sessions: clock interval covers, share of those answered"),
        ("median_interval_s", "all sessions: median length of the clock interval, s"),
    )
    rows = [[said, GOALS.get(key, ""), *(figure(s["clock"][key]) for s in scores.values())] for key, said in lines]
    return grid(["clock", "goal", *scores], rows)


def state_part(scores: dict[str, dict[str, Any]]) -> str:
    """Lay out precision, recall and F1 of each state, and false alarms."""
    heading = ["state, by seconds", "goal for F1"]
    heading += [
        f"{name}: {what}"
        for name in scores
        for what in ("true s", "precision", "recall", "F1", "F1 where a state was given")
    ]
    rows = []
    for state in STATES:
        row = [state, GOALS.get(state, "")]
        for one in scores.values():
            found = one["states"]["per_state"][state]
            row += [
                figure(found["true_s"], digits=0),
                *(figure(found[k]) for k in ("precision", "recall", "f1", "f1_given")),
            ]
        rows.append(row)
    alarms = [["faithful time called a failure", GOALS["false_alarm_share"]]]
    alarms[0] += [figure(s["states"]["false_alarm_share"], digits=4) for s in scores.values()]
    alarms.append(["without a state (no clock), s", ""])
    alarms[1] += [figure(s["states"]["without_state_s"], digits=0) for s in scores.values()]
    reasons = sorted({reason for s in scores.values() for reason in s["states"]["left_out_s"]})
    for reason in reasons:
        left = [figure(s["states"]["left_out_s"].get(reason, 0.0), digits=0) for s in scores.values()]
        alarms.append([f"left out: {reason}, s", "", *left])
    return grid(heading, rows) + "\n" + grid(["false alarms", "goal", *scores], alarms)


def confusion_part(name: str, one: dict[str, Any]) -> str:
    """Lay out one confusion matrix, in whole seconds."""
    confusion = one["states"]["confusion_s"]
    extra = sorted({said for row in confusion.values() for said in row} - {*STATES, NO_STATE})
    columns = [*STATES, *extra, NO_STATE]
    rows = [[state, *(figure(row.get(said, 0.0), digits=0) for said in columns)] for state, row in confusion.items()]
    return f"### {name}: true state down, said state across, seconds\n\n" + grid(["", *columns], rows)


def worst_part(name: str, one: dict[str, Any]) -> str:
    """Lay out the worst sessions."""
    keys = ("session", "device", "judged_s", "wrong_s", "mostly", "mostly_s", "bound_s", "abs_error_s", "trust")
    rows = [[figure(case[key], digits=2 if key.endswith("error_s") else 1) for key in keys] for case in one["worst"]]
    return f"### {name}: sessions with the most seconds called wrongly\n\n" + grid([*keys], rows)


def markdown(scores: dict[str, dict[str, Any]]) -> str:
    """Return the page."""
    parts = [clock_part(scores), state_part(scores)]
    parts += [confusion_part(name, one) for name, one in scores.items()]
    parts += [worst_part(name, one) for name, one in scores.items()]
    return "\n".join(parts)
