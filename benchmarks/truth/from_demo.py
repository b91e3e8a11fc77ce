"""A design of the grid made by the package's own simulator."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

from benchmarks.truth.bounds import Bound, bound_of, write_bounds
from benchmarks.truth.design import Design, number
from benchmarks.truth.gridtruth import (
    TrueSpell,
    clocks_of,
    is_flat,
    later,
    mark_rows,
    rng_of,
    share_the_clock,
    write_spells,
)
from wearbench.simulator import (
    Bout,
    ClockError,
    DevicePlan,
    Failure,
    Person,
    PodPlan,
    ReferencePlan,
    SessionPlan,
    SimulatedSession,
    Spell,
    write_study,
)
from wearbench.simulator.sensing import window_rate

FIRST = datetime(2031, 1, 13, 8, 0, tzinfo=UTC)
FILES = ("csv_local", "csv_utc", "csv_decimal_comma")
DEVICE, REFERENCE = "band", "patch"
TOO_HARD = 0.55
TROUBLES = {"every second beat": "every_second", "double counting": "double_count", "gaps": "lost"}


def person_of(design: Design, session: int) -> Person:
    """Draw one of three people; a flat session's heart keeps to one rate within a few beats."""
    rng = rng_of(design, "person", session % 3)
    flat = is_flat(design, session)
    return Person(
        name=f"P{session % 3 + 1}",
        rest_bpm=float(rng.uniform(50, 72)),
        max_bpm=float(rng.uniform(170, 198)),
        rise_s=float(rng.uniform(18, 40)),
        fall_s=float(rng.uniform(40, 85)),
        drift_bpm_per_h=0.0 if flat or design.seconds > 8000 else float(rng.uniform(5, 20)),
        effort_wander=0.004 if flat else float(rng.uniform(0.015, 0.035)),
        wander_bpm=0.5 if flat else float(rng.uniform(0.8, 1.8)),
        respiratory_share=float(rng.uniform(0.02, 0.07)),
        ectopics_per_h=float(rng.choice([0.5, 1.5, 6.0])),
    )


def bouts_of(design: Design, session: int, person: Person) -> tuple[Bout, ...]:
    """Draw rest and work by turns; long sessions are mostly rest and easy moving."""
    rng = rng_of(design, session, "bouts")
    if is_flat(design, session):
        return (_bout(design, person, rng, "walk", design.seconds, 0.3),)
    day = design.seconds > 8000
    out = [_bout(design, person, rng, "rest", min(150.0, design.seconds / 6), 0.06)]
    left = design.seconds - out[0].seconds
    while left > 0:
        rest = rng.random() < (0.5 if day else 0.35)
        seconds = float(np.round(rng.uniform(90, 300) if rest else rng.uniform(90, 420)) * (4.0 if day else 1.0))
        seconds = left if left - seconds < 60 else seconds
        activity = "rest" if rest else str(rng.choice(["walk", "row", "climb"]))
        low, high = {"rest": (0.04, 0.1), "walk": (0.2, 0.4), "row": (0.45, 0.9), "climb": (0.5, 0.85)}[activity]
        out.append(_bout(design, person, rng, activity, seconds, float(rng.uniform(low, high))))
        left -= seconds
    return tuple(out)


def _bout(
    design: Design, person: Person, rng: np.random.Generator, activity: str, seconds: float, effort: float
) -> Bout:
    rate = person.rest_bpm + effort * (person.max_bpm - person.rest_bpm)
    kind = design.levels["cadence"]
    times = float(rng.choice([0.7, 0.76, 1.3])) if kind in ("far", "not recorded") else float(rng.uniform(0.95, 1.06))
    cadence = 0.0 if activity == "rest" else rate * times * (0.5 if kind == "near its half" else 1.0)
    intensity = "rest" if activity == "rest" else "easy" if effort < 0.45 else "hard"
    return Bout(activity=activity, intensity=intensity, seconds=seconds, effort=effort, cadence=cadence)


