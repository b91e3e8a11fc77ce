"""Table of the document about before and after each change: shares of time, sessions affected, errors, and chance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import Estimate
from wearbench.core.chance import holm
from wearbench.core.differences import difference_of_ratios, difference_over_people, newcombe
from wearbench.core.permutation import relabelling_test
from wearbench.core.standardising import mix_distance, standardised_difference
from wearbench.recipe.occasions import Occasions
from wearbench.recipe.rowparts import NOT_ASKED, estimate_row
from wearbench.recipe.turns import Turn, turns_of
from wearbench.settings import Settings
from wearbench.study import Study, declared_in

__all__ = ["change_rows"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]

MIX_APART: Final = 0.2
"""If so much of the time would have to be moved to another activity to make both sides alike, that is named."""
LEAST_AFFECTED: Final = 2
"""Failures that affected fewer sessions are not asked about one by one: nothing could be told of them."""
_PRIMARY: Final = ("share_of_time", "any")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Measure:
    """One thing asked about every change: numerator and denominator of each session, and of each of its activities."""

    name: str
    state: str
    unit: str
    top: F64
    bottom: F64
    cells: tuple[F64, F64]
    """The same by session and activity, shape (sessions, activities); empty where it cannot be told apart."""


def change_rows(occasions: Occasions, study: Study, settings: Settings) -> list[dict[str, Any]]:
    """Rows of every change of a series: one a measure.

    Parameters
    ----------
    occasions : Occasions
    study : Study
    settings : Settings

    Returns
    -------
    list of dict
        The first row of a change is its primary measure: all time in which the device was not right.
    """
    turns = turns_of(occasions, study)
    if not turns:
        return []
    activities = sorted(
        {a for _, s in occasions.results for a in (t.group for t in s.state_times if t.by == "activity")}
    )
    spent = _spent(occasions, activities)
    measures = _measures(occasions, activities, spent)
    declared = declared_in(study.decisions)
    named = () if declared is None else getattr(declared.declaration, "questions", ())
    out: list[dict[str, Any]] = []
    for turn in turns:
        mix = _mix(turn, activities, spent)
        rows = [_row(occasions, turn, m, activities, settings) | {"mix": mix} for m in _told(measures, turn)]
        _adjust(rows, alpha=1 - settings.confidence)
        exploratory = turn.what not in {str(q).partition("=")[0] for q in named}
        out += [row | {"questions": len(rows), "exploratory": exploratory} for row in rows]
    return out


def _told(measures: Sequence[_Measure], turn: Turn) -> list[_Measure]:
    """Measures that have something on either side; a failure that was seen on neither is none."""
    inside = [*turn.first, *turn.second]
    return [m for m in measures if m.state in ("any", "") or float(m.top[inside].sum()) > 0]


def _spent(occasions: Occasions, activities: list[str]) -> dict[str, F64]:
    """Seconds of each session by state, shape (sessions, activities); "asked" is all that was judged or missing."""
    shape = (occasions.count, len(activities))
    out: dict[str, F64] = {"asked": np.zeros(shape)}
    for i, (_, s) in enumerate(occasions.results):
        for time in s.state_times:
            if time.by == "activity" and time.state not in NOT_ASKED:
                at = activities.index(time.group)
                out.setdefault(time.state, np.zeros(shape))[i, at] += time.seconds
                out["asked"][i, at] += time.seconds
    return out


def _measures(occasions: Occasions, activities: list[str], spent: dict[str, F64]) -> list[_Measure]:
    asked, one, none = occasions.asked_s, np.ones(occasions.count), np.zeros((occasions.count, len(activities)))
    wrong = {"any": spent["asked"] - spent.get("faithful", none)}
    often = [state for state in occasions.states if int(occasions.affected(state).sum()) >= LEAST_AFFECTED]
    states = ("any", *often)
    measures = [
        _Measure(
            name="share_of_time",
            state=state,
            unit="",
            top=occasions.seconds(state),
            bottom=asked,
            cells=(wrong.get(state, spent.get(state, none)), spent["asked"]),
        )
        for state in states
    ]
    for state in states:
        could = occasions.could_show(state)
        measures.append(
            _Measure(
                name="sessions_affected",
                state=state,
                unit="",
                top=np.where(could, occasions.affected(state), 0.0),
                bottom=np.where(could, one, 0.0),
                cells=(none, none),
            )
        )
    size, count = none.copy(), none.copy()
    total, n = np.zeros(occasions.count), np.zeros(occasions.count)
    for i, (_, s) in enumerate(occasions.results):
        off = np.abs(s.pairs.tested - s.pairs.reference)
        used = s.pairs.used
        total[i], n[i] = float(off[used].sum()), float(used.sum())
        for j, activity in enumerate(activities):
            here = used & (s.places.activity == activity)
            size[i, j], count[i, j] = float(off[here].sum()), float(here.sum())
    unit = occasions.results[0][1].unit if occasions.results else ""
    measures.append(_Measure(name="mae", state="", unit=unit, top=total, bottom=n, cells=(size, count)))
    return measures


def _mix(turn: Turn, activities: list[str], spent: dict[str, F64]) -> dict[str, Any]:
    """How the time was spent on either side."""
    first, second = (spent["asked"][list(side)].sum(axis=0) for side in (turn.first, turn.second))
    distance = mix_distance(first, second)
    shares = [
        {a: float(x) for a, x in zip(activities, side / side.sum(), strict=True)} if side.sum() > 0 else {}
        for side in (first, second)
    ]
    return {
        "distance": None if math.isnan(distance) else distance,
        "before": shares[0],
        "after": shares[1],
        "differs": None if math.isnan(distance) else distance >= MIX_APART,
    }


def _row(
    occasions: Occasions, turn: Turn, measure: _Measure, activities: list[str], settings: Settings
) -> dict[str, Any]:
    first, second = list(turn.first), list(turn.second)
    name = f"{occasions.history.device}/{occasions.history.quantity}/{turn.what}/{turn.before}/{turn.after}"
    name += f"/{measure.name}/{measure.state}"
    inside = np.array([*first, *second], dtype=np.int64)
    inside.sort()
    label = np.isin(inside, second)
    people = occasions.people[inside]
    tested = relabelling_test(
        measure.top[inside], measure.bottom[inside], label=label, stratum=people, seed=settings.seed, name=name
    )
    both = [p for p in np.unique(people) if 0 < int(label[people == p].sum()) < int((people == p).sum())]
    over = difference_over_people(
        measure.top[inside], measure.bottom[inside], label=label, stratum=people, confidence=settings.confidence
    )
    test: dict[str, Any] = dict.fromkeys(
        ("p", "p_smallest", "p_smallest_here", "arrangements", "looked_at", "enumerated", "likeness", "p_if_alike")
    )
    if tested is not None:
        test = {
            "p": tested.p,
            "p_smallest": tested.smallest,
            "p_smallest_here": max(tested.smallest, tested.smallest_here),
            "arrangements": tested.arrangements,
            "looked_at": tested.looked_at,
            "enumerated": tested.enumerated,
            "likeness": tested.likeness,
            "p_if_alike": tested.p_if_alike,
        }
    ways = {
        way: _other_way(occasions, turn, measure, way, settings, name=name) if turn.unknown else None
        for way in ("as_before", "as_after")
    }
    return {
        "device": occasions.history.device,
        "quantity": occasions.history.quantity,
        "what": turn.what,
        "before": turn.before,
        "after": turn.after,
        "measure": measure.name,
        "state": measure.state or None,
        "unit": measure.unit,
        "primary": (measure.name, measure.state) == _PRIMARY,
        "sessions_before": [occasions.names[i] for i in first],
        "sessions_after": [occasions.names[i] for i in second],
        "sessions_unknown": [occasions.names[i] for i in turn.unknown],
        "n_participants_both": len(both),
        "value_before": _ratio(measure, first),
        "value_after": _ratio(measure, second),
        "difference": estimate_row(_difference(measure, inside, label, people, settings)),
        "difference_over_people": estimate_row(over),
        **test,
        "why": None if tested is not None else "no participant has sessions on both sides",
        **ways,
        "standardised": _standardised(occasions, measure, inside, label, activities, settings),
    }


def _ratio(measure: _Measure, places: list[int]) -> float | None:
    below = float(measure.bottom[places].sum())
    return float(measure.top[places].sum()) / below if below > 0 else None


def _difference(measure: _Measure, inside: I64, label: B8, people: I64, settings: Settings) -> Estimate:
    """Of shares of sessions of one person by their score intervals; of all else by jackknife; shares within one."""
    top, bottom = measure.top[inside], measure.bottom[inside]
    if measure.name == "sessions_affected" and np.unique(people).size == 1:
        (x1, n1), (x0, n0) = ((int(top[m].sum()), int(bottom[m].sum())) for m in (label, ~label))
        return newcombe(x1, n1, x0, n0, confidence=settings.confidence)
    found = difference_of_ratios(top, bottom, label=label, stratum=people, confidence=settings.confidence)
    if measure.name == "mae" or found.low is None or found.high is None:
        return found
    return Estimate(
        value=found.value,
        low=max(-1.0, found.low),
        high=min(1.0, found.high),
        method=found.method,
        n=found.n,
        why=found.why,
    )


def _other_way(
    occasions: Occasions, turn: Turn, measure: _Measure, way: str, settings: Settings, *, name: str
) -> dict[str, Any]:
    """The change with the sessions of unknown version counted on one side."""
    second = [*turn.second, *(turn.unknown if way == "as_after" else ())]
    inside = np.array(sorted([*turn.first, *turn.second, *turn.unknown]), dtype=np.int64)
    label, people = np.isin(inside, second), occasions.people[inside]
    tested = relabelling_test(
        measure.top[inside], measure.bottom[inside], label=label, stratum=people, seed=settings.seed, name=name
    )
    return {
        "difference": estimate_row(_difference(measure, inside, label, people, settings)),
        "p": None if tested is None else tested.p,
    }


def _standardised(
    occasions: Occasions, measure: _Measure, inside: I64, label: B8, activities: list[str], settings: Settings
) -> dict[str, Any] | None:
    """The change as if both sides had spent their time alike; None for what has no activities."""
    top, bottom = measure.cells
    if measure.name == "sessions_affected" or len(activities) < 2:
        return None
    rows = np.repeat(np.arange(inside.size), len(activities))
    cell = np.tile(np.arange(len(activities)), inside.size)
    found = standardised_difference(
        top[inside].ravel(),
        bottom[inside].ravel(),
        cell=cell,
        label=label[rows],
        cluster=rows,
        confidence=settings.confidence,
    )
    return {
        "difference": estimate_row(found.difference),
        "before": found.unlabelled,
        "after": found.labelled,
        "activities": {activities[c]: w for c, w in zip(found.cells, found.weights, strict=True)},
        "left_out": [a for i, a in enumerate(activities) if i not in found.cells],
    }


def _adjust(rows: list[dict[str, Any]], *, alpha: float) -> None:
    """Holm's p of all that was asked of one change but the primary measure.

    Of measures whose p could not fall below ``alpha`` however the sessions lay nothing is claimed, so they take nothing
    from the others (Tarone 1990, Biometrics 46:515-522); their own is given as if asked alone.
    """
    asked = [row for row in rows if row["p"] is not None and not row["primary"]]
    able = [row for row in asked if row["p_smallest_here"] < alpha]
    for row, adjusted in zip(able, holm([row["p"] for row in able]), strict=True):
        row["p_adjusted"] = float(adjusted)
    for row in rows:
        row.setdefault("p_adjusted", row["p"])
