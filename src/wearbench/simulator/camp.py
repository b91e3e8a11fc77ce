"""The demo: the winter camp of a coastal rowing club. Six invented rowers, two invented bands, one invented patch.

The band runs firmware 2.0 in the first eleven sessions and 2.1 in the last eleven, which halves far less on rowing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from wearbench.simulator.parameters import (
    Bout,
    ClockError,
    DevicePlan,
    Failure,
    Person,
    PodPlan,
    ReferencePlan,
    SessionPlan,
    Spell,
)
from wearbench.simulator.writer import write_study

__all__ = ["PROGRAMMES", "ROWERS", "camp_plans", "write_bench", "write_demo"]

ROWERS: Final = {
    person.name: person
    for person in (
        Person(name="P1", rest_bpm=58, max_bpm=186, rise_s=26, fall_s=52, drift_bpm_per_h=12),
        Person(name="P2", rest_bpm=66, max_bpm=192, rise_s=32, fall_s=66, drift_bpm_per_h=18, ectopics_per_h=4),
        Person(name="P3", rest_bpm=52, max_bpm=178, rise_s=24, fall_s=46, drift_bpm_per_h=9, respiratory_share=0.07),
        Person(name="P4", rest_bpm=70, max_bpm=183, rise_s=36, fall_s=78, drift_bpm_per_h=20),
        Person(name="P5", rest_bpm=61, max_bpm=195, rise_s=28, fall_s=58, drift_bpm_per_h=15, breathing_hz=0.2),
        Person(name="P6", rest_bpm=64, max_bpm=172, rise_s=34, fall_s=70, drift_bpm_per_h=16, respiratory_share=0.03),
    )
}


def _rest(seconds: float) -> Bout:
    return Bout(activity="rest", intensity="rest", seconds=seconds, effort=0.06)


def _walk(seconds: float, cadence: float = 108.0) -> Bout:
    return Bout(activity="walking", intensity="easy", seconds=seconds, effort=0.3, cadence=cadence)


def _row(intensity: str, seconds: float, effort: float, cadence: float) -> Bout:
    return Bout(activity="rowing", intensity=intensity, seconds=seconds, effort=effort, cadence=cadence)


_HARD, _EASY = _row("hard", 180, 0.88, 31), _row("easy", 90, 0.5, 20)
_STAIRS = Bout(activity="stairs", intensity="hard", seconds=75, effort=0.86, cadence=118)
_DOWN = Bout(activity="walking", intensity="easy", seconds=105, effort=0.36, cadence=104)
_SWINGS = Bout(activity="kettlebells", intensity="hard", seconds=50, effort=0.8, cadence=38)
_BREATHER = Bout(activity="kettlebells", intensity="rest", seconds=70, effort=0.25)

PROGRAMMES: Final[dict[str, tuple[Bout, ...]]] = {
    "rowing": (
        _rest(150),
        _row("easy", 300, 0.5, 20),
        *(_HARD, _EASY) * 5,
        _row("easy", 150, 0.4, 19),
        _rest(240),
    ),
    "stairs": (_rest(120), _walk(240), *(_STAIRS, _DOWN) * 6, _walk(150, 106), _rest(210)),
    "kettlebells": (_rest(150), _walk(180), *(_SWINGS, _BREATHER) * 8, _rest(240)),
    "walking": (_rest(240), _walk(720), _rest(150), _walk(360, 114), _rest(240)),
    "mixed": (
        _rest(150),
        _row("moderate", 600, 0.66, 24),
        _rest(120),
        *(_SWINGS, _BREATHER) * 5,
        _rest(90),
        _walk(300),
        _rest(180),
    ),
}
"""Bouts of each kind of session."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Outline:
    """One line of the camp's log; shares are of the activity's time, clock slips whole minutes."""

    person: str
    programme: str
    day: int
    hour: int
    minute: int = 0
    halved: float = 0.0
    band: tuple[Failure, ...] = ()
    loop: tuple[Failure, ...] = ()
    late: float = 0.0
    band_slip_min: int = 0
    loop_slip_min: int = 0
    reference: ReferencePlan = field(default_factory=ReferencePlan)


