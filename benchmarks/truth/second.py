"""The second simulator: a study folder with known truth, written by someone who has not read the state model.

It exists so that the program is not only judged on the world it was built with. Change it to make it more like the
world, never to make a table look better. Everything in it is invented.

    python -m benchmarks.truth.second FOLDER [SEED]
"""

from __future__ import annotations

import sys
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from benchmarks.truth.second_device import Clock, Device, Track, chain, track
from benchmarks.truth.second_heart import F64, Heart, heart, strap_rows

SESSIONS = 24
PEOPLE = ("north", "east", "south", "west")
ZONE = "Europe/Lisbon"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIRST = datetime(2031, 3, 3, 8, 0, tzinfo=UTC)
TROUBLE = {3: "dry", 7: "gap", 9: "every second", 12: "dry", 16: "gap", 19: "every second", 22: "dry"}
STEADY = (5, 11, 17, 23)
WITHOUT_POD = (4, 14)
CLEAN = 0.3

STUDY = """\
schema = 1
title = "Second truth bench (invented)"
timezone = "Europe/Lisbon"

[devices.strap]
role = "reference"

[devices.pod]
role = "context"
clock = "shared"

[devices.wrist]
role = "tested"
label = "Wrist sensor (invented)"

[devices.forearm]
role = "tested"
label = "Forearm sensor (invented)"

[devices.ring]
role = "tested"
label = "Ring (invented)"

[devices.temple]
role = "tested"
label = "Temple sensor (invented)"
"""


def rng_for(seed: int, *words: object) -> np.random.Generator:
    """Return a generator keyed by names, so that nothing depends on the order of draws elsewhere."""
    return np.random.Generator(np.random.PCG64([seed, *(zlib.crc32(str(word).encode()) for word in words)]))


def devices(seed: int) -> tuple[Device, ...]:
    """Draw the four tested devices: one value in 1, 2 or 5 s, or irregular; smoothing and delay as the seed has it."""
    fixed = (
        ("wrist", 1.0, 0, "local second", "gap", 0.8),
        ("forearm", 2.0, 0, "unix ms", "zero", 1.1),
        ("ring", 5.0, 1, "iso utc", "blank", 0.9),
        ("temple", 0.0, 0, "iso local", "gap", 1.4),
    )
    found = []
    for name, period_s, decimals, stamp, silent, error_bpm in fixed:
        rng = rng_for(seed, "device", name)
        found.append(
            Device(
                name=name,
                tau_s=float(rng.uniform(1.5, 8.0)),
                delay_s=float(rng.uniform(0.0, 12.0)),
                period_s=period_s,
                decimals=decimals,
                stamp=stamp,
                silent=silent,
                error_bpm=error_bpm,
                error_s=float(rng.uniform(3.0, 20.0)),
            )
        )
    return tuple(found)


def information_bound_s(value: Track) -> float:
    """Return how well a clock could be known from this session's faithful readings, as one standard deviation.

    Noise SD x sqrt((1 + phi) / (1 - phi)) / sqrt(sum of squared slopes of the windowed reference rate), with SD and
    lag-one correlation phi from the residuals of faithful readings (the Cramer-Rao bound for a shift, with the
    effective number of readings of a first-order autoregression).
    """
    good = np.array([s == "faithful" for s in value.state]) & ~value.sentinel & np.isfinite(value.reference)
    residual = (value.shown - value.reference)[good]
    if residual.size < 10:
        return float("inf")
    residual = residual - residual.mean()
    next_to = np.diff(np.flatnonzero(good)) == 1
    phi = float(np.clip((residual[1:] * residual[:-1])[next_to].mean() / residual.var(), 0.0, 0.99))
    information = float(np.sqrt((value.slope[good] ** 2).sum()))
    return float(residual.std() * np.sqrt((1 + phi) / (1 - phi)) / max(information, 1e-9))


