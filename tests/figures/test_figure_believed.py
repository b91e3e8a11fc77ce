"""The picture of sessions as shown and as they were, and the tables of the page beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from invented_results import invented
from wearbench.figures import believed_table, draw_believed
from wearbench.findings import Subject, subjects
from wearbench.report.believed import believed_figure, believed_sessions
from wearbench.report.reference import doubt_tables
from wearbench.report.response import response_table

SVG = "{http://www.w3.org/2000/svg}"


def session(number: int, off: float) -> dict[str, Any]:
    return {
        "session": f"S{number:02d}",
        "seconds": 1800.0,
        "shown_mean": 120.0 + off,
        "true_mean": 120.0,
        "mean_difference": off,
        "shown_maximum": 170.0 + off,
        "true_maximum": 170.0,
        "true_maximum_5_s": 172.0,
        "study_third_to": 140.0,
        "shown_study_high_s": 300.0,
        "true_study_high_s": 600.0,
    }


@pytest.fixture(scope="module")
def subject() -> Subject:
    results = invented()
    return subjects(results.document, results.pairs)[0]


def test_each_session_is_a_row_at_its_place(subject: Subject) -> None:
    told = replace(subject, believed=[session(1, 0.0), session(2, -40.0)])
    svg = draw_believed(believed_table(told), title="T", scope="one person, one unit", uid="b", unit="bpm", width=624)
    root = ET.fromstring(svg)
    words = [t.text for t in root.iter(f"{SVG}text")]
    assert {"S01", "S02"} <= set(words)
    assert "one person, one unit" in " ".join(str(w) for w in words)
    description = root.find(f"{SVG}desc")
    assert description is not None
    assert description.text == "One row for each of 2 sessions. Furthest off: S02, shown mean 80, true mean 120 bpm."
    ribbons = [float(r.get("x", "0")) for r in root.iter(f"{SVG}rect") if r.get("class") == "ribbon"]
    assert ribbons[0] == ribbons[1]  # the truth was the same


def test_with_many_sessions_the_worst_are_drawn(subject: Subject) -> None:
    told = replace(subject, believed=[session(k, -float(k)) for k in range(100)])
    table = believed_table(told)
    assert table["session"].to_list() == [f"S{k:02d}" for k in range(60, 100)]
    shown = believed_sessions(told)
    assert shown is not None
    assert (shown.rows[0][0].text, len(shown.rows)) == ("S99", 60)
    assert shown.note.endswith("The 60 worst of 100 sessions; all of them are in the results.")


def test_table_of_sessions_says_it_in_words(subject: Subject) -> None:
    shown = believed_sessions(replace(subject, believed=[session(2, -40.0)]))
    assert shown is not None
    assert [c.text for c in shown.rows[0]] == ["S02", "80", "120", "130", "170", "172", "5 min", "10 min"]
    assert shown.head[6] == f"Top third (over 140 {subject.unit})"


def test_nothing_believed_draws_nothing(subject: Subject) -> None:
    told = replace(subject, believed=[])
    assert believed_sessions(told) is None
    assert believed_figure(told, scope="s", uid="u") is None


def answer(statistic: str, value: float | None, *, group: str = "all", why: str | None = None) -> dict[str, Any]:
    by = "all" if group == "all" else "direction"
    low, high = (None, None) if value is None else (value - 1, value + 1)
    counts = {"n_steps": 0 if value is None else 9, "n_found": 12, "n_sessions": 3}
    return {
        "by": by,
        "group": group,
        "statistic": statistic,
        "value": value,
        "low": low,
        "high": high,
        "why": why,
    } | counts


def test_table_of_answers_with_and_without_a_clock(subject: Subject) -> None:
    rows = [
        answer("t63_s", 14.0),
        answer("t90_s", 27.0),
        answer("time_constant_s", 9.5),
        answer("t63_s", 12.0, group="up"),
    ]
    shown = response_table(replace(subject, responses=rows))
    assert shown is not None
    assert [c.text for c in shown.rows[0]] == ["all jumps", "–", "9.5 s", "14 s", "27 s", "–", "9 of 12"]
    assert shown.rows[1][0].text == "rising"
    hidden = [answer("t63_s", None, why="clock and delay"), answer("time_constant_s", 9.5)]
    shown = response_table(replace(subject, responses=hidden))
    assert shown is not None
    assert shown.note.endswith("Dead time and the times to 63 and 90 % are not given: clock and delay.")
    assert response_table(replace(subject, responses=[answer("t63_s", None, why="none")])) is None


def test_tables_of_doubt(subject: Subject) -> None:
    rows = [
        {"statistic": "mae", "with_doubtful": 4.0, "without_doubtful": 2.0, "seconds_doubtful": 90.0, "n_sessions": 8},
        {"statistic": "affected_doubled", "with_doubtful": 0.25, "without_doubtful": 0.0, "n_sessions": 8},
    ]
    episode = {
        "id": "S01-E3",
        "state": "doubled",
        "seconds": 85.0,
        "tested_mean": 150.4,
        "reference_mean": 75.2,
        "doubt": "one of the two is wrong, this study cannot say which: the reference was doubtful",
    }
    effect, disputed = doubt_tables(replace(subject, doubt_effect=rows, disputed=[episode]))
    assert [[c.text for c in row] for row in effect.rows] == [
        ["Mean error", f"2.0 {subject.unit}", f"4.0 {subject.unit}"],
        ["Sessions with “about double”", "0 of 8", "2 of 8"],
    ]
    assert [c.text for c in disputed.rows[0]] == [
        "S01-E3",
        "about double",
        "1 min 25 s",
        "150",
        "75",
        "the reference was doubtful",
    ]
    assert list(doubt_tables(replace(subject, doubt_effect=[], disputed=[]))) == []
