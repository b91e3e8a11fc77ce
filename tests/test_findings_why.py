"""Sentences about when a device fails, from rows of odds made up here; and from a study whose every value is set."""

from __future__ import annotations

from typing import Any

import pytest

from tests.invented_results import invented
from wearbench.figures.odds import draw_odds, odds_table
from wearbench.findings import Finding, Subject, find, odds_words, question_words, rows_behind, subjects
from wearbench.report.why import why_view
from wearbench.study.results import Results


def odds(value: float | None, low: float | None = None, high: float | None = None, why: str | None = None) -> Any:
    return {"value": value, "low": low, "high": high, "method": "Mantel-Haenszel over sessions", "n": 6, "why": why}


def row(question: str, group: str, ratio: Any, **more: Any) -> dict[str, Any]:
    plain = {
        "device": "band-a",
        "quantity": "heart_rate",
        "state": "halved",
        "question": question,
        "group": group,
        "against": "the rest",
        "level": "within sessions",
        "seconds_in": 1200.0,
        "seconds_out": 60.0,
        "share_in": 0.2,
        "share_out": 0.01,
        "affected_in": 9,
        "sessions_in": 12,
        "affected_out": 1,
        "sessions_out": 14,
        "least_seconds": 60.0,
        "odds_ratio": ratio,
        "p": 0.0001,
        "p_least": 0.0001,
        "p_method": "9999 arrangements, drawn",
        "p_adjusted": 0.011,
        "counted": 110,
        "exploratory": True,
        "why": ratio["why"],
    }
    return {**plain, **more}


ABOVE = row("activity_and_reference_band", "rowing machine, above 150 bpm", odds(24.8, 5.2, 118.0))
ROWING = row("activity", "rowing machine", odds(9.0, 2.0, 40.0), affected_out=4)
NOTHING = row("intensity", "hard", odds(1.4, 0.7, 2.8), p=0.4, p_adjusted=1.0)


def results_with(
    *rows: dict[str, Any], cadence: tuple[float, float, float] | None = None, sessions: int = 8
) -> Results:
    results = invented(sessions=sessions)
    evidence = []
    if cadence is not None:
        value, low, high = cadence
        told = {**odds(value, low, high), "device": "band-a", "quantity": "heart_rate", "n_sessions": 8}
        evidence = [{**told, "statistic": "given_reference", "multiple": None}]
    document = {**results.document, "why": list(rows), "cadence_evidence": evidence}
    return Results(document=document, pairs=results.pairs, traces=results.traces)


def said(*rows: dict[str, Any], **more: Any) -> dict[str, Finding]:
    results = results_with(*rows, **more)
    found = find(results.document, results.pairs)
    return {f.evidence["kind"]: f for f in found if f.device == "band-a" and f.evidence["kind"].startswith("why")}


def subject_of(*rows: dict[str, Any]) -> Subject:
    results = results_with(*rows)
    return next(s for s in subjects(results.document, results.pairs) if s.device == "band-a")


def test_the_clearest_description_with_sessions_odds_and_the_number_of_questions() -> None:
    claim = said(ROWING, ABOVE, NOTHING)["why_halved"].claim
    assert claim == (
        "During “rowing machine”, above 150 bpm, it read about half the true heart rate in 9 of 12 sessions for 1 min "
        "or more (elsewhere in 1 of 14). The odds of it were 25 times as high (95 % interval 5.2 to 118). Exploratory: "
        "found by asking 110 questions, picked as the clearest of 2 such descriptions (p = 0.011 counting them all). "
        "Expect less of new sessions."
    )


def test_what_chance_gives_easily_is_a_lead_and_no_result() -> None:
    claim = said({**ABOVE, "p_adjusted": 0.3})["why_halved"].claim
    assert claim.endswith(
        "A lead, no result: among 110 questions chance alone could give as much (p = 0.3 counting them all)."
    )


def test_what_was_asked_beforehand_says_so() -> None:
    claim = said({**ABOVE, "exploratory": False, "p_adjusted": 0.004, "counted": 2})["why_halved"].claim
    assert claim.endswith("This was asked beforehand (p = 0.004 counting the 2 questions declared).")


def test_one_affected_session_of_several_describes_nothing() -> None:
    assert set(said({**ABOVE, "affected_in": 1, "affected_out": 0})) == {"why_asked"}


def test_nothing_is_described_where_no_interval_is_clear_of_equal_odds() -> None:
    found = said(NOTHING, row("activity", "stairs", odds(7.0)))
    assert set(found) == {"why_asked"}
    assert found["why_asked"].claim == (
        "When it failed: 2 questions were asked about “about half”. 1 could be answered with an interval; none of "
        "these intervals are clear of equal odds, and none stand after counting all questions."
    )


def test_a_side_with_fewer_failures_is_told_by_the_other_side_where_that_has_a_name() -> None:
    turned = row(
        "activity",
        "walking",
        odds(0.1, 0.02, 0.5),
        against="rowing machine",
        affected_in=1,
        sessions_in=14,
        affected_out=9,
        sessions_out=12,
    )
    assert said(turned)["why_halved"].claim.startswith(
        "During “rowing machine” it read about half the true heart rate in 9 of 12 sessions for 1 min or more "
        "(elsewhere in 1 of 14). The odds of it were 10.0 times as high (95 % interval 2.0 to 50)."
    )
    assert set(said({**turned, "against": "the rest"})) == {"why_asked"}


