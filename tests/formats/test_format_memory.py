"""A long text file is read in stretches: what is held follows what is kept, not the file."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from written import OSLO, START_MS

from wearbench.errors import FormatError
from wearbench.formats import ReadContext, Readings, read_file

N = 500_000


@pytest.fixture(scope="module")
def long_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "band.csv"
    stamps = np.datetime_as_string(np.datetime64("2031-05-01T09:00:00") + np.arange(N).astype("m8[s]"))
    with path.open("w") as handle:
        handle.write("time,heart_rate,cadence,note\n")
        for start in range(0, N, 50_000):
            part = stamps[start : start + 50_000]
            handle.write("".join(f"{stamp},{60 + i % 100},80,some words here\n" for i, stamp in enumerate(part)))
    return path


def peak_of(path: Path, context: ReadContext) -> tuple[int, int]:
    """Most bytes held at once, and readings kept."""
    tracemalloc.start()
    try:
        recordings = read_file(path, context).recordings
        kept = sum(made.time_ms.size for made in recordings if isinstance(made, Readings))
    except FormatError:
        kept = 0
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most, kept


def test_a_kept_span_costs_a_stretch_only(long_file: Path) -> None:
    size = long_file.stat().st_size
    assert size > 20_000_000
    context = ReadContext(shown="band.csv", zone=OSLO, keep_ms=(START_MS + 10**8, START_MS + 10**8 + 3_600_000))
    most, kept = peak_of(long_file, context)
    assert kept == 2 * 3600
    assert most < 20_000_000  # a stretch of 2 MB and its columns, whatever the file's size


def test_everything_costs_its_columns(long_file: Path) -> None:
    most, kept = peak_of(long_file, ReadContext(shown="band.csv", zone=OSLO))
    assert kept == 2 * N
    columns = 4 * 8 * N  # stamps, line numbers and two values, 8 bytes each
    assert most < 3 * columns + 20_000_000


def test_too_long_a_file_is_refused_on_the_way(long_file: Path) -> None:
    most, kept = peak_of(long_file, ReadContext(shown="band.csv", zone=OSLO, max_readings=60_000))
    assert kept == 0
    assert most < 20_000_000