def instants(start: datetime, seconds: F64, *, unit_us: int = 1) -> list[datetime]:
    """Turn seconds from a start into instants, cut down to whole units."""
    began_us = (start - EPOCH) // timedelta(microseconds=1)
    whole = (began_us + np.round(seconds * 1e6).astype(np.int64)) // unit_us * unit_us
    return [EPOCH + timedelta(microseconds=int(us)) for us in whole]


def written(device: Device, start: datetime, stamp_s: F64) -> tuple[list[str], list[datetime]]:
    """Return stamps as the file has them, and the instants they name."""
    unit_us = 1_000_000 if device.stamp == "local second" else 1_000
    named = instants(start, stamp_s, unit_us=unit_us)
    if device.stamp == "unix ms":
        return [str(round(at.timestamp() * 1000)) for at in named], named
    local = [at.astimezone(ZoneInfo(ZONE)) for at in named]
    if device.stamp == "local second":
        return [at.strftime("%Y-%m-%d %H:%M:%S") for at in local], named
    if device.stamp == "iso local":
        return [at.isoformat(timespec="milliseconds") for at in local], named
    return [at.isoformat(timespec="milliseconds").replace("+00:00", "Z") for at in named], named


def write_table(path: Path, heading: str, rows: list[str]) -> None:
    """Write one raw file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")


def write_device(folder: Path, session: str, device: Device, start: datetime, value: Track) -> list[dict[str, Any]]:
    """Write one tested device's file; return its rows of truth. ``start`` is the session's on the device's clock."""
    texts, named = written(device, start, value.stamp_s)
    blank = {"zero": "0", "blank": "", "gap": ""}[device.silent]
    shown = [blank if s else f"{v:.{device.decimals}f}" for v, s in zip(value.shown, value.sentinel, strict=True)]
    heading, comma = {
        "wrist": ("time,heart_rate", ","),
        "forearm": ("timestamp,hr", ","),
        "ring": ("time;bpm", ";"),
        "temple": ("time,heart_rate", ","),
    }[device.name]
    rows = [f"{text}{comma}{number}" for text, number in zip(texts, shown, strict=True)]
    write_table(folder / "raw" / session / f"{device.name}.csv", heading, rows)
    return rows_of_truth(session, device, value, named)


def rows_of_truth(session: str, device: Device, value: Track, named: list[datetime]) -> list[dict[str, Any]]:
    """Return what is true of each row of a file; ``named`` holds the instants that its stamps name."""
    return [
        {
            "session": session,
            "device": device.name,
            "source_row": i + 1,
            "time": named[i],
            "start": value.start_s[i],
            "end": value.end_s[i],
            "state": "missing" if value.sentinel[i] else value.state[i],
            "also": None if value.sentinel[i] else value.also[i],
            "sentinel": bool(value.sentinel[i]),
        }
        for i in range(len(named))
    ]


def write_reference(folder: Path, session: str, start: datetime, person: Heart, *, trouble: str, seed: int) -> None:
    """Write the strap's intervals and, where one was worn, the pod's cadence."""
    rng = rng_for(seed, session, "strap")
    stamp_s, interval_ms = strap_rows(rng, person, trouble=trouble)
    named = [at.isoformat(timespec="milliseconds").replace("+00:00", "Z") for at in instants(start, stamp_s)]
    rows = [f"{at},{ms:.0f}" for at, ms in zip(named, interval_ms, strict=True)]
    write_table(folder / "raw" / session / "strap.csv", "time,rr_ms", rows)
    if int(session[1:]) in WITHOUT_POD:
        return
    seconds = np.arange(0.0, person.seconds, 1.0)
    cadence = np.interp(seconds, person.time_s, np.nan_to_num(person.cadence))
    noisy = np.where(cadence > 0, cadence + rng.normal(0, 0.7, size=seconds.size), 0.0)
    at = [t.isoformat(timespec="milliseconds").replace("+00:00", "Z") for t in instants(start, seconds)]
    write_table(
        folder / "raw" / session / "pod.csv",
        "time,cadence",
        [f"{t},{c:.0f}" for t, c in zip(at, np.maximum(noisy, 0.0), strict=True)],
    )


