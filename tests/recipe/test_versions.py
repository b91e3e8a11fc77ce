"""Firmware of a session: told, from the file, between sightings; two spans of firmware and one session of neither."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from recorded import START, run, stamps, study, wear, write_session

from wearbench.recipe.versions import Firmware, Told, firmware_of, same_version, unknown_both_ways
from wearbench.study import load_study

DAY = timedelta(days=1)


def days(folder, *, n=5, seen=((0, "1.0"), (4, "1.1"))):
    """A session a day; the band is off by 3 until the third day, by 1 from the fourth."""
    study(folder)
    rows = ["session,start,end"]
    for day in range(n):
        start = START + day * DAY
        worn = wear(day, length_s=3000)
        write_session(folder, f"S{day}", worn, value=worn.value + (3 if day < 3 else 1), start=start)
        rows.append(f"S{day},{','.join(stamps([0.0, 3000.0], start=start))}")
    (folder / "sessions.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    lines = [f"band,{stamps([-60.0], start=START + day * DAY)[0]},{version}" for day, version in seen]
    (folder / "versions.csv").write_text("\n".join(["device,seen_at,version", *lines]) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def unknown(tmp_path_factory):
    """1.0 seen on the first two days, 1.1 on the last: on the two days between it may have been either."""
    return run(days(tmp_path_factory.mktemp("versions") / "s", seen=((0, "1.0"), (1, "1.0"), (4, "1.1"))))


def test_versions_seen_are_those_of_the_sessions(unknown):
    told = dict(unknown.pairs.select("session", "firmware").unique().iter_rows())
    assert told == {"S0": "1.0", "S1": "1.0", "S2": None, "S3": None, "S4": "1.1"}
    groups = {
        r["group"]: r["n_sessions"]
        for r in unknown.document["agreement"]
        if (r["by"], r["readings"]) == ("firmware", "all")
    }
    assert groups == {"1.0": 2, "1.1": 1}
    assert [s["firmware"] for s in unknown.document["sessions"]][2:4] == [None, None]


def test_unknown_sessions_run_both_ways(unknown):
    (row,) = unknown.document["versions"]
    assert (row["before"], row["after"]) == ("1.0", "1.1")
    assert (row["sessions_before"], row["sessions_unknown"], row["sessions_after"]) == (
        ["S0", "S1"],
        ["S2", "S3"],
        ["S4"],
    )
    used = unknown.pairs.filter("used")
    apart = (used["tested"] - used["reference"]).abs()

    def size(*names):
        return apart.filter(used["session"].is_in(names)).mean()

    assert row["mae_change_left_out"] == pytest.approx(size("S4") - size("S0", "S1"))
    assert row["mae_change_as_before"] == pytest.approx(size("S4") - size("S0", "S1", "S2", "S3"))
    assert row["mae_change_as_after"] == pytest.approx(size("S2", "S3", "S4") - size("S0", "S1"))
    assert row["matters"] is False
    (said,) = (w["said"] for w in unknown.document["warnings"] if w["slug"] == "version-unknown")
    assert said.startswith(
        "Wrist band: firmware 1.0 or 1.1 in 2 sessions (S2 and S3), which of the two is not known; "
        "from 1.0 to 1.1 mean error changes by −"
    )
    assert said.endswith("if they had 1.1: the direction is the same")


def told(name, version, size, *, between=()):
    firmware = Firmware(version=version, how="versions.csv" if version else "unknown", between=between)
    return Told(session=name, firmware=firmware, n=100, size=100.0 * size, faithful_s=90.0, asked_s=100.0)


def test_it_matters_where_the_direction_turns():
    """4 before, 4.5 after; an unknown session of 6 makes it better if it was before, worse if after."""
    (row,) = unknown_both_ways(
        "band", "heart_rate", "bpm", [told("A", "1", 4), told("B", "", 6, between=("1", "2")), told("C", "2", 4.5)]
    )
    assert row["mae_change_left_out"] == pytest.approx(0.5)
    assert row["mae_change_as_before"] == pytest.approx(-0.5)
    assert row["mae_change_as_after"] == pytest.approx(1.25)
    assert row["matters"] is True
    assert row["said"].endswith("the direction depends on it")


def test_nothing_unknown_says_nothing():
    (row,) = unknown_both_ways("band", "heart_rate", "bpm", [told("A", "1", 4), told("C", "2", 3)])
    assert (row["matters"], row["said"]) == (None, "")
    assert unknown_both_ways("band", "heart_rate", "bpm", [told("A", "1", 4), told("B", "1", 5)]) == []


def test_order_of_what_is_believed(tmp_path):
    made = load_study(days(tmp_path / "a", n=2, seen=((0, "1.0"),)))
    session, at_ms = made.sessions[1], made.sessions[1].start_ms
    assert firmware_of(made, session, "band", {}, at_ms=at_ms) == Firmware(version="1.0", how="versions.csv")
    in_file = firmware_of(made, session, "band", {"software_version": "2.30"}, at_ms=at_ms)
    assert in_file == Firmware(version="2.30", how="file", file="2.30")
    spelt = firmware_of(made, session, "band", {"software_version": "1.00"}, at_ms=at_ms)
    assert spelt.version == "1.0"  # as versions.csv spells it
    (tmp_path / "a" / "sessions.csv").write_text("session,firmware.band\nS1,3.1\n", encoding="utf-8")
    made = load_study(tmp_path / "a")
    session = next(s for s in made.sessions if s.name == "S1")
    both = firmware_of(made, session, "band", {"software_version": "2.30"}, at_ms=at_ms)
    assert both == Firmware(version="3.1", how="sessions.csv", file="2.30")


def test_before_the_first_sighting_nothing_is_known(tmp_path):
    made = load_study(days(tmp_path, n=2, seen=((1, "1.1"),)))
    session = made.sessions[0]
    found = firmware_of(made, session, "band", {}, at_ms=session.start_ms)
    assert found == Firmware(version="", how="unknown", between=("1.1",))


def test_spellings_of_one_version():
    assert same_version("2.1", "v2.10")
    assert same_version("4.2.1", "4.2.1")
    assert not same_version("2.1", "2.11")
    assert not same_version("4.2.1", "4.2.10")
    assert np.unique([same_version("1", str(x)) for x in ("1.0", "1.00")]).tolist() == [True]
