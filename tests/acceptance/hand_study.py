"""Small studies whose every value is set by hand, and the handbook arithmetic their findings are checked against.

One reading a second, each the rate over the second before it; beats at exact instants; the clock is the reference's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from wearbench.analysis import run_study
from wearbench.findings import Finding, find
from wearbench.study import Results, load_study
from wearbench.study.results import plain

F64 = NDArray[np.float64]

SECONDS = 600
START = datetime(2031, 1, 12, 9, 0, tzinfo=UTC)
Span = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class Session:
    """One session: corners (second, beats a minute) of the true rate, and what each device makes of it.

    ``devices`` maps a name to a function of the true rate over each second (shape (600,)) that gives its values, NaN
    for no row. ``skipped`` are stretches in which the reference sees every second beat only.
    """

    devices: dict[str, Callable[[F64], F64]]
    rate: Sequence[tuple[float, float]] = ((0, 120), (SECONDS, 120))
    person: str = "p1"
    activity: str = ""
    firmware: str = "2.1"
    cadence: float | None = None
    skipped: Sequence[Span] = ()


@dataclass(frozen=True)
class Told:
    """What a study says, by device and kind."""

    results: Results
    findings: list[Finding] = field(default_factory=list)

    def claim(self, kind: str, device: str = "band") -> str:
        return self.finding(kind, device).claim

    def finding(self, kind: str, device: str = "band") -> Finding:
        (found,) = [f for f in self.findings if (f.device, f.evidence["kind"]) == (device, kind)]
        return found

    def kinds(self, device: str = "band") -> set[str]:
        return {f.evidence["kind"] for f in self.findings if f.device == device}

    def faults(self, device: str = "band") -> set[str]:
        return {f.evidence["kind"] for f in self.findings if f.device == device and f.evidence.get("fault")}


# What devices make of the rate


def true(*, more: float = 0.0) -> Callable[[F64], F64]:
    """The rate, and so much more."""
    return lambda rate: rate + more


def times(ratio: float, *spans: Span, more: float = 0.0) -> Callable[[F64], F64]:
    """The rate, but times a ratio from one second to another."""
    return partial(_changed, spans=spans, change=lambda rate, _: ratio * rate, more=more)


def held(*spans: Span) -> Callable[[F64], F64]:
    """The rate, but held at the value before a stretch."""
    return partial(_changed, spans=spans, change=lambda rate, first: np.full(rate.size, first), more=0.0)


def silent(*spans: Span) -> Callable[[F64], F64]:
    """The rate, but no rows in a stretch."""
    return partial(_changed, spans=spans, change=lambda rate, _: np.full(rate.size, np.nan), more=0.0)


def _changed(rate: F64, *, spans: Sequence[Span], change: Callable[[F64, float], F64], more: float) -> F64:
    value = rate + more
    for first, last in spans:
        value[first:last] = change(rate[first:last], float(value[first - 1]))
    return value


# The folder


def run(folder: Path, sessions: Sequence[Session]) -> Told:
    """Write the study, run it, and say what it finds."""
    write(folder, sessions)
    return analysed(folder)


def analysed(folder: Path) -> Told:
    """What a study that is written finds."""
    results = run_study(load_study(folder), workers=1)
    results = Results(document=plain(results.document), pairs=results.pairs, traces=results.traces)
    return Told(results, find(results.document, results.pairs))


def write(folder: Path, sessions: Sequence[Session]) -> None:
    names = list(dict.fromkeys(name for s in sessions for name in s.devices))
    toml = ["schema = 1", 'title = "Invented: by hand"', 'timezone = "UTC"']
    toml += ["[devices.patch]", 'role = "reference"', 'label = "Chest patch"']
    for name in names:
        toml += [f"[devices.{name}]", 'role = "tested"', f'label = "{name.capitalize()}"', 'clock = "shared"']
        toml += ["averaging_s = 1", "delay_s = 0", 'stamps = "exact"']
    if any(s.cadence for s in sessions):
        toml += ["[devices.pod]", 'role = "context"', 'clock = "shared"']
    folder.mkdir(parents=True)
    (folder / "study.toml").write_text("\n".join(toml) + "\n")
    head = ["session", "start", "end", "participant", "activity"]
    head += [f"{what}.{name}" for name in names for what in ("firmware", "wear_site")]
    rows = [",".join(head)]
    for number, session in enumerate(sessions, start=1):
        name, start = f"S{number:02d}", START + timedelta(days=number)
        raw = folder / "raw" / name
        raw.mkdir(parents=True)
        beat_s = beats(session)
        _rows(raw / "patch.csv", "time,rr_ms", start, beat_s[1:], 1000 * np.diff(beat_s), decimals=1)
        end_s = np.arange(1.0, SECONDS + 1)
        for device, of in session.devices.items():
            value = of(rate_over(session, end_s))
            stays = np.isfinite(value)
            _rows(raw / f"{device}.csv", "time,heart_rate", start, end_s[stays], value[stays], decimals=3)
        if session.cadence:
            _rows(raw / "pod.csv", "time,cadence", start, end_s, np.full(end_s.size, session.cadence), decimals=1)
        cells = [name, start.isoformat(), (start + timedelta(seconds=SECONDS)).isoformat()]
        cells += [session.person, session.activity]
        cells += [cell for _ in names for cell in (session.firmware, "left wrist")]
        rows.append(",".join(cells))
    (folder / "sessions.csv").write_text("\n".join(rows) + "\n")


def beats(session: Session) -> F64:
    """Instants at which the count of beats passes a whole number, those skipped left out."""
    fine = np.arange(-1.0, SECONDS + 1.0, 0.001)
    corner_s, corner = zip(*session.rate, strict=True)
    count = np.cumsum(np.interp(fine, corner_s, corner) / 60.0) * 0.001
    found: F64 = np.interp(np.arange(1.0, np.floor(count[-1])), count, fine)
    keep = np.ones(found.size, dtype=bool)
    for first, last in session.skipped:
        inside = np.flatnonzero((found > first) & (found < last))
        keep[inside[::2]] = False
    return found[keep]


def rate_over(session: Session, end_s: F64) -> F64:
    """Mean of the true rate over the second before each instant; exact where its corners lie on whole seconds."""
    corner_s, corner = zip(*session.rate, strict=True)
    at = np.interp(np.stack([end_s - 1.0, end_s]), corner_s, corner)
    mean: F64 = at.mean(axis=0)
    return mean


def _rows(path: Path, heading: str, start: datetime, at_s: F64, values: F64, *, decimals: int) -> None:
    stamps = [(start + timedelta(seconds=round(float(s), 3))).isoformat(timespec="milliseconds") for s in at_s]
    rows = [f"{stamp},{value:.{decimals}f}" for stamp, value in zip(stamps, values.tolist(), strict=True)]
    path.write_text("\n".join([heading, *rows]) + "\n")


# Handbook arithmetic, from scipy


def exact(k: int, n: int) -> tuple[float, float]:
    """Clopper and Pearson 1934: quantiles of the beta distribution."""
    low = 0.0 if k == 0 else float(stats.beta.ppf(0.025, k, n - k + 1))
    return low, 1.0 if k == n else float(stats.beta.ppf(0.975, k + 1, n - k))


def t_half(values: Sequence[float]) -> float:
    """Half the 95 % interval of a mean: t(n - 1) times s / sqrt(n)."""
    return float(stats.t.ppf(0.975, len(values) - 1) * np.std(values, ddof=1) / np.sqrt(len(values)))


def seconds_in(results: Results, device: str = "band") -> dict[str, float]:
    """Seconds of each state over the study, from the pairs alone."""
    mine = results.pairs.filter(pl.col("device") == device)
    return {str(s): float(t) for s, t in mine.group_by("state").agg(pl.col("seconds").sum()).iter_rows()}
