"""Something wrong with a study that costs a row or a file, never the run."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from wearbench.errors import WearbenchError

__all__ = ["Problem", "listed", "near", "shown"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """One thing wrong or worth knowing, in words.

    Attributes
    ----------
    slug : str
        Short name of the kind, listed in ``docs/messages.md``.
    said : str
        What was expected, what came, what to do.
    file : str or None
        Path relative to the study.
    line : int or None
        Line of the file, counted from 1.
    value : str or None
        The offending value as it stands there.
    costs : str
        What is left out because of it ("this row", "this file"); empty when nothing is.
    """

    slug: str
    said: str
    file: str | None = None
    line: int | None = None
    value: str | None = None
    costs: str = ""

    @classmethod
    def of(cls, error: WearbenchError, *, costs: str) -> Problem:
        """The problem that an error caught on the way becomes, with what it costs."""
        return cls(
            slug=error.slug, said=error.message, file=error.file, line=error.line, value=error.value, costs=costs
        )

    def __str__(self) -> str:
        place = "" if self.file is None else f"{self.file}:" if self.line is None else f"{self.file}:{self.line}:"
        stop = "" if self.said.endswith((".", "?")) else "."
        left = f"{stop} Left out: {self.costs}." if self.costs else ""
        return f"{place} {self.said}{left}".strip()


def near(word: str, choices: Iterable[str]) -> str:
    """`` Did you mean "x"?`` for the choice that looks most like ``word``; empty when none does."""
    by_fold = {choice.casefold(): choice for choice in choices if not _another_number(word, choice)}
    found = difflib.get_close_matches(word.casefold(), list(by_fold), n=1, cutoff=0.6)
    return f' Did you mean "{by_fold[found[0]]}"?' if found else ""


def _another_number(word: str, choice: str) -> bool:
    """Whether two names differ in their numbers only (``s08`` and ``s09``), which is no slip of the hand."""
    same_words = re.sub(r"\d+", "", word) == re.sub(r"\d+", "", choice)
    return same_words and [int(n) for n in re.findall(r"\d+", word)] != [int(n) for n in re.findall(r"\d+", choice)]


def listed(choices: Iterable[str], *, word: str = "or") -> str:
    """Join names for a sentence: ``"a", "b" or "c"``."""
    quoted = [f'"{choice}"' for choice in choices]
    if len(quoted) < 2:
        return "".join(quoted) or "none"
    return f"{', '.join(quoted[:-1])} {word} {quoted[-1]}"


def shown(value: Any) -> str:
    """A value as the person wrote it, shortened."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return "a list of tables"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else text[:77] + "..."
