"""How often intervals of odds ratios hold, how often chance is called something, and what is found: invented states.

    python -m benchmarks.odds --studies 1000 --write

writes benchmarks/odds.md and prints it. A share of 0.95 of 1,000 studies is measured to about 0.007.

Two generators make states: chains that begin and end at random in each moment, from which the degrees of freedom of
the intervals were chosen; and stretches of drawn lengths laid at random places, thinned outside the condition, which
were not.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearbench.core.chance import label_chance, shift_chance, shift_sums
from wearbench.core.clusters import Estimate
from wearbench.core.odds import mantel_haenszel, odds_between, odds_of_blocks, odds_within
from wearbench.recipe.questions import questions_of
from wearbench.recipe.whyrows import adjusted, rows_of_series
from wearbench.settings import Settings

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests" / "core"), str(ROOT / "tests" / "recipe")]

from asked import study_of  # type: ignore[import-not-found]  # noqa: E402 - from the folder named above
from whyness import CELL_S, cells_of, chain, run_length_s  # type: ignore[import-not-found]  # noqa: E402

F64 = NDArray[np.float64]
Made = tuple[F64, F64]


def laid(
    rng: np.random.Generator, *, sessions: int, cells: int, often: float, effect: float, spread: float, length: float
) -> Made:
    """States laid at random places: ``often`` a session, of lognormal length; kept outside with chance 1/effect."""
    condition = chain(rng, sessions=sessions, cells=cells, onset=0.0, effect=1.0, spread=0.0)[1]
    state = np.zeros_like(condition)
    level = np.exp(rng.normal(0, spread, sessions) - spread**2 / 2)
    for k in range(sessions):
        for _ in range(rng.poisson(often * level[k] * effect)):
            first = int(rng.integers(0, cells))
            last = first + max(1, round(length * float(np.exp(rng.normal(0, 0.7)))))
            if condition[k, first] > 0 or rng.random() < 1 / effect:
                state[k, first:last] = 1.0
    return state, condition


DESIGNS: dict[str, Callable[[np.random.Generator, int], Made]] = {
    "chains, no effect": lambda rng, k: chain(rng, sessions=k, cells=300, onset=0.004, effect=1.0, spread=0.7),
    "chains, begun 6 times as often": lambda rng, k: chain(
        rng, sessions=k, cells=300, onset=0.002, effect=6.0, spread=1.0, hold=40.0
    ),
    "laid, no effect": lambda rng, k: laid(rng, sessions=k, cells=300, often=2.0, effect=1.0, spread=0.8, length=20.0),
    "laid, rare, 4 times as often": lambda rng, k: laid(
        rng, sessions=k, cells=300, often=0.6, effect=4.0, spread=0.8, length=30.0
    ),
    "laid, 4 times as often": lambda rng, k: laid(
        rng, sessions=k, cells=300, often=2.0, effect=4.0, spread=1.2, length=12.0
    ),
}
UNITS = ((4, 1), (8, 1), (16, 1), (12, 4), (24, 8), (40, 20))


@dataclass(kw_only=True)
class Tally:
    """Studies whose interval held the truth, lay above it, lay below it, was open on one side, or was not given."""

    held: int = 0
    above: int = 0
    below: int = 0
    open: int = 0
    none: int = 0

    def add(self, found: Estimate, truth: float) -> None:
        if found.low is None and found.high is None:
            self.none += 1
            return
        above, below = found.low is not None and found.low > truth, found.high is not None and found.high < truth
        self.above, self.below = self.above + above, self.below + below
        self.held += not (above or below)
        self.open += found.low is None or found.high is None

    def cells(self) -> str:
        told = max(1, self.held + self.above + self.below)
        shares = (self.held / told, self.above / told, self.below / told, self.open / told)
        return " | ".join([*(f"{s:.3f}" for s in shares), f"{self.none / max(1, told + self.none):.2f}"])


HEAD = "held | too high | too low | open | none"
RULE = "--:|--:|--:|--:|--:"


def within(studies: int) -> Iterator[str]:
    yield f"| states | sessions, people | {HEAD} |\n|---|---|{RULE}|"
    for name, make in DESIGNS.items():
        plain = name.endswith("no effect")
        truth = 1.0 if plain else mantel_haenszel(cells_of(*make(np.random.default_rng(1), 20_000)))
        for sessions, people in UNITS:
            tally = Tally()
            for seed in range(studies):
                state, condition = make(np.random.default_rng([seed, sessions, people]), sessions)
                found = odds_within(
                    cells_of(state, condition),
                    session=np.arange(sessions),
                    participant=np.arange(sessions) % people,
                    run_s=run_length_s(state),
                )
                tally.add(found, truth)
            yield f"| {name}, odds ratio {truth:.2f} | {sessions}, {people} | {tally.cells()} |"


def whole_sessions(rng: np.random.Generator, sessions: int, *, effect: float, spread: float) -> tuple[F64, F64, F64]:
    """Seconds in the state, seconds asked and side of whole sessions."""
    side = np.arange(sessions) % 2
    level = np.exp(rng.normal(0, spread, sessions) - spread**2 / 2) * np.where(side > 0, effect, 1.0)
    hit = np.zeros(sessions)
    cells = rng.integers(150, 450, sessions)
    for k in range(sessions):
        state = np.zeros(int(cells[k]))
        for _ in range(rng.poisson(1.5 * level[k])):
            first = int(rng.integers(0, cells[k]))
            state[first : first + max(1, int(rng.exponential(20)))] = 1.0
        hit[k] = CELL_S * state.sum()
    return hit, CELL_S * cells.astype(np.float64), side.astype(np.float64)


def between(studies: int) -> Iterator[str]:
    yield f"| whole sessions | sessions, people | {HEAD} | p <= 0.05 |\n|---|---|{RULE}|--:|"
    for effect in (1.0, 4.0):
        hit, asked, side = whole_sessions(np.random.default_rng(2), 20_000, effect=effect, spread=0.7)
        on, off = (hit[side == s].sum() / asked[side == s].sum() for s in (1, 0))
        truth = 1.0 if effect == 1 else float((on / (1 - on)) / (off / (1 - off)))
        for sessions, people in ((8, 1), (16, 1), (30, 1), (24, 6)):
            tally, low = Tally(), 0
            for seed in range(studies):
                rng = np.random.default_rng([seed, sessions, people, 3])
                hit, asked, side = whole_sessions(rng, sessions, effect=effect, spread=0.7)
                who = (np.arange(sessions) // 2) % people
                found = odds_between(hit, asked, side > 0, session=np.arange(sessions), participant=who, run_s=200.0)
                tally.add(found, truth)
                of_person = np.array([hit[who == w].sum() / asked[who == w].sum() for w in who])
                excess = hit - of_person * asked
                low += label_chance(excess, side > 0, who, draws=999, seed=seed, name="b").p <= 0.05
            yield f"| {effect:g} times as often | {sessions}, {people} | {tally.cells()} | {low / studies:.3f} |"


def one_session(studies: int) -> Iterator[str]:
    yield f"| one session | minutes | {HEAD} | p <= 0.05 |\n|---|--:|{RULE}|--:|"
    for effect, cells in ((1.0, 360), (1.0, 1440), (4.0, 1440)):
        make = {"onset": 0.01, "spread": 0.0, "hold": 10.0, "effect": effect, "cells": cells}
        big = chain(np.random.default_rng(4), sessions=3_000, **make)
        total = cells_of(*big).sum(axis=0)
        truth = 1.0 if effect == 1 else float(total[0] * total[3] / (total[1] * total[2]))
        tally, low = Tally(), 0
        for seed in range(studies):
            state, condition = chain(np.random.default_rng([seed, cells, 4]), sessions=1, **make)
            run_s = run_length_s(state)
            share = float(state.mean())
            length = max(60.0, 5.0 * run_s * (1 - share))
            block = (CELL_S * np.arange(cells) / length).astype(np.int64)
            code = 4 * block + 2 * (condition[0] == 0) + (state[0] == 0)
            table = np.bincount(code, minlength=4 * (int(block[-1]) + 1)).reshape(-1, 4) * CELL_S
            tally.add(odds_of_blocks(table, run_s=max(run_s, 1.0)), truth)
            low += shift_chance([shift_sums(state[0], condition[0])], draws=999, seed=seed, name="o").p <= 0.05
        yield f"| {effect:g} times as often | {cells / 6:.0f} | {tally.cells()} | {low / studies:.3f} |"


def studies_table(studies: int) -> Iterator[str]:
    yield "| halving begins while rowing | sessions, people | questions | claims anything | claims rowing | p <= 0.05 |"
    yield "|---|---|--:|--:|--:|--:|"
    for times, sessions, people in (
        *((1.0, 9, 3), (1.0, 16, 1), (1.0, 24, 8)),
        *((4.0, 12, 1), (12.0, 12, 1), (12.0, 24, 1), (12.0, 24, 8)),
    ):
        any_claim = rowing = low = told = asked = 0
        for seed in range(studies):
            every = study_of(seed, sessions=sessions, times=times, participants=people)
            questions = list(questions_of(every, {}, unit="bpm"))
            found = rows_of_series(every, questions, Settings(), name="bench", least_s=60.0)
            rows = adjusted([{"device": "band", **row} for row in found])
            stands = [r for r in rows if r["p_adjusted"] is not None and r["p_adjusted"] < 0.05]
            any_claim += bool(stands)
            rowing += any(r["group"].startswith("rowing") and r["state"] == "halved" for r in stands)
            p = [r["p"] for r in rows if r["p"] is not None]
            low, told, asked = low + sum(v <= 0.05 for v in p), told + len(p), asked + len(rows)
        shares = (any_claim / studies, rowing / studies, low / told)
        how = "as often as elsewhere" if times == 1 else f"{times:g} times as often"
        cells = " | ".join(f"{s:.3f}" for s in shares)
        yield f"| {how} | {sessions}, {people} | {asked / studies:.0f} | {cells} |"


PARTS = {
    "Conditions that vary within sessions: intervals of 95 %": (within, 1.0),
    "Conditions of whole sessions": (between, 1.0),
    "One session": (one_session, 1.0),
    "Whole studies: what is claimed after counting all questions": (studies_table, 0.3),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--part", type=int, help="only the n-th table, from 1")
    given = parser.parse_args()
    lines = ["# Odds of failures by condition: how often intervals hold, and what is claimed", ""]
    lines += [f"Written by `python -m benchmarks.odds --studies {given.studies} --write`; all states are invented.", ""]
    for number, (title, (make, part)) in enumerate(PARTS.items(), start=1):
        if given.part in (None, number):
            studies = max(10, round(part * given.studies))
            lines += [f"## {title}", "", f"{studies} studies a row.", ""]
            for line in make(studies):
                print(line, flush=True)
                lines.append(line)
            lines.append("")
    if given.write:
        (ROOT / "benchmarks" / "odds.md").write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
