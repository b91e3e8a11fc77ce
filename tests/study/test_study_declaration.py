from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from study_folders import STUDY, make_study

from wearbench.errors import StudyError
from wearbench.study import (
    COLUMNS,
    Decision,
    Rules,
    Session,
    append_decisions,
    criteria_that_turn,
    declared_in,
    deviations,
    load_study,
    read_config,
    read_decisions,
    read_declaration,
    record_declaration,
)
from wearbench.study.beforehand import beforehand_lines
from wearbench.study.declaration import as_declaration, canonical_text, of_text, sha256_of, short_hash

MADE = datetime(2031, 1, 12, 9, tzinfo=UTC)
TABLE: dict[str, Any] = {
    "schema": 1,
    "question": 'Is "close" close enough?',
    "primary": {"statistic": "mape"},
    "sessions": {"planned": 20, "stopping": "after twenty"},
    "rules": {"first_s": 60, "leave_out_sessions": {"strap": ["loose", "dry"]}},
}
# Written by hand, as the page describes it: what the hash is taken of.
TEXT = """\
schema = 1
question = "Is \\"close\\" close enough?"

[primary]
statistic = "mape"
device = "band"
quantity = "heart_rate"

[sessions]
planned = 20
stopping = "after twenty"

[rules]
first_s = 60

[rules.leave_out_sessions]
strap = ["dry", "loose"]

[systematic]
share_of_sessions = 0.5
least_seconds = 60

[criteria.close]
at_most = 5
statistic = "mape"

[settings]
min_covered = 0.85
"""
TOML = STUDY + '\n[criteria.close]\nstatistic = "mape"\nat_most = 5\n\n[settings]\nmin_covered = 0.85\n'


def config_of(folder: Path, toml: str = TOML):
    make_study(folder, toml)
    return read_config(folder / "study.toml")


def test_canonical_text_and_its_hash_can_be_made_by_hand(tmp_path: Path):
    declaration = as_declaration(TABLE, config_of(tmp_path))
    assert canonical_text(declaration) == TEXT
    digest = hashlib.sha256(TEXT.encode()).hexdigest()
    assert sha256_of(declaration) == digest
    assert short_hash(digest).replace("-", "") == digest[:10]
    assert short_hash("0123456789abcdef") == "01-23-45-67-89"


def test_text_reads_back_the_same_and_order_does_not_matter(tmp_path: Path):
    config = config_of(tmp_path)
    declaration = as_declaration(TABLE, config)
    assert canonical_text(of_text(TEXT)) == TEXT
    turned = {key: TABLE[key] for key in reversed(TABLE)}
    turned["rules"] = {"leave_out_sessions": {"strap": ["dry", "loose"]}, "first_s": 60.0, "last_s": 0}
    assert sha256_of(as_declaration(turned, config)) == sha256_of(declaration)
    (tmp_path / "declaration.toml").write_text(TEXT, encoding="utf-8")
    assert read_declaration(tmp_path / "declaration.toml", config) == declaration


@pytest.mark.parametrize("odd", ['back\\slash "and" quote', "tab\tnew\nline", "\x7f\x01", "søndag 🚣", "'''"])
def test_any_text_survives(tmp_path: Path, odd: str):
    config = config_of(tmp_path)
    declaration = as_declaration(
        {**TABLE, "question": odd, "rules": {"leave_out_sessions": {odd: [odd]}, "leave_out_activities": [odd]}}, config
    )
    assert of_text(canonical_text(declaration)) == declaration


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"question": None},
            "declaration.toml: expected a key question (what the study asks, in a sentence), found none",
        ),
        (
            {"primary": {"statistic": "mape", "device": "patch"}},
            'declaration.toml: primary.device: expected a tested device of this study ("band"), got "patch"',
        ),
        (
            {"primary": {"statistic": "n_pairs"}},
            'declaration.toml: primary.statistic: expected a statistic ("tracking_share", "bias", "sd_of_differences", '
            '"sd_between", "sd_within", "limit_low", "limit_high", "mae", "mape", "rmse", "within_tolerance", '
            '"within_10_percent", "within_greater" or "ccc"), got "n_pairs"',
        ),
        (
            {"sessions": {"planned": 0, "stopping": "now"}},
            "declaration.toml: sessions.planned: expected a whole number from 1 to 100000, got 0",
        ),
        (
            {"rules": {"min_covered": 0.5}},
            "declaration.toml: rules.min_covered: expected at least the 0.85 of the settings, got 0.5. Lower that one "
            "first",
        ),
        (
            {"rules": {"worst": True}},
            "declaration.toml: rules.worst: unknown key. Known here: "
            '"leave_out_sessions", "leave_out_activities", "leave_out_intensities", "first_s", "last_s" and '
            '"min_covered"',
        ),
        (
            {"criteria": {"close": {"statistic": "mape", "at_most": 7}}},
            "declaration.toml: criteria: expected the criteria of study.toml, which are the ones that count, got "
            "others. State them there",
        ),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, change: dict[str, Any], message: str):
    table = {key: value for key, value in {**TABLE, **change}.items() if value is not None}
    with pytest.raises(StudyError) as refused:
        as_declaration(table, config_of(tmp_path), file="declaration.toml")
    assert str(refused.value) == message


