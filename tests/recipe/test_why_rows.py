"""Odds of failures by condition: which questions are asked, how they are counted, and what no association gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from asked import study_of

from wearbench.core.states import STATES
from wearbench.recipe.cadencerows import cadence_rows
from wearbench.recipe.moments import MISSING, Moments
from wearbench.recipe.questions import Question, questions_of
from wearbench.recipe.whyrows import adjusted, rows_of_series
from wearbench.settings import Settings
from wearbench.study import Participant, Session
from wearbench.study.declaration import QUESTIONS

People = dict[str, Participant]
SETTINGS = Settings()
FEW = ("activity", "intensity", "reference_band", "firmware", "first_minutes", "sessions.weather")


def people(**columns: dict[str, str]) -> People:
    return {name: Participant(name=name, columns=own) for name, own in columns.items()}


def asked(every: Sequence[Moments], of: People | None = None) -> list[Question]:
    return list(questions_of(every, of or {}, unit="bpm"))


def rows(
    every: Sequence[Moments],
    *,
    only: tuple[str, ...] = (),
    named: tuple[str, ...] = (),
    of: People | None = None,
    least_s: float = 60.0,
) -> list[dict[str, Any]]:
    questions = [q for q in asked(every, of) if not only or q.name in only]
    found = rows_of_series(every, questions, SETTINGS, name="band", least_s=least_s, named=named)
    return adjusted([{"device": "band", "quantity": "heart_rate", **row} for row in found])


def one(table: list[dict[str, Any]], **keys: str) -> dict[str, Any]:
    (row,) = [r for r in table if all(r[k] == v for k, v in keys.items())]
    return row


def worn(number: int, participant: str, **columns: str) -> Session:
    return Session(name=f"S{number:02d}", participant=participant, columns=columns)


# Which questions


def test_every_question_has_a_name_that_can_be_declared() -> None:
    of = people(P0={"skin_tone": "II"}, P1={"skin_tone": "V"}, P2={"skin_tone": "III"})
    names = {q.name for q in asked(study_of(1), of)}
    assert names == {*QUESTIONS, "sessions.temperature", "sessions.weather", "participants.skin_tone"} - {"wear_site"}


def test_two_values_are_one_question_and_three_are_three() -> None:
    questions = [(q.name, q.group, q.against) for q in asked(study_of(1))]
    assert [q for q in questions if q[0] == "firmware"] == [("firmware", "2.0", "2.1")]
    assert [q[1:] for q in questions if q[0] == "activity"] == [
        ("rowing", "the rest"),
        ("stairs", "the rest"),
        ("walking", "the rest"),
    ]


def test_numbers_are_split_at_their_median_over_sessions_or_people() -> None:
    every = study_of(1, sessions=5)
    degrees = ("3", "4,5", "8.5", "9", "20")
    every = [replace(m, session=worn(k, m.participant, degrees=degrees[k])) for k, m in enumerate(every)]
    of = people(P0={"wrist_cm": "16"}, P1={"wrist_cm": "17"}, P2={"wrist_cm": "19"})
    (sides,) = [q for q in asked(every, of) if q.name == "sessions.degrees"]
    assert (sides.group, sides.against) == ("above 8.5", "up to 8.5")
    assert [int(sides.sides(m)[0]) for m in every] == [0, 0, 0, 1, 1]
    (sides,) = [q for q in asked(every, of) if q.name == "participants.wrist_cm"]
    assert sides.group == "above 17"  # of three people, not of five sessions
    assert [int(sides.sides(m)[0]) for m in every] == [0, 0, 1, 0, 0]


def test_where_half_have_the_largest_number_it_is_held_against_less() -> None:
    every = study_of(1, sessions=5)
    every = [replace(m, session=worn(k, m.participant, wind="12345"[min(k, 2)])) for k, m in enumerate(every)]
    (sides,) = [q for q in asked(every) if q.name == "sessions.wind"]
    assert (sides.group, sides.against) == ("3", "below 3")
    assert [int(sides.sides(m)[0]) for m in every] == [0, 0, 1, 1, 1]


def test_a_column_of_notes_is_one_question_without_an_answer() -> None:
    every = study_of(1, sessions=14)
    every = [replace(m, session=worn(k, m.participant, notes=f"note {k}")) for k, m in enumerate(every)]
    row = rows(every, only=("sessions.notes",))[0]
    assert row["why"] == "no value occurs twice: nothing can be held against the rest"
    assert (row["p"], row["odds_ratio"]["value"]) == (None, None)
    every = [replace(m, session=worn(k, m.participant, notes=f"note {k}")) for k, m in enumerate([*every, *every])]
    every = [replace(m, session=worn(k, m.participant, notes=f"note {k // 2}")) for k, m in enumerate(every)]
    (notes,) = [q for q in asked(every) if q.name == "sessions.notes"]
    assert notes.why == "14 different values: too many to hold each against the rest"


def test_values_that_occur_once_are_part_of_the_rest_and_versions_are_no_numbers() -> None:
    every = study_of(1, sessions=6)
    sky = ("fog", "fog", "fog", "sun", "rain", "snow")
    every = [
        replace(m, firmware=("2.9", "2.9", "2.10", "2.10", "3", "3")[k], session=worn(k, m.participant, sky=sky[k]))
        for k, m in enumerate(every)
    ]
    questions = [(q.name, q.group, q.against) for q in asked(every)]
    assert [q for q in questions if q[0] == "sessions.sky"] == [("sessions.sky", "fog", "the rest")]
    assert [q[1] for q in questions if q[0] == "firmware"] == ["2.10", "2.9", "3"]


def test_time_for_which_a_condition_is_not_known_is_left_out() -> None:
    every = study_of(1, sessions=4)
    every = [replace(m, session=worn(k, "P0", weather=("", "fog", "sun", "sun")[k])) for k, m in enumerate(every)]
    (weather,) = [q for q in asked(every) if q.name == "sessions.weather"]
    assert set(weather.sides(every[0]).tolist()) == {-1}


def test_no_question_looks_at_what_the_device_gave() -> None:
    every = study_of(2)
    other = [replace(m, tested=m.tested * 0 + 99.0, state=np.zeros_like(m.state)) for m in every]
    for a, b in zip(asked(every), asked(other), strict=True):
        assert (a.name, a.group) == (b.name, b.group)
        assert all(np.array_equal(a.sides(m), b.sides(n)) for m, n in zip(every, other, strict=True))


# What they are answered with


def by_hand() -> list[Moments]:
    """Two sessions of one person, 240 moments of 5 s: rowing in the first 120, then stairs; halved as it is set."""
    made = study_of(3, sessions=2, participants=1)
    out = []
    for m, spans in zip(made, ([(0, 30), (200, 222)], [(10, 22)]), strict=True):
        state = np.zeros(240, dtype=np.int8)
        for a, b in spans:
            state[a:b] = STATES.index("halved")
        state[230:236] = MISSING
        code = np.repeat([0, 1], 120).astype(np.int32)
        out.append(replace(m, state=state, activity=replace(m.activity, names=("rowing", "stairs"), code=code)))
    return out


def test_seconds_shares_and_sessions_by_hand() -> None:
    row = one(rows(by_hand(), only=("activity",)), state="halved")
    # Rowing: 2 x 600 s, of which 150 + 60 halved. Stairs: 2 x 600 less 2 x 30 without a value, of which 110 halved.
    assert (row["group"], row["against"], row["level"]) == ("rowing", "stairs", "within sessions")
    assert (row["seconds_in"], row["seconds_out"]) == (210.0, 110.0)
    assert (row["share_in"], row["share_out"]) == pytest.approx((210 / 1200, 110 / 1140))
    # A session is affected by a minute of it: 150 and 60 s while rowing, 110 and 0 s on stairs.
    assert (row["affected_in"], row["sessions_in"], row["affected_out"], row["sessions_out"]) == (2, 2, 1, 2)
    r = (150 * 460 / 1170) + (60 * 570 / 1170)
    s = 450 * 110 / 1170
    assert row["odds_ratio"]["value"] == pytest.approx(r / s)


def test_missing_time_is_held_against_all_time() -> None:
    row = one(rows(by_hand(), only=("activity",), least_s=30.0), state="missing")
    assert (row["share_in"], row["share_out"]) == pytest.approx((0.0, 60 / 1200))


def test_a_failure_too_short_to_affect_a_session_is_not_asked_about() -> None:
    assert {r["state"] for r in rows(by_hand(), only=("activity",), least_s=61.0)} == {"halved"}


def test_one_session_makes_no_general_claim() -> None:
    table = rows(study_of(4, sessions=1, participants=1, n=2000), only=("activity", "firmware"))
    row = one(table, state="halved", group="rowing")
    assert row["why"] == "one session: no general claim" or "no interval can be given" in str(row["why"])
    assert "one session: one person, one unit, no general claim" in row["odds_ratio"]["method"]
    assert all(r["question"] != "firmware" for r in table)  # one value is no question


def test_conditions_of_whole_sessions_are_exchanged_within_people() -> None:
    row = one(rows(study_of(5, sessions=10, participants=2), only=("sessions.weather",)), state="halved")
    assert row["level"] == "between sessions"
    assert row["p_method"].endswith("arrangements, all")
    assert row["p"] >= row["p_least"] > 0


def test_conditions_of_people_exchange_people() -> None:
    of = people(P0={"tone": "II"}, P1={"tone": "II"}, P2={"tone": "V"}, P3={"tone": "V"})
    row = one(rows(study_of(6, sessions=8, participants=4), only=("participants.tone",), of=of), state="halved")
    # Two of four people: six arrangements, and the opposite of each gives as much.
    assert (row["level"], row["p_method"], row["p_least"]) == (
        "between participants",
        "6 arrangements, all",
        pytest.approx(1 / 3),
    )


def test_questions_declared_beforehand_are_counted_among_themselves() -> None:
    every = study_of(7)
    plain, named = rows(every, only=FEW), rows(every, only=FEW, named=("activity=rowing", "firmware"))
    assert all(r["exploratory"] for r in plain)
    beforehand = [r for r in named if not r["exploratory"]]
    assert {(r["question"], r["group"]) for r in beforehand} == {("activity", "rowing"), ("firmware", "2.0")}
    told = sum(r["p"] is not None for r in beforehand)
    assert {r["counted"] for r in beforehand if r["p"] is not None} == {told}
    for before, after in zip(plain, named, strict=True):
        assert before["p"] == after["p"]
        if after["exploratory"]:
            assert before["p_adjusted"] == after["p_adjusted"]


def test_what_a_state_is_defined_by_is_not_asked_about_it() -> None:
    table = rows(study_of(7), only=("reference_change", "cadence"))
    frozen = [r for r in table if (r["state"], r["question"]) == ("frozen", "reference_change")]
    assert {r["why"] for r in frozen} == {
        "a held value shows only while the reference moves: the question would answer itself"
    }
    assert all(r["p"] is None for r in frozen)
    assert one(table, state="frozen", question="cadence")["p"] is not None


def test_a_lock_is_held_against_time_with_a_cadence_only() -> None:
    every = by_hand()
    lock = STATES.index("cadence_locked")
    cadence = np.where(np.arange(240) < 180, 30.0, np.nan)
    state = np.where(np.isin(every[0].state, [STATES.index("halved")]), lock, every[0].state).astype(np.int8)
    every = [replace(m, state=state, cadence=cadence) for m in every]
    row = one(rows(every, only=("activity",)), state="cadence_locked")
    # Halved before, locked now: of 900 s with a cadence in each session 600 are rowing and 300 are on stairs.
    assert row["share_in"] == pytest.approx(150 / 600)
    assert row["share_out"] == pytest.approx(0.0)


def test_results_do_not_depend_on_the_order_of_sessions() -> None:
    every = study_of(8)
    assert rows(every, only=FEW) == rows(every[::-1], only=FEW)


def test_cadence_evidence_needs_a_cadence() -> None:
    every = study_of(9)
    found = cadence_rows(every, SETTINGS)
    assert [(r["statistic"], r["multiple"]) for r in found] == [
        ("correlation", 0.5),
        ("correlation", 1.0),
        ("correlation", 2.0),
        ("given_reference", None),
    ]
    assert cadence_rows([replace(m, has_cadence=False) for m in every], SETTINGS) == []


# What no association gives, and what one gives


def test_without_any_association_few_studies_claim_one() -> None:
    """300 studies, seeds 0 to 299: after counting, at most 6 % claim anything; single questions err as they say."""
    claimed = below = told = missed = bounded = 0
    for seed in range(300):
        table = rows(study_of(seed, sessions=6, n=100), only=FEW)
        claimed += any(r["p_adjusted"] is not None and r["p_adjusted"] < 0.05 for r in table)
        p = [r["p"] for r in table if r["p"] is not None]
        below, told = below + sum(v <= 0.05 for v in p), told + len(p)
        spans = [(r["odds_ratio"]["low"], r["odds_ratio"]["high"]) for r in table]
        spans = [(low, high) for low, high in spans if low is not None or high is not None]
        bounded += len(spans)
        missed += sum((low or 0.0) > 1 or (high is not None and high < 1) for low, high in spans)
    assert claimed / 300 <= 0.06
    assert told > 3000 and below / told <= 0.06
    assert bounded > 2000 and missed / bounded <= 0.06


def test_an_association_is_found() -> None:
    """Halving that begins twelve times as often while rowing: found in most studies, and the interval holds it."""
    found = 0
    for seed in range(12):
        row = one(
            rows(study_of(seed, sessions=12, times=12.0, participants=1), only=("activity",)),
            state="halved",
            group="rowing",
        )
        found += row["p_adjusted"] < 0.05 and (row["odds_ratio"]["low"] or 0.0) > 1
    assert found >= 9
