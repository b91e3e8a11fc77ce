"""The invented fortnight behind the heap: fifteen occasions, one flight, one change of the clocks, five recorders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from wearbench.simulator.camp import PROGRAMMES, ROWERS
from wearbench.simulator.heap_truth import ClockStep, FirmwareChange, HeapDevice, ZoneSpan
from wearbench.simulator.parameters import Bout, ClockError, DevicePlan, Failure, PodPlan, SessionPlan

__all__ = [
    "AWAY",
    "BEGIN",
    "CLOCK_STEP",
    "DEVICES",
    "END",
    "FIRMWARE",
    "HOME",
    "LANDED",
    "OCCASIONS",
    "REPEATED_HOUR",
    "ZONES",
    "Occasion",
    "session_plan",
]

HOME: Final = "Europe/Oslo"
AWAY: Final = "Asia/Kathmandu"
"""Where the camp flies to: a zone that is a quarter of an hour off."""


def _local(day: int, hour: int, minute: int = 0, *, zone: str = HOME) -> datetime:
    """Instant of a wall clock; days above 31 are in November."""
    wall = datetime(2031, 10, 1, hour, minute, tzinfo=ZoneInfo(zone)) + timedelta(days=day - 1)
    return wall.astimezone(UTC)


BEGIN: Final = _local(20, 0)
END: Final = _local(34, 0, zone=AWAY)
LANDED: Final = _local(27, 23, 30, zone=AWAY)
"""When the phones took the new zone, and with them every device that takes its clock from one."""
REPEATED_HOUR: Final = datetime(2031, 10, 26, 1, 0, tzinfo=UTC)
"""When the clocks at home went back from 3:00 to 2:00."""
ZONES: Final = (ZoneSpan(zone=HOME), ZoneSpan(zone=AWAY, start=LANDED))
CLOCK_STEP: Final = ClockStep(device="pod", start=_local(21, 14, 10), end=_local(25, 12), early_s=3600.0)
FIRMWARE: Final = (
    FirmwareChange(device="loop", at=_local(28, 3, 20, zone=AWAY), before="4.3", after="4.4"),
    FirmwareChange(device="band", at=_local(28, 20, 40, zone=AWAY), before="2.0", after="2.1"),
)
DEVICES: Final = (
    HeapDevice(name="patch", label="Chest patch", role="reference", offset_s=0.0),
    HeapDevice(name="band", label="Wrist band", role="tested", offset_s=-21.4),
    HeapDevice(name="loop", label="Upper-arm loop", role="tested", offset_s=8.2),
    HeapDevice(name="pod", label="Stroke and step pod", role="context", offset_s=0.0),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Occasion:
    """One line of the fortnight's log.

    ``holes`` are (from, seconds) of what the patch lost when its app crashed: a file ends before each, the next
    begins after it. ``patch_short_s`` is how long before the end the patch stops. ``exercise_mode`` says whether the
    band was told that exercise began.
    """

    name: str
    start: datetime
    zone: str
    activity: str
    devices: tuple[str, ...]
    minutes: float = 10.0
    holes: tuple[tuple[float, float], ...] = ()
    patch_short_s: float = 0.0
    copied: bool = False
    exercise_mode: bool = True


_ALL = ("patch", "band", "loop", "pod")
_NO_POD = ("patch", "band", "loop")
_NO_LOOP = ("patch", "band", "pod")
_BAND = ("band",)
_TWO = ("patch", "band")

OCCASIONS: Final = (
    Occasion(name="O01", start=_local(20, 9), zone=HOME, activity="rowing", devices=_ALL, minutes=12),
    Occasion(
        name="O02",
        start=_local(20, 17),
        zone=HOME,
        activity="stairs",
        devices=_NO_POD,
        minutes=12,
        holes=((335.0, 40.0),),
        copied=True,
    ),
    Occasion(name="O03", start=_local(21, 14, 4), zone=HOME, activity="rowing", devices=_NO_LOOP, minutes=12),
    Occasion(name="O04", start=_local(22, 9, 30), zone=HOME, activity="rowing", devices=_ALL),
    Occasion(name="O05", start=_local(22, 23, 53), zone=HOME, activity="stairs", devices=_NO_POD, minutes=13),
    Occasion(name="O06", start=_local(23, 16), zone=HOME, activity="stairs", devices=_BAND, minutes=12),
    Occasion(
        name="O07",
        start=_local(24, 9, 10),
        zone=HOME,
        activity="rowing",
        devices=_NO_LOOP,
        minutes=36,
        patch_short_s=1440.0,
    ),
    Occasion(
        name="O08",
        start=_local(25, 10),
        zone=HOME,
        activity="kettlebells",
        devices=_NO_POD,
        minutes=15,
        holes=((250.0, 40.0), (610.0, 12.0)),
        copied=True,
    ),
    Occasion(
        name="O09",
        start=_local(26, 11),
        zone=HOME,
        activity="walking",
        devices=_NO_POD,
        minutes=14,
        exercise_mode=False,
    ),
    Occasion(name="O10", start=_local(28, 8, zone=AWAY), zone=AWAY, activity="rowing", devices=_ALL),
    Occasion(name="O11", start=_local(29, 16, 20, zone=AWAY), zone=AWAY, activity="stairs", devices=_NO_POD),
    Occasion(
        name="O12", start=_local(30, 9, 40, zone=AWAY), zone=AWAY, activity="kettlebells", devices=_TWO, copied=True
    ),
    Occasion(name="O13", start=_local(31, 8, 5, zone=AWAY), zone=AWAY, activity="rowing", devices=_BAND, minutes=9),
    Occasion(name="O14", start=_local(32, 10, 30, zone=AWAY), zone=AWAY, activity="rowing", devices=_ALL, minutes=11),
    Occasion(name="O15", start=_local(33, 9, zone=AWAY), zone=AWAY, activity="stairs", devices=_TWO),
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


def session_plan(occasion: Occasion) -> SessionPlan:
    """Return the plan of an occasion, every device worn; what was not recorded is left out later."""
    offsets = {device.name: device.offset_s for device in DEVICES}
    band = DevicePlan(
        name="band",
        starts_s=-12.0,
        stops_s=20.0,
        clock=ClockError(offset_s=offsets["band"]),
        failures=(_HALVED, _LOCKED),
    )
    loop = DevicePlan(
        name="loop",
        averaging_s=12.0,
        delay_s=5.0,
        interval_s=5.0,
        starts_s=-20.0,
        stops_s=25.0,
        clock=ClockError(offset_s=offsets["loop"]),
    )
    return SessionPlan(
        name=occasion.name,
        start=occasion.start,
        person=ROWERS["P1"],
        bouts=_bouts(occasion.activity, occasion.minutes * 60.0),
        activity=occasion.activity,
        devices=(band, loop),
        pod=PodPlan(),
    )
