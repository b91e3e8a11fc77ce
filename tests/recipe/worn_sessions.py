"""Invented sessions for the steps of the recipe: a heart whose rate is known, a strap that hears it, devices beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearbench.analysis import run_study
from wearbench.study import Results, load_study

F64 = NDArray[np.float64]
START = datetime(2031, 1, 12, 9, tzinfo=UTC)

HEAD = 'schema = 1\ntitle = "Invented"\ntimezone = "UTC"\n\n[devices.patch]\nrole = "reference"\n'
BAND = '\n[devices.band]\nrole = "tested"\n'


@dataclass(frozen=True, kw_only=True)
class Heart:
    """A rate made of three slow waves; ``flat`` keeps it nearly still."""

    seconds: float = 600.0
    phase: float = 0.0
    flat: bool = False

    def rate(self, second: F64) -> F64:
        waves = ((24, 240, self.phase), (9, 75, 1 + self.phase), (3, 31, 2 * self.phase))
        size = 0.02 if self.flat else 1.0
        moved = sum(a * np.sin(2 * np.pi * second / period + shift) for a, period, shift in waves)
        return np.asarray(118 + size * moved, dtype=np.float64)

    def beats(self) -> F64:
        """Instants of beats, with the scatter of healthy hearts."""
        rng = np.random.default_rng(round(1000 * self.phase) + 7)
        fine = np.arange(0.0, self.seconds, 0.05)
        phase = np.concatenate([[0.0], np.cumsum(self.rate(fine[:-1] + 0.025) / 60 * 0.05)])
        at = np.interp(np.arange(1, int(phase[-1])), phase, fine)
        return np.asarray(at + 0.004 * rng.standard_normal(at.size))

    def mean(self, start: F64, end: F64) -> F64:
        """Mean rate over windows."""
        fine = np.arange(-60.0, self.seconds + 60.0, 0.1)
        area = np.concatenate([[0.0], np.cumsum(0.1 * self.rate(fine[:-1] + 0.05))])
        return np.asarray((np.interp(end, fine, area) - np.interp(start, fine, area)) / (end - start))


@dataclass(frozen=True, kw_only=True)
class Worn:
    """A device beside the heart: its stamp is the end of the window plus ``late_s``, less its clock's ``offset_s``."""

    every_s: float = 1.0
    averaging_s: float = 5.0
    late_s: float = 0.0
    offset_s: float = 0.0
    stamped: str = "ending"
    first_s: float = 10.0
    last_s: float = 590.0
    noise: float = 0.4

    def readings(self, heart: Heart) -> tuple[F64, F64]:
        end = np.arange(self.first_s, self.last_s + 1e-9, self.every_s)
        value = heart.mean(end - self.averaging_s, end)
        value = np.round(value + self.noise * np.random.default_rng(11).standard_normal(end.size))
        back = {"ending": 0.0, "centred": 0.5, "starting": 1.0}[self.stamped] * self.averaging_s
        return end - back + self.late_s - self.offset_s, value

    def csv(self, heart: Heart, *, day: int = 0, change: Callable[[F64, F64], F64] | None = None) -> str:
        time, value = self.readings(heart)
        if change is not None:
            value = change(time, value)
        return table("heart_rate", time, value, day=day)


def table(heading: str, time: F64, value: F64, *, day: int = 0) -> str:
    rows = [f"{stamp(t, day=day)},{v:g}" for t, v in zip(time, value, strict=True)]
    return "\n".join([f"time,{heading}", *rows]) + "\n"


def rr_csv(heart: Heart, *, day: int = 0) -> str:
    at = heart.beats()
    rows = [f"{stamp(end, day=day)},{1000 * interval:.1f}" for end, interval in zip(at[1:], np.diff(at), strict=True)]
    return "\n".join(["time,rr_ms", *rows]) + "\n"


def rr_list(heart: Heart) -> str:
    """Intervals without any stamp."""
    return "\n".join(["rr_ms", *(f"{1000 * interval:.1f}" for interval in np.diff(heart.beats()))]) + "\n"


def stamp(second: float, *, day: int = 0) -> str:
    moment = START + timedelta(days=day, milliseconds=round(1000 * float(second)))
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def put(folder: Path, name: str, text: str) -> None:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def study(folder: Path, files: dict[str, str], *, toml: str = HEAD + BAND) -> Path:
    put(folder, "study.toml", toml)
    for name, text in files.items():
        put(folder, name, text)
    return folder


def run(folder: Path, files: dict[str, str], *, toml: str = HEAD + BAND) -> Results:
    return run_study(load_study(study(folder, files, toml=toml)))


def mae(results: Results, device: str = "band") -> float:
    used = results.pairs.filter(device=device, used=True)
    return float((used["tested"] - used["reference"]).abs().mean())  # type: ignore[arg-type]
