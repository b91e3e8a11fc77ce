"""A study of twelve sessions with one device, honest or halving in nine of them, as a folder of raw files."""

from __future__ import annotations

import shutil
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from benchmarks.faults.devices import KINDS, Clock, Device, Halving, device_of, readings
from benchmarks.faults.hearts import Worn, someone, worn
from wearbench.simulator import Person

SESSIONS = 12
HALVED = 9
HALVED_S = 480.0
NEAR_S, FAR_S, FAR_SHARE = 90.0, 3600.0, 0.15
START = datetime(2031, 1, 12, 9, 0, tzinfo=UTC)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

STUDY = """\
schema = 1
title = "Fault bench (invented)"
timezone = "UTC"

[devices.strap]
role = "reference"

[devices.band]
role = "tested"

[settings]
choices = false
"""
POD = """
[devices.pod]
role = "context"
clock = "shared"
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """What a seed stands for."""

    seed: int
    simulator: str
    device: Device
    people: tuple[Person, ...]
    pod: bool
    halved: tuple[str, ...]


def rng_for(seed: int, *words: str) -> np.random.Generator:
    """Return a generator keyed by names, so that nothing depends on the order of draws elsewhere."""
    return np.random.Generator(np.random.PCG64([seed, *(zlib.crc32(word.encode()) for word in words)]))


def names() -> tuple[str, ...]:
    """The sessions' names."""
    return tuple(f"s{k:02d}" for k in range(1, SESSIONS + 1))


def plan_of(seed: int) -> Plan:
    """Draw what a seed stands for: simulators take turns, then kinds of device."""
    rng = rng_for(seed, "plan")
    people = tuple(someone(rng, f"p{k}") for k in range(1, int(rng.choice([1, 1, 3])) + 1))
    return Plan(
        seed=seed,
        simulator="first" if seed % 2 else "second",
        device=device_of(rng, KINDS[(seed // 2) % len(KINDS)]),
        people=people,
        pod=bool(rng.random() < 0.5),
        halved=tuple(sorted(rng.choice(names(), size=HALVED, replace=False).tolist())),
    )


def write(folder: Path, plan: Plan, *, halving: bool) -> None:
    """Write the study; with ``halving`` the same one but for the band's values."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    (folder / "study.toml").write_text(STUDY + (POD if plan.pod else ""), encoding="utf-8")
    rows = ["session,start,end,participant,activity,firmware.band,wear_site.band"]
    for k, name in enumerate(names()):
        person = plan.people[k % len(plan.people)]
        start = START + timedelta(days=k, minutes=7 * k)
        seconds = float(round(rng_for(plan.seed, name, "length").uniform(900, 1200)))
        one = worn(
            rng_for(plan.seed, name, "heart"), simulator=plan.simulator, start=start, seconds=seconds, person=person
        )
        band = _band(plan, name, one, halving=halving and name in plan.halved)
        raw = folder / "raw" / name
        raw.mkdir(parents=True)
        _table(raw / "strap.csv", "time,rr_ms", start, 1000.0 * one.strap_s, one.interval_ms, decimals=1)
        _table(raw / "band.csv", "time,heart_rate", start, *band, decimals=0)
        if plan.pod:
            _table(raw / "pod.csv", "time,cadence", start, 1000.0 * one.pod_s, one.cadence, decimals=1)
        end = start + timedelta(seconds=seconds)
        rows.append(f"{name},{start.isoformat()},{end.isoformat()},{person.name},{one.activity},1.0,left wrist")
    (folder / "sessions.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def _band(plan: Plan, name: str, one: Worn, *, halving: bool) -> tuple[Iterable[float], Iterable[float]]:
    rng = rng_for(plan.seed, name, "clock")
    far = FAR_S if rng.random() < FAR_SHARE else NEAR_S
    clock = Clock(offset_s=float(rng.uniform(-far, far)), drift_ppm=float(rng.uniform(-60, 60)))
    room = one.seconds - HALVED_S - 60.0
    spell = Halving(start_s=30.0 + float(rng.uniform(0, room)), seconds=HALVED_S, edge_s=float(rng.uniform(6.0, 20.0)))
    stamp_ms, value = readings(
        rng_for(plan.seed, name, "band"),
        plan.device,
        clock,
        one.beat_s,
        seconds=one.seconds,
        halving=spell if halving else None,
    )
    return stamp_ms.astype(np.float64), value


def _table(
    path: Path, heading: str, start: datetime, stamp_ms: Iterable[float], values: Iterable[float], *, decimals: int
) -> None:
    origin = np.datetime64(int((start - EPOCH) / timedelta(milliseconds=1)), "ms")
    at = origin + np.rint(np.asarray(stamp_ms)).astype("timedelta64[ms]")
    text = np.datetime_as_string(at, unit="ms").tolist()
    rows = [f"{t}Z,{v:.{decimals}f}" for t, v in zip(text, np.asarray(values).tolist(), strict=True)]
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
