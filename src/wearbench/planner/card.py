"""What a session card knows: the study's devices, where they were worn last, their versions, the next session."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import count
from typing import Final

from wearbench.study import Session, SessionRow, Study
from wearbench.study.discovery import natural
from wearbench.study.tables import read_tables

__all__ = ["MOST_DEVICES", "Card", "CardDevice", "blank_card", "card_of"]

MOST_DEVICES: Final = 6
"""Devices that fit on one page with room to write."""
FIRST_SESSION: Final = "s01"
ROLES: Final = ("reference", "tested", "context")
_NUMBERED: Final = re.compile(r"(.*?)([0-9]+)([^0-9]*)", re.DOTALL)
_DATED: Final = re.compile(r"(?<!\d)((19|20|21)\d\d[-_. ]?\d\d[-_. ]?\d\d|\d\d[-_. ]\d\d[-_. ](19|20|21)?\d\d)(?!\d)")


@dataclass(frozen=True, kw_only=True, slots=True)
class CardDevice:
    """A device's row on the card; None is a line to fill in.

    Attributes
    ----------
    name, label : str
    role : {"reference", "tested", "context"}
    wear_site : str or None
        As the session says, else where it was worn last.
    firmware : str or None
        Last known.
    firmware_seen : str or None
        Day on which that was, ISO.
    files : tuple of str
        Where its exports go, named like the ones that are there.
    """

    name: str
    label: str
    role: str
    wear_site: str | None = None
    firmware: str | None = None
    firmware_seen: str | None = None
    files: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Card:
    """What is printed on a session card; None is a line to fill in.

    Attributes
    ----------
    title, folder : str or None
        Of the study.
    session, participant, activity, zone : str or None
    recorded : bool
        Whether the session has recordings already.
    devices : tuple of CardDevice
        References first, then tested, then context.
    left_out : tuple of str
        Labels of devices for which there is no room.
    """

    title: str | None = None
    folder: str | None = None
    session: str | None = None
    participant: str | None = None
    activity: str | None = None
    zone: str | None = None
    recorded: bool = False
    devices: tuple[CardDevice, ...] = ()
    left_out: tuple[str, ...] = ()


def blank_card(*, session: str | None = None) -> Card:
    """A card of no study: one reference, two devices under test, everything else to be filled in."""
    devices = tuple(CardDevice(name="", label="", role=role) for role in ("reference", "tested", "tested"))
    return Card(session=session, devices=devices)


def card_of(study: Study, *, session: str | None = None) -> Card:
    """The card of a study's session.

    Parameters
    ----------
    study : Study
    session : str, optional
        Its name; the next free one otherwise.

    Returns
    -------
    Card
        ``session`` is None where names do not count up (days of the week, dates), so that none is made up.
    """
    rows = read_tables(study.folder, study.config).sessions
    raw = study.folder / "raw"
    folders = [path.name for path in raw.iterdir() if path.is_dir()] if raw.is_dir() else []
    taken = {*rows, *(session.name for session in study.sessions), *(name for name in folders if name[0] not in "._")}
    name = _next_name(taken) if session is None else session
    row = rows.get(name or "")
    config = study.config
    declared = [device for role in ROLES for device in config.with_role(role)]
    devices = [
        CardDevice(
            name=device.name,
            label=device.label,
            role=device.role,
            wear_site=_wear_site(study, row, device.name),
            files=_files(study, name, device.name),
        )
        for device in declared
    ]
    zone = None if row is None else row.zone
    return Card(
        title=config.title,
        folder=study.folder.resolve().name,
        session=name,
        participant=(row.participant if row is not None else None) or _only(study.participants),
        activity=None if row is None else row.activity,
        zone=config.timezone if zone is None else str(zone),
        recorded=any(one.name == name and one.recordings for one in study.sessions),
        devices=tuple(_with_firmware(study, device) for device in devices[:MOST_DEVICES]),
        left_out=tuple(device.label for device in devices[MOST_DEVICES:]),
    )


def _only(names: Collection[str]) -> str | None:
    return next(iter(names)) if len(names) == 1 else None


def _next_name(taken: Iterable[str]) -> str | None:
    """The name after the highest of the most common numbered kind: ``s08`` after ``s07``; None after names of days."""
    names = sorted(taken, key=natural)
    if not names:
        return FIRST_SESSION
    cut = [match.groups() for name in names if (match := _numbered(name)) is not None]
    if not cut:
        return None
    (head, tail), _ = Counter((head.casefold(), tail.casefold()) for head, _, tail in cut).most_common(1)[0]
    alike = [parts for parts in cut if (parts[0].casefold(), parts[2].casefold()) == (head, tail)]
    head, digits, tail = max(alike, key=lambda parts: int(parts[1]))
    used = {name.casefold() for name in names}
    for number in count(int(digits) + 1):
        name = f"{head}{number:0{len(digits)}d}{tail}"
        if name.casefold() not in used:
            return name
    raise AssertionError  # numbers do not run out


def _numbered(name: str) -> re.Match[str] | None:
    """A name around its last number, unless it is a date."""
    return None if _DATED.search(name) else _NUMBERED.fullmatch(name)


def _latest(study: Study, device: str) -> list[Session]:
    """Sessions with recordings of a device, the latest first."""
    return [one for one in reversed(study.sessions) if any(each.device == device for each in one.recordings)]


def _wear_site(study: Study, row: SessionRow | None, device: str) -> str | None:
    if row is not None and device in row.wear_site_by:
        return row.wear_site_by[device]
    last = (one.wear_site_by[device] for one in reversed(study.sessions) if device in one.wear_site_by)
    return study.config.devices[device].wear_site or next(last, None)


def _with_firmware(study: Study, device: CardDevice) -> CardDevice:
    """The device with the version seen last: in versions.csv, sessions.csv, else as study.toml says."""
    seen: list[tuple[float, str]] = [
        (version.seen_at_ms, version.version)
        for version in study.versions
        if version.device == device.name and version.part == "device"
    ]
    for session in study.sessions:
        told = session.firmware_by.get(device.name) or (session.firmware if device.role == "tested" else None)
        if told:
            seen.append((-math.inf if session.start_ms is None else session.start_ms, told))
    if not seen:
        return replace(device, firmware=study.config.devices[device.name].firmware)
    when, version = max(seen, key=lambda pair: pair[0])
    day = (
        None if when == -math.inf else datetime.fromtimestamp(when / 1000, study.config.zone or UTC).date().isoformat()
    )
    return replace(device, firmware=version, firmware_seen=day)


def _files(study: Study, session: str | None, device: str) -> tuple[str, ...]:
    """Where exports of the device go: named as in its latest session, or as the exports that span sessions."""
    spanning = [each for each in study.spanning if each.device == device]
    latest = next(iter(_latest(study, device)), None)
    place, recordings = f"raw/{session or '____'}", () if latest is None else latest.recordings
    if latest is None and spanning:
        place, recordings = "raw/_all", tuple(spanning)
    names = [
        ".".join(word for word in (device, each.quantity, each.parts[0].name.extension) if word)
        for each in recordings
        if each.device == device
    ]
    return tuple(f"{place}/{name}" for name in dict.fromkeys(names or [f"{device}.____"]))
