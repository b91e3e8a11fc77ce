"""Episodes through the whole recipe: numbers that stay, events that join what touches, cadence over windows."""

from __future__ import annotations

import numpy as np
import pytest
from worn_sessions import Heart, Worn, rr_csv, run

from wearbench.recipe.judging import cadence_over
from wearbench.recipe.material import Series

HALF = (200.0, 300.0)


def halved(time, value):
    """Half rate for 100 s, nothing for 30 s after it, doubled for 20 s later on."""
    value = np.where((time >= HALF[0]) & (time < HALF[1]), np.round(value / 2), value)
    value = np.where((time >= 450.0) & (time < 480.0), 2.0 * value, value)
    return np.where((time >= HALF[1]) & (time < 330.0), np.nan, value)


def files(*, last_change):
    one, two = Heart(phase=0.3), Heart(phase=1.1)
    band = Worn()
    return {
        "raw/S01/patch.csv": rr_csv(one),
        "raw/S01/band.csv": band.csv(one, change=halved).replace(",nan\n", ",0\n"),
        "raw/S02/patch.csv": rr_csv(two, day=1),
        "raw/S02/band.csv": band.csv(two, day=1, change=last_change),
    }


def of_session(results, name):
    keys = ("id", "event", "state", "start", "end", "device")
    return [{k: row[k] for k in keys} for row in results.document["episodes"] if row["session"] == name]


def test_numbers_stay_when_a_later_session_changes(tmp_path):
    def noisier(time, value):
        return np.where(time > 400.0, np.round(0.8 * value), value)

    before = of_session(run(tmp_path / "before", files(last_change=None)), "S01")
    after = of_session(run(tmp_path / "after", files(last_change=noisier)), "S01")
    assert [row["id"] for row in before] == [f"S01-E{n}" for n in range(1, len(before) + 1)]
    assert [(r["id"], r["event"], r["state"]) for r in before] == [(r["id"], r["event"], r["state"]) for r in after]


def test_episodes_that_touch_share_an_event_and_others_do_not(tmp_path):
    rows = of_session(run(tmp_path / "study", files(last_change=None)), "S01")
    by_state = {row["state"]: row for row in rows}
    assert {"halved", "missing", "doubled"} <= set(by_state)
    assert by_state["halved"]["event"] == by_state["missing"]["event"]
    assert by_state["doubled"]["event"] != by_state["halved"]["event"]


def series(time, value):
    rows = np.arange(time.size, dtype=np.int64)
    return Series(device="pod", quantity="cadence", unit="1/min", time_s=time, value=value, source_row=rows)


def test_cadence_is_its_mean_over_the_window():
    time = np.arange(0.0, 200.0)
    pod = series(time, np.where(time < 100.0, 80.0, 84.0))
    got = cadence_over((pod,), np.array([20.0, 95.5, 120.0]), np.array([30.0, 105.5, 130.0]))
    # samples stand for half a second to either side: the step is at 99.5 s, four tenths into the second window
    assert got == pytest.approx([80.0, 0.4 * 80.0 + 0.6 * 84.0, 84.0])


def test_no_cadence_where_less_than_half_of_the_window_has_one():
    time = np.arange(0.0, 200.0)
    pod = series(time, np.where(time < 100.0, 80.0, 0.0))
    got = cadence_over((pod,), np.array([80.0, 93.5, 96.5, 150.0]), np.array([90.0, 103.5, 106.5, 160.0]))
    assert np.isfinite(got).tolist() == [True, True, False, False]
    assert got[:2] == pytest.approx([80.0, 80.0])


def test_spot_takes_the_cadence_of_a_second_around_it():
    time = np.arange(0.0, 60.0)
    at = np.array([30.25])
    assert cadence_over((series(time, 80.0 + 0.1 * time),), at, at) == pytest.approx([83.025], abs=0.05)
