"""Small parts of the page: a picture in two widths, a finding in head and rest, an instant read back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from markupsafe import Markup, escape

from wearbench.figures import Picture

__all__ = ["Figure", "Said", "figure_of", "instant_of", "kind_of", "linked", "said_of", "unbroken"]

_NARROW: Final = 344.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """A picture for wide screens and one for narrow ones; ``narrow`` may be missing, then the wide one scrolls."""

    wide: Markup
    narrow: Markup | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """A finding: its first sentence, the rest, and the small print."""

    id: str
    head: str
    rest: str
    scope: str
    method: str


def figure_of(picture: Picture, *, uid: str) -> Figure:
    """Draw a picture for wide screens and for narrow ones."""
    wide, narrow = picture.draw(uid=uid, width=picture.width), picture.draw(uid=f"{uid}n", width=_NARROW)
    return Figure(wide=Markup(wide), narrow=Markup(narrow))


def instant_of(text: Any) -> datetime | None:
    """An aware instant from its ISO text, or None."""
    try:
        found = datetime.fromisoformat(str(text).replace("Z", "+00:00"))
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def kind_of(finding: Mapping[str, Any]) -> str:
    """What a finding is about; empty for one that was not made by this program."""
    evidence = finding.get("evidence")
    return str(evidence.get("kind", "")) if isinstance(evidence, Mapping) else ""


def said_of(finding: Mapping[str, Any]) -> Said:
    """A finding of the results, its first sentence apart."""
    head, _, rest = str(finding.get("claim") or "").partition(". ")
    evidence = finding.get("evidence")
    method = evidence.get("method") if isinstance(evidence, Mapping) else None
    return Said(
        id=str(finding["id"]),
        head=head.removesuffix(".") + ".",
        rest=rest,
        scope=str(finding.get("scope") or ""),
        method=str(method or ""),
    )


_UNIT: Final = re.compile(r"(?<=\d) (?=(?:min|s|h|d|%|bpm|ppm|people|sessions?|pairs|of \d+)\b|%)")
_SPAN: Final = re.compile(r"(?<=[\d%]) to (?=(?:over |under )?[+−]?\d)")
_HOURS: Final = re.compile(r"(?<=\d\u00a0[hd]) (?=\d)")
_EPISODE: Final = re.compile(r"\b([A-Za-z0-9_.-]+)-E\d+\b")


def unbroken(text: str) -> str:
    """The text with numbers held to their units at the end of a line."""
    return _HOURS.sub("\u00a0", _SPAN.sub("\u00a0to\u00a0", _UNIT.sub("\u00a0", text)))


def linked(text: str, anchors: Mapping[str, str]) -> Markup:
    """The text, escaped, each episode in it a link to its session where that is on the page."""
    parts, last = [], 0
    for match in _EPISODE.finditer(text):
        anchor = anchors.get(match[1])
        if anchor is not None:
            parts.append(escape(unbroken(text[last : match.start()])))
            parts.append(Markup('<a href="#{}">{}</a>').format(anchor, match[0]))
            last = match.end()
    parts.append(escape(unbroken(text[last:])))
    return Markup("").join(parts)
