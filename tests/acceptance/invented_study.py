"""A small study of invented recordings, written as the files that devices export."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "formats"))

from written import Fit, edf

F64 = NDArray[np.float64]
DAYS = {"good": datetime(2031, 1, 12, 9, tzinfo=UTC), "bad": datetime(2031, 1, 13, 9, tzinfo=UTC)}
SECONDS = 480

STUDY = """\
schema = 1
title = "Invented: band against patch"
timezone = "UTC"

[devices.patch]
role = "reference"
label = "Chest patch"

[devices.band]
role = "tested"
label = "Wrist band"
clock = "shared"
averaging_s = 5
delay_s = 0
"""


def rate_at(second: F64) -> F64:
    """Heart rate at each second, beats a minute: three slow waves."""
    waves = ((24, 240, 0.0), (9, 75, 1.0), (3, 31, 2.0))
    return 118 + sum(size * np.sin(2 * np.pi * second / period + phase) for size, period, phase in waves)


def beats(seconds: float = SECONDS) -> F64:
    """Instants of beats that follow the rate, with the scatter of healthy hearts."""
    rng = np.random.default_rng(7)
    at, out = 0.0, []
    while at < seconds:
        at += 60.0 / float(rate_at(np.float64(at))) * (1.0 + 0.02 * rng.standard_normal())
        out.append(at)
    return np.array(out)


def means(seconds: int = SECONDS, *, averaging_s: float = 5.0) -> tuple[F64, F64]:
    """Each second, the mean rate over the seconds before, with half a beat a minute of noise; rounded."""
    end = np.arange(10, seconds, dtype=np.float64)
    steps = np.linspace(0.0, averaging_s, 26)
    mean = np.mean([rate_at(end - step) for step in steps], axis=0)
    return end, np.round(mean + 0.5 * np.random.default_rng(8).standard_normal(end.size))


def rr_csv(day: str) -> str:
    """Intervals as a patch writes them: when each was over, and how long it was."""
    at = beats()
    rows = ["time,rr_ms"]
    for end, interval in zip(at[1:], np.diff(at), strict=True):
        rows.append(f"{stamp(day, end)},{1000 * interval:.1f}")
    return "\n".join(rows) + "\n"


def rate_csv(day: str, *, rows: slice = slice(None)) -> str:
    """One value a second as a band writes them."""
    end, value = means()
    lines = [f"{stamp(day, t)},{v:.0f}" for t, v in zip(end[rows], value[rows], strict=True)]
    return "\n".join(["time,heart_rate", *lines]) + "\n"


def rate_fit(day: str, *, checksum: int | None = None) -> bytes:
    """The same values as a FIT file."""
    fit = Fit()
    start = int(DAYS[day].timestamp())
    for t, v in zip(*means(), strict=True):
        fit.record(start + int(t), int(v))
    return fit.bytes(checksum=checksum)


def ecg_edf(day: str, *, rate_hz: int = 128) -> bytes:
    """A drawn ECG, one narrow wave a beat over a wandering baseline, in EDF records of one second."""
    time = np.arange(SECONDS * rate_hz) / rate_hz
    signal = 80 * np.sin(2 * np.pi * 0.25 * time)
    for beat in beats():
        first, last = np.searchsorted(time, (beat - 0.1, beat + 0.4))
        part = time[first:last] - beat
        signal[first:last] += 1200 * np.exp(-((part / 0.012) ** 2)) + 180 * np.exp(-(((part - 0.22) / 0.05) ** 2))
    values = np.clip(np.round(signal), -2048, 2047).astype(np.int16).reshape(SECONDS, rate_hz)
    return edf(
        signals=[{"label": "ECG", "samples": rate_hz, "data": list(values), "pmin": "-2048", "pmax": "2047"}],
        n_records=SECONDS,
        start=(DAYS[day].strftime("%d.%m.%y"), DAYS[day].strftime("%H.%M.%S")),
        recording=f"Startdate {DAYS[day]:%d-%b-%Y} X X X".upper().replace("STARTDATE", "Startdate"),
    )


def stamp(day: str, second: float) -> str:
    return (DAYS[day] + timedelta(seconds=float(second))).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def put(folder: Path, name: str, content: str | bytes) -> Path:
    """Write one file of a study."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def good_study(folder: Path, *, toml: str = STUDY) -> Path:
    """A study with one session in which nothing is wrong."""
    put(folder, "study.toml", toml)
    put(folder, "sessions.csv", "session,participant\ngood,p1\nbad,p1\n")
    put(folder, "raw/good/patch.csv", rr_csv("good"))
    put(folder, "raw/good/band.csv", rate_csv("good"))
    return folder
