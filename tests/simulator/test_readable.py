"""The files are real files: the package's own readers give back what was simulated, row for row."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from wearbench.formats.recording import Intervals, ReadContext, Readings
from wearbench.formats.registry import read_file
from wearbench.simulator import (
    Bout,
    ClockError,
    DevicePlan,
    Failure,
    Person,
    PodPlan,
    SessionPlan,
    Spell,
    session_generator,
    simulate_session,
    write_study,
)

ZONE = ZoneInfo("Europe/Oslo")
KINDS = {"csv_local": "csv", "csv_utc": "csv", "csv_decimal_comma": "csv", "fit": "fit", "tcx": "tcx"}
GONE = Failure(mode="missing", sentinel=0.0, spells=(Spell(start_s=120, seconds=30),))
PLAN = SessionPlan(
    name="T",
    start=datetime(2031, 1, 12, 12, tzinfo=UTC),
    person=Person(),
    bouts=(
        Bout(activity="rest", intensity="rest", seconds=200, effort=0.05),
        Bout(activity="walking", intensity="easy", seconds=400, effort=0.2, cadence=108),
    ),
    devices=tuple(
        DevicePlan(
            name=kind,
            file=kind,  # type: ignore[arg-type]
            clock=ClockError(offset_s=-37.25, drift_ppm=20.0),
            failures=(GONE,),
        )
        for kind in KINDS
    ),
    pod=PodPlan(),
)


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("read") / "study"
    write_study(folder, (PLAN,), seed=3)
    return folder / "raw" / "T"


SESSION = simulate_session(PLAN, session_generator("T", seed=3))
START_MS = int(PLAN.start.timestamp()) * 1000


def only(path: Path) -> Readings | Intervals:
    content = read_file(path, ReadContext(shown=path.name, zone=ZONE))
    assert content.repairs == ()
    (recording,) = content.recordings
    assert isinstance(recording, (Readings, Intervals))
    return recording


@pytest.mark.parametrize("number", range(len(KINDS)), ids=list(KINDS))
def test_device_files_are_read_back(raw: Path, number: int) -> None:
    device = SESSION.devices[number]
    kind = list(KINDS)[number]
    found = only(raw / f"{kind}.{KINDS[kind]}")
    assert isinstance(found, Readings)
    assert (found.quantity, found.unit) == ("heart_rate", "bpm")
    assert np.array_equal(found.time_ms, START_MS + device.stamp_ms)
    assert np.array_equal(found.value, device.value_bpm)
    # The truth counts data rows from 1; a reader may count the heading or messages before the first record.
    shift = found.source_row - np.arange(1, device.stamp_ms.size + 1)
    assert np.unique(shift).size == 1


def test_the_pod_is_read_back(raw: Path) -> None:
    found = only(raw / "pod.csv")
    assert isinstance(found, Readings)
    assert SESSION.pod is not None
    assert found.quantity == "cadence"
    assert np.array_equal(found.time_ms, START_MS + (SESSION.pod.stamp_s * 1000).astype(np.int64))
    assert np.array_equal(found.value, SESSION.pod.per_min)


def test_the_patch_is_read_back(raw: Path) -> None:
    found = only(raw / "patch.csv")
    assert isinstance(found, Intervals)
    assert found.quantity == "rr"
    assert np.allclose(found.interval_ms, SESSION.intervals.interval_ms, atol=0.051)
    assert found.stamp_ms is not None
    assert SESSION.intervals.stamp_s is not None
    assert np.allclose(found.stamp_ms - START_MS, SESSION.intervals.stamp_s * 1000, atol=0.51)