def _lock(share: float, activity: str, multiple: float) -> Failure:
    return Failure(mode="cadence_locked", share=share, mean_s=70, least_s=25, activities=(activity,), ratio=multiple)


def _frozen(share: float, activity: str) -> Failure:
    return Failure(mode="frozen", share=share, mean_s=75, least_s=40, activities=(activity,))


def _gone(share: float, activity: str, sentinel: float | None) -> Failure:
    return Failure(mode="missing", share=share, mean_s=50, least_s=12, activities=(activity,), sentinel=sentinel)


_DOUBLED = Failure(mode="doubled", share=0.25, mean_s=60, least_s=30, activities=("rest",))
_TWO_THIRDS = Failure(mode="off_ratio", share=0.1, mean_s=60, least_s=30, activities=("rowing",), ratio=2 / 3)
_ASTRAY = Failure(mode="astray", share=0.12, mean_s=50, least_s=25, activities=("kettlebells",))
_DRY: Final = {seconds: ReferencePlan(dry_s=seconds) for seconds in (45.0, 70.0, 85.0)}
_SKIPPING = ReferencePlan(every_second=(Spell(start_s=1180, seconds=95),), lost=(Spell(start_s=700, seconds=9),))

_LOG: Final = (
    _Outline(person="P1", programme="rowing", day=12, hour=9, halved=0.45),
    _Outline(person="P2", programme="rowing", day=12, hour=10, minute=30, halved=0.3, reference=_DRY[70.0], late=0.5),
    _Outline(person="P3", programme="stairs", day=12, hour=15, band=(_lock(0.3, "stairs", 1.0),), late=0.6),
    _Outline(person="P4", programme="rowing", day=13, hour=9, halved=0.55, band_slip_min=60),
    _Outline(
        person="P5",
        programme="kettlebells",
        day=13,
        hour=11,
        band=(_frozen(0.2, "kettlebells"), _gone(0.08, "kettlebells", None)),
        band_slip_min=60,
    ),
    _Outline(person="P6", programme="rowing", day=13, hour=15, halved=0.35, loop=(_frozen(0.1, "rowing"),)),
    _Outline(person="P1", programme="stairs", day=14, hour=9, band=(_lock(0.35, "stairs", 1.0),), late=0.4),
    _Outline(person="P3", programme="rowing", day=14, hour=11, reference=_DRY[45.0]),
    _Outline(person="P2", programme="walking", day=14, hour=15, band=(_DOUBLED,)),
    _Outline(
        person="P5",
        programme="rowing",
        day=15,
        hour=9,
        halved=0.3,
        band=(_lock(0.08, "rowing", 2.0),),
        loop_slip_min=-60,
        reference=_SKIPPING,
    ),
    _Outline(
        person="P4",
        programme="kettlebells",
        day=15,
        hour=14,
        band=(_frozen(0.15, "kettlebells"), _gone(0.06, "kettlebells", None)),
        loop=(_gone(0.2, "kettlebells", 255.0),),
        late=0.5,
    ),
    _Outline(person="P1", programme="rowing", day=19, hour=9, halved=0.05, late=0.3),
    _Outline(person="P2", programme="rowing", day=19, hour=11, band_slip_min=-75),
    _Outline(
        person="P6",
        programme="stairs",
        day=19,
        hour=15,
        band=(_gone(0.12, "stairs", 0.0), _lock(0.2, "stairs", 1.0)),
        loop=(_lock(0.3, "stairs", 1.0),),
    ),
    _Outline(person="P3", programme="rowing", day=20, hour=9, loop=(_frozen(0.08, "rowing"),)),
    _Outline(person="P4", programme="rowing", day=20, hour=11, halved=0.12, reference=_DRY[85.0], late=0.4),
    _Outline(person="P5", programme="rowing", day=20, hour=15, band=(_TWO_THIRDS,)),
    _Outline(person="P2", programme="stairs", day=21, hour=9, band=(_lock(0.25, "stairs", 1.0),), late=0.5),
    _Outline(person="P6", programme="rowing", day=21, hour=11, halved=0.06, band=(_lock(0.06, "rowing", 2.0),)),
    _Outline(
        person="P1",
        programme="kettlebells",
        day=21,
        hour=15,
        band=(_frozen(0.18, "kettlebells"), _ASTRAY),
        loop=(_gone(0.2, "kettlebells", None),),
    ),
    _Outline(person="P3", programme="walking", day=22, hour=9, loop=(_DOUBLED,), band_slip_min=30),
    _Outline(person="P6", programme="mixed", day=22, hour=11, band=(_frozen(0.15, "kettlebells"),), late=0.3),
)
_CHANGE = 11
"""From this line of the log on, the band runs 2.1."""

