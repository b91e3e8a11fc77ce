"""Running counts (steps, energy, beats): where they begin anew, and one count that never falls."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["RunningCount", "one_count"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_LEAST_RISES: Final = 4
_MOST_FALLS: Final = 0.2
_ANEW: Final = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class RunningCount:
    """A count read on as one.

    Attributes
    ----------
    total : float64 array, shape (n,)
        Never falls; begins where the count does. NaN where the count is.
    anew : int64 array
        Rows at which the count began anew: at midnight, with an update, when full.
    mended : int64 array
        Rows at which it was set back by less; the total stays until the count has caught up.
    """

    total: F64
    anew: I64
    mended: I64


def one_count(value: F64) -> RunningCount | None:
    """Read a running count on as one, over places where it begins anew.

    Parameters
    ----------
    value : float64 array, shape (n,)
        In order of time, as the device shows it.

    Returns
    -------
    RunningCount or None
        None for values that are no running count: fewer than four rises, or more than one fall to five of them, as
        counts by the minute have.

    Notes
    -----
    Own rule. A fall to less than half of what was shown is a count begun anew: what it shows then was counted since,
    so no difference is negative, and what was counted between the last reading before and the new beginning is lost:
    totals over such a place are at least so much. A smaller fall is a correction.
    """
    rows = np.flatnonzero(np.isfinite(value))
    shown = value[rows]
    step = np.diff(shown)
    rises, falls = int((step > 0).sum()), int((step < 0).sum())
    if rises < _LEAST_RISES or falls > _MOST_FALLS * rises or (shown < 0).any():
        return None
    anew = np.flatnonzero((step < 0) & (shown[1:] < _ANEW * shown[:-1])) + 1
    base = np.zeros(shown.size)
    edges = np.append(anew, shown.size)
    top = shown.copy()
    top[: edges[0]] = np.maximum.accumulate(shown[: edges[0]])
    for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        base[start:stop] = base[start - 1] + top[start - 1]
        top[start:stop] = np.maximum.accumulate(shown[start:stop])
    total = np.full(value.size, np.nan)
    total[rows] = base + top
    mended = np.setdiff1d(np.flatnonzero(step < 0) + 1, anew)
    return RunningCount(total=total, anew=rows[anew].astype(np.int64), mended=rows[mended].astype(np.int64))
