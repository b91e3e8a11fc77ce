"""The demo as a run leaves it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from wearbench.analysis import run_study
from wearbench.findings import as_rows, find
from wearbench.simulator import write_demo
from wearbench.study import Results, load_study, read_results, write_results


@dataclass(frozen=True)
class Demo:
    folder: Path
    results: Results

    @property
    def document(self) -> dict[str, Any]:
        return self.results.document

    @property
    def pairs(self) -> pl.DataFrame:
        return self.results.pairs


def analysed(folder: Path) -> Demo:
    """Write and analyse the whole demo in this process."""
    write_demo(folder)
    found = run_study(load_study(folder))
    document = {**found.document, "findings": as_rows(find(found.document, found.pairs))}
    write_results(folder, Results(document=document, pairs=found.pairs, traces=found.traces))
    return Demo(folder, read_results(folder))
