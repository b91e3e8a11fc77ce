"""The designs that are measured, and the table they make."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from benchmarks.coverage.studies import EFFECTS, SHOWN, Design, Measured

PARTICIPANTS = (1, 4, 8, 20)
SESSIONS = (1, 2, 3, 4, 5, 6)
FILE = Path(__file__).parents[2] / "src/wearbench/core/agreement/coverage.json"
PAGE = Path(__file__).with_name("table.md")
TITLES = ("bias", "SD", "lower limit", "upper limit", "MAE", "MAPE", "RMSE", "within 5", "within 10 %", "CCC")
HEAD = """# How often intervals hold the truth

Simulated studies of known truth with invented differences; every interval says 0.95. Each share is of the studies in
which an interval was given; where that was in fewer than 95 of 100, the number behind the stroke is how many of 100.
*Naive* takes every pair for independent. One session of one person is 20 minutes at one reading a second, in blocks.
A share of 0.95 is known to 0.007 from 1,000 studies and to 0.003 from 4,000 (one standard error).
"""


def designs() -> Iterator[Design]:
    for effect in EFFECTS:
        for participants in PARTICIPANTS:
            for sessions in SESSIONS:
                alone = participants == 1 and (effect == "odd" or (effect == "unequal" and sessions == 1))
                if not alone:
                    yield Design(effect=effect, participants=participants, sessions=sessions)


def studies_of(design: Design, studies: int) -> int:
    """Four times as many where 93 to 97 % is demanded, so that chance alone does not decide."""
    return 4 * studies if design.effect == "normal" and design.participants >= 8 else studies


def as_json(found: Iterable[Measured]) -> str:
    """One line a design, in the order of ``statistics``; null where no interval was ever given."""
    lines = []
    for one in found:
        row = {
            "effect": one.design.effect,
            "participants": one.design.participants,
            "sessions": one.design.sessions,
            "studies": one.studies,
            "held": [None if math.isnan(one.held[s]) else round(one.held[s], 3) for s in SHOWN],
            "given": [round(one.given[s], 3) for s in SHOWN],
            "naive": [round(one.naive["bias"], 3), round(one.naive["limit_high"], 3)],
        }
        lines.append("    " + json.dumps(row))
    said = {"confidence": 0.95, "interval": "t", "effects": EFFECTS, "statistics": SHOWN}
    head = "".join(f'  "{key}": {json.dumps(value)},\n' for key, value in said.items())
    return "{\n" + head + '  "designs": [\n' + ",\n".join(lines) + "\n  ]\n}\n"


def row(first: str, one: Measured) -> str:
    cells = []
    for name in SHOWN:
        given = "" if one.given[name] >= 0.95 else f" / {100 * one.given[name]:.0f}"
        cells.append("–" if math.isnan(one.held[name]) else f"{one.held[name]:.3f}{given}")
    cells += [f"{one.naive['bias']:.3f}", f"{one.naive['limit_high']:.3f}"]
    shape = f"{one.design.participants} x {one.design.sessions}"
    return "| " + " | ".join([first, shape, *cells, f"{one.studies:,}"]) + " |"


def heading(first: str) -> str:
    names = [first, "participants x sessions", *TITLES, "naive bias", "naive upper limit", "studies"]
    return "| " + " | ".join(names) + " |\n|---|---|" + "--:|" * (len(names) - 2)
