"""A design of the grid made by the second simulator: its hearts, its devices, its strap."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

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
from benchmarks.truth.second import instants, rows_of_truth, truth_frame, write_table, written
from benchmarks.truth.second_device import Clock, Device, Spell, Track, track
from benchmarks.truth.second_heart import (
    ACTIVITIES,
    F64,
    STEP_S,
    Bout,
    Heart,
    beat_times,
    rate_path,
    smooth_noise,
)
from benchmarks.truth.second_strap import StrapRows, strap_of

FIRST = datetime(2031, 3, 3, 8, 0, tzinfo=UTC)
DEVICE, REFERENCE, POD = "wrist", "strap", "pod"
STAMPS = ("local second", "unix ms", "iso utc", "iso local")
REST_BOUT_S = (90.0, 300.0)

STUDY = """\
schema = 1
title = "Truth bench {name} (invented)"
timezone = "Europe/Lisbon"

[devices.strap]
role = "reference"

[devices.wrist]
role = "tested"
label = "Wrist sensor (invented)"
"""
STUDY_POD = """
[devices.pod]
role = "context"
clock = "shared"
"""


def heart_of(design: Design, session: int) -> Heart:
    """Draw one session's heart and stride."""
    rng = rng_of(design, session, "heart")
    flat, seconds = is_flat(design, session), design.seconds
    shift = float(rng_of(design, "person", session % 3).uniform(-8, 8))
    bouts = bouts_of(rng, seconds, flat=flat)
    lead_s = 200.0 + 2.5 * design.averaging_s
    time_s = np.arange(-lead_s, seconds + 60.0, STEP_S)
    rate = rate_path(rng, bouts, time_s, shift=shift, steady=flat)
    return Heart(
        time_s=time_s,
        beat_s=beat_times(rng, time_s, rate),
        cadence=cadence_of(rng, bouts, time_s, rate, kind=design.levels["cadence"]),
        bouts=bouts,
        seconds=seconds,
    )


def bouts_of(rng: np.random.Generator, seconds: float, *, flat: bool) -> tuple[Bout, ...]:
    """Draw bouts until a session is full; a flat one has a single activity, a long one longer bouts."""
    if flat:
        return (Bout(activity="walk", intensity="low", start_s=0.0, end_s=seconds),)
    longer = 3.0 if seconds > 8000 else 0.6 if seconds < 600 else 1.0
    found: list[Bout] = []
    now = 0.0
    while now < seconds:
        rests = not found or rng.random() < 0.25
        name = "rest" if rests else str(rng.choice(["walk", "ergometer", "run", "stairs"]))
        lasts = float(rng.uniform(*(REST_BOUT_S if rests else (220.0, 560.0)))) * longer
        end = seconds if seconds - now - lasts < 60.0 else now + lasts
        found.append(Bout(activity=name, intensity=ACTIVITIES[name][3], start_s=now, end_s=end))
        now = end
    return tuple(found)


def cadence_of(rng: np.random.Generator, bouts: tuple[Bout, ...], time_s: F64, rate: F64, *, kind: str) -> F64:
    """Draw a stride for each bout that has one: a level, a sway, a little unrest; near the bout's rate or far."""
    cadence = np.full(time_s.shape, np.nan)
    for bout in bouts:
        if ACTIVITIES[bout.activity][2] is None:
            continue
        inside = (time_s >= bout.start_s) & (time_s < bout.end_s)
        usual = float(rate[inside].mean())
        times = float(rng.uniform(0.94, 1.06)) if kind.startswith("near") else float(rng.choice([0.68, 0.75, 1.28]))
        level = usual * times * (0.5 if kind == "near its half" else 1.0)
        seconds = time_s[inside] - bout.start_s
        sway = 0.02 * np.sin(2 * np.pi * seconds / float(rng.uniform(90, 300)) + rng.random() * 6.3)
        unrest = np.interp(seconds, np.arange(0, bout.end_s - bout.start_s + 5, 4.0), smooth_noise(rng, bout, 0.008))
        cadence[inside] = level * (1 + sway + unrest)
    return cadence


def device_of(design: Design) -> Device:
    """Draw the wrist sensor; what it is does not change between sessions."""
    rng = rng_of(design, "device")
    silent = "zero" if "sentinel" in design.levels["dropout"] else "gap"
    slow = design.interval_s is not None and design.interval_s >= 60
    return Device(
        name=DEVICE,
        tau_s=design.averaging_s / 2,
        delay_s=design.delay_s,
        period_s=design.interval_s or 0.0,
        decimals=int(rng.integers(2)),
        stamp=STAMPS[int(rng.integers(4))] if not slow else "iso local",
        silent=silent,
        error_bpm=float(rng.uniform(0.6, 1.4)),
        error_s=float(rng.uniform(3.0, 20.0)),
        boxcar=design.levels["smoothing"] == "boxcar",
    )