_ABOUT = """# The winter camp of a coastal rowing club (invented data)

Nobody rowed for this. The six rowers, the two bands, the chest patch, the pod and every number in this folder were
made by a simulator, to show what a study looks like and to check the tool against a truth that is known.

- `study.toml`, `sessions.csv`, `bouts.csv`, `participants.csv`: the study as a person would describe it.
- `raw/`: one folder a session: `patch` (reference, RR intervals), `band` and `loop` (tested), `pod` (strokes or steps).
- `truth/`: what was so. A real study has no such folder, and the analysis does not read it.
"""
_PEOPLE = """participant,age_band,sex,skin_tone,skin_tone_scale,wrist_cm
P1,25-29,f,2,invented,15.5
P2,20-24,m,4,invented,17.5
P3,30-34,m,3,invented,17.0
P4,40-44,f,5,invented,16.0
P5,20-24,f,3,invented,15.0
P6,50-54,m,2,invented,18.5
"""
_LABELS = {"patch": "Chest patch", "band": "Wrist band", "loop": "Upper-arm loop", "pod": "Stroke and step pod"}


def _device_pair(line: _Outline, number: int, draw: np.random.Generator) -> tuple[DevicePlan, DevicePlan]:
    old = number < _CHANGE
    halving = Failure(mode="halved", share=line.halved, mean_s=130 if old else 60, least_s=30, activities=("rowing",))
    # The phone that sets the band's clock is anywhere within a minute and a half; clocks part by some ppm.
    band_s, loop_s = np.round(draw.uniform(-90.0, 90.0, 2), 3)
    band_ppm, loop_ppm = np.round(draw.normal((12.0, -26.0), 6.0), 2)
    band = DevicePlan(
        name="band",
        averaging_s=8.0,
        delay_s=3.0,
        interval_s=1.0,
        noise_bpm=0.9,
        noise_corr_s=6.0,
        onset_late_s=14.0 if line.late else 0.0,
        onset_share=line.late,
        starts_s=float(draw.integers(-40, 60)),
        stops_s=float(draw.integers(-30, 40)),
        clock=ClockError(offset_s=float(band_s) + 60.0 * line.band_slip_min, drift_ppm=float(band_ppm)),
        failures=(halving, *line.band),
        firmware="2.0" if old else "2.1",
        wear_site="left wrist",
        file="csv_local",
    )
    loop = DevicePlan(
        name="loop",
        averaging_s=12.0,
        delay_s=5.0,
        interval_s=5.0,
        noise_bpm=0.7,
        noise_corr_s=8.0,
        starts_s=float(draw.integers(-40, 60)),
        stops_s=float(draw.integers(-30, 40)),
        clock=ClockError(offset_s=float(loop_s) + 60.0 * line.loop_slip_min, drift_ppm=float(loop_ppm)),
        failures=line.loop,
        firmware="4.3",
        wear_site="right upper arm",
        # One rower's phone exports the other format.
        file="tcx" if line.person == "P4" else "fit",
    )
    return band, loop