def test_a_primary_number_needs_a_device_where_there_are_several(tmp_path: Path):
    config = config_of(tmp_path, STUDY + '\n[devices.loop]\nrole = "tested"\n')
    with pytest.raises(StudyError) as refused:
        as_declaration(TABLE, config)
    assert str(refused.value) == 'declare: primary: expected a key device (one of "band" or "loop"), found none'


def test_rules_know_the_columns_of_sessions():
    session = Session(
        name="s01",
        participant="p1",
        activity="rowing",
        firmware_by={"band": "2.1"},
        wear_site_by={"band": "left wrist"},
        columns={"strap": "dry"},
    )
    for column, value in (
        ("strap", "dry"),
        ("session", "s01"),
        ("participant", "p1"),
        ("activity", "rowing"),
        ("firmware.band", "2.1"),
        ("wear_site.band", "left wrist"),
    ):
        assert Rules(leave_out_sessions={column: ("x", value)}).leaves_out(session)
        assert not Rules(leave_out_sessions={column: ("x",)}).leaves_out(session)
    assert not Rules(leave_out_sessions={"no_such": ("dry",)}).leaves_out(session)


def look() -> Decision:
    return Decision(made=MADE, kind="look")


def said(folder: Path, document: dict[str, Any] | None = None) -> list[str]:
    study = load_study(folder)
    found = deviations(study, declared_in(study.decisions), document or results())
    return [f"{row['what']}: {row['said']}" for row in found]


def results(sessions: int = 20, mape: float | None = 4.0) -> dict[str, Any]:
    given = {"device": "band", "quantity": "heart_rate", "paired": True}
    row = {
        "device": "band",
        "quantity": "heart_rate",
        "readings": "all",
        "clock": "fitted",
        "by": "all",
        "group": "all",
    }
    value = {"value": mape, "low": None, "high": None, "why": None if mape else "no pairs"}
    return {
        "sessions": [{"session": f"s{k}", "availability": [given]} for k in range(sessions)]
        + [{"session": "alone", "availability": [{**given, "paired": False}]}],
        "agreement": [{**row, "unit": "bpm", "statistics": {"mape": value}}],
    }


def test_nothing_departs_where_all_is_as_declared(tmp_path: Path):
    config = config_of(tmp_path)
    assert said(tmp_path) == []
    record_declaration(tmp_path, as_declaration(TABLE, config))
    (tmp_path / "declaration.toml").write_text(TEXT, encoding="utf-8")
    append_decisions(tmp_path, [look(), look()])
    assert said(tmp_path) == []


def test_every_departure_is_listed(tmp_path: Path):
    config = config_of(tmp_path)
    append_decisions(tmp_path, [look()])
    record_declaration(tmp_path, as_declaration(TABLE, config))
    append_decisions(tmp_path, [look(), look()])
    other = {**TABLE, "primary": {"statistic": "mae"}, "sessions": {"planned": 30, "stopping": "after twenty"}}
    record_declaration(tmp_path, as_declaration(other, config))
    append_decisions(tmp_path, [Decision(made=MADE, kind="leave_out", session="s01", start=MADE, end=MADE)])
    (tmp_path / "declaration.toml").write_text(TEXT, encoding="utf-8")
    toml = (
        STUDY
        + '\n[criteria.close]\nstatistic = "mape"\nat_most = 7\n\n[criteria.new]\nstatistic = "ccc"\nat_least = 0.9\n'
    )
    (tmp_path / "study.toml").write_text(toml, encoding="utf-8")
    assert said(tmp_path, results(sessions=7)) == [
        "looked_before: results had been seen before the declaration was made: 1 run",
        "declared_again: declared again as D5 after 2 more runs: primary number mape of band (heart_rate), now mae of "
        "band (heart_rate); sessions planned changed (20, now 30)",
        "file: declaration.toml says otherwise than what was declared as D5, which is what counts",
        "criteria: criterion close was declared with mape at most 5; now mape at most 7",
        "criteria: criterion new (ccc at least 0.9) was not declared",
        "settings: setting min_covered was declared as 0.85; now the default",
        "sessions: 7 sessions instead of the 30 planned: 23 fewer",
        "primary: the primary number (mae of band) cannot be given: the results hold nothing it is about",
        "decisions: 1 decision by hand left out what no declared rule does (D6)",
    ]


