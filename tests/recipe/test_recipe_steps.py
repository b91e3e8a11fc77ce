"""The steps of the recipe: what is learned over the study, borrowed, expected, counted and left out."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from worn_sessions import BAND, F64, HEAD, START, Heart, Results, Worn, put, rr_csv, run, stamp, study, table

from wearbench.analysis import combine, finish_session, fit_session, learn, read_session, run_study
from wearbench.recipe.places import places_of
from wearbench.study import Bout, Session, Study, load_study
from wearbench.study.results import plain

HEART = Heart()
KNOWN = HEAD + BAND + 'clock = "shared"\naveraging_s = 5\ndelay_s = 0\n'
HALF_A_MINUTE = slice(200, 230)


def four_sessions(*, flat: int | None = None) -> dict[str, str]:
    """Own clocks 12 s off, more or less; the wearer of session ``flat`` sat still."""
    files: dict[str, str] = {}
    for day, offset in enumerate((12.0, 11.6, 12.2, 12.4)):
        heart = Heart(phase=0.7 * day, flat=day == flat)
        files[f"raw/s{day}/patch.csv"] = rr_csv(heart, day=day)
        files[f"raw/s{day}/band.csv"] = Worn(offset_s=offset).csv(heart, day=day)
    people = "\n".join(f"s{day},p{day % 2}" for day in range(4))
    return files | {"sessions.csv": f"session,participant\n{people}\n"}


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return load_study(study(tmp_path_factory.mktemp("four") / "study", four_sessions(flat=2)))


def told(results: Results) -> dict[str, Any]:
    document = plain(results.document)
    del document["made"]
    return document


# Order


def test_results_do_not_depend_on_the_order_of_work(four: Study):
    """Each step is worked over the sessions in an order of its own; the results are the same to the last bit."""
    settings, config = four.config.settings, four.config
    straight = run_study(four)
    draw = random.Random(4)

    def shuffled(items: list[Any]) -> list[Any]:
        return draw.sample(items, len(items))

    materials = {s.name: read_session(four, s) for s in shuffled(list(four.sessions))}
    fits = {name: fit_session(materials[name], config, settings) for name in shuffled(list(materials))}
    for _ in range(3):
        parameters = learn(shuffled(list(fits.values())), config)
        assert parameters == learn(list(fits.values()), config)
    done = [
        finish_session(materials[name], fits[name], parameters, four, settings) for name in shuffled(list(materials))
    ]
    mixed = combine(done, parameters, four, settings)
    assert mixed.pairs.equals(straight.pairs)
    assert mixed.traces.equals(straight.traces)
    assert told(mixed) == told(straight)


def test_names_may_come_in_any_order(four: Study):
    """The study's own order of sessions is that of the tables, and nothing but that."""
    turned = replace(four, sessions=four.sessions[::-1])
    here, there = run_study(four), run_study(turned)
    keys = ["session", "device", "source_row"]
    assert here.pairs.sort(keys).equals(there.pairs.sort(keys))
    assert told(here)["parameters"] == told(there)["parameters"]
    for row in told(here)["agreement"]:
        (same,) = [
            r
            for r in told(there)["agreement"]
            if all(r[k] == row[k] for k in ("device", "by", "group", "readings", "clock"))
        ]
        for name, value in row["statistics"].items():
            for part in ("value", "low", "high"):
                wanted = value[part] if value[part] is None else pytest.approx(value[part], rel=1e-9, abs=1e-9)
                assert same["statistics"][name][part] == wanted, (row, name)


# What sessions say of each other's clocks


def test_a_session_that_hardly_moves_borrows_its_clock(four: Study):
    results = run_study(four)
    clocks = {row["session"]: row for row in results.document["clock"]}
    assert {name: clocks[name]["trust"] for name in ("s0", "s1", "s3")} == dict.fromkeys(("s0", "s1", "s3"), "good")
    still = clocks["s2"]
    assert still["trust"] == "weak"
    assert still["method"] == "from 3 other sessions of the device, with what this one shows"
    assert still["offset_s"] == pytest.approx(clocks["s1"]["offset_s"], abs=1.5)
    truth = clocks["s0"]["offset_s"] + 0.2  # 12.2 s beside 12.0 s
    assert still["low_s"] <= truth <= still["high_s"]
    assert still["high_s"] - still["low_s"] > clocks["s1"]["high_s"] - clocks["s1"]["low_s"]
    assert any(w["said"].startswith("s2: band: clock weak (") for w in results.document["warnings"])


