"""Tables of the document about states: seconds, tracking shares, flow, episodes."""

from __future__ import annotations

from typing import Any

import numpy as np

from wearbench.core.resample import ratio_interval
from wearbench.core.states import STATES
from wearbench.recipe.rowparts import NOT_ASKED, by_series, estimate_row, instant, participant_of
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import COLUMNS, Study

__all__ = ["episode_rows", "flow_rows", "state_rows", "tracking_rows"]


def _state_seconds(group: list[tuple[SessionResult, SeriesResult]]) -> dict[tuple[str, str], dict[str, float]]:
    cells: dict[tuple[str, str], dict[str, float]] = {}
    for _, s in group:
        for time in s.state_times:
            cell = cells.setdefault((time.by, time.group), {})
            cell[time.state] = cell.get(time.state, 0.0) + time.seconds
    return cells


def state_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Seconds and shares of each state, by group."""
    out: list[dict[str, Any]] = []
    order = {name: i for i, name in enumerate((*STATES, "missing", *NOT_ASKED))}
    for (device, quantity), group in by_series(ordered).items():
        for (by, name), cell in _state_seconds(group).items():
            total = sum(seconds for state, seconds in cell.items() if state not in NOT_ASKED)
            for state in sorted(cell, key=lambda s: order[s]):
                share = cell[state] / total if total > 0 and state not in NOT_ASKED else None
                out.append(
                    {
                        "device": device,
                        "quantity": quantity,
                        "by": by,
                        "group": name,
                        "state": state,
                        "seconds": cell[state],
                        "share": share,
                    }
                )
    return out


def tracking_rows(ordered: list[SessionResult], study: Study, settings: Settings) -> list[dict[str, Any]]:
    """Tracking share with its interval, and its bounds with missing time all right and all wrong."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        wanted: dict[tuple[str, str], dict[str, dict[str, float]]] = {}
        for r, s in group:
            for time in s.state_times:
                cell = wanted.setdefault((time.by, time.group), {}).setdefault(r.material.name, {})
                cell[time.state] = cell.get(time.state, 0.0) + time.seconds
        for (by, name), sessions in wanted.items():
            faithful = {k: v.get("faithful", 0.0) for k, v in sessions.items()}
            missing = {k: v.get("missing", 0.0) for k, v in sessions.items()}
            unjudged = sum(v.get("unjudged", 0.0) for v in sessions.values())
            total = {k: sum(x for state, x in v.items() if state not in NOT_ASKED) for k, v in sessions.items()}
            keys = sorted(k for k in sessions if total[k] > 0)
            if not keys:
                continue
            people = sorted({participant_of(study, k) for k in keys})
            if len(keys) == 1:
                r, s = next((r, s) for r, s in group if r.material.name == keys[0])
                whole = by in ("all", "session", "firmware") or (by, name) == ("column", COLUMNS[-1])
                numerator = s.blocks_faithful if whole else np.array([faithful[keys[0]]])
                denominator = s.blocks_judged if whole else np.array([total[keys[0]]])
                codes = np.zeros(numerator.size, dtype=np.int64)
                estimate = ratio_interval(
                    np.minimum(numerator, denominator),
                    denominator,
                    participant=codes,
                    session=codes,
                    blocks=True,
                    confidence=settings.confidence,
                )
            else:
                estimate = ratio_interval(
                    np.array([min(faithful[k], total[k]) for k in keys]),
                    np.array([total[k] for k in keys]),
                    participant=np.array([people.index(participant_of(study, k)) for k in keys]),
                    session=np.arange(len(keys)),
                    confidence=settings.confidence,
                )
            judged = sum(total[k] for k in keys)
            lost = sum(missing[k] for k in keys)
            kept = sum(faithful[k] for k in keys)
            out.append(
                {
                    "device": device,
                    "quantity": quantity,
                    "by": by,
                    "group": name,
                    **estimate_row(estimate),
                    "n_sessions": len(keys),
                    "n_participants": len(people),
                    "faithful_seconds": kept,
                    "judged_seconds": judged - lost,
                    "missing_seconds": lost,
                    "unjudged_seconds": unjudged,
                    "missing_all_right": (kept + lost) / judged,
                    "missing_left_out": kept / (judged - lost) if judged > lost else None,
                }
            )
    return out


def flow_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Seconds that are left at each step, over the study."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        for step in group[0][1].flow:
            seconds = float(sum(s.flow[step] for _, s in group))
            out.append({"device": device, "quantity": quantity, "step": step, "seconds": seconds})
    return out


def episode_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """All episodes."""
    return [
        {
            "id": e.id,
            "event": e.event,
            "session": r.material.name,
            "device": s.device,
            "quantity": s.quantity,
            "state": e.state,
            "also": e.also or None,
            "start": instant(r.material, e.start_s),
            "end": instant(r.material, e.end_s),
            "seconds": e.seconds,
            "tested_mean": e.tested_mean,
            "reference_mean": e.reference_mean,
            "ratio": e.ratio,
            "probability": e.probability,
            "doubt": e.doubt or None,
        }
        for r in ordered
        for s in r.results
        for e in (*s.episodes, *s.disputed)
    ]