def test_a_lock_agrees_with_the_cadence_and_no_more_is_said() -> None:
    found = said({**ABOVE, "state": "cadence_locked"}, cadence=(0.31, 0.12, 0.48))
    assert (
        " it agreed with the cadence rather than with the heart rate in 9 of 12 sessions"
        in found["why_cadence_locked"].claim
    )
    assert found["why_asked"].claim.endswith(
        " Over all readings differences went with the cadence beyond what the heart explains (correlation 0.31, 95 % "
        "interval 0.12 to 0.48)."
    )
    open_ = said({**ABOVE, "state": "cadence_locked"}, cadence=(0.05, -0.1, 0.2))["why_asked"].claim
    assert " it cannot be seen that differences went with the cadence" in open_


def test_one_session_is_told_by_time_and_claims_nothing_general() -> None:
    claim = said({**ABOVE, "why": "one session: no general claim"}, sessions=1)["why_halved"].claim
    assert claim == (
        "During “rowing machine”, above 150 bpm, it read about half the true heart rate for 20 % of the time, "
        "elsewhere for 1 %, in this one session. The odds of it were 25 times as high (95 % interval 5.2 to 118). One "
        "session: that it is so in others this cannot tell."
    )


def test_every_sentence_leads_to_its_rows() -> None:
    results = results_with(ROWING, ABOVE, NOTHING)
    for finding in find(results.document, results.pairs):
        if finding.evidence["kind"] == "why_halved":
            (cited,) = finding.evidence["made_from"]
            assert rows_behind(results.document, results.pairs, cited) == [ABOVE]
        if finding.evidence["kind"] == "why_asked":
            assert rows_behind(results.document, results.pairs, finding.evidence["made_from"][0]) == [
                ROWING,
                ABOVE,
                NOTHING,
            ]


@pytest.mark.parametrize(
    ("ratio", "words"),
    [
        (odds(0.25, 0.1, 0.6), "0.25 times as high (95 % interval 0.10 to 0.60)"),
        (odds(40.0, 3.0, None), "at least 3.0 times as high (95 % interval without an upper bound)"),
        (odds(0.02, None, 0.4), "at most 0.40 times as high (95 % interval without a lower bound)"),
        (odds(3.0), "3.0 times as high (no interval)"),
        (odds(5000.0, 0.0001, 80000.0), "over 1,000 times as high (95 % interval under 0.001 to over 1,000)"),
        (odds(None), "–"),
    ],
)
def test_odds_in_words(ratio: dict[str, Any], words: str) -> None:
    assert odds_words(ratio, confidence=0.95) == words


def test_conditions_in_words() -> None:
    assert question_words(row("sessions.wind", "above 4", odds(2.0))) == "wind: above 4"
    assert question_words(row("reference_band", "above 150 bpm", odds(2.0))) == "heart rate: above 150 bpm"
    assert question_words(row("wear_site", "left wrist", odds(2.0))) == "wear site: left wrist"


# Picture and page


def test_picture_is_drawn_from_a_table_of_what_is_clear_or_was_declared() -> None:
    declared = {**NOTHING, "exploratory": False}
    table = odds_table(subject_of(ABOVE, NOTHING, row("activity", "stairs", odds(0.1, None, 0.7))))
    assert table["condition"].to_list() == [
        "activity and heart rate: rowing machine, above 150 bpm",
        "activity: stairs",
    ]
    assert odds_table(subject_of(ABOVE, declared)).height == 2
    svg = draw_odds(table, title="Band: odds", scope="one person, left wrist", uid="x")
    assert "rowing machine, above 150 bpm: 24.8 (5.2 to 118)" in svg and "stairs: 0.1 (no bound to 0.7)" in svg
    assert "one person, left wrist" in svg and "9 of 12 | 1 of 14" in svg


def test_picture_is_left_out_where_nothing_is_clear() -> None:
    assert odds_table(subject_of(NOTHING)).height == 0
    assert odds_table(subject_of()).height == 0


def test_page_says_how_many_questions_and_what_chance_would_give() -> None:
    unanswered = row("firmware", "2.0", odds(None, why="less than 60 s on one side"), p=None, p_adjusted=None)
    view = why_view(subject_of(ABOVE, ROWING, NOTHING, unanswered), {})
    assert view is not None
    assert view.words == (
        "4 questions were asked of Band A, and 3 have an answer with an interval. If nothing at all went with its "
        "failures, about 0 of these intervals would still miss equal odds by chance; here 2 do. After counting all "
        "questions 2 stand.",
        "None of them was declared beforehand: all are exploratory, leads for the next study.",
    )
    (table,) = view.answers
    assert [cell.text for cell in table.rows[0]] == [
        "activity and heart rate: rowing machine, above 150 bpm",
        "25 times",
        "9 of 12",
        "20 %",
        "p under 0.001",
    ]
    assert view.unanswered is not None
    assert [cell.text for cell in view.unanswered.rows[0]] == ["less than 60 s on one side", "1", "firmware: 2.0"]
    assert why_view(subject_of(), {}) is None
