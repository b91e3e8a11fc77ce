"""What to look at first, gathered remarks, files, rhythms and versions: whole sentences and lines to paste."""

from __future__ import annotations

import csv
import json
from datetime import UTC
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from invented_results import invented
from wearbench.findings import subjects
from wearbench.report import render_report
from wearbench.report.advice import advice_of
from wearbench.report.files import files_view
from wearbench.report.remarks import remarks_of
from wearbench.report.rhythms import rhythm_table
from wearbench.report.versions import change_tables, version_table
from wearbench.study.decisions import read_decisions
from wearbench.study.results import Results, plain

OSLO = {"S04": (ZoneInfo("Europe/Oslo"), "Europe/Oslo")}
LOCAL = "its clock is 1 h 01 min behind, which is the zone's own offset (UTC+01:00): UTC read as local time?"


def proposal(kind: str, session: str = "S04", **more: Any) -> dict[str, Any]:
    return {
        "kind": kind,
        "session": session,
        "device": "band",
        "quantity": "heart_rate",
        "said": LOCAL,
        "from": None,
        "to": None,
        "shift_s": 3642.57,
        "evidence": {},
        **more,
    }


def document_of(*proposals: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "made": "2031-01-30T18:00:00.25Z",
        "devices": [{"device": "band", "label": "Wrist band", "role": "tested"}],
        "proposals": list(proposals),
        **more,
    }


def test_offsets_are_one_item_with_the_round_figure_to_write(tmp_path: Path) -> None:
    (found,) = advice_of(document_of(proposal("clock_offset"), proposal("clock_offset", "S05")), OSLO)
    assert found.head == "Clocks that kept another time."
    assert found.seen == (
        "Wrist band in S04 and S05: UTC read as local time? Its clock is 1 h 01 min behind, which is the zone's own "
        "offset (UTC+01:00).",
    )
    (tmp_path / "decisions.jsonl").write_text(found.lines + "\n", encoding="utf-8")
    decisions, problems = read_decisions(tmp_path)
    assert problems == ()
    assert [(d.kind, d.session, d.device, d.value, d.tested_visible) for d in decisions] == [
        ("clock", "S04", "band", 3600, True),
        ("clock", "S05", "band", 3600, True),
    ]


def test_offsets_of_several_sizes_are_all_said() -> None:
    far = proposal(
        "clock_offset", "S05", shift_s=-20_640.0, said=LOCAL.replace("1 h 01 min behind", "5 h 44 min ahead")
    )
    (found,) = advice_of(document_of(proposal("clock_offset"), far), OSLO)
    assert found.seen == (
        "Wrist band in S04 and S05: UTC read as local time? Its clock is 1 h behind and 5 h 45 min ahead, give or take "
        "a minute or two.",
    )


def test_a_step_is_written_with_its_span_and_its_own_figure(tmp_path: Path) -> None:
    said = "its clock is 1 h 00 min ahead of the rest of the recording from Tue 14:10 (its own stamps): set anew?"
    step = proposal("clock_step", said=said, shift_s=-3599.75, **{"from": "2031-01-12T13:10:00Z"})
    (found,) = advice_of(document_of(step), OSLO)
    assert found.head == "Wrist band may have set its clock anew inside a recording."
    assert found.seen == (f"S04: {said}",)
    (line,) = found.lines.splitlines()
    assert json.loads(line)["start"] == "2031-01-12T13:10:00Z"
    (tmp_path / "decisions.jsonl").write_text(line + "\n", encoding="utf-8")
    (decision,), _ = read_decisions(tmp_path)
    assert (decision.value, decision.end) == (-3599.75, None)
    assert decision.start is not None
    assert decision.start.astimezone(UTC).hour == 13


def test_another_date_is_written_in_whole_days_and_comes_before_offsets() -> None:
    epoch = proposal(
        "clock_epoch",
        "S09",
        said="its clock is 24 h 00 min behind: the date is 1 day early?",
        shift_s=None,
        evidence={"apart_s": 85_100.0},
    )
    found = advice_of(document_of(proposal("clock_offset"), epoch), OSLO)
    assert [a.head for a in found] == ["Wrist band: the date is 1 day early?", "Clocks that kept another time."]
    assert json.loads(found[0].lines)["value"] == 86_400