def write_second(folder: Path, *, seed: int, sessions: int = SESSIONS) -> None:
    """Write the whole study and its truth.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    seed : int
        Everything is drawn from it, keyed by names.
    sessions : int
        Fewer for a quick look.
    """
    fleet = devices(seed)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    readings: list[pl.DataFrame] = []
    clocks: list[dict[str, Any]] = []
    session_rows, bout_rows = [], []
    for number in range(1, sessions + 1):
        session = f"s{number:02d}"
        who = PEOPLE[(number - 1) % len(PEOPLE)]
        start = FIRST + timedelta(days=(number - 1) // 2, hours=5 * ((number - 1) % 2), seconds=17 * number)
        shift = float(rng_for(seed, "person", who).uniform(-8, 8))
        person = heart(rng_for(seed, session, "heart"), shift=shift, steady=number in STEADY)
        write_reference(folder, session, start, person, trouble=TROUBLE.get(number, ""), seed=seed)
        firmware = "3.1" if number <= sessions // 2 else "3.2"
        end = start + timedelta(seconds=round(person.seconds))
        session_rows.append(f"{session},{start.isoformat()},{end.isoformat()},{who},{firmware}")
        for i, bout in enumerate(person.bouts, 1):
            edges = [(start + timedelta(seconds=round(s))).isoformat() for s in (bout.start_s, bout.end_s)]
            bout_rows.append(f"{session},{i},{edges[0]},{edges[1]},{bout.activity},{bout.intensity}")
        for device in (fleet[number % 4], fleet[(number + 1 + number // 4 % 3) % 4]):
            rng = rng_for(seed, session, device.name)
            clock = Clock(offset_s=float(rng.uniform(-7200, 7200)), drift_ppm=float(rng.uniform(-80, 80)))
            pod = number not in WITHOUT_POD
            spells = chain(rng, person, clean=bool(rng.random() < CLEAN), cadence=pod)
            value = track(rng, device, person, clock, spells=spells)
            rows = write_device(folder, session, device, start - timedelta(seconds=clock.offset_s), value)
            readings.append(truth_frame(rows, start))
            middle = start + timedelta(seconds=0.5 * person.seconds - clock.offset_s)
            clocks.append(
                {
                    "session": session,
                    "device": device.name,
                    "offset_s": clock.offset_s,
                    "drift_ppm": clock.drift_ppm,
                    "at": middle,
                    "delay_s": device.delay_s,
                    "averaging_s": device.averaging_s,
                    "centre_shift_s": clock.offset_s - device.delay_s - device.tau_s,
                    "bound_s": information_bound_s(value),
                    "firmware": firmware,
                }
            )
    write_table(folder / "sessions.csv", "session,start,end,participant,firmware", session_rows)
    write_table(folder / "bouts.csv", "session,bout,start,end,activity,intensity", bout_rows)
    pl.concat(readings).write_parquet(folder / "truth" / "readings.parquet")
    frame = pl.DataFrame(clocks).with_columns(pl.col("at").cast(pl.Datetime("us", "UTC")))
    frame.write_parquet(folder / "truth" / "sessions.parquet")


def truth_frame(rows: list[dict[str, Any]], start: datetime) -> pl.DataFrame:
    """Bring rows of truth to the documented types: window edges become instants."""
    origin = (start - EPOCH) // timedelta(microseconds=1)
    instant = pl.Datetime("us", "UTC")

    def placed(edge: str) -> pl.Expr:
        return ((pl.col(edge) * 1e6).round().cast(pl.Int64) + origin).cast(instant).alias(edge)

    frame = pl.DataFrame(rows, schema_overrides={"also": pl.String})
    return frame.with_columns(pl.col("time").cast(instant), placed("start"), placed("end"))


if __name__ == "__main__":
    write_second(Path(sys.argv[1]), seed=int(sys.argv[2]) if len(sys.argv) > 2 else 20_310_303)
