"""What the limits rest on: each assumption that was seen to be violated is a finding."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.findings.finding import Said, statistics_of
from wearbench.findings.subject import Subject
from wearbench.wording import finite, share, signed

__all__ = ["leads_in_two_parts", "primary_row", "say_assumptions"]

_MEANS: Final = {
    "proportional_bias": "One figure for the bias is then too much at one end and too little at the other.",
    "uneven_spread": "One pair of limits is then too wide at one end and too narrow at the other.",
    "heavy_tails": "A mean or an SD then says little about a usual reading.",
    "few_clusters": "Take every interval as a first idea.",
    "dependence_left": "Take every interval as narrower than it should be.",
    "influence": "More participants or sessions would show whether that one is odd.",
}
_ACTIVITIES: Final = ("proportional_bias", "uneven_spread")
"""Assumptions whose breach in a single activity is told as well."""


def primary_row(subject: Subject) -> Mapping[str, Any] | None:
    """The row of agreement over all readings, if it says which limits lead."""
    row = subject.overall()
    return row if row is not None and row.get("primary") else None


def leads_in_two_parts(subject: Subject) -> bool:
    """Whether how often it was right, and how far off it was then, leads over limits of both."""
    row = primary_row(subject)
    return row is not None and row["primary"] == "two_part"


def say_assumptions(subject: Subject) -> Iterator[Said]:
    """Every violated assumption over all readings, in lay words, with what it means for the numbers above."""
    over_all = {a["assumption"]: a for a in subject.assumptions if a.get("by") in (None, "", "all")}
    broken = {name: a for name, a in over_all.items() if a.get("outcome") == "violated"}
    mixed = "mixture" in broken
    for name, a in broken.items():
        if mixed and name == "heavy_tails":
            continue  # the same, said better by the states
        said = _mixture(subject) if name == "mixture" else f"{a['said']} {_MEANS[name]}"
        if mixed and name in _ACTIVITIES:
            said = f"{a['said']} Where right and wrong readings are mixed, this may be the wrong ones alone."
        evidence = {key: a.get(key) for key in ("assumption", "value", "low", "high", "outcome", "method", "n")}
        yield f"assumption_{name}", said, evidence
    for name in _ACTIVITIES:
        if name not in broken and not mixed and (found := list(_in_activities(subject, name))):
            first = found[0]
            claim = f"During {first['group']}: {first['said'][0].lower()}{first['said'][1:]}"
            if len(found) > 1:
                claim += f" The same was seen during {' and '.join(str(f['group']) for f in found[1:])}."
            evidence = {
                "assumption": name,
                "activities": [{k: f.get(k) for k in ("group", "value", "low", "high", "n", "method")} for f in found],
            }
            yield f"assumption_{name}_activity", claim, evidence


def _in_activities(subject: Subject, name: str) -> Iterator[Mapping[str, Any]]:
    for a in subject.assumptions:
        if a.get("by") == "activity" and a["assumption"] == name and a.get("outcome") == "violated":
            yield a


def _mixture(subject: Subject) -> str:
    """That right and wrong readings are mixed, and the two parts."""
    track, right = subject.tracking(), statistics_of(subject.overall("faithful"))
    low, high = (right.get(name, {}).get("value") for name in ("limit_low", "limit_high"))
    claim = (
        "Right and wrong readings are mixed, so one pair of limits over both describes neither, and moves with how "
        "many wrong ones there were."
    )
    if track is not None and finite(low) and finite(high) and low is not None and high is not None:
        wide = abs(high - low) / 10
        claim += (
            f" Read it in two parts: right for {share(track['share'])} of the time, and about 19 of 20 of those "
            f"readings between {signed(low, uncertainty=wide)} and {signed(high, uncertainty=wide)} {subject.unit} of "
            "the reference. The right ones were chosen for being close: not comparable with published limits."
        )
    return claim
