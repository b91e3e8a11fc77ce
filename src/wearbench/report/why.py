"""When it happens: odds of each failure by condition, and how many questions that took."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from wearbench.findings import Subject, is_clear, odds_words, question_words
from wearbench.report.pieces import Figure
from wearbench.report.tables import Cell, Table
from wearbench.wording import STATE_LABEL, finite, p_words, plural, share

__all__ = ["WhyView", "why_view"]

_MOST: Final = 15
"""Rows of a table on the page; all are in the results."""
_NAMED: Final = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class WhyView:
    """What the page shows of one device: words about the questions, the picture, all answers, and those without."""

    words: tuple[str, ...]
    figure: Figure | None
    answers: tuple[Table, ...]
    unanswered: Table | None


def why_view(subject: Subject, figures: Mapping[str, Figure]) -> WhyView | None:
    """The conditions of its failures.

    Parameters
    ----------
    subject : Subject
    figures : mapping
        Its drawn figures by name.

    Returns
    -------
    WhyView or None
        None where nothing was asked, since nothing failed for long enough.
    """
    if not subject.why:
        return None
    told = [row for row in subject.why if finite(row["odds_ratio"]["value"])]
    states = list(dict.fromkeys(row["state"] for row in told))
    return WhyView(
        words=tuple(_words(subject)),
        figure=figures.get("odds"),
        answers=tuple(_answers(subject, state, [r for r in told if r["state"] == state]) for state in states),
        unanswered=_unanswered([row for row in subject.why if not finite(row["odds_ratio"]["value"])]),
    )


def _words(subject: Subject) -> list[str]:
    rows = subject.why
    declared = sum(not row["exploratory"] for row in rows)
    told = sum(row["odds_ratio"]["low"] is not None or row["odds_ratio"]["high"] is not None for row in rows)
    by_chance = round((1 - subject.confidence) * told)
    clear = sum(is_clear(row) != 0 for row in rows)
    left = sum(_stands(row, subject) for row in rows)
    words = [
        f"{plural(len(rows), 'question')} were asked of {subject.label}, and {told} have an answer with an interval. "
        f"If nothing at all went with its failures, about {by_chance} of these intervals would still miss equal odds "
        f"by chance; here {clear} do. After counting all questions {left or 'none'} "
        f"{'stands' if left == 1 else 'stand'}."
    ]
    if declared:
        words.append(
            f"{plural(declared, 'question')} of these were declared beforehand, and are counted by themselves."
        )
    else:
        words.append("None of them was declared beforehand: all are exploratory, leads for the next study.")
    if len(subject.judged_sessions) == 1:
        words.append("All of it is about one session, and no general claim.")
    return words


def _stands(row: Mapping[str, Any], subject: Subject) -> bool:
    return bool(is_clear(row)) and row["p_adjusted"] is not None and row["p_adjusted"] < 1 - subject.confidence


def _answers(subject: Subject, state: str, rows: Sequence[Mapping[str, Any]]) -> Table:
    rows = sorted(rows, key=lambda r: (-abs(is_clear(r)), r["p"] if r["p"] is not None else 2.0))
    return Table(
        caption=f"“{STATE_LABEL[state]}” by condition",
        head=("Condition", "Odds", "Sessions affected", "Share of the time", "Chance"),
        rows=tuple(_row(subject, row) for row in rows[:_MOST]),
        numeric=False,
        note=f"{len(rows) - _MOST} more: wearbench show, table why." if len(rows) > _MOST else "",
    )


def _row(subject: Subject, row: Mapping[str, Any]) -> tuple[Cell, ...]:
    odds, _, span = odds_words(row["odds_ratio"], confidence=subject.confidence).partition(" (")
    counts = [f"{row[f'affected_{side}']} of {row[f'sessions_{side}']}" for side in ("in", "out")]
    chance = Cell(text="–", small=str(row["why"] or ""))
    if row["p"] is not None:
        chance = Cell(text=p_words(row["p"]), small=f"{p_words(row['p_adjusted'])} counting {row['counted']}")
    kind = "" if row["exploratory"] else "declared beforehand; "
    return (
        Cell(text=question_words(row), small=f"{kind}against {row['against']}, {row['level']}"),
        Cell(text=odds.removesuffix(" as high"), small=span.removesuffix(")") or str(row["why"] or "")),
        Cell(text=counts[0], small=f"else {counts[1]}"),
        Cell(text=share(row["share_in"]), small=f"else {share(row['share_out'])}"),
        chance,
    )


def _unanswered(rows: Sequence[Mapping[str, Any]]) -> Table | None:
    if not rows:
        return None
    reasons: dict[str, dict[str, int]] = {}
    for row in rows:
        named = reasons.setdefault(str(row["why"] or ""), {})
        named[question_words(row)] = named.get(question_words(row), 0) + 1
    return Table(
        caption="Asked, without an answer",
        head=("Why", "Questions", "About"),
        rows=tuple(
            (Cell(text=why), Cell(text=str(sum(named.values()))), Cell(text=_named(list(named))))
            for why, named in reasons.items()
        ),
        numeric=False,
    )


def _named(conditions: list[str]) -> str:
    more = len(conditions) - _NAMED
    return "; ".join(conditions[:_NAMED]) + (f"; and {more} more" if more > 0 else "")
