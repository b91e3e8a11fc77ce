"""Warnings of a run, gathered: the same remark about several sessions is one remark."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from wearbench.wording import join_words, plural

__all__ = ["Remark", "remarks_of"]

_NUMBER: Final = re.compile(r"[+−-]?\d[\d,.]*")
_MINUS: Final = re.compile(r"(?<=[ (])-(?=\d)")
_MOST_NAMES: Final = 8
_SHOWN_ELSEWHERE: Final = ("rhythms-mixed", "version-unknown", "exports-differ", "parts-differ", "copies-differ")


@dataclass(frozen=True, kw_only=True, slots=True)
class Remark:
    """A remark and the sessions it is about; ``asks`` where it is a question."""

    said: str
    where: str
    asks: bool


def remarks_of(document: Mapping[str, Any]) -> list[Remark]:
    """What the run warned of, questions first; what the page says elsewhere is left out.

    Parameters
    ----------
    document : mapping
        ``Results.document``, plain.
    """
    proposed = {(str(p.get("session")), str(p.get("said"))) for p in document.get("proposals") or []}
    groups: dict[str, list[tuple[str, str]]] = {}
    for entry in document.get("warnings") or []:
        session, said = _parts(entry)
        if isinstance(entry, Mapping) and entry.get("slug") in _SHOWN_ELSEWHERE:
            continue
        if any(session == name and said.endswith(what) for name, what in proposed):
            continue
        groups.setdefault(_NUMBER.sub("#", said), []).append((session, said))
    found = [_remark(entries) for entries in groups.values()]
    return sorted(found, key=lambda remark: not remark.asks)


def _parts(entry: Any) -> tuple[str, str]:
    """Session and words of a warning, the words without the session's name."""
    if not isinstance(entry, Mapping):
        return "", str(entry)
    session = str(entry.get("session") or "")
    said = str(entry.get("said") or "")
    return session, said.removeprefix(f"{session}: ") if session else said


def _remark(entries: Sequence[tuple[str, str]]) -> Remark:
    said = _MINUS.sub("−", entries[0][1])
    sessions = list(dict.fromkeys(session for session, _ in entries if session))
    same = len({words for _, words in entries}) == 1
    where = "".join(_where(sessions, same=same))
    return Remark(said=said[:1].upper() + said[1:] if _plain_word(said) else said, where=where, asks=said.endswith("?"))


def _plain_word(said: str) -> bool:
    """Whether it begins with a word of ours and not with a name, which keeps its spelling."""
    return said.startswith(("no ", "the ", "its ", "a "))


def _where(sessions: list[str], *, same: bool) -> Iterator[str]:
    if not sessions:
        return
    if same or len(sessions) == 1:
        shown = sessions[:_MOST_NAMES]
        yield join_words(shown) if len(sessions) <= _MOST_NAMES else ", ".join(shown)
    else:
        yield f"{sessions[0]}; the like in {join_words(sessions[1:_MOST_NAMES])}"
    if len(sessions) > _MOST_NAMES:
        yield f" and {plural(len(sessions) - _MOST_NAMES, 'more session')}"
