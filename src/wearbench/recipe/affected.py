"""How long each failure lasted in each session, and in how many sessions it lasted long enough to count."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.pairing import Pairs
from wearbench.core.resample import sessions_affected
from wearbench.core.states import STATES
from wearbench.quantities import QUANTITIES
from wearbench.recipe.rowparts import NOT_ASKED, by_series, estimate_row, participant_of
from wearbench.recipe.sessionresult import Episode, SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import Study, declared_in

__all__ = ["StateHistory", "affected_rows", "is_sure", "least_seconds", "state_histories", "sure_episodes"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]

_NO_FAULT: Final = ("between",)
_LEAST_READINGS: Final = 2
_SIMPLE: Final = (1.0, 0.5, 2.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class StateHistory:
    """Seconds of each state in each judged session of one device and quantity, in the order of the sessions.

    An episode is sure when its mean posterior probability reaches ``settings.affected_probability``, or half of it
    where another failure fits as well, and the reference is not the one in doubt; a stretch without values always is.
    A held value must besides have been more than ``settings.frozen_move_bpm`` from the reference, its half and its
    double at some time: a device that writes in coarse steps holds values that are right, or right but for a ratio.

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
    sure_s : mapping of state to float64 array, shape (n,)
        Seconds of its sure episodes.
    readings : mapping of state to int64 array, shape (n,)
        Readings in its sure episodes; a stretch without values counts as two.
    strided : bool array, shape (n,)
        Sessions in which a cadence was recorded beside the readings.
    sure : frozenset of str
        Ids of the sure episodes.
    """

    device: str
    quantity: str
    sessions: tuple[str, ...]
    participants: tuple[str, ...]
    asked_s: F64
    seconds: Mapping[str, F64]
    longest_s: Mapping[str, F64]
    sure_s: Mapping[str, F64] = field(default_factory=dict)
    readings: Mapping[str, I64] = field(default_factory=dict)
    strided: B8 = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    sure: frozenset[str] = frozenset()

    def affected(self, state: str, *, least_s: float) -> B8:
        """Which sessions surely held at least so many seconds of a state, in two readings or more."""
        none = np.zeros(len(self.sessions))
        long: B8 = self.sure_s.get(state, none) >= least_s - 1e-6
        return long & (self.readings.get(state, none) >= _LEAST_READINGS) & (self.sure_s.get(state, none) > 0)

    def could_show(self, state: str) -> B8:
        """Which sessions could have shown a state: cadence is followed only where one was recorded."""
        return self.strided if state == "cadence_locked" else np.ones(len(self.sessions), dtype=np.bool_)


def state_histories(
    ordered: list[SessionResult], study: Study | None = None, *, sure_from: float = 0.8, frozen_off: float = 5.0
) -> list[StateHistory]:
    """Collect the seconds of each state in each judged session.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study.
    study : Study, optional
        Gives the participants.
    sure_from : float
        Mean posterior probability from which an episode is sure.
    frozen_off : float
        How far from the reference, its half and its double a held value must have been at some time.

    Returns
    -------
    list of StateHistory
        One a device and quantity.
    """
    return [
        _history(key, group, study, sure_from=sure_from, frozen_off=frozen_off)
        for key, group in by_series(ordered).items()
    ]


def _history(
    key: tuple[str, str],
    group: list[tuple[SessionResult, SeriesResult]],
    study: Study | None,
    *,
    sure_from: float,
    frozen_off: float,
) -> StateHistory:
    judged: list[tuple[str, SeriesResult]] = []
    asked: list[float] = []
    for r, s in group:
        times = [t for t in s.state_times if t.by == "all" and t.state not in NOT_ASKED]
        if times:
            judged.append((r.material.name, s))
            asked.append(sum(t.seconds for t in times))
    seconds: dict[str, F64] = {}
    longest: dict[str, F64] = {}
    sure: dict[str, F64] = {}
    readings: dict[str, I64] = {}
    certain: frozenset[str] = frozenset()
    for at, (_, s) in enumerate(judged):
        held = _readings_of(s)
        certain |= sure_episodes(s.episodes, s.episode, s.pairs, sure_from=sure_from, frozen_off=frozen_off)
        for episode in (e for e in s.episodes if e.state not in NOT_ASKED):
            for cells in (seconds, longest, sure):
                cells.setdefault(episode.state, np.zeros(len(judged)))
            count = readings.setdefault(episode.state, np.zeros(len(judged), dtype=np.int64))
            seconds[episode.state][at] += episode.seconds
            longest[episode.state][at] = max(longest[episode.state][at], episode.seconds)
            if episode.id in certain:
                sure[episode.state][at] += episode.seconds
                count[at] += held.get(episode.id, _LEAST_READINGS)
    return StateHistory(
        device=key[0],
        quantity=key[1],
        sessions=tuple(name for name, _ in judged),
        participants=() if study is None else tuple(participant_of(study, name) for name, _ in judged),
        asked_s=np.array(asked),
        seconds=seconds,
        longest_s=longest,
        sure_s=sure,
        readings=readings,
        sure=certain,
        strided=np.array([bool(np.isfinite(s.cadence).any()) for _, s in judged], dtype=np.bool_),
    )


def _readings_of(series: SeriesResult) -> dict[str, int]:
    """Readings in each episode that has any."""
    numbers, counts = np.unique(series.episode[series.episode >= 0], return_counts=True)
    by_number = dict(zip(numbers.tolist(), counts.tolist(), strict=True))
    named = ((e.id, by_number.get(int(e.id.rpartition("-E")[2]))) for e in series.episodes)
    return {name: n for name, n in named if n is not None}


def sure_episodes(
    episodes: Sequence[Episode], member: NDArray[np.int32], pairs: Pairs, *, sure_from: float, frozen_off: float = 5.0
) -> frozenset[str]:
    """Ids of the episodes of a series that are sure enough to count.

    Parameters
    ----------
    episodes : sequence of Episode
    member : int32 array, shape (n,)
        Number of each reading's episode.
    pairs : Pairs
    sure_from, frozen_off : float
        As for `state_histories`.

    Returns
    -------
    frozenset of str
    """
    found = set()
    for episode in episodes:
        sure = is_sure(episode, sure_from)
        if sure and episode.state == "frozen":
            inside = member == int(episode.id.rpartition("-E")[2])
            held, true = pairs.tested[inside], pairs.reference[inside]
            sure = all(bool((np.abs(held - ratio * true) > frozen_off).any()) for ratio in _SIMPLE)
        if sure:
            found.add(episode.id)
    return frozenset(found)


def is_sure(episode: Episode, sure_from: float) -> bool:
    """Whether an episode counts; where another explanation fits as well, the two share the probability."""
    if episode.doubt:  # the reference may be the one that is wrong
        return False
    least = 0.5 * sure_from if episode.also else sure_from
    return bool(np.isnan(episode.probability) or episode.probability >= least)


def least_seconds(study: Study, settings: Settings) -> float:
    """How long a failure must hold in a session to count: as declared beforehand, else as the settings say."""
    declared = declared_in(study.decisions)
    return settings.affected_s if declared is None else declared.declaration.systematic.least_seconds


def affected_rows(
    ordered: list[SessionResult], settings: Settings, *, least_s: float | None = None, every: bool = False
) -> list[dict[str, Any]]:
    """In how many sessions each state other than faithful held for at least so long.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study.
    settings : Settings
    least_s : float, optional
        Seconds of it in a session that count; ``settings.affected_s`` by default.
    every : bool
        Also states that never occurred.

    Returns
    -------
    list of dict
        Rows of the document. Sessions that held less, or only episodes that are not sure, are told beside.
    """
    least_s = settings.affected_s if least_s is None else least_s
    out: list[dict[str, Any]] = []
    for history in state_histories(
        ordered, sure_from=settings.affected_probability, frozen_off=settings.frozen_move_bpm
    ):
        states = list(history.seconds)
        if every:
            declared = QUANTITIES.get(history.quantity)
            known = (*STATES[1:], "missing") if declared is not None and declared.state_model else ("missing",)
            states += [s for s in known if s not in states and s not in _NO_FAULT]
        out += [_affected_row(history, state, ordered, settings, least_s) for state in states]
    return out


def _affected_row(
    history: StateHistory, state: str, ordered: list[SessionResult], settings: Settings, least_s: float
) -> dict[str, Any]:
    none = np.zeros(len(history.sessions))
    names = np.array(history.sessions, dtype=object)
    hit = history.affected(state, least_s=least_s)
    could = history.could_show(state) | hit
    seconds, sure = history.seconds.get(state, none), history.sure_s.get(state, none)
    brief, unsure = ~hit & (sure > 0), seconds - sure > 1e-6
    k, n = int(hit.sum()), int(could.sum())
    counted = set(names[hit].tolist() or names.tolist())
    mine = [
        (r.material.name, e)
        for r in ordered
        for s in r.results
        if (s.device, s.quantity) == (history.device, history.quantity) and r.material.name in history.sessions
        for e in s.episodes
        if e.state == state
    ]
    counting = (e for name, e in mine if name in counted and e.id in history.sure)
    longest = max(counting, key=lambda e: e.seconds, default=None)
    return {
        "device": history.device,
        "quantity": history.quantity,
        "state": state,
        "fault": k > 0 and state not in _NO_FAULT,
        "sessions": sorted(names[hit].tolist()),
        "n_affected": k,
        "n_sessions": n,
        "least_seconds": least_s,
        "share": estimate_row(sessions_affected(k, n, confidence=settings.confidence)),
        "seconds": float(seconds.sum()),
        "affected_seconds": float(sure[hit].sum()),
        "n_episodes": len(mine),
        "n_also": sum(bool(e.also) for _, e in mine),
        "longest_seconds": 0.0 if longest is None else longest.seconds,
        "longest": None if longest is None else longest.id,
        "brief_sessions": sorted(names[brief].tolist()),
        "brief_seconds": float(sure[brief].sum()),
        "unsure_sessions": sorted(names[unsure].tolist()),
        "unsure_seconds": float((seconds - sure)[unsure].sum()),
    }