def test_a_line_changed_afterwards_is_found(tmp_path: Path):
    config = config_of(tmp_path)
    record_declaration(tmp_path, as_declaration(TABLE, config))
    path = tmp_path / "decisions.jsonl"
    path.write_text(path.read_text().replace("planned = 20", "planned = 19"), encoding="utf-8")
    was, now = short_hash(sha256_of(as_declaration(TABLE, config))), TEXT.replace("planned = 20", "planned = 19")
    assert said(tmp_path, results(sessions=19)) == [
        f"text: the line D1 of decisions.jsonl was changed: it was declared as {was}, its text now gives "
        f"{short_hash(hashlib.sha256(now.encode()).hexdigest())}"
    ]


def test_a_declaration_taken_back_or_not_readable_is_none(tmp_path: Path):
    config = config_of(tmp_path)
    record_declaration(tmp_path, as_declaration(TABLE, config))
    append_decisions(tmp_path, [Decision(made=MADE, kind="declare", value={"text": "not = toml ="})])
    declared = declared_in(read_decisions(tmp_path)[0])
    assert declared is not None
    assert declared.decision.id == "D1"
    append_decisions(tmp_path, [Decision(made=MADE, kind="revoke", revokes="D1")])
    assert declared_in(read_decisions(tmp_path)[0]) is None


def test_lines_of_a_run():
    assert beforehand_lines({"declared": {"look": 3, "decision": None}}) == []
    document = {
        **results(mape=4.25),
        "declared": {
            "look": 3,
            "decision": "D2",
            "hash": "01-23-45-67-89",
            "primary": {"statistic": "mape", "device": "band", "quantity": "heart_rate"},
            "systematic": {
                "share_of_sessions": 0.5,
                "states": [
                    {
                        "device": "band",
                        "quantity": "heart_rate",
                        "state": "halved",
                        "n_affected": 12,
                        "n_sessions": 20,
                        "systematic": True,
                        # Clopper and Pearson, 12 of 20: 0.361 to 0.809 (from their tables, from memory).
                        "share": {"value": 0.6, "low": 0.361, "high": 0.809},
                    }
                ],
            },
        },
        "deviations": [{"what": "decisions", "said": "1 decision by hand"}],
    }
    assert beforehand_lines(document) == [
        "Declared beforehand as D2 (01-23-45-67-89); this is run 3:",
        "  mape of band: 4.2 %",
        "  about half: 12 of 20 sessions, systematic as declared; the interval (36 % to 81 %) does not settle it",
        "  ! departs: 1 decision by hand",
    ]
    json.dumps(document)


def test_a_criterion_that_turns_on_what_was_left_out_is_said(tmp_path: Path):
    config = config_of(tmp_path)  # mape at most 5
    (row,) = results()["agreement"]
    document = {
        "agreement": [
            row,
            *(
                {**row, "by": "column", "group": column, "statistics": {"mape": {"value": value, "low": 1, "high": 9}}}
                for column, value in zip(COLUMNS, (7.0, 5.5, 4.0), strict=True)
            ),
        ]
    }
    assert criteria_that_turn(config, document) == [
        'the value of criterion close (band) keeps to it in the column "plus decisions" and not in "everything" and '
        '"declared rules"; no interval settles it'
    ]
    document["agreement"][-1]["statistics"] = {"mape": {"value": 4.0, "low": 3.5, "high": 4.5}}
    assert criteria_that_turn(config, document) == [
        'criterion close (band) is met in the column "plus decisions" and cannot be told yet in the column '
        '"everything" and "declared rules"'
    ]
    for other in document["agreement"]:
        other["statistics"] = {"mape": {"value": 4.0}}
    assert criteria_that_turn(config, document) == []
    assert criteria_that_turn(config, results()) == []


def test_conditions_named_beforehand_are_part_of_the_text_and_only_then(tmp_path: Path):
    config = config_of(tmp_path)
    asked = as_declaration({**TABLE, "questions": ["sessions.wind", "activity=rowing", "activity=rowing"]}, config)
    assert asked.questions == ("activity=rowing", "sessions.wind")
    lines = canonical_text(asked).splitlines()
    assert lines[:3] == [*TEXT.splitlines()[:2], 'questions = ["activity=rowing", "sessions.wind"]']
    assert of_text(canonical_text(asked)) == asked
    with pytest.raises(StudyError) as caught:
        as_declaration({**TABLE, "questions": ["weather"]}, config, file="declaration.toml")
    assert str(caught.value) == (
        'declaration.toml: questions: expected "activity", "intensity", "reference_band", "own_third", '
        '"activity_and_reference_band", "activity_and_intensity", "reference_change", "first_minutes", "cadence", '
        '"cadence_near", "firmware" or "wear_site", or a column such as sessions.temperature, with =value or without, '
        "got 'weather'"
    )
