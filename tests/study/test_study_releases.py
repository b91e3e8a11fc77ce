from __future__ import annotations

import gzip
import hashlib
import json
import os
from pathlib import Path
from typing import Any

import pytest
from study_folders import add, invented_results, make_study

from wearbench.errors import StudyError, UsageError
from wearbench.study import earlier_run, keep_release, release_names, remember_run, write_results
from wearbench.study.results import plain


def document(look: int, *, minute: int | None = None) -> dict[str, Any]:
    made = f"2031-02-01T10:{look if minute is None else minute:02d}:00Z"
    return {**plain(invented_results().document), "made": made, "declared": {"look": look, "decision": None}}


def study_with_results(folder: Path) -> dict[str, Any]:
    """A study whose results name its recordings as they are."""
    make_study(folder)
    results = invented_results()
    results.document["inputs"] = [
        {"path": f"raw/s01/{name}.csv", "sha256": hashlib.sha256(raw).hexdigest(), "bytes": len(raw)}
        for name in ("band", "patch")
        for raw in [(folder / f"raw/s01/{name}.csv").read_bytes()]
    ]
    results.document["declared"] = {"look": 1, "decision": None}
    write_results(folder, results, also=lambda new: add(new, "report.html", "<title>x</title>"))
    remember_run(folder, results.document)
    return results.document


def test_history_holds_the_last_twenty_runs(tmp_path: Path):
    make_study(tmp_path)
    for look in range(1, 24):
        remember_run(tmp_path, document(look))
    names = sorted((path.name for path in (tmp_path / "history").iterdir()), key=lambda name: int(name.split(".")[0]))
    assert names == [f"{look}.json.gz" for look in range(4, 24)]
    entry = json.loads(gzip.decompress((tmp_path / "history" / "23.json.gz").read_bytes()))
    assert entry["run"] == 23
    assert entry["document"] == document(23)
    assert entry["raw_files"] == ["raw/s01/band.csv", "raw/s01/patch.csv"]
    toml = (tmp_path / "study.toml").read_bytes()
    assert entry["study_files"] == {"study.toml": hashlib.sha256(toml).hexdigest()}


def test_a_number_that_is_taken_is_not_taken_twice(tmp_path: Path):
    make_study(tmp_path)
    remember_run(tmp_path, document(1))
    assert remember_run(tmp_path, document(1, minute=2)).name == "2.json.gz"  # decisions.jsonl was removed in between


def test_earlier_runs_by_word_number_and_name(tmp_path: Path):
    now = study_with_results(tmp_path)
    keep_release(tmp_path, "pilot", document=now)
    remember_run(tmp_path, document(2))
    assert earlier_run(tmp_path, "last", now=document(2)).called == "run 1"
    assert earlier_run(tmp_path, "last", now=document(3)).called == "run 2"
    assert earlier_run(tmp_path, "1", now=document(2)).document == plain(now)
    found = earlier_run(tmp_path, "pilot", now=document(2))
    assert (found.called, found.document) == ("release pilot", plain(now))


@pytest.mark.parametrize(
    ("since", "message"),
    [
        ("3", "expected the number of a run (runs 1 to 1), got 3"),
        ("pilto", 'expected "last", the number of a run or a release (pilot), got "pilto". Did you mean "pilot"?'),
        ("../results", 'expected "last", the number of a run or a release (pilot), got "../results"'),
    ],
)
def test_what_is_not_there_is_named(tmp_path: Path, since: str, message: str):
    now = study_with_results(tmp_path)
    keep_release(tmp_path, "pilot", document=now)
    with pytest.raises(UsageError) as refused:
        earlier_run(tmp_path, since, now=now)
    assert refused.value.message == message


def test_the_first_run_has_none_before_it(tmp_path: Path):
    now = study_with_results(tmp_path)
    with pytest.raises(UsageError) as refused:
        earlier_run(tmp_path, "last", now=now)
    assert str(refused.value) == (
        f"{tmp_path / 'history'}: expected a run before this one, found none. Run again after a change, or name a "
        "release with --since"
    )


