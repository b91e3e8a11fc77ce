"""The grid's scorer, a rule a test, on tables made by hand whose answers can be counted on fingers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from benchmarks.truth.gridscore import (
    credited,
    doubled_where_halved,
    doubt_of,
    edges_of,
    judged_as_said,
    score_study,
    states_of,
    windows_of,
    without_between,
    without_impossible,
    without_short,
)
from benchmarks.truth.gridsums import clock_sums, doubt_sums, f1_of, state_sums, window_sums

START = datetime(2031, 3, 3, 8, tzinfo=UTC)
INSTANT = pl.Datetime("us", "UTC")
SPELL = {"session": pl.String, "device": pl.String, "kind": pl.String, "start": INSTANT, "end": INSTANT}


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def rows_of(
    states: list[str],
    said: list[str],
    *,
    also: list[str | None] | None = None,
    excluded: list[str | None] | None = None,
    averaging_s: float = 10.0,
    said_also: list[str | None] | None = None,
    cadence: list[float | None] | None = None,
    ratio: list[float] | None = None,
) -> pl.DataFrame:
    """Readings one a second; each window is what came just before its stamp."""
    n = len(states)
    return pl.DataFrame(
        {
            "session": ["s01"] * n,
            "device": ["band"] * n,
            "source_row": list(range(1, n + 1)),
            "time": [at(i) for i in range(n)],
            "start": [at(i - averaging_s) for i in range(n)],
            "end": [at(i) for i in range(n)],
            "seconds": [1.0] * n,
            "state": states,
            "said_state": said,
            "also": also or [None] * n,
            "sentinel": [False] * n,
            "excluded": excluded or [None] * n,
            "said_also": said_also or [None] * n,
            "said_cadence": cadence or [None] * n,
            "said_reference": [120.0] * n,
            "said_ratio": ratio or [None] * n,
        },
        schema_overrides={
            **dict.fromkeys(("time", "start", "end"), INSTANT),
            **dict.fromkeys(("also", "excluded", "said_also"), pl.String),
            "said_cadence": pl.Float64,
            "said_ratio": pl.Float64,
        },
    )


def spells_of(*spells: tuple[str, float, float]) -> pl.DataFrame:
    rows = [{"session": "s01", "device": "band", "kind": kind, "start": at(a), "end": at(b)} for kind, a, b in spells]
    return pl.DataFrame(rows, schema=SPELL)


def averaging_of(averaging_s: float, delay_s: float = 0.0) -> pl.DataFrame:
    return pl.DataFrame({"session": ["s01"], "device": ["band"], "averaging_s": [averaging_s], "delay_s": [delay_s]})


def session_row(**changes: Any) -> dict[str, Any]:
    row = {
        "design": "d1",
        "generator": "demo",
        "clean": False,
        "levels": {"clock": "15 min", "reference": "beats"},
        "bound_s": 0.1,
        "abs_error_s": 0.2,
        "covers": True,
        "trust": "good",
        "confusion": [["faithful", "faithful", 100.0]],
        "judged_s": 100.0,
        "faithful_s": 100.0,
        "alarm_s": 0.0,
        "left_out_s": {},
        **dict.fromkeys(("called", "without", "edges", "edges_within"), 0),
        "doubt": None,
        "reference_halved_s": 0.0,
        "called_doubled_there_s": 0.0,
    }
    return row | changes


def test_what_cannot_be_told_apart_scores_by_either_name() -> None:
    rows = rows_of(
        ["halved", "halved", "halved", "doubled"],
        ["cadence_locked", "halved", "cadence_locked", "cadence_locked"],
        also=["cadence_locked", "cadence_locked", None, "cadence_locked"],
    )
    found = credited(rows)
    assert found["said_state"].to_list() == ["halved", "halved", "cadence_locked", "doubled"]
    assert found["unsure"].to_list() == [True, True, False, True]


def test_a_lock_called_half_and_cadence_at_once_is_right_where_whole_numbers_hide_which() -> None:
    """Half of 120 is 60: 3 % and one make 2.8, so 62.5 is hidden and 63 is not; and both must be said."""
    rows = rows_of(
        ["cadence_locked"] * 4,
        ["halved"] * 4,
        said_also=["cadence_locked", "cadence_locked", None, "cadence_locked"],
        cadence=[62.5, 63.0, 62.5, None],
    )
    found = credited(rows)
    assert found["said_state"].to_list() == ["cadence_locked", "halved", "halved", "halved"]
    assert found["unsure"].to_list() == [True, False, True, False]


def test_another_simple_ratio_that_is_the_cadence_is_right_by_either_name() -> None:
    """Two thirds of 120 is 80: 3 % and one make 3.4, so a cadence of 83 may be it, and twice 41; 84 may not."""
    rows = rows_of(
        ["off_ratio", "off_ratio", "off_ratio", "cadence_locked", "cadence_locked", "off_ratio"],
        ["cadence_locked", "cadence_locked", "cadence_locked", "off_ratio", "off_ratio", "cadence_locked"],
        cadence=[83.0, 41.0, 84.0, 83.0, 83.0, 83.0],
        ratio=[1.0, 2.0, 1.0, 2 / 3, 3 / 2, 2.0],
    )
    found = credited(rows)
    assert found["unsure"].to_list() == [True, True, False, True, False, False]
    assert found["said_state"].to_list() == [
        "off_ratio", "off_ratio", "cadence_locked", "cadence_locked", "off_ratio", "cadence_locked",
    ]  # fmt: skip


def test_readings_beside_a_reference_that_no_heart_can_have_are_left_out() -> None:
    rows = rows_of(["halved"] * 4, ["none"] * 4).with_columns(
        said_reference=pl.Series([280.0, 280.0, 140.0, None], dtype=pl.Float64),
        said_reason=pl.Series(["out_of_range", None, "out_of_range", "out_of_range"], dtype=pl.String),
    )
    assert without_impossible(rows)["excluded"].to_list() == ["reference_impossible", None, None, None]


def test_true_between_is_left_out_and_false_between_is_not() -> None:
    rows = without_between(rows_of(["between", "faithful", "halved"], ["halved", "between", "between"]))
    assert rows["excluded"].to_list() == ["between", None, None]
    found = states_of(rows)
    assert found["confusion"] == [["faithful", "between", 1.0], ["halved", "between", 1.0]]
    assert found["left_out_s"] == {"between": 1.0}
    assert (found["alarm_s"], found["faithful_s"], found["judged_s"]) == (0.0, 1.0, 2.0)


def test_windows_touched_by_an_episode_shorter_than_the_averaging_are_left_out() -> None:
    rows = rows_of(["faithful"] * 30, ["faithful"] * 30)
    # 5 s of half rate from 10 to 15: windows of 10 s ending after 10 and starting before 15 touch it
    found = without_short(rows, spells_of(("halved", 10, 15)), averaging_of(10.0))
    assert [i for i, why in enumerate(found["excluded"]) if why == "short_episode"] == list(range(11, 25))
    kept = without_short(rows, spells_of(("halved", 10, 20)), averaging_of(10.0))  # as long as the averaging
    assert kept["excluded"].null_count() == 30


def test_a_short_freeze_touches_the_readings_made_while_it_lasted() -> None:
    rows = rows_of(["faithful"] * 30, ["faithful"] * 30)
    found = without_short(rows, spells_of(("frozen", 10, 15)), averaging_of(10.0, delay_s=3.0))
    # a reading is made 3 s after the end of its window: ends at 8..11 are made at 11..14
    assert [i for i, why in enumerate(found["excluded"]) if why == "short_episode"] == [8, 9, 10, 11]


def test_a_reason_given_before_stays() -> None:
    rows = rows_of(["between"] * 3, ["halved"] * 3, excluded=["sentinel", None, None])
    found = without_between(without_short(rows, spells_of(("halved", -1, 1)), averaging_of(10.0)))
    assert found["excluded"].to_list() == ["sentinel", "short_episode", "short_episode"]


def edge_case(
    states: str,
    said: str,
    *,
    excluded: dict[int, str] | None = None,
    every_s: float = 1.0,
    unsure: tuple[int, ...] = (),
) -> dict[str, int]:
    """``f`` right, ``h`` half, ``b`` between, by letter."""
    word = {"f": "faithful", "h": "halved", "b": "between", "c": "cadence_locked"}
    return edges_of(
        {
            "state": [word[c] for c in states],
            "said_state": [word[c] for c in said],
            "excluded": [(excluded or {}).get(i) for i in range(len(states))],
            "unsure": [i in unsure for i in range(len(states))],
            "at_s": [every_s * i for i in range(len(states))],
            "interval_s": every_s,
        }
    )


def test_edges_within_five_seconds_count() -> None:
    found = edge_case("f" * 10 + "h" * 20 + "f" * 10, "f" * 15 + "h" * 21 + "f" * 4)
    assert found == {"called": 1, "without": 0, "edges": 2, "edges_within": 1}  # 5 s late, then 6 s late


def test_with_slow_readings_two_readings_are_allowed() -> None:
    assert edge_case("ffffhhhhffff", "ffhhhhhhhhhf", every_s=60.0)["edges_within"] == 1  # 120 s early, 180 s late


def test_a_called_episode_without_a_true_one_has_no_edges() -> None:
    assert edge_case("f" * 20, "f" * 5 + "h" * 10 + "f" * 5) == {
        "called": 1,
        "without": 1,
        "edges": 0,
        "edges_within": 0,
    }


def test_an_episode_called_in_two_pieces_has_two_wrong_edges() -> None:
    found = edge_case("f" * 5 + "h" * 40 + "f" * 5, "f" * 5 + "h" * 15 + "f" * 10 + "h" * 15 + "f" * 5)
    assert found == {"called": 2, "without": 0, "edges": 4, "edges_within": 2}


def test_an_edge_beside_readings_that_are_left_out_is_not_judged() -> None:
    states, said = "f" * 10 + "h" * 20 + "f" * 10, "f" * 10 + "h" * 20 + "f" * 10
    assert edge_case(states, said, excluded={9: "no_reference"})["edges"] == 1
    assert edge_case(states, said, excluded={9: "between"})["edges"] == 2


def test_where_one_name_turns_into_another_that_cannot_be_told_from_it_there_is_no_edge() -> None:
    states, said = "f" * 10 + "h" * 20 + "c" * 20 + "f" * 10, "f" * 10 + "h" * 30 + "c" * 10 + "f" * 10
    assert edge_case(states, said)["edges"] == 4
    assert edge_case(states, said, unsure=tuple(range(10, 30)))["edges"] == 2


def test_an_episode_called_only_where_nothing_is_judged_does_not_count() -> None:
    assert edge_case("ffff", "fhhf", excluded={1: "sentinel", 2: "sentinel"})["called"] == 0


def test_doubt_is_judged_by_kind_and_false_doubt_away_from_anything_wrong() -> None:
    wrong = [("every_second", 100.0, 200.0), ("lost", 400.0, 450.0)]
    said = [(110.0, 220.0), (215.0, 230.0), (600.0, 610.0)]
    found = doubt_of(wrong, said, 1000.0)
    assert found["kinds"] == {"every_second": [100.0, 90.0]}
    # margins of 20 s: 80 to 220 and 380 to 470 are near; doubted beyond them 220 to 230 and 600 to 610
    assert found["right_s"] == pytest.approx(1000 - 140 - 90)
    assert found["false_s"] == pytest.approx(20.0)


def test_called_doubled_while_the_reference_counted_every_second_beat() -> None:
    rows = rows_of(["faithful"] * 30, ["faithful"] * 12 + ["doubled"] * 8 + ["faithful"] * 10, averaging_s=1.0)
    wrong = spells_of(("every_second", 10, 15), ("double_count", 16, 30))
    assert doubled_where_halved(rows, wrong) == (5.0, 4.0)  # windows ending at 11 to 15; 12 to 15 called doubled


def test_windows_are_laid_beside_the_truth_and_an_unknown_delay_is_none() -> None:
    window = {
        "device": "band",
        "quantity": "heart_rate",
        "averaging_s": 8.5,
        "low_s": 8.0,
        "high_s": float("nan"),
        "delay_s": 0.0,
        "delay_known": False,
    }
    found = windows_of({"windows": [window]}, 8.0, 3.0, "band")
    assert (found["said_averaging_s"], found["averaging_low_s"], found["averaging_high_s"]) == (8.5, 8.0, None)
    assert (found["said_delay_s"], found["delay_s"]) == (None, 3.0)


def test_a_sharp_clock_counts_within_a_second_and_a_refusal_as_a_miss() -> None:
    rows = [
        session_row(abs_error_s=1.0),
        session_row(abs_error_s=1.01),
        session_row(abs_error_s=None, covers=None, trust="refused"),
        session_row(bound_s=0.31, abs_error_s=9.0),
    ]
    found = clock_sums(rows)
    assert (found["n_sharp"], found["n_sharp_within"], found["n_sharp_refused"]) == (3, 1, 1)
    assert found["share_sharp_within"] == pytest.approx(1 / 3)


def test_elsewhere_the_interval_must_cover_and_good_is_counted_unless_the_clock_was_given() -> None:
    blunt = {"bound_s": 2.0}
    rows = [
        session_row(**blunt, trust="weak"),
        session_row(**blunt, covers=False, abs_error_s=7.0, trust="good"),
        session_row(**blunt, covers=None, abs_error_s=None, trust="refused"),
        session_row(bound_s=None, covers=None, abs_error_s=3.0, trust="weak"),
        session_row(**blunt, levels={"clock": "shared", "reference": "beats"}),
    ]
    found = clock_sums(rows)
    assert (found["n_blunt"], found["n_blunt_answered"], found["share_blunt_covered"]) == (4, 2, 0.5)  # shared: given
    assert (found["n_blunt_refused"], found["n_blunt_open"]) == (1, 1)
    assert (found["n_blunt_unaided"], found["n_blunt_good"], found["n_blunt_good_within"]) == (4, 1, 0)
    assert found["n_wrong_and_good"] == 1


@pytest.mark.parametrize(("offset_is", "covers"), [("clock", True), ("clock_minus_delay", False)])
def test_an_interval_of_the_clock_alone_is_held_against_the_clock(offset_is: str, *, covers: bool) -> None:
    table = pl.DataFrame({"session": ["s01"], "device": ["band"], "covers": [False], "error_s": [30.0]})
    sessions = pl.DataFrame({"session": ["s01"], "device": ["band"], "offset_s": [5.2]})
    clock = {"session": "s01", "device": "band", "offset_s": 5.0, "low_s": 4.5, "high_s": 5.5, "offset_is": offset_is}
    assert judged_as_said(table, sessions, [clock])["covers"].to_list() == [covers]
    assert judged_as_said(table, sessions, [{**clock, "high_s": 5.1}])["covers"].to_list() == [False]


def test_f1_by_seconds_counts_readings_without_a_state_as_misses() -> None:
    confusion = {
        ("halved", "halved"): 60.0,
        ("halved", "none"): 20.0,
        ("halved", "faithful"): 20.0,
        ("astray", "halved"): 20.0,
    }
    found = f1_of(confusion, "halved")
    assert (found["true_s"], found["said_s"]) == (100.0, 80.0)
    assert (found["precision"], found["recall"]) == (0.75, 0.6)
    assert found["f1"] == pytest.approx(120 / 180)
    assert found["f1_given"] == pytest.approx(120 / 160)
    assert f1_of(confusion, "frozen")["f1"] is None


def test_false_alarms_are_faithful_seconds_called_a_failure_other_than_between() -> None:
    rows = without_between(
        rows_of(
            ["faithful"] * 8 + ["halved"] * 2,
            ["faithful"] * 4 + ["between", "frozen", "astray", "none"] + ["frozen"] * 2,
        )
    )
    found = states_of(rows)
    assert (found["alarm_s"], found["faithful_s"]) == (2.0, 8.0)
    sums = state_sums([session_row(**found), session_row(clean=True)])
    assert sums["alarm_share"] == pytest.approx(2 / 108)
    assert (sums["alarm_share_clean"], sums["n_clean"]) == (0.0, 1)


def test_with_each_session_counting_alike_a_long_one_does_not_drown_a_short_one() -> None:
    long = session_row(confusion=[["halved", "halved", 1000.0]], judged_s=1000.0)
    short = session_row(confusion=[["halved", "faithful", 10.0]], judged_s=10.0)
    sums = state_sums([long, short])
    assert sums["states"]["halved"]["f1"] == pytest.approx(2000 / 2010)
    assert sums["alike"]["halved"] == pytest.approx(2 / 3)


def test_false_doubt_is_summed_by_what_the_reference_was_like() -> None:
    doubt = {"kinds": {"dry": [50.0, 40.0]}, "right_s": 1000.0, "false_s": 5.0}
    rows = [session_row(doubt=doubt), session_row(doubt={**doubt, "kinds": {}, "false_s": 0.0}), session_row()]
    found = doubt_sums(rows)
    assert found["kinds"] == {"dry": {"true_s": 50.0, "sensitivity": 0.8}}
    assert found["false_share"] == pytest.approx(5 / 2000)


def test_averaging_and_delay_are_scored_only_with_a_shared_clock_or_marks_and_once_a_study() -> None:
    window = {
        "averaging_s": 8.0,
        "said_averaging_s": 8.9,
        "averaging_low_s": 7.0,
        "averaging_high_s": 8.5,
        "delay_s": 20.0,
        "said_delay_s": 22.1,
        "delay_low_s": None,
        "delay_high_s": None,
    }
    shared = {"clock": "shared", "reference": "beats"}
    rows = [
        session_row(levels=shared, window=window),
        session_row(levels=shared, window=window),
        session_row(design="d2", window=window),
    ]
    found = window_sums(rows)
    assert found["n"] == 1
    assert found["averaging"]["n_near"] == 1  # 0.9 s off, a second is allowed
    assert found["averaging"]["share_covered"] == 1.0
    assert found["delay"]["n_near"] == 0  # 2.1 s off, 10 % of 20 s are allowed
    assert found["delay"]["share_covered"] is None


def test_a_whole_study_by_hand() -> None:
    n = 40
    states = ["faithful"] * 20 + ["halved"] * 20
    rows = rows_of(states, states)
    readings = rows.select("session", "device", "source_row", "time", "start", "end", "state", "also", "sentinel")
    sessions = averaging_of(10.0).with_columns(bound_s=pl.lit(0.1), offset_s=pl.lit(5.0))
    pairs = readings.select("session", "device", "source_row", "time", "start", "end").with_columns(
        quantity=pl.lit("heart_rate"),
        also=pl.lit(None, dtype=pl.String),
        cadence=pl.lit(None, dtype=pl.Float64),
        ratio=pl.lit(None, dtype=pl.Float64),
        reference=pl.lit(120.0),
        state=pl.Series(["faithful"] * 22 + ["halved"] * 18),
        used=pl.lit(value=True),
        reason=pl.lit(None, dtype=pl.String),
    )
    document = {
        "clock": [
            {
                "session": "s01",
                "device": "band",
                "quantity": "heart_rate",
                "offset_s": 5.0,
                "low_s": 4.5,
                "high_s": 5.5,
                "trust": "good",
            }
        ],
        "windows": [],
        "references": [
            {"session": "s01", "quantity": "heart_rate", "chosen": True, "seconds": 40.0, "doubts": []},
        ],
    }
    (found,) = score_study(readings, sessions, spells_of(("halved", 20, 40)), spells_of(), pairs, document)
    assert (found["abs_error_s"], found["covers"], found["trust"]) == (0.0, True, "good")
    assert found["judged_s"] == n
    assert found["confusion"] == [
        ["faithful", "faithful", 20.0],
        ["halved", "faithful", 2.0],
        ["halved", "halved", 18.0],
    ]
    assert (found["called"], found["edges"], found["edges_within"]) == (1, 2, 2)
    assert found["doubt"] == {"kinds": {}, "right_s": 40.0, "false_s": 0.0}
