"""The three columns of the results: everything, with the declared rules, and with the decisions made by hand.

Each column is a set of readings and of missing time. Rules and decisions are spans of the reference's clock, so that a
stretch that is left out takes its silence with it. Neither looks at a tested value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.pairing import REASONS
from wearbench.core.states import States
from wearbench.recipe.material import Series
from wearbench.recipe.places import places_of
from wearbench.recipe.wearing import Absent
from wearbench.recipe.windows import Windowed
from wearbench.study import COLUMNS, Rules, Session, Study, acting, declared_in

__all__ = ["COLUMNS", "Column", "apply_rules", "hand_spans", "has_columns", "outside", "rule_spans", "rules_of"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """Readings, their states, the missing stretches of one column, and when no value was to be expected.

    ``claimed`` are the states before disagreement that may be the reference's was set aside.
    """

    name: str
    window: Windowed
    states: States
    gone: F64
    absent: Absent
    claimed: States | None = None


def rules_of(study: Study) -> Rules:
    """The declared rules in force; none without a declaration."""
    declared = declared_in(study.decisions)
    return Rules() if declared is None else declared.declaration.rules


def has_columns(study: Study) -> bool:
    """Whether the columns can differ anywhere in the study."""
    return rules_of(study).any() or bool(acting(study.decisions))


def rule_spans(rules: Rules, session: Session, *, origin_ms: int, expected: tuple[float, float]) -> F64:
    """What the rules leave out of a session.

    Parameters
    ----------
    rules : Rules
    session : Session
    origin_ms : int
        Second 0 of the session.
    expected : (float, float)
        From when to when both devices were there; the first and last seconds are counted from these.

    Returns
    -------
    float64 array, shape (k, 2)
        Starts and ends in seconds; they may overlap.
    """
    if rules.leaves_out(session):
        return np.array([[-math.inf, math.inf]])
    spans: list[tuple[float, float]] = []
    if rules.first_s > 0:
        spans.append((-math.inf, expected[0] + rules.first_s))
    if rules.last_s > 0:
        spans.append((expected[1] - rules.last_s, math.inf))
    if rules.leave_out_activities or rules.leave_out_intensities:
        spans += _of_places(rules, session, origin_ms)
    return np.array(spans, dtype=np.float64).reshape(-1, 2)


def _of_places(rules: Rules, session: Session, origin_ms: int) -> list[tuple[float, float]]:
    """Stretches whose activity or intensity is left out: between any two edges of bouts one of each holds."""
    start_ms = origin_ms if session.start_ms is None else session.start_ms
    edges = sorted(
        {(when.at_ms(start_ms) - origin_ms) / 1000.0 for bout in session.bouts for when in (bout.start, bout.end)}
    )
    bounds = [-math.inf, *edges, math.inf]
    inner = [(a + b) / 2 for a, b in pairwise(edges)]
    middles = [edges[0] - 1.0, *inner, edges[-1] + 1.0] if edges else [0.0]
    places = places_of(session, origin_ms, np.array(middles))
    hit = np.isin(places.activity.astype(str), rules.leave_out_activities) | np.isin(
        places.intensity.astype(str), rules.leave_out_intensities
    )
    return [(bounds[k], bounds[k + 1]) for k in np.flatnonzero(hit)]


def apply_rules(window: Windowed, spans: F64, *, min_covered: float | None) -> Windowed:
    """The same readings, those that a rule leaves out with the reason ``rule``.

    Parameters
    ----------
    window : Windowed
    spans : float64 array, shape (k, 2)
    min_covered : float or None
    """
    pairs = window.pairs
    hit = _inside(window.centre_s, spans)
    if min_covered is not None:
        hit |= pairs.covered < min_covered
    if not hit.any():
        return window
    reason = np.where(hit & (pairs.reason == 0), REASONS.index("rule"), pairs.reason).astype(pairs.reason.dtype)
    return replace(window, pairs=replace(pairs, reason=reason))


def hand_spans(study: Study, session: Session, series: Series, clock: ClockFit, *, origin_ms: int) -> F64:
    """What decisions to leave out cover, on the reference's clock.

    Returns
    -------
    float64 array, shape (k, 2)
    """
    spans: list[tuple[float, float]] = []
    for decision in acting(study.decisions):
        if decision.kind != "leave_out" or decision.session != session.name:
            continue
        if decision.start is None or decision.end is None:
            continue
        low, high = (when.timestamp() - origin_ms / 1000.0 for when in (decision.start, decision.end))
        if decision.on == "device":
            if decision.device not in (None, series.device) or decision.quantity not in (None, series.quantity):
                continue
            low, high = (t + clock.shift_s + 1e-6 * clock.drift_ppm * (t - clock.at_s) for t in (low, high))
        spans.append((low, high))
    return np.array(spans, dtype=np.float64).reshape(-1, 2)


def outside(stretches: F64, spans: F64) -> F64:
    """What is left of stretches without the spans.

    Parameters
    ----------
    stretches : float64 array, shape (m, 2)
    spans : float64 array, shape (k, 2)

    Returns
    -------
    float64 array, shape (n, 2)
    """
    left = [(float(a), float(b)) for a, b in stretches]
    for low, high in spans:
        left = [
            piece
            for a, b in left
            for piece in ((a, min(b, float(low))), (max(a, float(high)), b))
            if piece[0] < piece[1]
        ]
    return np.array(left, dtype=np.float64).reshape(-1, 2)


def _inside(at_s: F64, spans: F64) -> NDArray[np.bool_]:
    hit = np.zeros(at_s.size, dtype=np.bool_)
    for low, high in spans:
        hit |= (at_s >= low) & (at_s < high)
    return hit