def test_time_not_worn_is_written_as_rows_of_the_table_on_the_devices_own_stamps() -> None:
    ends = {"from": "2031-01-12T08:04:00Z", "to": "2031-01-12T08:30:00Z"}
    said = "no readings at all for 26 min from Sun 09:04 (its own stamps): not worn?"
    (found,) = advice_of(document_of(proposal("not_worn", said=said, **ends)), OSLO)
    assert found.then == "That time counts as without a value now. If it was not worn, add to wear.csv:"
    assert list(csv.DictReader(found.lines.splitlines())) == [
        {
            "device": "band",
            "start": "2031-01-12T09:04:00+01:00",
            "end": "2031-01-12T09:30:00+01:00",
            "what": "off",
        }
    ]


VERSION: dict[str, Any] = {
    "device": "band",
    "quantity": "heart_rate",
    "before": "2.0",
    "after": "2.1",
    "sessions_unknown": ["S02", "S03"],
    "mae_change_left_out": -2.0,
    "mae_change_as_before": -3.2,
    "mae_change_as_after": 1.4,
    "share_change_left_out": 0.1,
    "share_change_as_before": 0.12,
    "share_change_as_after": -0.03,
    "matters": True,
}


def test_a_version_that_is_not_known_asks_for_a_column_of_sessions() -> None:
    (found,) = advice_of(document_of(versions=[VERSION]), OSLO)
    assert found.head == "Which firmware Wrist band ran in 2 sessions is not known: 2.0 or 2.1."
    assert found.seen == ("S02 and S03. What is said of before and after depends on it.",)
    assert found.lines == "session,firmware.band\nS02,2.1\nS03,2.1"


def test_the_same_remark_on_several_sessions_is_one_and_what_is_said_elsewhere_none() -> None:
    weak = "Wrist band: clock weak (a second answer, {} s away, fits about as well)"
    warnings = [
        {"slug": "session", "session": "S01", "said": "S01: " + weak.format("-530")},
        {"slug": "session", "session": "S02", "said": "S02: " + weak.format("-902")},
        {"slug": "session", "session": "S03", "said": "S03: Wrist band gave no heart rate"},
        {"slug": "session", "session": "S07", "said": "S07: Wrist band gave no heart rate"},
        {"slug": "session", "session": "S04", "said": f"S04: Wrist band: {LOCAL}"},
        {
            "slug": "session",
            "session": "S05",
            "said": "S05: Wrist band gave one value a minute in rowing: not started?",
        },
        {"slug": "rhythms-mixed", "session": None, "said": "Wrist band keeps 2 rhythms"},
        "sessions.csv: no participants are named",
    ]
    found = remarks_of(document_of(proposal("clock_offset"), warnings=warnings))
    assert [(r.said, r.where) for r in found] == [
        ("Wrist band gave one value a minute in rowing: not started?", "S05"),
        (weak.format("−530"), "S01; the like in S02"),
        ("Wrist band gave no heart rate", "S03 and S07"),
        ("sessions.csv: no participants are named", ""),
    ]


OVERLAP: dict[str, Any] = {
    "kind": "export",
    "session": None,
    "device": "band",
    "quantity": "heart_rate",
    "unit": "bpm",
    "first": "raw/_all/band@march11.csv",
    "second": "raw/_all/band.csv",
    "n_both": 20160,
    "n_identical": 19946,
    "said": "214 of 20,160 minutes differ between the exports of 4 and 11 March, by up to 31 bpm; the later was used",
    "differences": [{"time": "2031-03-03T04:00:00Z", "first": 48.0, "second": 71.0}],
}
COPY: dict[str, Any] = {
    "session": "S01",
    "device": "band",
    "first": "raw/S01/band.csv",
    "second": "raw/S01/band@phone2.csv",
    "n_both": 1000,
    "n_filled": 30,
    "identical": 0.987,
    "first_lacks": 0.03,
    "second_lacks": 0.0,
    "clock_s": -17100.0,
}


