"""How fast a session's clock is found, against the loop over lags a notebook would have.

    python -m benchmarks.clockspeed [--rounds 5]

All in turn, so that a machine that slows down slows all: the notebook's loop (an interpolation of the reference's rate
at every whole second of +-2 h, then a windowed rate at every tenth of a second nearby, then the same for eight parts
of the session, whose line is the drift; the loss forgives half and double rate, as ours does); ours (every candidate
of +-2 h, interval, runner-up and drift, halves for cross-fitting). Processor seconds of this one process, medians.
Invented sessions of 40 minutes, one value a second, beats as reference. Writes ``clockspeed.md`` beside this file.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.clock import Case, Recorded, first, generator, second
from benchmarks.states import told
from wearbench.core.clock import fit_clock

F64 = NDArray[np.float64]
Work = Callable[[Recorded], float]

HERE: Final = Path(__file__).resolve().parent
SEED: Final = 20_310_213
SEARCH_S: Final = 7200
WINDOW_S: Final = 8.0
GROWTH: Final = 1.3


def ours(one: Recorded) -> float:
    """Centre shift as the program finds it on a first pass."""
    fit = fit_clock(one.reference, one.time_s, one.value, averaging_s=WINDOW_S, search_s=float(SEARCH_S), seed=1)
    return fit.shift_s


def least(shifts: F64, rate: Callable[[float], F64], value: F64) -> float:
    """The shift of the smallest mean loss, one after the other."""
    best = float("inf"), 0.0
    for shift in shifts.tolist():
        there = rate(shift)
        seen = np.isfinite(there)
        if seen.sum() < 0.5 * value.size:
            continue
        away, at = value[seen], there[seen]
        loss = np.minimum(np.abs(away - at), np.minimum(np.abs(away - at / 2), np.abs(away - 2 * at)) + 2.0)
        best = min(best, (float(np.minimum(loss, 15.0).mean()), shift))
    return best[1]


def notebook(one: Recorded) -> float:
    """Centre shift by loops over lags, and a drift from eight parts."""
    beat_s, count = one.reference.knot_s, one.reference.amount
    rate = 60.0 / np.diff(beat_s, prepend=beat_s[0] - 1.0)
    keep = np.isfinite(one.value) & (one.value > 0)
    time_s, value = one.time_s[keep], one.value[keep]

    def single(shift: float) -> F64:
        out: F64 = np.interp(time_s + shift, beat_s, rate, left=np.nan, right=np.nan)
        return out

    def windowed(part: NDArray[np.int64]) -> Callable[[float], F64]:
        def of(shift: float) -> F64:
            middle = time_s[part] + shift
            ends = [
                np.interp(middle + side * WINDOW_S / 2, beat_s, count, left=np.nan, right=np.nan) for side in (-1, 1)
            ]
            out: F64 = 60.0 * (ends[1] - ends[0]) / WINDOW_S
            return out

        return of

    every = np.arange(time_s.size)
    coarse = least(np.arange(-SEARCH_S, SEARCH_S + 1.0), single, value)
    fine = least(coarse + np.arange(-6.0, 6.01, 0.1), windowed(every), value)
    parts = np.array_split(every, 8)
    near = [least(fine + np.arange(-3.0, 3.01, 0.1), windowed(part), value[part]) for part in parts]
    np.polyfit([float(time_s[part].mean()) for part in parts], near, 1)
    return fine


def seconds_a_session(work: Work, sessions: list[Recorded]) -> float:
    """Processor seconds a session."""
    began = time.process_time()
    for one in sessions:
        work(one)
    return (time.process_time() - began) / len(sessions)


def main() -> None:
    """Measure in turn, write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    chosen = parser.parse_args()
    case = Case(name="", every_s=1, averaging_s=WINDOW_S, minutes=40)
    longer = Case(name="", every_s=1, averaging_s=WINDOW_S, minutes=400)
    few = [make(case, generator(SEED, number, make.__name__)) for number in range(5) for make in (first, second)]
    long = [make(longer, generator(SEED, 99, make.__name__)) for make in (first, second)]
    tasks: dict[str, tuple[Work, list[Recorded]]] = {
        "notebook's loop over lags, a session of 40 min": (notebook, few[:2]),
        "ours, a session of 40 min": (ours, few),
        "ours, ten such sessions' length in one": (ours, long),
    }
    ours(few[0])
    found: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(chosen.rounds):
        for name, (work, sessions) in tasks.items():
            found[name].append(seconds_a_session(work, sessions))
    middle = {name: statistics.median(values) for name, values in found.items()}
    loop, once, long_one = middle.values()
    off = {
        name: [abs(work(one) - one.shift_at(float(np.median(one.time_s)))) for one in few]
        for name, work in (("ours", ours), ("the loop", notebook))
    }
    apart = "; ".join(f"{name} {np.median(v):.2f} s in the middle, {max(v):.2f} s at most" for name, v in off.items())
    lines = [
        "# Clock of a session against a notebook's loop",
        "",
        f"Made by `python -m benchmarks.clockspeed`: {chosen.rounds} rounds in turn, medians of processor time, one"
        f" process, {os.cpu_count()} cores, NumPy {np.__version__}. Invented sessions, a value a second, both"
        " simulators; +-2 h searched.",
        "",
        "| what | milliseconds | lowest to highest |",
        "| --- | --: | --: |",
        *(f"| {n} | {1e3 * middle[n]:.1f} | {1e3 * min(v):.1f} to {1e3 * max(v):.1f} |" for n, v in found.items()),
        "",
        f"- {loop / once:.1f} times as fast as the loop, a session.",
        f"- Goal growth of at most {GROWTH:g} a reading at ten times the length: {long_one / once / 10:.2f},"
        f" {told(long_one / once / 10, most=GROWTH)}.",
        f"- Centres off from the truth, {len(few)} sessions: {apart}.",
    ]
    (HERE / "clockspeed.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
