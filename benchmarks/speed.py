"""How long the program takes and how much memory it needs, measured from outside as a person meets it.

    python -m benchmarks.speed [--sessions 13] [--minutes 45] [--repeat 3]

``run``: a fresh folder and an empty cache each time (no results, nothing remembered), 1 value a second against RR
intervals; then over the finished folder as it is, after a recording was made shorter, and with ``--no-cache``:
the four in turn, as often as asked for, so that a machine that slows down slows all of them. ``--help``: the fastest
and the median of many. Byte-code is compiled beforehand, as
``start.py`` does. Peak memory is the largest resident set of any one process; ``all together`` is the proportional set
size of the program and its workers, looked at twenty times a second (Linux only).
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

PROGRAM = Path(sys.executable).with_name("wearbench")
SEED = 20_310_112


@dataclass(frozen=True, kw_only=True, slots=True)
class Cost:
    """Wall seconds, processor seconds, peak memory of one process and of all of them together."""

    seconds: float
    cpu_s: float
    peak_mb: float
    together_mb: float


def make(folder: Path, *, n_sessions: int, minutes: int) -> None:
    """Write the study in a process of its own: a child's peak memory is never less than its parent's at the fork."""
    code = (
        "import sys, pathlib; from wearbench.simulator import write_bench; "
        "write_bench(pathlib.Path(sys.argv[1]), n_sessions=int(sys.argv[2]), minutes=int(sys.argv[3]), "
        "seed=int(sys.argv[4]))"
    )
    numbers = [str(number) for number in (n_sessions, minutes, SEED)]
    subprocess.run([sys.executable, "-c", code, str(folder), *numbers], check=True)


def measure(command: list[str], *, log: Path) -> Cost:
    """Run a command to its end and return its cost; a failure shows what it said."""
    with log.open("wb") as out:
        began = time.perf_counter()
        child = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, start_new_session=True)
        done, together_kb = threading.Event(), [0]
        watcher = threading.Thread(target=watch, args=(child.pid, done, together_kb))
        watcher.start()
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - began
        done.set()
        watcher.join()
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 2):
        raise SystemExit(f"{' '.join(command)} ended with {child.returncode}:\n{log.read_text(errors='replace')}")
    kilo = 1024**2 if sys.platform == "darwin" else 1024  # macOS counts bytes, Linux kilobytes
    return Cost(
        seconds=seconds,
        cpu_s=usage.ru_utime + usage.ru_stime,
        peak_mb=usage.ru_maxrss / kilo,
        together_mb=together_kb[0] / 1024,
    )


def watch(group: int, done: threading.Event, most_kb: list[int]) -> None:
    """Keep the largest sum of proportional set sizes of a process group until ``done``."""
    while not done.wait(0.05):
        total = 0
        for process in Path("/proc").glob("[0-9]*"):
            try:
                if os.getpgid(int(process.name)) != group:
                    continue
                rollup = (process / "smaps_rollup").read_text()
            except OSError:  # it ended meanwhile
                continue
            total += sum(int(row.split()[1]) for row in rollup.splitlines() if row.startswith("Pss:"))
        most_kb[0] = max(most_kb[0], total)


def shorten(study: Path) -> None:
    """Take the last minute off the first session's tested device: what is learned over the study changes with it."""
    path = next(p for p in sorted((study / "raw").rglob("*.csv")) if p.name.startswith("band"))
    rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(rows[:-60]) + "\n", encoding="utf-8")


def line(what: str, costs: list[Cost]) -> str:
    """Say what was measured: the fastest, the median, the most memory."""
    wall = [cost.seconds for cost in costs]
    together = max(cost.together_mb for cost in costs)
    said = (
        f"{what}: {min(wall):.3f} s at best, {statistics.median(wall):.3f} s in the middle of {len(wall)}, "
        f"{min(cost.cpu_s for cost in costs):.2f} s of processor, peak {max(cost.peak_mb for cost in costs):.0f} MB"
    )
    return f"{said}, all together {together:.0f} MB" if together else said


def main(arguments: list[str]) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=13)
    parser.add_argument("--minutes", type=int, default=45)
    parser.add_argument("--repeat", type=int, default=3)
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as spare:
        home = Path(spare)
        made = home / "made"
        make(made, n_sessions=chosen.sessions, minutes=chosen.minutes)
        log = home / "log.txt"
        told: dict[str, list[Cost]] = {
            name: [] for name in ("cold", "again, nothing changed", "after one session changed", "with --no-cache")
        }
        for number in range(chosen.repeat):
            study, cache = home / f"study-{number}", home / f"cache-{number}"
            shutil.copytree(made, study)
            os.environ["WEARBENCH_CACHE"] = str(cache)
            for name, costs in told.items():
                if name.startswith("after"):
                    shorten(study)
                more = ["--no-cache"] if name.endswith("--no-cache") else []
                costs.append(measure([str(PROGRAM), "run", str(study), *more], log=log))
            shutil.rmtree(study)
            shutil.rmtree(cache)
        print(f"{chosen.sessions} sessions of {chosen.minutes} min at 1 Hz")
        best = {name: min(cost.seconds for cost in costs) for name, costs in told.items()}
        for name, costs in told.items():
            print(f"{line(f'run, {name}', costs)}; {best[name] / best['cold']:.2f} of cold")
        print(line("--help", [measure([str(PROGRAM), "--help"], log=log) for _ in range(15)]))


if __name__ == "__main__":
    main(sys.argv[1:])
