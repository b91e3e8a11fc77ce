"""The page of the fault bench, from its rows."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path

from benchmarks.faults.measure import FEWEST_RIGHT, MOST_ELSEWHERE
from wearbench.core.resample import exact_proportion

Row = dict[str, str]

MOST_CLEAN = 0.065
FEWEST_FOUND = 0.90

_HEAD = """# Fault findings: false alarms and misses

Invented studies of twelve sessions of 15 to 20 minutes each, through the program from raw files to findings (without
what limits of agreement rest on, which faults do not look at).
Odd seeds use the package's simulator of hearts and chest patch, even ones that of the truth bench; devices take turns
(`plain`, `noisy`: errors of 2 to 3 bpm and bursts of 4; `slow`: a value every 5 s; `coarse`: steps of 5 bpm;
`sluggish`: exponential smoothing, up to 10 s late). Clocks are off by up to 90 s, in 15 % of sessions by up to an
hour, and drift by up to 60 ppm; straps miss and invent beats, are dry at the start or lose contact. One or three
people; cadence beside it in half of the studies.

    python -m benchmarks.faults --seeds 1-1000 --continue --out FILE.csv

- *clean*: nothing is wrong with the device. A fault finding of any kind is a false alarm.
- *halved*: the same studies, but the device reads half for {halved_s} in 9 of the 12 sessions, fading in and out over 6
  to 20 s at either end. Found: the finding names at least {right} of the nine sessions and at most {elsewhere} other.
"""


def rows_of(path: Path) -> list[Row]:
    """Rows of earlier runs, the last one of each seed and variant; none without the file."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row.get("write_s")]  # a torn last line is done again
    return list({(int(r["seed"]), r["variant"]): r for r in rows}.values())


def page(rows: list[Row]) -> str:
    """The whole page."""
    clean = [r for r in rows if r["variant"] == "clean"]
    halved = [r for r in rows if r["variant"] == "halved"]
    lines = [_HEAD.format(halved_s="8 min", right=FEWEST_RIGHT, elsewhere=MOST_ELSEWHERE)]
    lines += ["## Clean", "", *_by(clean, lambda r: int(r["n_faults"]) > 0, "with a fault finding", MOST_CLEAN), ""]
    kinds = Counter(part.split(":")[0] for r in clean for part in r["faults"].split("; ") if part)
    if kinds:
        lines += ["What was found in them: " + ", ".join(f"{k} {n}" for k, n in kinds.most_common()) + ".", ""]
    lines += ["## Halved", "", *_by(halved, lambda r: r["found"] == "True", "found", FEWEST_FOUND), ""]
    counts = Counter(int(r["k"]) for r in halved)
    lines += ["Sessions said to be halved (true: 9): " + ", ".join(f"{k}: {n}" for k, n in sorted(counts.items())), ""]
    other = sum(int(r["n_faults"]) > 0 for r in halved)
    lines += [f"Another fault besides, in {other} of {len(halved)}.", ""]
    seeds = sorted({int(r["seed"]) for r in rows})
    cpu = sorted(float(r["cpu_s"]) for r in rows)
    if seeds:
        lines += [
            f"{len(clean)} clean and {len(halved)} halved studies, seeds {seeds[0]} to {seeds[-1]}; "
            f"{cpu[len(cpu) // 2]:.1f} s of processor time a study in the middle.",
            "",
        ]
    return "\n".join(lines)


def _by(rows: list[Row], hit: Callable[[Row], bool], words: str, goal: float) -> Iterable[str]:
    yield f"| studies | n | {words} | share | exact 95 % |"
    yield "|---|--:|--:|--:|--:|"
    groups: list[tuple[str, list[Row]]] = [(f"**all** (goal {100 * goal:g} %)", rows)]
    for column in ("simulator", "device"):
        names = dict.fromkeys(r[column] for r in rows)
        groups += [(f"{column} {name}", [r for r in rows if r[column] == name]) for name in sorted(names)]
    for name, mine in groups:
        k, n = sum(map(hit, mine)), len(mine)
        if n:
            low, high = exact_proportion(k, n)
            yield f"| {name} | {n} | {k} | {100 * k / n:.1f} % | {100 * low:.1f} to {100 * high:.1f} % |"
