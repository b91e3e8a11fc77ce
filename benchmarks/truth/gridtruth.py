"""What both generators add to a study of the grid: clocks by the design, marks, and truth of spells and reference."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from benchmarks.truth.design import Design, number

INSTANT = pl.Datetime("us", "UTC")
FLAT_SHARE = 0.5
ZONES_H = (-9.0, -5.5, -3.0, -2.0, -1.0, -0.5, 0.5, 1.0, 2.0, 3.0, 5.5, 9.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class TrueSpell:
    """A stretch of one kind on the reference's clock, seconds from the session's start."""

    kind: str
    start_s: float
    end_s: float


def rng_of(design: Design, *words: object) -> np.random.Generator:
    """Return a generator keyed by the design and by names, so that nothing depends on the order of draws."""
    return np.random.Generator(np.random.PCG64([design.seed, *(zlib.crc32(str(word).encode()) for word in words)]))


def is_flat(design: Design, session: int) -> bool:
    """Whether the heart of this session (from 0) hardly changes its rate."""
    effort = design.levels["effort"]
    return effort == "flat" or (effort != "moving" and session % 2 == 1)


def clocks_of(design: Design) -> list[tuple[float, float]]:
    """Draw offset (s) and drift (ppm) of each session: reference = stamp + offset + 1e-6 drift (stamp - middle)."""
    rng, kind = rng_of(design, "clock"), design.levels["clock"]
    n, most_ppm = design.n_sessions, number(design.levels["drift"])
    drift = rng.choice([-1.0, 1.0], n) * rng.uniform(0.5, 1.0, n) * most_ppm
    slow = rng.uniform(-60, 60) + np.cumsum(rng.normal(0.0, 3.0, n))
    if kind == "shared":
        offset, drift = np.zeros(n), np.zeros(n)
    elif kind == "15 min":
        offset = rng.uniform(-900, 900, n)
    elif kind == "2 h":
        offset = rng.uniform(-7200, 7200, n)
    elif kind == "zone slips":
        slips = 3600.0 * rng.choice(ZONES_H, n) * (rng.random(n) < 0.7)
        offset = slow + slips
    else:  # a slow walk, with marks or without
        offset = slow
    return [(round(float(o), 3), round(float(d), 2)) for o, d in zip(offset, drift, strict=True)]


def mark_rows(
    design: Design, session: str, start: datetime, clock: tuple[float, float], devices: tuple[str, str]
) -> str:
    """Return rows of ``marks.csv``: a tap soon after the start and one before the end, on each device's own clock."""
    rng = rng_of(design, session, "marks")
    rows = []
    for true_s in (float(rng.uniform(5, 40)), design.seconds - float(rng.uniform(5, 40))):
        for device, (offset_s, drift_ppm) in zip(devices, ((0.0, 0.0), clock), strict=True):
            seen = true_s + float(rng.normal(0.0, 0.15))
            own = seen - offset_s - 1e-6 * drift_ppm * (seen - 0.5 * design.seconds)
            at = start + timedelta(milliseconds=round(own * 1000))
            rows.append(f"{session},{device},{at.isoformat(timespec='milliseconds')},tap")
    return "\n".join(rows) + "\n"


def share_the_clock(study_toml: Path, device: str) -> None:
    """Say in ``study.toml`` that a device is on the reference's clock."""
    text = study_toml.read_text(encoding="utf-8")
    heading = f"[devices.{device}]\n"
    study_toml.write_text(text.replace(heading, heading + 'clock = "shared"\n'), encoding="utf-8")


def write_spells(folder: Path, name: str, spells: list[tuple[str, str, datetime, TrueSpell]]) -> None:
    """Write ``truth/<name>.parquet``: session, device, kind, start, end (reference's clock)."""
    frame = pl.DataFrame(
        [
            {
                "session": session,
                "device": device,
                "kind": spell.kind,
                "start": start + timedelta(seconds=spell.start_s),
                "end": start + timedelta(seconds=spell.end_s),
            }
            for session, device, start, spell in spells
        ],
        schema={"session": pl.String, "device": pl.String, "kind": pl.String, "start": INSTANT, "end": INSTANT},
    )
    frame.write_parquet(folder / "truth" / f"{name}.parquet")


def later(folder: Path, by_s: dict[str, float]) -> None:
    """Move the true windows of sessions: the reference shows everything so much late, and its stamps are the clock."""
    moved = pl.DataFrame({"session": list(by_s), "by_s": list(by_s.values())})
    move = pl.duration(microseconds=(pl.col("by_s") * 1e6).round().cast(pl.Int64))
    for name, change in (
        ("readings", [pl.col("start") + move, pl.col("end") + move]),
        ("sessions", [pl.col("centre_shift_s") + pl.col("by_s")]),
    ):
        path = folder / "truth" / f"{name}.parquet"
        frame = pl.read_parquet(path).join(moved, on="session", how="left", maintain_order="left")
        frame.with_columns(change).drop("by_s").write_parquet(path)
