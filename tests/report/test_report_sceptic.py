"""The part of the page for who doubts: what stands on it, and that it fits in a real browser."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from invented_results import invented
from wearbench.figures import choices_table, draw_choices
from wearbench.figures.choices import main_claim
from wearbench.findings import subjects
from wearbench.report import write_report
from wearbench.report.view import page_of
from wearbench.study.results import Results

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
OUTSIDE = """() => {
  const found = [];
  for (const svg of document.querySelectorAll('#sceptic svg.fig')) {
    const s = svg.getBoundingClientRect();
    if (!s.width) continue;
    for (const t of svg.querySelectorAll('text')) {
      const b = t.getBoundingClientRect();
      if (b.left < s.left - 1 || b.right > s.right + 1 || b.bottom > s.bottom + 1) found.push(t.textContent);
    }
  }
  return found;
}"""
MINE = {"device": "band-a", "quantity": "heart_rate"}
OTHERS = (
    ("clock_early", "clock at the early end of its interval", 9, True),
    ("unmended", "mended beats not used", 9, True),
    ("frozen_later", "frozen from 8 bpm of movement", 9, True),
    ("newest_firmware", "only the newest firmware", 0, False),
    ("worst_left_out", "without the worst session (S03)", 8, True),
)


def rows(claim: str) -> list[dict[str, Any]]:
    told = (("as_analysed", "as analysed", 9, True), *OTHERS)
    counted = claim == "halved"
    return [
        {
            **MINE,
            "claim": claim,
            "analysis": name,
            "words": words,
            "reason": None if name == "as_analysed" else "it is a choice",
            "value": k / 12 if counted else k + 0.4,
            "low": max(0.0, k / 12 - 0.3) if counted else float(k),
            "high": min(1.0, k / 12 + 0.2) if counted else k + 2.0,
            "method": "exact",
            "n": 12,
            "why": None,
            "unit": "share of sessions" if counted else "bpm",
            "n_affected": k if counted else None,
            "n_sessions": 12,
            "least_seconds": 60.0 if counted else None,
            "holds": holds,
        }
        for name, words, k, holds in told
    ]


def benefit(what: str, unit: str, k: int | None) -> dict[str, Any]:
    value = {"value": 0.75 if k else 9.4, "low": 0.43, "high": 0.95, "method": "exact", "n": 12, "why": None}
    return {
        **MINE,
        "what": what,
        "unit": unit,
        "analysed": value,
        "flattered": value,
        "n_affected": k,
        "n_affected_flattered": None if k is None else k - 1,
        "n_sessions": 12,
        "least_seconds": 60.0 if k else None,
        "n_fixed": 0,
        "sessions": [{"session": "S01", "clock_moved_s": 0.3, "averaging_s": 8.0, "analysed": 90.0, "flattered": 0.0}],
    }


OBJECTIONS = [
    {
        **MINE,
        "objection": "clocks",
        "question": "The clocks were off.",
        "answered": True,
        "answer": "With every clock at the early end: “about half” in 9 of 12 sessions (as analysed 9 of 12).",
        "would_answer": None,
        "evidence": {},
    },
    {
        **MINE,
        "objection": "loose",
        "question": "It was worn too loose.",
        "answered": False,
        "answer": "This study cannot answer that: how tightly it was worn was not written down.",
        "would_answer": "Wear it loose and tight in turn.",
        "evidence": {},
    },
]


@pytest.fixture(scope="module")
def results() -> Results:
    made = invented(sessions=4, minutes=8, devices=("band-a",))
    more = {
        "choices": [*rows("halved"), *rows("mae")],
        "benefit": [benefit("halved", "share of sessions", 9), benefit("mae", "bpm", None)],
        "objections": OBJECTIONS,
    }
    return replace(made, document={**made.document, **more})


def test_page_says_what_holds_and_what_cannot_be_answered(results: Results) -> None:
    view = page_of(results, title="Winter camp").devices[0].sceptic
    assert view is not None
    assert view.lead == (
        "Of 2 things a sceptic may say, this study can answer 1 with numbers. Its 2 claims were checked under other "
        "reasonable choices, one at a time: 8 of 10 checks hold."
    )
    assert [(o.question, o.answered) for o in view.objections] == [
        ("The clocks were off.", True),
        ("It was worn too loose.", False),
    ]
    assert view.benefit is not None
    assert [[cell.text for cell in row] for row in view.benefit.rows] == [
        ["“about half”, sessions", "9 of 12", "8 of 12"],
        ["How far off it was", "9.4 bpm", "9.4 bpm"],
    ]
    assert view.choices is not None
    assert [[cell.text for cell in row] for row in view.choices.rows] == [
        ["“about half”", "9 of 12 sessions", "4 of 5", "only the newest firmware (0 of 12 sessions)"],
        ["How far off it was", "9.4 bpm", "4 of 5", "only the newest firmware (0.40 bpm)"],
    ]
    assert view.silence is not None
    assert view.silence.rows[0][0].text == "Worn together"


def test_page_of_a_study_without_other_choices_has_no_such_part(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_report(invented(sessions=2, devices=("band-a",)), path, title="Plain")
    assert "What a sceptic will say" not in path.read_text(encoding="utf-8")


def test_picture_marks_what_does_not_hold_and_keeps_the_analysis_in_view(results: Results) -> None:
    subject = subjects(results.document, results.pairs)[0]
    assert main_claim(subject) == "halved"
    table = choices_table(subject, "halved")
    assert table["analysis"].to_list() == ["as_analysed", *(name for name, *_ in OTHERS)]
    assert choices_table(subject, "frozen").height == 0
    for width in (344.0, 920.0):
        svg = draw_choices(table, title="t", scope="one person", uid="u", width=width)
        assert svg.count("dot big") == 5
        assert svg.count("l8 8m0 -8") == 1
        assert "holds in 4 of 5 other analyses. Not with only the newest firmware: 0 of 12 sessions." in svg
        assert svg.count("one person") == 1


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1440, "light")])
def test_it_fits_in_a_browser(results: Results, tmp_path: Path, width: int, scheme: str) -> None:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    path = tmp_path / "report.html"
    write_report(results, path, title="Winter camp of a coastal rowing club")
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]
    arguments += ["--disable-background-networking", "--disable-component-update"]
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=CHROMIUM, args=arguments)
        page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.query_selector("#sceptic h2").inner_text() == "What a sceptic will say"
        assert page.evaluate(OUTSIDE) == []
        browser.close()
