"""What a finding is, and small words its sentences share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from wearbench.errors import DataError
from wearbench.findings.subject import Subject
from wearbench.wording import share

__all__ = ["Finding", "Said", "as_rows", "here", "sessions_hit", "statistics_of"]

Said = tuple[str, str, dict[str, Any]]
"""Kind, claim and evidence of a finding to be."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """A sentence the study supports.

    ``id`` depends on device, quantity and kind alone and so stays the same from run to run. ``scope`` says whose and
    which device, worn where, against which reference; a finding without it cannot be made. ``evidence`` holds the
    kind, the numbers unrounded, the sessions concerned, the method, and in ``made_from`` which rows of the results it
    was made from (see `rows_behind`).

    Raises
    ------
    DataError
        Without id, claim or scope.
    """

    id: str
    device: str
    claim: str
    scope: str
    evidence: dict[str, Any]

    def __post_init__(self) -> None:
        for name in ("id", "claim", "scope"):
            if not str(getattr(self, name)).strip():
                raise DataError(f"expected a finding with its {name}, got none; a claim is never shown without it")


def as_rows(findings: list[Finding]) -> list[dict[str, Any]]:
    """Findings as plain dictionaries, as they stand in ``results.json``."""
    return [asdict(f) for f in findings]


def here(subject: Subject) -> str:
    """How a sentence about the device begins."""
    return "In this one session it" if len(subject.sessions) == 1 else "It"


def sessions_hit(hit: int, asked: int, bounds: tuple[float, float], *, confidence: float, word: str) -> str:
    """``9 of 12 sessions (exact 95 %: 43 to 95 %)``; all or none with the one bound that says something.

    Parameters
    ----------
    hit, asked : int
        Sessions affected, and those that could have been.
    bounds : tuple of float
        Exact interval of the share.
    confidence : float
    word : str
        What sessions are called in this study, in the plural.
    """
    level, (low, high) = f"exact {100 * confidence:g} %", bounds
    if hit == asked:
        return f"all {asked} {word} ({level}: {share(low)} or more)"
    if hit == 0:
        return f"none of {asked} {word} ({level}: up to {share(high)})"
    return f"{hit} of {asked} {word} ({level}: {share(low).removesuffix(' %')} to {share(high)})"


def statistics_of(row: Mapping[str, Any] | None) -> dict[str, dict[str, Any]]:
    """The statistics of a row of agreement; empty without one."""
    found = (row or {}).get("statistics") or {}
    return {name: s for name, s in found.items() if isinstance(s, dict)}
