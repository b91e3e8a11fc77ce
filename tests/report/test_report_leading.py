"""The report tells which limits lead and why, what they rest on, and keeps the rest for reviewers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from invented_results import invented
from wearbench.findings import as_rows, find, subjects
from wearbench.recipe.assumptionrows import assumption_tables
from wearbench.report import render_report
from wearbench.report.leading import beside_tables, leading_table
from wearbench.settings import Settings
from wearbench.study import Results


def told(results: Results) -> Results:
    """The results with what their limits rest on, and findings."""
    led, assumptions, reviewers = assumption_tables(results.document["agreement"], results.pairs, Settings())
    document: dict[str, Any] = {
        **results.document,
        "agreement": led,
        "assumptions": assumptions,
        "reviewers": reviewers,
    }
    document["findings"] = as_rows(find(document, results.pairs))
    return replace(results, document=document)


def mixed() -> Results:
    return told(invented(sessions=12, participants=6, devices=("band-a",), minutes=3.0))


def sloping() -> Results:
    results = invented(sessions=12, participants=6, devices=("band-b",), failures=False, minutes=3.0)
    x = results.pairs["reference"].to_numpy()
    noise = np.random.default_rng(5).normal(0, 2, x.size)
    return told(replace(results, pairs=results.pairs.with_columns(tested=pl.Series(x - 0.08 * (x - 100) + noise))))


def test_two_parts_lead_on_the_page() -> None:
    results = mixed()
    page = render_report(results, title="Invented")
    assert "The limits to read first: how often it was right, and the limits while it was" in page
    first, second = page.index("While it was right ("), page.index("on average, over all readings")
    assert first < second


def test_sloping_limits_are_told_at_three_values() -> None:
    results = sloping()
    (subject,) = subjects(results.document, results.pairs)
    table = leading_table(subject)
    assert table is not None
    assert table.caption == "The limits to read first: limits that follow the size of the value"
    assert [row[0].text.startswith("At ") and row[0].text.endswith(" bpm") for row in table.rows] == [True] * 3
    assert table.note.startswith("It reads lower the higher the heart rate: ")


def test_usual_limits_need_no_table_of_their_own() -> None:
    results = invented(sessions=12, participants=6, devices=("band-b",), failures=False, minutes=3.0)
    x = results.pairs["reference"].to_numpy()
    pairs = results.pairs.with_columns(tested=pl.Series(x + np.random.default_rng(5).normal(0, 2, x.size)))
    results = told(replace(results, pairs=pairs))
    (subject,) = subjects(results.document, results.pairs)
    assert leading_table(subject) is None
    assumptions, *others = beside_tables(subject)
    assert [row[1].text for row in assumptions.rows] == ["nothing against it seen"] * 7
    assert "Limits that lead: limits of repeated pairs" in assumptions.note
    assert [t.caption for t in others] == [
        "Limits of every kind",
        "Limits of every kind, while right",
        "Error, concordance and regression",
    ]
    further = [row[0].text for row in others[2].rows]
    assert {
        "Total deviation index, 90 %",
        "Coverage probability within the tolerance",
        "Deming regression: slope",
    } <= set(further)
    assert all(row[1].text != "–" for row in others[2].rows)
    first = [row[0].text for row in others[0].rows]
    assert first.count("Sloping") == 3
    assert {"Single pairs, taken as independent", "Mixed model", "Quantiles of the differences"} <= set(first)
    leads = [row[0].text for row in others[0].rows if "leads" in row[0].small]
    assert leads == ["Repeated pairs, variances between and within units"]


def test_results_of_an_earlier_version_have_no_such_tables() -> None:
    results = invented(sessions=4)
    subject = subjects(results.document, results.pairs)[0]
    assert leading_table(subject) is None
    assert beside_tables(subject) == ()
    render_report(results, title="Invented")
