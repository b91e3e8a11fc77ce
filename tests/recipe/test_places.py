"""Bouts on a device's clock are brought onto the reference's."""

from __future__ import annotations

from datetime import timedelta

import pytest
from recorded import START, run, stamps, study, wear, write_session


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
