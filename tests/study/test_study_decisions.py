from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from study_folders import STUDY, make_study

from wearbench.errors import StudyError
from wearbench.study import (
    Decision,
    append_decisions,
    load_study,
    read_config,
    read_decisions,
    record_criteria,
    record_look,
)

MADE = datetime(2031, 1, 12, 9, 0, tzinfo=UTC)


def leave_out(note: str) -> Decision:
    return Decision(
        made=MADE, kind="leave_out", session="s01", device="band", start=MADE, why=("strap slipped",), note=note
    )


def test_appended_and_read_back(tmp_path: Path):
    first = append_decisions(tmp_path, [leave_out("a"), leave_out("b")])
    second = append_decisions(tmp_path, [Decision(made=MADE, kind="revoke", revokes="D1")])
    assert [d.id for d in (*first, *second)] == ["D1", "D2", "D3"]
    assert read_decisions(tmp_path) == ((*first, *second), ())
    lines = (tmp_path / "decisions.jsonl").read_text(encoding="utf-8").splitlines()
    assert lines[0] == (
        '{"id":"D1","made":"2031-01-12T09:00:00Z","kind":"leave_out","session":"s01","device":"band",'
        '"start":"2031-01-12T09:00:00Z","why":["strap slipped"],"note":"a"}'
    )


def test_nothing_decided_yet(tmp_path: Path):
    assert read_decisions(tmp_path) == ((), ())
    assert append_decisions(tmp_path, []) == []
    assert not (tmp_path / "decisions.jsonl").exists()


def test_a_torn_last_line_is_set_aside_and_reported(tmp_path: Path):
    kept = append_decisions(tmp_path, [leave_out("a")])
    with (tmp_path / "decisions.jsonl").open("ab") as file:
        file.write(b'{"id":"D2","made":"2031-01-12T0')
    decisions, problems = read_decisions(tmp_path)
    assert list(decisions) == kept
    assert [str(problem) for problem in problems] == [
        "decisions.jsonl:2: expected a whole line, got one cut off after 31 bytes (a write that was interrupted). "
        "Left out: this line."
    ]
    append_decisions(tmp_path, [leave_out("b")])
    decisions, problems = read_decisions(tmp_path)
    assert [(d.id, d.note) for d in decisions] == [("D1", "a"), ("D2", "b")]
    assert problems == ()
    assert (tmp_path / "decisions.torn").read_bytes() == b'{"id":"D2","made":"2031-01-12T0\n'


def test_a_whole_last_line_without_its_end_is_kept(tmp_path: Path):
    append_decisions(tmp_path, [leave_out("a")])
    path = tmp_path / "decisions.jsonl"
    path.write_bytes(path.read_bytes().rstrip(b"\n"))
    append_decisions(tmp_path, [leave_out("b")])
    assert [d.note for d in read_decisions(tmp_path)[0]] == ["a", "b"]


def test_a_bad_line_costs_that_line(tmp_path: Path):
    append_decisions(tmp_path, [leave_out("a")])
    path = tmp_path / "decisions.jsonl"
    path.write_bytes(
        b'{"made":"2031-01-12T09:00:00Z","kind":"guess"}\n'
        + path.read_bytes()
        + b'{"made":"2031-01-12T09:00:00","kind":"look"}\n'
    )
    decisions, problems = read_decisions(tmp_path)
    assert [d.note for d in decisions] == ["a"]
    assert [str(problem) for problem in problems] == [
        "decisions.jsonl:1: expected a decision as one line of JSON: Invalid enum value 'guess' - at `$.kind`. "
        "Left out: this line.",
        "decisions.jsonl:3: expected a decision as one line of JSON: expected a time with its offset in `made`. "
        "Left out: this line.",
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="starts many processes")
def test_many_writers_lose_nothing(tmp_path: Path):
    code = f"""
from datetime import UTC, datetime
from pathlib import Path
from wearbench.study.decisions import Decision, append_decisions
for n in range(20):
    append_decisions(Path({str(tmp_path)!r}), [Decision(made=datetime.now(UTC), kind="look", value=n)])
"""
    writers = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(3)]
    assert [writer.wait() for writer in writers] == [0, 0, 0]
    decisions, problems = read_decisions(tmp_path)
    assert problems == ()
    assert [d.id for d in decisions] == [f"D{n}" for n in range(1, 61)]


def test_a_place_that_cannot_be_written(tmp_path: Path):
    (tmp_path / "decisions.jsonl").mkdir()
    with pytest.raises(StudyError) as caught:
        append_decisions(tmp_path, [leave_out("a")])
    assert str(caught.value) == (
        "decisions.jsonl: the decision could not be kept: Is a directory. Check that the study can be written to"
    )


def config_with(folder: Path, at_most: float):
    (folder / "study.toml").write_text(
        f'{STUDY}\n[criteria.close]\nstatistic = "mape"\nat_most = {at_most}\n', encoding="utf-8"
    )
    return read_config(folder / "study.toml")


def test_the_first_use_of_a_criterion_is_recorded_and_a_change_after_a_look_shows(tmp_path: Path):
    added, warnings = record_criteria(tmp_path, config_with(tmp_path, 10))
    assert [d.value for d in added] == [{"name": "close", "statistic": "mape", "at_most": 10.0}]
    assert warnings == []
    assert record_criteria(tmp_path, config_with(tmp_path, 10)) == ([], [])
    added, warnings = record_criteria(tmp_path, config_with(tmp_path, 11))
    assert len(added) == 1
    assert warnings == []  # nothing had been seen
    record_look(tmp_path, value={})
    _, warnings = record_criteria(tmp_path, config_with(tmp_path, 15))
    today = datetime.now(UTC).date().isoformat()
    assert warnings == [
        "criterion close was changed after results had been seen: first used on "
        f"{today} with statistic mape, at_most 10.0; now statistic mape, at_most 15.0"
    ]
    assert [d.kind for d in read_decisions(tmp_path)[0]] == ["criterion", "criterion", "look", "criterion"]
    assert record_criteria(tmp_path, config_with(tmp_path, 15))[1] == warnings  # it keeps showing


def test_a_criterion_set_after_a_look_shows(tmp_path: Path):
    record_look(tmp_path, value={})
    _, warnings = record_criteria(tmp_path, config_with(tmp_path, 10))
    assert warnings == ["criterion close was set after results had been seen"]


def test_decisions_come_with_the_study(tmp_path: Path):
    make_study(tmp_path)
    append_decisions(tmp_path, [leave_out("a")])
    assert [d.note for d in load_study(tmp_path).decisions] == ["a"]
