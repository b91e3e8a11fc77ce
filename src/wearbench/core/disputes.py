"""Where device and reference disagree by a simple ratio, and nothing tells which of the two is wrong."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.runs import runs_of
from wearbench.core.statemodel import DOUBLED, FAITHFUL, HALVED, OFF_RATIO, UNJUDGED
from wearbench.errors import DataError

__all__ = ["RATIOS", "STEPPED", "UNSEEN", "disputed_readings"]

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
_STEP: Final = 0.3


def disputed_readings(state: I8, *, time_s: F64, tested: F64, reference: F64) -> I8:
    """Find readings whose disagreement may be the reference's.

    Parameters
    ----------
    state : int8 array, shape (n,)
        Index into ``STATES``, -1 where nothing was judged.
    time_s, tested, reference : float64 arrays, shape (n,)
        In order of time; the reference over each reading's window, NaN where it is not trusted.

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
    minute (or two and a half readings), device and reference each move by some log ratio. Whoever moved more made the
    step. A run is disputed where the reference made one, by a third or more, and the device none; and a run of double
    where no right reading is near either side. A device that halves all along is not: a reference that counts double
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
    usual = float(np.median(np.diff(time_s[judged]))) if judged.size > 1 else 0.0
    near_s = max(_NEAR_S, _NEAR_READINGS * usual)
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
        out[members] = _why(label, edges, tested, reference)
    return out


def _why(label: int, edges: list[tuple[int, int]], tested: F64, reference: F64) -> int:
    if not edges:
        return UNSEEN if label == DOUBLED else 0
    stepped = 0
    for outside, inside in edges:
        moved = [abs(float(np.log(x[inside] / x[outside]))) for x in (tested, reference)]
        if moved[0] >= moved[1]:
            return 0
        stepped += moved[1] >= _STEP
    return STEPPED if stepped else 0
