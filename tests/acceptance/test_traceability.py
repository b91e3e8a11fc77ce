"""Every sentence leads to rows of the results, and every number in it can be worked out from them.

All findings of the demo and of studies made by hand are walked; scope lines are looked for wherever a claim is shown.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hand_study import Session, run, silent, times, true
from traced import unexplained, walk
from whole_demo import Demo

from wearbench.errors import DataError
from wearbench.findings import Finding


def test_every_number_of_the_demo_is_in_the_rows_it_cites(demo: Demo) -> None:
    kinds = walk(demo.document["findings"], demo.document, demo.pairs)
    assert {"tracking", "accuracy", "missing", "clock", "reference_doubtful", "rhythm", "worst_activity"} <= kinds
    assert len([k for k in kinds if k.startswith("state_")]) >= 4


def test_a_number_that_is_in_no_row_is_noticed(demo: Demo) -> None:
    """The walk itself can fail: each kind of number, changed a little, is left unexplained."""
    (tracking,) = [f for f in demo.document["findings"] if (f["device"], f["evidence"]["kind"]) == ("band", "tracking")]
    (accuracy,) = [f for f in demo.document["findings"] if (f["device"], f["evidence"]["kind"]) == ("band", "accuracy")]
    for finding, claim in (
        (tracking, "It was right for 13.7 % of the time."),
        (tracking, "That is 9 h 17 min."),
        (accuracy, "It was off by 987.6 bpm."),
        (accuracy, "In 877 sessions."),
    ):
        assert len(unexplained({**finding, "claim": claim}, demo.document, demo.pairs)) == 1, claim


@pytest.mark.parametrize("wrong", ["halved", "missing"])
def test_every_number_of_a_study_by_hand_is_in_the_rows_it_cites(wrong: str, tmp_path: Path) -> None:
    how = times(0.5, (100, 230)) if wrong == "halved" else silent((100, 230))
    sessions = [Session(devices={"band": how}), Session(devices={"band": true(more=2.0)})]
    sessions += [Session(devices={"band": times(0.5, (100, 130))}), Session(devices={"band": true(more=1.0)})]
    told = run(tmp_path / "study", sessions)
    kinds = walk([asdict(f) for f in told.findings], told.results.document, told.results.pairs)
    assert {"tracking", "lapses", "not_seen", "missing" if wrong == "missing" else "state_halved"} <= kinds


# Scope


def test_a_finding_cannot_be_made_without_its_scope() -> None:
    with pytest.raises(DataError, match=r"^expected a finding with its scope, got none; a claim is never shown withou"):
        Finding(id="F-1", device="band", claim="It was right.", scope=" ", evidence={})


def test_scope_stands_in_json_on_screen_in_the_report_and_in_every_figure(tmp_path: Path, wearbench: Any) -> None:
    """Whose, which unit, where worn, which firmware, against what: wherever a claim is shown."""
    folder = tmp_path / "study"
    sessions = [Session(devices={"band": times(0.5, (100, 230))}), Session(devices={"band": true(more=2.0)})]
    told = run(folder, sessions)
    scope = "Band, heart rate: one person, one unit, 2 sessions, left wrist, firmware 2.1, against Chest patch"
    done = wearbench("run", folder, "--quiet")
    assert (done.code, done.err) == (0, "")
    assert f"\n{scope}:\n" in done.out
    shown = wearbench("show", folder, "findings").out
    assert shown.count(scope) == len(told.findings)
    rows = json.loads(wearbench("show", folder, "findings", "--json").out)
    assert {r["scope"] for r in rows} == {scope}
    page = (folder / "results/report.html").read_text(encoding="utf-8")
    assert page.count(scope) >= len(rows)
    figures = sorted((folder / "results/figures").rglob("*.svg"))
    assert figures
    told_in = [" ".join(re.sub(r"<[^>]+>", " ", f.read_text(encoding="utf-8")).split()) for f in figures]
    assert [f.name for f, text in zip(figures, told_in, strict=True) if "left wrist" not in text] == []
