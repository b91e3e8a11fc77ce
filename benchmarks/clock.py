"""How often the interval of a clock holds the truth: sessions of both simulators, short and long, flat and moving.

    python -m benchmarks.clock [--sessions N] [--cases WORD]

Writes ``clock.md`` beside this file. Everything in it is invented. The search is given a quarter of an hour to either
side: what is measured is the interval, not the search. *Known*: with the averaging and shape that the device has, as a
study of several sessions learns them, to 10 % (one standard error); *assumed*: as on the first pass, 8 s or the rhythm,
a plain mean.
"""

from __future__ import annotations

import argparse
import math
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.truth.second_device import Clock, chain, track
from benchmarks.truth.second_device import Device as SecondDevice
from benchmarks.truth.second_heart import ACTIVITIES, LEAD_S, STEP_S, Heart, beat_times, cadence_path, rate_path
from benchmarks.truth.second_heart import Bout as SecondBout
from wearbench.core.clock import ClockFit, fit_clock
from wearbench.core.running import Running
from wearbench.core.smoothing import Shape
from wearbench.simulator.camp import ROWERS
from wearbench.simulator.device import simulate_device
from wearbench.simulator.parameters import Bout, ClockError, DevicePlan, Failure, SessionPlan
from wearbench.simulator.physiology import cadence_course, rate_course, true_beats

HERE = Path(__file__).resolve().parent
F64 = NDArray[np.float64]
SEED: Final = 20_310_404
SEARCH_S: Final = 900.0
BOUND_S: Final = 0.3


@dataclass(frozen=True, kw_only=True)
class Case:
    """A kind of session: readings every so often, averaged over so long, for so many minutes."""

    name: str
    every_s: float
    averaging_s: float
    minutes: float
    flat: bool = False
    fails: bool = False
    drift_ppm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Recorded:
    """What a device showed beside a reference, and the centre shift that is true at a stamp."""

    reference: Running
    time_s: F64
    value: F64
    shift_at: Callable[[float], float]
    bound_s: float
    shape: str


CASES: Final = (
    Case(name="1 s, 5 min", every_s=1, averaging_s=8, minutes=5),
    Case(name="1 s, 5 min, flat", every_s=1, averaging_s=8, minutes=5, flat=True),
    Case(name="1 s, 25 min", every_s=1, averaging_s=8, minutes=25),
    Case(name="1 s, 25 min, failing", every_s=1, averaging_s=8, minutes=25, fails=True),
    Case(name="1 s, 25 min, flat", every_s=1, averaging_s=8, minutes=25, flat=True),
    Case(name="1 s, 25 min, averaging 2 s", every_s=1, averaging_s=2, minutes=25),
    Case(name="1 s, 2 h, flat", every_s=1, averaging_s=8, minutes=120, flat=True),
    Case(name="1 s, 4 h, drift 60 ppm", every_s=1, averaging_s=8, minutes=240, drift_ppm=60),
    Case(name="5 s, 20 min", every_s=5, averaging_s=12, minutes=20),
    Case(name="5 s, 30 min, flat", every_s=5, averaging_s=12, minutes=30, flat=True),
    Case(name="1 s, averaging 60 s, 40 min", every_s=1, averaging_s=60, minutes=40),
    Case(name="10 s, averaging 120 s, 1 h", every_s=10, averaging_s=120, minutes=60),
    Case(name="60 s, 2 h", every_s=60, averaging_s=60, minutes=120),
    Case(name="60 s, averaging 600 s, 4 h", every_s=60, averaging_s=600, minutes=240),
    Case(name="300 s, 8 h", every_s=300, averaging_s=300, minutes=480),
    Case(name="600 s, 12 h", every_s=600, averaging_s=600, minutes=720),
)


def generator(seed: int, *words: object) -> np.random.Generator:
    """A generator keyed by names."""
    return np.random.Generator(np.random.PCG64([seed, *(zlib.crc32(str(word).encode()) for word in words)]))


def running(beat_s: F64) -> Running:
    """A reference that misses nothing."""
    none = np.zeros_like(beat_s)
    return Running(
        knot_s=beat_s,
        amount=np.arange(beat_s.size, dtype=np.float64),
        covered_s=beat_s - beat_s[0],
        mended_s=none,
        doubtful_s=none,
        scale=60.0,
    )


def bound(value: F64, reference: F64, slope: F64, good: NDArray[np.bool_]) -> float:
    """The information bound as the truth bench has it."""
    good = good & np.isfinite(value) & np.isfinite(reference)
    left = (value - reference)[good]
    if left.size < 10:
        return math.inf
    left = left - left.mean()
    phi = float(np.clip(np.mean(left[1:] * left[:-1]) / max(left.var(), 1e-9), 0.0, 0.99))
    steep = float(np.sqrt(np.sum(np.square(slope[good]))))
    return float(left.std() * math.sqrt((1 + phi) / (1 - phi)) / max(steep, 1e-9))


