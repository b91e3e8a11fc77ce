"""Marks of one act on several devices: which belong together, and on whose clock each is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from wearbench.study.device import DeviceConfig
from wearbench.study.problem import Problem, listed
from wearbench.study.tables import Mark

__all__ = ["SYNC_KINDS", "check_marks", "clock_owner", "sync_pairs"]

SYNC_KINDS: Final = ("tap", "button")
"""Kinds of mark that are one act on several devices; "started" and "stopped" are each device's own."""


def clock_owner(name: str, devices: Mapping[str, DeviceConfig], *, reference: str) -> str:
    """Name the device on whose clock a device's times are.

    Parameters
    ----------
    name : str
    devices : mapping
    reference : str
        The reference that a "shared" clock is shared with.

    Returns
    -------
    str
    """
    while devices[name].clock != "own" and name != reference:
        name = reference if devices[name].clock == "shared" else devices[name].clock
    return name


def sync_pairs(
    marks: Iterable[Mark], devices: Mapping[str, DeviceConfig], *, reference: str, tested: str, start_ms: int
) -> list[tuple[Mark, Mark]]:
    """Pair the marks of a reference's clock with those of a tested device's clock.

    Parameters
    ----------
    marks : iterable of Mark
        Of one session.
    devices : mapping
    reference, tested : str
    start_ms : int
        What seconds from the session's start count from.

    Returns
    -------
    list of (Mark, Mark)
        Reference's and tested device's, kind by kind: by number where they have one, else in order where both have
        as many. Empty where both are on one clock.
    """
    known = list(marks)
    owners = {name: clock_owner(name, devices, reference=reference) for name in {m.device for m in known} | {tested}}
    if owners[tested] == reference:
        return []
    pairs: list[tuple[Mark, Mark]] = []
    for kind in SYNC_KINDS:
        ours = [m for m in known if m.kind == kind and owners[m.device] == reference]
        theirs = [m for m in known if m.kind == kind and owners[m.device] == owners[tested]]
        pairs += _of_a_kind(ours, theirs, start_ms)
    return pairs


def _of_a_kind(ours: Sequence[Mark], theirs: Sequence[Mark], start_ms: int) -> list[tuple[Mark, Mark]]:
    first, second = _numbered(ours), _numbered(theirs)
    pairs = [(first[number], second[number]) for number in first if number in second]
    plain, others = ([m for m in side if m.number is None] for side in (ours, theirs))
    if len(plain) == len(others):
        in_order = (sorted(side, key=lambda m: m.time.at_ms(start_ms)) for side in (plain, others))
        pairs += zip(*in_order, strict=True)
    return pairs


def _numbered(marks: Sequence[Mark]) -> dict[str, Mark]:
    """Marks by their number, those whose number occurs twice left out."""
    numbers = [m.number for m in marks]
    return {m.number: m for m in marks if m.number is not None and numbers.count(m.number) == 1}


def check_marks(session: str, marks: Sequence[Mark], devices: Mapping[str, DeviceConfig]) -> list[Problem]:
    """Say which sync marks of a session cannot be paired.

    Parameters
    ----------
    session : str
    marks : sequence of Mark
        Of that session.
    devices : mapping

    Returns
    -------
    list of Problem
        Nothing is left out but those marks.
    """
    told: list[str] = []
    references = [d.name for d in devices.values() if "reference" in (d.role, *d.roles.values())]
    for kind in SYNC_KINDS:
        here = [m for m in marks if m.kind == kind]
        for device in dict.fromkeys(m.device for m in here):
            numbers = [m.number for m in here if m.device == device and m.number is not None]
            twice = sorted({number for number in numbers if numbers.count(number) > 1})
            if twice:
                told.append(
                    f"{kind}: expected each mark number of {device} once, got {listed(twice, word='and')} again"
                )
        told += _unpaired(kind, here, devices, references)
    return [
        Problem(slug="marks-unpaired", said=f"session {session}: {said}", file="marks.csv", costs="these marks")
        for said in told
    ]


def _unpaired(
    kind: str, here: Sequence[Mark], devices: Mapping[str, DeviceConfig], references: Sequence[str]
) -> list[str]:
    if not here or not references:
        return []
    reference = next((name for name in references if any(m.device == name for m in here)), references[0])
    owner = {m.device: clock_owner(m.device, devices, reference=reference) for m in here}
    ours = [m for m in here if owner[m.device] == reference]
    others = dict.fromkeys(o for d, o in owner.items() if o != reference and d not in references)
    if not others:
        alone = f"{kind}: expected the same act on a tested device too, found it on {reference} only"
        return [] if len({m.device for m in here}) > 1 else [alone]
    told = []
    for other in others:
        theirs = [m for m in here if owner[m.device] == other]
        if not ours:
            told.append(f"{kind}: expected the same act on {reference} too, found it on {other} only")
        elif not _of_a_kind(ours, theirs, 0) or sum(m.number is None for m in ours) != sum(
            m.number is None for m in theirs
        ):
            told.append(
                f"{kind}: expected as many on {other} as on {reference}, got {len(theirs)} and {len(ours)}. "
                "Say which belong together in a column mark (1, 2, ...)"
            )
    return told
