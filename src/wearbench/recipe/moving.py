"""Stamps that the person has decided to move: a clock that steps inside a recording."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from wearbench.recipe.material import Series, SessionMaterial
from wearbench.recipe.readings import chosen_readings
from wearbench.study import Decision, Study

__all__ = ["with_decided_clocks"]


def with_decided_clocks(material: SessionMaterial, study: Study) -> SessionMaterial:
    """Move stamps as decisions of kind ``clock`` say.

    Parameters
    ----------
    material : SessionMaterial
        As read.
    study : Study

    Returns
    -------
    SessionMaterial
        Tested and context series with ``time_s`` moved by ``value`` seconds where the device's own stamps lie in the
        decision's span (all of them where it has none), and ``moved_s`` saying by how much; in order of time.
    """
    revoked = {d.revokes for d in study.decisions if d.kind == "revoke"}
    decided = [
        d
        for d in study.decisions
        if d.kind == "clock"
        and d.id not in revoked
        and d.session == material.name
        and isinstance(d.value, int | float)
        and not isinstance(d.value, bool)
    ]
    if not decided:
        return material

    def every(series: tuple[Series, ...]) -> tuple[Series, ...]:
        return tuple(_moved(s, decided, origin_ms=material.origin_ms) for s in series)

    return replace(material, tested=every(material.tested), context=every(material.context))


def _moved(series: Series, decided: list[Decision], *, origin_ms: int) -> Series:
    move = np.zeros(series.time_s.size)
    stamp_s = series.stamp_s
    for decision in decided:
        if decision.device not in (None, series.device) or decision.quantity not in (None, series.quantity):
            continue
        low = -np.inf if decision.start is None else _seconds(decision.start, origin_ms)
        high = np.inf if decision.end is None else _seconds(decision.end, origin_ms)
        move[(stamp_s >= low) & (stamp_s <= high)] += float(decision.value)
    if not move.any():
        return series
    moved = replace(
        series,
        time_s=series.time_s + move,
        start_s=None if series.start_s is None else series.start_s + move,
        end_s=None if series.end_s is None else series.end_s + move,
        moved_s=move,
    )
    return chosen_readings(moved, np.argsort(moved.time_s, kind="stable"))


def _seconds(moment: datetime, origin_ms: int) -> float:
    return moment.timestamp() - origin_ms / 1000.0
