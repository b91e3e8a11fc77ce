from __future__ import annotations

import copy
import json
import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from jsonschema import Draft202012Validator
from study_folders import invented_results

from wearbench.errors import DataError, StudyError
from wearbench.study import PAIRS, TRACES, Results, read_results, results_schema, table_of, write_results
from wearbench.study.results import plain

FILES = [
    "agreement.csv",
    "assumptions.csv",
    "believed.csv",
    "clock.csv",
    "doubt_effect.csv",
    "episodes.csv",
    "findings.csv",
    "flow.csv",
    "pairs.parquet",
    "response.csv",
    "responses.csv",
    "results.json",
    "reviewers.csv",
    "states.csv",
    "traces.parquet",
]


def test_columns_are_those_of_the_contract():
    assert ",".join(PAIRS) == (
        "session,participant,device,reference_device,quantity,unit,activity,bout,intensity,firmware,wear_site,"
        "time,start,end,seconds,tested,reference,covered,mended,cadence,state,ratio,also,probability,episode,event,"
        "used,reason,source_row"
    )
    assert ",".join(TRACES) == "session,device,role,quantity,time,value,doubtful"


def test_written_and_read_back_unrounded(tmp_path: Path):
    results = invented_results()
    place = write_results(tmp_path, results)
    assert sorted(path.name for path in place.iterdir()) == FILES
    again = read_results(tmp_path)
    assert again.pairs.equals(results.pairs) and again.pairs.schema == pl.Schema(PAIRS)
    assert again.traces.equals(results.traces)
    assert again.document == plain(results.document)
    assert again.document["parameters"] == {"band": {"sd_log": None}}
    assert again.document["made"] == "2031-01-12T08:00:05Z"


def test_document_fits_its_schema_and_a_missing_key_does_not(tmp_path: Path):
    schema = results_schema()
    Draft202012Validator.check_schema(schema)
    write_results(tmp_path, invented_results())
    document = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    validator = Draft202012Validator(schema)
    validator.validate(document)
    for key in document:
        assert not validator.is_valid({k: v for k, v in document.items() if k != key}), key
    for part, rows in document.items():
        if isinstance(rows, list) and rows and isinstance(rows[0], dict):
            required = schema["properties"][part]["items"].get("required") or []
            assert required or part == "warnings", part
            for key in required:
                broken = copy.deepcopy(document)
                del broken[part][0][key]
                assert not validator.is_valid(broken), (part, key)


def test_a_value_that_cannot_be_given_needs_a_why():
    validator = Draft202012Validator(results_schema())
    document = plain(invented_results(mape=None).document)
    validator.validate(document)
    document["agreement"][0]["statistics"]["mape"]["why"] = None
    assert not validator.is_valid(document)


def test_agreement_has_one_row_a_statistic():
    rows = table_of(invented_results().document, "agreement")
    assert [(row["statistic"], row["value"], row["low"]) for row in rows] == [
        ("bias", 1.9, 1.9 - 1),
        ("mape", 2.5, 1.5),
    ]
    assert rows[0]["n_pairs"] == 2


def test_unknown_table_is_named():
    with pytest.raises(DataError) as caught:
        table_of({}, "finding")
    assert caught.value.slug == "no-such-table"


def test_csv_numbers_are_not_rounded(tmp_path: Path):
    results = invented_results()
    results.document["states"][0]["seconds"] = 1 / 3
    write_results(tmp_path, results)
    assert pl.read_csv(tmp_path / "results" / "states.csv")["seconds"][0] == 1 / 3


def test_plain_takes_numpy_and_refuses_naive_time():
    assert plain({"a": np.float64(0.5), "b": np.array([1, 2]), "c": float("inf"), "d": Path("raw/a.csv")}) == {
        "a": 0.5,
        "b": [1, 2],
        "c": None,
        "d": "raw/a.csv",
    }
    with pytest.raises(DataError) as caught:
        plain(datetime(2031, 1, 12))  # noqa: DTZ001 - the case
    assert str(caught.value) == "expected an aware instant in the results, got 2031-01-12T00:00:00"
    with pytest.raises(DataError) as caught:
        plain(object())
    assert str(caught.value) == "expected values that JSON can hold in the results, got object"


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (lambda p: p.drop("ratio", "used"), "pairs: expected 29 columns, missing ratio, used"),
        (lambda p: p.with_columns(extra=pl.lit(1)), "pairs: unknown columns extra"),
        (
            lambda p: p.with_columns(pl.col("time").dt.replace_time_zone(None)),
            "pairs: column time: expected aware instants, got Datetime(time_unit='us', time_zone=None)",
        ),
    ],
)
def test_pairs_that_do_not_fit_are_refused_and_the_last_results_stay(tmp_path: Path, frame, message: str):
    good = invented_results()
    write_results(tmp_path, good)
    before = (tmp_path / "results" / "results.json").read_bytes()
    bad = Results(document=good.document, pairs=frame(good.pairs), traces=good.traces)
    with pytest.raises(DataError) as caught:
        write_results(tmp_path, bad)
    assert str(caught.value) == message
    assert (tmp_path / "results" / "results.json").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def snapshot(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_full_disk_leaves_the_last_results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    write_results(tmp_path, invented_results())
    before = snapshot(tmp_path)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StudyError) as caught:
        write_results(tmp_path, invented_results(3.0))
    assert str(caught.value) == (
        f"{tmp_path / 'results'}: the results could not be written: no space left on the disk; "
        "the last results are as they were. Free some space and run again"
    )
    assert caught.value.slug == "disk-full"
    assert snapshot(tmp_path) == before


