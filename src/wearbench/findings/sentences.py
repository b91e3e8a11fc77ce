"""Results into sentences: each with its scope, its numbers and its method, and none stronger than its interval."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

import polars as pl

from wearbench.findings.accuracy import say_accuracy, say_activity, say_faithful
from wearbench.findings.assumptions import leads_in_two_parts, say_assumptions
from wearbench.findings.believed import say_believed
from wearbench.findings.beside import say_beside
from wearbench.findings.change import say_changes
from wearbench.findings.clocks import say_clock
from wearbench.findings.exports import say_exports
from wearbench.findings.failures import say_states
from wearbench.findings.finding import Finding, Said
from wearbench.findings.firmware import say_firmware
from wearbench.findings.recurrence import say_recurrence
from wearbench.findings.reference import say_disputed, say_doubt_effect, say_reference
from wearbench.findings.response import say_response
from wearbench.findings.rhythm import say_rhythm
from wearbench.findings.sceptic import say_benefit, say_choices
from wearbench.findings.subject import Subject, device_label, quantity_label, subjects
from wearbench.findings.tracing import cited
from wearbench.findings.tracking import say_missing, say_nothing_judged, say_one_session, say_tracking
from wearbench.findings.why import say_why
from wearbench.findings.within import session_bounds, within_sessions
from wearbench.study.results import plain

__all__ = ["find"]

_KINDS: Final[tuple[Callable[[Subject], Iterator[Said]], ...]] = (
    say_nothing_judged,
    say_tracking,
    say_accuracy,
    say_one_session,
    say_faithful,
    say_assumptions,
    say_states,
    say_why,
    say_believed,
    say_recurrence,
    say_activity,
    say_firmware,
    say_changes,
    say_beside,
    say_missing,
    say_benefit,
    say_choices,
    say_clock,
    say_response,
    say_reference,
    say_doubt_effect,
    say_disputed,
    say_rhythm,
)


def find(document: Mapping[str, Any], pairs: pl.DataFrame) -> list[Finding]:
    """Sentences the study supports, the most important first for each device.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``; its ``findings`` are not read.
    pairs : polars.DataFrame
        Content of ``pairs.parquet``.

    Returns
    -------
    list of Finding
        Devices under test first; then others whose exports disagree.
    """
    document = plain(document)
    found = subjects(document, pairs)
    exports = _exports(document)
    inside = within_sessions(pairs, session_bounds(document))
    said: list[Finding] = []

    def add(device: str, quantity: str, scope: str, each: Said) -> None:
        kind, claim, evidence = each
        rows = evidence.get("made_from") or cited(
            document, inside, device=device, quantity=quantity, kind=kind, evidence=evidence
        )
        said.append(_finding(device, quantity, scope, (kind, claim, {**evidence, "made_from": rows})))

    for subject in found:
        scope = f"{subject.label}, {subject.what}: {subject.scope}"
        for say in _order(subject):
            for each in say(subject):
                add(subject.device, subject.quantity, scope, each)
        for each in exports.pop((subject.device, subject.quantity), ()):
            add(subject.device, subject.quantity, scope, each)
    for (device, quantity), more in exports.items():
        scope = f"{device_label(document, device)}, {quantity_label(quantity)}"
        for each in more:
            add(device, quantity, scope, each)
    return said


def _order(subject: Subject) -> tuple[Callable[[Subject], Iterator[Said]], ...]:
    """What is said in which order: where right and wrong readings are mixed, how far off the right ones were first."""
    if not leads_in_two_parts(subject):
        return _KINDS
    rest = [say for say in _KINDS if say is not say_faithful]
    at = rest.index(say_accuracy)
    return (*rest[:at], say_faithful, *rest[at:])


def _exports(document: Mapping[str, Any]) -> dict[tuple[str, str], Sequence[Said]]:
    """What is to be said of exports that disagree, by device and quantity."""
    rows: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in document.get("overlaps") or []:
        rows.setdefault((str(row.get("device")), str(row.get("quantity"))), []).append(row)
    out: dict[tuple[str, str], Sequence[Said]] = {}
    for (device, quantity), mine in sorted(rows.items()):
        clock = [c for c in document.get("clock") or [] if c.get("device") == device]
        if said := list(say_exports(mine, document.get("sessions") or [], clock)):
            out[device, quantity] = said
    return out


def _finding(device: str, quantity: str, scope: str, said: Said) -> Finding:
    kind, claim, evidence = said
    key = hashlib.sha256(f"{device}\0{quantity}\0{kind}".encode()).hexdigest()
    return Finding(
        id=f"F-{key[:8]}",
        device=device,
        claim=claim,
        scope=scope,
        evidence={"kind": kind, "quantity": quantity, **evidence},
    )