def chain_of(design: Design, session: int, person: Heart) -> list[Spell]:
    """Walk a semi-Markov chain whose failures take the shares of the design, each where it can happen."""
    rng = rng_of(design, session, "chain")
    share = {
        "halved": design.share("halved"),
        "doubled": design.share("doubled"),
        "off_ratio": design.share("ratio"),
        "cadence_locked": design.share("locked"),
        "frozen": design.share("frozen"),
        "silent": design.share("dropout"),
    }
    spells: list[Spell] = []
    now, mode = float(person.time_s[0]) - 100.0, "faithful"
    while now < person.seconds + 60.0:
        here = {name: part for name, part in share.items() if part > 0 and possible(name, person, now)}
        wrong = min(sum(here.values()), 0.95)
        least, mean = design.least_s(held=mode == "frozen"), design.mean_s(held=mode == "frozen")
        if mode == "faithful":
            mean = design.mean_s() * (1 - wrong) / max(wrong, 0.03)
            least = min(40.0, mean)
        stay = float(np.clip(mean * rng.lognormal(-0.18, 0.6), least, 6 * mean))
        if mode == "doubled":
            stay = min(stay, max(end_of_bout(person, now) - now, 1.0))
        edge = min(design.edge_s, 0.4 * stay) if design.edge_s else 0.0
        value = {"off_ratio": 1.5 if design.levels["ratio"] == "3/2" else 2 / 3}.get(mode, 1.0)
        does = mode if now > 0 else "faithful"
        spells.append(Spell(mode=does, start_s=now, end_s=now + stay, edge_s=edge, value=value))
        now += stay
        mode = drawn(rng, here, design, person, now) if mode == "faithful" else "faithful"
    return spells


def possible(mode: str, person: Heart, at_s: float) -> bool:
    """Whether a failure can begin: doubling at rest, a lock only where there is a stride."""
    if mode == "doubled":
        return any(b.start_s <= at_s < b.end_s - 20 and b.activity == "rest" for b in person.bouts)
    return mode != "cadence_locked" or bool(np.isfinite(np.interp(at_s, person.time_s, person.cadence)))


def end_of_bout(person: Heart, at_s: float) -> float:
    """End of the bout in which an instant lies."""
    return next((b.end_s for b in person.bouts if b.start_s <= at_s < b.end_s), person.seconds)


def drawn(rng: np.random.Generator, here: dict[str, float], design: Design, person: Heart, at_s: float) -> str:
    """Draw the next failure, rarer where its stays are longer."""
    odds = {m: p / design.mean_s(held=m == "frozen") for m, p in here.items() if possible(m, person, at_s)}
    if not odds:
        return "faithful"
    weight = np.array(list(odds.values()))
    return str(rng.choice(list(odds), p=weight / weight.sum()))


def behind_of(design: Design, session: int, person: Heart) -> F64 | None:
    """How late the estimate is, on the grid: at the start of some bouts it falls behind, then catches up."""
    late = number(design.levels["onset"])
    if not late:
        return None
    rng = rng_of(design, session, "onset")
    corner_s, corner = [float(person.time_s[0])], [0.0]
    for before, bout in zip(person.bouts, person.bouts[1:], strict=False):
        works = ACTIVITIES[bout.activity][0] > ACTIVITIES[before.activity][0]
        if works and rng.random() < 0.7 and bout.start_s > corner_s[-1]:
            full = bout.start_s + late / 0.9
            corner_s += [bout.start_s, full, full + 3.0 * late]
            corner += [0.0, late, 0.0]
    found: F64 = np.interp(person.time_s, corner_s, corner)
    return found


def true_spells(person: Heart, spells: list[Spell]) -> list[TrueSpell]:
    """When the sensor failed; a lock ends where the stride does."""
    out = []
    stride_s = person.time_s[np.isfinite(person.cadence)]
    for spell in spells:
        if spell.mode == "faithful":
            continue
        end = spell.end_s
        if spell.mode == "cadence_locked":
            inside = stride_s[(stride_s >= spell.start_s) & (stride_s < spell.end_s)]
            end = float(inside[-1]) if inside.size else spell.start_s
        out.append(TrueSpell(kind=spell.mode, start_s=spell.start_s, end_s=end))
    return out


def write_worn(folder: Path, design: Design, session: int, start: datetime, person: Heart, strap: StrapRows) -> None:
    """Write what strap and pod recorded in one session."""
    raw = folder / "raw" / f"s{session + 1:02d}"
    named = [at.isoformat(timespec="milliseconds").replace("+00:00", "Z") for at in instants(start, strap.stamp_s)]
    heading = "time,heart_rate" if strap.is_rate else "time,rr_ms"
    write_table(raw / f"{REFERENCE}.csv", heading, [f"{at},{v:.0f}" for at, v in zip(named, strap.value, strict=True)])
    if design.levels["cadence"] != "not recorded":
        rng = rng_of(design, session, "pod")
        seconds = np.arange(0.0, person.seconds, 1.0)
        cadence = np.interp(seconds, person.time_s, np.nan_to_num(person.cadence))
        noisy = np.where(cadence > 0, cadence + rng.normal(0, 0.7, size=seconds.size), 0.0)
        at = [t.isoformat(timespec="milliseconds").replace("+00:00", "Z") for t in instants(start, seconds)]
        rows = [f"{t},{c:.0f}" for t, c in zip(at, np.maximum(noisy, 0.0), strict=True)]
        write_table(raw / f"{POD}.csv", "time,cadence", rows)


