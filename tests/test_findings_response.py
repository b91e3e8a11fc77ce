"""Sentences about how late a device answers and what its wearer would have believed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from invented_results import invented
from wearbench.findings import Subject, subjects
from wearbench.findings.believed import say_believed
from wearbench.findings.response import say_response

WHY = "clock and delay cannot be told apart: when the readings came is not known"


@pytest.fixture(scope="module")
def subject() -> Subject:
    results = invented()
    return subjects(results.document, results.pairs)[0]


def row(statistic, value, low=None, high=None, *, group="all", n=12, why=None):
    by = "all" if group == "all" else "direction"
    more = {"n_steps": n, "n_sessions": 3, "n_found": 15, "method": "median", "why": why}
    return {"by": by, "group": group, "statistic": statistic, "value": value, "low": low, "high": high, **more}


def test_time_to_two_thirds_with_both_directions(subject):
    rows = [
        row("t63_s", 14.2, 10.1, 18.9),
        row("t90_s", 25.4, 20.0, 33.0),
        row("t63_s", 12.0, 9.0, 15.0, group="up"),
        row("t63_s", 17.6, 13.0, 22.0, group="down"),
    ]
    [(kind, claim, evidence)] = say_response(replace(subject, responses=rows))
    assert kind == "response"
    assert claim == (
        f"After a jump of the {subject.what} it took 14 s (10 to 19) to cover two thirds of the way (median of 12 "
        "jumps in 3 sessions), and 25 s (20 to 33) to cover nine tenths. To two thirds: rising 12 s (9 to 15), falling "
        "18 s (13 to 22). Only jumps that it followed are counted."
    )
    assert [r["keys"]["statistic"] for r in evidence["made_from"]] == ["t63_s", "t90_s", "t63_s", "t63_s"]


def test_without_a_clock_of_its_own_only_slowness_is_told(subject):
    rows = [row("t63_s", None, n=0, why=WHY), row("t63_to_t90_s", 3.3, 2.9, 3.4)]
    [(_, claim, _)] = say_response(replace(subject, responses=rows))
    assert claim == (
        f"How late it answered a jump of the {subject.what} cannot be told, because its clock and its delay cannot be "
        "told apart. From two thirds of the way to nine tenths it took 3.3 s (2.9 to 3.4), whatever its clock (median "
        "of 12 jumps in 3 sessions)."
    )


def test_peaks_only_where_the_interval_says_so(subject):
    low = row("shortfall_bpm", 3.0, -0.5, 6.0, group="peak")
    assert list(say_response(replace(subject, responses=[low]))) == []
    [(kind, claim, _)] = say_response(replace(subject, responses=[{**low, "low": 1.2}]))
    assert kind == "response_peaks"
    assert claim == (
        f"Where the {subject.what} turned at once, its highest value stayed 3 {subject.unit} (1 to 6) below the true "
        "top (median of 12 peaks)."
    )


def test_few_jumps_say_nothing(subject):
    assert list(say_response(replace(subject, responses=[row("t63_s", 14.0, 10.0, 19.0, n=2)]))) == []


TOLD = {
    "session": "S09",
    "mean_difference": -43.0,
    "shown_mean": 98.0,
    "true_mean": 141.0,
    "shown_maximum": 150.0,
    "true_maximum": 178.0,
    "shown_study_high_s": 180.0,
    "true_study_high_s": 1860.0,
    "study_third_to": 146.4,
}


def test_one_session_as_it_would_have_been_shown(subject):
    [(kind, claim, evidence)] = say_believed(replace(subject, believed=[TOLD], believed_summary=[]))
    assert kind == "believed"
    assert claim == (
        f"On S09 it would have shown a mean of 98 instead of 141 {subject.unit} and 3 min instead of 31 min in the top "
        f"third (over 146 {subject.unit}); its maximum was 150, the true one 178."
    )
    assert evidence["made_from"][0]["keys"]["session"] == "S09"


def test_worst_of_several_with_medians(subject):
    good = {**TOLD, "session": "S01", "mean_difference": -1.0, "shown_mean": 140.0}
    summary = [
        {
            "statistic": "mean_difference",
            "value": -22.0,
            "low": -40.0,
            "high": 0.04,
            "lowest": -43.0,
            "highest": -1.0,
        }
    ]
    told = replace(subject, believed=[good, TOLD], believed_summary=summary)
    [(_, claim, _)] = say_believed(told)
    assert claim.endswith(
        "That is the session it told worst of 2 sessions. Shown less true mean: median −22.0 "
        f"{subject.unit} (95 % interval −40.0 to 0.0), from −43.0 to −1.0 by session."
    )


def test_nothing_believed_says_nothing(subject):
    assert list(say_believed(replace(subject, believed=[]))) == []
