"""Criteria held against results: three outcomes, what would tell, the trade's figures."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from study_folders import STUDY, invented_results

from wearbench.quantities import QUANTITIES
from wearbench.study import (
    CriterionOutcome,
    criterion_lines,
    judge_criteria,
    judge_trade_figures,
    read_config,
    results_schema,
)
from wearbench.study.criterionwords import criterion_line
from wearbench.study.results import plain, table_of

SPREAD = "if value and spread stay as they are, "


def config_with(folder: Path, text: str):
    (folder / "study.toml").write_text(f"{STUDY}\n[criteria.close]\n{text}\n", encoding="utf-8")
    return read_config(folder / "study.toml")


def document_of(
    *,
    people: int = 6,
    sessions: int = 12,
    quantity: str = "heart_rate",
    unit: str = "bpm",
    n_pairs: int = 5000,
    **statistics: tuple[float | None, float | None, float | None],
) -> dict[str, Any]:
    """Results over everything; each statistic as value, low, high."""
    clusters = people if people > 1 else sessions
    rows = {
        name: {
            "value": value,
            "low": low,
            "high": high,
            "method": "t",
            "n": 0 if low is None else clusters,
            "why": "too few" if value is None else "one pair: no interval can be given" if low is None else None,
        }
        for name, (value, low, high) in statistics.items()
    }
    row = {"device": "band", "quantity": quantity, "unit": unit, "by": "all", "group": "all", "readings": "all"}
    counts = {"n_pairs": n_pairs, "n_sessions": sessions, "n_participants": people}
    return {"agreement": [{**row, **counts, "clock": "fitted", "statistics": rows}]}


def judged(folder: Path, text: str, **options: Any) -> CriterionOutcome:
    (outcome,) = judge_criteria(config_with(folder, text), document_of(**options))
    return outcome


@pytest.mark.parametrize(
    ("at_most", "outcome", "kept", "needed", "why"),
    [
        (10, "met", True, None, None),
        (3.5, "met", True, None, None),
        (
            3,
            "cannot be told yet",
            True,
            15,
            SPREAD + "15 participants in all would show that it is met, 9 more than now",
        ),
        (
            2.5,
            "cannot be told yet",
            True,
            None,
            SPREAD + "not even 1,000 participants would tell: the value lies on the limit or next to it",
        ),
        (
            2,
            "cannot be told yet",
            False,
            17,
            SPREAD + "17 participants in all would show that it is not met, 11 more than now",
        ),
        (1, "not met", False, None, None),
    ],
)
def test_outcome_is_by_the_whole_interval(
    tmp_path: Path, at_most: float, outcome: str, kept: bool, needed: int | None, why: str | None
):
    # shorter by sqrt(6/k) t(k - 1)/t(5): .528 for 15, where ln(3/2.5)/ln(3.5/2.5) = .542 is enough (.550 for 14); and
    # .490 for 17, where half the lower arm is enough (.508 for 16)
    found = judged(tmp_path, f'statistic = "mape"\nat_most = {at_most}', mape=(2.5, 1.5, 3.5))
    assert (found.outcome, found.kept, found.needed, found.why) == (outcome, kept, needed, why)
    assert (found.device, found.quantity, found.value, found.unit) == ("band", "heart_rate", 2.5, "bpm")
    assert (found.n, found.clusters, found.origin, found.how_sure) == (6, "participants", "study", "own")
    assert found.fails == (outcome == "not met")


def test_sessions_of_one_person_are_what_is_counted(tmp_path: Path):
    found = judged(tmp_path, 'statistic = "bias"\nat_most = 3\nat_least = -3', people=1, bias=(1.0, -4.0, 6.0))
    assert (found.outcome, found.clusters, found.n) == ("cannot be told yet", "sessions", 12)
    # an arm of 5 on 12 sessions, at most 2 asked: sqrt(12/k) t(k - 1)/t(11) is .4031 for 61 and .3997 for 62
    assert found.why == SPREAD + "62 sessions in all would show that it is met, 50 more than now"


def test_one_session_speaks_for_itself_only(tmp_path: Path):
    text = 'statistic = "mape"\nat_most = {}'
    for at_most, outcome, why in (
        (10, "met", "of this one session only: no general claim"),
        (1, "not met", "of this one session only: no general claim"),
        (
            3,
            "cannot be told yet",
            "one session cannot tell how sessions differ; record more, then this says how many would tell",
        ),
    ):
        found = judged(tmp_path, text.format(at_most), people=1, sessions=1, mape=(2.5, 1.5, 3.5))
        assert (found.outcome, found.why, found.needed) == (outcome, why, None)


def test_a_value_without_interval_settles_nothing_and_no_value_counts_as_not_met(tmp_path: Path):
    text = 'statistic = "mape"\nat_most = 10'
    found = judged(tmp_path, text, mape=(2.5, None, None))
    assert (found.outcome, found.kept, found.why, found.fails) == ("cannot be told yet", True, "one pair", False)
    found = judged(tmp_path, text, mape=(None, None, None))
    assert (found.outcome, found.kept, found.why, found.fails) == ("cannot be told yet", False, "too few", True)
    (found,) = judge_criteria(config_with(tmp_path, text), {"agreement": []})
    assert (found.outcome, found.fails, found.why) == (
        "cannot be told yet",
        True,
        "the results hold nothing it is about",
    )
    found = judged(tmp_path, text, bias=(1.0, 0.5, 1.5))
    assert (found.why, found.fails) == ("the results have no statistic mape; they have bias", True)
    for odd in (math.nan, math.inf):
        found = judged(tmp_path, text, mape=(odd, 1.0, 2.0))
        assert (found.value, found.outcome, found.why, found.fails) == (None, "cannot be told yet", "no value", True)
        found = judged(tmp_path, text, mape=(2.5, 1.0, odd))
        assert (found.high, found.outcome, found.fails) == (None, "cannot be told yet", False)
        assert found.why == "without an interval nothing is settled"
    found = judged(tmp_path, text, mape=(2.5, 2.6, 3.5))
    assert (found.outcome, found.why) == ("met", None)
    found = judged(tmp_path, 'statistic = "mape"\nat_most = 3', mape=(2.5, 2.6, 3.5))
    assert (found.outcome, found.why) == ("cannot be told yet", "the value lies outside its own interval")


def test_the_fitted_clock_and_the_tracking_share(tmp_path: Path):
    document = document_of(mape=(2.5, 1.5, 3.5))
    (row,) = document["agreement"]
    document["agreement"].insert(0, {**row, "clock": "declared", "statistics": {"mape": {"value": 99.0}}})
    document["agreement"] += [{**row, "readings": "faithful"}, {**row, "by": "activity"}]
    mine = {"device": "band", "quantity": "heart_rate"}
    document["tracking"] = [
        {**mine, "by": "session", "group": "s01", "value": 0.1},
        {**mine, "by": "all", "group": "all", "value": 0.9, "low": 0.8, "high": 0.95, "n": 6},
    ]
    (found,) = judge_criteria(config_with(tmp_path, 'statistic = "mape"\nat_most = 10'), document)
    assert found.value == 2.5
    (found,) = judge_criteria(config_with(tmp_path, 'statistic = "tracking_share"\nat_least = 0.85'), document)
    assert (found.value, found.outcome) == (0.9, "cannot be told yet")
    assert found.needed is not None and found.needed > 6
    del document["agreement"][1]
    (found,) = judge_criteria(config_with(tmp_path, 'statistic = "mape"\nat_most = 10'), document)
    assert found.value == 99.0  # no fitted clock: the declared one


def test_the_confidence_of_the_settings_is_that_of_the_plan(tmp_path: Path):
    config = config_with(tmp_path, 'statistic = "bias"\nat_most = 3')
    document = document_of(bias=(1.0, -4.0, 6.0))
    (usual,) = judge_criteria(config, document)
    (lower,) = judge_criteria(config, {**document, "settings": {"confidence": 0.5}})
    assert usual.needed != lower.needed


def test_figures_of_the_trade_stand_beside_and_never_fail():
    document = document_of(mape=(12.0, 11.0, 13.0), within_greater=(0.9, 0.8, 0.95))
    mape, readout = judge_trade_figures(document)
    assert (mape.criterion, mape.outcome, mape.origin, mape.how_sure) == ("mape_10", "not met", "trade", "second hand")
    assert mape.source == "CTA-2065 (2018), as read by Reece, Bunn, Choi & Navalta 2021, Technologies 9(3):46"
    assert (readout.criterion, readout.at_least, readout.outcome) == ("readout_10_or_5", 1.0, "not met")
    assert not mape.fails and not readout.fails
    (mape,) = judge_trade_figures({**document, "settings": {"tolerance_share": 0.05}})  # another "greater of"
    assert mape.criterion == "mape_10"
    assert judge_trade_figures({}) == ()
    assert judge_trade_figures(document_of(quantity="grip", mape=(1.0, 0.5, 1.5))) == ()


def test_a_figure_of_the_trade_says_what_it_was_written_for_and_how_large_a_study_it_asks_for():
    small = judge_trade_figures(document_of(quantity="spo2", unit="%", n_pairs=150, rmse=(2.0, 1.5, 2.6)))
    assert [o.criterion for o in small] == ["a_rms_4", "a_rms_3_5"]
    assert small[0].note == (
        "written for healthy adults brought to 70 to 100 % with arterial blood as the reference; beside another "
        "oximeter it is a comparison only; asks for at least 10 participants, here 6; asks for at least 200 "
        "pairs, here 150"
    )
    large = judge_trade_figures(document_of(people=12, quantity="spo2", unit="%", rmse=(2.0, 1.5, 2.6)))
    assert large[0].note.endswith("it is a comparison only")


@pytest.mark.parametrize("quantity", list(QUANTITIES.values()), ids=list(QUANTITIES))
def test_every_figure_of_the_trade_is_documented_with_its_source(quantity: Any):
    page = (Path(__file__).resolve().parents[2] / "docs" / "folder.md").read_text(encoding="utf-8")
    for criterion in quantity.criteria:
        assert (criterion.at_most is None) != (criterion.at_least is None)
        bound = criterion.at_most if criterion.at_least is None else criterion.at_least
        (line,) = [
            row
            for row in page.splitlines()
            if row.startswith(f"| {quantity.label} |") and f"`{criterion.statistic}`" in row and f" {bound:g}" in row
        ]
        assert line.endswith(f"| {criterion.how_sure} |")
        assert criterion.source.split(",")[0].split(" (")[0] in line


@pytest.mark.parametrize(
    ("text", "statistics", "line"),
    [
        ("at_most = 10", (2.5, 1.5, 3.5), "mape at most 10: met with 2.5 (1.5 to 3.5)"),
        ("at_most = 1", (2.5, 1.5, 3.5), "mape at most 1: NOT MET with 2.5 (1.5 to 3.5)"),
        (
            "at_most = 2",
            (2.5, 1.5, 3.5),
            f"mape at most 2: cannot be told yet with 2.5 (1.5 to 3.5): {SPREAD}17 participants in all would "
            "show that it is not met, 11 more than now",
        ),
        ("at_most = 2", (2.5, None, None), "mape at most 2: cannot be told yet with 2.5, no interval: one pair"),
        (
            "at_most = 2",
            (None, None, None),
            "mape at most 2: cannot be told, since it cannot be given: too few; that counts as not met",
        ),
        ("at_most = 5\nat_least = 1", (2.5, 1.5, 3.5), "mape at most 5 and at least 1: met with 2.5 (1.5 to 3.5)"),
    ],
)
def test_a_criterion_in_one_line(tmp_path: Path, text: str, statistics: tuple[float, float, float], line: str):
    found = judged(tmp_path, f'statistic = "mape"\n{text}', mape=statistics)
    assert criterion_line(found) == f"close (band, heart_rate): {line}"


def test_lines_of_both_kinds(tmp_path: Path):
    document = document_of(mape=(2.5, 1.5, 3.5))
    own = judge_criteria(config_with(tmp_path, 'statistic = "mape"\nat_most = 10'), document)
    assert criterion_lines((), ()) == []
    assert criterion_lines(own, judge_trade_figures(document)) == [
        "",
        "Criteria of study.toml:",
        "  close (band, heart_rate): mape at most 10: met with 2.5 (1.5 to 3.5)",
        "",
        "Figures of the trade, for comparison:",
        "  mape_10 (band, heart_rate): mape at most 10: met with 2.5 (1.5 to 3.5) "
        "[CTA-2065 (2018), as read by Reece, Bunn, Choi & Navalta 2021, Technologies 9(3):46; second hand]",
    ]


def test_results_with_criteria_fit_the_schema_and_are_a_table(tmp_path: Path):
    document = invented_results().document
    outcomes = (
        *judge_criteria(config_with(tmp_path, 'statistic = "mape"\nat_most = 3'), document),
        *judge_criteria(config_with(tmp_path, 'statistic = "ccc"\nat_least = 0.9'), document),
        *judge_trade_figures(document),
    )
    document = plain({**document, "criteria": outcomes})
    jsonschema.validate(document, results_schema())
    rows = table_of(document, "criteria")
    assert [row["criterion"] for row in rows] == ["close", "close", "mape_10"]
    assert [row["outcome"] for row in rows] == ["cannot be told yet", "cannot be told yet", "met"]
