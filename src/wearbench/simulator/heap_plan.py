"""The invented fortnight behind the heap: fifteen occasions, one flight, one change of the clocks, five recorders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from wearbench.simulator.camp import PROGRAMMES, ROWERS
from wearbench.simulator.heap_truth import ClockStep, FirmwareChange, HeapDevice, ZoneSpan
from wearbench.simulator.parameters import Bout, ClockError, DevicePlan, Failure, PodPlan, SessionPlan

__all__ = ["HOME", "HeapPlan", "Occasion", "plan_heap"]

HOME: Final = "Europe/Oslo"

Span = tuple[datetime, datetime]


@dataclass(frozen=True, kw_only=True, slots=True)
class Occasion:
    """One line of the fortnight's log.

    Attributes
    ----------
    plan : SessionPlan
        Every device worn; what was not recorded is left out later.
    zone : str
    devices : tuple of str
        What recorded.
    holes : tuple of (float, float)
        From when, for how many seconds, the patch's app was gone after a crash: a file ends before each hole, the next
        begins after it.
    patch_short_s : float
        How long before the end the patch stops.
    copied : bool
        A second phone heard the patch too.
    exercise_mode : bool
        The band was told that exercise began.
    """

    plan: SessionPlan
    zone: str
    devices: tuple[str, ...]
    holes: tuple[tuple[float, float], ...] = ()
    patch_short_s: float = 0.0
    copied: bool = False
    exercise_mode: bool = True

    @property
    def name(self) -> str:
        """Name of the session."""
        return self.plan.name


@dataclass(frozen=True, kw_only=True, slots=True)
class HeapPlan:
    """A fortnight: when, where, who recorded what, and which clock showed what.

    ``zones`` is what the phones' wall clocks showed, and with them every device that takes its clock from one;
    ``band_worn`` and ``loop_worn`` are when these were on and charged.
    """

    begin: datetime
    end: datetime
    landed: datetime
    repeated_hour: datetime
    zones: tuple[ZoneSpan, ZoneSpan]
    devices: tuple[HeapDevice, ...]
    clock_step: ClockStep
    firmware: tuple[FirmwareChange, ...]
    occasions: tuple[Occasion, ...]
    band_worn: tuple[Span, ...]
    loop_worn: tuple[Span, ...]
    loop_serial: int

    def offset_ms(self, device: str) -> int:
        """Reference minus the device's clock."""
        return next(round(each.offset_s * 1000) for each in self.devices if each.name == device)

    def change_of(self, device: str) -> FirmwareChange:
        """Return when the device's firmware changed."""
        return next(change for change in self.firmware if change.device == device)


_ALL = ("patch", "band", "loop", "pod")
_NO_POD = ("patch", "band", "loop")
_NO_LOOP = ("patch", "band", "pod")
_BAND = ("band",)
_TWO = ("patch", "band")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    """As the log says it: day of October (above 31: November) and wall clock where they were; up to 4 min later."""

    when: tuple[int, int, int]
    activity: str
    devices: tuple[str, ...]
    minutes: float = 10.0
    holes: tuple[tuple[float, float], ...] = ()
    patch_short_s: float = 0.0
    copied: bool = False
    exercise_mode: bool = True


_FLIGHT_DAY: Final = 27
_LOG: Final = (
    _Line(when=(20, 9, 0), activity="rowing", devices=_ALL, minutes=12),
    _Line(when=(20, 17, 0), activity="stairs", devices=_NO_POD, minutes=12, holes=((335.0, 40.0),), copied=True),
    _Line(when=(21, 14, 3), activity="rowing", devices=_NO_LOOP, minutes=12),
    _Line(when=(22, 9, 30), activity="rowing", devices=_ALL),
    _Line(when=(22, 23, 52), activity="stairs", devices=_NO_POD, minutes=13),
    _Line(when=(23, 16, 0), activity="stairs", devices=_BAND, minutes=12),
    _Line(when=(24, 9, 10), activity="rowing", devices=_NO_LOOP, minutes=36, patch_short_s=1440.0),
    _Line(
        when=(25, 10, 0),
        activity="kettlebells",
        devices=_NO_POD,
        minutes=15,
        holes=((250.0, 40.0), (610.0, 12.0)),
        copied=True,
    ),
    _Line(when=(26, 11, 0), activity="walking", devices=_NO_POD, minutes=14, exercise_mode=False),
    _Line(when=(28, 8, 0), activity="rowing", devices=_ALL),
    _Line(when=(29, 16, 20), activity="stairs", devices=_NO_POD),
    _Line(when=(30, 9, 40), activity="kettlebells", devices=_TWO, copied=True),
    _Line(when=(31, 8, 5), activity="rowing", devices=_BAND, minutes=9),
    _Line(when=(32, 10, 30), activity="rowing", devices=_ALL, minutes=11),
    _Line(when=(33, 9, 0), activity="stairs", devices=_TWO),
)
"""The fortnight's log."""

