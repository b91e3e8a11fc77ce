"""Sentences for who doubts: what stays under every doubt, and in how many analyses each claim holds; worked by hand."""

from __future__ import annotations

from typing import Any

import pytest

from invented_results import invented
from wearbench.findings import find, shown_value
from wearbench.study.results import Results

SAME = {"device": "band-a", "quantity": "heart_rate"}


def stat(value: float | None, low: float | None = None, high: float | None = None) -> dict[str, Any]:
    return {"value": value, "low": low, "high": high, "method": "exact", "n": 12, "why": None}


def benefit(what: str, k: int | None, kept: int | None, *, n: int = 12, fixed: int = 0) -> dict[str, Any]:
    counted = k is not None and kept is not None
    return {
        **SAME,
        "what": what,
        "unit": "share of sessions" if counted else "bpm",
        "analysed": stat(k / n if counted else 9.1),  # type: ignore[operator]
        "flattered": stat(kept / n if counted else 8.4),  # type: ignore[operator]
        "n_affected": k,
        "n_affected_flattered": kept,
        "n_sessions": n,
        "least_seconds": 60.0 if counted else None,
        "n_fixed": fixed,
        "sessions": [],
    }


def choice(claim: str, analysis: str, words: str, *, value: float, holds: bool = True, k: int | None = None) -> Any:
    return {
        **SAME,
        "claim": claim,
        "analysis": analysis,
        "words": words,
        "reason": "it is a choice",
        **stat(value, value - 0.1, value + 0.1),
        "unit": "bpm" if k is None else "share of sessions",
        "n_affected": k,
        "n_sessions": 12,
        "least_seconds": None,
        "holds": holds,
    }


@pytest.fixture(scope="module")
def results() -> Results:
    return invented(sessions=4, devices=("band-a",))


def said(results: Results, kind: str, **tables: Any) -> str | None:
    found = find({**results.document, **tables}, results.pairs)
    return next((f.claim for f in found if f.evidence["kind"] == kind), None)


def test_benefit_says_what_is_left_and_what_it_was(results: Results) -> None:
    rows = [benefit("frozen", 4, 3), benefit("halved", 9, 8), benefit("doubled", 2, 2), benefit("mae", None, None)]
    assert said(results, "benefit", benefit=rows) == (
        "Even with the clock, delay and averaging that flatter it most in each session, it read about half the true "
        "heart rate for 1 min or more in 8 of 12 sessions; as analysed in 9 of 12. “stuck on one value” is left in 3 "
        "of 12 sessions instead of 4. “about double” strikes as many sessions as analysed. It was off by 8.4 bpm on "
        "average; as analysed by 9.1."
    )


def test_benefit_without_a_fault_is_about_the_error_alone(results: Results) -> None:
    assert said(results, "benefit", benefit=[benefit("mae", None, None, fixed=3)]) == (
        "Even with the clock, delay and averaging that flatter it most in each session, it was off by 8.4 bpm on "
        "average; as analysed by 9.1. In 3 of them nothing could be moved."
    )


def test_benefit_is_not_said_where_nothing_could_move(results: Results) -> None:
    assert said(results, "benefit", benefit=[benefit("mae", None, None, fixed=12)]) is None
    assert said(results, "benefit") is None


def test_choices_name_the_analyses_in_which_a_claim_does_not_hold(results: Results) -> None:
    rows = [
        choice("halved", "as_analysed", "as analysed", value=0.75, k=9),
        choice("halved", "unmended", "mended beats not used", value=0.75, k=9),
        choice("halved", "clock_early", "clock at the early end of its interval", value=0.75, k=9),
        choice("frozen", "as_analysed", "as analysed", value=0.08, k=1),
        choice("frozen", "frozen_later", "frozen from 8 bpm of movement", value=0.0, k=0, holds=False),
        choice("bias", "as_analysed", "as analysed", value=-4.2),
        choice("bias", "unmended", "mended beats not used", value=0.05, holds=False),
    ]
    assert said(results, "choices", choices=rows) == (
        "Under other reasonable choices, one at a time, “about half” (all 2) holds in every one of them. “stuck on "
        "one value” holds in 0 of 1 (fails: frozen from 8 bpm of movement, 0 of 12 sessions). Which way it leans holds "
        "in 0 of 1 (fails: mended beats not used, +0.050 bpm)."
    )


def test_both_cite_the_rows_they_were_made_from(results: Results) -> None:
    tables: dict[str, Any] = {
        "benefit": [benefit("mae", None, None)],
        "choices": [choice("mae", "unmended", "mended beats not used", value=9.0)],
    }
    found = {f.evidence["kind"]: f for f in find({**results.document, **tables}, results.pairs)}
    assert found["benefit"].evidence["made_from"] == [{"table": "benefit", "keys": {**SAME, "what": "mae"}}]
    assert found["choices"].evidence["made_from"] == [{"table": "choices", "keys": {**SAME, "claim": "mae"}}]
    assert found["choices"].evidence["claims"] == {"mae": {"held": 1, "analyses": 1, "not_in": []}}


def test_values_are_shown_as_what_they_are() -> None:
    assert shown_value(choice("halved", "", "w", value=0.75, k=9)) == "9 of 12 sessions"
    assert shown_value(choice("tracking", "", "w", value=0.834)) == "83 %"
    assert shown_value(choice("bias", "", "w", value=1.34)) == "+1.3 bpm"
    assert shown_value(choice("mae", "", "w", value=12.34)) == "12.3 bpm"
