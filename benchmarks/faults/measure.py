"""One seed through the whole program, honest and halving, and what its findings say."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmarks.faults.studies import HALVED, Plan, plan_of, write
from wearbench.analysis import run_study
from wearbench.findings import Finding, find
from wearbench.recipe import combining
from wearbench.study import load_study
from wearbench.study.results import plain

FEWEST_RIGHT = HALVED - 1
MOST_ELSEWHERE = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What the findings of one study say.

    ``faults`` are fault findings as ``kind:sessions``; ``k``, ``right`` and ``elsewhere`` count the sessions said to be
    halved, those of them that are, and those that are not; ``not_placed`` counts sessions whose clock was refused.
    """

    seed: int
    variant: str
    simulator: str
    device: str
    people: int
    pod: bool
    faults: str
    n_faults: int
    k: int
    right: int
    elsewhere: int
    found: bool
    not_placed: int
    cpu_s: float
    write_s: float


def without_limits() -> None:
    """Leave out what limits of agreement rest on: a fifth of the work, and no fault finding looks at it."""
    vars(combining)["assumption_tables"] = lambda agreement, _pairs, _settings: (agreement, [], [])


def outcome(seed: int, *, variant: str) -> Outcome:
    """Make, run and score one study; ``variant`` is ``clean`` or ``halved``."""
    plan = plan_of(seed)
    without_limits()
    with tempfile.TemporaryDirectory(prefix="faults-") as spare:
        began = time.process_time()
        write(Path(spare) / "study", plan, halving=variant == "halved")
        written = time.process_time()
        results = run_study(load_study(Path(spare) / "study"), workers=1)
        document = plain(results.document)
        found = find(document, results.pairs)
        ended = time.process_time()
    return _scored(plan, variant, found, document, cpu_s=ended - written, write_s=written - began)


def outcome_of(task: tuple[int, str]) -> Outcome:
    """One study by seed and variant: what a process of a pool is given, which finds no names in a program's main."""
    return outcome(task[0], variant=task[1])


def _scored(
    plan: Plan, variant: str, found: list[Finding], document: dict[str, Any], *, cpu_s: float, write_s: float
) -> Outcome:
    faults = [f for f in found if f.evidence.get("fault")]
    halved = next((f for f in faults if f.evidence["kind"] == "state_halved"), None)
    hit = set(halved.evidence["sessions"]) if halved is not None else set()
    right, elsewhere = len(hit & set(plan.halved)), len(hit - set(plan.halved))
    other = faults if variant == "clean" else [f for f in faults if f is not halved]
    said = "; ".join(f"{f.evidence['kind']}:{' '.join(f.evidence['sessions'])}" for f in other)
    return Outcome(
        seed=plan.seed,
        variant=variant,
        simulator=plan.simulator,
        device=plan.device.name,
        people=len(plan.people),
        pod=plan.pod,
        faults=said,
        n_faults=len(other),
        k=len(hit),
        right=right,
        elsewhere=elsewhere,
        found=right >= FEWEST_RIGHT and elsewhere <= MOST_ELSEWHERE,
        not_placed=sum(c.get("trust") in ("refused", "none") for c in document.get("clock") or []),
        cpu_s=round(cpu_s, 3),
        write_s=round(write_s, 3),
    )
