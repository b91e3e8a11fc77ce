"""How often before and after differ though nothing changed, and how often a change is seen.

    python -m benchmarks.beforeafter [--studies 2000] [--power 500] [--keep FOLDER] [--write]

Invented studies, seeds 1 to 2,000, each a table of sessions: how long, how much of it wrong, affected or not, how far
off. Participants differ; most sessions hold nothing wrong; in some designs each session is like the one before. Every
study goes through the functions that a run uses. ``p`` is that of rearranging sessions within participants;
``claimed`` counts studies in which p, the p that allows for likeness of neighbours, and the whole interval say so,
which is when a sentence does. Exits with 1 where p is below 0.05 in more than 6 % of studies of independent sessions,
or in less than 3.5 % where six and six sessions and a continuous number allow 4.98 %.
``--write`` puts the tables into ``benchmarks/beforeafter.md`` and into the page of the documentation.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clusters import Estimate
from wearbench.core.differences import difference_of_ratios, newcombe
from wearbench.core.permutation import relabelling_test, smallest_by_design
from wearbench.core.resample import generator_of

F64 = NDArray[np.float64]

PAGE: Final = Path(__file__).with_name("beforeafter.md")
DOCS: Final = Path(__file__).parents[1] / "docs" / "systematic.md"
BEGIN, END = "<!-- before and after: begin -->", "<!-- before and after: end -->"
MOST, LEAST = 0.06, 0.035
ALPHA: Final = 0.05
DRAWS: Final = 1_999
"""Arrangements drawn where there are more than 20,000; a run draws 9,999."""
MEASURES: Final = ("error", "share of time", "sessions affected")


@dataclass(frozen=True, kw_only=True, slots=True)
class Design:
    """People with sessions before and after; ``alike`` is the correlation of a session with the one before."""

    people: int
    before: int
    after: int
    alike: float = 0.0

    @property
    def words(self) -> str:
        sides = f"{self.before} + {self.after}"
        return sides if self.people == 1 else f"{self.people} x ({sides})"


@dataclass(frozen=True, kw_only=True, slots=True)
class Study:
    """Sessions of a study in order of time; arrays of shape (n,)."""

    person: NDArray[np.int64]
    after: NDArray[np.bool_]
    asked_s: F64
    wrong_s: F64
    affected: F64
    error: F64
    pairs: F64


def invented(design: Design, seed: int, *, before: float = 0.3, after: float = 0.3, name: str = "") -> Study:
    """One study: shares of sessions affected before and after; errors grow by a half for a share three times as large.

    A session is affected with its share, on a normal scale that holds the participant (standard deviation 0.5) and the
    session, which may be like the one before. Affected sessions are wrong for a part of their time drawn from
    Beta(2, 3); errors are log-normal about 3 with the same participant and session in them.
    """
    from scipy.special import ndtr, ndtri

    rng = generator_of(seed, f"{design.people}/{design.before}/{design.after}/{design.alike}/{name}")
    each = design.before + design.after
    own = 0.5 * rng.standard_normal(design.people)
    noise = rng.standard_normal((design.people, each))
    for i in range(1, each):
        noise[:, i] = design.alike * noise[:, i - 1] + math.sqrt(1 - design.alike**2) * noise[:, i]
    label = np.tile(np.arange(each) >= design.before, design.people)
    latent = (own[:, None] + noise).ravel() / math.sqrt(1.25)
    share = np.where(label, after, before)
    affected = ndtr(latent) > 1 - share
    asked = rng.uniform(1200, 3600, label.size)
    part = rng.beta(2.0, 3.0, label.size)
    error = 3.0 * np.exp(0.4 * latent + 0.37 * (ndtri(share) - ndtri(0.3)))
    pairs = np.round(asked * rng.uniform(0.8, 1.0, label.size))
    return Study(
        person=np.repeat(np.arange(design.people), each),
        after=label,
        asked_s=asked,
        wrong_s=np.where(affected, part * asked, 0.0),
        affected=affected.astype(np.float64),
        error=error * pairs,
        pairs=pairs,
    )


def columns(study: Study, measure: str) -> tuple[F64, F64]:
    """Numerator and denominator of a measure."""
    if measure == "error":
        return study.error, study.pairs
    if measure == "share of time":
        return study.wrong_s, study.asked_s
    return study.affected, np.ones(study.affected.size)


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What one study says of one measure."""

    p: float
    claimed: bool
    covers: bool | None


