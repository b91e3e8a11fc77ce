"""How evidence grew, and before and after: tables from rows of the results, drawings that say what they show."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from invented_results import invented
from wearbench.figures.beforeafter import before_after_table, draw_before_after
from wearbench.figures.evidence import draw_evidence, evidence_table
from wearbench.findings import Subject, subjects

SVG = "{http://www.w3.org/2000/svg}"
WORDS: dict[str, Any] = {"title": "A & B", "scope": "one person, one unit, left wrist", "uid": "x"}


def _evidence(state: str, hits: list[bool]) -> list[dict[str, Any]]:
    rows, k = [], 0
    for number, hit in enumerate(hits, 1):
        k += hit
        rows.append(
            {
                "state": state,
                "number": number,
                "session": f"S{number:02d}",
                "affected": hit,
                "n_affected": k,
                "share": k / number,
                "low": 0.2 * k / number,
                "high": 1 - 0.2 * (1 - k / number),
                "low_always": 0.1 * k / number,
                "high_always": 1 - 0.1 * (1 - k / number),
                "rests_on": "always valid",
            }
        )
    return rows


@pytest.fixture(scope="module")
def subject() -> Subject:
    results = invented()
    first = subjects(results.document, results.pairs)[0]
    sessions = first.sessions
    turn = {
        "primary": True,
        "before": "2.0",
        "after": "2.1",
        "sessions_before": sessions[:4],
        "sessions_after": sessions[4:],
        "value_before": 0.31,
        "value_after": 0.12,
    }
    rows = _evidence("frozen", [False] * 7 + [True]) + _evidence("halved", [True, False, True, True] * 2)
    return replace(first, evidence=rows, before_after=[turn])


def _described(svg: str) -> str:
    root = ET.fromstring(svg)
    assert root.find(f"{SVG}title").text == "A & B"  # type: ignore[union-attr]
    return str(root.find(f"{SVG}desc").text)  # type: ignore[union-attr]


def test_evidence_is_of_the_failure_with_most_sessions(subject: Subject) -> None:
    table = evidence_table(subject)
    assert set(table["state"]) == {"halved"}
    assert table["n_affected"].to_list() == [1, 1, 2, 3, 4, 4, 5, 6]
    assert not evidence_table(replace(subject, evidence=[])).height
    assert not evidence_table(replace(subject, evidence=_evidence("halved", [False] * 5))).height
    assert not evidence_table(replace(subject, evidence=_evidence("halved", [True]))).height


@pytest.mark.parametrize("width", [344.0, 624.0, 920.0])
def test_evidence_says_what_it_shows(subject: Subject, width: float) -> None:
    said = _described(draw_evidence(evidence_table(subject), width=width, **WORDS))
    assert said == (
        "“about half” in 6 of 8 sessions: 75 %; bounds at any time 8 % to 98 %, for so many sessions fixed beforehand "
        "15 % to 95 %."
    )


@pytest.mark.parametrize("state", ["missing", "astray", "doubled", "cadence_locked", "frozen", "off_ratio"])
def test_each_failure_has_its_mark(subject: Subject, state: str) -> None:
    drawn = draw_evidence(evidence_table(replace(subject, evidence=_evidence(state, [True, False]))), **WORDS)
    assert ("o-missing" if state == "missing" else f"k-{state}") in drawn


def test_before_and_after_holds_each_session_in_order_of_time(subject: Subject) -> None:
    table = before_after_table(subject)
    assert table["number"].to_list() == list(range(1, 9))
    assert table["session"].to_list() == subject.sessions
    assert table["side"].to_list() == ["before"] * 4 + ["after"] * 4
    shares = subject.by_session()
    assert table["wrong"].to_list() == pytest.approx([1 - shares[s] for s in subject.sessions])
    assert not before_after_table(replace(subject, before_after=[])).height


@pytest.mark.parametrize("width", [344.0, 624.0])
def test_before_and_after_says_what_it_shows(subject: Subject, width: float) -> None:
    said = _described(draw_before_after(before_after_table(subject), width=width, **WORDS))
    assert said == "2.0: 4 sessions, wrong or silent 31 % of it; 2.1: 4 sessions, wrong or silent 12 % of it."
