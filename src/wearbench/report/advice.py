"""What to look at first: what the data suggest, and the line that settles it in the study's own files."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any, Final

from wearbench.findings import device_label, looks_like_groups
from wearbench.report.pieces import instant_of
from wearbench.wording import duration, finite, join_words, plural

__all__ = ["Advice", "advice_of"]

_MOST_LINES: Final = 12
_MOST_NAMES: Final = 8
_HOUR_QUARTER_S: Final = 900.0
_DAY_S: Final = 86_400.0
_HEAD: Final = {
    "clock_step": "{label} may have set its clock anew inside a recording.",
    "clock_offset": "Clocks that kept another time.",
    "clock_epoch": "{label}: {why}",
    "not_worn": "{label} may not have been worn all the time.",
}
_THEN: Final = {
    "clock_step": "If you agree, add to decisions.jsonl:",
    "clock_offset": "The fit has brought these readings to their place, so the results need nothing. Set the clock "
    "right before the next session. To settle it for good, add to decisions.jsonl:",
    "clock_epoch": "Its readings could not be compared there. If you agree, add to decisions.jsonl:",
    "not_worn": "That time counts as without a value now. If it was not worn, add to wear.csv:",
}
_ORDER: Final = ("clock_epoch", "clock_step", "not_worn", "clock_offset")


@dataclass(frozen=True, kw_only=True, slots=True)
class Advice:
    """Something to look at: a sentence, what was seen, what to do, and the lines to write.

    Attributes
    ----------
    head : str
    seen : tuple of str
        One entry a session.
    then : str
    lines : str
        Ready to paste; empty where there is nothing to write.
    """

    head: str
    seen: tuple[str, ...]
    then: str
    lines: str


def advice_of(document: Mapping[str, Any], zones: Mapping[str, tuple[tzinfo, str]]) -> list[Advice]:
    """Everything to look at, what keeps readings from being compared first.

    Parameters
    ----------
    document : mapping
        ``Results.document``, plain.
    zones : mapping
        Session -> time zone and its name.
    """
    at = instant_of(document.get("made")) or datetime(1970, 1, 1, tzinfo=UTC)
    made = at.isoformat(timespec="seconds").replace("+00:00", "Z")
    proposals = [p for p in document.get("proposals") or [] if p.get("kind") in _HEAD]
    found: list[Advice] = []
    for kind in _ORDER:
        if kind == "clock_offset":
            found += _offsets(document, [p for p in proposals if p["kind"] == kind], made=made)
            continue
        for device in dict.fromkeys(str(p["device"]) for p in proposals if p["kind"] == kind):
            mine = [p for p in proposals if p["kind"] == kind and str(p["device"]) == device]
            label = device_label(document, device)
            for why, some in _alike(mine, kind):
                found.append(_advice(kind, label, why, some, made=made, zones=zones))
        if kind == "not_worn":
            found += _versions(document)
    return found


def _alike(proposals: list[Mapping[str, Any]], kind: str) -> Iterator[tuple[str, list[Mapping[str, Any]]]]:
    """Proposals of one device that come to the same, together."""
    if kind != "clock_epoch":
        yield "", proposals
        return
    for why, _ in looks_like_groups(proposals):
        yield why, [p for p in proposals if str(p["said"]).rpartition(": ")[2] == why]


def _advice(
    kind: str,
    label: str,
    why: str,
    proposals: Sequence[Mapping[str, Any]],
    *,
    made: str,
    zones: Mapping[str, tuple[tzinfo, str]],
) -> Advice:
    said: dict[str, list[str]] = {}
    for p in proposals:
        text = str(p["said"])
        said.setdefault(text.removesuffix(f": {why}") if why else text, []).append(str(p["session"]))
    lines = [_wear_line(p, zones) if kind == "not_worn" else _clock_line(p, made) for p in proposals[:_MOST_LINES]]
    head = ["device,start,end,what"] if kind == "not_worn" else []
    return Advice(
        head=_HEAD[kind].format(label=label, why=why),
        seen=tuple(f"{_names(sessions)}: {text}" for text, sessions in said.items()),
        then=_THEN[kind],
        lines="\n".join([*head, *lines]),
    )


def _offsets(document: Mapping[str, Any], proposals: Sequence[Mapping[str, Any]], *, made: str) -> Iterator[Advice]:
    """Offsets that look like a zone or an hour, of all devices together: what to do is the same."""
    if not proposals:
        return
    seen = []
    for device in dict.fromkeys(str(p["device"]) for p in proposals):
        mine = [p for p in proposals if str(p["device"]) == device]
        for why, sessions in looks_like_groups(mine):
            some = [p for p in mine if str(p["said"]).endswith(why)]
            seen.append(f"{device_label(document, device)} in {_names(sessions)}: {why} {_sizes(some, why)}.")
    yield Advice(
        head=_HEAD["clock_offset"],
        seen=tuple(seen),
        then=_THEN["clock_offset"],
        lines="\n".join(_clock_line(p, made) for p in proposals[:_MOST_LINES]),
    )


def _sizes(proposals: Sequence[Mapping[str, Any]], why: str) -> str:
    """By how much the clock was off: in the run's words where it is one amount, else every amount in round figures."""
    amounts = sorted({_shift(p) for p in proposals}, key=abs)
    if len(amounts) == 1:
        first = str(proposals[0]["said"]).removesuffix(f": {why}")
        return first[:1].upper() + first[1:]
    sides = [f"{duration(abs(amount))} {'behind' if amount > 0 else 'ahead'}" for amount in amounts]
    return f"Its clock is {join_words(sides)}, give or take a minute or two"


