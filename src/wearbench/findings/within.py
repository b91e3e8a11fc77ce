"""When each session was: exports that span sessions are cut with a margin, which is no part of the session."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

import polars as pl

__all__ = ["session_bounds", "within_sessions"]

_INSTANT: Final = pl.Datetime("us", "UTC")
_BOUNDS: Final = pl.Schema({"session": pl.String(), "low": _INSTANT, "high": _INSTANT})


def session_bounds(document: Mapping[str, Any]) -> pl.DataFrame:
    """Ends of each session whose ends the study tells, widened to where its reference was recorded.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``, plain.

    Returns
    -------
    polars.DataFrame
        ``session, low, high``; an end that is not told is null.
    """
    rows = []
    for session in document.get("sessions") or []:
        recorded = bool(session.get("has_reference"))
        low, high = (
            _widest(session.get(f"told_{end}"), session.get(end) if recorded else None, pick=pick)
            for end, pick in (("start", min), ("end", max))
        )
        rows.append((str(session.get("session")), low, high))
    return pl.DataFrame(rows, schema=_BOUNDS, orient="row")


def _widest(told: Any, recorded: Any, *, pick: Any) -> datetime | None:
    if not told:
        return None
    at: datetime = pick(datetime.fromisoformat(str(text)) for text in (told, recorded) if text)
    return at


def within_sessions(pairs: pl.DataFrame, bounds: pl.DataFrame) -> pl.DataFrame:
    """Pairs without readings that were not used and lie outside their session.

    Parameters
    ----------
    pairs : polars.DataFrame
        Content of ``pairs.parquet``.
    bounds : polars.DataFrame
        From :func:`session_bounds`.

    Returns
    -------
    polars.DataFrame
        A session of a device in which no reading lies inside keeps all: its clock is not known.
    """
    if not pairs.height or not bounds.height:
        return pairs
    at = pl.coalesce("end", "time")
    inside = (at >= pl.col("low")).fill_null(value=True) & (at <= pl.col("high")).fill_null(value=True)
    keep = pl.col("used") | inside
    none = ~keep.any().over("session", "device", "quantity")
    return pairs.join(bounds, on="session", how="left", maintain_order="left").filter(keep | none).drop("low", "high")
