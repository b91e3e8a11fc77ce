"""How often a state is right, by the probability given beside it.

    python -m benchmarks.calibration [--seeds 2]

The studies of both simulators of the truth bench, with seeds of their own, run by the installed program. Readings are
counted by their seconds: those the truth bench judges, apart from sentinels and readings whose reference is missing or
doubtful. Writes ``calibration.md`` beside this file. All of it is invented.
"""

from __future__ import annotations

import argparse
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Final

import polars as pl

from benchmarks.truth.run import SECOND_SEED, SEED, analyse, write_first
from benchmarks.truth.score import joined
from benchmarks.truth.second import write_second

HERE: Final = Path(__file__).resolve().parent
EDGES: Final = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)


def judged(study: Path) -> pl.DataFrame:
    """Readings of a study that has been run: seconds, probability, whether the state is the true one."""
    truth = pl.read_parquet(study / "truth" / "readings.parquet")
    pairs = pl.read_parquet(study / "results" / "pairs.parquet").filter(pl.col("quantity") == "heart_rate")
    rows = joined(truth, pairs)
    back = rows.join(
        pairs.select("session", "device", pl.col("start").alias("said_start"), "probability").unique(
            ["session", "device", "said_start"], keep="first", maintain_order=True
        ),
        on=["session", "device", "said_start"],
        how="left",
    )
    kept = back.filter(pl.col("excluded").is_null() & pl.col("probability").is_not_null())
    return kept.select("seconds", "probability", right=pl.col("state") == pl.col("said_state"), said="said_state")


def lines_of(name: str, rows: pl.DataFrame) -> list[str]:
    """Table of one simulator: seconds in each class of probability, and the share of them that are right."""
    head = "| " + " | ".join(["state", *(f"{a:g} to {b:g}" for a, b in pairwise(EDGES))]) + " |"
    out = [f"## {name}", "", head, "| --- |" + " --: |" * (len(EDGES) - 1)]
    for state in ("all", *sorted(rows["said"].unique().to_list())):
        part = rows if state == "all" else rows.filter(pl.col("said") == state)
        cells = []
        for low, high in pairwise(EDGES):
            top = high if high < 1.0 else 1.1
            here = part.filter((pl.col("probability") >= low) & (pl.col("probability") < top))
            seconds = float(here["seconds"].sum())
            right = float(here.filter(pl.col("right"))["seconds"].sum())
            cells.append(f"{right / seconds:.3f} ({seconds:.0f} s)" if seconds >= 30.0 else "-")
        out.append(f"| {state} | " + " | ".join(cells) + " |")
    return [*out, ""]


def main() -> None:
    """Make, run, count."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    chosen = parser.parse_args()
    found: dict[str, list[pl.DataFrame]] = {"demo": [], "second": []}
    with tempfile.TemporaryDirectory() as spare:
        for number in range(chosen.seeds):
            for name, write, seed in (("demo", write_first, SEED), ("second", write_second, SECOND_SEED)):
                folder = Path(spare) / f"{name}-{number}"
                write(folder, seed=seed + 1000 + number)
                analyse(folder)
                found[name].append(judged(folder))
    lines = [
        "# How often a state is right, by its probability",
        "",
        f"Made by `python -m benchmarks.calibration --seeds {chosen.seeds}`: share of the seconds that are called"
        " rightly, and those seconds, by the probability beside the state. The power that posteriors are taken to was"
        " chosen on other seeds of the same two simulators; on devices like neither it may be off. All invented.",
        "",
    ]
    for name, parts in found.items():
        lines += lines_of(name, pl.concat(parts))
    (HERE / "calibration.md").write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
