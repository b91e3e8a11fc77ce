"""The judged sessions of one device and quantity in order of time, with whom they were of and what they held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.recipe.affected import StateHistory, least_seconds, state_histories
from wearbench.recipe.rowparts import by_series
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["Occasions", "occasions_of"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True)
class Occasions:
    """Sessions of a series; arrays have one entry a session, in order of time.

    Attributes
    ----------
    history : StateHistory
    results : tuple of (SessionResult, SeriesResult)
    people : int64 array, shape (n,)
        Codes of the participants, in order of their names.
    faithful_s : float64 array, shape (n,)
    least_s : float
        Seconds of a state from which a session counts as affected.
    """

    history: StateHistory
    results: tuple[tuple[SessionResult, SeriesResult], ...]
    people: I64
    faithful_s: F64
    least_s: float

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the sessions."""
        return self.history.sessions

    @property
    def count(self) -> int:
        """How many sessions."""
        return len(self.history.sessions)

    @property
    def asked_s(self) -> F64:
        """Judged and missing seconds."""
        return self.history.asked_s

    def seconds(self, state: str) -> F64:
        """Seconds in a state; "any" is everything but faithful."""
        if state == "any":
            return np.maximum(0.0, self.asked_s - self.faithful_s)
        found = self.history.seconds.get(state, np.zeros(self.count))
        return np.minimum(found, self.asked_s)

    def affected(self, state: str) -> B8:
        """Which sessions are affected; "any" is by any failure of its own kind."""
        if state != "any":
            return self.history.affected(state, least_s=self.least_s)
        hit = np.zeros(self.count, dtype=np.bool_)
        for each in self.states:
            hit |= self.history.affected(each, least_s=self.least_s)
        return hit

    def could_show(self, state: str) -> B8:
        """Which sessions could have shown a state."""
        if state == "any":
            return np.ones(self.count, dtype=np.bool_)
        return self.history.could_show(state) | self.affected(state)

    @property
    def states(self) -> tuple[str, ...]:
        """Failures that occurred at all, in order of their time; ``between`` is none of its own."""
        there = [s for s, held in self.history.seconds.items() if s != "between" and float(held.sum()) > 0]
        return tuple(sorted(there, key=lambda s: -float(self.history.seconds[s].sum())))


def occasions_of(ordered: list[SessionResult], study: Study, settings: Settings) -> list[Occasions]:
    """Bring the judged sessions of each device and quantity together.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study, which is that of time.
    study : Study
    settings : Settings

    Returns
    -------
    list of Occasions
    """
    groups = by_series(ordered)
    out = []
    for history in state_histories(ordered, study, sure_from=settings.affected_probability):
        named = {r.material.name: (r, s) for r, s in groups[history.device, history.quantity]}
        results = tuple(named[name] for name in history.sessions)
        order = sorted(set(history.participants))
        faithful = [
            sum(t.seconds for t in s.state_times if t.by == "all" and t.state == "faithful") for _, s in results
        ]
        out.append(
            Occasions(
                history=history,
                results=results,
                people=np.array([order.index(p) for p in history.participants], dtype=np.int64),
                faithful_s=np.array(faithful),
                least_s=least_seconds(study, settings),
            )
        )
    return out
