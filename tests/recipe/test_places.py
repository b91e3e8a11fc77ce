"""Bouts on a device's clock are brought onto the reference's."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from recorded import START, run, stamps, study, wear, write_session

from wearbench.core.clock import ClockFit
from wearbench.recipe.places import BoutClock, clock_owners
from wearbench.study import load_study


def bouts(folder, *, clock, offset_s=0.0):
    """Ten minutes of intervals from the twentieth minute on, as a clock that is ahead shows it."""
    low, high = stamps([1200.0 + offset_s, 1800.0 + offset_s])
    rows = ["session,bout,start,end,activity,clock", f"S1,hard,{low},{high},intervals,{clock}"]
    (folder / "bouts.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def ahead(tmp_path_factory):
    """The band is 25 min ahead; bouts were noted on its display. Nothing is late."""
    folder = study(tmp_path_factory.mktemp("bouts") / "study")
    write_session(folder, "S1", wear(1, length_s=3600, offset_s=1500.0, delay_s=0.0))
    bouts(folder, clock="band", offset_s=1500.0)
    return folder, run(folder)


def test_bout_moves_with_the_fit_of_its_clock(ahead):
    _, results = ahead
    inside = results.pairs.filter(results.pairs["bout"] == "hard")
    middle = inside["start"] + (inside["end"] - inside["start"]) / 2
    assert abs((middle.min() - START - timedelta(seconds=1200)).total_seconds()) < 2.5
    assert abs((middle.max() - START - timedelta(seconds=1800)).total_seconds()) < 2.5
    assert inside["activity"].unique().to_list() == ["intervals"]
    (bout,) = results.document["sessions"][0]["bouts"]
    assert abs((bout["start"] - START - timedelta(seconds=1200)).total_seconds()) < 1.5
    assert not [w for w in results.document["warnings"] if "bouts" in w["said"]]
    assert bout["clock"] == "band"
    assert abs(bout["moved_s"] + 1500) < 1.5


def test_bout_on_the_reference_stays(ahead, tmp_path):
    folder = study(tmp_path)
    write_session(folder, "S1", wear(1, length_s=3600, offset_s=1500.0, delay_s=0.0))
    bouts(folder, clock="")
    (bout,) = run(folder).document["sessions"][0]["bouts"]
    assert (bout["start"] - START).total_seconds() == 1200
    bouts(folder, clock="patch")
    (bout,) = run(folder).document["sessions"][0]["bouts"]
    assert (bout["start"] - START).total_seconds() == 1200


def test_clock_that_is_not_known_is_said(tmp_path):
    worn = wear(2, length_s=3600)
    folder = study(tmp_path)
    write_session(folder, "S1", worn, value=worn.value[::-1].copy())
    bouts(folder, clock="band")
    results = run(folder)
    (clock,) = results.document["clock"]
    assert clock["trust"] == "refused"
    (bout,) = results.document["sessions"][0]["bouts"]
    assert (bout["start"] - START).total_seconds() == 1200
    said = [w["said"] for w in results.document["warnings"] if w["file"] == "bouts.csv"]
    assert said == ["S1: bouts on the clock of Wrist band stay as written: its clock is not known"]


POD = '[devices.pod]\nrole = "context"\nlabel = "Foot pod"\n'


def test_clock_that_nothing_fits_is_said(tmp_path):
    folder = study(tmp_path, more=POD)
    write_session(folder, "S1", wear(1, length_s=3600))
    bouts(folder, clock="pod")
    results = run(folder)
    (bout,) = results.document["sessions"][0]["bouts"]
    assert ((bout["start"] - START).total_seconds(), bout["clock"], bout["moved_s"]) == (1200, "pod", None)
    said = [w["said"] for w in results.document["warnings"] if w["file"] == "bouts.csv"]
    assert said == ["S1: bouts on the clock of Foot pod stay as written: its clock is not known"]


def test_bout_on_the_clock_of_a_device_that_shares_it_moves_with_the_owner(tmp_path):
    folder = study(tmp_path, more=POD + 'clock = "band"\n')
    write_session(folder, "S1", wear(1, length_s=3600, offset_s=1500.0, delay_s=0.0))
    bouts(folder, clock="pod", offset_s=1500.0)
    (bout,) = run(folder).document["sessions"][0]["bouts"]
    assert abs((bout["start"] - START).total_seconds() - 1200) < 1.5
    assert bout["clock"] == "pod"


def test_whose_clock_each_device_is_on(tmp_path):
    more = POD + 'clock = "patch"\n[devices.step]\nrole = "context"\nclock = "band"\n'
    devices = load_study(
        study(tmp_path, more=more + '[devices.cap]\nrole = "tested"\nclock = "shared"\n')
    ).config.devices
    assert clock_owners(devices) == {"patch": None, "band": "band", "pod": None, "step": "band", "cap": None}


def test_bout_moves_as_the_readings_next_to_it_by_decision():
    # an hour was added by hand to stamps from 1000 s on; the fit is of the stamps so moved
    stamp_s = np.arange(0.0, 2000.0)
    fit = ClockFit(
        at_s=0.0,
        shift_s=-5.0,
        low_s=-5.5,
        high_s=-4.5,
        drift_ppm=0.0,
        drift_low_ppm=0.0,
        drift_high_ppm=0.0,
        trust="good",
        method="",
        candidates=(),
        why="",
        half_shifts_s=(-5.0, -5.0),
        block_s=60.0,
        noise=0.0,
    )
    clock = BoutClock(fit=fit, back_s=0.0, stamp_s=stamp_s, moved_s=np.where(stamp_s >= 1000, 3600.0, 0.0))
    assert [clock.on_reference(s) for s in (500.0, 1500.0)] == [495.0, 5095.0]
