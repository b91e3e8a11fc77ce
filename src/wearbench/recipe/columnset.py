"""The columns of one series, each judged on its own readings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.pairing import Pairs
from wearbench.core.states import States
from wearbench.recipe.columns import (
    COLUMNS,
    Column,
    apply_rules,
    hand_spans,
    has_columns,
    outside,
    rule_spans,
    rules_of,
)
from wearbench.recipe.comparison import Comparison, paired
from wearbench.recipe.disputes import settled
from wearbench.recipe.expecting import expected_span, in_place, missing
from wearbench.recipe.judging import judge
from wearbench.recipe.setaside import without_set_aside
from wearbench.recipe.wearing import absent_spans
from wearbench.recipe.windows import Windowed
from wearbench.study import Study

__all__ = ["ColumnSet", "columns_of"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class ColumnSet:
    """The column with rules and decisions, all of them in order where they can differ, and the time expected."""

    judged: Column
    every: tuple[Column, ...]
    expected: tuple[float, float]


def columns_of(one: Comparison, clock: ClockFit) -> ColumnSet:
    """Judge the columns of a series.

    Parameters
    ----------
    one : Comparison
    clock : ClockFit

    Returns
    -------
    ColumnSet
        ``every`` is empty where rules and decisions of the study change nothing.
    """
    study, session, origin_ms = one.study, one.session, one.origin_ms
    unruled = paired(one, clock)
    expected = expected_span(one, in_place(one, unruled))
    rules = rules_of(study)
    ruled, by_rule = unruled, np.zeros((0, 2))
    if clock.trust != "refused" and rules.any():
        by_rule = rule_spans(rules, session, origin_ms=origin_ms, expected=expected)
        ruled = apply_rules(unruled, by_rule, min_covered=rules.min_covered)
    by_hand = np.concatenate([by_rule, hand_spans(study, session, one.series, clock, origin_ms=origin_ms)])
    draft = _Draft(one=one, clock=clock, expected=expected)
    judged = draft.column("plus decisions", ruled, study, cut=by_hand)
    if not has_columns(study):
        return ColumnSet(judged=judged, every=(), expected=expected)
    undecided = replace(study, decisions=())
    everything = draft.column("everything", unruled, undecided, cut=np.zeros((0, 2)), like=(judged,))
    declared = draft.column("declared rules", ruled, undecided, cut=by_rule, like=(judged, everything))
    every = sorted((judged, everything, declared), key=lambda c: COLUMNS.index(c.name))
    return ColumnSet(judged=judged, every=tuple(every), expected=expected)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Draft:
    """What the columns of a series share."""

    one: Comparison
    clock: ClockFit
    expected: tuple[float, float]

    def column(self, name: str, start: Windowed, decided: Study, *, cut: F64, like: tuple[Column, ...] = ()) -> Column:
        """One column; its states are another's where the same readings are used."""
        one, clock = self.one, self.clock
        left = without_set_aside(one, start, decided, clock)
        same = next((c for c in like if np.array_equal(c.window.pairs.reason, left.pairs.reason)), None)
        claimed = self._states(left) if same is None else (same.claimed or same.states)
        states = settled(claimed, left, one.reference.running) if one.quantity.state_model else claimed
        silent = missing(one, in_place(one, left), self.expected)
        absent = absent_spans(
            decided,
            one.session,
            one.series,
            clock,
            origin_ms=one.origin_ms,
            expected=self.expected,
            silent=silent,
        )
        gone = outside(outside(silent, cut), absent.every)
        return Column(name=name, window=left, states=states, gone=gone, absent=absent, claimed=claimed)

    def _states(self, window: Windowed) -> States:
        one = self.one
        if not one.quantity.state_model or self.clock.trust == "refused":
            return _no_states(window.pairs, judged=not one.quantity.state_model)
        trusted = one.reference.running.without_doubtful()
        return judge(window, trusted, one.context, one.learned.states, one.settings, averaging_s=one.averaging_s).states


def _no_states(pairs: Pairs, *, judged: bool) -> States:
    n = pairs.tested.size
    return States(
        state=np.where(pairs.used & judged, 0, -1).astype(np.int8),
        ratio=np.full(n, np.nan),
        also_cadence=np.zeros(n, dtype=np.bool_),
        probability=np.full(n, np.nan),
    )