@pytest.mark.parametrize("raw", [b"", b"not gzip", gzip.compress(b"[1]"), gzip.compress(b'{"document": {}}')])
def test_a_damaged_run_says_which(tmp_path: Path, raw: bytes):
    now = study_with_results(tmp_path)
    path = tmp_path / "history" / "1.json.gz"
    path.write_bytes(raw)
    with pytest.raises(StudyError) as refused:
        earlier_run(tmp_path, "1", now=now)
    assert (refused.value.slug, refused.value.file) == ("history-damaged", str(path))


def test_a_release_holds_all_that_makes_it_again(tmp_path: Path):
    now = study_with_results(tmp_path)
    add(tmp_path, "sessions.csv", "session,participant\ns01,p1\n")
    add(tmp_path, "declaration.toml", "# nothing yet\n")
    remember_run(tmp_path, {**now, "made": document(2)["made"]})
    (tmp_path / "history" / "1.json.gz").unlink()
    place = keep_release(tmp_path, "pilot", document=now)
    assert place == tmp_path / "kept" / "pilot"
    assert release_names(tmp_path) == ["pilot"]
    for name in ("results.json", "report.html", "agreement.csv", "episodes.csv"):
        assert (place / name).read_bytes() == (tmp_path / "results" / name).read_bytes()
    for name in ("study.toml", "sessions.csv", "declaration.toml"):
        assert (place / "study" / name).read_bytes() == (tmp_path / name).read_bytes()
    for line in (place / "inputs.sha256").read_text().splitlines():
        sha256, path = line.split("  ")  # the two spaces of sha256sum
        assert hashlib.sha256((tmp_path / path).read_bytes()).hexdigest() == sha256
    versions = dict(line.split("==") for line in (place / "environment.txt").read_text().splitlines()[1:])
    assert {"wearbench", "numpy", "scipy", "polars"} <= set(versions)
    readme = (place / "README.md").read_text(encoding="utf-8")
    assert "run 1. Nothing was declared beforehand." in readme
    assert "wearbench changes STUDY --since pilot" in readme


def test_a_release_is_never_overwritten(tmp_path: Path):
    now = study_with_results(tmp_path)
    place = keep_release(tmp_path, "pilot", document=now)
    before = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}
    with pytest.raises(UsageError) as refused:
        keep_release(tmp_path, "pilot", document=now)
    assert str(refused.value) == f"{place}: there is a release of that name; it was left alone"
    assert {path: path.read_bytes() for path in place.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("name", ["", "..", "a/b", ".x", "12", "last", "two words"])
def test_a_name_that_cannot_be_a_release(tmp_path: Path, name: str):
    now = study_with_results(tmp_path)
    with pytest.raises(UsageError) as refused:
        keep_release(tmp_path, name, document=now)
    assert refused.value.message == (
        f'expected a name of letters, digits, ".", "_" and "-", no number and not "last", got "{name}"'
    )
    assert not (tmp_path / "kept").exists()


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("raw/s01/band.csv", "time,heart_rate\n"),
        ("raw/s02/band.csv", "time,heart_rate\n"),
        ("study.toml", "schema = 1\n"),
        ("bouts.csv", "x\n"),
    ],
)
def test_results_older_than_the_study_are_not_kept(tmp_path: Path, name: str, text: str):
    now = study_with_results(tmp_path)
    add(tmp_path, name, text)
    with pytest.raises(StudyError) as refused:
        keep_release(tmp_path, "pilot", document=now)
    assert str(refused.value) == (
        f"{tmp_path / 'results'}: expected results of the study as it is; changed since: {name}. Run again first"
    )


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_that_cannot_be_written_to(tmp_path: Path):
    now = study_with_results(tmp_path)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(StudyError) as refused:
            keep_release(tmp_path, "pilot", document=now)
    finally:
        tmp_path.chmod(0o700)
    assert refused.value.slug == "release-unwritable"


def test_a_disk_that_fills_up_leaves_nothing_by_halves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    now = study_with_results(tmp_path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("wearbench.study.releases.shutil.copyfile", full)
    with pytest.raises(StudyError) as refused:
        keep_release(tmp_path, "pilot", document=now)
    assert str(refused.value) == (
        f"{tmp_path / 'kept' / 'pilot'}: the release could not be written: No space left on device; nothing was kept"
    )
    assert list((tmp_path / "kept").iterdir()) == []