def second(case: Case, rng: np.random.Generator) -> Recorded:
    """A session of the independent simulator: piecewise linear rates, exponential smoothing."""
    bouts, now = [], 0.0
    while now < 60 * case.minutes:
        name = "walk" if case.flat else str(rng.choice(list(ACTIVITIES)))
        length = 60 * case.minutes if case.flat else float(rng.uniform(220, 560))
        if not case.flat and case.minutes > 300 and rng.random() < 0.7:
            name, length = "rest", float(rng.uniform(1200, 5400))
        end = min(now + length, 60 * case.minutes)
        bouts.append(SecondBout(activity=name, intensity="", start_s=now, end_s=end))
        now = end
    time_s = np.arange(-max(LEAD_S, 2 * case.averaging_s + 60), now + 60.0, STEP_S)
    spread = tuple(bouts)
    rate = rate_path(rng, spread, time_s, shift=float(rng.uniform(-8, 8)), steady=case.flat)
    person = Heart(
        time_s=time_s,
        beat_s=beat_times(rng, time_s, rate),
        cadence=cadence_path(rng, spread, time_s),
        bouts=spread,
        seconds=now,
    )
    device = SecondDevice(
        name="", tau_s=0.5 * case.averaging_s, delay_s=float(rng.uniform(0, 12)), period_s=case.every_s, decimals=0,
        stamp="", silent="gap", error_bpm=float(rng.uniform(0.6, 1.6)), error_s=float(rng.uniform(3, 20)),
    )  # fmt: skip
    offset = float(rng.uniform(-600, 600))
    clock = Clock(offset_s=offset, drift_ppm=case.drift_ppm * float(rng.choice([-1, 1])))
    shown = track(rng, device, person, clock, spells=chain(rng, person, clean=not case.fails, cadence=True))
    faithful = np.array([state == "faithful" for state in shown.state])
    back = device.delay_s + device.tau_s
    return Recorded(
        reference=running(person.beat_s[(person.beat_s > 0) & (person.beat_s < person.seconds)]),
        time_s=shown.stamp_s - offset,
        value=shown.shown,
        shift_at=lambda at: offset - back + 1e-6 * clock.drift_ppm * (at + offset - 0.5 * person.seconds),
        bound_s=bound(shown.shown, shown.reference, shown.slope, faithful),
        shape="exponential",
    )


def first(case: Case, rng: np.random.Generator) -> Recorded:
    """A session of the demo's simulator: first-order kinetics, a plain mean."""
    bouts, left = [], 60 * case.minutes
    while left > 0:
        name, effort, cadence = ("walking", 0.3, 108.0) if case.flat else _BOUTS[int(rng.integers(len(_BOUTS)))]
        length = left if case.flat else min(left, float(rng.uniform(60, 420)))
        if not case.flat and case.minutes > 300 and rng.random() < 0.7:
            name, effort, cadence, length = "rest", 0.06, 0.0, min(left, float(rng.uniform(1200, 5400)))
        bouts.append(Bout(activity=name, intensity="", seconds=length, effort=effort, cadence=cadence))
        left -= length
    offset = float(rng.uniform(-600, 600))
    device = DevicePlan(
        averaging_s=case.averaging_s,
        delay_s=float(rng.uniform(0, 12)),
        interval_s=case.every_s,
        noise_bpm=float(rng.uniform(0.5, 1.5)),
        noise_corr_s=float(rng.uniform(3, 20)),
        clock=ClockError(offset_s=offset, drift_ppm=case.drift_ppm * float(rng.choice([-1, 1]))),
        failures=(Failure(mode="halved", share=0.2, mean_s=90), Failure(mode="frozen", share=0.1, mean_s=60))
        if case.fails
        else (),
    )
    plan = SessionPlan(
        name="S", start=datetime(2031, 1, 1, tzinfo=UTC), person=list(ROWERS.values())[int(rng.integers(6))],
        bouts=tuple(bouts),
    )  # fmt: skip
    beats = true_beats(rate_course(plan, rng), plan.person, rng)
    made = simulate_device(beats, cadence_course(plan, rng), plan, device, rng)
    inside = running(beats[(beats > 0) & (beats < plan.seconds)])
    whole = running(beats)

    def rate(move: float) -> F64:
        ends = np.interp(made.end_s + move, whole.knot_s, whole.amount)
        return 60.0 * (ends - np.interp(made.start_s + move, whole.knot_s, whole.amount)) / (made.end_s - made.start_s)

    back, drift = device.delay_s + 0.5 * device.averaging_s, device.clock.drift_ppm
    return Recorded(
        reference=inside,
        time_s=made.stamp_ms / 1000.0,
        value=made.value_bpm,
        shift_at=lambda at: offset - back + 1e-6 * drift * (at - made.at_s),
        bound_s=bound(made.value_bpm, rate(0.0), rate(0.5) - rate(-0.5), made.pure),
        shape="boxcar",
    )


_BOUTS: Final = (
    ("rest", 0.06, 0.0), ("rowing", 0.5, 20.0), ("rowing", 0.88, 31.0),
    ("walking", 0.3, 108.0), ("stairs", 0.86, 118.0),
)  # fmt: skip


