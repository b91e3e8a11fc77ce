"""Small heaps made by hand: one heart, and recorders that each write it in their own way. All invented."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

DAY = datetime(2031, 1, 12, 9, 0, tzinfo=UTC)


def course(seconds: int, seed: int) -> np.ndarray:
    """A heart rate a second, in bpm, that goes up and down as in training."""
    rng = np.random.default_rng(seed)
    at = np.arange(seconds)
    slow = sum(
        rng.uniform(8, 18) * np.sin(2 * np.pi * at / rng.uniform(300, 900) + rng.uniform(0, 6)) for _ in range(3)
    )
    return np.clip(115 + slow, 60, 185)


def beats(rate: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Beat times in s and the intervals that end at them in ms."""
    rng = np.random.default_rng(seed + 1000)
    phase = np.append(0, np.cumsum(rate) / 60)
    at = np.interp(np.arange(1, int(phase[-1])), phase, np.arange(phase.size))
    at = at + 0.012 * rng.standard_normal(at.size)
    return at[1:], np.rint(np.diff(at) * 1000)


def write_strap(
    path: Path, start: datetime, rate: np.ndarray, seed: int, *, skip: slice | None = None, late_s: float = 0.0
) -> Path:
    """RR intervals with UTC stamps."""
    time, interval = beats(rate, seed)
    keep = np.ones(time.size, dtype=bool)
    if skip is not None:
        keep[skip] = False
    rows = (
        f"{(start + timedelta(seconds=float(t) + late_s)).isoformat(timespec='milliseconds')},{int(rr)}"
        for t, rr in zip(time[keep], interval[keep], strict=True)
    )
    return _write(path, "time,rr_ms", rows)


def write_band(
    path: Path,
    start: datetime,
    rate: np.ndarray,
    *,
    step: int = 1,
    local_h: float | None = None,
    seed: int = 5,
    heading: str = "timestamp;hr",
) -> Path:
    """Rates every ``step`` seconds; with ``local_h`` written as local time without an offset."""
    rng = np.random.default_rng(seed)
    value = np.rint(rate[::step] + rng.normal(0, 1.5, rate[::step].size)).astype(int)
    rows = []
    for number, bpm in enumerate(value):
        at = start + timedelta(seconds=number * step)
        if local_h is None:
            text = at.strftime("%Y-%m-%dT%H:%M:%SZ")
        else:
            text = (at + timedelta(hours=local_h)).strftime("%Y-%m-%d %H:%M:%S")
        rows.append(f"{text};{bpm}")
    return _write(path, heading, rows)


def _write(path: Path, heading: str, rows: object) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8", newline="\n")  # type: ignore[misc]
    return path


def digests(folder: Path) -> dict[str, str]:
    """The sha256 of every file below a folder, with its time of change."""
    return {
        path.relative_to(folder).as_posix(): f"{hashlib.sha256(path.read_bytes()).hexdigest()} {path.stat().st_mtime}"
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def small_heap(folder: Path, *, days: int = 3, seconds: int = 1200) -> Path:
    """A strap and a band on several days."""
    for day in range(days):
        start = DAY + timedelta(days=day)
        rate = course(seconds, day)
        write_strap(folder / f"strap {start:%Y%m%d}.csv", start, rate, day)
        write_band(folder / f"export ({day}).csv", start + timedelta(seconds=20), rate[20:], seed=day)
    return folder
