"""What is said of recurrence, changes and two devices: nothing stronger than its interval, the smallest p first."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from invented_results import invented
from wearbench.findings import Subject, subjects
from wearbench.findings.beside import say_beside
from wearbench.findings.change import claimed, say_changes
from wearbench.findings.recurrence import say_recurrence


def statistic(
    value: float | None, low: float | None = None, high: float | None = None, why: str = "x"
) -> dict[str, Any]:
    return {"value": value, "low": low, "high": high, "method": "m", "n": 8, "why": None if low is not None else why}


def recurrence(state: str, k: int, n: int, **given: Any) -> dict[str, Any]:
    row = {
        **{"state": state, "n_affected": k, "n_sessions": n, "n_participants": 1, "n_participants_affected": min(1, k)},
        "sessions": [f"S{i:02d}" for i in range(1, n + 1)],
        "affected": [i < k for i in range(n)],
        "share": statistic(k / n, 0.1, 0.9),
        "share_over_people": statistic(None),
        "next": statistic((k + 0.5) / (n + 1), 0.12, 0.88),
        "minutes_per_hour": statistic(6.04, 2.0, 12.5),
        "trend": {"slope": statistic(0.2, -0.1, 0.5), "p": 0.4, "p_smallest": 0.01, "arrangements": 70, "why": None},
        "chance": {"observed_seconds": None, "expected_seconds": None, "p": None},
    }
    return row | given


def last(state: str, word: str = "always valid") -> dict[str, Any]:
    bounds = {"low": 0.2, "high": 0.8, "low_always": 0.1, "high_always": 0.9}
    return {"state": state, **bounds, "rests_on": word, "rests_on_why": "because"}


def change(measure: str = "share_of_time", state: str | None = "any", **given: Any) -> dict[str, Any]:
    row = {
        **{"what": "firmware", "before": "2.0", "after": "2.1", "measure": measure, "state": state, "unit": ""},
        "primary": (measure, state) == ("share_of_time", "any"),
        "sessions_before": ["S01", "S02", "S03", "S04", "S05", "S06"],
        "sessions_after": ["S07", "S08", "S09", "S10", "S11", "S12"],
        "sessions_unknown": [],
        "n_participants_both": 1,
        **{"value_before": 0.31, "value_after": 0.12, "difference": statistic(-0.19, -0.3, -0.08)},
        "difference_over_people": statistic(None),
        **{"p": 0.0043, "p_adjusted": 0.0043, "p_smallest": 2 / 924, "p_smallest_here": 2 / 924},
        **{"p_if_alike": 0.0043, "likeness": 0.0, "as_before": None, "as_after": None, "standardised": None},
        "mix": {"distance": 0.0, "before": {}, "after": {}, "differs": False},
        **{"questions": 5, "exploratory": False, "why": None},
    }
    return row | given


@pytest.fixture(scope="module")
def subject() -> Subject:
    results = invented()
    return next(s for s in subjects(results.document, results.pairs) if s.device == "band-a")


def claims(subject: Subject, *rows: dict[str, Any]) -> str:
    ((_, claim, _),) = say_changes(replace(subject, before_after=list(rows)))
    return claim


def test_declared_always_valid_and_exploratory(subject: Subject) -> None:
    said = {}
    for word in ("declared", "always valid", "exploratory"):
        told = replace(subject, recurrence=[recurrence("halved", 4, 8)], evidence=[last("halved", word)])
        ((kind, said[word], evidence),) = say_recurrence(told)
        assert (kind, evidence["rests_on"]) == ("recurrence_halved", word)
    assert "Share of sessions: 20 % to 80 %, as the number of sessions was declared beforehand." in said["declared"]
    assert "Share of sessions, whenever one had stopped: 10 % to 90 % (because)." in said["always valid"]
    assert "Exploratory: because." in said["exploratory"]


def test_the_whole_sentence(subject: Subject) -> None:
    chance = {"observed_seconds": 480.0, "expected_seconds": 200.0, "p": 0.004}
    row = recurrence(
        "cadence_locked", 4, 8, chance=chance, n_participants=3, share_over_people=statistic(0.5, 0.2, 0.8)
    )
    ((_, claim, _),) = say_recurrence(replace(subject, recurrence=[row], evidence=[last("cadence_locked")]))
    assert claim == (
        "“Stuck to cadence” came back: 4 of 8 sessions were affected. The next session like these of one of these "
        "people would be affected with a chance of 50 % (95 % credible 12 % to 88 %). Share of sessions, whenever one "
        "had stopped: 10 % to 90 % (because). With people as the units: 20 % to 80 %. It took 6.0 min of each hour (95 "
        "% 2.0 to 12.5). No trend over time can be seen (p = 0.4). 8 min of its wrong readings lie near the cadence or "
        "a simple multiple of it, 3 min 20 s would if that were shifted in time (p = 0.004): more than the height of "
        "the values explains."
    )


def test_height_alone_may_explain_it(subject: Subject) -> None:
    chance = {"observed_seconds": 480.0, "expected_seconds": 470.0, "p": 0.31}
    ((_, claim, _),) = say_recurrence(replace(subject, recurrence=[recurrence("halved", 2, 8, chance=chance)]))
    assert claim.endswith("(p = 0.31): the height of the values alone may explain it.")


def test_trend_that_few_sessions_cannot_show(subject: Subject) -> None:
    trend = {"slope": statistic(0.5), "p": 0.2, "p_smallest": 0.2, "arrangements": 10, "why": None}
    ((_, claim, _),) = say_recurrence(replace(subject, recurrence=[recurrence("halved", 2, 5, trend=trend)]))
    assert "Whether it grows or fades so few affected sessions cannot show (p cannot be below 0.2)." in claim


def test_once_is_no_recurrence(subject: Subject) -> None:
    rows = [recurrence("halved", 1, 12), recurrence("frozen", 1, 12), recurrence("astray", 0, 12)]
    ((kind, claim, evidence),) = say_recurrence(replace(subject, recurrence=rows))
    assert kind == "recurrence_once"
    assert claim == (
        "In one session each of 12: “about half” and “stuck on one value”. Whether it comes back one session cannot "
        "tell. The next session like these would be affected with a chance of 12 % (95 % credible 12 % to 88 %), "
        "either of them."
    )
    assert evidence["states"] == ["halved", "frozen"]
    one = [recurrence("halved", 1, 1)]
    assert list(say_recurrence(replace(subject, recurrence=one))) == []


def test_change_that_is_claimed(subject: Subject) -> None:
    claim = claims(subject, change())
    assert claim == (
        "From firmware 2.0 to 2.1: with 6 and 6 sessions p cannot be below 0.0022. It was wrong or silent 31 % of the "
        "time before and 12 % after: −19 points (95 % −30 to −8.0), p = 0.004. Less, by more than chance shows. "
        "Sessions were not drawn by lot into before and after: whatever else changed over time changed with it."
    )


def test_three_and_three_cannot_show_a_change(subject: Subject) -> None:
    few = {"sessions_before": ["S01", "S02", "S03"], "sessions_after": ["S04", "S05", "S06"]}
    row = change(**few, p=0.1, p_adjusted=0.1, p_smallest=0.1, p_smallest_here=0.1, p_if_alike=None, likeness=None)
    claim = claims(subject, row)
    assert claim.startswith(
        "From firmware 2.0 to 2.1: with 3 and 3 sessions p cannot be below 0.1: this cannot show a change. It was "
        "wrong "
    )
    assert "chance shows" not in claim


@pytest.mark.parametrize(
    "given",
    [
        {"p": 0.06, "p_adjusted": 0.06},
        {"p_adjusted": 0.2},
        {"p_if_alike": 0.07},
        {"difference": statistic(-0.19, -0.4, 0.02)},
        {"difference": statistic(-0.19, why="the sessions do not vary")},
        {"p": None},
    ],
)
def test_nothing_is_claimed_unless_all_agree(subject: Subject, given: dict[str, Any]) -> None:
    row = change(**given)
    assert not claimed(row, alpha=0.05)
    assert claimed(change(), alpha=0.05)
    if row["p"] is not None:
        assert "No change can be claimed, and none ruled out." in claims(subject, row)


def test_change_within_no_one(subject: Subject) -> None:
    row = change(p=None, why="no participant has sessions on both sides")
    assert claims(subject, row) == (
        "From firmware 2.0 to 2.1: no participant has sessions on both sides, so before and after cannot be compared "
        "within anyone."
    )


def test_likeness_mix_people_unknown_and_further_questions(subject: Subject) -> None:
    row = change(
        likeness=0.42,
        p_if_alike=0.03,
        n_participants_both=3,
        difference_over_people=statistic(-0.19, -0.5, 0.1),
        mix={
            "distance": 0.5,
            "before": {"rowing": 1.0},
            "after": {"rowing": 0.5, "stairs": 0.5},
            "differs": True,
        },
        standardised={"difference": statistic(-0.21, -0.33, -0.09), "activities": {"rowing": 1.0}},
        sessions_unknown=["S13"],
        as_before={"difference": statistic(-0.17, -0.3, -0.04), "p": 0.01},
        as_after={"difference": statistic(-0.2, -0.3, -0.1), "p": 0.002},
        exploratory=True,
    )
    error = change(
        "mae", None, value_before=12.34, value_after=4.56, difference=statistic(-7.78, -12.0, -3.5), p_adjusted=0.021
    )
    hit = change(
        "sessions_affected", "halved", value_before=5 / 6, value_after=1 / 6, difference=statistic(-0.67, -0.9, -0.2)
    )
    assert claims(subject, row, error, hit) == (
        "From firmware 2.0 to 2.1: with 6 and 6 sessions p cannot be below 0.0022. It was wrong or silent 31 % of the "
        "time before and 12 % after: −19 points (95 % −30 to −8.0), p = 0.004. Less, by more than chance shows, in "
        "these 3 people; what it is in others cannot be told. Sessions next to one another are alike (correlation "
        "0.4); allowing for that p = 0.03. What was done changed as well (rowing 100 % before, 50 % after, stairs 0 % "
        "before, 50 % after); over what both sides did (rowing) the difference is −21 points (−33 to −9.0). Off by "
        "12.3 before and 4.6 bpm after: −7.8 bpm (95 % −12.0 to −3.5), p = 0.021 with the further questions allowed "
        "for. Sessions with “about half”: 5 of 6 before, 1 of 6 after, −67 points (95 % −90 to −20), p = 0.004. With "
        "the 1 session of unknown version: counted as 2.0 −17 points (p = 0.01); counted as 2.1 −20 points (p = "
        "0.002). Sessions were not drawn by lot into before and after: whatever else changed over time changed with "
        "it. Exploratory: not declared beforehand, 5 questions asked of this change."
    )


def beside(measure: str, **given: Any) -> dict[str, Any]:
    row = {
        **{"other": "loop", "other_label": "Loop", "measure": measure, "state": None, "unit": ""},
        **{"sessions": ["S01", "S02"], "n_sessions": 8, "n_participants": 1, "common_seconds": 3600.0},
        **{"value": 0.8, "value_other": 0.95, "difference": statistic(-0.15, -0.25, -0.05)},
        **{"p": 0.0078, "p_smallest": 0.0078, "method": "sign flips", "p_people": None},
        **dict.fromkeys(("both", "only_device", "only_other", "neither")),
    }
    return row | given


def test_two_devices(subject: Subject) -> None:
    error = beside("mae", value=7.1, value_other=0.5, difference=statistic(6.6, 2.0, 11.2))
    hit = beside("sessions_affected", state="halved", both=0, only_device=6, only_other=0, p=0.031)
    ((kind, claim, _),) = say_beside(replace(subject, side_by_side=[beside("tracking_share"), error, hit]))
    assert kind == "beside_loop"
    assert claim == (
        "Beside Loop, in the same 8 sessions and only the 1 h that both have: swapping their names by session, "
        "p cannot be below 0.0078. It was right 80 % of the time against 95 % (−15 points, 95 % −25 to −5.0, p = "
        "0.008). Off by 7.1 against 0.5 bpm (+6.6 bpm, 95 % +2.0 to +11.2, p = 0.008). It did worse, by more than "
        f"chance shows. Sessions with “about half”: 6 with {subject.label} only, 0 with Loop only, 0 with both (p = "
        "0.031)."
    )


def test_two_devices_that_cannot_be_told_apart(subject: Subject) -> None:
    right = beside("tracking_share", p=0.3)
    error = beside("mae", value=7.1, value_other=0.5, difference=statistic(6.6, -2.0, 11.2))
    ((_, claim, _),) = say_beside(replace(subject, side_by_side=[right, error]))
    assert "Which of the two does better this cannot tell." in claim
    opposed = beside("mae", value=0.5, value_other=7.1, difference=statistic(-6.6, -11.2, -2.0))
    ((_, claim, _),) = say_beside(replace(subject, side_by_side=[beside("tracking_share"), opposed]))
    assert "Which of the two does better this cannot tell." in claim
    one = beside(
        "tracking_share", n_sessions=1, difference=statistic(-0.15, why="one session: no interval can be given")
    )
    ((_, claim, _),) = say_beside(replace(subject, side_by_side=[one]))
    assert claim.endswith("One session: no general claim.")