def fitted(case: Case, one: Recorded, *, known: bool, rng: np.random.Generator) -> ClockFit:
    """The clock as the tool fits it."""
    assumed = 8.0 if case.every_s < 20 else case.every_s
    off = float(rng.normal(0, 0.1))
    averaging = case.averaging_s * math.exp(off) if known else assumed
    assumed_shape: Shape = "exponential" if known and one.shape == "exponential" else "boxcar"
    return fit_clock(
        one.reference,
        one.time_s,
        one.value,
        averaging_s=averaging,
        shape=assumed_shape,
        search_s=SEARCH_S + 600.0,
        near_s=-averaging / 2,
        also=tuple((averaging * math.exp(end), assumed_shape) for end in (-0.2, 0.2)) if known else (),
    )


def rows(sessions: int, cases: tuple[Case, ...], seed: int, ways: tuple[bool, ...]) -> Iterator[dict[str, object]]:
    """One row a session and way of fitting."""
    for case in cases:
        for name, make in (("demo", first), ("second", second)):
            for number in range(sessions):
                rng = generator(seed, case.name, name, number)
                one = make(case, rng)
                for known in ways:
                    fit = fitted(case, one, known=known, rng=rng)
                    true = one.shift_at(fit.at_s)
                    yield {
                        "case": case.name,
                        "simulator": name,
                        "known": known,
                        "number": number,
                        "bound_s": one.bound_s,
                        "error_s": fit.shift_s - true,
                        "low_s": fit.low_s - fit.shift_s,
                        "high_s": fit.high_s - fit.shift_s,
                        "drift_ppm": fit.drift_ppm,
                        "trust": fit.trust,
                        "why": fit.why,
                        "covers": fit.low_s <= true <= fit.high_s,
                    }


def main(arguments: list[str]) -> None:
    """Fit, count, write."""
    import polars as pl

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=40)
    parser.add_argument("--cases", default="", help="only cases whose name holds this")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--known", action="store_true", help="leave out the fits with an averaging that is assumed")
    parser.add_argument("--rows", type=Path, help="also write every fit here, as Parquet")
    parser.add_argument("--out", type=Path, default=HERE / "clock.md")
    chosen = parser.parse_args(arguments)
    cases = tuple(case for case in CASES if chosen.cases in case.name)
    ways = (True,) if chosen.known else (True, False)
    table = pl.DataFrame(list(rows(chosen.sessions, cases, chosen.seed, ways)))
    if chosen.rows:
        table.write_parquet(chosen.rows)
    text = written(table, sessions=chosen.sessions, seed=chosen.seed)
    chosen.out.write_text(text, encoding="utf-8")
    print(text)


def written(table, *, sessions: int, seed: int) -> str:  # type: ignore[no-untyped-def]
    """The page."""
    import polars as pl

    given = pl.col("trust") != "refused"
    wide = pl.col("high_s") - pl.col("low_s")
    columns = [
        pl.len().alias("sessions"),
        pl.col("bound_s").median().alias("median bound, s"),
        (~given).mean().alias("refused"),
        (pl.col("trust") == "weak").mean().alias("weak"),
        pl.col("covers").filter(given).mean().alias("interval covers"),
        pl.col("covers").filter(pl.col("trust") == "good").mean().alias("covers where good"),
        wide.filter(given).median().alias("median length, s"),
        pl.col("error_s").abs().filter(given).median().alias("median error, s"),
        (pl.col("error_s").abs() <= 1.0).filter(given).mean().alias("within 1 s"),
    ]
    blunt = pl.when(pl.col("bound_s") <= BOUND_S).then(pl.lit("<= 0.3 s")).otherwise(pl.lit("> 0.3 s")).alias("bound")
    how = pl.when(pl.col("known")).then(pl.lit("known")).otherwise(pl.lit("assumed")).alias("averaging")
    table = table.with_columns(blunt, how)
    sums = table.group_by("simulator", "averaging", "bound").agg(columns)
    sums = sums.sort("simulator", "averaging", "bound", descending=[False, True, False])
    each = table.group_by("case", "simulator", "averaging", maintain_order=True).agg(columns)
    head = (
        f"# Clock intervals\n\nMade by `python -m benchmarks.clock --known --sessions {sessions}` (without `--known`"
        f" the first pass is measured too): {sessions} invented sessions a case and simulator,"
        f" seed {seed}. What each column means stands at the top of `clock.py`. Intervals are of 95 %.\n"
    )
    return f"{head}\n{markdown(sums)}\n\n{markdown(each)}\n"


def markdown(table) -> str:  # type: ignore[no-untyped-def]
    """A table in Markdown."""

    def word(value: object) -> str:
        if value is None:
            return ""
        return f"{value:.3f}" if isinstance(value, float) else str(value)

    lines = ["| " + " | ".join(table.columns) + " |", "|" + " --- |" * len(table.columns)]
    lines += ["| " + " | ".join(word(v) for v in row) + " |" for row in table.iter_rows()]
    return "\n".join(lines)


if __name__ == "__main__":
    import sys

    main(sys.argv[1:])
