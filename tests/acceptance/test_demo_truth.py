"""The demo held against the truth behind it, and what must hold of any results.

All of it is invented by the simulator. The whole demo is written and analysed once, in this process.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import jsonschema
import numpy as np
import polars as pl
import pytest
from whole_demo import Demo

from benchmarks.truth.score import score
from wearbench.core.pairing import REASONS
from wearbench.core.states import STATES
from wearbench.study import PAIRS
from wearbench.study.results import plain, results_schema


@pytest.fixture(scope="module")
def scores(demo: Demo) -> dict[str, Any]:
    truth = demo.folder / "truth"
    return score(
        pl.read_parquet(truth / "readings.parquet"),
        pl.read_parquet(truth / "sessions.parquet"),
        demo.pairs,
        demo.document["clock"],
    )


# Against the truth


def test_window_centres(scores: dict[str, Any]):
    """Within a second in 95 % of the sessions whose information bound is 0.3 s or less."""
    clock = scores["clock"]
    print(f"centres: {clock}")  # noqa: T201
    assert clock["n_sharp"] >= 30
    assert clock["n_sharp_without_answer"] == 0
    assert clock["share_sharp_within_1_s"] >= 0.95


@pytest.mark.parametrize("state", ["halved", "cadence_locked", "frozen"])
def test_states_by_seconds(state: str, scores: dict[str, Any]):
    found = scores["states"]["per_state"][state]
    print(f"{state}: {found}")  # noqa: T201
    assert found["true_s"] >= 300
    assert found["f1"] >= 0.93


def test_false_alarms(scores: dict[str, Any]):
    states = scores["states"]
    print(f"false alarms: {states['false_alarm_share']:.5f} of {states['judged_s']:.0f} s")  # noqa: T201
    assert states["judged_s"] >= 50_000
    assert states["false_alarm_share"] <= 0.005


# Of any results


def test_the_document_fits_its_schema(demo: Demo):
    schema = results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(plain(demo.document))
    assert demo.document["findings"]
    assert demo.document["invented"] is True


CONTRACT = """
session participant device reference_device quantity unit activity bout intensity firmware wear_site time start end
seconds tested reference covered mended cadence state ratio also probability episode event used reason source_row
"""


def test_pairs_have_the_columns_of_the_contract(demo: Demo):
    stored = pl.read_parquet(demo.folder / "results" / "pairs.parquet")
    assert stored.columns == CONTRACT.split() == list(PAIRS)
    kinds = dict(stored.schema)
    assert {kinds[name] for name in ("time", "start", "end")} == {pl.Datetime("us", "UTC")}
    numbers = ("seconds", "tested", "reference", "covered", "mended", "cadence", "ratio", "probability")
    assert {kinds[name] for name in numbers} == {pl.Float64()}
    assert kinds["used"] == pl.Boolean()


def test_every_reading_of_every_file_has_one_row(demo: Demo):
    truth = pl.read_parquet(demo.folder / "truth" / "readings.parquet")
    said, true = (sorted(frame.group_by("session", "device").len().rows()) for frame in (demo.pairs, truth))
    assert said == true
    assert demo.pairs.select("session", "device", "source_row").is_unique().all()


def test_words_are_the_documented_ones(demo: Demo):
    assert set(demo.pairs["state"].drop_nulls()) <= {*STATES, "missing"}
    assert set(demo.pairs["reason"].drop_nulls()) <= set(REASONS) - {""}
    assert set(demo.pairs["also"].drop_nulls()) <= {"cadence_locked"}
    used = demo.pairs["used"]
    assert (demo.pairs["reason"].is_null() == used).all()
    assert demo.pairs.filter(used)["reference"].is_finite().all()
    assert demo.pairs.filter(used)["tested"].is_finite().all()


def test_windows_are_in_order_of_time(demo: Demo):
    pairs = demo.pairs
    assert (pairs["start"] < pairs["end"]).all()
    for part in pairs.partition_by("session", "device"):
        for column in ("time", "start", "end"):
            assert part[column].is_sorted()
    shares = pairs.select((pl.col("covered") + 1e-9).is_between(0, 1 + 2e-9), pl.col("mended") <= pl.col("covered"))
    assert shares.to_numpy().all()


def seconds_of(stamp: str) -> float:
    return datetime.fromisoformat(stamp).timestamp()


def test_the_offset_formula_reproduces_every_window(demo: Demo):
    """end = time + offset_s + 1e-6 * drift_ppm * (time - at) - delay_s, and start = end - averaging_s."""
    windows = {row["device"]: row for row in demo.document["windows"]}
    assert set(windows) == {"band", "loop"}
    n = 0
    for clock in demo.document["clock"]:
        part = demo.pairs.filter(session=clock["session"], device=clock["device"])
        window = windows[clock["device"]]
        time, start, end = (part[name].dt.epoch("us").to_numpy() / 1e6 for name in ("time", "start", "end"))
        drift = 1e-6 * clock["drift_ppm"] * (time - seconds_of(clock["at"]))
        formula = time + clock["offset_s"] + drift - window["delay_s"]
        assert np.abs(formula - end).max() < 3e-6, (clock["session"], clock["device"])
        assert np.abs(end - window["averaging_s"] - start).max() < 3e-6
        assert clock["low_s"] <= clock["offset_s"] <= clock["high_s"]
        if clock["offset_is"] == "clock_minus_delay":
            assert window["delay_s"] == 0
        n += part.height
    assert n == demo.pairs.height


def test_seconds_add_up(demo: Demo):
    """Time in states by any grouping, in episodes and in the flow is the time of the pairs."""
    rows = demo.document["states"]
    for device in ("band", "loop"):
        mine = [row for row in rows if row["device"] == device]
        judged = demo.pairs.filter(pl.col("device") == device, pl.col("tested").is_between(0.5, 254.5))
        by_state = dict(judged.group_by("state").agg(pl.col("seconds").sum()).iter_rows())
        total = {row["state"]: row["seconds"] for row in mine if row["by"] == "all"}
        for state in STATES:
            assert total.get(state, 0.0) == pytest.approx(by_state.get(state, 0.0), abs=1e-6)
        assert total.get("unjudged", 0.0) == pytest.approx(by_state.get(None, 0.0), abs=1e-6)
        for by in ("session", "firmware", "activity"):
            sums: dict[str, float] = {}
            for row in mine:
                if row["by"] == by:
                    sums[row["state"]] = sums.get(row["state"], 0.0) + row["seconds"]
            assert sums == pytest.approx(total, abs=1e-6), by
        episodes: dict[str, float] = {}
        for row in demo.document["episodes"]:
            if row["device"] == device and row["doubt"] is None:  # what may be the reference's is not judged
                episodes[row["state"]] = episodes.get(row["state"], 0.0) + row["seconds"]
        failing = {state: s for state, s in total.items() if state not in ("faithful", "unjudged")}
        assert episodes == pytest.approx(failing, abs=1e-6)
        flow = {row["step"]: row["seconds"] for row in demo.document["flow"] if row["device"] == device}
        assert flow["worn"] >= flow["reference_trustworthy"]
        assert flow["worn"] >= flow["gave_values"] >= flow["judged"]
        assert flow["judged"] == pytest.approx(judged.filter("used")["seconds"].sum(), abs=1e-6)


def test_shares_of_a_group_sum_to_one(demo: Demo):
    groups: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for row in demo.document["states"]:
        groups.setdefault((row["device"], row["quantity"], row["by"], row["group"]), []).append(row)
    assert len(groups) > 50
    for key, rows in groups.items():
        judged = [row["share"] for row in rows if row["state"] != "unjudged"]
        assert [row["share"] for row in rows if row["state"] == "unjudged"] in ([], [None])
        assert sum(judged) == pytest.approx(1.0 if judged else 0.0, abs=1e-12), key


def test_every_episode_has_its_own_id_and_its_readings(demo: Demo):
    episodes = [row for row in demo.document["episodes"] if row["doubt"] is None]
    by_id = {row["id"]: row for row in episodes}
    assert len(by_id) == len(episodes)
    assert len({row["id"] for row in demo.document["episodes"]}) == len(demo.document["episodes"])
    used = demo.pairs.drop_nulls("episode").group_by("episode").agg(
        pl.col("session").first(), pl.col("device").first(), pl.col("event").n_unique(),
        pl.col("state").n_unique().alias("states"), pl.col("state").first(), pl.col("seconds").sum(),
        pl.col("event").first().alias("of"),
    )  # fmt: skip
    for row in used.iter_rows(named=True):
        told = by_id[row["episode"]]
        assert (row["event"], row["states"], row["of"]) == (1, 1, told["event"])
        assert (row["session"], row["device"], row["state"]) == (told["session"], told["device"], told["state"])
        assert row["seconds"] == pytest.approx(told["seconds"])
    silent = {row["id"] for row in episodes if row["state"] == "missing"}
    assert set(used["episode"]) | silent == set(by_id)
    failing = demo.pairs.filter(pl.col("state").is_not_null() & ~pl.col("state").is_in(["faithful", "missing"]))
    assert failing["episode"].is_not_null().all()
    assert demo.pairs.filter(state="faithful")["episode"].is_null().all()
    assert all(seconds_of(row["start"]) < seconds_of(row["end"]) for row in episodes)


def test_agreement_is_that_of_the_used_pairs(demo: Demo):
    """Bias and mean absolute error over everything, recomputed from pairs.parquet alone."""
    for device in ("band", "loop"):
        (row,) = [
            r
            for r in demo.document["agreement"]
            if (r["device"], r["by"], r["readings"], r["clock"]) == (device, "all", "all", "fitted")
        ]
        used = demo.pairs.filter(pl.col("device") == device, pl.col("used"))
        off = (used["tested"] - used["reference"]).to_numpy()
        assert row["n_pairs"] == off.size
        assert row["statistics"]["bias"]["value"] == pytest.approx(off.mean(), abs=1e-9)
        assert row["statistics"]["mae"]["value"] == pytest.approx(np.abs(off).mean(), abs=1e-9)
        assert row["statistics"]["rmse"]["value"] == pytest.approx(np.sqrt(np.square(off).mean()), abs=1e-9)
