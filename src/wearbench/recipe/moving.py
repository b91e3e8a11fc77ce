"""Stamps that the person has decided to move: a clock that steps inside a recording."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from wearbench.recipe.material import Series, SessionMaterial, SyncMark
from wearbench.recipe.readings import chosen_readings
from wearbench.study import Decision, Study

__all__ = ["with_decided_clocks"]

F64 = NDArray[np.float64]


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

    marks = tuple(_moved_mark(mark, decided, origin_ms=material.origin_ms) for mark in material.marks)
    return replace(material, tested=every(material.tested), context=every(material.context), marks=marks)


def _moved_mark(mark: SyncMark, decided: list[Decision], *, origin_ms: int) -> SyncMark:
    """A mark moved with the stamps of its device."""
    stamp_s = np.array([mark.tested_s])
    move = _move_of(stamp_s, [d for d in decided if d.quantity is None], device=mark.device, origin_ms=origin_ms)
    return replace(mark, tested_s=mark.tested_s + float(move[0]))


def _moved(series: Series, decided: list[Decision], *, origin_ms: int) -> Series:
    own = [d for d in decided if d.quantity in (None, series.quantity)]
    move = _move_of(series.stamp_s, own, device=series.device, origin_ms=origin_ms)
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


def _move_of(stamp_s: F64, decided: list[Decision], *, device: str, origin_ms: int) -> F64:
    """What decisions add to stamps of a device."""
    move = np.zeros(stamp_s.size)
    for decision in decided:
        if decision.device not in (None, device):
            continue
        low = -np.inf if decision.start is None else _seconds(decision.start, origin_ms)
        high = np.inf if decision.end is None else _seconds(decision.end, origin_ms)
        move[(stamp_s >= low) & (stamp_s <= high)] += float(decision.value)
    return move


def _seconds(moment: datetime, origin_ms: int) -> float:
    return moment.timestamp() - origin_ms / 1000.0
