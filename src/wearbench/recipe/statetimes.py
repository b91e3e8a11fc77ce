"""Seconds in each state, by group and by block of time, and where the session's time went."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearbench.core.pairing import REASONS, Pairs
from wearbench.core.states import STATES
from wearbench.recipe.columns import Column
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.groupsums import THIRD_NAMES, third_of
from wearbench.recipe.places import Places, places_of
from wearbench.recipe.sessionresult import StateTime

__all__ = ["column_times", "flow_of", "pieces_of", "share_blocks", "silent_spans", "state_times", "value_seconds"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]


def value_seconds(pairs: Pairs) -> F64:
    """What each reading counts for; none without a value."""
    return np.where(np.isfinite(pairs.tested), pairs.seconds, 0.0)


def silent_spans(column: Column) -> dict[str, F64]:
    """Stretches without a value, by what they count as."""
    absent = column.absent
    return {"missing": column.gone, "not_worn": absent.not_worn, "not_expected": absent.not_expected}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Spent:
    """Seconds of the readings by state, of the stretches without one by place, and the rows made of them."""

    seconds: F64
    state: NDArray[np.int8]
    silent: dict[str, tuple[Places, F64]]
    rows: list[StateTime] = field(default_factory=list)

    def add(self, by: str, group: str, mask: B8, *, activity: str | None = None) -> None:
        for code in range(-1, len(STATES)):
            total = float(self.seconds[mask & (self.state == code)].sum())
            if total > 0:
                state = "unjudged" if code < 0 else STATES[code]
                self.rows.append(StateTime(by=by, group=group, state=state, seconds=total))
        if by == "reference_third":
            return
        for name, (where, lengths) in self.silent.items():
            lost = float(lengths.sum() if activity is None else lengths[where.activity == activity].sum())
            if lost > 0:
                self.rows.append(StateTime(by=by, group=group, state=name, seconds=lost))


def _spent(one: Comparison, column: Column) -> _Spent:
    pairs = column.window.pairs
    silent = {}
    for name, spans in silent_spans(column).items():
        pieces, lengths = pieces_of(spans)
        silent[name] = (places_of(one.session, one.origin_ms, pieces), lengths)
    # What was not worn is no part of it, values or none.
    seconds = np.where(pairs.reason == REASONS.index("not_worn"), 0.0, value_seconds(pairs))
    return _Spent(seconds=seconds, state=column.states.state, silent=silent)


def state_times(one: Comparison, column: Column, *, firmware: str) -> tuple[StateTime, ...]:
    """Seconds in each state: over all, by firmware, activity and third of the reference.

    Parameters
    ----------
    one : Comparison
    column : Column
    firmware : str
        Empty where it is not known.

    Returns
    -------
    tuple of StateTime
    """
    spent = _spent(one, column)
    pairs = column.window.pairs
    places = places_of(one.session, one.origin_ms, column.window.centre_s)
    everything = np.ones(pairs.tested.size, dtype=np.bool_)
    spent.add("all", "all", everything)
    spent.add("session", one.session.name, everything)
    if firmware:
        spent.add("firmware", firmware, everything)
    every = (*places.activities, *(name for where, _ in spent.silent.values() for name in where.activities))
    for name in dict.fromkeys(every):
        spent.add("activity", name, places.activity == name, activity=name)
    if one.thirds is not None:
        cell = third_of(pairs, one.thirds)
        for i, name in enumerate(THIRD_NAMES):
            spent.add("reference_third", name, (cell == i) & np.isfinite(pairs.reference))
    return tuple(spent.rows)


def column_times(one: Comparison, column: Column) -> tuple[StateTime, ...]:
    """Seconds in each state over the whole column, under the column's name."""
    spent = _spent(one, column)
    spent.add("column", column.name, np.ones(column.window.pairs.tested.size, dtype=np.bool_))
    return tuple(spent.rows)


def pieces_of(spans: F64, *, length_s: float = 5.0) -> tuple[F64, F64]:
    """Cut stretches into pieces short enough to belong to one bout: middles and lengths."""
    middles: list[F64] = []
    lengths: list[F64] = []
    for a, b in spans:
        n = max(1, math.ceil((b - a) / length_s))
        edges = np.linspace(a, b, n + 1)
        middles.append(0.5 * (edges[1:] + edges[:-1]))
        lengths.append(np.diff(edges))
    if not middles:
        return np.zeros(0), np.zeros(0)
    return np.concatenate(middles), np.concatenate(lengths)


def share_blocks(column: Column, *, block_s: float = 120.0) -> tuple[F64, F64]:
    """Faithful and all judged or missing seconds in blocks of time, for a single session's interval."""
    states, window = column.states, column.window
    seconds = value_seconds(window.pairs)
    pieces, lengths = pieces_of(column.gone)
    every = np.concatenate([window.centre_s, pieces])
    if every.size == 0:
        return np.zeros(0), np.zeros(0)
    origin = float(every.min())
    block = np.floor((window.centre_s - origin) / block_s).astype(np.int64)
    lost = np.floor((pieces - origin) / block_s).astype(np.int64)
    n = int(max(block.max(initial=0), lost.max(initial=0))) + 1
    judged = np.zeros(n) + np.bincount(block, weights=np.where(states.state >= 0, seconds, 0.0), minlength=n)
    judged += np.bincount(lost, weights=lengths, minlength=n)
    faithful = np.zeros(n) + np.bincount(block, weights=np.where(states.state == 0, seconds, 0.0), minlength=n)
    keep = judged > 0
    return faithful[keep], judged[keep]


def flow_of(one: Comparison, column: Column, expected: tuple[float, float]) -> dict[str, float]:
    """Seconds that are left at each step, from worn to judged."""
    running, pairs = one.reference.running, column.window.pairs

    def inside(amount: F64) -> float:
        return float(np.interp(expected[1], running.knot_s, amount) - np.interp(expected[0], running.knot_s, amount))

    # What was not worn is no part of it, values or none.
    seconds = np.where(pairs.reason == REASONS.index("not_worn"), 0.0, value_seconds(pairs))
    hand = pairs.reason == REASONS.index("left_out")
    worn = expected[1] - expected[0] - float(np.diff(column.absent.every, axis=1).sum())
    gave = min(worn, float(seconds.sum()))
    return {
        "worn": worn,
        "reference_trustworthy": max(0.0, min(worn, inside(running.covered_s) - inside(running.doubtful_s))),
        "gave_values": gave,
        "left_out_by_rule": float(seconds[(pairs.reason != 0) & ~hand].sum()),
        "left_out_by_hand": float(seconds[hand].sum()),
        "judged": min(gave, float(seconds[pairs.reason == 0].sum())),
    }
