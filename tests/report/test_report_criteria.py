"""Acceptance figures on the page."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from tests.invented_results import invented
from wearbench.report.criteria import criteria_tables
from wearbench.report.page import render_report

ROW: dict[str, Any] = {
    "criterion": "close",
    "origin": "study",
    "device": "band-a",
    "quantity": "heart_rate",
    "statistic": "mape",
    "unit": "bpm",
    "at_most": 10.0,
    "at_least": None,
    "value": 7.0,
    "low": 3.2,
    "high": 11.8,
    "outcome": "cannot be told yet",
    "kept": True,
    "n": 6,
    "clusters": "participants",
    "needed": 10,
    "why": "if value and spread stay as they are, 10 participants in all would show that it is met, 4 more than now",
    "source": "our protocol, version 1",
    "how_sure": "own",
    "note": "",
}
TRADE = ROW | {
    "criterion": "readout",
    "origin": "trade",
    "statistic": "within_greater",
    "at_most": None,
    "at_least": 1.0,
    "value": 0.85,
    "low": 0.75,
    "high": 0.93,
    "outcome": "not met",
    "why": None,
    "source": "a standard",
    "how_sure": "from memory",
    "note": "written for monitors",
}
DEVICES = [{"device": "band-a", "label": "Wrist band", "role": "tested"}]


def cells(*rows: dict[str, Any]) -> list[list[tuple[str, str]]]:
    document = {"criteria": rows, "devices": DEVICES}
    return [[(cell.text, cell.small) for cell in row] for table in criteria_tables(document) for row in table.rows]


def test_own_figures_and_the_trades_are_tables_of_their_own() -> None:
    document = {"criteria": [ROW, TRADE], "devices": DEVICES}
    own, trade = criteria_tables(document)
    assert (own.caption, trade.caption) == ("The study's own figures", "Figures of the trade, for comparison")
    assert own.head == ("Figure", "Asked", "Found", "Outcome", "Source")
    assert cells(ROW, TRADE) == [
        [
            ("close: Mean absolute error, per cent", "Wrist band, heart rate"),
            ("at most 10 %", ""),
            ("7.0 %", "3.2 to 11.8"),
            ("Cannot be told yet", ROW["why"]),
            ("our protocol, version 1", ""),
        ],
        [
            ("Within 5 bpm or 10 %, whichever is more", "Wrist band, heart rate"),
            ("at least 100 %", ""),
            ("85 %", "75 % to 93 %"),
            ("Not met", ""),
            ("a standard", "from memory, not looked up; written for monitors"),
        ],
    ]
    assert criteria_tables({}) == ()


def test_two_bounds_a_tracking_share_and_what_cannot_be_given() -> None:
    both = ROW | {"statistic": "bias", "at_most": 3.0, "at_least": -3.0, "source": ""}
    track = ROW | {"statistic": "tracking_share", "at_most": None, "at_least": 0.9, "value": 0.97}
    track |= {"low": 0.92, "high": 0.99, "outcome": "met", "why": None}
    none = ROW | {"value": None, "low": None, "high": None, "why": "no pairs", "device": None, "quantity": None}
    found = cells(both, track, none)
    assert found[0][1:2] == [("at least −3 bpm and at most 3 bpm", "")]
    assert found[0][4] == ("not said", "")
    assert found[1][:4] == [
        ("close: Tracking share", "Wrist band, heart rate"),
        ("at least 90 %", ""),
        ("97 %", "92 % to 99 %"),
        ("Met", ""),
    ]
    assert found[2][2:4] == [("–", "no interval"), ("Cannot be told yet", "no pairs")]


def test_the_page_has_the_section_only_with_criteria() -> None:
    results = invented(sessions=2, minutes=2.0)
    assert 'id="criteria"' not in render_report(results, title="Camp")
    page = render_report(replace(results, document={**results.document, "criteria": [ROW, TRADE]}), title="Camp")
    assert page.count('<section id="criteria"') == 1
    assert '<a href="#criteria">Good enough?</a>' in page
    text = re.sub(r"<[^>]+>", " ", page.split('<section id="criteria"')[1].split("</section>")[0])
    assert "Cannot be told yet" in text.split("The study")[1]
