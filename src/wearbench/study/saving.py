"""Results on disk: written beside the last ones and swapped in whole, so that a run that is killed leaves those."""

from __future__ import annotations

import csv
import errno
import os
import re
import shutil
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import msgspec
import polars as pl

from wearbench.errors import StudyError
from wearbench.study.results import PAIRS, TRACES, Results, conformed, plain, table_of

__all__ = ["RESULTS_FOLDER", "check_writable", "read_results", "write_results"]

RESULTS_FOLDER: Final = "results"
_NEW: Final = ".results-new-"
_LAST: Final = ".results-last"
_DISK_FULL_ON_WINDOWS: Final = 112
_LEFT_OVER_AFTER_S: Final = 3600.0
_CSV: Final = (
    *("agreement", "assumptions", "reviewers", "states", "episodes", "findings", "clock", "flow"),
    *("response", "responses", "believed", "doubt_effect"),
)
_OWN: Final = (
    "results.json",
    "pairs.parquet",
    "traces.parquet",
    *(f"{name}.csv" for name in _CSV),
    "figures",
    "report.html",
)


def write_results(folder: Path, results: Results, *, also: Callable[[Path], None] | None = None) -> Path:
    """Write results into ``folder/results``, replacing the last ones as a whole.

    Parameters
    ----------
    folder : Path
        The study.
    results : Results
    also : callable or None
        Called with the new folder before it takes its place, to write the report and figures into it.

    Returns
    -------
    Path
        The folder of the results.

    Raises
    ------
    StudyError
        ``disk-full`` or ``results-unwritable``; the last results are then as they were.
    DataError
        If a table lacks a column or a value cannot be written.
    """
    place = folder / RESULTS_FOLDER
    new = folder / f"{_NEW}{uuid.uuid4().hex[:8]}"
    try:
        _recover(folder)
        _clear_left_over(folder)
        new.mkdir()
        _write_all(new, results)
        if also is not None:
            also(new)
        _swap(new, place, folder / _LAST)
    except OSError as error:
        raise _said(error, place) from error
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return place


def check_writable(folder: Path) -> None:
    """Find out before a long run whether its results can be written.

    Raises
    ------
    StudyError
        As :func:`write_results` would in the end.
    """
    try:
        probe = folder / f"{_NEW}{uuid.uuid4().hex[:8]}"
        probe.mkdir()
        probe.rmdir()
    except OSError as error:
        raise _said(error, folder / RESULTS_FOLDER) from error


def _write_all(new: Path, results: Results) -> None:
    document = plain(results.document)
    text = msgspec.json.format(msgspec.json.encode(document), indent=1)
    _write_bytes(new / "results.json", text + b"\n")
    for name, frame, columns in (("pairs", results.pairs, PAIRS), ("traces", results.traces, TRACES)):
        table = conformed(frame, columns, name=name)
        try:
            table.write_parquet(new / f"{name}.parquet")
        except pl.exceptions.PolarsError as error:
            raise _of_the_system(error) from error
    for name in _CSV:
        _write_csv(new / f"{name}.csv", table_of(document, name))


def _of_the_system(error: pl.exceptions.PolarsError) -> Exception:
    """The error of the system that a table's writer tells of in its text only, if it is one."""
    found = re.search(r"\(os error (\d+)\)", str(error))
    if found is None:
        return error
    code = errno.ENOSPC if int(found[1]) == _DISK_FULL_ON_WINDOWS else int(found[1])
    return OSError(code, os.strerror(code))


def _write_bytes(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]) if rows else [], lineterminator="\n")
        if rows:
            writer.writeheader()
            writer.writerows(rows)


def _swap(new: Path, place: Path, last: Path) -> None:
    """Put the new folder in place; a kill between the two renames is mended by ``_recover``."""
    if place.exists():
        place.rename(last)
    try:
        new.rename(place)
    except OSError:
        if last.exists():
            last.rename(place)
        raise
    if last.exists():
        for entry in last.iterdir():  # what someone else put there stays
            if entry.name not in _OWN and not (place / entry.name).exists():
                entry.rename(place / entry.name)
        shutil.rmtree(last, ignore_errors=True)


def _recover(folder: Path) -> None:
    """Put back the last results if a run was killed while it swapped."""
    place, last = folder / RESULTS_FOLDER, folder / _LAST
    if last.exists():
        if place.exists():
            shutil.rmtree(last, ignore_errors=True)
        else:
            last.rename(place)


def _clear_left_over(folder: Path) -> None:
    """Remove what runs that were killed had begun to write; what is young may be another run's at work."""
    for entry in folder.glob(f"{_NEW}*"):
        if time.time() - entry.stat().st_mtime > _LEFT_OVER_AFTER_S:
            shutil.rmtree(entry, ignore_errors=True)


def _said(error: OSError, place: Path) -> StudyError:
    kept = "the last results are as they were" if place.exists() else "nothing was written"
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return StudyError(
            f"the results could not be written: no space left on the disk; {kept}. Free some space and run again",
            slug="disk-full",
            file=str(place),
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return StudyError(
            f"the results could not be written: no permission; {kept}. "
            "Allow writing to the study's folder, or copy the study to where you may write",
            slug="results-unwritable",
            file=str(place),
        )
    return StudyError(
        f"the results could not be written: {error.strerror or error}; {kept}",
        slug="results-unwritable",
        file=str(place),
    )


def read_results(folder: Path) -> Results:
    """Read the last results of a study.

    Parameters
    ----------
    folder : Path
        The study.

    Raises
    ------
    StudyError
        ``results-missing`` if there are none, ``results-damaged`` if they cannot be read.
    """
    place = folder / RESULTS_FOLDER
    if not place.exists() and (folder / _LAST).exists():
        place = folder / _LAST
    if not (place / "results.json").is_file():
        said = "expected results of a run, found none. Make them with: wearbench run STUDY"
        raise StudyError(said, slug="results-missing", file=str(place))
    try:
        document: dict[str, Any] = msgspec.json.decode((place / "results.json").read_bytes(), type=dict[str, Any])
        pairs = conformed(pl.read_parquet(place / "pairs.parquet"), PAIRS, name="pairs")
        traces = conformed(pl.read_parquet(place / "traces.parquet"), TRACES, name="traces")
    except (OSError, msgspec.DecodeError, pl.exceptions.PolarsError) as error:
        said = f"the results cannot be read ({error}). Make them again with: wearbench run STUDY"
        raise StudyError(said, slug="results-damaged", file=str(place)) from error
    return Results(document=document, pairs=pairs, traces=traces)
