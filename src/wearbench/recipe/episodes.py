"""Episodes of a series: unbroken runs of one state other than faithful, and stretches without a value."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from wearbench.core.states import STATES, runs_of
from wearbench.recipe.columns import Column
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.sessionresult import Episode
from wearbench.recipe.statetimes import silent_spans, value_seconds

__all__ = ["episodes_of"]

I64 = NDArray[np.int64]
_Found = tuple[float, float, str, I64 | None]


def episodes_of(one: Comparison, column: Column, *, before: int) -> tuple[NDArray[np.int32], tuple[Episode, ...]]:
    """Number the episodes of a series.

    Parameters
    ----------
    one : Comparison
    column : Column
    before : int
        Episodes of this session so far.

    Returns
    -------
    int32 array, shape (n,)
        Number of each reading's episode, -1 for none.
    tuple of Episode
        In order of time; those that touch share an event.
    """
    window, states, pairs = column.window, column.states, column.window.pairs
    seconds = value_seconds(pairs)
    member = np.full(pairs.tested.size, -1, dtype=np.int32)
    out: list[Episode] = []
    event, last_end = 0, -math.inf
    touch = 1.5 * float(np.median(window.usual_s)) + 1e-6 if window.usual_s.size else 0.0
    for number, (start, end, state, index) in enumerate(_found(one, column), start=before + 1):
        if start - last_end > touch:
            event = number
        last_end = max(last_end, end)
        if index is None:
            tested = reference = ratio = probability = math.nan
            also, seconds_total = "", end - start
        else:
            member[index] = number
            weight = seconds[index]
            weight = weight / weight.sum() if weight.sum() > 0 else np.full(index.size, 1.0 / index.size)
            tested = float(np.dot(weight, pairs.tested[index]))
            reference = float(np.dot(weight, pairs.reference[index]))
            ratio = tested / reference if reference else math.nan
            probability = float(states.probability[index].mean())
            also = "cadence_locked" if float(states.also_cadence[index].mean()) >= 0.5 else ""
            seconds_total = float(seconds[index].sum())
        out.append(
            Episode(
                id=f"{one.session.name}-E{number}",
                event=f"{one.session.name}-V{event}",
                state=state,
                also=also,
                start_s=start,
                end_s=end,
                seconds=seconds_total,
                tested_mean=tested,
                reference_mean=reference,
                ratio=ratio,
                probability=probability,
            )
        )
    return member, tuple(out)


def _found(one: Comparison, column: Column) -> list[_Found]:
    """Start, end, state and readings of each, in order of time; no readings where there is no value."""
    found: list[_Found] = []
    states, centre = column.states, column.window.centre_s
    judged = np.flatnonzero(states.state >= 0)
    if not one.quantity.state_model or not judged.size:
        return found
    seconds = value_seconds(column.window.pairs)
    kind = states.state[judged].astype(np.int64)
    # A pause in the readings, or a stretch that could not be judged, breaks a run.
    pause = np.diff(centre[judged]) > seconds[judged[:-1]] * 1.01 + 1e-6
    piece = np.concatenate([[0], np.cumsum((np.diff(kind) != 0) | pause)])
    runs = runs_of(piece.astype(np.int64))
    for first, stop in zip(runs.first.tolist(), runs.stop.tolist(), strict=True):
        members = judged[first:stop]
        if kind[first] == 0:
            continue
        start = float(centre[members[0]])
        end = float(centre[members[-1]] + seconds[members[-1]])
        found.append((start, end, STATES[kind[first]], members))
    for name, spans in silent_spans(column).items():
        found += [(float(a), float(b), name, None) for a, b in spans]
    return sorted(found, key=lambda f: (f[0], f[1]))