def write_device(
    folder: Path, session: str, device: Device, start: datetime, offset_s: float, value: Track
) -> list[dict[str, Any]]:
    """Write the wrist sensor's file; return its rows of truth."""
    texts, named = written(device, start - timedelta(seconds=offset_s), value.stamp_s)
    blank = {"zero": "0", "gap": ""}[device.silent]
    shown = [blank if s else f"{v:.{device.decimals}f}" for v, s in zip(value.shown, value.sentinel, strict=True)]
    rows = [f"{text};{number_}" for text, number_ in zip(texts, shown, strict=True)]
    write_table(folder / "raw" / session / f"{device.name}.csv", "time;heart_rate", rows)
    return rows_of_truth(session, device, value, named)


def write_design(folder: Path, design: Design) -> None:
    """Write a design's study folder, its truth and its bounds."""
    device = device_of(design)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    pod = "" if design.levels["cadence"] == "not recorded" else STUDY_POD
    (folder / "study.toml").write_text(STUDY.format(name=design.name) + pod, encoding="utf-8")
    readings, clock_rows, session_rows, marks = [], [], [], ["session,device,time,kind\n"]
    bout_rows: list[str] = []
    spells: list[tuple[str, str, datetime, TrueSpell]] = []
    doubts: list[tuple[str, str, datetime, TrueSpell]] = []
    late: dict[str, float] = {}
    bounds: dict[tuple[str, str], Bound] = {}
    for i, (offset_s, drift_ppm) in enumerate(clocks_of(design)):
        name, start = f"s{i + 1:02d}", FIRST + timedelta(days=i, minutes=41 * i, seconds=17 * i)
        person = heart_of(design, i)
        strap = strap_of(rng_of(design, i, "strap"), person, kind=design.levels["reference"])
        chain = chain_of(design, i, person)
        value = track(
            rng_of(design, i, "track"),
            device,
            person,
            Clock(offset_s=offset_s, drift_ppm=drift_ppm),
            spells=chain,
            behind_s=behind_of(design, i, person),
            spikes=design.share("spikes"),
        )
        write_worn(folder, design, i, start, person, strap)
        readings.append(truth_frame(write_device(folder, name, device, start, offset_s, value), start))
        end = start + timedelta(seconds=round(person.seconds))
        session_rows.append(f"{name},{start.isoformat()},{end.isoformat()},person{i % 3 + 1}")
        for j, bout in enumerate(person.bouts, 1):
            edges = [(start + timedelta(seconds=round(s))).isoformat() for s in (bout.start_s, bout.end_s)]
            bout_rows.append(f"{name},{j},{edges[0]},{edges[1]},{bout.activity},{bout.intensity}")
        marks.append(mark_rows(design, name, start, (offset_s, drift_ppm), (REFERENCE, DEVICE)))
        spells += [(name, DEVICE, start, spell) for spell in true_spells(person, chain)]
        doubts += [(name, REFERENCE, start, spell) for spell in strap.wrong]
        late[name] = strap.late_s
        bounds[name, DEVICE] = bound_in(person, value)
        clock_rows.append(
            {
                "session": name,
                "device": DEVICE,
                "offset_s": offset_s,
                "drift_ppm": drift_ppm,
                "delay_s": device.delay_s,
                "averaging_s": device.averaging_s,
                "centre_shift_s": offset_s - device.delay_s - device.tau_s,
            }
        )
    write_table(folder / "sessions.csv", "session,start,end,participant", session_rows)
    write_table(folder / "bouts.csv", "session,bout,start,end,activity,intensity", bout_rows)
    if design.levels["clock"] == "shared":
        share_the_clock(folder / "study.toml", DEVICE)
    if design.levels["clock"] == "marks":
        (folder / "marks.csv").write_text("".join(marks), encoding="utf-8")
    pl.concat(readings).write_parquet(folder / "truth" / "readings.parquet")
    pl.DataFrame(clock_rows).write_parquet(folder / "truth" / "sessions.parquet")
    write_spells(folder, "spells", spells)
    write_spells(folder, "reference", doubts)
    later(folder, late)
    write_bounds(folder, bounds)


def bound_in(person: Heart, value: Track) -> Bound:
    """Return the bound of the wrist sensor's clock in a session."""
    inside = (value.start_s >= 0) & (value.end_s <= person.seconds)
    pure = value.pure if value.pure is not None else ~value.sentinel
    return bound_of(value.shown, value.reference, value.slope, pure & inside)
