"""What devices may be declared to be, and what the recipe makes of each: windows, clocks, references."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from worn_sessions import BAND, HEAD, START, Heart, Results, Worn, mae, rr_csv, rr_list, run, table

HEART = Heart()
PATCH = {"raw/s/patch.csv": rr_csv(HEART)}
SECONDS = np.arange(0.0, HEART.seconds)
KNOWN = BAND + 'clock = "shared"\naveraging_s = {averaging}\ndelay_s = 0\n'


def clock(results: Results, device: str = "band", session: str = "s") -> dict[str, Any]:
    (row,) = [r for r in results.document["clock"] if (r["device"], r["session"]) == (device, session)]
    return row


def window(results: Results, device: str = "band") -> dict[str, Any]:
    (row,) = [r for r in results.document["windows"] if r["device"] == device]
    return row


def assert_formula(results: Results, device: str = "band", *, after_s: float = 0.0) -> None:
    """The contract's formula gives every window's end from the device's own stamp, later by what it stands for."""
    part, told, declared = results.pairs.filter(device=device), clock(results, device), window(results, device)
    time = part["time"].dt.epoch("us").to_numpy() / 1e6
    end = part["end"].dt.epoch("us").to_numpy() / 1e6
    start = part["start"].dt.epoch("us").to_numpy() / 1e6
    drift = 1e-6 * told["drift_ppm"] * (time - told["at"].timestamp())
    assert np.abs(time + told["offset_s"] + drift - declared["delay_s"] + after_s - end).max() < 3e-6
    assert np.abs(end - start - declared["averaging_s"]).max() < 3e-6


def test_own_clock_is_found(tmp_path: Path):
    results = run(tmp_path, PATCH | {"raw/s/band.csv": Worn(offset_s=33.3).csv(HEART)})
    told = clock(results)
    # Clock and delay cannot be told apart: only the middle of the window is known.
    middle = told["offset_s"] - 0.5 * window(results)["averaging_s"]
    assert middle == pytest.approx(33.3 - 2.5, abs=0.3)
    assert (told["trust"], told["offset_is"], window(results)["delay_s"]) == ("good", "clock_minus_delay", 0.0)
    assert mae(results) < 0.6
    assert_formula(results)


def test_shared_clock_with_unknown_delay(tmp_path: Path):
    toml = HEAD + BAND + 'clock = "shared"\naveraging_s = 5\n'
    results = run(tmp_path, PATCH | {"raw/s/band.csv": Worn(late_s=6).csv(HEART)}, toml=toml)
    assert window(results)["delay_s"] == pytest.approx(6.0, abs=0.3)
    assert window(results)["delay_how"] == "estimated over the study: the clock is shared"
    assert (clock(results)["offset_is"], clock(results)["offset_s"]) == ("clock", pytest.approx(0.0, abs=1e-9))
    assert mae(results) < 0.6
    assert_formula(results)


@pytest.mark.parametrize(("stands_for", "back_s"), [("ending", 0), ("centred", 10), ("starting", 20)])
def test_stands_for(stands_for: str, back_s: float, tmp_path: Path):
    """Windows of 20 s lie where the device is declared to put them, and are wrong where it is not."""
    off = {}
    for stamped in ("ending", "centred", "starting"):
        toml = HEAD + KNOWN.format(averaging=20) + f'stands_for = "{stands_for}"\n'
        worn = Worn(stamped=stamped, averaging_s=20)
        results = run(tmp_path / stamped, PATCH | {"raw/s/band.csv": worn.csv(HEART)}, toml=toml)
        off[stamped] = mae(results)
        assert_formula(results, after_s=back_s)
        shift = results.pairs.select((pl.col("end") - pl.col("time")).dt.total_microseconds() / 1e6)
        assert shift.to_series().to_numpy() == pytest.approx(back_s, abs=2e-6)
    assert off[stands_for] < 0.6
    assert min(value for stamped, value in off.items() if stamped != stands_for) > 3


def test_stamps_cut_to_whole_seconds_are_read_at_the_middle(tmp_path: Path):
    """The device's own stamp stays in ``time``; the offset carries the half second."""
    toml = HEAD + KNOWN.format(averaging=5) + 'stamps = "second"\n'
    results = run(tmp_path, PATCH | {"raw/s/band.csv": Worn().csv(HEART)}, toml=toml)
    assert results.pairs["time"][0] == START + timedelta(seconds=10)
    assert results.pairs["end"][0] == START + timedelta(seconds=10.5)
    assert clock(results)["offset_s"] == pytest.approx(0.5)
    assert_formula(results)


def test_two_tested_devices_are_told_apart(tmp_path: Path):
    files = PATCH | {
        "raw/s/band.csv": Worn().csv(HEART),
        "raw/s/loop.csv": Worn(offset_s=-12, averaging_s=12, every_s=5).csv(HEART),
    }
    results = run(tmp_path, files, toml=HEAD + BAND + '\n[devices.loop]\nrole = "tested"\n')
    assert {d: results.pairs.filter(device=d).height for d in ("band", "loop")} == {"band": 581, "loop": 117}
    for device, offset, averaging in (("band", 0, 5), ("loop", -12, 12)):
        half = 0.5 * window(results, device)["averaging_s"]
        assert clock(results, device)["offset_s"] - half == pytest.approx(offset - averaging / 2, abs=0.4)
        assert mae(results, device) < 0.7
        assert_formula(results, device)
    assert {(r["device"], r["group"]) for r in results.document["states"] if r["by"] == "session"} == {
        ("band", "s"),
        ("loop", "s"),
    }


