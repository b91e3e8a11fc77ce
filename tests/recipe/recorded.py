"""Invented studies written as the files that devices export, from the small made-up devices of the core's tests."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "core"))

from worn import Worn, wear

from wearbench.analysis import run_study
from wearbench.study import Results, load_study

__all__ = ["START", "Worn", "run", "stamps", "study", "wear", "write_session"]

START = datetime(2031, 3, 4, 9, tzinfo=UTC)  # a Tuesday
STUDY = """\
schema = 1
title = "Invented: band against patch"
timezone = "{zone}"

[devices.patch]
role = "reference"
label = "Chest patch"

[devices.band]
role = "tested"
label = "Wrist band"
{more}
"""


def study(folder: Path, *, zone: str = "UTC", more: str = "") -> Path:
    """Write study.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(STUDY.format(zone=zone, more=more), encoding="utf-8")
    return folder


def stamps(seconds, *, start: datetime = START) -> list[str]:
    """Stamps in UTC for seconds from the start."""
    whole = [start + timedelta(milliseconds=round(1000 * float(s))) for s in seconds]
    return [w.isoformat(timespec="milliseconds").replace("+00:00", "Z") for w in whole]


def write_session(
    folder: Path, name: str, worn: Worn, *, time_s=None, value=None, start: datetime = START, keep=None
) -> None:
    """Write both recordings of a session; ``time_s`` and ``value`` in place of the device's own."""
    place = folder / "raw" / name
    place.mkdir(parents=True, exist_ok=True)
    beat = worn.reference.knot_s
    rows = [f"{t},{1000 * rr:.1f}" for t, rr in zip(stamps(beat[1:], start=start), np.diff(beat), strict=True)]
    (place / "patch.csv").write_text("\n".join(["time,rr_ms", *rows]) + "\n", encoding="utf-8")
    time_s = worn.time_s if time_s is None else time_s
    value = worn.value if value is None else value
    keep = np.ones(time_s.size, dtype=bool) if keep is None else keep
    lines = [f"{t},{v:.0f}" for t, v in zip(stamps(time_s[keep], start=start), value[keep], strict=True)]
    (place / "band.csv").write_text("\n".join(["time,heart_rate", *lines]) + "\n", encoding="utf-8")


def run(folder: Path) -> Results:
    """Load and analyse a study."""
    return run_study(load_study(folder))
