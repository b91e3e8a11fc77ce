"""Beside an interval stands how often such intervals hold, and a plain warning where that is too seldom."""

from __future__ import annotations

from typing import Any

from wearbench.report.tables import Cell, coverage_note, covered_cell


def statistic(**other: Any) -> dict[str, Any]:
    return {"value": -2.0, "low": -3.1, "high": -0.9, "method": "t(7)", "n": 8, "why": None} | other


DESIGN = "8 participants x 3 sessions, a tenth of persons fail; 1000 studies"


def test_an_interval_says_how_often_such_intervals_hold() -> None:
    found = covered_cell("bias", statistic(coverage=0.944, coverage_design=DESIGN), "bpm")
    assert found == Cell(text="−2.0 bpm", small="−3.1 to −0.9; such intervals hold in 94 %")


def test_an_interval_that_was_not_measured_says_nothing_of_it() -> None:
    plain = Cell(text="−2.0 bpm", small="−3.1 to −0.9")
    assert covered_cell("bias", statistic(coverage=None, coverage_design=None), "bpm") == plain
    assert covered_cell("bias", statistic(), "bpm") == plain
    assert coverage_note({"Bias": statistic()}, what="all readings") == ""


def test_a_note_names_the_design() -> None:
    said = coverage_note({"Bias": statistic(coverage=0.95, coverage_design=DESIGN)}, what="all readings")
    assert said == (
        "How often intervals hold (all readings) was measured in simulated studies of the nearest design: "
        "8 participants x 3 sessions, a tenth of persons fail; 1000 studies."
    )


def test_below_ninety_the_note_warns() -> None:
    parts = {
        "Bias": statistic(coverage=0.571, coverage_design=DESIGN),
        "Lower limit": statistic(coverage=0.641, coverage_design=DESIGN),
        "Upper limit": statistic(coverage=0.93, coverage_design=DESIGN),
    }
    said = coverage_note(parts, what="all readings")
    assert said.endswith(
        " Too narrow: the intervals of Bias, Lower limit say 95 %, but held the truth in only 57 to 64 of 100 such "
        "studies."
    )
    one = coverage_note({"Bias": statistic(coverage=0.899, coverage_design=DESIGN)}, what="while right")
    assert one.endswith("say 95 %, but held the truth in only 90 of 100 such studies.")