def test_a_tested_device_with_intervals_keeps_their_windows(tmp_path: Path):
    """Each interval is a reading over itself: 60 over its length in seconds."""
    results = run(tmp_path, PATCH | {"raw/s/band.csv": rr_csv(HEART)})
    pairs = results.pairs
    length = pairs.select((pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6).to_series().to_numpy()
    assert pairs["tested"].to_numpy() == pytest.approx(60.0 / length, rel=1e-5)
    assert pairs["used"].mean() > 0.99
    assert clock(results)["offset_s"] == pytest.approx(0.0, abs=0.3)
    assert mae(results) < 0.5


def test_a_list_of_intervals_without_stamps_is_placed_by_the_search(tmp_path: Path):
    files = {"raw/s/patch.rr.txt": rr_list(HEART), "raw/s/band.csv": Worn().csv(HEART)}
    results = run(tmp_path, files)
    assert clock(results)["trust"] == "good"
    # The list counts from its first beat; the session from the band's first reading, ten seconds later.
    middle = clock(results)["offset_s"] - 0.5 * window(results)["averaging_s"]
    first_beat = float(HEART.beats()[0])
    assert middle == pytest.approx(10.0 - first_beat - 2.5, abs=0.4)
    assert results.pairs["used"].all()
    assert mae(results) < 0.6


def test_a_start_in_sessions_csv_places_the_list(tmp_path: Path):
    files = {"raw/s/patch.rr.txt": rr_list(HEART), "raw/s/band.csv": Worn().csv(HEART)}
    files["sessions.csv"] = f"session,start\ns,{START.isoformat()}\n"
    results = run(tmp_path, files)
    middle = clock(results)["offset_s"] - 0.5 * window(results)["averaging_s"]
    assert middle == pytest.approx(-float(HEART.beats()[0]) - 2.5, abs=0.4)


def test_neither_with_a_start_is_an_error_that_says_so(tmp_path: Path):
    elapsed = "\n".join(
        ["elapsed_s,heart_rate", *(f"{t:.1f},{v:.0f}" for t, v in zip(*Worn().readings(HEART), strict=True))]
    )
    results = run(tmp_path, {"raw/s/patch.rr.txt": rr_list(HEART), "raw/s/band.csv": elapsed + "\n"})
    said = [w["said"] for w in results.document["warnings"] if w["slug"] == "no-start"]
    assert said == [
        "raw/s: neither patch nor band says when it started; expected a start in one of them, or start in sessions.csv"
    ]


def test_a_sampled_rate_can_be_the_reference(tmp_path: Path):
    rate = table("heart_rate", SECONDS, np.round(HEART.rate(SECONDS)))
    results = run(tmp_path, {"raw/s/patch.csv": rate, "raw/s/band.csv": Worn().csv(HEART)})
    (reference,) = results.document["references"]
    assert (reference["made_from"], reference["chosen"]) == ("heart_rate", True)
    assert results.pairs["used"].mean() > 0.99
    assert mae(results) < 0.6


def test_beats_go_before_a_rate_of_the_same_device(tmp_path: Path):
    """The rate is 3 bpm wrong; whoever used it would show it."""
    files = {
        "raw/s/patch.rr.csv": rr_csv(HEART),
        "raw/s/patch.heart_rate.csv": table("heart_rate", SECONDS, np.round(HEART.rate(SECONDS)) + 3),
        "raw/s/band.csv": Worn().csv(HEART),
    }
    results = run(tmp_path, files)
    assert [(r["made_from"], r["chosen"]) for r in results.document["references"]] == [
        ("rr", True),
        ("heart_rate", False),
    ]
    used = results.pairs.filter("used")
    assert abs(float((used["tested"] - used["reference"]).mean())) < 0.3  # type: ignore[arg-type]


def test_prefer_decides_between_two_references(tmp_path: Path):
    toml = HEAD + 'prefer = 2\n\n[devices.chest]\nrole = "reference"\nprefer = 1\n' + BAND
    rate = table("heart_rate", SECONDS, np.round(HEART.rate(SECONDS)))
    results = run(tmp_path, PATCH | {"raw/s/chest.csv": rate, "raw/s/band.csv": Worn().csv(HEART)}, toml=toml)
    assert set(results.pairs["reference_device"]) == {"chest"}


def test_declared_averaging_of_a_pod_moves_its_cadence(tmp_path: Path):
    """Cadence that steps from 120 to 160 is held against windows around the same instants."""
    steps = np.where(SECONDS < 300, 120.0, 160.0)
    toml = HEAD + KNOWN.format(averaging=10) + '\n[devices.pod]\nrole = "context"\nclock = "shared"\naveraging_s = {}\n'
    changed = {}
    for averaging in (0, 20):
        files = PATCH | {"raw/s/pod.csv": table("cadence", SECONDS, steps), "raw/s/band.csv": Worn().csv(HEART)}
        results = run(tmp_path / str(averaging), files, toml=toml.format(averaging))
        later = results.pairs.filter(pl.col("cadence") > 140)
        middle = later["start"].min() + (later["end"].min() - later["start"].min()) / 2  # type: ignore[operator]
        changed[averaging] = (middle - START).total_seconds()
    assert changed[0] == pytest.approx(300, abs=1)
    assert changed[20] == pytest.approx(290, abs=1)
