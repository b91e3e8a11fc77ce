"""Studies of an honest device, and of the same device halving in nine of twelve sessions, through the whole program.

    python -m benchmarks.faults [--seeds 1-60] [--processes 1] [--out FILE.csv] [--continue] [--page]

Every study is one row, appended when it is done; ``--continue`` does what the file does not hold yet. ``--page`` runs
nothing and writes the page ``faults.md`` from the rows. About 4 s of processor time a study, two studies a seed.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from benchmarks.faults.measure import Outcome, outcome_of
from benchmarks.faults.table import page, rows_of

HERE = Path(__file__).resolve().parent
VARIANTS = ("clean", "halved")
Task = tuple[int, str]


def outcomes(tasks: list[Task], *, processes: int) -> Iterator[Outcome]:
    """Outcomes as they are done."""
    if processes < 2:
        yield from map(outcome_of, tasks)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for done in as_completed([pool.submit(outcome_of, task) for task in tasks]):
            yield done.result()


def append(path: Path, row: Outcome) -> None:
    """Add one row, with the heading where there is none yet."""
    fresh = not path.exists() or not path.stat().st_size
    path.parent.mkdir(parents=True, exist_ok=True)
    torn = not fresh and not path.read_bytes().endswith(b"\n")
    with path.open("a", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=[f.name for f in dataclasses.fields(Outcome)], lineterminator="\n")
        if torn:
            file.write("\n")
        if fresh:
            writer.writeheader()
        writer.writerow(dataclasses.asdict(row))
        file.flush()
        os.fsync(file.fileno())


def main() -> None:
    """Run the seeds that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1-60", help="first and last seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--out", type=Path, default=HERE / "rows.csv", help="where the rows go")
    parser.add_argument("--continue", dest="go_on", action="store_true", help="keep the rows there are")
    parser.add_argument("--page", action="store_true", help="write the page from the rows, and run nothing")
    chosen = parser.parse_args()
    if chosen.page:
        (HERE.parent / "faults.md").write_text(page(rows_of(chosen.out)), encoding="utf-8")
        return
    if chosen.out.exists() and not chosen.go_on:
        raise SystemExit(f"expected a new file of rows, got {chosen.out}; add --continue, or name another with --out")
    first, _, last = chosen.seeds.partition("-")
    done = {(int(r["seed"]), r["variant"]) for r in rows_of(chosen.out)}
    seeds = range(int(first), int(last or first) + 1)
    tasks = [(seed, variant) for seed in seeds for variant in VARIANTS if (seed, variant) not in done]
    for row in outcomes(tasks, processes=chosen.processes):
        append(chosen.out, row)
        print(
            f"{row.seed} {row.variant} {row.device}: {row.faults or '-'} k {row.k} ({row.right}) {row.cpu_s} s",
            flush=True,
        )
    print(page(rows_of(chosen.out)))


if __name__ == "__main__":
    main()