def answered(study: Study, measure: str, seed: int, *, true: float | None = 0.0) -> Answer:
    """Test and interval as a run has them; ``covers`` tells whether the interval holds ``true``."""
    top, bottom = columns(study, measure)
    found = relabelling_test(top, bottom, label=study.after, stratum=study.person, seed=seed, name=measure, draws=DRAWS)
    assert found is not None
    interval = _interval(study, measure, top, bottom)
    apart = interval.low is not None and interval.high is not None and (interval.low > 0 or interval.high < 0)
    alike = found.p if found.p_if_alike is None else found.p_if_alike
    covers = None
    if true is not None and interval.low is not None and interval.high is not None:
        covers = interval.low <= true <= interval.high
    return Answer(p=found.p, claimed=apart and max(found.p, alike) < ALPHA, covers=covers)


def _interval(study: Study, measure: str, top: F64, bottom: F64) -> Estimate:
    if measure == "sessions affected" and int(study.person.max()) == 0:
        x = [int(top[study.after == side].sum()) for side in (True, False)]
        n = [int((study.after == side).sum()) for side in (True, False)]
        return newcombe(x[0], n[0], x[1], n[1])
    return difference_of_ratios(top, bottom, label=study.after, stratum=study.person)


NULL: Final = (
    *(Design(people=1, before=6, after=6), Design(people=1, before=4, after=8)),
    *(Design(people=3, before=4, after=4), Design(people=1, before=3, after=3)),
    *(Design(people=1, before=6, after=6, alike=a) for a in (0.2, 0.4)),
    *(Design(people=3, before=4, after=4, alike=a) for a in (0.2, 0.4)),
)
POWER: Final = (
    *(Design(people=1, before=n, after=n) for n in (6, 10, 15, 20, 30, 60)),
    *(Design(people=3, before=4, after=4), Design(people=6, before=5, after=5)),
)


def rate(answers: list[Answer], of: Callable[[Answer], bool | None]) -> float:
    told = [x for a in answers if (x := of(a)) is not None]
    return sum(told) / len(told) if told else math.nan


Row = tuple[str, float, float, float]
"""Measure, and shares of studies: p below 0.05, claimed, interval that holds 0 (NaN where it was not asked)."""


def null_rows(design: Design, studies: int) -> list[Row]:
    """What is found where nothing changed."""
    made = [invented(design, seed) for seed in range(1, studies + 1)]
    rows: list[Row] = []
    for measure in MEASURES:
        answers = [answered(study, measure, seed) for seed, study in enumerate(made, 1)]
        rows.append((measure, *_shares(answers)))
    return rows


def power_rows(design: Design, studies: int) -> list[Row]:
    """What is found where 30 % of sessions affected became 10 %; and where every session is wrong for a part of its
    time, 30 % of it on average before and 10 % after."""
    made = [invented(design, seed, after=0.1, name="power") for seed in range(1, studies + 1)]
    rows: list[Row] = []
    for measure in ("share of time", "sessions affected"):
        answers = [answered(study, measure, seed, true=None) for seed, study in enumerate(made, 1)]
        rows.append((measure, *_shares(answers)))
    answers = []
    for seed in range(1, studies + 1):
        study = invented(design, seed, name="time")
        mean = np.where(study.after, 0.1, 0.3)
        part = generator_of(seed, f"part/{design.words}").beta(3.0 * mean, 3.0 * (1 - mean))
        answers.append(answered(replace(study, wrong_s=part * study.asked_s), "share of time", seed, true=None))
    return [*rows, ("every session", *_shares(answers))]


