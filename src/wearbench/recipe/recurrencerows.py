"""Table of the document about what comes back: sessions affected, the next one, trend, minutes an hour, chance."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import Estimate
from wearbench.core.permutation import order_test
from wearbench.core.recurrence import firth_slope, next_session
from wearbench.core.resample import ratio_interval, sessions_affected
from wearbench.core.shifts import Chance, agreement_by_shift, chance_by_shift, holding_by_shift
from wearbench.core.statemodel import cadence_multiples
from wearbench.recipe.occasions import Occasions
from wearbench.recipe.rowparts import estimate_row
from wearbench.recipe.sessionresult import SeriesResult
from wearbench.settings import Settings

__all__ = ["recurrence_rows"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

NEAR: Final = 0.06
"""Values within 6 % of what they may follow agree with it; wrong are those at least twice as far from the reference."""
MOST_PLACES: Final = 1_200
"""Longer sessions are thinned to about so many readings before they are shifted."""
SHIFTED: Final = ("halved", "cadence_locked", "frozen")


def recurrence_rows(occasions: Occasions, settings: Settings) -> list[dict[str, Any]]:
    """One row a failure that occurred.

    Parameters
    ----------
    occasions : Occasions
    settings : Settings

    Returns
    -------
    list of dict
    """
    return [_row(occasions, state, settings) for state in occasions.states]


def _row(occasions: Occasions, state: str, settings: Settings) -> dict[str, Any]:
    history, confidence = occasions.history, settings.confidence
    could = occasions.could_show(state)
    flag, people = occasions.affected(state)[could], occasions.people[could]
    asked, seconds = occasions.asked_s[could], occasions.seconds(state)[could]
    k, n = int(flag.sum()), int(flag.size)
    hit = {int(p) for p in people[flag]}
    several = np.unique(people).size
    over = ratio_interval(
        flag.astype(np.float64), np.ones(n), participant=people, session=np.arange(n), confidence=confidence
    )
    alone = Estimate(value=None, low=None, high=None, method="", n=several, why="one person: nothing about others")
    return {
        "device": history.device,
        "quantity": history.quantity,
        "state": state,
        "least_seconds": occasions.least_s,
        "sessions": [name for name, could_it in zip(occasions.names, could, strict=True) if could_it],
        "affected": flag.tolist(),
        "n_affected": k,
        "n_sessions": n,
        "n_participants": several,
        "n_participants_affected": len(hit),
        "share": estimate_row(sessions_affected(k, n, confidence=confidence)),
        "share_over_people": estimate_row(over if several > 1 else alone),
        "people_affected": estimate_row(_of_people(len(hit), several, confidence=confidence) if several > 1 else alone),
        "next": estimate_row(next_session(k, n, confidence=confidence)),
        "trend": _trend(flag, people, occasions, state, settings),
        "minutes_per_hour": estimate_row(
            _scaled(
                ratio_interval(seconds, asked, participant=people, session=np.arange(n), confidence=confidence),
                60.0,
            )
        ),
        "chance": _chance(occasions, state, settings),
    }


def _of_people(hit: int, people: int, *, confidence: float) -> Estimate:
    found = sessions_affected(hit, people, confidence=confidence)
    return replace(found, method=found.method.replace("sessions", "participants"))


def _scaled(estimate: Estimate, factor: float) -> Estimate:
    def times(value: float | None) -> float | None:
        return None if value is None else factor * value

    return replace(estimate, value=times(estimate.value), low=times(estimate.low), high=times(estimate.high))


def _trend(flag: B8, people: NDArray[np.int64], occasions: Occasions, state: str, settings: Settings) -> dict[str, Any]:
    """Whether affected sessions lie late or early."""
    name = f"{occasions.history.device}/{occasions.history.quantity}/{state}/order"
    tested = order_test(flag, stratum=people, seed=settings.seed, name=name)
    place = np.zeros(flag.size)
    for person in np.unique(people):
        at = np.flatnonzero(people == person)
        place[at] = np.arange(at.size) - (at.size - 1) / 2
    slope = firth_slope(flag, place, confidence=settings.confidence)
    if tested is None:
        why = "no participant has sessions of both kinds"
        return {"slope": estimate_row(slope), "p": None, "p_smallest": None, "arrangements": None, "why": why}
    return {
        "slope": estimate_row(slope),
        "p": tested.p,
        "p_smallest": max(tested.smallest, tested.smallest_here),
        "arrangements": tested.arrangements,
        "why": None,
    }


def _chance(occasions: Occasions, state: str, settings: Settings) -> dict[str, Any]:
    """As much agreement with the mode by chance."""
    empty = {
        "observed_seconds": None,
        "expected_seconds": None,
        "p": None,
        "draws": None,
        "n_sessions": 0,
        "why": "nothing it could follow by chance",
    }
    if state not in SHIFTED:
        return empty
    parts = [part for _, s in occasions.results if (part := _by_shift(s, state, settings)) is not None]
    name = f"{occasions.history.device}/{occasions.history.quantity}/{state}/shift"
    chance = chance_by_shift(parts, seed=settings.seed, name=name)
    if chance is None:
        return empty | {"why": "no session holds wrong readings beside what they could follow"}
    return empty | _told(chance)


def _told(chance: Chance) -> dict[str, Any]:
    return {
        "observed_seconds": chance.observed_s,
        "expected_seconds": chance.expected_s,
        "p": chance.p,
        "draws": chance.draws,
        "n_sessions": chance.sessions,
        "why": None,
    }


def _by_shift(series: SeriesResult, state: str, settings: Settings) -> F64 | None:
    """Seconds of agreement at each shift; None where there is nothing to ask."""
    pairs = series.pairs
    used = np.flatnonzero(pairs.used)
    if used.size < 2:
        return None
    tested, reference, seconds = pairs.tested[used], pairs.reference[used], pairs.seconds[used]
    if state == "frozen":
        return _held(tested, reference, seconds, settings)
    thin = max(1, -(-used.size // MOST_PLACES))
    cadence = series.cadence[used]
    with np.errstate(divide="ignore", invalid="ignore"):
        if state == "halved":
            targets = np.log(reference[None, ::thin] / 2.0)
        else:
            multiples = cadence_multiples(cadence)
            targets = np.log(np.array(multiples, dtype=np.float64).reshape(-1, 1) * cadence[None, ::thin])
        value, apart = np.log(tested[::thin]), np.abs(np.log(tested[::thin] / reference[::thin]))
    if not targets.size or not bool(np.isfinite(targets).any()):
        return None
    wrong = np.flatnonzero(apart > 2 * NEAR)
    if not wrong.size:
        return None
    return agreement_by_shift(value[wrong], thin * seconds[::thin][wrong], wrong, targets, width=NEAR)


def _held(tested: F64, reference: F64, seconds: F64, settings: Settings) -> F64 | None:
    """Runs of one held value, long enough to be a freeze, and the reference laid against them."""
    edge = np.flatnonzero(np.diff(tested) != 0) + 1
    start = np.concatenate([[0], edge])
    length = np.diff(np.concatenate([start, [tested.size]]))
    lasting = np.add.reduceat(seconds, start)
    long = (lasting >= settings.frozen_min_s) & (length > 1)
    if not bool(long.any()):
        return None
    return holding_by_shift(start[long], length[long], lasting[long], reference, moved=settings.frozen_move_bpm)
