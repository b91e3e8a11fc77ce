"""How its clock stood, and what that looks like."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import duration, finite, join_words, number, plural, signed

__all__ = ["looks_like_groups", "say_clock"]

_FAR_S: Final = 120.0
_MOST_NAMES: Final = 6


def say_clock(subject: Subject) -> Iterator[Said]:
    """By how much its clock was off, over the sessions in which that could be told."""
    refused = sorted(str(c.get("session")) for c in subject.clock if c.get("trust") in ("refused", "none"))
    fits = [c for c in subject.clock if finite(c.get("offset_s")) and c.get("trust") not in ("refused", "none")]
    if not fits:
        if refused:
            claim = f"Its clock could not be fitted in {plural(len(refused), 'session')}."
            yield "clock", claim, {"sessions": refused}
        return
    offsets = [float(c["offset_s"]) for c in fits]
    if all(c.get("trust") == "declared" for c in fits):
        low, middle, high = min(offsets), sorted(offsets)[len(offsets) // 2], max(offsets)
        how = f"{signed(middle)} s" if high - low < 0.05 else f"{signed(low)} to {signed(high)} s"
        claim = f"Its clock was declared, not fitted ({how}). All that is said here rests on that."
        claim += _late(subject)
        yield "clock", claim, {"offset_s": offsets, "weak": [], "method": str(fits[0].get("method") or "declared")}
        return
    claim = _amount(fits, offsets)
    if any(c.get("offset_is") == "clock_minus_delay" for c in fits):
        claim += "; whether its clock was off or its values came late cannot be told apart"
    alike = looks_like_groups(fits)
    if alike and len(fits) == 1:
        claim += f"; {str(fits[0]['looks_like']).removeprefix('its clock is ')}"
    else:
        claim += "."
        claim += "".join(f" In {_names(sessions)}: {_asked(why)}" for why, sessions in alike)
    claim += _late(subject)
    weak = sorted(str(c.get("session")) for c in fits if c.get("trust") == "weak")
    if weak:
        claim += f" The fit is weak in {plural(len(weak), 'session')}: {_names(weak)}."
    if refused:
        claim += f" It could not be fitted in {plural(len(refused), 'session')}: {_names(refused)}."
    evidence = {"offset_s": offsets, "weak": weak, "refused": refused}
    yield "clock", claim, {**evidence, "method": "median of the fitted offsets over sessions"}


def _late(subject: Subject) -> str:
    """How late its values came, where sync marks or a shared clock tell."""
    for window in subject.windows:
        low, high = window.get("delay_low_s"), window.get("delay_high_s")
        if low is None or high is None or not (window.get("delay_known") and finite(low) and finite(high)):
            continue
        how = str(window.get("delay_how") or "")
        if how.startswith(("late by", "not seen")):
            return f" Its values were {how}."
        half = 0.5 * (float(high) - float(low))
        seconds = [number(value, uncertainty=half) for value in (window.get("delay_s"), low, high)]
        return f" Its values were late by {seconds[0]} s ({seconds[1]} to {seconds[2]}; {how})."
    return ""


def _amount(fits: Sequence[Mapping[str, Any]], offsets: list[float]) -> str:
    """The usual offset with how sure it is, and the range over sessions where that is wider."""
    low, middle, high = min(offsets), sorted(offsets)[len(offsets) // 2], max(offsets)
    halves = sorted(w for w in (_half(c) for c in fits) if w is not None)
    half = halves[len(halves) // 2] if halves else None
    far = abs(middle) >= _FAR_S
    sure = f" (±{number(max(half, 0.1), decimals=1 if half < 10 else 0)})" if half is not None and not far else ""
    side = "behind" if middle > 0 else "ahead"
    size = duration(abs(middle)) if far else f"{number(abs(middle), uncertainty=half)} s"
    said = f"Its clock was {size}{sure} {side}"
    if abs(middle) < 0.05:
        said = f"Its clock was right{sure}"
    if high - low > 2 * (half or 0.0):
        span = f"{signed(low, uncertainty=half)} to {signed(high, uncertainty=half)} s"
        after = " (plus is behind)"
        if max(abs(low), abs(high)) >= _FAR_S:
            span, after = f"{_sided(low)} to {_sided(high)}", ""
        said += f" in the middle session, from {span} over {plural(len(fits), 'session')}{after}"
    elif len(fits) > 1:
        said += f" in all {plural(len(fits), 'session')}"
    return said


def _sided(offset_s: float) -> str:
    return f"{duration(abs(offset_s))} {'behind' if offset_s > 0 else 'ahead'}"


def looks_like_groups(fits: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    """What offsets look like (a zone, an hour, a day) and in which sessions, the commonest first.

    Parameters
    ----------
    fits : sequence of mapping
        Rows of the table of clocks, or proposals; each has ``session`` and ``looks_like`` or ``said``.

    Returns
    -------
    list of (str, list of str)
        Without the size, which differs by seconds from session to session.
    """
    groups: dict[str, list[str]] = {}
    for fit in fits:
        said = str(fit.get("looks_like") or fit.get("said") or "")
        if said:
            groups.setdefault(said.rpartition(": ")[2], []).append(str(fit.get("session")))
    return sorted(groups.items(), key=lambda item: (-len(item[1]), item[1]))


def _asked(why: str) -> str:
    return why if why.endswith("?") else f"{why}."


def _names(sessions: list[str]) -> str:
    if len(sessions) <= _MOST_NAMES:
        return join_words(sessions)
    return f"{', '.join(sessions[:_MOST_NAMES])} and {len(sessions) - _MOST_NAMES} more"


def _half(fit: Mapping[str, Any]) -> float | None:
    low, high = fit.get("low_s"), fit.get("high_s")
    return (high - low) / 2 if finite(low) and finite(high) and low is not None and high is not None else None
