"""The scorer on cases made by hand, whose answers can be counted on fingers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from benchmarks.truth.score import clock_rows, clock_score, joined, plain, score, state_score, with_seconds
from benchmarks.truth.table import markdown

START = datetime(2031, 3, 3, 8, tzinfo=UTC)
INSTANT = pl.Datetime("us", "UTC")


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def truth_of(states: list[str], *, times: list[float] | None = None, sentinel: tuple[int, ...] = ()) -> pl.DataFrame:
    """Readings of one session; each window is the ten seconds before its stamp."""
    when = times or [float(i) for i in range(len(states))]
    return pl.DataFrame(
        {
            "session": "s01",
            "device": "band",
            "source_row": list(range(1, len(states) + 1)),
            "time": [at(t) for t in when],
            "start": [at(t - 10) for t in when],
            "end": [at(t) for t in when],
            "state": states,
            "also": [None] * len(states),
            "sentinel": [i in sentinel for i in range(len(states))],
        },
        schema_overrides={"time": INSTANT, "start": INSTANT, "end": INSTANT, "also": pl.String},
    )


def pairs_of(truth: pl.DataFrame, states: list[str | None], *, off_s: float = 0.0, **columns: Any) -> pl.DataFrame:
    moved = [pl.col(edge) + pl.duration(microseconds=round(off_s * 1e6)) for edge in ("start", "end")]
    said = truth.select("session", "device", "source_row", "time", *moved)
    return said.with_columns(
        pl.Series("state", states, dtype=pl.String),
        pl.Series("used", columns.get("used", [True] * len(states))),
        pl.Series("reason", columns.get("reason", [None] * len(states)), dtype=pl.String),
    )


def sessions_of(bound_s: float) -> pl.DataFrame:
    return pl.DataFrame({"session": ["s01"], "device": ["band"], "bound_s": [bound_s]})


def clock_of(low_s: float, high_s: float) -> list[dict[str, Any]]:
    return [
        {
            "session": "s01",
            "device": "band",
            "offset_s": 5.0,
            "low_s": 5.0 + low_s,
            "high_s": 5.0 + high_s,
            "trust": "firm",
        }
    ]


def test_a_reading_counts_to_the_next_at_most_one_and_a_half_intervals() -> None:
    truth = truth_of(["faithful"] * 6, times=[0, 2, 4, 6, 16, 18])
    assert with_seconds(truth)["seconds"].to_list() == [2.0, 2.0, 2.0, 3.0, 2.0, 2.0]


def test_a_session_does_not_reach_into_the_next() -> None:
    one = truth_of(["faithful"] * 3)
    two = one.with_columns(session=pl.lit("s02"), time=pl.col("time") + pl.duration(seconds=2.5))
    assert with_seconds(pl.concat([two, one]))["seconds"].to_list() == [1.0] * 6


def test_precision_recall_f1_and_false_alarms_by_seconds() -> None:
    # truth: 10 s faithful, 6 s halved, 4 s frozen
    truth = truth_of(["faithful"] * 10 + ["halved"] * 6 + ["frozen"] * 4)
    # said: 1 s of the faithful called halved, 1 s called between; 1 s of the halved missed; 1 s of the frozen unplaced
    said: list[str | None] = ["faithful"] * 8 + ["between", "halved"]
    said += ["halved"] * 5 + ["faithful"] + ["frozen"] * 3 + [None]
    found = state_score(joined(truth, pairs_of(truth, said)))
    halved = found["per_state"]["halved"]
    assert (halved["true_s"], halved["said_s"]) == (6.0, 6.0)
    assert halved["precision"] == pytest.approx(5 / 6)
    assert halved["recall"] == pytest.approx(5 / 6)
    assert halved["f1"] == pytest.approx(5 / 6)
    frozen = found["per_state"]["frozen"]
    assert (frozen["precision"], frozen["recall"]) == (1.0, 0.75)
    assert frozen["f1_given"] == 1.0
    assert found["without_state_s"] == 1.0
    assert frozen["f1"] == pytest.approx(6 / 7)
    assert found["false_alarm_share"] == pytest.approx(0.1)  # between is no false alarm
    assert found["confusion_s"]["frozen"] == {"frozen": 3.0, "none": 1.0}
    assert found["per_state"]["doubled"] == {
        "true_s": 0,
        "said_s": 0.0,
        "precision": None,
        "recall": None,
        "f1": None,
        "f1_given": None,
    }


def test_sentinels_and_readings_without_reference_are_left_out_and_counted() -> None:
    truth = truth_of(["halved"] * 4 + ["missing"] * 2 + ["faithful"] * 4, sentinel=(4, 5))
    reason = ["no_reference", "reference_doubtful", None, "out_of_range", "sentinel", "sentinel", *[None] * 4]
    said: list[str | None] = [None, "halved", "halved", "faithful", None, None, *["faithful"] * 4]
    found = state_score(joined(truth, pairs_of(truth, said, reason=reason)))
    assert found["left_out_s"] == {"no_reference": 1.0, "reference_doubtful": 1.0, "sentinel": 2.0}
    assert found["judged_s"] == 6.0
    assert found["per_state"]["halved"]["recall"] == 0.5


def test_a_reading_without_a_pair_is_a_miss_not_a_gift() -> None:
    truth = truth_of(["halved"] * 4)
    pairs = pairs_of(truth, ["halved"] * 4).head(2)
    assert state_score(joined(truth, pairs))["per_state"]["halved"]["recall"] == 0.5


@pytest.mark.parametrize("headings", [1, 3])
def test_rows_counted_with_their_heading_lines_are_lined_up_by_their_stamps(headings: int) -> None:
    truth = truth_of(["faithful"] * 10 + ["halved"] * 10)
    pairs = pairs_of(truth, ["faithful"] * 10 + ["halved"] * 10)
    shifted = pairs.with_columns(source_row=pl.col("source_row") + headings)
    rows = joined(truth, shifted)
    assert state_score(rows)["per_state"]["halved"]["f1"] == 1.0
    assert clock_rows(rows, sessions_of(0.1), [])["error_s"].to_list() == [0.0]


def test_rows_whose_stamps_disagree_stop_the_score() -> None:
    truth = truth_of(["faithful"] * 10)
    pairs = pairs_of(truth, ["faithful"] * 10).with_columns(time=pl.col("time") + pl.duration(seconds=90))
    with pytest.raises(ValueError, match="expected rows of truth") as caught:
        joined(truth, pairs)
    said = "s01 band: expected rows of truth and results to bear the same stamps, 0% do"
    assert str(caught.value) == said


@pytest.mark.parametrize(("off_s", "within"), [(0.0, 1), (0.9, 1), (-0.9, 1), (1.1, 0)])
def test_centre_within_a_second(off_s: float, within: int) -> None:
    truth = truth_of(["faithful"] * 5)
    table = clock_rows(joined(truth, pairs_of(truth, ["faithful"] * 5, off_s=off_s)), sessions_of(0.1), [])
    assert table["error_s"].to_list() == pytest.approx([off_s])
    assert clock_score(table)["n_sharp_within_1_s"] == within
    assert clock_score(table)["share_sharp_within_1_s"] == within


def test_a_longer_window_with_the_same_centre_is_no_error() -> None:
    truth = truth_of(["faithful"] * 5)
    pairs = pairs_of(truth, ["faithful"] * 5).with_columns(
        start=pl.col("start") - pl.duration(seconds=3), end=pl.col("end") + pl.duration(seconds=3)
    )
    assert clock_rows(joined(truth, pairs), sessions_of(0.1), [])["abs_error_s"].to_list() == [0.0]


# the said centre is 2 s late, so that the true offset lies 2 s below the said one
@pytest.mark.parametrize(("low_s", "high_s", "covers"), [(-2.5, 0.5, True), (-1.5, 2.5, False), (-1.9, 0.1, False)])
def test_interval_covers_when_it_reaches_the_true_centre(low_s: float, high_s: float, *, covers: bool) -> None:
    truth = truth_of(["faithful"] * 5)
    rows = joined(truth, pairs_of(truth, ["faithful"] * 5, off_s=2.0))
    table = clock_rows(rows, sessions_of(0.5), clock_of(low_s, high_s))
    assert table["covers"].to_list() == [covers]
    assert clock_score(table)["share_blunt_covered"] == float(covers)


def test_a_refused_clock_is_no_answer_where_it_is_blunt_and_a_miss_where_it_is_sharp() -> None:
    truth = truth_of(["faithful"] * 5)
    pairs = pairs_of(truth, [None] * 5).with_columns(start=pl.lit(None, dtype=INSTANT), end=pl.lit(None, dtype=INSTANT))
    refused = [
        {"session": "s01", "device": "band", "offset_s": None, "low_s": None, "high_s": None, "trust": "refused"}
    ]
    blunt = clock_score(clock_rows(joined(truth, pairs), sessions_of(0.5), refused))
    assert (blunt["n_blunt_without_answer"], blunt["share_blunt_covered"]) == (1, None)
    sharp = clock_score(clock_rows(joined(truth, pairs), sessions_of(0.1), refused))
    assert (sharp["share_sharp_within_1_s"], sharp["n_sharp_without_answer"]) == (0.0, 1)


def test_worst_sessions_and_the_page() -> None:
    truth = truth_of(["faithful"] * 6 + ["halved"] * 4)
    said: list[str | None] = ["faithful"] * 6 + ["cadence_locked"] * 3 + ["halved"]
    found = score(truth, sessions_of(0.1), pairs_of(truth, said), clock_of(-1, 1))
    assert found["worst"][0]["wrong_s"] == 3.0
    assert found["worst"][0]["mostly"] == "halved called cadence_locked"
    page = markdown({"hand": found})
    assert "| halved | >= 0.93 | 4 | 1.000 | 0.250 | 0.400 | 0.400 |" in page
    assert "| faithful time called a failure | <= 0.005 | 0.0000 |" in page


def test_json_holds_no_infinity() -> None:
    assert plain({"a": [float("inf"), float("nan"), 1.5], "b": "x"}) == {"a": [None, None, 1.5], "b": "x"}