_HALVED = Failure(mode="halved", share=0.3, mean_s=70, least_s=30, activities=("rowing",))
_LOCKED = Failure(mode="cadence_locked", share=0.25, mean_s=60, least_s=25, activities=("stairs",))


def _bouts(activity: str, seconds: float) -> tuple[Bout, ...]:
    """The camp's programme, shortened: rests of a minute at both ends, what lies between cut or repeated."""
    first, *middle, last = PROGRAMMES[activity]
    bouts, left = [replace(first, seconds=60.0)], seconds - 120.0
    while left > 0:
        for bout in middle:
            lasts = min(bout.seconds * 0.5, left)
            if lasts > 0:
                bouts.append(replace(bout, seconds=lasts))
            left -= lasts
    return (*bouts, replace(last, seconds=60.0))


def _session_plan(
    line: _Line, number: int, start: datetime, draw: np.random.Generator, *, band_s: float, loop_s: float
) -> SessionPlan:
    band = DevicePlan(
        name="band",
        starts_s=float(draw.integers(-40, 45)),
        stops_s=float(draw.integers(-30, 40)),
        clock=ClockError(offset_s=band_s),
        failures=(_HALVED, _LOCKED),
    )
    loop = DevicePlan(
        name="loop",
        averaging_s=12.0,
        delay_s=5.0,
        interval_s=5.0,
        starts_s=float(draw.integers(-40, 45)),
        stops_s=float(draw.integers(-30, 40)),
        clock=ClockError(offset_s=loop_s),
    )
    return SessionPlan(
        name=f"O{number:02d}",
        start=start + timedelta(seconds=int(draw.integers(0, 240))),
        person=ROWERS["P1"],
        bouts=_bouts(line.activity, line.minutes * 60.0),
        activity=line.activity,
        devices=(band, loop),
        pod=PodPlan(),
    )


def plan_heap(*, seed: int, away: str) -> HeapPlan:
    """Plan the fortnight.

    Parameters
    ----------
    seed : int
        Draws when sessions begin, when devices were switched on, and how far their clocks are off.
    away : str
        Zone flown to.

    Returns
    -------
    HeapPlan
    """
    draw = np.random.Generator(np.random.PCG64([seed, 4]))

    def wall(day: int, hour: int = 0, minute: int = 0, *, zone: str = "") -> datetime:
        there = ZoneInfo(zone or (HOME if day <= _FLIGHT_DAY else away))
        return (datetime(2031, 10, 1, hour, minute, tzinfo=there) + timedelta(days=day - 1)).astimezone(UTC)

    band_s, loop_s = np.round(draw.uniform(-90.0, 90.0, 2), 1).tolist()
    landed = wall(_FLIGHT_DAY, 23, 30, zone=away)
    return HeapPlan(
        begin=wall(20),
        end=wall(34),
        landed=landed,
        repeated_hour=datetime(2031, 10, 26, 1, 0, tzinfo=UTC),
        zones=(ZoneSpan(zone=HOME), ZoneSpan(zone=away, start=landed)),
        devices=(
            HeapDevice(name="patch", label="Chest patch", role="reference", offset_s=0.0),
            HeapDevice(name="band", label="Wrist band", role="tested", offset_s=band_s),
            HeapDevice(name="loop", label="Upper-arm loop", role="tested", offset_s=loop_s),
            HeapDevice(name="pod", label="Stroke and step pod", role="context", offset_s=0.0),
        ),
        clock_step=ClockStep(device="pod", start=wall(21, 14, 10), end=wall(25, 12), early_s=3600.0),
        firmware=(
            FirmwareChange(device="loop", at=wall(28, 3, 20), before="4.3", after="4.4"),
            FirmwareChange(device="band", at=wall(28, 20, 40), before="2.0", after="2.1"),
        ),
        occasions=tuple(
            Occasion(
                plan=_session_plan(line, number, wall(*line.when), draw, band_s=band_s, loop_s=loop_s),
                zone=HOME if line.when[0] <= _FLIGHT_DAY else away,
                devices=line.devices,
                holes=line.holes,
                patch_short_s=line.patch_short_s,
                copied=line.copied,
                exercise_mode=line.exercise_mode,
            )
            for number, line in enumerate(_LOG, start=1)
        ),
        band_worn=((wall(20), wall(23, 20)), (wall(23, 20, 50), wall(29, 21)), (wall(29, 22, 10), wall(34))),
        loop_worn=(
            (wall(20, 6, 30), wall(20, 22, 30)),
            (wall(22, 6, 40), wall(23, 9)),
            (wall(25, 7), wall(28, 21)),
            (wall(29, 7), wall(29, 20)),
            (wall(32, 8), wall(32, 13)),
        ),
        loop_serial=int(draw.integers(1_000_000, 9_000_000)),
    )