def reference_of(design: Design, session: int, bouts: tuple[Bout, ...]) -> tuple[ReferencePlan, list[TrueSpell]]:
    """Draw what is wrong with the patch, and say when.

    It counts double only where the heart is slow enough for a second wave to be seen apart from the first.
    """
    rng, kind = rng_of(design, session, "reference"), design.levels["reference"]
    if kind == "artefacts":
        return ReferencePlan(missed_share=0.02, extra_share=0.01), []
    if kind == "smoothed rate":
        return ReferencePlan(rate_over_s=float(rng.choice([5.0, 10.0]))), []
    if kind == "dry start":
        dry_s = float(rng.uniform(40, 100))
        return ReferencePlan(dry_s=dry_s), [TrueSpell(kind="dry", start_s=0.0, end_s=dry_s)]
    if kind == "beats":
        return ReferencePlan(), []
    n = 1 + int(design.seconds > 1000) + int(design.seconds > 8000) * 4
    found, slot = [], design.seconds / n
    for i in range(n):
        seconds = float(rng.uniform(40, min(180, 0.5 * slot)))
        starts = (i * slot + rng.uniform(0.1 * slot, 0.9 * slot - seconds, 40)).tolist()
        start = starts[0]
        if kind == "double counting":
            start = min(starts, key=lambda s: hardest(bouts, s, seconds))
            if hardest(bouts, start, seconds) > TOO_HARD:
                continue
        found.append(Spell(start_s=round(start), seconds=round(seconds)))
    named = TROUBLES[kind]
    truth = [TrueSpell(kind=named, start_s=s.start_s, end_s=s.start_s + s.seconds) for s in found]
    spells = {other: tuple(found) if other == named else () for other in TROUBLES.values()}
    every_second, double_count, lost = spells["every_second"], spells["double_count"], spells["lost"]
    return ReferencePlan(every_second=every_second, double_count=double_count, lost=lost), truth


def hardest(bouts: tuple[Bout, ...], start_s: float, seconds: float) -> float:
    """Return the greatest effort from a minute before a stretch to its end."""
    ends = np.cumsum([bout.seconds for bout in bouts])
    return max(
        bout.effort
        for bout, end in zip(bouts, ends.tolist(), strict=True)
        if end > start_s - 60 and end - bout.seconds < start_s + seconds
    )


def failures_of(design: Design) -> tuple[Failure, ...]:
    """Say how the device fails."""
    share, edge, levels = design.share, design.edge_s, design.levels
    usual = partial(Failure, least_s=design.least_s(), mean_s=design.mean_s())
    held = partial(Failure, least_s=design.least_s(held=True), mean_s=design.mean_s(held=True))
    ratio = {"2/3": 2 / 3, "3/2": 3 / 2}.get(levels["ratio"], 1.0)
    shown = 0.0 if "sentinel" in levels["dropout"] else None
    return (
        usual(mode="halved", share=share("halved"), edge_s=edge),
        usual(mode="doubled", share=share("doubled"), activities=("rest",), edge_s=edge),
        usual(mode="off_ratio", share=share("ratio"), ratio=ratio, edge_s=edge),
        usual(mode="cadence_locked", share=share("locked"), edge_s=edge),
        held(mode="frozen", share=share("frozen")),
        usual(mode="missing", share=share("dropout"), sentinel=shown),
        Failure(mode="spike", share=share("spikes")),
    )


def device_of(design: Design, session: int, clock: tuple[float, float]) -> DevicePlan:
    """Draw the band of one session; what it is does not change between sessions."""
    rng, own = rng_of(design, "device"), rng_of(design, session, "device")
    late = number(design.levels["onset"])
    return DevicePlan(
        name=DEVICE,
        averaging_s=design.averaging_s,
        smoothing="exponential" if design.levels["smoothing"] == "exponential" else "boxcar",
        delay_s=design.delay_s,
        interval_s=design.interval_s or 2.5,
        jitter_s=1.2 if design.interval_s is None else 0.0,
        noise_bpm=float(rng.uniform(0.5, 1.4)),
        noise_corr_s=float(rng.uniform(3, 15)),
        onset_late_s=late,
        onset_share=0.7 if late else 0.0,
        starts_s=float(own.uniform(-30, 60)),
        stops_s=float(own.uniform(-60, 30)),
        clock=ClockError(offset_s=clock[0], drift_ppm=clock[1]),
        failures=failures_of(design),
        file=FILES[int(rng.integers(3))],  # type: ignore[arg-type]
    )


