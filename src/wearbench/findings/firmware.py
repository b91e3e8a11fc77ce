"""Before and after a change of firmware, and what sessions of unknown version do to that."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wearbench.findings.accuracy import apart
from wearbench.findings.finding import Said, statistics_of
from wearbench.findings.subject import Subject, distinct
from wearbench.wording import finite, join_words, plural, share, span_words

__all__ = ["say_firmware", "unknown_words"]

_MOST_NAMES = 6


def say_firmware(subject: Subject) -> Iterator[Said]:
    """The first known version against the last, and both ways where the version of some sessions is not known."""
    unknown = [row for row in subject.versions if row.get("sessions_unknown")]
    ways = [words for row in unknown if (words := unknown_words(row, subject.unit))]
    described = _side_by_side(subject)
    if described is None:
        if ways:
            claim = f"Firmware: {' '.join(ways)}"
            yield "firmware", claim, {"versions": {}, "unknown": unknown, "method": "counted both ways; not a test"}
        return
    claim, versions = described
    evidence = {"versions": versions, "unknown": unknown, "method": "described side by side; not a test"}
    yield "firmware", " ".join([claim, *(words[:1].upper() + words[1:] for words in ways)]), evidence


def _side_by_side(subject: Subject) -> tuple[str, dict[str, dict[str, Any]]] | None:
    order = distinct(subject.pairs.sort("time"), "firmware") if subject.pairs.height else []
    rows = {str(r.get("group")): r for r in subject.groups("firmware")}
    known = [v for v in order if v in rows and finite(statistics_of(rows[v]).get("mae", {}).get("value"))]
    if len(known) < 2:
        return None
    before, after = known[0], known[-1]
    parts: list[str] = []
    evidence: dict[str, dict[str, Any]] = {}
    for version in (before, after):
        mae, track = statistics_of(rows[version])["mae"], subject.tracking("firmware", version)
        right = f", right for {share(track['share'])} of the time" if track else ""
        count = plural(int(rows[version].get("n_sessions") or 0), "session")
        parts.append(f"on {version} it was off by {span_words(mae, unit=subject.unit)}{right} ({count})")
        evidence[version] = {"mae": mae, "tracking": track, "n_sessions": rows[version].get("n_sessions")}
    old, new = evidence[before]["mae"], evidence[after]["mae"]
    if apart(old, new) or apart(new, old):
        verdict = (
            f"The two differ by more than their intervals ({'smaller' if apart(old, new) else 'larger'} error on "
            f"{after}); whether the firmware did it or the sessions differed otherwise, this alone cannot say."
        )
    else:
        verdict = "The intervals overlap or are missing: no change can be claimed, and none ruled out."
    return f"Firmware: {parts[0]}; {parts[1]}. {verdict}", evidence


def unknown_words(row: Mapping[str, Any], unit: str) -> str:
    """What counting sessions of unknown version as the old one, and as the new one, makes of a change.

    Parameters
    ----------
    row : mapping
        Of the table of versions.
    unit : str

    Returns
    -------
    str
        A sentence that begins in lower case; empty where every session's version is known.
    """
    sessions = [str(s) for s in row.get("sessions_unknown") or []]
    if not sessions:
        return ""
    old, new = row["before"], row["after"]
    names = join_words(sessions) if len(sessions) <= _MOST_NAMES else ", ".join(sessions[:_MOST_NAMES]) + " and more"
    said = f"in {plural(len(sessions), 'session')} ({names}) it ran {old} or {new}, which of the two is not known"
    early, late = (_change(row.get(f"mae_change_as_{way}"), unit) for way in ("before", "after"))
    if not early or not late:
        return f"{said}."
    said += f": counted as {old}, the mean error {early} from {old} to {new}; counted as {new}, it {late}"
    return f"{said}. {'The answer depends on it.' if row.get('matters') else 'The direction is the same either way.'}"


def _change(value: Any, unit: str) -> str:
    if not finite(value):
        return ""
    size = f"{abs(float(value)):.1f} {unit}".strip()
    if abs(float(value)) < 0.05:
        return f"stays the same (within 0.1 {unit})"
    return f"{'rises' if value > 0 else 'falls'} by {size}"
