"""Where device and reference disagree by a simple ratio, and nothing tells which of the two is wrong."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running
from wearbench.core.runs import runs_of
from wearbench.core.statemodel import CADENCE_LOCKED, DOUBLED, FAITHFUL, FROZEN, HALVED, OFF_RATIO, UNJUDGED
from wearbench.errors import DataError

__all__ = ["RATIOS", "STEPPED", "UNSEEN", "disputed_readings", "steps_of"]

F64 = NDArray[np.float64]
I8 = NDArray[np.int8]

RATIOS: Final = (HALVED, DOUBLED, OFF_RATIO)
"""States that a miscounting reference gives a sound device."""

STEPPED: Final = 1
"""The reference stepped at an edge, the device did not."""
UNSEEN: Final = 2
"""Double from end to end, no edge seen: the reference may have halved."""

_NEAR_S: Final = 60.0
_NEAR_READINGS: Final = 2.5
_NEAR_WINDOWS: Final = 1.5
_PROVEN: Final = 2
"""So many runs that are the device's own show that it doubles, where the reference has never been seen to halve."""
_STEP: Final = 0.3
_STEP_OF: Final = 5
_STEP_REACH_S: Final = 10.0
_BEATS: Final = 0.9
_SETTLED: Final = (HALVED, OFF_RATIO, CADENCE_LOCKED, FROZEN)


def disputed_readings(
    state: I8, *, time_s: F64, tested: F64, reference: F64, averaging_s: float = 0.0, steps_s: F64 | None = None
) -> I8:
    """Find readings whose disagreement may be the reference's.

    Parameters
    ----------
    state : int8 array, shape (n,)
        Index into ``STATES``, -1 where nothing was judged.
    time_s, tested, reference : float64 arrays, shape (n,)
        In order of time; the reference over each reading's window, NaN where it is not trusted.
    averaging_s : float
        How long a window is: an edge lasts as long.
    steps_s : float64 array, shape (m,), optional
        When the reference stepped from one beat to the next, where that can be known: see `steps_of`.

    Returns
    -------
    int8 array, shape (n,)
        0, or why: ``STEPPED`` or ``UNSEEN``.

    Raises
    ------
    DataError
        If the arrays differ in length.

    Notes
    -----
    Own rule. From a run of half, double or another simple ratio to the nearest right reading on either side, within a
    minute (or two and a half readings, or one and a half windows), device and reference each move by some log ratio.
    Whoever moved more made the step. A run is disputed where the reference made one, by a third or more, and the device
    none. A heart that rises or falls by as much in many beats made no step, however fast: a recorder that begins to
    miscount does so from one beat to the next. A run of double where no right reading is near either side is disputed
    too. There the device has the blame if it is seen to step into it or out of it from another wrong mode, by a third
    or more, where the reference moves less than half as much; and if two other runs of the recording are its own double
    rate and none is the reference's. A device that halves all along is not disputed: a reference that counts double
    betrays itself by intervals that take turns.
    """
    if not state.shape == time_s.shape == tested.shape == reference.shape:
        raise DataError(
            f"expected states, times, readings and reference of one length, got {state.size}, {time_s.size}, "
            f"{tested.size} and {reference.size}"
        )
    out = np.zeros(state.shape, dtype=np.int8)
    judged = np.flatnonzero(state != UNJUDGED)
    hit = judged[np.isin(state[judged], RATIOS)]
    if not hit.size:
        return out
    right = np.flatnonzero((state == FAITHFUL) & (tested > 0) & (reference > 0))
    settled = np.flatnonzero(np.isin(state, _SETTLED) & (tested > 0) & (reference > 0))
    usual = float(np.median(np.diff(time_s[judged]))) if judged.size > 1 else 0.0
    near_s = max(_NEAR_S, _NEAR_READINGS * usual, _NEAR_WINDOWS * averaging_s)
    kind = np.where(np.isin(state[judged], (*RATIOS, UNJUDGED)), state[judged], UNJUDGED).astype(np.int64)
    runs = runs_of(kind)
    for first, stop, label in zip(runs.first.tolist(), runs.stop.tolist(), runs.label.tolist(), strict=True):
        if label == UNJUDGED:
            continue
        members = judged[first:stop]
        a, b = int(members[0]), int(members[-1])
        before, after = np.searchsorted(right, [a, b])
        edges = []
        if before > 0 and time_s[a] - time_s[right[before - 1]] <= near_s:
            edges.append((int(right[before - 1]), a))
        if after < right.size and time_s[right[after]] - time_s[b] <= near_s:
            edges.append((int(right[after]), b))
        seen = [_stepped(edge, time_s, averaging_s, steps_s) for edge in edges]
        out[members] = _why(label, edges, seen, tested, reference)
        if out[a] == UNSEEN:
            left, right_of = settled[settled < a], settled[settled > b]
            beside = [(int(left[-1]), a)] if left.size else []
            beside += [(int(right_of[0]), b)] if right_of.size else []
            if any(
                abs(time_s[there] - time_s[here]) <= near_s and _own_step(there, here, tested, reference)
                for there, here in beside
            ):
                out[members] = 0
    double = state == DOUBLED
    own = runs_of((double & (out == 0)).astype(np.int8)).label.tolist().count(1)
    if own >= _PROVEN and not bool(np.any(out == STEPPED)):
        out[double & (out == UNSEEN)] = 0
    return out


def _own_step(outside: int, inside: int, tested: F64, reference: F64) -> bool:
    """Whether the device stepped at an edge, and the reference did not."""
    moved = [abs(float(np.log(x[inside] / x[outside]))) for x in (tested, reference)]
    return moved[0] >= _STEP and moved[1] < 0.5 * moved[0]


def steps_of(running: Running) -> F64 | None:
    """When beats step: the medians of five intervals before and after differ by a third.

    Parameters
    ----------
    running : Running

    Returns
    -------
    float64 array, shape (m,), or None
        None where the reference does not give beats: a recorder's smoothing hides what was a step.
    """
    beats = np.diff(running.amount)
    counted = beats > 0
    if not counted.any() or float(np.mean(np.abs(beats[counted] - 1.0) < 1e-6)) < _BEATS:
        return None
    length = np.diff(running.covered_s)[counted] / beats[counted]
    at = running.knot_s[1:][counted]
    if length.size < 2 * _STEP_OF:
        return np.zeros(0)
    level = np.median(np.lib.stride_tricks.sliding_window_view(np.log(length), _STEP_OF), axis=1)
    far = np.abs(level[_STEP_OF:] - level[:-_STEP_OF]) >= _STEP
    out: F64 = at[_STEP_OF - 1 : _STEP_OF - 1 + far.size][far]
    return out


def _stepped(edge: tuple[int, int], time_s: F64, averaging_s: float, steps_s: F64 | None) -> bool:
    """Whether the reference can have stepped at an edge."""
    if steps_s is None:
        return True
    from_s, to_s = sorted(float(time_s[at]) for at in edge)
    low, high = np.searchsorted(steps_s, [from_s - averaging_s - _STEP_REACH_S, to_s + _STEP_REACH_S])
    return bool(high > low)


def _why(label: int, edges: list[tuple[int, int]], seen: list[bool], tested: F64, reference: F64) -> int:
    if not edges:
        return UNSEEN if label == DOUBLED else 0
    stepped = 0
    for (outside, inside), possible in zip(edges, seen, strict=True):
        moved = [abs(float(np.log(x[inside] / x[outside]))) for x in (tested, reference)]
        if moved[0] >= moved[1]:
            return 0
        stepped += possible and moved[1] >= _STEP
    return STEPPED if stepped else 0
