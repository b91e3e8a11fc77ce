"""Windows, rhythms and time away in the session strip; margins of exports that span sessions left out."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from invented_results import invented
from wearbench.figures import draw_strip, draw_wall, strip_tables, wall_table
from wearbench.figures.flow import flow_table
from wearbench.figures.runs import session_spans, state_runs
from wearbench.findings import subjects
from wearbench.study.results import Results, plain

RHYTHMS = [
    {"device": "band-a", "quantity": "heart_rate", "rhythm": name, "usual_s": usual, "averaging_s": usual}
    | {"share_of_time": 0.5}
    for name, usual in (("one value a second", 1.0), ("one value a minute", 60.0))
]


def with_(results: Results, pairs: pl.DataFrame | None = None, **more: Any) -> Results:
    document = {**results.document, **more}
    return Results(document=plain(document), pairs=results.pairs if pairs is None else pairs, traces=results.traces)


def drawn(results: Results, session: str = "S01") -> str:
    table = dict(strip_tables(results, subjects(results.document, results.pairs)[0]))[session]
    return draw_strip(table, title="t", scope="s", unit="bpm", uid="t", tolerance=5.0)


def test_readings_that_stand_for_a_minute_are_drawn_a_minute_long() -> None:
    slow = invented(sessions=1, minutes=30, step=60, failures=False)
    windowed = slow.pairs.with_columns(start=pl.col("end") - pl.duration(seconds=60))
    assert 'class="trace window t-faithful"' in drawn(with_(slow, windowed))
    assert "window" not in drawn(invented(sessions=1, minutes=30, failures=False))


def test_a_change_of_rhythm_does_not_cut_the_slow_part_and_is_bracketed() -> None:
    results = invented(sessions=1, minutes=30, failures=False)
    first = results.pairs["end"].min()
    assert isinstance(first, datetime)
    elapsed = (pl.col("end") - first).dt.total_seconds()
    mixed = results.pairs.filter((elapsed < 900) | (elapsed % 60 == 0))
    told = with_(results, mixed, rhythms=RHYTHMS)
    table = dict(strip_tables(told, subjects(told.document, told.pairs)[0]))["S01"]
    rhythms = table.filter(pl.col("what") == "rhythm")
    assert rhythms["label"].to_list() == ["one value a second", "one value a minute"]
    svg = drawn(told)
    assert svg.count('class="bracket"') == 2
    (trace,) = [part for part in svg.split("<path") if 'class="trace t-faithful"' in part]
    assert trace.count("M") <= 2


def test_time_not_worn_and_not_expected_is_shaded_and_in_the_legend() -> None:
    results = invented(sessions=1, minutes=20, failures=False)
    start = datetime.fromisoformat(str(results.pairs["end"].min()))
    spans = (("not_worn", 60, 180), ("not_expected", 300, 400))
    away = [
        {"id": f"S01-E9{k}", "session": "S01", "device": "band-a", "quantity": "heart_rate", "state": state}
        | {"start": start + timedelta(seconds=a), "end": start + timedelta(seconds=b), "seconds": float(b - a)}
        for k, (state, a, b) in enumerate(spans)
    ]
    svg = drawn(with_(results, episodes=away))
    assert svg.count('class="away"') == 2
    assert ">not worn<" in svg
    assert ">no value expected<" in svg


def test_margins_of_an_export_are_no_part_of_the_session() -> None:
    results = invented(sessions=1, minutes=20, failures=False)
    first, last = results.pairs["end"].min(), results.pairs["end"].max()
    assert isinstance(first, datetime)
    assert isinstance(last, datetime)
    low, high = first + timedelta(minutes=5), first + timedelta(minutes=15)
    inside = (pl.col("end") >= low) & (pl.col("end") <= high)
    pairs = results.pairs.with_columns(
        used=inside, reason=pl.when(inside).then(None).otherwise(pl.lit("no_reference")), state=pl.lit("faithful")
    )
    flow = [{"device": "band-a", "quantity": "heart_rate", "step": "left_out_by_rule", "seconds": 600.0}]
    told = {"session": "S01", "told_start": low, "told_end": high, "has_reference": False}
    cut = with_(results, pairs, sessions=[told], flow=flow, episodes=[])
    subject = subjects(cut.document, cut.pairs)[0]
    assert subject.pairs["end"].min() == low
    assert subject.pairs["end"].max() == high
    assert session_spans(cut).select("first", "last").row(0) == (low, high)
    assert set(state_runs(cut, subject)["state"]) <= {"faithful"}
    assert flow_table(cut.document, subject)["seconds"].to_list() == [0.0]
    whole = with_(results, pairs, sessions=[{"session": "S01"}], flow=flow, episodes=[])
    assert subjects(whole.document, whole.pairs)[0].pairs["end"].max() == last


def test_a_session_whose_readings_all_lie_elsewhere_keeps_them() -> None:
    results = invented(sessions=1, minutes=10, failures=False)
    last = results.pairs["end"].max()
    assert isinstance(last, datetime)
    pairs = results.pairs.with_columns(used=pl.lit(value=False), reason=pl.lit("no_reference"))
    away = {"session": "S01", "told_start": last + timedelta(hours=5), "told_end": last + timedelta(hours=6)}
    cut = with_(results, pairs, sessions=[away])
    mine = subjects(cut.document, cut.pairs)[0].pairs
    assert mine.height == results.pairs.filter(pl.col("device") == "band-a").height


def test_names_of_days_are_told_apart_on_a_narrow_wall() -> None:
    results = invented(sessions=3, prefix="2031-10-")
    subject = subjects(results.document, results.pairs)[0]
    table = wall_table(results, subject)
    narrow = draw_wall(table, title="t", scope="s", uid="t", width=344.0)
    assert [f">{k}<" in narrow for k in ("01", "02", "03")] == [True] * 3
    assert ">2031-10-01<" in draw_wall(table, title="t", scope="s", uid="t", width=920.0)
