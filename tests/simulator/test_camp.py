"""The demo study: same bytes each time, states and clocks as planned, windows that agree with the true beats."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from wearbench.errors import UsageError
from wearbench.simulator import camp_plans, session_generator, simulate_session, write_bench, write_demo

STATES = {
    *("faithful", "halved", "doubled", "off_ratio", "cadence_locked", "between", "frozen", "astray", "missing"),
}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "camp"
    write_demo(folder)
    return folder


def digest(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def values_of(demo: Path, session: str) -> list[tuple[str, float]]:
    lines = (demo / "raw" / session / "band.csv").read_text(encoding="utf-8").splitlines()[1:]
    rows = [line.split(",") for line in lines]
    return [(stamp, float(value)) for stamp, value in rows]


def test_same_seed_same_bytes(demo: Path, tmp_path: Path) -> None:
    write_demo(tmp_path / "again")
    assert digest(tmp_path / "again") == digest(demo)


def test_other_seed_other_recordings(tmp_path: Path) -> None:
    write_bench(tmp_path / "a", n_sessions=1, minutes=5, seed=1)
    write_bench(tmp_path / "b", n_sessions=1, minutes=5, seed=2)
    a, b = digest(tmp_path / "a"), digest(tmp_path / "b")
    assert {name for name in a if a[name] != b[name]} >= {f"raw/S0001/{n}.csv" for n in ("patch", "band", "pod")}


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        write_demo(tmp_path)
    assert str(caught.value) == (
        f"expected a new or empty folder for the simulated study, got {tmp_path}; name another one"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_invention_is_said_wherever_the_study_is_named(demo: Path) -> None:
    for name in ("study.toml", "README.md", "truth/README.md", "participants.csv"):
        assert "invented" in (demo / name).read_text(encoding="utf-8").lower()


def test_every_session_has_its_four_recordings(demo: Path) -> None:
    folders = sorted((demo / "raw").iterdir())
    assert len(folders) == 22
    for folder in folders:
        assert sorted(path.stem for path in folder.iterdir()) == ["band", "loop", "patch", "pod"]


def test_truth_has_one_row_for_each_row_of_the_file(demo: Path) -> None:
    readings = pl.read_parquet(demo / "truth/readings.parquet")
    for session in ("S01", "S04", "S13", "S14"):
        mine = readings.filter((pl.col("session") == session) & (pl.col("device") == "band"))
        written = values_of(demo, session)
        assert mine["source_row"].to_list() == list(range(1, len(written) + 1))
        local = mine["time"].dt.convert_time_zone("Europe/Oslo").dt.strftime("%Y-%m-%d %H:%M:%S").to_list()
        assert local == [stamp for stamp, _ in written]


def test_windows_follow_from_offset_drift_delay_and_averaging(demo: Path) -> None:
    clocks = pl.read_parquet(demo / "truth/sessions.parquet")
    both = pl.read_parquet(demo / "truth/readings.parquet").join(clocks, on=["session", "device"])
    since = (both["time"] - both["at"]).dt.total_microseconds() * 1e-6
    due = both["offset_s"] + 1e-6 * both["drift_ppm"] * since - both["delay_s"]
    shift = (both["end"] - both["time"]).dt.total_microseconds() * 1e-6
    assert (shift - due).abs().max() < 2e-6  # type: ignore[operator]
    length = (both["end"] - both["start"]).dt.total_microseconds() * 1e-6
    assert (length - both["averaging_s"]).abs().max() < 2e-6  # type: ignore[operator]
    centre = clocks["offset_s"] - clocks["delay_s"] - clocks["averaging_s"] / 2
    assert (clocks["centre_shift_s"] - centre).abs().max() == 0
    assert clocks["offset_s"].abs().max() > 4000  # type: ignore[operator]
    assert clocks["drift_ppm"].abs().max() <= 45  # type: ignore[operator]


def test_written_values_are_the_rate_of_the_true_beats_over_the_true_window(demo: Path) -> None:
    """Read back from the files alone: the rate is counted anew from the beats, in whole numbers of microseconds."""
    readings = pl.read_parquet(demo / "truth/readings.parquet")
    beats = pl.read_parquet(demo / "truth/beats.parquet")
    ratio = {"faithful": 1.0, "halved": 0.5, "doubled": 2.0}
    for session in ("S01", "S04", "S08", "S09", "S12"):
        mine = readings.filter((pl.col("session") == session) & (pl.col("device") == "band"))
        beat_us = beats.filter(pl.col("session") == session)["time"].to_physical().to_numpy().astype(float)
        start, end = (mine[name].to_physical().to_numpy().astype(float) for name in ("start", "end"))
        count = np.arange(beat_us.size, dtype=float)
        rate = 60e6 * (np.interp(end, beat_us, count) - np.interp(start, beat_us, count)) / (end - start)
        value = np.asarray([v for _, v in values_of(demo, session)])
        state, also = mine["state"].to_numpy(), mine["also"].to_numpy()
        for name, factor in ratio.items():
            same = (state == name) & (also == "")
            # Windows with up to a fifth of another mode count too: the median and most readings tell.
            off = np.abs(value - factor * rate)[same]
            if off.size:
                assert np.median(off) < 1.0
                assert np.mean(off < 4.0) > 0.93


def test_states_are_known_and_each_has_enough_seconds(demo: Path) -> None:
    readings = pl.read_parquet(demo / "truth/readings.parquet")
    assert set(readings["state"].unique()) == STATES
    assert set(readings["also"].unique()) <= {"", "late", "cadence_locked"}
    assert set(readings.filter(pl.col("sentinel"))["state"].unique()) == {"missing"}
    seconds = dict(readings.filter(pl.col("device") == "band").group_by("state").len().iter_rows())
    total = sum(seconds.values())
    assert 0.7 < seconds["faithful"] / total < 0.95
    for state in ("halved", "cadence_locked", "frozen"):
        assert seconds[state] > 300


def test_the_new_firmware_cures_much_of_the_halving_on_rowing(demo: Path) -> None:
    readings = pl.read_parquet(demo / "truth/readings.parquet").filter(pl.col("device") == "band")
    sessions = pl.read_csv(demo / "sessions.csv", schema_overrides={"firmware.band": pl.String})
    both = readings.join(sessions.select("session", "activity", "firmware.band"), on="session")
    share = dict(
        both.filter(pl.col("activity") == "rowing")
        .group_by("firmware.band")
        .agg((pl.col("state") == "halved").mean())
        .iter_rows()
    )
    assert share["2.0"] > 0.15
    assert share["2.1"] < share["2.0"] / 4


def test_bouts_fill_the_session() -> None:
    for plan in camp_plans():
        assert plan.bout_starts_s[0] == 0
        assert plan.end - plan.start == timedelta(seconds=plan.seconds)
        assert 20 * 60 <= plan.seconds <= 45 * 60


def test_a_session_does_not_depend_on_its_neighbours() -> None:
    plan = camp_plans()[3]
    one = simulate_session(plan, session_generator(plan.name, seed=5))
    two = simulate_session(plan, session_generator(plan.name, seed=5))
    assert np.array_equal(one.beats_s, two.beats_s)
    assert np.array_equal(one.devices[0].value_bpm, two.devices[0].value_bpm)
