"""Both truth studies: made, run by the installed program as a person would, scored, laid side by side.

    python -m benchmarks.truth.run [--keep FOLDER] [--seed N] [--second-seed N]

Writes ``table.md`` and ``table.json`` beside this file. Other seeds show how much of a table is luck.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchmarks.truth.score import plain, score_folder
from benchmarks.truth.second import write_second
from benchmarks.truth.table import markdown

HERE = Path(__file__).resolve().parent
SEED = 20_310_112
SECOND_SEED = 20_310_303


def write_first(folder: Path, *, seed: int) -> None:
    """Write the demo study."""
    from wearbench.simulator import write_demo

    write_demo(folder, seed=seed)


def analyse(folder: Path) -> float:
    """Run the program over a study; return the seconds it took."""
    began = time.monotonic()
    program = Path(sys.executable).with_name("wearbench")
    done = subprocess.run([program, "run", folder], capture_output=True, text=True, check=False)
    if done.returncode not in (0, 2):
        raise SystemExit(f"wearbench run {folder} ended with {done.returncode}:\n{done.stdout}\n{done.stderr}")
    return time.monotonic() - began


def main(arguments: list[str]) -> None:
    """Make, run and score both studies."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, help="make the studies here and leave them")
    parser.add_argument("--seed", type=int, default=SEED, help="of the demo's simulator")
    parser.add_argument("--second-seed", type=int, default=SECOND_SEED, help="of the second simulator")
    parser.add_argument("--out", type=Path, default=HERE, help="folder of table.md and table.json")
    chosen = parser.parse_args(arguments)
    chosen.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as spare:
        home = chosen.keep or Path(spare)
        studies: tuple[tuple[str, Callable[..., None], int], ...] = (
            ("demo", write_first, chosen.seed),
            ("second", write_second, chosen.second_seed),
        )
        scores: dict[str, dict[str, Any]] = {}
        for name, write, seed in studies:
            write(home / name, seed=seed)
            seconds = analyse(home / name)
            scores[name] = score_folder(home / name)
            print(f"{name}: run in {seconds:.1f} s", flush=True)
    heading = (
        "# Truth bench\n\nTwo simulators, both invented, scored by `python -m benchmarks.truth.run`. `demo` is the one "
        "the demo is made from; `second` was written without sight of the state model and differs in design "
        f"(see `README.md`). Seeds {chosen.seed} and {chosen.second_seed}.\n\n"
    )
    (chosen.out / "table.md").write_text(heading + markdown(scores), encoding="utf-8")
    (chosen.out / "table.json").write_text(json.dumps(plain(scores), indent=1, default=str) + "\n", encoding="utf-8")
    print(markdown(scores))


if __name__ == "__main__":
    main(sys.argv[1:])
