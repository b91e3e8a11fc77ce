"""The truth bench as a grid: each design made, bounded, run and scored; tables written beside this file.

    python -m benchmarks.truth.grid [--keep FOLDER] [--only FACTOR=LEVEL ...] [--sample N] [--out FOLDER]

``--only`` takes ``design=NAME``, ``generator=second``, ``kind=clean`` or any factor of `benchmarks.truth.design`.
With ``--keep`` studies and scores stay in a folder, and a design whose generator, program and scorer are unchanged is
not done again. To look at one:

    python -m benchmarks.truth.grid --keep FOLDER --only design=second-base --out FOLDER
    wearbench run FOLDER/second-base
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import polars as pl

from benchmarks.truth.design import Design, designs
from benchmarks.truth.gridscore import score_study
from benchmarks.truth.gridsums import summed
from benchmarks.truth.gridtable import page, with_table, worst
from benchmarks.truth.score import plain

if TYPE_CHECKING:
    from wearbench.study import Results

HERE = Path(__file__).resolve().parent
DOCS = HERE.parents[1] / "docs" / "truth.md"
SOURCE = HERE.parents[1] / "src" / "wearbench"
MAKERS = ("design", "gridtruth", "bounds", "from_demo", "from_second", "second*")
JUDGES = ("score", "gridscore")
MOST_S = 60.0
ROOMS = ("core", "recipe", "formats", "study", "analysis.py", "settings.py", "quantities.py")

Note = dict[str, Any]


def code_of(paths: list[Path]) -> str:
    """Return a digest of source files."""
    digest = hashlib.sha256()
    for path in sorted(paths):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


@cache
def keys() -> tuple[str, str]:
    """Return digests of what makes the studies, and of what makes the scores."""
    made = [*(p for name in MAKERS for p in HERE.glob(f"{name}.py")), *(SOURCE / "simulator").glob("*.py")]
    rooms = [p for room in ROOMS for p in ([SOURCE / room] if room.endswith(".py") else (SOURCE / room).rglob("*.py"))]
    scored = [*(HERE / f"{name}.py" for name in JUDGES), *rooms]
    return code_of(made), code_of(scored)


def make(folder: Path, design: Design) -> None:
    """Write a design's study, its truth and its bounds."""
    from benchmarks.truth import from_demo, from_second

    {"demo": from_demo, "second": from_second}[design.generator].write_design(folder, design)


def made(home: Path, design: Design) -> Path:
    """Return the folder of a design's study, made anew if what makes it has changed."""
    folder, note = home / design.name, home / "notes" / f"{design.name}.made"
    key = keys()[0]
    if not (folder.is_dir() and note.is_file() and note.read_text() == key):
        shutil.rmtree(folder, ignore_errors=True)
        make(folder, design)
        note.parent.mkdir(parents=True, exist_ok=True)
        note.write_text(key)
    return folder


