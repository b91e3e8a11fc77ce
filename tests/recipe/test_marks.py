"""Sync marks part clock from delay: taps at known instants on devices whose clock and delay are known."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from recorded import run, stamps, study, wear, write_session

from wearbench.findings import find
from wearbench.simulator import write_bench
from wearbench.study import Decision, append_decisions

FAST_S = 40.0
LATE_S = 6.0


def tapped(folder, name, seed, *, fast_s=FAST_S, late_s=LATE_S, acts=(30.0, 3500.0), miss_s=(0.0, 0.0), marks=True):
    """A session of an hour; the band is fast and shows its values late, and both were tapped at known instants."""
    worn = wear(seed, length_s=3600, offset_s=fast_s, delay_s=late_s)
    write_session(folder, name, worn)
    if not marks:
        return
    path = folder / "marks.csv"
    rows = [] if path.exists() else ["session,device,time,kind"]
    for act, missed in zip(acts, miss_s, strict=True):
        rows.append(f"{name},patch,{stamps([act])[0]},tap")
        rows.append(f"{name},band,{stamps([act + fast_s + missed])[0]},tap")
    with path.open("a", encoding="utf-8") as file:
        file.write("\n".join(rows) + "\n")


def clocks(results):
    return {c["session"]: c for c in results.document["clock"]}


def warned(results, slug):
    return [w["said"] for w in results.document["warnings"] if w["slug"] == slug]


def test_forty_seconds_fast_and_six_late(tmp_path):
    tapped(study(tmp_path), "S1", 1)
    results = run(tmp_path)
    clock = clocks(results)["S1"]
    assert clock["offset_is"] == "clock"
    assert clock["offset_s"] == pytest.approx(-FAST_S, abs=0.01)
    assert clock["low_s"] < -FAST_S < clock["high_s"]
    assert clock["delay_s"] == pytest.approx(LATE_S, abs=1.5)
    assert clock["delay_low_s"] < LATE_S < clock["delay_high_s"]
    assert clock["trust"] == "good"
    assert warned(results, "marks-disagree") == []


def test_windows_do_not_depend_on_the_split(tmp_path):
    tapped(study(tmp_path / "a"), "S1", 1)
    tapped(study(tmp_path / "b"), "S1", 1, marks=False)
    with_marks, without = run(tmp_path / "a"), run(tmp_path / "b")
    assert with_marks.pairs["start"].to_list() == without.pairs["start"].to_list()
    assert with_marks.pairs["end"].to_list() == without.pairs["end"].to_list()
    clock = clocks(with_marks)["S1"]
    first = with_marks.pairs.row(0, named=True)
    drift_s = 1e-6 * clock["drift_ppm"] * (first["time"] - clock["at"]).total_seconds()
    end_s = (first["end"] - first["time"]).total_seconds()
    assert end_s == pytest.approx(clock["offset_s"] + drift_s - clock["delay_s"], abs=0.002)
    bare = clocks(without)["S1"]
    assert (bare["offset_is"], bare["delay_s"]) == ("clock_minus_delay", 0.0)
    assert bare["offset_s"] == pytest.approx(clock["offset_s"] - clock["delay_s"], abs=1e-6)
    assert bare["delay_how"] == "without a mark or a shared clock, whether the device is late cannot be told"


def test_the_delay_of_marked_sessions_holds_for_the_others(tmp_path):
    study(tmp_path)
    for number, fast in enumerate((40.0, -15.0, 3.0), start=1):
        tapped(tmp_path, f"S{number}", number, fast_s=fast)
    tapped(tmp_path, "S4", 4, fast_s=70.0, marks=False)
    results = run(tmp_path)
    (window,) = results.document["windows"]
    assert window["delay_known"]
    assert window["delay_s"] == pytest.approx(LATE_S, abs=1.0)
    assert window["delay_low_s"] < LATE_S < window["delay_high_s"]
    assert window["delay_how"].startswith("late by ")
    assert window["delay_how"].endswith("; 3 sessions with marks)")
    claim = next(f.claim for f in find(results.document, results.pairs) if f"were {window['delay_how']}." in f.claim)
    assert "cannot be told apart" not in claim
    fourth = clocks(results)["S4"]
    assert fourth["offset_is"] == "clock"
    assert fourth["low_s"] < -70.0 < fourth["high_s"]
    assert fourth["high_s"] - fourth["low_s"] >= window["delay_high_s"] - window["delay_low_s"]
    assert fourth["delay_how"] == window["delay_how"]
    assert [c["offset_s"] for c in results.document["clock"][:3]] == pytest.approx([-40.0, 15.0, -3.0], abs=0.01)


def test_marks_that_no_delay_reconciles_are_named_and_nothing_is_chosen(tmp_path):
    tapped(study(tmp_path), "S1", 5, miss_s=(120.0, 120.0))
    results = run(tmp_path)
    clock = clocks(results)["S1"]
    assert (clock["offset_is"], clock["trust"]) == ("clock_minus_delay", "weak")
    (said,) = warned(results, "marks-disagree")
    assert said.startswith("marks.csv: S1: 2 sync marks put the clock of Wrist band at −160.0 s (")
    assert "), the data put clock less delay at −45.9 s (" in said
    assert said.endswith("): no delay explains both, the data's is used and trust is weak")
    assert "they contradict each other" in clock["why"]
    assert results.document["windows"][0]["delay_known"] is False


def test_marks_of_different_acts_are_not_used(tmp_path):
    tapped(study(tmp_path), "S1", 6, miss_s=(0.0, 20.0))
    results = run(tmp_path)
    clock = clocks(results)["S1"]
    assert (clock["offset_is"], clock["trust"]) == ("clock_minus_delay", "good")
    assert warned(results, "marks-disagree") == [
        "marks.csv: S1: Wrist band: its marks are not used: they fit no one clock (offsets -40.0, -60.0 s)"
    ]


def flat(seed, n=3600):
    """A session in which the rate hardly moves."""
    return 62.0 + 0.3 * np.random.default_rng(seed).normal(size=n)


@pytest.mark.parametrize("known", [False, True])
def test_marks_decide_where_the_data_cannot(tmp_path, known):
    study(tmp_path)
    if known:
        for number in (1, 2):
            tapped(tmp_path, f"S{number}", number)
    worn = wear(9, rate=flat(9), offset_s=700.0, delay_s=LATE_S)
    write_session(tmp_path, "S9", worn)
    new = [] if known else ["session,device,time,kind"]
    rows = [*new, f"S9,patch,{stamps([60.0])[0]},tap", f"S9,band,{stamps([760.0])[0]},tap"]
    with (tmp_path / "marks.csv").open("a", encoding="utf-8") as file:
        file.write("\n".join(rows) + "\n")
    results = run(tmp_path)
    clock = clocks(results)["S9"]
    assert clock["offset_is"] == "clock"
    assert clock["offset_s"] == pytest.approx(-700.0, abs=0.01)
    centre = results.pairs.filter(results.pairs["session"] == "S9").row(1000, named=True)
    middle = centre["start"] + (centre["end"] - centre["start"]) / 2
    truth = worn.shift_s
    assert (middle - centre["time"]).total_seconds() == pytest.approx(truth, abs=1.0 if known else LATE_S + 1.5)
    assert clock["delay_low_s"] < LATE_S < clock["delay_high_s"]
    assert clock["trust"] == ("good" if known else "weak")


def test_a_shared_clock_gives_the_delay_too(tmp_path):
    study(tmp_path, more='clock = "shared"')
    for number in (1, 2):
        tapped(tmp_path, f"S{number}", number, fast_s=0.0, marks=False)
    results = run(tmp_path)
    (window,) = results.document["windows"]
    assert window["delay_s"] == pytest.approx(LATE_S, abs=1.0)
    assert window["delay_low_s"] < LATE_S < window["delay_high_s"]
    assert any("Its values were late by 6" in f.claim for f in find(results.document, results.pairs))
    for clock in results.document["clock"]:
        assert (clock["offset_is"], clock["offset_s"]) == ("clock", pytest.approx(0.0, abs=1e-9))
        assert clock["delay_s"] == window["delay_s"]


def test_marks_that_contradict_a_shared_clock_are_said(tmp_path):
    tapped(study(tmp_path, more='clock = "shared"'), "S1", 1, fast_s=40.0)
    tapped(tmp_path, "S2", 2, fast_s=0.0)
    results = run(tmp_path)
    (said,) = warned(results, "marks-disagree")
    assert said.startswith(
        "marks.csv: S1: study.toml says that Wrist band is on the reference's clock, 2 sync marks put it at "
    )
    assert said.endswith(": the first is used and trust is weak")
    assert clocks(results)["S1"]["trust"] == "weak"
    assert clocks(results)["S2"]["trust"] != "weak"


def test_a_declared_delay_that_marks_contradict_is_said(tmp_path):
    tapped(study(tmp_path, more="delay_s = 1"), "S1", 1)
    (said,) = warned(run(tmp_path), "marks-disagree")
    assert said.startswith("marks.csv: S1: Wrist band: study.toml declares a delay of 1.0 s, its marks and data give ")


def test_other_quantities_are_moved_with_the_marks(tmp_path):
    """Only a heart rate is searched for: an oxygen saturation has nothing but the marks."""
    study(tmp_path)
    place = tmp_path / "raw" / "S1"
    place.mkdir(parents=True)
    true = np.arange(0.0, 1800.0, 10.0)
    level = np.where((true // 300) % 2 == 0, 97, 93)
    for name, fast in (("patch", 0.0), ("band", 40.0)):
        rows = [f"{t},{v}" for t, v in zip(stamps(true + fast), level, strict=True)]
        (place / f"{name}.csv").write_text("\n".join(["time,spo2", *rows]) + "\n", encoding="utf-8")
    (tmp_path / "marks.csv").write_text(
        f"session,device,time,kind\nS1,patch,{stamps([100.0])[0]},button\nS1,band,{stamps([140.0])[0]},button\n",
        encoding="utf-8",
    )
    results = run(tmp_path)
    (clock,) = results.document["clock"]
    assert clock["offset_s"] == pytest.approx(-40.0, abs=0.01)
    assert (clock["offset_is"], clock["trust"]) == ("clock", "declared")
    used = results.pairs.filter(results.pairs["used"])
    assert (used["tested"] - used["reference"]).abs().max() < 0.01


def test_numbers_say_which_marks_belong_together(tmp_path):
    study(tmp_path)
    write_session(tmp_path, "S1", wear(1, length_s=3600, offset_s=40.0, delay_s=6.0))
    rows = ["session,device,time,kind,mark"]
    rows += [f"S1,patch,{stamps([at])[0]},tap,{n}" for n, at in ((1, 30.0), (2, 35.0), (3, 3500.0))]
    rows += [f"S1,band,{stamps([at + 40])[0]},tap,{n}" for n, at in ((2, 35.0), (3, 3500.0))]
    (tmp_path / "marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    clock = clocks(run(tmp_path))["S1"]
    assert clock["offset_s"] == pytest.approx(-40.0, abs=0.01)
    assert clock["delay_how"] == "from 2 sync marks"


def test_marks_that_cannot_be_paired_are_said_and_not_guessed(tmp_path):
    study(tmp_path)
    write_session(tmp_path, "S1", wear(1, length_s=2400, offset_s=40.0, delay_s=6.0))
    rows = ["session,device,time,kind"]
    rows += [f"S1,patch,{stamps([at])[0]},tap" for at in (30.0, 35.0, 2300.0)]
    rows += [f"S1,band,{stamps([at + 40])[0]},tap" for at in (35.0, 2300.0)]
    (tmp_path / "marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    results = run(tmp_path)
    assert clocks(results)["S1"]["offset_is"] == "clock_minus_delay"
    assert warned(results, "marks-unpaired") == [
        "marks.csv: session S1: tap: expected as many on band as on patch, got 2 and 3. Say which belong together in a "
        "column mark (1, 2, ...). Left out: these marks."
    ]


def test_whole_seconds_are_cut_ones_and_seconds_from_the_start_will_do(tmp_path):
    """9:00:30.7 written as :30 and the band's 9:01:10.7 as 70.7: the first lies in [30, 31)."""
    study(tmp_path)
    write_session(tmp_path, "S1", wear(1, length_s=2400, offset_s=40.0, delay_s=6.0))
    (tmp_path / "sessions.csv").write_text("session,start\nS1,2031-03-04T09:00:00Z\n", encoding="utf-8")
    (tmp_path / "marks.csv").write_text(
        "session,device,time,kind\nS1,patch,2031-03-04T09:00:30Z,tap\nS1,band,70.7,tap\n", encoding="utf-8"
    )
    clock = clocks(run(tmp_path))["S1"]
    assert clock["offset_s"] == pytest.approx(30.5 - 70.75, abs=0.01)
    assert clock["low_s"] < -40 < clock["high_s"]