def _shares(answers: list[Answer]) -> tuple[float, float, float]:
    return (
        rate(answers, lambda a: a.p < ALPHA),
        rate(answers, lambda a: a.claimed),
        rate(answers, lambda a: a.covers),
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else value


@dataclass(kw_only=True, slots=True)
class Kept:
    """Rows by design, kept in a folder so that a run goes on where an earlier one ended."""

    folder: Path | None
    at_most: int
    worked: int = 0

    def rows(self, kind: str, design: Design, studies: int, work: Callable[[Design, int], list[Row]]) -> list[Row]:
        """Those of a design; nothing once as many designs were worked out as were asked for."""
        name = f"{kind}-{design.people}x{design.before}+{design.after}-{design.alike:g}-{studies}.json"
        place = None if self.folder is None else self.folder / name
        if place is not None and place.exists():
            return [(str(m), *map(_number, rest)) for m, *rest in json.loads(place.read_text("utf-8"))]  # type: ignore[misc]
        if self.worked >= self.at_most:
            return []
        self.worked += 1
        found = work(design, studies)
        if place is not None:
            plain = [[None if isinstance(x, float) and math.isnan(x) else x for x in row] for row in found]
            place.write_text(json.dumps(plain), encoding="utf-8")
        return found


def misses(rows: list[tuple[Design, Row]]) -> list[str]:
    """Where the measured shares miss what is asked of them."""
    found = []
    for design, (measure, below, _, _) in rows:
        if not design.alike and below > MOST:
            found.append(f"{design.words}, {measure}: p below 0.05 in {100 * below:.1f} % of studies, more than 6 %")
        exact = (design.people, design.before, design.after, design.alike) == (1, 6, 6, 0.0)
        if exact and measure == "error" and below < LEAST:
            found.append(f"{design.words}, {measure}: p below 0.05 in {100 * below:.1f} % of studies, less than 3.5 %")
    return found


def _cent(value: float) -> str:
    return "–" if math.isnan(value) else f"{100 * value:.1f} %"


def tables(studies: int, power: int, kept: Kept) -> tuple[str, list[str]]:
    """All tables as text, and what misses."""
    rows = [(d, row) for d in NULL for row in kept.rows("null", d, studies, null_rows)]
    seen = {(d.words, row[0]): row for d in POWER for row in kept.rows("power", d, power, power_rows)}
    lines = [
        f"Nothing changed: {studies:,} studies a design, seeds 1 to {studies:,}; one standard error of 5 % is "
        f"{100 * math.sqrt(0.05 * 0.95 / studies):.1f} %. Likeness: correlation of a session with the one before.",
        "",
        "| sessions before + after | likeness | number | smallest p | p below 0.05 | claimed | interval holds 0 |",
        "|---|--:|---|--:|--:|--:|--:|",
        *(
            f"| {d.words} | {d.alike:g} | {m} | {_least(d):.2g} | {_cent(p)} | {_cent(claim)} | {_cent(held)} |"
            for d, (m, p, claim, held) in rows
        ),
        "",
        f"30 % became 10 %: share of {power:,} studies with p below 0.05 (claimed); one standard error of a half is "
        f"{100 * math.sqrt(0.25 / power):.1f} %.",
        "",
        "| sessions before + after | sessions affected | time, in affected sessions only | time, in every session |",
        "|---|--:|--:|--:|",
    ]
    for d in POWER:
        cells = [seen.get((d.words, m)) for m in ("sessions affected", "share of time", "every session")]
        shown = " | ".join("–" if c is None else f"{_cent(c[1])} ({_cent(c[2])})" for c in cells)
        lines.append(f"| {d.words} | {shown} |")
    return "\n".join(lines) + "\n", misses(rows)


def _least(design: Design) -> float:
    study = invented(design, 1)
    return smallest_by_design(study.after, study.person)


def written(text: str) -> None:
    """Put the tables into their page and into the documentation."""
    PAGE.write_text(f"# Before and after: false alarms and power\n\n{text}", encoding="utf-8")
    docs = DOCS.read_text(encoding="utf-8")
    head, _, rest = docs.partition(BEGIN)
    _, _, tail = rest.partition(END)
    DOCS.write_text(f"{head}{BEGIN}\n{text}{END}{tail}", encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    """Measure, print, and say what misses."""
    parser = argparse.ArgumentParser(description="Before and after: false alarms and power.")
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--power", type=int, default=500, help="studies in which something changed")
    parser.add_argument("--keep", type=Path, help="a folder for the rows of each design, to go on from")
    parser.add_argument("--at-most", type=int, default=1000, help="designs worked out in this call")
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args(arguments)
    kept = Kept(folder=chosen.keep, at_most=chosen.at_most)
    text, missed = tables(chosen.studies, chosen.power, kept)
    print(text)
    for line in missed:
        print(f"MISSED: {line}")
    if chosen.write:
        written(text)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
