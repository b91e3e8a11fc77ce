"""What the report says of the declaration: the primary number first, three columns, every departure."""

from __future__ import annotations

import copy
import re
from typing import Any

import polars as pl

from invented_results import invented
from wearbench.report import render_report
from wearbench.report.view import page_of
from wearbench.study import COLUMNS, Results
from wearbench.study.results import plain

DECLARED = {
    "look": 3,
    "decision": "D2",
    "made": "2031-01-10T09:00:00Z",
    "hash": "01-23-45-67-89",
    "sha256": "0123456789" + "a" * 54,
    "looks_before": 0,
    "question": "Is <it> close?",
    "sessions_planned": 20,
    "sessions_compared": 7,
    "stopping": "after twenty",
    "rules": {"first_s": 60.0, "leave_out_sessions": {"strap": ["dry"]}},
    "criteria": {},
    "settings": {},
    "systematic": {"share_of_sessions": 0.5, "least_seconds": 30.0, "states": []},
}


def with_declaration(*, columns: bool, **parts: Any) -> Results:
    made = invented()
    document = plain(copy.deepcopy(made.document))
    row = next(r for r in document["agreement"] if r["by"] in (None, "all", "overall") and r["readings"] == "all")
    primary = {"statistic": "rmse", "device": row["device"], "quantity": row["quantity"]}
    row["statistics"]["rmse"] = {"value": 7.5, "low": 6.5, "high": 8.5, "method": "t", "n": 2, "why": None}
    document["declared"] = {**DECLARED, "primary": primary, **parts}
    document["deviations"] = [{"what": "sessions", "said": "7 sessions instead of the 20 planned: 13 fewer"}]
    if columns:
        for k, column in enumerate(COLUMNS):
            other = copy.deepcopy(row)
            other |= {"by": "column", "group": column}
            other["statistics"]["rmse"] |= {"value": 7.5 + k, "low": 6.5 + k, "high": 8.5 + k}
            document["agreement"].append(other)
    return Results(document=document, pairs=made.pairs, traces=made.traces)


def section(results: Results) -> str:
    html = render_report(results, title="Invented").replace("\u00a0", " ")
    found = re.search(r'<section id="declared".*?</section>', html, re.DOTALL)
    assert found is not None
    return found[0]


def test_three_columns_with_the_primary_number_first():
    text = section(with_declaration(columns=True))
    table = re.search(r"<table.*?</table>", text, re.DOTALL)
    assert table is not None
    head, *rows = re.findall(r"<tr>(.*?)</tr>", table[0], re.DOTALL)
    assert re.findall(r"<th[^>]*>([^<]+)</th>", head) == ["Everything", "Declared rules", "Plus decisions by hand"]
    assert "declared as the primary number" in rows[0]
    assert re.findall(r"<td>([^<]+)<small>([^<]+)", rows[0]) == [
        ("7.5 bpm", "6.5 to 8.5"),
        ("8.5 bpm", "7.5 to 9.5"),
        ("9.5 bpm", "8.5 to 10.5"),
    ]
    assert "nothing was left out" not in text


def test_equal_columns_are_a_line_and_no_table():
    text = section(with_declaration(columns=False))
    assert "<table" not in text
    assert "Everything, declared rules, plus decisions: the three are the same here" in text


def test_declaration_and_departures_are_said():
    text = section(with_declaration(columns=True))
    for words in (
        "Declared on 10 January 2031 as D2, before any result was seen. Results were looked at 3 times, this one "
        "included.",
        "01-23-45-67-89",
        "Is &lt;it&gt; close?",
        "sessions whose strap is dry; the first 1 min of each session",
        "7 of 20 planned",
        "7 sessions instead of the 20 planned: 13 fewer",
    ):
        assert words in text
    late = section(with_declaration(columns=True, looks_before=2))
    assert "Declared on 10 January 2031 as D2, after 2 looks at results." in late


def test_without_a_declaration_all_is_exploratory():
    results = with_declaration(columns=False)
    results.document["declared"] = {"look": 1, "decision": None}
    results.document["deviations"] = []
    text = section(results)
    assert "Nothing was declared before the results were seen, so all of this is exploratory. This is the first" in text
    assert "departs" not in text
    assert "<dl" not in text


def test_a_session_left_out_by_rule_is_not_called_one_without_reference():
    made = with_declaration(columns=True)
    name = made.pairs["session"][0]
    gone = pl.col("session") == name
    pairs = made.pairs.with_columns(
        used=pl.col("used") & ~gone,
        reason=pl.when(gone).then(pl.lit("rule")).otherwise(pl.col("reason")),
        state=pl.when(gone).then(None).otherwise(pl.col("state")),
    )
    page = page_of(Results(document=made.document, pairs=pairs, traces=made.traces), title="Invented")
    assert name not in page.silent_sessions
    doubtful = pairs.with_columns(reason=pl.col("reason").str.replace("rule", "reference_doubtful"))
    page = page_of(Results(document=made.document, pairs=doubtful, traces=made.traces), title="Invented")
    assert name in page.silent_sessions
