"""Which firmware a device ran in a session: told, read from its files, or between two sightings; whether it matters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from wearbench.study import Session, Study
from wearbench.wording import join_words, plural, signed

__all__ = ["Firmware", "Told", "firmware_of", "same_version", "unknown_both_ways", "version_at"]

_LATELY_MS: Final = 3_600_000
_LEAST: Final = {"mae": 0.05, "share": 0.005}
"""Changes smaller than these have no direction (our own figures)."""
_FACTS: Final = ("firmware", "firmware_version", "software_version")


@dataclass(frozen=True, kw_only=True, slots=True)
class Firmware:
    """Version of a device in a session.

    Attributes
    ----------
    version : str
        Empty where it is not known.
    how : str
        "sessions.csv", "file", "versions.csv", "study.toml" or "unknown".
    between : tuple of str
        Where it is not known: what was seen before and after; empty where nothing was.
    file : str
        What the file says, if it does.
    """

    version: str
    how: str
    between: tuple[str, ...] = ()
    file: str = ""


def firmware_of(study: Study, session: Session, device: str, facts: Mapping[str, str], *, at_ms: int) -> Firmware:
    """Tell the firmware of a device in a session.

    Parameters
    ----------
    study : Study
    session : Session
    device : str
    facts : mapping
        What the device's file says of it.
    at_ms : int
        When the session was, in ms since 1970.

    Returns
    -------
    Firmware
        sessions.csv goes before the file, the file before versions.csv, that before study.toml. After the last sighting
        the version is taken to have stayed; between two that differ, and before the first, it is not known, but for a
        sighting in the hour before the session.
    """
    config = study.config.devices[device]
    told = session.firmware_by.get(device) or (session.firmware if config.role == "tested" else None)
    file = next((facts[name] for name in _FACTS if facts.get(name)), "")
    if told:
        return Firmware(version=told, how="sessions.csv", file=file)
    if file:
        return Firmware(version=_spelt(file, study, device), how="file", file=file)
    seen = sorted((v.seen_at_ms, v.version) for v in study.versions if v.device == device and v.part == "device")
    if not seen:
        return Firmware(version=config.firmware or "", how="study.toml" if config.firmware else "unknown")
    version, between = version_at(seen, at_ms)
    return Firmware(version=version, how="versions.csv" if version else "unknown", between=between)


def version_at(seen: Sequence[tuple[int, str]], at_ms: int) -> tuple[str, tuple[str, ...]]:
    """Tell the version at an instant from sightings of it.

    Parameters
    ----------
    seen : sequence of (int, str)
        When, in ms since 1970, and which; in order of time.
    at_ms : int

    Returns
    -------
    version : str
        After the last sighting, between two that agree, or within an hour of one; else empty.
    between : tuple of str
        Where it is empty: what was seen before and after, as far as it was.
    """
    before = [version for when, version in seen if when <= at_ms]
    after = [version for when, version in seen if when > at_ms]
    lately = any(at_ms - when <= _LATELY_MS for when, _ in seen if when <= at_ms)
    if before and (lately or not after or before[-1] == after[0]):
        return before[-1], ()
    return "", (*before[-1:], *after[:1])


def same_version(one: str, other: str) -> bool:
    """Whether two spellings are one version: ``2.1``, ``v2.10`` and ``2.1`` are."""
    a, b = (text.strip().lower().removeprefix("v") for text in (one, other))
    try:
        return float(a) == float(b)
    except ValueError:
        return a == b


def _spelt(version: str, study: Study, device: str) -> str:
    """The version as the study spells it, where it does."""
    told = [s.firmware_by.get(device) or s.firmware or "" for s in study.sessions]
    told += [v.version for v in study.versions if v.device == device and v.part == "device"]
    told.append(study.config.devices[device].firmware or "")
    return next((t for t in told if t and same_version(t, version)), version)


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """A session's firmware and its sums: pairs, sum of absolute differences, faithful and asked seconds."""

    session: str
    firmware: Firmware
    n: int
    size: float
    faithful_s: float
    asked_s: float


def unknown_both_ways(device: str, quantity: str, unit: str, told: Sequence[Told]) -> list[dict[str, Any]]:
    """Before against after an update, the sessions of unknown version left out, counted before, and counted after.

    Parameters
    ----------
    device, quantity, unit : str
    told : sequence of Told
        In order of time.

    Returns
    -------
    list of dict
        One row for each two versions that follow one another. ``matters`` is True where the direction of the change in
        mean absolute error or in the share of time right depends on where the unknown sessions are counted; None where
        there is none of them, or a side has no session.
    """
    known = [t for t in told if t.firmware.version]
    order = list(dict.fromkeys(t.firmware.version for t in known))
    rows = []
    for old, new in pairwise(order):
        first = [t for t in known if t.firmware.version == old]
        second = [t for t in known if t.firmware.version == new]
        unknown = [t for t in told if t.firmware.between == (old, new)]
        ways = {
            "left_out": _change(first, second),
            "as_before": _change([*first, *unknown], second),
            "as_after": _change(first, [*second, *unknown]),
        }
        matters = None
        if unknown:
            matters = any(_turns([way[name] for way in ways.values()], least=least) for name, least in _LEAST.items())
        rows.append(
            {
                "device": device,
                "quantity": quantity,
                "before": old,
                "after": new,
                "sessions_before": [t.session for t in first],
                "sessions_after": [t.session for t in second],
                "sessions_unknown": [t.session for t in unknown],
                **{f"mae_change_{name}": way["mae"] for name, way in ways.items()},
                **{f"share_change_{name}": way["share"] for name, way in ways.items()},
                "matters": matters,
                "said": _words(old, new, unknown, ways, unit, matters=matters),
            }
        )
    return rows


def _change(first: Sequence[Told], second: Sequence[Told]) -> dict[str, float | None]:
    """Second less first: mean absolute error over pairs, share of asked time right."""

    def over(part: Sequence[Told], total: str, count: str) -> float | None:
        below = sum(getattr(t, count) for t in part)
        return sum(getattr(t, total) for t in part) / below if below > 0 else None

    out: dict[str, float | None] = {}
    for name, total, count in (("mae", "size", "n"), ("share", "faithful_s", "asked_s")):
        a, b = over(first, total, count), over(second, total, count)
        out[name] = None if a is None or b is None else b - a
    return out


def _turns(changes: Sequence[float | None], *, least: float) -> bool:
    """Whether one way it is more and another way less, both by something worth telling."""
    told = [change for change in changes if change is not None and abs(change) >= least]
    return any(change > 0 for change in told) and any(change < 0 for change in told)


def _words(
    old: str,
    new: str,
    unknown: Sequence[Told],
    ways: Mapping[str, Mapping[str, float | None]],
    unit: str,
    *,
    matters: bool | None,
) -> str:
    if not unknown:
        return ""
    names = join_words([t.session for t in unknown[:6]])
    names += f" and {len(unknown) - 6} more" if len(unknown) > 6 else ""
    said = f"firmware {old} or {new} in {plural(len(unknown), 'session')} ({names}), which of the two is not known"
    early, late = ways["as_before"]["mae"], ways["as_after"]["mae"]
    if early is None or late is None:
        return said
    said += f"; from {old} to {new} mean error changes by {signed(early)} {unit} if they had {old}"
    said += f" and by {signed(late)} {unit} if they had {new}"
    return f"{said}: the direction {'depends on it' if matters else 'is the same'}"
