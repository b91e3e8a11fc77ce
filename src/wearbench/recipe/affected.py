"""How long each failure lasted in each session, and in how many sessions it lasted long enough to count."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.resample import sessions_affected
from wearbench.recipe.rowparts import NOT_ASKED, by_series, estimate_row, participant_of
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["StateHistory", "affected_rows", "state_histories"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class StateHistory:
    """Seconds of each state in each judged session of one device and quantity, in the order of the sessions.

    Attributes
    ----------
    device, quantity : str
    sessions, participants : tuple of str
        Of the judged sessions; participants are empty where no study was given.
    asked_s : float64 array, shape (n,)
        Judged plus missing seconds.
    seconds : mapping of state to float64 array, shape (n,)
        Seconds of its episodes; states that never occurred are not in it.
    longest_s : mapping of state to float64 array, shape (n,)
        The longest episode of the state.
    """

    device: str
    quantity: str
    sessions: tuple[str, ...]
    participants: tuple[str, ...]
    asked_s: F64
    seconds: Mapping[str, F64]
    longest_s: Mapping[str, F64]

    def affected(self, state: str, *, least_s: float) -> NDArray[np.bool_]:
        """Which sessions held at least so many seconds of a state."""
        found: NDArray[np.bool_] = self.seconds.get(state, np.zeros(len(self.sessions))) >= least_s
        return found


def state_histories(ordered: list[SessionResult], study: Study | None = None) -> list[StateHistory]:
    """Collect the seconds of each state in each judged session.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study.
    study : Study, optional
        Gives the participants.

    Returns
    -------
    list of StateHistory
        One a device and quantity.
    """
    return [_history(key, group, study) for key, group in by_series(ordered).items()]


def _history(
    key: tuple[str, str], group: list[tuple[SessionResult, SeriesResult]], study: Study | None
) -> StateHistory:
    sessions: list[str] = []
    asked: list[float] = []
    for r, s in group:
        times = [t for t in s.state_times if t.by == "all" and t.state not in NOT_ASKED]
        if times:
            sessions.append(r.material.name)
            asked.append(sum(t.seconds for t in times))
    place = {name: i for i, name in enumerate(sessions)}
    seconds: dict[str, F64] = {}
    longest: dict[str, F64] = {}
    for r, s in group:
        at = place.get(r.material.name)
        if at is None:
            continue
        for episode in (e for e in s.episodes if e.state not in NOT_ASKED):
            empty = np.zeros(len(sessions))
            seconds.setdefault(episode.state, empty.copy())[at] += episode.seconds
            cell = longest.setdefault(episode.state, empty)
            cell[at] = max(cell[at], episode.seconds)
    return StateHistory(
        device=key[0],
        quantity=key[1],
        sessions=tuple(sessions),
        participants=() if study is None else tuple(participant_of(study, name) for name in sessions),
        asked_s=np.array(asked),
        seconds=seconds,
        longest_s=longest,
    )


def affected_rows(ordered: list[SessionResult], settings: Settings, *, least_s: float = 30.0) -> list[dict[str, Any]]:
    """In how many sessions each state other than faithful showed for at least so long, half a minute by default."""
    out: list[dict[str, Any]] = []
    for history in state_histories(ordered):
        for state, seconds in history.seconds.items():
            hit = sorted(np.array(history.sessions)[history.affected(state, least_s=least_s)].tolist())
            n = len(history.sessions)
            out.append(
                {
                    "device": history.device,
                    "quantity": history.quantity,
                    "state": state,
                    "sessions": hit,
                    "n_affected": len(hit),
                    "n_sessions": n,
                    "least_seconds": least_s,
                    "share": estimate_row(sessions_affected(len(hit), n, confidence=settings.confidence)),
                    "seconds": float(seconds.sum()),
                    "longest_seconds": float(history.longest_s[state].max()),
                }
            )
    return out