def test_no_clock_is_borrowed_from_two_others_or_from_itself(four: Study):
    settings = four.config.settings
    fits = [fit_session(read_session(four, s), four.config, settings) for s in four.sessions]
    (walk,) = learn(fits, four.config).series["band", "heart_rate"].walk
    assert (walk.session, walk.n, walk.strange) == ("s2", 3, False)
    assert not learn(fits[:3], four.config).series["band", "heart_rate"].walk


# Expected and missing


def missing_s(results: Results) -> list[float]:
    return [e["seconds"] for e in results.document["episodes"] if e["state"] == "missing"]


@pytest.mark.parametrize(
    ("last_s", "times", "missing"),
    [
        (590, "", 0),  # to the end
        (500, "", 0),  # taken off by hand a minute and a half before the patch
        (300, "", 300),  # stopped five minutes before the patch
        (500, "600", 100),  # the session is known to have gone on
        (300, "300", 0),  # the session is known to have been over
    ],
)
def test_what_was_expected_after_the_last_value(last_s: float, times: str, missing: float, tmp_path: Path):
    files = {"raw/s/patch.csv": rr_csv(HEART), "raw/s/band.csv": Worn(last_s=last_s).csv(HEART)}
    if times:
        files["sessions.csv"] = f"session,start,end\ns,{stamp(8)},{stamp(float(times))}\n"
    results = run(tmp_path, files, toml=KNOWN)
    assert sum(missing_s(results)) == pytest.approx(missing, abs=6.0)
    stops = [w["said"] for w in results.document["warnings"] if "before the reference" in w["said"]]
    assert stops == (
        [
            "s: band stops 5 min before the reference; counted as missing (give the session's end in sessions.csv if it"
            " was taken off)"
        ]
        if missing == 300
        else []
    )


def test_a_pause_is_missing_and_ends_where_the_values_go_on(tmp_path: Path):
    def pause(time: F64, value: F64) -> F64:
        value[HALF_A_MINUTE] = 0
        return value

    files = {"raw/s/patch.csv": rr_csv(HEART), "raw/s/band.csv": Worn().csv(HEART, change=pause)}
    results = run(tmp_path, files, toml=KNOWN)
    (episode,) = [e for e in results.document["episodes"] if e["state"] == "missing" and e["seconds"] > 5]
    assert episode["seconds"] == pytest.approx(30, abs=1)
    assert (episode["start"] - START).total_seconds() == pytest.approx(210 - 2.5, abs=2)
    (tracking,) = [t for t in results.document["tracking"] if t["by"] == "all"]
    assert tracking["missing_seconds"] == pytest.approx(sum(missing_s(results)))
    assert tracking["missing_all_right"] > tracking["value"] > 0.9


# Where and what


def test_bouts_are_looked_up_by_the_middle_of_the_window():
    def at(seconds: float) -> Any:
        class When:
            def at_ms(self, start_ms: int) -> int:
                return start_ms + int(1000 * seconds)

        return When()

    bouts = tuple(
        Bout(session="s", name=name, start=at(a), end=at(b), activity=activity, intensity=intensity)
        for name, a, b, activity, intensity in (("b1", 0, 60, "rest", None), ("b2", 60, 120, None, "hard"))
    )
    session = Session(name="s", activity="rowing", start_ms=5_000, bouts=bouts)
    # Second 0 of the arrays is two seconds before the session's start.
    places = places_of(session, 3_000, np.array([0.0, 2.0, 61.9, 62.0, 121.9, 122.0]))
    assert places.bout.tolist() == ["", "b1", "b1", "b2", "b2", ""]
    assert places.activity.tolist() == ["rowing", "rest", "rest", "rowing", "rowing", "rowing"]
    assert places.intensity.tolist() == ["", "", "", "hard", "hard", ""]
    assert places.activities == ("rest", "rowing")


def test_bouts_reach_pairs_and_tables(tmp_path: Path):
    files = {"raw/s/patch.csv": rr_csv(HEART), "raw/s/band.csv": Worn().csv(HEART)}
    files["bouts.csv"] = "session,bout,start,end,activity,intensity\ns,b1,0,300,rest,rest\ns,b2,300,600,rowing,hard\n"
    files["sessions.csv"] = f"session,start,activity\ns,{stamp(0)},mixed\n"
    results = run(tmp_path, files, toml=KNOWN)
    middle = results.pairs["start"] + (results.pairs["end"] - results.pairs["start"]) / 2
    early = middle < START + timedelta(seconds=300)
    assert (results.pairs.filter(early)["bout"] == "b1").all()
    assert (results.pairs.filter(~early)["bout"] == "b2").all()
    assert (results.pairs.filter(~early)["intensity"] == "hard").all()
    groups = {r["group"] for r in results.document["agreement"] if r["by"] == "activity"}
    assert groups == {"rest", "rowing"}


# What is used


