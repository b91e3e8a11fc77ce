"""What the wearer would have seen of a session, beside what was true over the same windows.

Every value the device showed counts, wrong ones too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running, values_over

__all__ = ["LEAST_RANGE", "Believed", "believed_of", "seconds_in_thirds", "span_of"]

F64 = NDArray[np.float64]
Thirds = tuple[float, float, float]

LEAST_RANGE: Final = 10.0
"""Where the reference ranged less than this, thirds of its range mean nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Believed:
    """A session as the device told it and as it was.

    Attributes
    ----------
    n : int
        Readings beside a trustworthy reference.
    seconds : float
        What they count for.
    shown_mean, true_mean : float
        Weighted by time.
    shown_maximum, true_maximum : float
        Highest reading, and highest reference over the same windows.
    true_peak : float
        Highest reference over any 5 s between the first window and the last; NaN where none is covered.
    low, high : float
        Range of the reference over the windows.
    """

    n: int
    seconds: float
    shown_mean: float
    true_mean: float
    shown_maximum: float
    true_maximum: float
    true_peak: float
    low: float
    high: float


def believed_of(
    tested: F64, true: F64, seconds: F64, *, reference: Running, first_s: float, last_s: float
) -> Believed | None:
    """Sum up a session.

    Parameters
    ----------
    tested, true, seconds : float64 arrays, shape (n,)
        Readings, the reference over their windows, and what each counts for.
    reference : Running
        Doubtful stretches taken out.
    first_s, last_s : float
        Start of the first window, end of the last.

    Returns
    -------
    Believed or None
        None without readings.
    """
    whole = float(seconds.sum())
    if tested.size == 0 or whole <= 0:
        return None
    return Believed(
        n=int(tested.size),
        seconds=whole,
        shown_mean=float(seconds @ tested) / whole,
        true_mean=float(seconds @ true) / whole,
        shown_maximum=float(tested.max()),
        true_maximum=float(true.max()),
        true_peak=_peak(reference, first_s, last_s),
        low=float(true.min()),
        high=float(true.max()),
    )


def _peak(reference: Running, first_s: float, last_s: float) -> float:
    """Highest rate over 5 s; whole windows only, ending at beats or readings of the reference."""
    end_s = reference.knot_s[(reference.knot_s >= first_s + 5.0) & (reference.knot_s <= last_s)]
    seen = values_over(reference, end_s - 5.0, end_s)
    known = seen.covered >= 0.99
    return float(seen.value[known].max()) if known.any() else math.nan


def seconds_in_thirds(values: F64, seconds: F64, *, low: float, high: float) -> Thirds:
    """Seconds with a value in the lower, middle and upper third of a range; values beyond it count to the outer ones.

    Parameters
    ----------
    values, seconds : float64 arrays, shape (n,)
    low, high : float

    Returns
    -------
    tuple of float
    """
    cell = np.clip(np.floor(3.0 * (values - low) / (high - low)), 0, 2).astype(np.int64)
    each = np.bincount(cell, weights=seconds, minlength=3)
    return float(each[0]), float(each[1]), float(each[2])


def span_of(values: F64, seconds: F64, *, share: float = 0.05) -> tuple[float, float]:
    """Values that all but a share at either end lie between, by time; NaN without any.

    Parameters
    ----------
    values, seconds : float64 arrays, shape (n,)
    share : float

    Returns
    -------
    tuple of float
    """
    if values.size == 0 or float(seconds.sum()) <= 0:
        return math.nan, math.nan
    order = np.argsort(values, kind="stable")
    total = np.cumsum(seconds[order])
    low, high = np.searchsorted(total, np.array([share, 1.0 - share]) * total[-1])
    return float(values[order[low]]), float(values[order[min(int(high), order.size - 1)]])
