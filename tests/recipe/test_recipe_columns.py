"""The three columns of the results: spans by hand, and a small invented study worked out on paper."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from wearbench.analysis import run_study
from wearbench.recipe.columns import outside, rule_spans
from wearbench.study import (
    COLUMNS,
    Bout,
    Decision,
    Results,
    Rules,
    Session,
    When,
    append_decisions,
    load_study,
    record_declaration,
)
from wearbench.study.declaration import as_declaration

START = datetime(2031, 1, 12, 9, tzinfo=UTC)
STUDY = """\
schema = 1
title = "Invented"
timezone = "UTC"

[devices.patch]
role = "reference"

[devices.band]
role = "tested"
clock = "shared"
stamps = "exact"
averaging_s = 1
delay_s = 0
"""


def series(folder: Path, session: str, device: str, values: dict[int, float]) -> None:
    path = folder / "raw" / session / f"{device}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = [f"{(START + timedelta(seconds=second)).isoformat()},{value:g}" for second, value in values.items()]
    path.write_text("time,heart_rate\n" + "\n".join(rows) + "\n", encoding="utf-8")


def make(folder: Path) -> Path:
    """Two sessions of ten minutes at 100 bpm.

    The band reads 4 too many in the first minute, 2 too many in the sixth, is silent from 450 to 480 s, else right.
    """
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    for session in ("s01", "s02"):
        series(folder, session, "patch", dict.fromkeys(range(601), 100.0))
        band = {t: 104.0 if t < 60 else 102.0 if 300 <= t < 360 else 100.0 for t in range(601) if not 450 <= t < 480}
        series(folder, session, "band", band)
    (folder / "sessions.csv").write_text("session,participant,strap\ns01,p1,\ns02,p2,loose\n", encoding="utf-8")
    return folder


def declare(folder: Path, **rules: object) -> None:
    table = {
        "schema": 1,
        "question": "How far off is it?",
        "primary": {"statistic": "mae"},
        "sessions": {"planned": 2, "stopping": "after two"},
        "rules": rules,
    }
    record_declaration(folder, as_declaration(table, load_study(folder).config))


def leave_out(folder: Path, first: int, last: int) -> None:
    spans = [
        Decision(
            made=START,
            kind="leave_out",
            session=session,
            device="band",
            start=START + timedelta(seconds=first),
            end=START + timedelta(seconds=last),
        )
        for session in ("s01", "s02")
    ]
    append_decisions(folder, spans)


def mae(results: Results) -> dict[str, float]:
    return {
        row["group"]: row["statistics"]["mae"]["value"]
        for row in results.document["agreement"]
        if row["by"] == "column" and row["readings"] == "all"
    }


def missing(results: Results) -> dict[str, float]:
    return {r["group"]: r["missing_seconds"] for r in results.document["tracking"] if r["by"] == "column"}


def headline(results: Results) -> float:
    rows = results.document["agreement"]
    row = next(r for r in rows if (r["by"], r["readings"], r["clock"]) in (("all", "all", "fitted"),))
    value: float = row["statistics"]["mae"]["value"]
    return value


def test_without_rules_and_decisions_there_is_one_column(tmp_path: Path):
    results = run_study(load_study(make(tmp_path / "s")))
    assert {r["by"] for r in results.document["agreement"]} & {"column"} == set()
    assert results.document["declared"] == {"look": 1, "decision": None}
    assert results.document["deviations"] == []


def test_three_columns_of_a_study_worked_out_by_hand(tmp_path: Path):
    folder = make(tmp_path / "s")
    declare(folder, first_s=60.0)
    leave_out(folder, 300, 359)
    results = run_study(load_study(folder))
    found = mae(results)
    assert list(found) == list(COLUMNS)
    # Seconds, of about 570 with a value: 60 with 4 and 60 with 2; then 60 with 2; then none.
    assert found["everything"] == pytest.approx((60 * 4 + 60 * 2) / 570, abs=0.01)
    assert found["declared rules"] == pytest.approx(60 * 2 / 510, abs=0.01)
    assert found["plus decisions"] == pytest.approx(0.0, abs=1e-9)
    assert headline(results) == found["plus decisions"]
    # The silence of 30 s is in all of them: no rule and no decision covers it.
    assert set(missing(results)) == set(COLUMNS)
    assert len(set(missing(results).values())) == 1


def test_columns_agree_with_the_reasons_in_pairs(tmp_path: Path):
    folder = make(tmp_path / "s")
    declare(folder, last_s=90.0, leave_out_sessions={"strap": ["loose"]})
    leave_out(folder, 10, 40)
    results = run_study(load_study(folder))
    pairs = results.pairs.with_columns(error=(pl.col("tested") - pl.col("reference")).abs())
    taken: list[str] = []
    for column, reason in zip(reversed(COLUMNS), ("", "left_out", "rule"), strict=True):
        taken.append(reason)
        chosen = pairs.filter(pl.col("reason").fill_null("").is_in(taken))
        assert mae(results)[column] == pytest.approx(chosen["error"].mean(), rel=1e-12)
    assert set(pairs.filter(pl.col("session") == "s02", pl.col("reference").is_not_null())["reason"]) >= {"rule"}
    assert pairs.filter(pl.col("used"))["session"].unique().to_list() == ["s01"]


def test_what_is_left_out_takes_its_silence_with_it(tmp_path: Path):
    folder = make(tmp_path / "s")
    declare(folder, leave_out_sessions={"session": ["s02"]})
    leave_out(folder, 440, 490)
    seconds = missing(run_study(load_study(folder)))
    assert seconds["everything"] == pytest.approx(2 * seconds["declared rules"])
    assert seconds["declared rules"] == pytest.approx(30, abs=1.5)
    assert seconds["plus decisions"] == 0.0


def test_a_decision_taken_back_counts_no_more(tmp_path: Path):
    folder = make(tmp_path / "s")
    leave_out(folder, 300, 359)
    append_decisions(folder, [Decision(made=START, kind="revoke", revokes=f"D{k}") for k in (1, 2)])
    results = run_study(load_study(folder))
    assert mae(results) == {}


def test_study_says_what_was_declared_and_where_it_departs(tmp_path: Path):
    folder = make(tmp_path / "s")
    append_decisions(folder, [Decision(made=START, kind="look")])
    declare(folder, min_covered=0.9)
    results = run_study(load_study(folder))
    declared = results.document["declared"]
    assert (declared["look"], declared["decision"], declared["looks_before"]) == (2, "D2", 1)
    assert declared["sessions_compared"] == 2
    assert [row["what"] for row in results.document["deviations"]] == ["looked_before"]
    json.dumps(declared["rules"])


BOUTS = tuple(
    Bout(
        session="s01",
        name=name,
        start=When(utc_ms=None, offset_s=start),
        end=When(utc_ms=None, offset_s=end),
        activity=activity,
        intensity=intensity,
        clock=None,
    )
    for name, start, end, activity, intensity in (
        ("B1", 0.0, 100.0, "rest", "easy"),
        ("B2", 100.0, 200.0, "rowing", "hard"),
        ("B3", 300.0, 400.0, None, "hard"),
    )
)
SESSION = Session(name="s01", activity="walk", bouts=BOUTS, columns={"strap": "dry"})


@pytest.mark.parametrize(
    ("rules", "spans"),
    [
        (Rules(), []),
        (Rules(first_s=60, last_s=30), [[-math.inf, 65], [370, math.inf]]),
        (Rules(leave_out_activities=("rest",)), [[0, 100]]),
        (Rules(leave_out_activities=("walk",)), [[-math.inf, 0], [200, 300], [300, 400], [400, math.inf]]),
        (Rules(leave_out_intensities=("hard",)), [[100, 200], [300, 400]]),
        (Rules(leave_out_sessions={"strap": ("dry", "loose")}, first_s=5), [[-math.inf, math.inf]]),
        (Rules(leave_out_sessions={"strap": ("loose",), "no_such": ("x",)}), []),
    ],
)
def test_rule_spans(rules: Rules, spans: list[list[float]]):
    found = rule_spans(rules, SESSION, origin_ms=1_000_000, expected=(5.0, 400.0))
    assert found.tolist() == spans


def test_outside_keeps_what_spans_do_not_cover():
    stretches = np.array([[0.0, 10.0], [20.0, 30.0]])
    assert outside(stretches, np.array([[5.0, 25.0]])).tolist() == [[0, 5], [25, 30]]
    assert outside(stretches, np.array([[2.0, 3.0], [4.0, 5.0]])).tolist() == [[0, 2], [3, 4], [5, 10], [20, 30]]
    assert outside(stretches, np.zeros((0, 2))).tolist() == stretches.tolist()
    assert outside(stretches, np.array([[-math.inf, math.inf]])).shape == (0, 2)