@pytest.mark.skipif(sys.platform == "win32", reason="no file size limit there")
def test_a_write_that_stops_half_way_in_a_table_leaves_the_last_results(tmp_path: Path):
    """A real limit of the system, met inside the Parquet writer rather than in our own code."""
    write_results(tmp_path, invented_results())
    before = snapshot(tmp_path)
    code = f"""
import resource, signal, sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
import polars as pl
from pathlib import Path
from study_folders import invented_results
from wearbench.study import Results, write_results
from wearbench.errors import StudyError
r = invented_results()
noise = pl.concat([r.pairs] * 20000).with_columns(tested=pl.Series(range(20000)).cast(pl.Float64).sin())
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
try:
    write_results(Path({str(tmp_path)!r}), Results(document=r.document, pairs=noise, traces=r.traces))
except StudyError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == (
        f"{tmp_path / 'results'}: the results could not be written: File too large; the last results are as they were\n"
    )
    assert snapshot(tmp_path) == before


@pytest.mark.skipif(sys.platform == "win32", reason="permissions work otherwise there")
def test_without_write_permission_as_an_ordinary_user(tmp_path: Path):
    study = tmp_path / "study"
    study.mkdir()
    write_results(study, invented_results())
    before = snapshot(study)
    for path in (tmp_path, *tmp_path.parents):
        if path.stat().st_uid == os.getuid() and path != Path("/"):
            path.chmod(path.stat().st_mode | 0o555)
    study.chmod(0o555)
    code = f"""
import os, sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from pathlib import Path
from study_folders import invented_results
from wearbench.study import write_results
from wearbench.errors import StudyError
results = invented_results()
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    write_results(Path({str(study)!r}), results)
except StudyError as error:
    print(error.slug, error)
"""
    try:
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    finally:
        study.chmod(0o755)
    assert done.stdout == (
        f"results-unwritable {study / 'results'}: the results could not be written: no permission; "
        "the last results are as they were. Allow writing to the study's folder, "
        "or copy the study to where you may write\n"
    )
    assert snapshot(study) == before


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
@pytest.mark.parametrize("where", ["_write_all", "mkdir", "between"])
def test_a_run_that_is_killed_leaves_the_last_results(tmp_path: Path, where: str):
    write_results(tmp_path, invented_results())
    before = read_results(tmp_path).document
    code = f"""
import os, sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from pathlib import Path
from study_folders import invented_results
from wearbench.study import saving
die = lambda *a, **k: os.kill(os.getpid(), 9)
if {where!r} == "_write_all":
    saving._write_csv = die
elif {where!r} == "mkdir":
    saving._swap = die
else:
    real = Path.rename
    def rename(self, to):
        if self.name.startswith(".results-new"):
            die()
        return real(self, to)
    Path.rename = rename
saving.write_results(Path({str(tmp_path)!r}), invented_results(9.0))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == -9, done.stderr
    assert read_results(tmp_path).document == before
    for left_over in tmp_path.glob(".results-new-*"):
        os.utime(left_over, (0, 0))
    write_results(tmp_path, invented_results(4.0))
    assert read_results(tmp_path).document["agreement"][0]["statistics"]["mape"]["value"] == 4.0
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_report_is_written_with_the_results_and_what_others_put_there_stays(tmp_path: Path):
    place = write_results(tmp_path, invented_results(), also=lambda new: _touch(new / "report.html", "one"))
    _touch(place / "my notes.txt", "mine")
    write_results(tmp_path, invented_results(), also=lambda new: _touch(new / "report.html", "two"))
    assert (place / "report.html").read_text() == "two"
    assert (place / "my notes.txt").read_text() == "mine"


def _touch(path: Path, text: str) -> None:
    path.write_text(text)


def test_no_results_yet(tmp_path: Path):
    with pytest.raises(StudyError) as caught:
        read_results(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path / 'results'}: expected results of a run, found none. Make them with: wearbench run STUDY"
    )


def test_damaged_results_are_said_to_be(tmp_path: Path):
    place = write_results(tmp_path, invented_results())
    (place / "results.json").write_text("{")
    with pytest.raises(StudyError) as caught:
        read_results(tmp_path)
    assert caught.value.slug == "results-damaged"
    assert str(caught.value) == (
        f"{place}: the results cannot be read (Input data was truncated). Make them again with: wearbench run STUDY"
    )
