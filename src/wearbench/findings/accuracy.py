"""How far off it was: over everything, while it was right, and by activity."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wearbench.findings.finding import Said, here, statistics_of
from wearbench.findings.subject import Subject
from wearbench.wording import finite, half_width, share, signed, span_words

__all__ = ["apart", "say_accuracy", "say_activity", "say_faithful"]


def say_accuracy(subject: Subject) -> Iterator[Said]:
    """Mean error, leaning and limits of agreement over all readings."""
    row = subject.overall()
    stats = statistics_of(row)
    if row is None or not stats:
        return
    unit = subject.unit
    mae, bias = stats.get("mae", {}), stats.get("bias", {})
    low, high = stats.get("limit_low", {}), stats.get("limit_high", {})
    parts = []
    if finite(mae.get("value")):
        parts.append(f"{here(subject)} was off by {span_words(mae, unit=unit)} on average, over all readings.")
    elif mae:
        parts.append(f"How far it was off on average cannot be given: {mae.get('why') or 'no value'}.")
    if bias:
        parts.append(_leaning(bias, unit))
    if finite(low.get("value")) and finite(high.get("value")):
        wide = max((w for w in (half_width(low), half_width(high)) if w), default=None)
        parts.append(
            f"About 19 of 20 readings lie between {signed(low['value'], uncertainty=wide)} and "
            f"{signed(high['value'], uncertainty=wide)} {unit} of the reference"
            + (
                f"; the data allow {signed(low.get('low'), uncertainty=wide)} to "
                f"{signed(high.get('high'), uncertainty=wide)}."
                if wide
                else "; how sure these limits are cannot be given."
            )
        )
    elif low.get("why"):
        parts.append(f"Limits of agreement cannot be given: {low['why']}.")
    if not parts:
        return
    yield "accuracy", " ".join(parts), _from(row)


def _leaning(bias: Mapping[str, Any], unit: str) -> str:
    """What the bias allows one to say: a direction only when its interval excludes zero."""
    value, low, high = bias.get("value"), bias.get("low"), bias.get("high")
    if not finite(value) or value is None:
        return f"Which way it leans cannot be given: {bias.get('why') or 'no value'}."
    words = span_words(bias, unit=unit, with_sign=True)
    if not (finite(low) and finite(high)) or low is None or high is None:
        return f"Its mean difference was {words}; without an interval no leaning can be claimed."
    if low > 0 or high < 0:
        return f"On balance it read too {'high' if value > 0 else 'low'}: {words}."
    return f"It cannot be said to lean one way: mean difference {words}."


def _from(row: Mapping[str, Any]) -> dict[str, Any]:
    keep = ("reference_device", "readings", "clock", "n_pairs", "n_sessions", "n_participants", "statistics")
    return {key: row.get(key) for key in keep}


def say_faithful(subject: Subject) -> Iterator[Said]:
    """The error while it was right, with the share of time that is."""
    row, track = subject.overall("faithful"), subject.tracking()
    mae = statistics_of(row).get("mae", {})
    if row is None or track is None or not finite(mae.get("value")):
        return
    claim = (
        f"While it was right ({share(track['share'])} of the time) it was off by {span_words(mae, unit=subject.unit)} "
        "on average. These readings were chosen for being close, so this is not comparable with published errors."
    )
    yield "accuracy_faithful", claim, {**_from(row), "tracking_share": track["share"]}


def say_activity(subject: Subject) -> Iterator[Said]:
    """The activities with the largest and the smallest error."""
    ranked = _ranked(subject.groups("activity"))
    if len(ranked) < 2 or len(subject.judged_sessions) < 2:
        return
    (worst, most), (best, least) = ranked[0], ranked[-1]
    claim = (
        f"The largest mean error came with {worst}: {span_words(most, unit=subject.unit)}; the smallest with {best}: "
        f"{span_words(least, unit=subject.unit)}."
    )
    if not apart(most, least):
        claim += " The intervals overlap or are missing, so this order may be chance."
    yield "worst_activity", claim, {"mae": dict(ranked), "method": "mean absolute error by activity, all readings"}


def _ranked(rows: list[dict[str, Any]]) -> list[tuple[str, dict[str, Any]]]:
    found = [(str(r.get("group")), statistics_of(r).get("mae", {})) for r in rows if r.get("group") not in (None, "")]
    return sorted((f for f in found if finite(f[1].get("value"))), key=lambda f: -float(f[1]["value"]))


def apart(worse: Mapping[str, Any], better: Mapping[str, Any]) -> bool:
    """Whether the worse statistic's interval lies wholly above the better one's."""
    low, high = worse.get("low"), better.get("high")
    return finite(low) and finite(high) and low is not None and high is not None and low > high
