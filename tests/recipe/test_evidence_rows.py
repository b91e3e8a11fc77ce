"""Which interval a study may lean on: declared, always valid, or none."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from worn_sessions import BAND, HEAD, study

from wearbench.recipe.evidencerows import rests_on
from wearbench.study import Decision, Study, load_study
from wearbench.study.config import read_config
from wearbench.study.declaration import as_declaration, canonical_text, sha256_of, short_hash

DAY = datetime(2031, 1, 12, 9, tzinfo=UTC)
TERMS = {
    "schema": 1,
    "question": "Does it halve?",
    "primary": {"statistic": "mape"},
    "sessions": {"planned": 8, "stopping": "after eight"},
}


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = study(
        tmp_path_factory.mktemp("evidence") / "s", {"raw/S1/band.csv": "time,heart_rate\n"}, toml=HEAD + BAND
    )
    return load_study(folder)


def _declared(folder: Path, *, made: datetime) -> Decision:
    declaration = as_declaration(TERMS, read_config(folder / "study.toml"))
    value = {"text": canonical_text(declaration), "hash": short_hash(sha256_of(declaration))}
    return Decision(id="D1", made=made, kind="declare", value=value)


def _look(made: datetime) -> Decision:
    return Decision(id="L1", made=made, kind="look")


def test_nothing_declared(bare: Study) -> None:
    assert rests_on(bare, sessions=8) == ("always valid", "no number of sessions was declared beforehand")


def test_declared_beforehand_and_kept_to(bare: Study) -> None:
    told = replace(bare, decisions=(_declared(bare.folder, made=DAY), _look(DAY + timedelta(days=1))))
    assert rests_on(told, sessions=8) == (
        "declared",
        "8 sessions declared before results were seen, and so many judged",
    )
    assert rests_on(told, sessions=7) == ("always valid", "8 sessions declared, 7 could be judged")


def test_declared_after_results_had_been_seen(bare: Study) -> None:
    told = replace(bare, decisions=(_look(DAY), _declared(bare.folder, made=DAY + timedelta(days=1))))
    assert rests_on(told, sessions=8) == (
        "always valid",
        "the number of sessions was declared after results had been seen",
    )


def test_left_out_by_hand_with_the_values_in_view(bare: Study) -> None:
    cut = Decision(id="D2", made=DAY + timedelta(days=2), kind="leave_out", session="S1", tested_visible=True)
    told = replace(bare, decisions=(_declared(bare.folder, made=DAY), _look(DAY + timedelta(days=1)), cut))
    assert rests_on(told, sessions=8) == (
        "exploratory",
        "1 stretch was left out by hand with the tested values in view",
    )
    blind = replace(told, decisions=(*told.decisions[:2], msgspec.structs.replace(cut, tested_visible=False)))
    assert rests_on(blind, sessions=8)[0] == "declared"
    back = Decision(id="D3", made=DAY + timedelta(days=3), kind="revoke", revokes="D2")
    assert rests_on(replace(told, decisions=(*told.decisions, back)), sessions=8)[0] == "declared"
