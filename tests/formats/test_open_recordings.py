"""The open treadmill recordings, when they lie beside the checkout; nothing of them is copied here."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from wearbench.formats import ReadContext, Readings, Signal, read_file

RAW = Path(__file__).parents[3] / "shared" / "data" / "treadmill" / "raw"
pytestmark = pytest.mark.skipif(not RAW.is_dir(), reason="the open recordings are not beside the checkout")
START_MS = 1_935_392_400_000  # 2031-05-01T09:00:00Z, the invented start named in the folder's README


def context(path: Path) -> ReadContext:
    return ReadContext(shown=path.name, zone=ZoneInfo("UTC"))


@pytest.mark.parametrize("session", ["r011", "r041", "r062", "r102", "r112"])
def test_every_file_of_a_session_reads_without_a_repair(session: str) -> None:
    for path in sorted((RAW / session).iterdir()):
        content = read_file(path, context(path))
        assert content.repairs == ()
        assert len(content.recordings) == 1


def test_tables_hold_what_a_plain_parser_finds() -> None:
    path = RAW / "r011" / "published.csv"
    (readings,) = read_file(path, context(path)).recordings
    assert isinstance(readings, Readings)
    rows = [line.split(",") for line in path.read_text().splitlines()[1:]]
    assert readings.value.tolist() == [float(value) for _, value in rows]
    stamps = np.array([stamp for stamp, _ in rows], dtype="M8[ms]").astype(np.int64)
    assert readings.time_ms.tolist() == stamps.tolist()
    assert readings.source_row.tolist() == list(range(2, len(rows) + 2))


def test_ecg_agrees_with_an_independent_reader() -> None:
    edfio = pytest.importorskip("edfio")
    for path in sorted(RAW.glob("*/patch.edf")):
        (signal,) = read_file(path, context(path)).recordings
        assert isinstance(signal, Signal)
        (segment,) = signal.segments
        theirs = edfio.read_edf(path)
        assert segment.start_ms == START_MS
        assert segment.rate_hz == theirs.signals[0].sampling_frequency == 125.0
        np.testing.assert_allclose(segment.values, theirs.signals[0].data / 1000.0, atol=1e-6)
