"""How a device answers moves of the reference: fitted for a session, and tables of the document."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.clustermedian import cluster_median
from wearbench.core.moves import moves_of
from wearbench.core.response import StepResponse, responses_to, shape_of
from wearbench.recipe.columns import Column
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.places import places_of
from wearbench.recipe.rowparts import by_series, estimate_row, instant, participant_of
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.recipe.splitting import Split
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["response_rows", "responses_of", "responses_rows"]

F64 = NDArray[np.float64]

NOT_SEPARATED: Final = "clock and delay cannot be told apart: when the readings came is not known"
DECLARED: Final = "rests on the delay declared in study.toml: the clock was found from the same readings"
_TIMES: Final = ("dead_time_s", "time_constant_s", "t63_s", "t90_s", "t63_to_t90_s")
_POSITIVE: Final = ("time_constant_s", "t63_to_t90_s")
_NEEDS_CLOCK: Final = ("dead_time_s", "t63_s", "t90_s")


def responses_of(one: Comparison, column: Column, clock: ClockFit, split: Split) -> tuple[StepResponse, ...]:
    """Fit the readings of a session about each move of its reference.

    Parameters
    ----------
    one : Comparison
    column : Column
        The judged one; readings that are not used or not faithful do not follow.
    clock : ClockFit
    split : Split
        Puts the stamps on the reference's clock.

    Returns
    -------
    tuple of StepResponse
        Empty for quantities without a state model and where the clock was refused.
    """
    if not one.quantity.state_model or clock.trust == "refused":
        return ()
    pairs, stamp_s = column.window.pairs, one.series.stamp_s
    shown_s = clock.centre_s(stamp_s) - clock.shift_s + split.offset_s
    near = np.flatnonzero(pairs.covered > 0.0)
    if near.size < 2:
        return ()
    part = slice(int(near[0]), int(near[-1]) + 1)
    shown_s, value = shown_s[part], pairs.tested[part]
    following = (pairs.used & (column.states.state == 0))[part]
    if bool(np.any(np.diff(shown_s) < 0)):
        order = np.argsort(shown_s, kind="stable")
        shown_s, value, following = shown_s[order], value[order], following[order]
    reference = one.reference.running.without_doubtful()
    moves = moves_of(reference, first_s=float(shown_s[0]), last_s=float(shown_s[-1]))
    return responses_to(moves, reference, shown_s, value, following=following)


def response_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """One row a rise, fall or peak of the reference."""
    out: list[dict[str, Any]] = []
    for group in by_series(ordered).values():
        shape = shape_of([step for _, s in group for step in s.responses])
        for r, s in group:
            for step, activity in zip(s.responses, _activities(r, s), strict=True):
                answer, move = step.of(shape), step.move
                times = _times(step, s, shape)
                out.append(
                    {
                        "device": s.device,
                        "quantity": s.quantity,
                        "session": r.material.name,
                        "activity": activity or None,
                        "direction": move.direction,
                        "start": instant(r.material, move.start_s),
                        "seconds": move.end_s - move.start_s,
                        "from_bpm": _number(move.from_level),
                        "to_bpm": _number(move.to_level),
                        "n": step.n,
                        "shape": shape if answer else None,
                        **{name: times.get(name) for name in _TIMES},
                        "t63_low_s": answer.low_s if answer and "t63_s" in times else None,
                        "t63_high_s": answer.high_s if answer and "t63_s" in times else None,
                        "shortfall_bpm": _number(step.shortfall),
                        "why": step.why or (_caveat(s) if answer else None),
                    }
                )
    return out


def responses_rows(ordered: list[SessionResult], study: Study, settings: Settings) -> list[dict[str, Any]]:
    """Medians over steps: all, rises, falls, each activity; and how far peaks were missed.

    Parameters
    ----------
    ordered : list of SessionResult
    study : Study
    settings : Settings

    Returns
    -------
    list of dict
    """
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        shape = shape_of([step for _, s in group for step in s.responses])
        told: list[dict[str, Any]] = []
        for r, s in group:
            for step, activity in zip(s.responses, _activities(r, s), strict=True):
                told.append(
                    {
                        "session": r.material.name,
                        "direction": step.move.direction,
                        "activity": activity,
                        "why": step.why,
                        "separated": _separated(s),
                        "caveat": _caveat(s),
                        "shortfall_bpm": _number(step.shortfall),
                        **_times(step, s, shape),
                    }
                )
        for by, name, mine in _groups(told):
            key = {"device": device, "quantity": quantity, "by": by, "group": name}
            for statistic in ("shortfall_bpm",) if name == "peak" else _TIMES:
                row = _median(mine, statistic, study, settings, name=f"{device}/{quantity}/{by}/{name}")
                if row["n_steps"] or by == "all":
                    out.append({**key, "statistic": statistic, "shape": shape, **row, "n_found": len(mine)})
    return out


def _groups(told: list[dict[str, Any]]) -> Iterator[tuple[str, str, list[dict[str, Any]]]]:
    steps = [t for t in told if t["direction"] != "peak"]
    if steps:
        yield "all", "all", steps
    for direction in ("up", "down", "peak"):
        if mine := [t for t in told if t["direction"] == direction]:
            yield "direction", direction, mine
    names = sorted({t["activity"] for t in steps if t["activity"]})
    for name in names if len(names) > 1 else ():
        yield "activity", name, [t for t in steps if t["activity"] == name]


def _median(
    mine: list[dict[str, Any]], statistic: str, study: Study, settings: Settings, *, name: str
) -> dict[str, Any]:
    known = [t for t in mine if t.get(statistic) is not None]
    sessions = sorted({t["session"] for t in known})
    people = sorted({participant_of(study, s) for s in sessions})
    estimate = cluster_median(
        np.array([float(t[statistic]) for t in known]),
        participant=np.array([people.index(participant_of(study, t["session"])) for t in known], dtype=np.int64),
        session=np.array([sessions.index(t["session"]) for t in known], dtype=np.int64),
        confidence=settings.confidence,
        seed=settings.seed,
        name=f"{name}/{statistic}",
    )
    row = estimate_row(estimate)
    if statistic in _POSITIVE and row["low"] is not None:
        row["low"] = max(0.0, row["low"])
    if not known:
        apart = [t for t in mine if not t["why"]]
        hidden = bool(apart) and statistic in _NEEDS_CLOCK and not any(t["separated"] for t in apart)
        row["why"] = NOT_SEPARATED if hidden else "no step could be used"
    elif statistic in _NEEDS_CLOCK and all(t["caveat"] == DECLARED for t in known):
        row["why"] = DECLARED
    return row | {"n_steps": len(known), "n_sessions": len(sessions), "n_participants": len(people)}


def _separated(s: SeriesResult) -> bool:
    return s.split.offset_is == "clock"


def _caveat(s: SeriesResult) -> str | None:
    """What the times of a step rest on where the clock is not known by itself."""
    if not _separated(s):
        return NOT_SEPARATED
    return DECLARED if s.split.delay.how == "declared" and s.clock.trust != "declared" else None


def _times(step: StepResponse, s: SeriesResult, shape: Any) -> dict[str, float]:
    """The figures of a step that can be given."""
    answer, order = step.of(shape), step.exponential
    if answer is None or order is None:
        return {}
    out = {"time_constant_s": order.length_s, "t63_to_t90_s": answer.t90_s - answer.t63_s}
    if _separated(s):
        out |= {"dead_time_s": answer.dead_time_s, "t63_s": answer.t63_s, "t90_s": answer.t90_s}
    return out


def _activities(r: SessionResult, s: SeriesResult) -> list[str]:
    if r.session is None or not s.responses:
        return [""] * len(s.responses)
    middle = np.array([0.5 * (step.move.start_s + step.move.end_s) for step in s.responses])
    return [str(name) for name in places_of(r.session, r.material.origin_ms, middle).activity]


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
