"""What limits rest on, in the document: invented pairs that break one assumption each, and what leads then."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from invented_results import invented
from wearbench.core.agreement import limits_of_agreement, ratio_limits
from wearbench.findings import find
from wearbench.recipe.assumptionrows import assumption_tables
from wearbench.settings import Settings
from wearbench.study import Results, results_schema


def tables(results: Results) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    return assumption_tables(results.document["agreement"], results.pairs, Settings())


def sound(change: Any, *, sessions: int = 12, participants: int = 6) -> Results:
    """Results of one device without failures, its values made from the reference by ``change``."""
    results = invented(
        sessions=sessions,
        participants=participants,
        devices=("band-b",),
        failures=False,
        minutes=3.0,
        quantity="heart_rate",
    )
    rng = np.random.default_rng(5)
    reference = results.pairs["reference"].to_numpy()
    pairs = results.pairs.with_columns(tested=pl.Series(change(reference, rng)))
    return Results(document=results.document, pairs=pairs, traces=results.traces)


def overall(rows: list[dict[str, Any]], readings: str = "all") -> dict[str, Any]:
    return next(r for r in rows if r["by"] == "all" and r["readings"] == readings and r["clock"] == "fitted")


def test_usual_limits_lead_where_nothing_speaks_against() -> None:
    results = sound(lambda x, rng: x + rng.normal(0, 2, x.size))
    led, assumptions, _ = tables(results)
    row = overall(led)
    assert row["primary"] == "repeated"
    assert row["primary_why"] == (
        "There are repeated pairs in each of the participants, and nothing seen speaks against them."
    )
    used = results.pairs.filter("used")
    plain = limits_of_agreement(used["tested"], used["reference"], participant=used["participant"].to_numpy())
    assert row["primary_limits"][0]["limit_low"]["value"] == pytest.approx(plain.low.value, rel=1e-9)
    assert {a["outcome"] for a in assumptions if a["by"] == "all"} == {"holds"}


def test_sloping_limits_lead_and_the_slope_is_a_finding() -> None:
    results = sound(lambda x, rng: x - 0.08 * (x - 100) + rng.normal(0, 2, x.size))
    led, assumptions, reviewers = tables(results)
    row = overall(led)
    assert row["primary"] == "sloping"
    at = [limits["at"] for limits in row["primary_limits"]]
    bias = [limits["bias"]["value"] for limits in row["primary_limits"]]
    assert len(at) == 3
    assert (bias[2] - bias[0]) / (at[2] - at[0]) == pytest.approx(-0.08 / 0.96, abs=0.005)  # D on A: b/(1 + b/2)
    document = {**results.document, "agreement": led, "assumptions": assumptions, "reviewers": reviewers}
    said = {f.evidence["kind"]: f.claim for f in find(document, results.pairs)}
    claim = said["assumption_proportional_bias"]
    assert claim.startswith("It reads lower the higher the heart rate: 0.791 bpm less for each 10 bpm (95 % ")
    assert claim.endswith("One figure for the bias is then too much at one end and too little at the other.")
    assert {r["family"] for r in reviewers if r["primary"] and r["readings"] == "all"} == {"sloping"}


def test_ratios_lead_where_scatter_follows_the_value() -> None:
    results = sound(lambda x, rng: x * np.exp(rng.normal(0, 0.04, x.size)))
    wide = results.pairs.with_columns(reference=4 * pl.col("reference") - 250)
    factor = results.pairs["tested"] / results.pairs["reference"]
    results = Results(
        document=results.document, pairs=wide.with_columns(tested=wide["reference"] * factor), traces=results.traces
    )
    row = overall(tables(results)[0])
    assert row["primary"] == "ratio"
    used = results.pairs.filter("used")
    plain = ratio_limits(used["tested"], used["reference"], participant=used["participant"].to_numpy())
    assert row["primary_limits"][0]["limit_high"]["value"] == pytest.approx(plain.high.value, rel=1e-9)
    assert row["primary_limits"][0]["scale"] == "ratio"


def test_two_parts_lead_where_right_and_wrong_are_mixed() -> None:
    results = invented(sessions=12, participants=6, devices=("band-a",), minutes=3.0)
    led, assumptions, reviewers = tables(results)
    row, right = overall(led), overall(led, "faithful")
    assert row["primary"] == "two_part"
    assert row["primary_limits"][0]["readings"] == "faithful"
    assert row["primary_limits"][0]["limit_low"] == right["primary_limits"][0]["limit_low"]
    document = {**results.document, "agreement": led, "assumptions": assumptions, "reviewers": reviewers}
    said = find(document, results.pairs)
    kinds = [f.evidence["kind"] for f in said]
    assert kinds.index("tracking") < kinds.index("accuracy_faithful") < kinds.index("accuracy")
    claim = next(f.claim for f in said if f.evidence["kind"] == "assumption_mixture")
    assert "Read it in two parts: right for" in claim
    assert "not comparable with published limits." in claim
    assert "assumption_heavy_tails" not in kinds


def test_few_people_are_said() -> None:
    results = sound(lambda x, rng: x - 0.08 * (x - 100) + rng.normal(0, 2, x.size), participants=3)
    led, assumptions, _ = tables(results)
    assert overall(led)["primary"] == "repeated"
    assert overall(led)["primary_why"].startswith(
        "There are 3 participants only: fewer than 5 say little about others."
    )
    claims = [f.claim for f in find({**results.document, "agreement": led, "assumptions": assumptions}, results.pairs)]
    assert (
        "There are 3 participants only: fewer than 5 say little about others. Take every interval as a first idea."
        in claims
    )


def test_one_session_is_parted_into_blocks() -> None:
    results = sound(lambda x, rng: x + rng.normal(0, 2, x.size), sessions=1)
    led, assumptions, reviewers = tables(results)
    assert not any("participant" in str(r["method"]) for r in reviewers)
    assert not any("participant" in limits["bias"]["method"] for row in led for limits in row["primary_limits"])
    few = next(a for a in assumptions if a["by"] == "all" and a["assumption"] == "few_clusters")
    assert few["said"] == "There are 2 blocks only: fewer than 5 say little about others."


def test_groups_that_are_not_looked_at_say_so() -> None:
    led, assumptions, _ = tables(sound(lambda x, rng: x + rng.normal(0, 2, x.size)))
    session = next(r for r in led if r["by"] == "session")
    assert session["primary_why"] == (
        "Assumptions are looked at over all pairs and by activity and firmware; here the usual limits stand."
    )
    assert {a["by"] for a in assumptions} == {"all", "activity", "firmware"}


def test_rows_are_as_the_schema_says() -> None:
    import jsonschema

    results = invented(sessions=8, participants=4, minutes=2.0)
    led, assumptions, reviewers = tables(results)
    schema = results_schema()
    for name, rows in (("agreement", led), ("assumptions", assumptions), ("reviewers", reviewers)):
        assert rows
        jsonschema.validate(rows, {**schema["properties"][name], "$defs": schema["$defs"]})


def test_nothing_to_look_at() -> None:
    results = invented(sessions=2, minutes=1.0)
    assert assumption_tables([], results.pairs, Settings()) == ([], [], [])
    led, assumptions, reviewers = assumption_tables(results.document["agreement"], results.pairs.clear(), Settings())
    assert (assumptions, reviewers) == ([], [])
    assert {row["primary"] for row in led} == {"repeated"}