def cut(moment, unit_ms):
    """A moment as it is written down: cut to its unit."""
    ms = int(moment.timestamp() * 1000) // unit_ms * unit_ms
    return stamps([0.0], start=datetime.fromtimestamp(ms / 1000, UTC))[0].replace(".000Z", "Z")


def test_intervals_cover_the_simulators_truth(tmp_path):
    """Thirty invented sessions, tapped at either end, whole seconds, the hand 0.3 s to either side."""
    folder = tmp_path / "study"
    write_bench(folder, n_sessions=30, minutes=15.0, seed=20310402)
    truth = {
        row["session"]: row for row in pl.read_parquet(folder / "truth" / "sessions.parquet").iter_rows(named=True)
    }
    rng = np.random.default_rng(20310402)
    rows = ["session,device,time,kind"]
    for name, row in truth.items():
        for at_s in (-380.0, 380.0):
            act = row["at"] + timedelta(seconds=at_s + rng.uniform(0, 10))
            ahead = row["offset_s"] + 1e-6 * row["drift_ppm"] * at_s
            theirs = act - timedelta(seconds=ahead + rng.normal(0, 0.3))
            rows += [f"{name},patch,{cut(act, 1000)},tap", f"{name},band,{cut(theirs, 1000)},tap"]
    (folder / "marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    results = run(folder)
    told = clocks(results)
    assert len(told) == 30
    assert all(c["offset_is"] == "clock" for c in told.values())
    assert sum(c["low_s"] <= truth[s]["offset_s"] <= c["high_s"] for s, c in told.items()) >= 27
    assert sum(c["delay_low_s"] <= truth[s]["delay_s"] <= c["delay_high_s"] for s, c in told.items()) >= 27
    (window,) = results.document["windows"]
    assert window["delay_low_s"] < 3.0 < window["delay_high_s"]
    assert window["delay_high_s"] - window["delay_low_s"] < 1.0
    assert warned(results, "marks-disagree") == []


def test_a_decision_that_moves_stamps_moves_the_marks_with_them(tmp_path):
    tapped(study(tmp_path), "S1", 1)
    moved = Decision(
        made=datetime(2031, 4, 1, tzinfo=UTC),
        kind="clock",
        session="S1",
        device="band",
        value=-40.0,
        why=("slow sync",),
    )
    append_decisions(tmp_path, [moved])
    clock = clocks(run(tmp_path))["S1"]
    assert (clock["offset_is"], clock["trust"]) == ("clock", "good")
    assert clock["offset_s"] == pytest.approx(0.0, abs=0.01)
    assert clock["delay_low_s"] < LATE_S < clock["delay_high_s"]