def camp_plans(*, seed: int = 20310112) -> tuple[SessionPlan, ...]:
    """Plan the camp's twenty-two sessions.

    Parameters
    ----------
    seed : int
        Draws clock offsets, drifts and when the bands were switched on and off.

    Returns
    -------
    tuple of SessionPlan
    """
    draw = np.random.Generator(np.random.PCG64([seed, 1]))
    zone = ZoneInfo("Europe/Oslo")
    plans = []
    for number, line in enumerate(_LOG):
        start = datetime(2031, 1, line.day, line.hour, line.minute, tzinfo=zone)
        plans.append(
            SessionPlan(
                name=f"S{number + 1:02d}",
                start=start + timedelta(seconds=int(draw.integers(0, 240))),
                person=ROWERS[line.person],
                bouts=PROGRAMMES[line.programme],
                activity=line.programme,
                reference=line.reference,
                devices=_device_pair(line, number, draw),
                pod=PodPlan(),
            )
        )
    return tuple(plans)


def write_demo(folder: Path, *, seed: int = 20310112) -> None:
    """Write the camp as a study folder.

    Parameters
    ----------
    folder : pathlib.Path
        New or empty.
    seed : int
        Same seed, same bytes.

    Raises
    ------
    UsageError
        If the folder already holds files.
    """
    write_study(
        folder,
        camp_plans(seed=seed),
        seed=seed,
        title="Invented: winter camp of a coastal rowing club, two bands against a chest patch",
        labels=_LABELS,
        about=_ABOUT,
    )
    (folder / "participants.csv").write_text(_PEOPLE, encoding="utf-8", newline="\n")


def write_bench(folder: Path, *, n_sessions: int = 13, minutes: float = 45.0, seed: int = 20310112) -> None:
    """Write a study for measuring speed: one band at 1 Hz against RR intervals, cadence beside.

    Parameters
    ----------
    folder : pathlib.Path
        New or empty.
    n_sessions : int
    minutes : float
        Length of each session.
    seed : int

    Raises
    ------
    UsageError
        If the folder already holds files.
    """
    draw = np.random.Generator(np.random.PCG64([seed, 2]))
    people, programmes = list(ROWERS.values()), list(PROGRAMMES.values())
    plans = []
    for number in range(n_sessions):
        bouts, left, source = [], minutes * 60.0, number
        while left > 0:
            for bout in programmes[source % len(programmes)]:
                seconds = min(bout.seconds, left)
                if seconds > 0:
                    bouts.append(
                        Bout(
                            activity=bout.activity,
                            intensity=bout.intensity,
                            seconds=seconds,
                            effort=bout.effort,
                            cadence=bout.cadence,
                        )
                    )
                left -= seconds
            source += 1
        offset_s, drift_ppm = round(float(draw.uniform(-90, 90)), 3), round(float(draw.normal(0, 15)), 2)
        plans.append(
            SessionPlan(
                name=f"S{number + 1:04d}",
                start=datetime(2031, 1, 6, 8, 0, tzinfo=ZoneInfo("Europe/Oslo")) + timedelta(hours=8 * number),
                person=people[number % len(people)],
                bouts=tuple(bouts),
                activity="training",
                devices=(
                    DevicePlan(
                        clock=ClockError(offset_s=offset_s, drift_ppm=drift_ppm),
                        failures=(
                            Failure(mode="halved", share=0.15, mean_s=120, activities=("rowing",)),
                            _lock(0.15, "stairs", 1.0),
                            _frozen(0.1, "kettlebells"),
                            _gone(0.03, "walking", None),
                        ),
                    ),
                ),
                pod=PodPlan(),
            )
        )
    write_study(folder, plans, seed=seed, title="Invented: sessions for measuring speed", labels=_LABELS)
