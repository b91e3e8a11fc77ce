"""Which findings about a device stand first, where there is room for few."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

__all__ = ["leading"]

_FIRST: Final = ("nothing_judged", "tracking", "accuracy", "one_session", "benefit", "exports_differ")
_MOST_FAULTS: Final = 3
_FEW: Final = 3


def leading(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Findings about one device and quantity that stand first: how long right, how far off, its faults, what changed.

    Parameters
    ----------
    findings : sequence of mapping
        As in ``results.json``, of one device and quantity, in their order.

    Returns
    -------
    list of mapping
        In the same order; the first few where none is of a kind that leads.
    """
    kinds = [_kind(f) for f in findings]
    in_two_parts = "accuracy_faithful" in kinds[: kinds.index("accuracy")] if "accuracy" in kinds else False
    faults = 0
    found = []
    for finding, kind in zip(findings, kinds, strict=True):
        fault = bool((finding.get("evidence") or {}).get("fault"))
        faults += fault
        leads = kind in _FIRST or kind.startswith("change_") or (in_two_parts and kind == "accuracy_faithful")
        if leads or (fault and faults <= _MOST_FAULTS):
            found.append(finding)
    if not faults:
        unseen = [f for f, kind in zip(findings, kinds, strict=True) if kind == "not_seen"]
        found += unseen if found else []
    return found or list(findings[:_FEW])


def _kind(finding: Mapping[str, Any]) -> str:
    evidence = finding.get("evidence")
    return str(evidence.get("kind", "")) if isinstance(evidence, Mapping) else ""
