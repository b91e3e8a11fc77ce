"""A study whose conditions are set by hand: what was done is in bouts.csv, and the band halves while rowing."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hand_study import SECONDS, START, Session, Told, times, true, write

from wearbench.analysis import run_study
from wearbench.findings import find
from wearbench.study import Results, load_study
from wearbench.study.results import plain

ROWED = (200, 400)
HALVED = {0: (220, 350), 1: (230, 330), 2: (205, 395), 3: (240, 300), 4: (210, 390), 5: (300, 310)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six sessions of ten minutes: rest at 110, rowing at 160 bpm from 200 to 400 s; drag of the flywheel in bouts.csv.

    Halved within the rowing for 130, 100, 190, 60, 180 and 10 s, and once at rest, in the first session, for 30 s.
    """
    folder = tmp_path_factory.mktemp("why") / "study"
    corners = [(0, 110), (200, 110), (201, 160), (400, 160), (401, 110), (SECONDS, 110)]
    sessions = []
    for span in HALVED.values():
        spans = [span, (450, 480)] if span == HALVED[0] else [span]
        sessions.append(Session(devices={"band": times(0.5, *spans)}, rate=corners, activity="rest"))
    sessions.append(Session(devices={"band": true()}, activity="rest"))
    write(folder, sessions)
    rows = ["session,bout,start,end,activity,drag"]
    for k in HALVED:
        begun = START + timedelta(days=k + 1)
        a, b = ((begun + timedelta(seconds=s)).isoformat() for s in ROWED)
        rows.append(f"S{k + 1:02d},piece,{a},{b},rowing,{(100, 110, 120, 130, 140, 150)[k]}")
    (folder / "bouts.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def run_again(folder: Path) -> Told:
    results = run_study(load_study(folder), workers=1)
    results = Results(document=plain(results.document), pairs=results.pairs, traces=results.traces)
    return Told(results, find(results.document, results.pairs))


@pytest.fixture(scope="module")
def told(folder: Path) -> Told:
    return run_again(folder)


def test_seconds_and_sessions_are_those_set_by_hand(told: Told) -> None:
    (row,) = [
        r
        for r in told.results.document["why"]
        if (r["state"], r["question"], r["group"]) == ("halved", "activity", "rest")
    ]
    # Two activities are one question: rest against rowing. Rowing 6 x 200 s, rest 6 x 400 + 600 s, a window's edge
    # either way; halved 130 + 100 + 190 + 60 + 180 + 10 s while rowing and 30 s at rest.
    assert (row["against"], row["level"]) == ("rowing", "within sessions")
    assert row["seconds_out"] == pytest.approx(670, abs=20)
    assert row["seconds_in"] == pytest.approx(30, abs=5)
    assert row["share_out"] == pytest.approx(670 / 1200, abs=0.02)
    # A minute or more in five of six sessions with rowing (the fourth holds just a minute), in none of seven at rest.
    assert row["affected_out"] in (4, 5) and row["sessions_out"] == 6
    assert (row["affected_in"], row["sessions_in"]) == (0, 7)
    assert row["odds_ratio"]["high"] < 1
    assert row["odds_ratio"]["low"] is None  # 30 s at rest are less than one stretch of (670 + 30) / 7 s


def test_the_sentence_speaks_of_rowing(told: Told) -> None:
    claim = told.claim("why_halved")
    assert claim.startswith(("During “rowing”", "Above 150 bpm"))
    assert " it read about half the true heart rate in " in claim
    assert " of 6 sessions for 1 min or more (elsewhere in none of 7)." in claim


def test_an_own_column_of_bouts_is_asked_about_inside_bouts_only(told: Told) -> None:
    rows = [r for r in told.results.document["why"] if r["question"] == "bouts.drag" and r["state"] == "halved"]
    assert [(r["group"], r["against"]) for r in rows] == [("above 125", "up to 125")]
    # 60 + 180 + 10 s in the last three rowing pieces, 130 + 100 + 190 s in the first three; none at rest.
    assert rows[0]["seconds_in"] == pytest.approx(250, abs=12)
    assert rows[0]["seconds_out"] == pytest.approx(420, abs=12)
    assert rows[0]["level"] == "between sessions"


def test_every_question_has_its_row_also_without_an_answer(told: Told) -> None:
    rows = told.results.document["why"]
    assert len({(r["device"], r["state"], r["question"], r["group"]) for r in rows}) == len(rows)
    assert all((r["odds_ratio"]["value"] is not None) or r["why"] for r in rows)
    assert told.finding("why_asked").evidence["questions"] == len(rows)


def test_a_condition_declared_beforehand_is_no_longer_exploratory(folder: Path, told: Told, wearbench: Any) -> None:
    said = (
        "--question",
        "Does it halve while rowing?",
        "--primary",
        "mape",
        "--sessions",
        "7",
        "--stopping",
        "after 7",
    )
    done = wearbench("declare", folder, *said, "--condition", "activity", "--condition", "bouts.drag", "--json")
    assert (done.code, done.err) == (0, "")
    assert json.loads(done.out)["declaration"]["questions"] == ["activity", "bouts.drag"]
    again = run_again(folder)
    before, after = ([r for r in t.results.document["why"] if r["state"] == "halved"] for t in (told, again))
    assert [r["p"] for r in before] == [r["p"] for r in after]  # what chance gives does not depend on what was said
    named = [r for r in after if not r["exploratory"]]
    assert {r["question"] for r in named} == {"activity", "bouts.drag"}
    assert {r["counted"] for r in named} == {sum(r["p"] is not None for r in named)}
    assert "Exploratory" in again.claim("why_halved")  # the clearest description is not one of the two declared
    assert wearbench("declare", folder, "--again", *said, "--condition", "weather").err.startswith(
        'wearbench: declare: questions: expected "activity", "intensity", '
    )
