"""Parts that all tables of the document share: instants, owners, results by device and quantity."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from wearbench.core.agreement import Estimate
from wearbench.core.agreement.coverage import MEASURED, nearest_coverage
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["EPOCH", "NOT_ASKED", "by_series", "coverage_row", "estimate_row", "instant", "participant_of"]

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


def coverage_row(
    name: str, estimate: Estimate, *, people: int, sessions: int, effect: str, settings: Settings
) -> dict[str, Any]:
    """How often such an interval held the truth in the nearest simulated design; None where that was not measured.

    It was for intervals of 95 % made by t. Sessions count once however many people they are of.
    """
    none = {"coverage": None, "coverage_design": None}
    measured = name in MEASURED and settings.interval == "t" and abs(settings.confidence - 0.95) < 1e-9
    if not measured or estimate.low is None or estimate.high is None:
        return none
    found = nearest_coverage(name, participants=people, sessions=sessions / people, effect=effect)
    return {"coverage": found.held, "coverage_design": f"{found.design}; {found.studies} studies"}


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
