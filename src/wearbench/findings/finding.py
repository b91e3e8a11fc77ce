"""What a finding is, and small words its sentences share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from wearbench.findings.subject import Subject

__all__ = ["Finding", "Said", "as_rows", "here", "statistics_of"]

Said = tuple[str, str, dict[str, Any]]
"""Kind, claim and evidence of a finding to be."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """A sentence the study supports.

    ``id`` depends on device, quantity and kind alone and so stays the same from run to run. ``evidence`` holds the
    kind, the numbers unrounded, the sessions concerned and the method.
    """

    id: str
    device: str
    claim: str
    scope: str
    evidence: dict[str, Any]


def as_rows(findings: list[Finding]) -> list[dict[str, Any]]:
    """Findings as plain dictionaries, as they stand in ``results.json``."""
    return [asdict(f) for f in findings]


def here(subject: Subject) -> str:
    """How a sentence about the device begins."""
    return "In this one session it" if len(subject.sessions) == 1 else "It"


def statistics_of(row: Mapping[str, Any] | None) -> dict[str, dict[str, Any]]:
    """The statistics of a row of agreement; empty without one."""
    found = (row or {}).get("statistics") or {}
    return {name: s for name, s in found.items() if isinstance(s, dict)}
