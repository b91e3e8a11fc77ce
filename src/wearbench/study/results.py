"""Results of a study: the document, the pairs, the traces, and the tables made from them."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib import resources
from pathlib import PurePath
from typing import Any, Final

import polars as pl

from wearbench.errors import DataError

__all__ = [
    "PAIRS",
    "RESULTS_SCHEMA_VERSION",
    "TABLES",
    "TRACES",
    "Results",
    "conformed",
    "plain",
    "results_schema",
    "table_of",
]

RESULTS_SCHEMA_VERSION: Final = 1

_STAMP: Final = pl.Datetime("us", "UTC")
PAIRS: Final[dict[str, pl.DataType]] = {
    **dict.fromkeys(("session", "participant", "device", "reference_device", "quantity", "unit"), pl.String()),
    **dict.fromkeys(("activity", "bout", "intensity", "firmware", "wear_site"), pl.String()),
    **dict.fromkeys(("time", "start", "end"), _STAMP),
    **dict.fromkeys(("seconds", "tested", "reference", "covered", "mended", "cadence"), pl.Float64()),
    "state": pl.String(),
    "ratio": pl.Float64(),
    "also": pl.String(),
    "probability": pl.Float64(),
    "episode": pl.String(),
    "event": pl.String(),
    "used": pl.Boolean(),
    "reason": pl.String(),
    "source_row": pl.Int64(),
}
"""Columns of pairs.parquet, in order."""

TRACES: Final[dict[str, pl.DataType]] = {
    **dict.fromkeys(("session", "device", "role", "quantity"), pl.String()),
    "time": _STAMP,
    "value": pl.Float64(),
    "doubtful": pl.Boolean(),
}
"""Columns of traces.parquet, in order."""

TABLES: Final = (
    "findings",
    "criteria",
    "agreement",
    "assumptions",
    "reviewers",
    "states",
    "tracking",
    "affected",
    "why",
    "cadence_evidence",
    "episodes",
    "recurrence",
    "evidence",
    "before_after",
    "side_by_side",
    "benefit",
    "choices",
    "objections",
    "clock",
    "windows",
    "doubt_effect",
    "response",
    "responses",
    "believed",
    "believed_summary",
    "rhythms",
    "versions",
    "flow",
    "references",
    "sessions",
    "devices",
    "settings",
    "parameters",
    "inputs",
    "repairs",
    "files_left_out",
    "decisions_used",
    "copies",
    "overlaps",
    "declared",
    "deviations",
    "proposals",
    "warnings",
)
"""Parts of the document that ``table_of`` lays out as rows."""

_NESTED: Final = ("statistics", "primary_limits")
"""Parts of a row of agreement that are no cell of their own."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Results:
    """What a run found.

    Attributes
    ----------
    document : dict
        What ``results.json`` holds; its JSON Schema is :func:`results_schema`. Instants may be aware datetimes, numbers
        NumPy scalars, values that cannot be given NaN: they are written as ISO text in UTC, numbers and null.
    pairs : polars.DataFrame
        One row a reading; columns :data:`PAIRS`.
    traces : polars.DataFrame
        What figures are drawn from: one row a value of a device; columns :data:`TRACES`.
    """

    document: dict[str, Any]
    pairs: pl.DataFrame
    traces: pl.DataFrame


def results_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of ``results.json``."""
    text = resources.files("wearbench").joinpath("schema", "results.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def conformed(frame: pl.DataFrame, columns: Mapping[str, pl.DataType], *, name: str) -> pl.DataFrame:
    """The frame with exactly these columns and types.

    Parameters
    ----------
    frame : polars.DataFrame
    columns : mapping
        Name -> type, in order.
    name : str
        What messages call the table.

    Raises
    ------
    DataError
        If a column is missing, unknown, or does not fit its type.
    """
    if missing := [column for column in columns if column not in frame.columns]:
        raise DataError(
            f"{name}: expected {len(columns)} columns, missing {', '.join(missing)}", slug="results-columns"
        )
    if unknown := [column for column in frame.columns if column not in columns]:
        raise DataError(f"{name}: unknown columns {', '.join(unknown)}", slug="results-columns")
    for column, kind in columns.items():
        got = frame.schema[column]
        naive = isinstance(got, pl.Datetime) and got.time_zone is None
        if isinstance(kind, pl.Datetime) and (naive or not isinstance(got, (pl.Datetime, pl.Null))):
            raise DataError(f"{name}: column {column}: expected aware instants, got {got}", slug="results-columns")
    try:
        return frame.select([pl.col(column).cast(kind) for column, kind in columns.items()])
    except pl.exceptions.PolarsError as error:
        raise DataError(f"{name}: a column does not fit its type: {error}", slug="results-columns") from error


def plain(value: Any) -> Any:
    """The value as JSON knows it: instants as ISO text in UTC, NaN and infinities as null, nothing rounded."""
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in (sorted(value) if isinstance(value, (set, frozenset)) else value)]
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise DataError(f"expected an aware instant in the results, got {value.isoformat()}", slug="results-naive")
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return value.as_posix()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if hasattr(value, "tolist"):  # NumPy scalars and arrays
        return plain(value.tolist())
    raise DataError(
        f"expected values that JSON can hold in the results, got {type(value).__name__}", slug="results-kind"
    )


def table_of(document: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    """One part of the document as rows with plain cells, as it is shown and written as CSV.

    Parameters
    ----------
    document : mapping
        ``Results.document``.
    name : str
        One of :data:`TABLES`.

    Returns
    -------
    list of dict
        All rows have the same keys. ``agreement`` has one row a statistic.

    Raises
    ------
    DataError
        If there is no such table.
    """
    if name not in TABLES:
        raise DataError(f"expected one of {', '.join(TABLES)}, got {name}", slug="no-such-table", value=name)
    part = plain(document.get(name) or [])
    if name == "agreement":
        rows = [
            {**{key: cell for key, cell in row.items() if key not in _NESTED}, "statistic": statistic, **value}
            for row in part
            for statistic, value in row.get("statistics", {}).items()
        ]
    elif isinstance(part, dict):
        rows = [{"name": key, "value": value} for key, value in part.items()]
    else:
        rows = [row if isinstance(row, dict) else {name.removesuffix("s"): row} for row in part]
    keys = list(dict.fromkeys(key for row in rows for key in row))
    return [{key: _cell(row.get(key)) for key in keys} for row in rows]


def _cell(value: Any) -> Any:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, (dict, list)) else value
