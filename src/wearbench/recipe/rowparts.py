"""Parts that all tables of the document share: instants, owners, results by device and quantity."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from wearbench.core.agreement import Estimate
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.study import Study

__all__ = ["EPOCH", "NOT_ASKED", "by_series", "estimate_row", "instant", "participant_of"]

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NOT_ASKED = ("not_worn", "not_expected", "unjudged")
"""States in which no value was to be judged."""


def participant_of(study: Study, session: str) -> str:
    """Who wore the devices in a session."""
    return next(s.participant for s in study.sessions if s.name == session)


def instant(material: SessionMaterial, seconds: float) -> datetime:
    """Seconds from a session's origin as an instant."""
    return EPOCH + timedelta(milliseconds=material.origin_ms) + timedelta(seconds=seconds)


def by_series(ordered: list[SessionResult]) -> dict[tuple[str, str], list[tuple[SessionResult, SeriesResult]]]:
    """Results of the sessions by device and quantity, in order of the sessions."""
    groups: dict[tuple[str, str], list[tuple[SessionResult, SeriesResult]]] = {}
    for r in ordered:
        for s in r.results:
            groups.setdefault((s.device, s.quantity), []).append((r, s))
    return groups


def estimate_row(estimate: Estimate) -> dict[str, Any]:
    """An estimate as the document has it; where there is no value it says why."""
    why = estimate.why
    if estimate.value is None and not why:
        why = "cannot be given"
    return {
        "value": estimate.value,
        "low": estimate.low,
        "high": estimate.high,
        "method": estimate.method,
        "n": estimate.n,
        "why": why,
    }
