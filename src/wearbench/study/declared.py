"""What was declared before the results were seen, and where the study departs from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from wearbench.study.config import StudyConfig
from wearbench.study.decisions import Decision, append_decisions, now
from wearbench.study.declaration import (
    DECLARATION_FILE,
    TRACKING,
    Declaration,
    canonical_text,
    current_settings,
    of_text,
    sha256_of,
    short_hash,
)
from wearbench.wording import plural

if TYPE_CHECKING:
    from wearbench.study.study import Study

__all__ = [
    "COLUMNS",
    "Declared",
    "acting",
    "column_value",
    "declared_in",
    "deviations",
    "record_declaration",
    "terms_words",
]

COLUMNS: Final = ("everything", "declared rules", "plus decisions")
"""The three columns of the results, in order."""
ACTING: Final = ("leave_out", "wear")


@dataclass(frozen=True, kw_only=True, slots=True)
class Declared:
    """A declaration in force.

    Attributes
    ----------
    declaration : Declaration
    decision : Decision
        The line of decisions.jsonl that holds it.
    sha256 : str
        Of its canonical text.
    intact : bool
        Whether that is still the hash written beside it.
    first : Declaration
        The first one ever made; the same unless it was declared again.
    looks_before_first, looks_before : int
        Runs before the first one was made, and before this one.
    """

    declaration: Declaration
    decision: Decision
    sha256: str
    intact: bool
    first: Declaration
    looks_before_first: int
    looks_before: int


def record_declaration(folder: Path, declaration: Declaration) -> Decision:
    """Append a declaration to decisions.jsonl.

    Raises
    ------
    StudyError
        If the file cannot be written.
    """
    sha256 = sha256_of(declaration)
    value = {"hash": short_hash(sha256), "sha256": sha256, "text": canonical_text(declaration)}
    return append_decisions(folder, [Decision(made=now(), kind="declare", value=value)])[0]


def declared_in(decisions: Iterable[Decision]) -> Declared | None:
    """The declaration in force: the last one that was not taken back and can be read.

    Parameters
    ----------
    decisions : iterable of Decision
        In the order made.
    """
    every = tuple(decisions)
    revoked = _revoked(every)
    looks = 0
    found: list[tuple[Decision, Declaration, int]] = []
    for decision in every:
        looks += decision.kind == "look"
        if decision.kind == "declare" and decision.id not in revoked:
            made = _read(decision)
            if made is not None:
                found.append((decision, made, looks))
    if not found:
        return None
    (_, first, before_first), (decision, made, before) = found[0], found[-1]
    sha256 = sha256_of(made)
    return Declared(
        declaration=made,
        decision=decision,
        sha256=sha256,
        intact=sha256 == decision.value.get("sha256"),
        first=first,
        looks_before_first=before_first,
        looks_before=before,
    )


def _revoked(decisions: Iterable[Decision]) -> set[str | None]:
    return {d.revokes for d in decisions if d.kind == "revoke"}


def _read(decision: Decision) -> Declaration | None:
    try:
        return of_text(decision.value["text"])
    except (KeyError, TypeError, ValueError):
        return None


def acting(decisions: Iterable[Decision]) -> list[Decision]:
    """Decisions by hand that leave readings out and were not taken back."""
    every = tuple(decisions)
    revoked = _revoked(every)
    return [d for d in every if d.kind in ACTING and d.id not in revoked]


def column_value(
    document: Mapping[str, Any], column: str, *, statistic: str, device: str, quantity: str
) -> Mapping[str, Any] | None:
    """One statistic of one device in one of the three columns; where they do not differ, the headline's.

    Parameters
    ----------
    document : mapping
        ``Results.document``.
    column : str
        One of :data:`COLUMNS`.
    statistic, device, quantity : str
    """
    part = "tracking" if statistic == TRACKING else "agreement"
    mine = [
        row
        for row in document.get(part) or []
        if (row.get("device"), row.get("quantity")) == (device, quantity)
        and row.get("readings", "all") == "all"
        and row.get("clock", "fitted") in ("fitted", "declared")
    ]
    apart = any(row.get("by") == "column" for row in mine)
    wanted = [r for r in mine if (r.get("by"), r.get("group")) == ("column", column)] if apart else []
    if not apart:
        wanted = [r for r in mine if r.get("by") in (None, "", "all", "overall")]
    row = min(wanted, key=lambda r: r.get("clock") == "declared", default=None)
    if row is None or part == "tracking":
        return row
    found: Mapping[str, Any] | None = (row.get("statistics") or {}).get(statistic)
    return found


def deviations(study: Study, declared: Declared | None, document: Mapping[str, Any]) -> list[dict[str, str]]:
    """Where the study departs from what was declared.

    Parameters
    ----------
    study : Study
    declared : Declared or None
    document : mapping
        Results, with agreement, tracking and sessions.

    Returns
    -------
    list of dict
        ``what`` (looked_before, declared_again, text, file, criteria, settings, sessions, primary, decisions) and
        ``said``. Empty without a declaration.
    """
    if declared is None:
        return []
    rows = (
        *_of_the_order(declared),
        *_of_the_text(study, declared),
        *_of_the_study(study.config, declared.declaration),
        *_of_the_results(study, declared, document),
    )
    return [{"what": what, "said": said} for what, said in rows]


def _of_the_order(declared: Declared) -> Iterator[tuple[str, str]]:
    before = declared.looks_before_first
    if before:
        yield "looked_before", f"results had been seen before the declaration was made: {plural(before, 'run')}"
    again = _differences(declared.first, declared.declaration)
    seen = declared.looks_before - before
    if again:
        when = f"after {plural(seen, 'more run')}" if seen else "before another run"
        yield "declared_again", f"declared again as {declared.decision.id} {when}: {'; '.join(again)}"


def _differences(first: Declaration, now_declared: Declaration) -> list[str]:
    """What another declaration says otherwise, in words."""
    was, now_is = first.primary, now_declared.primary
    found = []
    if was != now_is:
        found.append(
            f"primary number {was.statistic} of {was.device} ({was.quantity}), now {now_is.statistic} of "
            f"{now_is.device} ({now_is.quantity})"
        )
    for name, words in (
        ("question", "the question"),
        ("rules", "rules"),
        ("sessions_planned", "sessions planned"),
        ("stopping", "the stopping rule"),
        ("systematic", "what is called systematic"),
        ("criteria", "criteria"),
        ("settings", "settings"),
        ("questions", "the questions asked of failures"),
    ):
        if getattr(first, name) != getattr(now_declared, name):
            figures = f" ({first.sessions_planned}, now {now_declared.sessions_planned})"
            found.append(f"{words} changed{figures if name == 'sessions_planned' else ''}")
    return found


def _of_the_text(study: Study, declared: Declared) -> Iterator[tuple[str, str]]:
    if not declared.intact:
        given = declared.decision.value.get("hash")
        yield (
            "text",
            f"the line {declared.decision.id} of decisions.jsonl was changed: it was declared as {given}, its text now "
            f"gives {short_hash(declared.sha256)}",
        )
    try:
        same = (study.folder / DECLARATION_FILE).read_bytes() == canonical_text(declared.declaration).encode()
    except OSError:
        return
    if not same:
        yield (
            "file",
            f"{DECLARATION_FILE} says otherwise than what was declared as {declared.decision.id}, which is what counts",
        )


def _of_the_study(config: StudyConfig, declaration: Declaration) -> Iterator[tuple[str, str]]:
    are = {criterion.name: criterion.terms() for criterion in config.criteria}
    for name in dict.fromkeys((*declaration.criteria, *are)):
        was, is_now = declaration.criteria.get(name), are.get(name)
        if was is None:
            yield "criteria", f"criterion {name} ({terms_words(is_now)}) was not declared"
        elif is_now is None:
            yield "criteria", f"criterion {name} ({terms_words(was)}) was declared and is gone"
        elif was != is_now:
            yield "criteria", f"criterion {name} was declared with {terms_words(was)}; now {terms_words(is_now)}"
    set_to = current_settings(config)
    for name in dict.fromkeys((*declaration.settings, *set_to)):
        before, after = declaration.settings.get(name), set_to.get(name)
        if before != after:
            words = ["the default" if value is None else f"{value:g}" for value in (before, after)]
            yield "settings", f"setting {name} was declared as {words[0]}; now {words[1]}"


def terms_words(terms: Mapping[str, Any] | None) -> str:
    """The terms of a criterion in words: ``mape at most 5 (band)``."""
    given = terms or {}
    words = {"at_least": "at least", "at_most": "at most"}
    bounds = [f"{word} {given[key]:g}" for key, word in words.items() if key in given]
    about = [str(given[key]) for key in ("device", "quantity") if key in given]
    return f"{given.get('statistic')} {' and '.join(bounds)}" + (f" ({', '.join(about)})" if about else "")


def _of_the_results(study: Study, declared: Declared, document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    declaration, primary = declared.declaration, declared.declaration.primary
    held, planned = compared_sessions(document, declaration), declaration.sessions_planned
    if held != planned:
        word = "fewer" if held < planned else "more"
        yield "sessions", f"{plural(held, 'session')} instead of the {planned} planned: {abs(held - planned)} {word}"
    value = column_value(
        document,
        COLUMNS[1],
        statistic=primary.statistic,
        device=primary.device,
        quantity=primary.quantity,
    )
    if value is None or value.get("value") is None:
        why = (value or {}).get("why") or "the results hold nothing it is about"
        yield "primary", f"the primary number ({primary.statistic} of {primary.device}) cannot be given: {why}"
    by_hand = [d.id for d in acting(study.decisions)]
    if by_hand:
        ids = ", ".join(by_hand[:8]) + (" ..." if len(by_hand) > 8 else "")
        yield "decisions", f"{plural(len(by_hand), 'decision')} by hand left out what no declared rule does ({ids})"


def compared_sessions(document: Mapping[str, Any], declaration: Declaration) -> int:
    """Sessions in which the primary device was recorded beside a reference, whatever was left out of them later."""
    primary = declaration.primary
    return sum(
        any(
            (row.get("device"), row.get("quantity"), row.get("paired")) == (primary.device, primary.quantity, True)
            for row in session.get("availability") or []
        )
        for session in document.get("sessions") or []
    )
