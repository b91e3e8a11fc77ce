"""Which bout, activity and intensity an instant of a session belongs to, bouts brought onto the reference's clock."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.study import DeviceConfig, Session
from wearbench.study.tabletext import When

__all__ = ["BoutClock", "Places", "bouts_on_reference", "clock_owners", "places_of"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Places:
    """Bout, activity and intensity of each instant (arrays of text, shape (n,)), and the activities that occur."""

    bout: NDArray[Any]
    activity: NDArray[Any]
    intensity: NDArray[Any]
    activities: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class BoutClock:
    """What brings a device's stamps onto the reference's clock: its fit, and from window centre back to the instant.

    Where the person has decided that stamps move, ``stamp_s`` are the device's own and ``moved_s`` by how much: an
    instant moves as the reading next to it.
    """

    fit: ClockFit
    back_s: float
    stamp_s: F64 | None = None
    moved_s: F64 | None = None

    def on_reference(self, stamp_s: float) -> float:
        """A stamp of the device on the reference's clock, seconds from the session's origin."""
        if self.stamp_s is not None and self.moved_s is not None and self.stamp_s.size:
            stamp_s += float(self.moved_s[np.argmin(np.abs(self.stamp_s - stamp_s))])
        return float(self.fit.centre_s(np.array([stamp_s]))[0]) + self.back_s


WIDE_S = 10.0
"""A bout whose clock is known no better than this is flagged: its edges may lie that far off."""


def clock_owners(devices: Mapping[str, DeviceConfig]) -> dict[str, str | None]:
    """Whose clock each device is on: its own name, another device's, or None for the reference's.

    Parameters
    ----------
    devices : mapping
        By name, as study.toml declares them.
    """
    owners: dict[str, str | None] = {}
    for name in devices:
        owner: str | None = name
        while owner is not None:
            device = devices[owner]
            if device.clock == "shared" or "reference" in (device.role, *device.roles.values()):
                owner = None
            elif device.clock == "own":
                break
            else:
                owner = device.clock
        owners[name] = owner
    return owners


def bouts_on_reference(
    session: Session,
    clocks: Mapping[str, BoutClock],
    labels: Mapping[str, str],
    *,
    owners: Mapping[str, str | None],
    origin_ms: int,
) -> tuple[Session, tuple[str, ...]]:
    """Move bouts that are on a device's clock onto the reference's.

    Parameters
    ----------
    session : Session
    clocks : mapping
        Of the devices that were fitted in this session, by name.
    labels : mapping
        What devices are called in warnings.
    owners : mapping
        Whose clock each device is on; see :func:`clock_owners`.
    origin_ms : int
        Second 0.

    Returns
    -------
    Session
        Its bouts as instants on the reference's clock; bouts of devices without a fit stay as they were written.
    tuple of str
        What to say where a bout moves with a clock that is poorly known, or could not be moved.
    """
    said: dict[str, None] = {}
    start_ms = origin_ms if session.start_ms is None else session.start_ms
    bouts = []
    for bout in session.bouts:
        owner = owners.get(bout.clock or "")
        clock = clocks.get(bout.clock or "") or clocks.get(owner or "")
        if clock is None or clock.fit.trust == "refused":
            if owner is not None:
                said[f"bouts on the clock of {labels[str(bout.clock)]} stay as written: its clock is not known"] = None
            bouts.append(bout)
            continue
        half = 0.5 * (clock.fit.high_s - clock.fit.low_s)
        if clock.fit.trust == "weak" or 2.0 * half > WIDE_S:
            sure = f"to {half:.0f} s" if math.isfinite(half) else "weakly"
            said[f"bouts on the clock of {labels[str(bout.clock)]} move with it, and it is known only {sure}"] = None
        edges = []
        for when in (bout.start, bout.end):
            stamp_s = (when.at_ms(start_ms) - origin_ms) / 1000.0
            edges.append(When(utc_ms=origin_ms + round(1000.0 * clock.on_reference(stamp_s))))
        moved_s = (edges[0].at_ms(start_ms) - bout.start.at_ms(start_ms)) / 1000.0
        bouts.append(replace(bout, start=edges[0], end=edges[1], clock=None, moved_with=bout.clock, moved_s=moved_s))
    return replace(session, bouts=tuple(bouts)), tuple(said)


def places_of(session: Session, origin_ms: int, centre_s: F64) -> Places:
    """Look up bouts for instants on the reference's clock.

    Parameters
    ----------
    session : Session
        Outside its bouts the session's own activity holds.
    origin_ms : int
        Second 0 of the session.
    centre_s : float64 array, shape (n,)

    Returns
    -------
    Places
    """
    n = centre_s.size
    start_ms = origin_ms if session.start_ms is None else session.start_ms
    bout = np.full(n, "", dtype=object)
    activity = np.full(n, session.activity or "", dtype=object)
    intensity = np.full(n, "", dtype=object)
    for one in session.bouts:
        start, end = ((when.at_ms(start_ms) - origin_ms) / 1000.0 for when in (one.start, one.end))
        inside = (centre_s >= start) & (centre_s < end)
        bout[inside] = one.name
        if one.activity:
            activity[inside] = one.activity
        intensity[inside] = one.intensity or ""
    names = tuple(sorted({str(a) for a in activity.tolist() if a}))
    return Places(bout=bout, activity=activity, intensity=intensity, activities=names)