def test_used_never_depends_on_the_tested_value(tmp_path: Path):
    """The same stamps with other values, wild ones among them: the same pairs are used, for the same reasons."""
    draw = np.random.default_rng(6)

    def wild(time: F64, value: F64) -> F64:
        return np.round(draw.uniform(1, 254, value.size))

    def doubtful(time: F64, value: F64) -> F64:
        value[300:340] = np.round(value[300:340] / 2)
        return value

    dry = rr_csv(HEART).splitlines()
    for n in range(40, 120):  # a strap that was dry for a while: beats missed and noise
        dry[n] = dry[n].split(",")[0] + f",{draw.uniform(300, 1900):.1f}"
    patch = {"raw/s/patch.csv": "\n".join(dry) + "\n"}
    found = [
        run(tmp_path / name, patch | {"raw/s/band.csv": Worn().csv(HEART, change=change)}, toml=KNOWN).pairs
        for name, change in (("as it is", None), ("wild", wild), ("halved", doubtful))
    ]
    assert 0 < int((~found[0]["used"]).sum()) < found[0].height / 2
    for other in found[1:]:
        assert not other["tested"].equals(found[0]["tested"])
        for column in ("start", "end", "reference", "covered", "mended", "seconds", "used", "reason"):
            assert other[column].equals(found[0][column], null_equal=True), column


def test_decisions_leave_out_by_the_devices_own_stamps(tmp_path: Path):
    files = {"raw/s/patch.csv": rr_csv(HEART), "raw/s/band.csv": Worn().csv(HEART)}
    put(
        tmp_path,
        "decisions.jsonl",
        '{"id": "D1", "made": "2031-01-20T10:00:00Z", "kind": "leave_out", "session": "s", "device": "band",'
        f' "quantity": "heart_rate", "start": "{stamp(100)}", "end": "{stamp(160)}", "on": "device", "value": null,'
        ' "why": ["loosened"], "note": "strap opened", "tested_visible": false, "revokes": null}\n',
    )
    results = run(tmp_path, files, toml=KNOWN)
    out = results.pairs.filter(reason="left_out")
    assert out.height == 61
    assert (out["time"].min(), out["time"].max()) == (START + timedelta(seconds=100), START + timedelta(seconds=160))
    flow = {row["step"]: row["seconds"] for row in results.document["flow"]}
    assert flow["left_out_by_hand"] == pytest.approx(61)
    assert results.document["decisions_used"] == [{"id": "D1", "kind": "leave_out"}]


# Without a reference


def test_a_session_without_a_reference_counts_for_availability(tmp_path: Path):
    def gone(time: F64, value: F64) -> F64:
        value[100:200] = 0
        return value

    files = {f"raw/s{n}/band.csv": Worn().csv(HEART, day=n, change=gone if n else None) for n in (0, 1)}
    files |= {"raw/s0/patch.csv": rr_csv(HEART), "raw/s2/band.csv": table("heart_rate", np.arange(9.0), np.zeros(9))}
    files["sessions.csv"] = f"session,start,end\ns1,{stamp(0, day=1)},{stamp(600, day=1)}\n"
    results = run(tmp_path, files, toml=KNOWN)
    said = [w["said"] for w in results.document["warnings"] if w["slug"] == "session-no-reference"]
    assert said == [
        "s1: no usable reference of heart rate; band gave it for 80 % of 10 min, which counts for availability, not"
        " for accuracy",
        "s2: band gave no heart rate",
    ]
    shares = {s["session"]: s["availability"][0] for s in results.document["sessions"]}
    assert shares["s0"]["paired"] and shares["s0"]["share"] > 0.99
    assert shares["s1"]["given_seconds"] == pytest.approx(480, abs=3)
    assert (shares["s1"]["expected_seconds"], shares["s1"]["paired"]) == (600.0, False)
    assert shares["s2"]["given_seconds"] == 0
    (row,) = [
        r for r in results.document["agreement"] if (r["by"], r["readings"], r["clock"]) == ("all", "all", "fitted")
    ]
    assert row["n_sessions"] == 1
    assert set(results.pairs["session"]) == {"s0"}


def test_learning_is_not_moved_by_a_session_without_a_reference(tmp_path: Path):
    files = {"raw/s0/patch.csv": rr_csv(HEART), "raw/s0/band.csv": Worn().csv(HEART)}
    alone = run(tmp_path / "one", files)
    both = run(tmp_path / "two", files | {"raw/s1/band.csv": Worn().csv(HEART, day=1)})
    assert told(both)["parameters"] == told(alone)["parameters"]
    assert both.pairs.equals(alone.pairs)
    assert isinstance(both.pairs, pl.DataFrame)
