"""What the data suggest and only a person can decide: put in words with evidence, never applied."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo

from wearbench.core.clock import ClockFit
from wearbench.core.offsets import explain_offset, nearest_quarter, offset_words, utc_words
from wearbench.core.steps import ClockStep

__all__ = ["Proposal", "moment_words", "of_offset", "of_start", "of_steps", "zone_offset_s"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_SLACK_S = 3600.0
"""Two recordings of one session are started by hand within this much; a distance further from whole days is none."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """Something for a person to decide.

    Attributes
    ----------
    kind : str
        "clock_step", "clock_offset", "not_worn" ...
    device, quantity : str
    said : str
        A sentence without session and device.
    from_s, to_s : float or None
        The span it is about, on the device's own stamps, seconds from the session's origin; None for all of it.
    shift_s : float or None
        What would be added to the stamps.
    evidence : dict
        Numbers behind it.
    """

    kind: str
    device: str
    quantity: str
    said: str
    from_s: float | None = None
    to_s: float | None = None
    shift_s: float | None = None
    evidence: dict[str, float] = field(default_factory=dict)


def _moment(origin_ms: int, seconds: float) -> datetime:
    return _EPOCH + timedelta(milliseconds=origin_ms) + timedelta(seconds=seconds)


def zone_offset_s(zone: tzinfo | None, *, origin_ms: int, at_s: float) -> float:
    """Offset of a zone from UTC at an instant, seconds; 0 without a zone."""
    offset = None if zone is None else _moment(origin_ms, at_s).astimezone(zone).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def moment_words(zone: tzinfo | None, *, origin_ms: int, at_s: float) -> str:
    """Weekday and time of an instant in a zone: ``Tue 14:10``; seconds where they are not 0."""
    local = _moment(origin_ms, at_s).astimezone(zone or UTC)
    days = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    return f"{days[local.weekday()]} {local:%H:%M}" + (f":{local:%S}" if local.second else "")


def of_steps(
    steps: tuple[ClockStep, ...],
    *,
    device: str,
    quantity: str,
    zone: tzinfo | None,
    origin_ms: int,
    first_s: float,
    last_s: float,
) -> tuple[Proposal, ...]:
    """Propose to move the stamps of each stretch that is on another clock than the rest.

    Parameters
    ----------
    steps : tuple of ClockStep
    device, quantity : str
    zone : tzinfo or None
        In which instants are said.
    origin_ms : int
        Second 0.
    first_s, last_s : float
        First and last stamp of the recording.

    Returns
    -------
    tuple of Proposal
    """
    out = []
    for step in steps:
        start = moment_words(zone, origin_ms=origin_ms, at_s=step.from_s)
        end = moment_words(zone, origin_ms=origin_ms, at_s=step.to_s)
        when = f"from {start} to {end}"
        if step.from_s <= first_s + 1e-6:
            when = f"up to {end}"
        elif step.to_s >= last_s - 1e-6:
            when = f"from {start}"
        size = offset_words(step.shift_s)
        side = "behind" if step.shift_s > 0 else "ahead of"
        said = f"its clock is {size} {side} the rest of the recording {when} (its own stamps)"
        if nearest_quarter(step.shift_s, near_s=0.5) is not None:
            here = zone_offset_s(zone, origin_ms=origin_ms, at_s=step.from_s)
            there = utc_words(here - step.shift_s)
            said += f": a change of zone, as from {utc_words(here)} to {there}, or of the hour?"
        else:
            said += ": set anew by a sync?"
        out.append(
            Proposal(
                kind="clock_step",
                device=device,
                quantity=quantity,
                said=said,
                from_s=step.from_s,
                to_s=step.to_s,
                shift_s=step.shift_s,
                evidence={
                    "n": float(step.n),
                    "low_s": step.low_s,
                    "high_s": step.high_s,
                    "gap_s": step.gap_s,
                    "loss": step.loss,
                    "loss_as_stamped": step.loss_as_stamped,
                },
            )
        )
    return tuple(out)


def of_offset(
    clock: ClockFit, *, offset_s: float, device: str, quantity: str, zone: tzinfo | None, origin_ms: int
) -> tuple[Proposal, ...]:
    """Say what a fitted offset looks like, where it looks like a zone, an hour, a day or an epoch.

    Parameters
    ----------
    clock : ClockFit
        As fitted; a clock that was refused, or is known to no better than two minutes, explains nothing.
    offset_s : float
        What brings the device's stamps onto the reference's clock.
    device, quantity, zone, origin_ms

    Returns
    -------
    tuple of Proposal
        None or one. The fit has brought the readings to their place; what is proposed is to mend its cause.
    """
    width = clock.high_s - clock.low_s
    if clock.trust not in ("good", "weak") or not math.isfinite(width) or width > 240.0:
        return ()
    zone_s = zone_offset_s(zone, origin_ms=origin_ms, at_s=clock.at_s)
    said = explain_offset(offset_s, zone_offset_s=zone_s)
    if said is None:
        return ()
    return (
        Proposal(
            kind="clock_offset",
            device=device,
            quantity=quantity,
            said=said,
            shift_s=offset_s,
            evidence={"zone_offset_s": zone_s, "width_s": width},
        ),
    )


def of_start(
    *, device: str, quantity: str, tested_s: float, reference_s: float, zone: tzinfo | None, origin_ms: int
) -> tuple[Proposal, ...]:
    """Say what the distance between two recordings looks like that overlap at no offset that was searched.

    Parameters
    ----------
    device, quantity : str
    tested_s, reference_s : float
        First stamp of each.
    zone, origin_ms

    Returns
    -------
    tuple of Proposal
        None or one, of days or an epoch; starts differ by chance, so nothing smaller is said.
    """
    apart = reference_s - tested_s
    days = 86_400.0 * round(apart / 86_400.0)
    if days == 0 or (abs(apart - days) > _DAY_SLACK_S and abs(days) <= 366 * 86_400.0):
        return ()
    zone_s = zone_offset_s(zone, origin_ms=origin_ms, at_s=0.0)
    said = explain_offset(apart if abs(days) > 366 * 86_400.0 else days, zone_offset_s=zone_s)
    if said is None:
        return ()
    evidence = {"apart_s": apart, "zone_offset_s": zone_s}
    return (Proposal(kind="clock_epoch", device=device, quantity=quantity, said=said, evidence=evidence),)
