"""A criterion and its outcome in words, for the screen and the report."""

from __future__ import annotations

from typing import Final

from wearbench.study.criteria import CriterionOutcome

__all__ = ["criterion_line", "criterion_lines"]

_WORDS: Final = {"met": "met", "not met": "NOT MET", "cannot be told yet": "cannot be told yet"}


def criterion_lines(own: tuple[CriterionOutcome, ...], trade: tuple[CriterionOutcome, ...]) -> list[str]:
    """Lines about all criteria, the person's own first.

    Parameters
    ----------
    own, trade : tuple of CriterionOutcome
    """
    lines = ["", "Criteria of study.toml:", *(f"  {criterion_line(outcome)}" for outcome in own)] if own else []
    if trade:
        lines += ["", "Figures of the trade, for comparison:"]
        lines += [f"  {criterion_line(outcome)} [{outcome.source}; {outcome.how_sure}]" for outcome in trade]
    return lines


def criterion_line(outcome: CriterionOutcome) -> str:
    """One criterion: what it asks, its outcome, the value with its interval, and what would tell."""
    bounds = [
        f"{word} {bound:g}"
        for word, bound in (("at most", outcome.at_most), ("at least", outcome.at_least))
        if bound is not None
    ]
    about = ", ".join(part for part in (outcome.device, outcome.quantity) if part)
    head = f"{outcome.criterion}{f' ({about})' if about else ''}: {outcome.statistic} {' and '.join(bounds)}"
    if outcome.value is None:
        counts = "; that counts as not met" if outcome.fails else ""
        return f"{head}: cannot be told, since it cannot be given: {outcome.why}{counts}"
    span = (
        ", no interval"
        if outcome.low is None or outcome.high is None
        else f" ({outcome.low:.4g} to {outcome.high:.4g})"
    )
    why = f": {outcome.why}" if outcome.why else ""
    return f"{head}: {_WORDS[outcome.outcome]} with {outcome.value:.4g}{span}{why}"
