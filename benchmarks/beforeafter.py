"""How often before and after differ though nothing changed, and how often a change is seen.

    python -m benchmarks.beforeafter [--studies 2000] [--power 500] [--write]

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
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
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


def null_rows(studies: int) -> Iterator[tuple[Design, str, float, float, float, float]]:
    """Design, measure, smallest p, and the shares of studies: p below 0.05, claimed, interval that holds 0."""
    for design in NULL:
        made = [invented(design, seed) for seed in range(1, studies + 1)]
        least = smallest_by_design(made[0].after, made[0].person)
        for measure in MEASURES:
            answers = [answered(study, measure, seed) for seed, study in enumerate(made, 1)]
            yield (
                design,
                measure,
                least,
                rate(answers, lambda a: a.p < ALPHA),
                rate(answers, lambda a: a.claimed),
                rate(answers, lambda a: a.covers),
            )


def power_rows(studies: int) -> Iterator[tuple[Design, str, float, float]]:
    """Design, measure, and the shares of studies with p below 0.05, and claimed, where 30 % became 10 %."""
    for design in POWER:
        made = [invented(design, seed, after=0.1, name="power") for seed in range(1, studies + 1)]
        for measure in ("share of time", "sessions affected"):
            answers = [answered(study, measure, seed, true=None) for seed, study in enumerate(made, 1)]
            yield design, measure, rate(answers, lambda a: a.p < ALPHA), rate(answers, lambda a: a.claimed)


def time_rows(studies: int) -> Iterator[tuple[Design, float, float]]:
    """The same where every session is wrong for a part of its time: 30 % of it on average before, 10 % after."""
    for design in POWER:
        answers = []
        for seed in range(1, studies + 1):
            study = invented(design, seed, name="time")
            rng = generator_of(seed, f"part/{design.words}")
            mean = np.where(study.after, 0.1, 0.3)
            part = rng.beta(3.0 * mean, 3.0 * (1 - mean))
            told = Study(
                person=study.person,
                after=study.after,
                asked_s=study.asked_s,
                wrong_s=part * study.asked_s,
                affected=study.affected,
                error=study.error,
                pairs=study.pairs,
            )
            answers.append(answered(told, "share of time", seed, true=None))
        yield design, rate(answers, lambda a: a.p < ALPHA), rate(answers, lambda a: a.claimed)


def misses(rows: list[tuple[Design, str, float, float, float, float]]) -> list[str]:
    """Where the measured shares miss what is asked of them."""
    found = []
    for design, measure, _, below, _, _ in rows:
        if not design.alike and below > MOST:
            found.append(f"{design.words}, {measure}: p below 0.05 in {100 * below:.1f} % of studies, more than 6 %")
        exact = (design.people, design.before, design.after, design.alike) == (1, 6, 6, 0.0)
        if exact and measure == "error" and below < LEAST:
            found.append(f"{design.words}, {measure}: p below 0.05 in {100 * below:.1f} % of studies, less than 3.5 %")
    return found


def _cent(value: float) -> str:
    return "–" if math.isnan(value) else f"{100 * value:.1f} %"


def tables(studies: int, power: int) -> tuple[str, list[str]]:
    """All tables as text, and what misses."""
    rows = list(null_rows(studies))
    lines = [
        f"Nothing changed: {studies:,} studies a design, seeds 1 to {studies:,}; one standard error of 5 % is "
        f"{100 * math.sqrt(0.05 * 0.95 / studies):.1f} %. Likeness: correlation of a session with the one before.",
        "",
        "| sessions before + after | likeness | number | smallest p | p below 0.05 | claimed | interval holds 0 |",
        "|---|--:|---|--:|--:|--:|--:|",
        *(
            f"| {d.words} | {d.alike:g} | {m} | {least:.2g} | {_cent(p)} | {_cent(claim)} | {_cent(held)} |"
            for d, m, least, p, claim, held in rows
        ),
        "",
        f"Sessions affected fall from 30 % to 10 %: share of {power:,} studies with p below 0.05, and (claimed).",
        "",
        "| sessions before + after | sessions affected | share of time, most of it in affected sessions |",
        "|---|--:|--:|",
    ]
    found = {(d.words, m): (p, claim) for d, m, p, claim in power_rows(power)}
    lines += [
        f"| {d.words} | {_both(found[d.words, 'sessions affected'])} | {_both(found[d.words, 'share of time'])} |"
        for d in POWER
    ]
    lines += [
        "",
        f"Every session is wrong for a part of its time, 30 % on average before and 10 % after ({power:,} studies).",
        "",
        "| sessions before + after | share of time |",
        "|---|--:|",
        *(f"| {d.words} | {_both((p, claim))} |" for d, p, claim in time_rows(power)),
    ]
    return "\n".join(lines) + "\n", misses(rows)


def _both(pair: tuple[float, float]) -> str:
    return f"{_cent(pair[0])} ({_cent(pair[1])})"


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
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args(arguments)
    text, missed = tables(chosen.studies, chosen.power)
    print(text)
    for line in missed:
        print(f"MISSED: {line}")
    if chosen.write:
        written(text)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
