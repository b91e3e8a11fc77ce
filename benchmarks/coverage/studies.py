"""Simulated studies of known truth: invented differences in bpm, and what intervals make of them.

A difference is a constant, a part of the person, a part of the session and a part of the reading. One design changes
one thing: heavy tails, sessions or persons that fail, serial correlation, unequal sessions. One session of one person
is a recording at one reading a second, parted into blocks; its truth is that of the session going on for ever.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
MULTIPLIER = 1.96
TOLERANCE = 5.0
SECONDS = 1200
"""Length of the one session of one person."""
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
    elif design.effect == "heavy":
        error = generator.standard_t(3, at.size) / np.sqrt(3) * design.reading_sd
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


def summed(study: Study) -> F64:
    return grouped_sums(
        study.tested, study.reference, group=study.session, count=study.participant_of_session.size, tolerance=TOLERANCE
    )


def one_session(design: Design, generator: np.random.Generator, *, seconds: int = SECONDS) -> Study:
    """One session of one person at one reading a second; the session's own part is fixed."""
    if design.effect == "serial":
        error = design.reading_sd * first_order(generator, (1, seconds), 0.95)[0]
    elif design.effect == "heavy":
        error = generator.standard_t(3, seconds) / np.sqrt(3) * design.reading_sd
    else:
        error = generator.normal(0, design.reading_sd, seconds)
    reference = 120 + 10 * first_order(generator, (1, seconds), 0.9)[0]
    tested = reference + design.constant + error
    if design.effect == "mixture":
        fails = (generator.random(seconds // 60 + 1) < 0.25)[np.arange(seconds) // 60]
        tested = np.where(fails, reference / 2 + error, tested)
    one = np.zeros(seconds, dtype=np.int64)
    return Study(tested=tested, reference=reference, session=one, participant_of_session=one[:1])


def truth_of(design: Design) -> dict[str, float]:
    """Truth by a study of twenty thousand persons or more, added up in parts; by formula where there is one."""
    generator = np.random.Generator(np.random.PCG64(7))
    parts, whose, start = [], [], 0
    persons = 1 if design.participants == 1 else 2_000
    blocks = persons == 1 and design.sessions == 1
    large = replace(design, participants=persons, sessions=4_000 if persons == 1 else design.sessions)
    for _ in range(10):
        if blocks:
            study = one_session(design, generator, seconds=120_000)
            index = np.arange(120_000) // 6_000
            parts.append(grouped_sums(study.tested, study.reference, group=index, tolerance=TOLERANCE))
            whose.append(np.zeros(20, dtype=np.int64))
        else:
            study = simulate(large, generator)
            parts.append(summed(study))
            whose.append(study.participant_of_session + start)
        start += 0 if persons == 1 else persons
    rows = np.concatenate(parts)
    session = np.arange(len(rows))
    found = summarise(rows, session=session, participant=np.concatenate(whose))
    truth = {name: float(found[name].value) for name in SHOWN}  # type: ignore[arg-type]
    if design.effect in ("normal", "heavy", "serial"):
        variance = design.reading_sd**2
        if not blocks:
            variance += design.session_sd**2 + (0.0 if persons == 1 else design.person_sd**2)
        sd, bias = float(np.sqrt(variance)), design.constant
        truth |= {"bias": bias, "sd_of_differences": sd, "rmse": float(np.hypot(bias, sd))}
        truth |= {"limit_low": bias - MULTIPLIER * sd, "limit_high": bias + MULTIPLIER * sd}
    return truth


def naive(study: Study, truth: dict[str, float]) -> tuple[bool, bool]:
    """Whether the intervals over pairs taken as independent hold bias and upper limit (Bland & Altman 1999)."""
    d = study.tested - study.reference
    n, mean, sd = d.size, float(d.mean()), float(d.std(ddof=1))
    half = 1.959964 * sd * np.sqrt(1 / n + 1.959964**2 / (2 * (n - 1)))
    return abs(mean - truth["bias"]) <= 1.959964 * sd / np.sqrt(n), abs(mean + 1.96 * sd - truth["limit_high"]) <= half


@dataclass(frozen=True, kw_only=True)
class Measured:
    """How often the intervals of one design held the truth.

    ``held`` is the share among studies in which an interval was given, ``given`` the share of studies in which it was;
    ``naive`` takes every pair for independent.
    """

    design: Design
    studies: int
    held: dict[str, float]
    given: dict[str, float]
    naive: dict[str, float]


def measure(design: Design, *, studies: int, seed: int = 1, interval: str = "t", resamples: int = 1000) -> Measured:
    """Share of studies whose interval holds the truth, a statistic."""
    truth = truth_of(design)
    generator = np.random.Generator(np.random.PCG64(seed))
    hits: dict[str, list[bool]] = {name: [] for name in SHOWN}
    simple = []
    blocks = design.participants == 1 and design.sessions == 1
    for number in range(studies):
        if blocks:
            study = one_session(design, generator)
            time_s = np.arange(float(study.tested.size))
            rows = block_sums(study.tested, study.reference, time_s=time_s, tolerance=TOLERANCE)
            who = session = np.zeros(len(rows), dtype=np.int64)
        else:
            study = simulate(design, generator)
            rows, who = summed(study), study.participant_of_session
            session = np.arange(who.size)
        found = summarise(
            rows,
            session=session,
            participant=who,
            blocks=blocks,
            interval=interval,  # type: ignore[arg-type]
            resamples=resamples,
            seed=number,
        )
        for name in SHOWN:
            low, high = found[name].low, found[name].high
            if low is not None and high is not None:
                hits[name].append(low <= truth[name] <= high)
        simple.append(naive(study, truth))
    bias, limit = np.mean(simple, axis=0).tolist()
    return Measured(
        design=design,
        studies=studies,
        held={name: float(np.mean(hit)) if hit else float("nan") for name, hit in hits.items()},
        given={name: len(hit) / studies for name, hit in hits.items()},
        naive={"bias": bias, "limit_high": limit},
    )
