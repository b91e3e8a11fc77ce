"""The bench of fault findings: what it draws is fixed by the seed, and it goes on where it stopped."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from benchmarks.faults.__main__ import append
from benchmarks.faults.devices import KINDS, Halving
from benchmarks.faults.measure import Outcome
from benchmarks.faults.studies import HALVED, names, plan_of, write
from benchmarks.faults.table import page, rows_of


def outcome(seed: int, variant: str, *, faults: str = "", found: bool = False, k: int = 0) -> Outcome:
    return Outcome(
        seed=seed,
        variant=variant,
        simulator="first",
        device="plain",
        people=1,
        pod=False,
        faults=faults,
        n_faults=len(faults.split("; ")) if faults else 0,
        k=k,
        right=k,
        elsewhere=0,
        found=found,
        not_placed=0,
        cpu_s=2.0,
        write_s=0.1,
    )


def test_halving_fades_in_and_out_within_its_time() -> None:
    spell = Halving(start_s=100.0, seconds=480.0, edge_s=10.0)
    at = np.array([99.0, 100.0, 105.0, 110.0, 340.0, 570.0, 575.0, 580.0, 581.0])
    assert spell.ratio(at).tolist() == [1.0, 1.0, 0.75, 0.5, 0.5, 0.5, 0.75, 1.0, 1.0]


def test_a_seed_fixes_the_study_and_kinds_and_simulators_take_turns() -> None:
    assert plan_of(7) == plan_of(7)
    assert {plan_of(seed).device.name for seed in range(1, 11)} == set(KINDS)
    assert {plan_of(seed).simulator for seed in (1, 2)} == {"first", "second"}
    assert len(set(plan_of(7).halved)) == HALVED


def test_the_two_variants_differ_in_nothing_but_the_halved_sessions(tmp_path: Path) -> None:
    plan = plan_of(2)
    for variant in ("clean", "halved"):
        write(tmp_path / variant, plan, halving=variant == "halved")
    for name in names():
        strap, band = (
            [(tmp_path / v / "raw" / name / f"{device}.csv").read_text() for v in ("clean", "halved")]
            for device in ("strap", "band")
        )
        assert strap[0] == strap[1]
        assert (band[0] != band[1]) == (name in plan.halved)
    one = plan.halved[0]
    clean, halved = (pl.read_csv(tmp_path / v / "raw" / one / "band.csv")["heart_rate"] for v in ("clean", "halved"))
    assert 300 < int((halved / clean < 0.6).sum()) < 500


def test_rows_are_kept_and_a_torn_one_is_done_again(tmp_path: Path) -> None:
    place = tmp_path / "rows.csv"
    append(place, outcome(1, "clean"))
    append(place, outcome(1, "halved", found=True, k=9))
    with place.open("a") as file:
        file.write("2,clean,first,pl")
    assert [(r["seed"], r["variant"]) for r in rows_of(place)] == [("1", "clean"), ("1", "halved")]
    append(place, outcome(2, "clean"))
    assert [(r["seed"], r["variant"]) for r in rows_of(place)] == [("1", "clean"), ("1", "halved"), ("2", "clean")]


def test_page_counts_false_alarms_and_what_was_found(tmp_path: Path) -> None:
    place = tmp_path / "rows.csv"
    for row in (
        outcome(1, "clean"),
        outcome(2, "clean", faults="state_astray:s01 s02; missing:s03"),
        outcome(1, "halved", found=True, k=9),
        outcome(2, "halved", faults="state_astray:s01", k=7),
    ):
        append(place, row)
    text = page(rows_of(place))
    assert "| **all** (goal 6.5 %) | 2 | 1 | 50.0 % | 1.3 to 98.7 % |" in text
    assert "What was found in them: state_astray 1, missing 1." in text
    assert "| **all** (goal 90 %) | 2 | 1 | 50.0 % | 1.3 to 98.7 % |" in text
    assert "Sessions said to be halved (true: 9): 7: 1, 9: 1" in text
    assert "Another fault besides, in 1 of 2." in text