def _names(sessions: Sequence[str]) -> str:
    names = list(dict.fromkeys(sessions))
    if len(names) <= _MOST_NAMES:
        return join_words(names)
    return f"{', '.join(names[:_MOST_NAMES])} and {len(names) - _MOST_NAMES} more"


def _clock_line(proposal: Mapping[str, Any], made: str) -> str:
    """A decision that moves stamps; an offset by its round figure, since the fit finds the rest."""
    decision = {
        "made": made,
        "kind": "clock",
        "session": proposal["session"],
        "device": proposal["device"],
        "start": proposal.get("from"),
        "end": proposal.get("to"),
        "value": _shift(proposal),
        "tested_visible": True,
    }
    told = {k: v for k, v in decision.items() if v is not None}
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"))


def _shift(proposal: Mapping[str, Any]) -> float:
    """Seconds to add to the stamps."""
    shift = proposal.get("shift_s")
    if not finite(shift) or shift is None:
        shift = (proposal.get("evidence") or {}).get("apart_s") or 0.0
    if proposal["kind"] == "clock_step":
        return round(float(shift), 3)
    unit = _DAY_S if proposal["kind"] == "clock_epoch" else _HOUR_QUARTER_S
    return int(unit) * round(float(shift) / unit)


def _wear_line(proposal: Mapping[str, Any], zones: Mapping[str, tuple[tzinfo, str]]) -> str:
    zone = zones.get(str(proposal["session"]), (UTC, "UTC"))[0]
    ends = [at.astimezone(zone) if (at := instant_of(proposal.get(k))) else None for k in ("from", "to")]
    stamps = ["" if at is None else at.isoformat(timespec="seconds") for at in ends]
    return f"{proposal['device']},{stamps[0]},{stamps[1]},off"


def _versions(document: Mapping[str, Any]) -> Iterator[Advice]:
    """Sessions whose firmware lies between two sightings."""
    for row in document.get("versions") or []:
        sessions = [str(s) for s in row.get("sessions_unknown") or []]
        if not sessions:
            continue
        device = str(row["device"])
        label, old, new = device_label(document, device), row["before"], row["after"]
        matters = "What is said of before and after depends on it." if row.get("matters") else ""
        yield Advice(
            head=f"Which firmware {label} ran in {plural(len(sessions), 'session')} is not known: {old} or {new}.",
            seen=(f"{_names(sessions)}. {matters}".strip(),),
            then=f"If you know it, write it into sessions.csv, {old} or {new}:",
            lines="\n".join([f"session,firmware.{device}", *(f"{s},{new}" for s in sessions[:_MOST_LINES])]),
        )
