"""The section about when it happens in a real browser: every state, long names, open ends, nothing on other text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from test_report_browser import CLIPPED, OVERLAPS, SMALLEST, browser  # noqa: F401 - the fixture is used by name

from tests.invented_results import invented
from wearbench.report import write_report
from wearbench.study.results import Results
from wearbench.wording import FAILURES

NAMES = (
    ("activity", "rowing machine"),
    ("activity_and_reference_band", "a very long name of what was done on the third of January, above 150 bpm"),
    ("sessions.temperature", "above 12.5"),
    ("cadence_near", "reference within 10 of the cadence, half or twice of it"),
    ("first_minutes", "first 3 minutes"),
)
SPANS = ((24.8, 5.2, 118.0), (0.02, None, 0.4), (900.0, 40.0, None), (3.0, 1.2, 1e6), (1e-4, 1e-9, 0.5))


def row(state: str, number: int) -> dict[str, Any]:
    (question, group), (value, low, high) = NAMES[number], SPANS[number]
    ratio = {"value": value, "low": low, "high": high, "method": "Mantel-Haenszel over sessions", "n": 6, "why": None}
    counts = {"affected_in": 12, "sessions_in": 120, "affected_out": 100, "sessions_out": 120, "least_seconds": 60.0}
    return {
        **{"device": "band-a", "quantity": "heart_rate", "state": state, "question": question, "group": group},
        **{"against": "the rest", "level": "within sessions", "odds_ratio": ratio, "exploratory": number != 2},
        **{"seconds_in": 900.0, "seconds_out": 60.0, "share_in": 0.2, "share_out": 0.004, **counts},
        **{"p": 0.0004, "p_least": 0.0001, "p_method": "9999 arrangements, drawn", "counted": 110, "why": None},
        "p_adjusted": 0.044 if number % 2 else 0.3,
    }


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    results = invented(sessions=5)
    rows = [row(state, k) for state in (*FAILURES, "missing") for k in range(len(NAMES))]
    write_report(
        Results(document={**results.document, "why": rows}, pairs=results.pairs, traces=results.traces),
        path,
        title="Winter camp of a coastal rowing club",
    )
    return path


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (390, "dark"), (1440, "light"), (1440, "dark")])
def test_odds_fit_and_cover_nothing(browser: Any, report: Path, width: int, scheme: str) -> None:  # noqa: F811
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page.goto(report.as_uri())
    assert page.locator("#why h2").inner_text() == "When does it happen?"
    assert page.locator("#why svg.fig").count() == 2  # for wide and for narrow screens
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(SMALLEST) >= 10.99
    assert page.evaluate(OVERLAPS) == []
    assert page.evaluate(CLIPPED) == []
    page.evaluate("document.querySelectorAll('#why details').forEach(d => { d.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()
