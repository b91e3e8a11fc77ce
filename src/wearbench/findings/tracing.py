"""From a sentence back to the rows of the results that it was made from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import polars as pl

from wearbench.findings.within import session_bounds, within_sessions

__all__ = ["cited", "rows_behind"]

_Keys = dict[str, Any]

_OVERALL: Final[_Keys] = {"by": "all", "readings": "all"}
_STATIC: Final[dict[str, tuple[tuple[str, _Keys], ...]]] = {
    "nothing_judged": (("pairs", {"used": False}),),
    "tracking": (
        ("tracking", {"by": "all"}),
        ("tracking", {"by": "session"}),
        ("states", {"by": "all"}),
        ("pairs", {"used": False}),
    ),
    "accuracy": (("agreement", _OVERALL),),
    "accuracy_faithful": (("agreement", {"by": "all", "readings": "faithful"}), ("tracking", {"by": "all"})),
    "one_session": (("pairs", {"used": True}),),
    "worst_activity": (("agreement", {"by": "activity", "readings": "all"}),),
    "firmware": (
        ("agreement", {"by": "firmware", "readings": "all"}),
        ("tracking", {"by": "firmware"}),
        ("versions", {}),
    ),
    "missing": (("states", {"by": "all"}), ("episodes", {"state": "missing"}), ("affected", {"state": "missing"})),
    "clock": (("clock", {}), ("windows", {})),
    "reference_doubtful": (
        ("pairs", {"reason": "reference_doubtful"}),
        ("agreement", _OVERALL),
        ("agreement", {"by": "doubtful_reference"}),
    ),
    "rhythm": (("windows", {}), ("rhythms", {})),
    "exports_differ": (("overlaps", {}),),
}
"""What the sentences of a kind are made from, narrowed to their device and quantity."""


def cited(
    document: Mapping[str, Any], pairs: pl.DataFrame, *, device: str, quantity: str, kind: str, evidence: _Keys
) -> list[dict[str, Any]]:
    """Rows of the results that a sentence was made from.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``, plain.
    pairs : polars.DataFrame
        Content of ``pairs.parquet``, within its sessions.
    device, quantity, kind : str
    evidence : dict
        Names the states and episodes.

    Returns
    -------
    list of dict
        ``table`` and ``keys``: all rows of the table that have these values; only what leads to a row.
    """
    found = []
    for table, keys in _wanted(kind, evidence):
        wide = {"device": device, "quantity": quantity, **keys}
        there = set(pairs.columns) if table == "pairs" else _columns(document, table)
        reference = {"table": table, "keys": {k: v for k, v in wide.items() if k in there}}
        if there and len(_matching(document, pairs, reference)):
            found.append(reference)
    return found


def rows_behind(document: Mapping[str, Any], pairs: pl.DataFrame, reference: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The rows that one entry of a finding's ``evidence["made_from"]`` names.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``, plain.
    pairs : polars.DataFrame
        Content of ``pairs.parquet``.
    reference : mapping
        ``table`` and ``keys``.

    Returns
    -------
    list of dict
        Of the pairs those within their sessions, as findings count them.
    """
    if reference["table"] == "pairs":
        pairs = within_sessions(pairs, session_bounds(document))
    found = _matching(document, pairs, reference)
    return found.to_dicts() if isinstance(found, pl.DataFrame) else found


def _wanted(kind: str, evidence: _Keys) -> Iterator[tuple[str, _Keys]]:
    yield from _STATIC.get(kind, ())
    if kind.startswith("assumption_"):
        yield "assumptions", {}
        yield "agreement", _OVERALL
    if kind.startswith("recurrence_"):
        for state in evidence.get("states") or [evidence.get("state")]:
            yield "recurrence", {"state": state}
            yield "evidence", {"state": state}
    if kind.startswith("change_"):
        yield "before_after", {name: evidence.get(name) for name in ("what", "before", "after")}
    if kind.startswith("beside_"):
        yield "side_by_side", {"other": evidence.get("other")}
    if kind.startswith("state_"):
        yield "affected", {"state": evidence.get("state")}
        yield "episodes", {"state": evidence.get("state"), "doubt": None}
    if kind in ("not_seen", "lapses", "unsure"):
        for state in evidence.get("states") or ():
            yield "affected", {"state": state}
            if kind != "not_seen":
                yield "episodes", {"state": state, "doubt": None}
    if kind == "not_seen":
        yield "affected", {"state": "cadence_locked"}


def _columns(document: Mapping[str, Any], table: str) -> set[str]:
    rows = document.get(table)
    return {name for row in rows for name in row} if isinstance(rows, list) else set()


def _matching(
    document: Mapping[str, Any], pairs: pl.DataFrame, reference: Mapping[str, Any]
) -> pl.DataFrame | list[dict[str, Any]]:
    table, keys = str(reference["table"]), reference["keys"]
    if table == "pairs":
        return pairs.filter([pl.col(name).eq_missing(pl.lit(value)) for name, value in keys.items()])
    rows = document.get(table) or []
    return [row for row in rows if all(row.get(name) == value for name, value in keys.items())]