def truth_of(folder: Path) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return readings, sessions with the bounds written before the program ran, failures, and reference troubles."""
    truth = folder / "truth"
    bounds = pl.read_csv(truth / "bounds.csv", schema_overrides={"bound_s": pl.Float64, "phi": pl.Float64})
    sessions = pl.read_parquet(truth / "sessions.parquet").drop("bound_s", strict=False)
    sessions = sessions.join(bounds.select("session", "device", "bound_s"), on=["session", "device"], how="left")
    return (
        pl.read_parquet(truth / "readings.parquet"),
        sessions,
        pl.read_parquet(truth / "spells.parquet"),
        pl.read_parquet(truth / "reference.parquet"),
    )


class TooLongError(Exception):
    """The program took more processor time than a design may."""


def stop(_signal: int, _frame: FrameType | None) -> None:
    """Stop a design that takes too long."""
    raise TooLongError(f"more than {MOST_S:.0f} s of processor time")


def analysed(folder: Path) -> Results:
    """Run the program over a study, without the other reasonable analyses: they change neither clocks nor states."""
    from wearbench.analysis import run_study
    from wearbench.study import load_study

    study = load_study(folder)
    settings = replace(study.config.settings, choices=False)
    signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, MOST_S)
    try:
        return run_study(study, settings=settings, workers=1)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


def done(home: Path, design: Design) -> Note:
    """Make, run and score one design, unless that was done.

    Returns
    -------
    dict
        ``key``, ``rows``, ``seconds`` of the processor that the program took, and ``failed``: why there are no rows.
    """
    path = home / "notes" / f"{design.name}.json"
    key = list(keys())
    if path.is_file() and (kept := read_note(path))["key"] == key:
        return kept
    folder = made(home, design)
    truth = truth_of(folder)
    began = time.process_time()
    note: Note = {"key": key, "rows": [], "failed": None}
    shared = {
        "design": design.name,
        "generator": design.generator,
        "kind": design.kind,
        "levels": design.levels,
        "clean": design.is_clean,
    }
    try:
        results = analysed(folder)
        note["rows"] = [plain({**shared, **row}) for row in score_study(*truth, results.pairs, results.document)]
    except Exception as error:  # noqa: BLE001  # a program that fails on a study must not end the others
        note["failed"] = f"{type(error).__name__}: {error}"
    note["seconds"] = time.process_time() - began
    half_written = path.with_suffix(".tmp")
    half_written.write_text(json.dumps(note), encoding="utf-8")
    half_written.replace(path)
    return note


def read_note(path: Path) -> Note:
    """Read what is kept of a design."""
    return {"failed": None, **json.loads(path.read_text(encoding="utf-8"))}


def named(design: Design) -> dict[str, str]:
    """Return all that a design can be chosen by."""
    return {**design.levels, "design": design.name, "generator": design.generator, "kind": design.kind}


def by_chance(design: Design) -> bytes:
    """Order designs by chance, always the same."""
    return hashlib.sha256(design.name.encode()).digest()


def chosen(only: list[str], sample: int) -> list[Design]:
    """Return the designs that are asked for; of a sample always the same ones."""
    found = designs()
    for word in only:
        factor, _, level = word.partition("=")
        found = [d for d in found if named(d).get(factor) == level]
    if not found:
        raise SystemExit(
            f"expected --only FACTOR=LEVEL that some designs have, got {only}; see benchmarks/truth/design.py"
        )
    if sample:
        found = sorted(found, key=by_chance)[:sample]
    return found


def run(home: Path, todo: list[Design], *, workers: int) -> dict[str, Note]:
    """Do designs in several processes, in an order of chance, so that what is kept of half a run is a sample."""
    notes: dict[str, Note] = {}
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        jobs = {pool.submit(done, home, design): design.name for design in sorted(todo, key=by_chance)}
        for i, job in enumerate(as_completed(jobs), 1):
            name, note = jobs[job], job.result()
            notes[name] = note
            print(f"{i}/{len(jobs)} {name}: {note['failed'] or 'done'}, {note['seconds']:.1f} s", flush=True)
    return {design.name: notes[design.name] for design in todo}


def already(home: Path, todo: list[Design]) -> dict[str, Note]:
    """Return what is kept, whatever program made it."""
    paths = {design.name: home / "notes" / f"{design.name}.json" for design in todo}
    return {name: read_note(path) for name, path in paths.items() if path.is_file()}


def main(arguments: list[str]) -> None:
    """Run the grid."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, help="keep studies and scores here, and use those that still hold")
    parser.add_argument("--only", action="append", default=[], metavar="FACTOR=LEVEL", help="may be given again")
    parser.add_argument(
        "--sample", type=int, default=0, help="only this many designs, in an order of chance that is always the same"
    )
    parser.add_argument("--kept", action="store_true", help="only lay out what --keep holds, of whatever program")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=HERE, help="folder of grid.md and grid.json")
    parser.add_argument("--worst", type=Path, help="write the sessions furthest from the goals to this file")
    asked = parser.parse_args(arguments)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ.setdefault(name, "1")
    with tempfile.TemporaryDirectory() as spare:
        home = asked.keep or Path(spare)
        home.mkdir(parents=True, exist_ok=True)
        (home / "notes").mkdir(exist_ok=True)
        todo = chosen(asked.only, asked.sample)
        notes = already(home, todo) if asked.kept else run(home, todo, workers=asked.workers)
    rows = [row for note in notes.values() for row in note["rows"]]
    failed = {name: note["failed"] for name, note in notes.items() if note["failed"]}
    table = plain({**summed(rows), "failed": failed})
    asked.out.mkdir(parents=True, exist_ok=True)
    if asked.out == HERE:
        DOCS.write_text(with_table(DOCS.read_text(encoding="utf-8"), table), encoding="utf-8")
    (asked.out / "grid.md").write_text(page(table), encoding="utf-8")
    (asked.out / "grid.json").write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    if asked.worst:
        asked.worst.write_text(page(table) + "\n" + worst(rows), encoding="utf-8")
    print(page(table).split("## Kinds")[0])


if __name__ == "__main__":
    main(sys.argv[1:])
