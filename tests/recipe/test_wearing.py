"""Not worn, not expected and missing are three different things; what looks unworn is proposed, never applied."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from recorded import START, run, stamps, study, wear, write_session

from wearbench.study import Decision, append_decisions

MADE = datetime(2031, 4, 1, tzinfo=UTC)


def silent_study(folder, *, first_s=1200.0, last_s=1800.0):
    """An hour in which the band has no rows for ten minutes."""
    worn = wear(1, length_s=3600)
    keep = (worn.time_s < first_s) | (worn.time_s >= last_s)
    write_session(study(folder), "S1", worn, keep=keep)
    return folder


def seconds(results, state, *, by="all"):
    rows = [r for r in results.document["states"] if r["by"] == by and r["state"] == state]
    return sum(r["seconds"] for r in rows)


def share(results):
    return next(t["value"] for t in results.document["tracking"] if t["by"] == "all")


def of_state(results, state):
    return [e for e in results.document["episodes"] if e["state"] == state]


def test_silence_is_missing_until_the_study_says_more(tmp_path):
    results = run(silent_study(tmp_path))
    assert seconds(results, "missing") == pytest.approx(600, abs=4)
    assert seconds(results, "not_worn") == seconds(results, "not_expected") == 0
    assert share(results) == pytest.approx(3000 / 3600, abs=0.005)


@pytest.mark.parametrize("what", ["off", "charging"])
def test_not_worn_is_not_missing(tmp_path, what):
    folder = silent_study(tmp_path)
    low, high = stamps([1190.0, 1810.0])
    (folder / "wear.csv").write_text(f"device,start,end,what\nband,{low},{high},{what}\n", encoding="utf-8")
    results = run(folder)
    assert seconds(results, "missing") == 0
    assert seconds(results, "not_worn") == pytest.approx(620, abs=0.1)
    assert seconds(results, "faithful") == pytest.approx(2980, abs=15)
    assert share(results) == 1.0
    (episode,) = of_state(results, "not_worn")
    assert episode["seconds"] == pytest.approx(620, abs=0.1)
    assert {row["n_affected"] for row in results.document["affected"]} == {0}
    (worn,) = (f["seconds"] for f in results.document["flow"] if f["step"] == "worn")
    assert worn == pytest.approx(3600 - 620, abs=15)
    held = results.pairs.filter(results.pairs["reason"] == "not_worn")
    assert held["state"].unique().to_list() == ["not_worn"]
    row = next(r for r in results.document["states"] if r["by"] == "all" and r["state"] == "not_worn")
    assert row["share"] is None  # no part of what was asked of the device


def test_loosened_is_still_worn(tmp_path):
    folder = silent_study(tmp_path)
    low, high = stamps([1190.0, 1810.0])
    (folder / "wear.csv").write_text(f"device,start,end,what\nband,{low},{high},loosened\n", encoding="utf-8")
    assert seconds(run(folder), "missing") == pytest.approx(600, abs=4)


def test_a_decision_to_call_it_not_worn(tmp_path):
    folder = silent_study(tmp_path)
    low, high = (datetime.fromisoformat(s) for s in stamps([1195.0, 1805.0]))
    append_decisions(
        folder,
        [Decision(made=MADE, kind="wear", session="S1", device="band", start=low, end=high, why=("in the log",))],
    )
    results = run(folder)
    assert seconds(results, "missing") == 0
    assert seconds(results, "not_worn") == pytest.approx(610, abs=0.1)


def test_before_started_and_after_stopped_nothing_is_expected(tmp_path):
    worn = wear(2, length_s=3600)
    keep = (worn.time_s >= 600) & (worn.time_s < 3000)
    write_session(study(tmp_path), "S1", worn, keep=keep)
    assert seconds(run(tmp_path), "missing") == pytest.approx(1200, abs=20)
    started, stopped = stamps([600.0, 3000.0])
    (tmp_path / "marks.csv").write_text(
        f"session,device,time,kind\nS1,band,{started},started\nS1,band,{stopped},stopped\n", encoding="utf-8"
    )
    results = run(tmp_path)
    assert seconds(results, "missing") == pytest.approx(0, abs=4)
    assert seconds(results, "not_expected") == pytest.approx(1200, abs=25)
    assert share(results) > 0.998


def test_a_device_that_stops_by_itself_is_missing(tmp_path):
    """Marked as started, never as stopped: it was expected to go on."""
    worn = wear(3, length_s=2400)
    write_session(study(tmp_path), "S1", worn, keep=worn.time_s < 1800)
    (tmp_path / "marks.csv").write_text(
        f"session,device,time,kind\nS1,band,{stamps([5.0])[0]},started\n", encoding="utf-8"
    )
    results = run(tmp_path)
    assert seconds(results, "missing") == pytest.approx(600, abs=15)
    assert seconds(results, "not_expected") == pytest.approx(0, abs=20)


def test_what_looks_unworn_is_proposed_only(tmp_path):
    worn = wear(4, length_s=5400)
    value = np.where((worn.time_s >= 1200) & (worn.time_s < 1800), 0.0, worn.value)
    write_session(study(tmp_path), "S1", worn, value=value)
    results = run(tmp_path)
    (proposal,) = results.document["proposals"]
    said = "no value for 9 min 59 s from Tue 09:20 (its own stamps): not worn?"
    assert (proposal["kind"], proposal["said"]) == ("not_worn", said)
    assert f"S1: Wrist band: {said}" in [w["said"] for w in results.document["warnings"]]
    assert (proposal["from"] - START).total_seconds() == 1200
    assert (proposal["to"] - START).total_seconds() == 1799
    assert proposal["shift_s"] is None
    assert seconds(results, "missing") == pytest.approx(600, abs=4)
    assert seconds(results, "not_worn") == 0


def test_what_is_known_is_not_proposed_again(tmp_path):
    worn = wear(4, length_s=3600)
    value = np.where((worn.time_s >= 1200) & (worn.time_s < 1800), 0.0, worn.value)
    write_session(study(tmp_path), "S1", worn, value=value)
    low, high = stamps([1200.0, 1800.0])
    (tmp_path / "wear.csv").write_text(f"device,start,end,what\nband,{low},{high},off\n", encoding="utf-8")
    assert run(tmp_path).document["proposals"] == []