def whole_runs(readings: pl.DataFrame, values: dict[tuple[str, str], np.ndarray]) -> pl.DataFrame:
    """Let frozen runs take in the first print of the value they hold, and equal neighbours."""
    states: list[str] = []
    for key, mine in readings.group_by("session", "device", maintain_order=True):
        state, value = mine["state"].to_list(), values[str(key[0]), str(key[1])]
        for i in np.flatnonzero(np.array(state) == "frozen").tolist():
            for step in (-1, 1):
                j = i + step
                while 0 <= j < len(state) and value[j] == value[i] and state[j] in ("faithful", "between"):
                    state[j] = "frozen"
                    j += step
        states += state
    return readings.with_columns(pl.Series("state", states, dtype=pl.String))


def spells_of(session: SimulatedSession) -> list[TrueSpell]:
    """When the band failed."""
    return [
        TrueSpell(kind=e.failure.mode, start_s=e.start_s, end_s=e.end_s)
        for device in session.devices
        for e in device.episodes
    ]


def write_design(folder: Path, design: Design) -> None:
    """Write a design's study folder, its truth and its bounds."""
    clocks = clocks_of(design)
    plans, doubts, marks = [], [], ["session,device,time,kind\n"]
    for i, clock in enumerate(clocks):
        start = FIRST + timedelta(days=i, minutes=37 * i, seconds=11 * i)
        name, person = f"S{i + 1:02d}", person_of(design, i)
        bouts = bouts_of(design, i, person)
        reference, wrong = reference_of(design, i, bouts)
        plan = SessionPlan(
            name=name,
            start=start,
            person=person,
            bouts=bouts,
            activity="mixed",
            reference=reference,
            devices=(device_of(design, i, clock),),
            pod=None if design.levels["cadence"] == "not recorded" else PodPlan(),
        )
        plans.append(plan)
        doubts += [(name, REFERENCE, start, spell) for spell in wrong]
        marks.append(mark_rows(design, name, start, clock, (REFERENCE, DEVICE)))
    sessions = write_study(folder, plans, seed=design.seed, title=f"Truth bench {design.name} (invented)")
    if design.levels["clock"] == "shared":
        share_the_clock(folder / "study.toml", DEVICE)
    if design.levels["clock"] == "marks":
        (folder / "marks.csv").write_text("".join(marks), encoding="utf-8")
    write_spells(folder, "reference", doubts)
    write_spells(
        folder, "spells", [(s.plan.name, DEVICE, s.plan.start, spell) for s in sessions for spell in spells_of(s)]
    )
    path = folder / "truth" / "readings.parquet"
    values = {(s.plan.name, d.plan.name): d.value_bpm for s in sessions for d in s.devices}
    whole_runs(pl.read_parquet(path), values).write_parquet(path)
    if design.levels["reference"] == "smoothed rate":
        later(folder, {s.plan.name: s.plan.reference.rate_over_s / 2 - 0.5 for s in sessions})
    write_bounds(folder, {(s.plan.name, DEVICE): bound_in(s) for s in sessions})


def bound_in(session: SimulatedSession) -> Bound:
    """Return the bound of the band's clock in a session."""
    device = session.devices[0]
    start, end = device.start_s, device.end_s
    slope = window_rate(session.beats_s, start + 0.5, end + 0.5) - window_rate(session.beats_s, start - 0.5, end - 0.5)
    inside = (start >= 0) & (end <= session.plan.seconds)
    return bound_of(device.value_bpm, device.truth_bpm, slope, device.pure & inside)
