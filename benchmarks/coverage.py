"""How often intervals hold the truth: simulated studies of known truth, one Markdown row a design.

    python benchmarks/coverage.py [--studies 1000] [--designs all]

Invented differences, bpm: a constant, a part of the person, a part of the session and a part of the reading. One
design changes one thing: heavy tails, sessions or persons that fail, serial correlation, unequal sessions. Beside our
intervals stands the naive one, which takes every pair for independent.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import block_sums, grouped_sums, summarise

F64 = NDArray[np.float64]
SHOWN = (
    "bias",
    "sd_of_differences",
    "limit_low",
    "limit_high",
    "mae",
    "mape",
    "rmse",
    "within_tolerance",
    "within_10_percent",
    "ccc",
)
EFFECTS = {
    "normal": "normal",
    "heavy": "heavy tails (t with 3 df)",
    "mixture": "a quarter of sessions fail",
    "odd": "a tenth of persons fail",
    "serial": "serial correlation 0.95",
    "unequal": "unequal sessions",
}


@dataclass(frozen=True)
class Design:
    effect: str
    participants: int
    sessions: int
    readings: int = 20
    constant: float = 1.5
    person_sd: float = 2.0
    session_sd: float = 1.5
    reading_sd: float = 4.0


@dataclass(frozen=True)
class Study:
    tested: F64
    reference: F64
    session: NDArray[np.int64]
    participant_of_session: NDArray[np.int64]


def first_order(generator: np.random.Generator, shape: tuple[int, int], phi: float) -> F64:
    from scipy.signal import lfilter

    shock = generator.normal(size=shape) * np.sqrt(1 - phi**2)
    shock[:, 0] = generator.normal(size=shape[0])
    return np.asarray(lfilter([1.0], [1.0, -phi], shock, axis=1))


def simulate(design: Design, generator: np.random.Generator) -> Study:
    """One study. With one participant the person is fixed: the claim is about that person."""
    persons, count = design.participants, design.participants * design.sessions
    who = np.repeat(np.arange(persons), design.sessions)
    if design.effect == "heavy":
        person = generator.standard_t(3, persons) / np.sqrt(3) * design.person_sd
        session = generator.standard_t(3, count) / np.sqrt(3) * design.session_sd
    else:
        person, session = generator.normal(0, design.person_sd, persons), generator.normal(0, design.session_sd, count)
    if persons == 1:
        person = np.zeros(1)
    size = np.full(count, design.readings)
    if design.effect == "unequal":
        size = np.maximum(3, np.rint(size * np.exp(generator.normal(0, 0.7, count)))).astype(np.int64)
    at = np.repeat(np.arange(count), size)
    if design.effect == "serial":
        error = design.reading_sd * first_order(generator, (count, design.readings), 0.95).ravel()
    else:
        error = generator.normal(0, design.reading_sd, at.size)
    reference = 120 + generator.normal(0, 20, count)[at] + generator.normal(0, 10, at.size)
    tested = reference + design.constant + person[who][at] + session[at] + error
    fails = np.zeros(count, dtype=bool)
    if design.effect == "mixture":
        fails = generator.random(count) < 0.25
    elif design.effect == "odd":
        fails = (generator.random(persons) < 0.10)[who]
    if fails.any():  # counts every second beat in one stretch of the session
        share = generator.uniform(0.2, 0.6, count)
        place = np.arange(at.size) - np.repeat(np.cumsum(size) - size, size)
        tested = np.where(fails[at] & (place < (share * size)[at]), reference / 2 + error, tested)
    return Study(tested=tested, reference=reference, session=at, participant_of_session=who)


def summed(study: Study, tolerance: float = 5.0) -> F64:
    return grouped_sums(
        study.tested, study.reference, group=study.session, count=study.participant_of_session.size, tolerance=tolerance
    )


def truth_of(design: Design) -> dict[str, float]:
    """Truth from a study of sixty thousand persons or more, added up in parts."""
    generator = np.random.Generator(np.random.PCG64(7))
    parts, whose, start = [], [], 0
    persons = 1 if design.participants == 1 else 4_000
    sessions = 4_000 if persons == 1 else design.sessions
    large = Design(**{**vars(design), "participants": persons, "sessions": sessions})
    for _ in range(15):
        study = simulate(large, generator)
        parts.append(summed(study))
        whose.append(study.participant_of_session + start)
        start += 0 if persons == 1 else persons
    rows = np.concatenate(parts)
    found = summarise(rows, session=np.arange(len(rows)), participant=np.concatenate(whose))
    return {name: float(found[name].value) for name in SHOWN}  # type: ignore[arg-type]


def naive(study: Study, truth: dict[str, float]) -> tuple[bool, bool]:
    """Whether the intervals over pairs taken as independent hold bias and upper limit (Bland & Altman 1999)."""
    d = study.tested - study.reference
    n, mean, sd = d.size, float(d.mean()), float(d.std(ddof=1))
    half = 1.959964 * sd * np.sqrt(1 / n + 1.959964**2 / (2 * (n - 1)))
    return abs(mean - truth["bias"]) <= 1.959964 * sd / np.sqrt(n), abs(mean + 1.96 * sd - truth["limit_high"]) <= half


def coverage(design: Design, *, studies: int, seed: int = 1, interval: str = "t") -> tuple[dict[str, float], F64]:
    """Share of studies whose interval holds the truth, a statistic; and of the naive intervals of bias and limit."""
    truth = truth_of(design)
    generator = np.random.Generator(np.random.PCG64(seed))
    hits: dict[str, list[bool]] = {name: [] for name in SHOWN}
    simple = []
    for number in range(studies):
        study = simulate(design, generator)
        who = study.participant_of_session
        found = summarise(
            summed(study),
            session=np.arange(who.size),
            participant=who,
            interval=interval,  # type: ignore[arg-type]
            resamples=1000,
            seed=number,
        )
        for name in SHOWN:
            low, high = found[name].low, found[name].high
            if low is not None and high is not None:
                hits[name].append(low <= truth[name] <= high)
        simple.append(naive(study, truth))
    return {name: float(np.mean(hit)) if hit else np.nan for name, hit in hits.items()}, np.mean(simple, axis=0)


def block_coverage(phi: float, *, minutes: int, studies: int, seed: int = 1) -> tuple[dict[str, float], F64]:
    """The same for blocks of one session at one reading a second."""
    seconds = 60 * minutes
    generator = np.random.Generator(np.random.PCG64(seed))

    def draw(length: int) -> tuple[F64, F64]:
        reference = 120 + 15 * first_order(generator, (1, length), 0.98)[0]
        return reference + 1.5 + 4 * first_order(generator, (1, length), phi)[0], reference

    tested, reference = draw(2_000_000)
    large = grouped_sums(tested, reference, group=np.arange(2_000_000) // 20_000, tolerance=5.0)
    one = np.zeros(len(large), dtype=np.int64)
    wanted = summarise(large, session=one, participant=one, blocks=True)
    truth = {name: float(wanted[name].value) for name in SHOWN}  # type: ignore[arg-type]
    truth |= {"bias": 1.5, "sd_of_differences": 4.0, "limit_low": 1.5 - 7.84, "limit_high": 1.5 + 7.84}
    hits: dict[str, list[bool]] = {name: [] for name in SHOWN}
    simple = []
    for _ in range(studies):
        tested, reference = draw(seconds)
        rows = block_sums(tested, reference, time_s=np.arange(float(seconds)), tolerance=5.0)
        one = np.zeros(len(rows), dtype=np.int64)
        found = summarise(rows, session=one, participant=one, blocks=True)
        for name in SHOWN:
            low, high = found[name].low, found[name].high
            if low is not None and high is not None:
                hits[name].append(low <= truth[name] <= high)
        simple.append(naive(Study(tested, reference, one, one), truth))
    return {name: float(np.mean(hit)) if hit else np.nan for name, hit in hits.items()}, np.mean(simple, axis=0)


def designs(which: str) -> Iterator[Design]:
    shapes = [
        (1, 3),
        (1, 6),
        (1, 20),
        (3, 1),
        (5, 1),
        (6, 1),
        (8, 1),
        (12, 1),
        (20, 1),
        (50, 1),
        (4, 6),
        (8, 3),
        (20, 3),
    ]
    for effect in EFFECTS:
        if which in ("all", effect):
            for participants, sessions in shapes:
                if not (effect == "odd" and participants == 1):
                    yield Design(effect=effect, participants=participants, sessions=sessions)


def row(name: str, shape: str, found: dict[str, float], simple: F64) -> str:
    cells = [name, shape, *(f"{found[s]:.3f}" for s in SHOWN), *(f"{value:.3f}" for value in simple)]
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=1000, help="simulated studies a design")
    parser.add_argument("--designs", default="all", choices=["all", *EFFECTS, "blocks"], help="which effects")
    parser.add_argument("--interval", default="t", choices=["t", "bca"], help="the default intervals, or resampling")
    chosen = parser.parse_args()
    start = time.perf_counter()
    titles = ["bias", "SD", "lower limit", "upper limit", "MAE", "MAPE", "RMSE", "within 5", "within 10 %", "CCC"]
    print("| effects | persons x sessions | " + " | ".join(titles) + " | naive bias | naive upper limit |")
    print("|---|---|" + "--:|" * (len(titles) + 2))
    for design in designs(chosen.designs):
        found, simple = coverage(design, studies=chosen.studies, interval=chosen.interval)
        print(row(EFFECTS[design.effect], f"{design.participants} x {design.sessions}", found, simple), flush=True)
    if chosen.designs in ("all", "blocks"):
        for phi in (0.5, 0.9, 0.97, 0.99):
            for minutes in (10, 45):
                found, simple = block_coverage(phi, minutes=minutes, studies=chosen.studies // 2)
                print(row(f"one session, correlation {phi}", f"{minutes} min at 1 Hz", found, simple), flush=True)
    print(f"\n{chosen.studies} studies a design, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
