"""Times in the wild, from files to results: what is said, what is set aside, what a decision then does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from recorded import run, study, wear, write_session

from wearbench.findings import find
from wearbench.study import Decision, append_decisions

OSLO = ZoneInfo("Europe/Oslo")
MADE = datetime(2031, 4, 1, tzinfo=UTC)


def step_study(folder):
    """One hour ahead from Tue 11:10 by its own stamps: it synced after 70 minutes of an hour and a half."""
    worn = wear(1, length_s=5400)
    time_s = np.where(worn.time_s >= 4200, worn.time_s + 3600, worn.time_s)
    write_session(study(folder, zone="Europe/Oslo"), "S1", worn, time_s=time_s)
    return folder


@pytest.fixture(scope="module")
def stepped(tmp_path_factory):
    folder = step_study(tmp_path_factory.mktemp("step") / "study")
    return folder, run(folder)


def test_step_is_proposed_and_not_applied(stepped):
    _, results = stepped
    (proposal,) = results.document["proposals"]
    assert proposal["said"] == (
        "its clock is 1 h 00 min ahead of the rest of the recording from Tue 12:10 (its own stamps): "
        "a change of zone, as from UTC+01:00 to UTC+02:00, or of the hour?"
    )
    assert (proposal["kind"], proposal["session"], proposal["device"]) == ("clock_step", "S1", "band")
    assert proposal["from"].astimezone(OSLO) == datetime(2031, 3, 4, 12, 10, tzinfo=OSLO)
    assert proposal["shift_s"] == -3600.0
    assert proposal["evidence"]["n"] == 1200


def test_readings_after_a_step_are_flagged_and_not_judged(stepped):
    _, results = stepped
    late = results.pairs.filter(results.pairs["time"] >= datetime(2031, 3, 4, 11, 10, tzinfo=UTC))
    assert late["reason"].unique().to_list() == ["clock_unknown"]
    assert not late["used"].any()
    early = results.pairs.filter(results.pairs["time"] < datetime(2031, 3, 4, 11, 10, tzinfo=UTC))
    assert early["used"].mean() > 0.99
    assert early.filter(early["used"])["state"].unique().to_list() == ["faithful"]
    # the pause in the stamps is an hour, in truth there was none
    assert [e for e in results.document["episodes"] if e["state"] == "missing"] == []
    (clock,) = results.document["clock"]
    assert clock["trust"] == "weak"
    assert clock["why"] == "the clock steps inside the recording; see the proposals"
    assert clock["offset_s"] == pytest.approx(-3.0, abs=1.0)  # the made-up device is 3 s late
    said = [w["said"] for w in results.document["warnings"]]
    assert any(s.startswith("S1: Wrist band: its clock is 1 h 00 min ahead of the rest") for s in said)


def test_decision_moves_the_stamps(stepped, tmp_path):
    folder = step_study(tmp_path / "study")
    (proposal,) = stepped[1].document["proposals"]
    decision = Decision(
        made=MADE, kind="clock", session="S1", device="band", start=proposal["from"], value=proposal["shift_s"],
        why=("it synced",),
    )  # fmt: skip
    append_decisions(folder, [decision])
    results = run(folder)
    assert results.document["proposals"] == []
    (clock,) = results.document["clock"]
    assert clock["trust"] == "good"
    assert results.pairs["used"].mean() > 0.99
    assert results.pairs["time"].equals(stepped[1].pairs["time"])  # still the device's own stamps
    assert set(results.pairs["state"].drop_nulls().to_list()) == {"faithful"}


def test_local_time_stored_as_utc_is_said_as_such(tmp_path):
    worn = wear(2, length_s=2400, offset_s=3600.0)
    write_session(study(tmp_path, zone="Europe/Oslo"), "S1", worn)
    results = run(tmp_path)
    said = "its clock is 1 h 00 min ahead, which is the zone's own offset (UTC+01:00): local time stored as UTC?"
    (clock,) = results.document["clock"]
    assert (clock["trust"], clock["looks_like"]) == ("good", said)
    (proposal,) = results.document["proposals"]
    assert (proposal["kind"], proposal["said"]) == ("clock_offset", said)
    claims = [f.claim for f in find(results.document, results.pairs) if "Its clock was" in f.claim]
    assert len(claims) == 1
    assert claims[0].endswith("cannot be told apart; " + said.removeprefix("its clock is "))


def test_quarter_hour_zone_is_named(tmp_path):
    worn = wear(3, length_s=2400)
    write_session(study(tmp_path, zone="Asia/Kathmandu"), "S1", worn, time_s=worn.time_s + 20_700.0)
    (proposal,) = run(tmp_path).document["proposals"]
    assert proposal["said"] == (
        "its clock is 5 h 45 min ahead, which is the zone's own offset (UTC+05:45): local time stored as UTC?"
    )


def test_seconds_since_1989_read_as_since_1970(tmp_path):
    worn = wear(4, length_s=1500)
    write_session(study(tmp_path), "S1", worn, time_s=worn.time_s - 631_065_600.0)
    results = run(tmp_path)
    (clock,) = results.document["clock"]
    assert clock["trust"] == "refused"
    (proposal,) = results.document["proposals"]
    assert proposal["kind"] == "clock_epoch"
    assert proposal["said"].endswith("behind: seconds since 1989-12-31 read as since 1970-01-01?")
    assert not results.pairs["used"].any()


def test_repeated_hour_is_put_in_order_by_the_file(tmp_path):
    """Local stamps without offset over the night the clocks go back: 02:00 to 03:00 comes twice."""
    worn = wear(5, length_s=9000)
    start = datetime(2031, 10, 26, 0, 15, tzinfo=UTC)  # 02:15 summer time; back to 02:00 at 01:00 UTC
    write_session(study(tmp_path, zone="Europe/Oslo"), "S1", worn, start=start)
    local = [(start + timedelta(seconds=float(t))).astimezone(OSLO) for t in worn.time_s]
    rows = [f"{t:%Y-%m-%d %H:%M:%S},{v:.0f}" for t, v in zip(local, worn.value, strict=True)]
    (tmp_path / "raw" / "S1" / "band.csv").write_text("\n".join(["time,heart_rate", *rows]) + "\n", encoding="utf-8")
    results = run(tmp_path)
    assert results.document["proposals"] == []
    (clock,) = results.document["clock"]
    assert clock["trust"] == "good"
    assert clock["offset_s"] == pytest.approx(-3.0, abs=1.0)
    assert results.pairs["used"].mean() > 0.99
    assert results.pairs["time"].min() == start + timedelta(seconds=float(worn.time_s[0]))
    assert results.pairs["time"].max() == start + timedelta(seconds=float(worn.time_s[-1]))
