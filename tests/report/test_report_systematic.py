"""One-off or systematic, on the page: what the tables of one device say, cell by cell."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from invented_results import invented
from wearbench.findings import Subject, subjects
from wearbench.report import render_report
from wearbench.report.systematic import systematic_view
from wearbench.study.results import Results

NO_WHY = {"method": "", "n": 8, "why": None}


def _statistic(value: float | None, low: float | None, high: float | None, why: str | None = None) -> dict[str, Any]:
    return {"value": value, "low": low, "high": high, "method": "m", "n": 8, "why": why}


RECURRENCE: dict[str, Any] = {
    "device": "band-a",
    "quantity": "heart_rate",
    "state": "halved",
    "least_seconds": 60.0,
    "sessions": [f"S0{i}" for i in range(1, 9)],
    "affected": [True] * 3 + [False] * 5,
    "n_affected": 3,
    "n_sessions": 8,
    "n_participants": 1,
    "n_participants_affected": 1,
    "share": _statistic(0.375, 0.085, 0.755),
    "share_over_people": _statistic(None, None, None, "one person: nothing about others"),
    "people_affected": _statistic(None, None, None, "one person: nothing about others"),
    "next": _statistic(3.5 / 9, 0.12, 0.71),
    "minutes_per_hour": _statistic(4.25, 1.5, 9.0),
    "trend": {"slope": _statistic(-0.6, -1.5, -0.01), "p": 0.036, "p_smallest": 0.036, "arrangements": 56, "why": None},
    "chance": {
        "observed_seconds": 480.0,
        "expected_seconds": 130.0,
        "p": 0.0005,
        "draws": 1999,
        "n_sessions": 3,
        "why": None,
    },
}
CHANGE: dict[str, Any] = {
    "device": "band-a",
    "quantity": "heart_rate",
    "what": "firmware",
    "before": "2.0",
    "after": "2.1",
    "measure": "share_of_time",
    "state": "any",
    "unit": "",
    "primary": True,
    "sessions_before": ["S01", "S02", "S03"],
    "sessions_after": ["S04", "S05", "S06", "S07"],
    "sessions_unknown": [],
    "n_participants_both": 1,
    "value_before": 0.31,
    "value_after": 0.12,
    "difference": _statistic(-0.19, -0.35, -0.03),
    "difference_over_people": _statistic(None, None, None, "x"),
    "p": 0.0286,
    "p_smallest": 0.0286,
    "p_smallest_here": 0.0286,
    "p_adjusted": 0.0286,
    "p_if_alike": 0.08,
    "likeness": 0.4,
    "as_before": None,
    "as_after": None,
    "standardised": None,
    "mix": {"distance": 0.0, "before": {}, "after": {}, "differs": False},
    "questions": 1,
    "exploratory": True,
    "why": None,
}
BESIDE: dict[str, Any] = {
    "device": "band-a",
    "other": "band-b",
    "other_label": "Band B",
    "quantity": "heart_rate",
    "sessions": ["S01", "S02"],
    "n_sessions": 2,
    "n_participants": 1,
    "common_seconds": 700.0,
    "measure": "tracking_share",
    "state": None,
    "unit": "",
    "value": 0.8,
    "value_other": 0.95,
    "difference": _statistic(-0.15, None, None, "the sessions do not vary"),
    "p": 0.5,
    "p_smallest": 0.5,
    "method": "sign flips by session, all of 4",
    "p_people": None,
    "p_people_smallest": None,
    "both": None,
    "only_device": None,
    "only_other": None,
    "neither": None,
}


@pytest.fixture(scope="module")
def subject() -> Subject:
    results = invented()
    first = next(s for s in subjects(results.document, results.pairs) if s.device == "band-a")
    return replace(first, recurrence=[RECURRENCE], before_after=[CHANGE], side_by_side=[BESIDE])


def test_cells(subject: Subject) -> None:
    view = systematic_view(subject, {})
    assert view is not None
    assert view.recurrence is not None
    assert [(c.text, c.small) for c in view.recurrence.rows[0]] == [
        ("about half", ""),
        ("3 of 8", ""),
        ("39 %", "12 % to 71 %"),
        ("4.2", "1.5 to 9.0"),
        ("p = 0.036", "leans to earlier ones; not below 0.036"),
        ("p under 0.001", "8 min; shifted 2 min 10 s"),
    ]
    assert [(c.text, c.small) for c in view.changes[0].rows[0]] == [
        ("Time wrong or silent", ""),
        ("31 %", ""),
        ("12 %", ""),
        ("−19 points", "−35 to −3.0"),
        ("p = 0.029", "neighbours alike: p = 0.08"),
    ]
    assert view.changes[0].note.startswith("With 3 and 4 sessions p cannot be below 0.029.")
    assert [(c.text, c.small) for c in view.beside[0].rows[0]] == [
        ("Time it was right", ""),
        ("80 %", ""),
        ("95 %", ""),
        ("−15 points", "the sessions do not vary"),
        ("p = 0.5", ""),
    ]


def test_nothing_to_show(subject: Subject) -> None:
    assert systematic_view(replace(subject, recurrence=[], before_after=[], side_by_side=[]), {}) is None
    brief = RECURRENCE | {"n_affected": 0}
    assert systematic_view(replace(subject, recurrence=[brief], before_after=[], side_by_side=[]), {}) is None


def test_section_stands_on_the_page_only_where_it_has_something() -> None:
    results = invented()
    assert 'id="systematic"' not in render_report(results, title="x")
    told = results.document | {"recurrence": [RECURRENCE], "before_after": [CHANGE], "side_by_side": [BESIDE]}
    page = render_report(Results(document=told, pairs=results.pairs, traces=results.traces), title="x")
    assert "One-off or systematic?" in page
    assert page.count("p cannot be below") >= 2
