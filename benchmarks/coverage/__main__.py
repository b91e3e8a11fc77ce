"""How often intervals hold the truth, one row a design.

    python -m benchmarks.coverage [--studies 1000] [--effect normal] [--write]
    python -m benchmarks.coverage --methods

``--write`` renews the table beside this file and the one that comes with the package. ``--methods`` compares ways of
making intervals in some designs. About ten minutes on one core.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from benchmarks.coverage.studies import EFFECTS, Design, Measured, measure
from benchmarks.coverage.table import FILE, HEAD, PAGE, as_json, designs, heading, row, studies_of

METHODS = ("t", "percentile", "bca", "studentised")
SHAPES = ((8, 1), (20, 1))


def one(design: Design, studies: int) -> Measured:
    return measure(design, studies=studies_of(design, studies))


def measured(chosen: list[Design], *, studies: int, workers: int) -> Iterator[Measured]:
    if workers < 2:
        yield from (one(design, studies) for design in chosen)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(partial(one, studies=studies), chosen)


def methods(studies: int) -> None:
    print(heading("interval, effects"))
    for effect in ("normal", "mixture"):
        for participants, sessions in SHAPES:
            design = Design(effect=effect, participants=participants, sessions=sessions)
            for interval in METHODS:
                print(row(f"{interval}, {EFFECTS[effect]}", measure(design, studies=studies, interval=interval)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=1000, help="simulated studies a design")
    parser.add_argument("--effect", default="all", choices=["all", *EFFECTS], help="which effects")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--methods", action="store_true", help="compare ways of making intervals")
    parser.add_argument("--write", action="store_true", help="renew the two tables")
    chosen = parser.parse_args()
    if chosen.methods:
        return methods(chosen.studies)
    start = time.perf_counter()
    wanted = [d for d in designs() if chosen.effect in ("all", d.effect)]
    found, lines = [], [heading("effects")]
    print(lines[0])
    for result in measured(wanted, studies=chosen.studies, workers=chosen.workers):
        found.append(result)
        lines.append(row(EFFECTS[result.design.effect], result))
        print(lines[-1], flush=True)
    print(f"\n{time.perf_counter() - start:.0f} s")
    if chosen.write and chosen.effect == "all":
        FILE.write_text(as_json(found), encoding="utf-8")
        PAGE.write_text(HEAD + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return None


if __name__ == "__main__":
    main()