def test_files_say_what_was_read_and_where_records_of_one_recorder_part() -> None:
    inputs = [{"path": f"raw/S01/{n}", "format": "delimited"} for n in ("band.csv", "patch.csv")]
    found = files_view(document_of(inputs=inputs, overlaps=[OVERLAP], copies=[COPY]))
    assert found is not None
    assert found.lead == "2 files read: 2 text tables."
    assert found.exports == (OVERLAP["said"] + ".",)
    (table,) = found.differences
    assert table.caption == "Where band.csv and band@march11.csv differ"
    assert [c.text for c in table.rows[0]] == ["2031-03-03 04:00:00", "71", "48"]
    assert table.note == "The first 1 of 214; the others are in results.json."
    assert found.copies is not None
    assert [c.text for c in found.copies.rows[0]] == ["S01", "Wrist band", "99 %", "3 %", "0 %", "4 h 45 min ahead"]
    assert files_view({}) is None


def _rhythm(name: str, usual: float | None, pairs: int, seconds: float) -> dict[str, Any]:
    return {
        "device": "band-a",
        "quantity": "heart_rate",
        "rhythm": name,
        "usual_s": usual,
        "averaging_s": usual and 8 * usual if usual == 1.0 else usual,
        "n_pairs": pairs,
        "seconds": seconds,
        "share_of_pairs": pairs / 1010,
        "share_of_time": seconds / 1600,
        "mae": 2.0,
        "mae_by_time": 3.0,
    }


def test_rhythms_and_versions_of_a_device_are_on_the_page() -> None:
    results = invented(sessions=4, minutes=6)
    rhythms = [_rhythm("one value a second", 1.0, 1000, 1000.0), _rhythm("one value a minute", 60.0, 10, 600.0)]
    how = [
        ("2.0", "sessions.csv", []),
        ("", "unknown", ["2.0", "2.1"]),
        ("2.1", "file", []),
        ("2.1", "file", []),
    ]
    sessions = [
        {
            "session": f"S0{k + 1}",
            "firmware": {"band-a": version} if version else None,
            "firmware_how": {"band-a": {"how": told, "between": between}},
        }
        for k, (version, told, between) in enumerate(how)
    ]
    version = {**VERSION, "device": "band-a", "sessions_unknown": ["S02"]}
    document = {
        **results.document,
        "findings": [],
        "rhythms": [*rhythms, _rhythm("all", None, 1010, 1600.0)],
        "versions": [version],
        "sessions": sessions,
    }
    told = Results(document=plain(document), pairs=results.pairs, traces=results.traces)
    subject = subjects(told.document, told.pairs)[0]
    table = rhythm_table(subject)
    assert table is not None
    assert [row[0].text for row in table.rows] == ["one value a second", "one value a minute", "all together"]
    assert [row[-1].text for row in table.rows] == ["under 8 s", "under 2 min", ""]
    versions = version_table(subject, sessions)
    assert versions is not None
    assert [(row[0].text, row[1].small, row[2].text) for row in versions.rows] == [
        ("2.0", "S01", "told in sessions.csv"),
        ("2.0 or 2.1", "S02", "not known"),
        ("2.1", "S03 and S04", "read from its files"),
    ]
    (change,) = change_tables(subject)
    assert [[c.text for c in row] for row in change.rows] == [
        ["Mean error", "−2.0 bpm", "−3.2 bpm", "+1.4 bpm"],
        ["Time it was right", "+10.0 points", "+12.0 points", "−3.0 points"],
    ]
    html = render_report(told, title="t")
    assert "In\u00a01 session" not in html
    assert "It kept two rhythms" in html
    assert "Unknown counted as 2.0" in html


def test_a_device_of_one_rhythm_and_no_version_has_no_such_tables() -> None:
    subject = subjects(invented(sessions=2).document, invented(sessions=2).pairs)[0]
    assert rhythm_table(subject) is None
    assert version_table(subject, [{"session": "S01"}]) is None
    assert change_tables(subject) == []


def test_a_session_in_a_fixed_zone_is_told_in_it() -> None:
    results = invented(sessions=1)
    document = {**results.document, "sessions": [{"session": "S01", "zone": "UTC+05:45"}]}
    html = render_report(Results(document=document, pairs=results.pairs, traces=results.traces), title="t")
    assert "12 Jan 2031, 13:45" in html
    assert ">UTC+05:45<" in html
