"""Devices that share a clock, and context brought onto the reference's: by its clock's owner or by movement."""

from __future__ import annotations

import numpy as np
import pytest
from worn_sessions import BAND, HEAD, Heart, Worn, rr_csv, run, table

HEART = Heart(seconds=1500.0)
SHORT = {"first_s": 10.0, "last_s": 1480.0}
LOOP = '\n[devices.loop]\nrole = "tested"\n'
POD = '\n[devices.pod]\nrole = "context"\n'


def strides(second):
    """Strides a minute: walks and rests of uneven length."""
    edges = np.cumsum([0, 90, 150, 60, 210, 120, 80, 240, 100, 130, 170, 90, 150])
    level = np.array([0, 104, 0, 118, 96, 0, 125, 0, 110, 92, 0, 120, 100])
    return level[np.clip(np.searchsorted(edges, second, side="right") - 1, 0, level.size - 1)].astype(float)


def cadence_csv(*, offset_s=0.0, seed=1):
    time = np.arange(0.0, 1500.0)
    noise = np.random.default_rng(seed).normal(0, 0.7, time.size)
    value = np.where(strides(time) > 0, strides(time) + noise, 0.0)
    return table("cadence", time - offset_s, np.round(value))


def files(**more):
    return {"raw/s1/patch.csv": rr_csv(HEART), "raw/s1/band.csv": Worn(offset_s=3000.0, **SHORT).csv(HEART), **more}


def clocks(results):
    return {row["device"]: row for row in results.document["clock"]}


def cadence_off_s(results):
    """How far the cadence that the results use lies from where it was, seconds."""
    trace = results.traces.filter(quantity="cadence").sort("time")
    time = trace["time"].dt.epoch("ms").to_numpy() / 1000.0
    start = results.traces["time"].min().timestamp() // 3600 * 3600
    value = np.nan_to_num(trace["value"].to_numpy())
    tries = np.arange(-4000, 4001)
    misfit = [np.abs(value - strides(time - start - t)).mean() for t in tries]
    return int(tries[int(np.argmin(misfit))])


# A device on another's clock


def test_a_device_on_another_devices_clock_is_looked_for_near_it(tmp_path):
    """The loop's half hour alone would be told nothing by: its rate is periodic; the band's clock says which period."""
    loop = Worn(offset_s=3000.0, late_s=6.0, first_s=500.0, last_s=800.0)
    results = run(
        tmp_path,
        files(**{"raw/s1/loop.csv": loop.csv(HEART)}),
        toml=HEAD + BAND + LOOP + 'clock = "band"\n',
    )
    both = clocks(results)
    assert both["loop"]["trust"] == "good"
    assert both["loop"]["offset_s"] == pytest.approx(2994.0, abs=2.5)
    lone = run(tmp_path / "lone", files(**{"raw/s1/loop.csv": loop.csv(HEART)}), toml=HEAD + BAND + LOOP)
    others = [c["offset_s"] for c in clocks(lone)["loop"]["candidates"]]
    assert min(others) < 2994.0 - 100 or max(others) > 2994.0 + 100
    near = [c["offset_s"] for c in both["loop"]["candidates"]]
    assert max(near) - min(near) < 200.0


def test_a_device_that_shows_nothing_goes_by_the_owner(tmp_path):
    loop = Worn(offset_s=3000.0, first_s=500.0, last_s=800.0)
    still = loop.csv(HEART, change=lambda time, value: np.full(value.size, 70.0) + np.arange(value.size) % 2)
    results = run(tmp_path, files(**{"raw/s1/loop.csv": still}), toml=HEAD + BAND + LOOP + 'clock = "band"\n')
    loop_clock = clocks(results)["loop"]
    assert loop_clock["trust"] == "weak"
    assert loop_clock["low_s"] <= 3000.0 <= loop_clock["high_s"]
    assert loop_clock["high_s"] - loop_clock["low_s"] < 300.0


def test_naming_the_reference_is_sharing_its_clock(tmp_path):
    heart = {"raw/s1/patch.csv": rr_csv(HEART), "raw/s1/band.csv": Worn(late_s=4.0, **SHORT).csv(HEART)}
    named = run(tmp_path / "a", heart, toml=HEAD + BAND + 'clock = "patch"\n')
    shared = run(tmp_path / "b", heart, toml=HEAD + BAND + 'clock = "shared"\n')
    assert named.document["clock"] == shared.document["clock"]
    (row,) = named.document["clock"]
    assert row["offset_is"] == "clock"
    assert row["delay_s"] == pytest.approx(4.0, abs=1.5)


@pytest.mark.parametrize("late", [0.0, 12.0, 20.0, 35.0])
def test_a_late_device_on_the_reference_clock_is_found_late(tmp_path, late):
    heart = {"raw/s1/patch.csv": rr_csv(HEART), "raw/s1/band.csv": Worn(late_s=late, **SHORT).csv(HEART)}
    (row,) = run(tmp_path, heart, toml=HEAD + BAND + 'clock = "shared"\n').document["clock"]
    assert row["delay_s"] == pytest.approx(late, abs=2.0)
    assert row["trust"] in ("good", "declared")


# Context


@pytest.mark.parametrize("offset", [0.0, 3000.0])
def test_cadence_of_the_tested_device_itself_moves_with_it(tmp_path, offset):
    toml = HEAD + BAND + '\n[devices.band.roles]\ncadence = "context"\n'
    band = Worn(offset_s=offset, **SHORT).csv(HEART)
    results = run(
        tmp_path,
        {
            "raw/s1/patch.csv": rr_csv(HEART),
            "raw/s1/band.csv": band,
            "raw/s1/band.cadence.csv": cadence_csv(offset_s=offset),
        },
        toml=toml,
    )
    assert abs(cadence_off_s(results)) <= 6  # the band's delay is in it


def test_a_pod_on_the_bands_clock_moves_with_it(tmp_path):
    results = run(
        tmp_path, files(**{"raw/s1/pod.csv": cadence_csv(offset_s=3000.0)}), toml=HEAD + BAND + POD + 'clock = "band"\n'
    )
    assert abs(cadence_off_s(results)) <= 6
    assert not [w for w in results.document["warnings"] if w["slug"] == "context-not-aligned"]


def test_a_pod_with_its_own_clock_is_aligned_by_movement(tmp_path):
    other = '\n[devices.shoe]\nrole = "context"\nclock = "shared"\n'
    results = run(
        tmp_path,
        files(**{"raw/s1/pod.csv": cadence_csv(offset_s=-700.0), "raw/s1/shoe.csv": cadence_csv(seed=2)}),
        toml=HEAD + BAND + POD + other,
    )
    pod = results.traces.filter(device="pod")
    shoe = results.traces.filter(device="shoe")
    assert abs((pod["time"].min() - shoe["time"].min()).total_seconds()) <= 2.0
    assert not [w for w in results.document["warnings"] if w["slug"] == "context-not-aligned"]


def test_a_pod_that_nothing_ties_down_is_said_to_be_taken_as_stamped(tmp_path):
    results = run(tmp_path, files(**{"raw/s1/pod.csv": cadence_csv()}), toml=HEAD + BAND + POD)
    (said,) = [w["said"] for w in results.document["warnings"] if w["slug"] == "context-not-aligned"]
    assert said == (
        "raw/s1: pod: nothing in this session ties its clock to the reference's: taken as stamped"
        ' (clock = "shared" or a device\'s name in study.toml)'
    )
    assert abs(cadence_off_s(results)) <= 1
