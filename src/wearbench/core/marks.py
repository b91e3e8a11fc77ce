"""What sync marks tell of a clock: one act marked on two clocks gives the offset between them by itself.

Two marks of one act differ by the clocks' offset, by how each time was cut short when it was written down, and by the
hand that made them. The first is known to be even within its unit; for the second a usual spread is assumed, and
corrected by what the marks themselves show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clusters import t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["MarkClock", "MarkPairs", "clock_of_marks", "pooled_mean"]

F64 = NDArray[np.float64]

_ASSUMED_WORTH: Final = 10.0
"""The assumed spread counts like that of so many marks (our own figure)."""
_FINE: Final = 2.0
"""Drift is looked for where its standard error is below so many times its usual size."""
_FAR: Final = 4.0
"""Marks further than their units and so many usual spreads of the hand from one clock are of no one clock."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkPairs:
    """Sync marks of a reference and a tested device that belong together; float64 arrays of shape (n,), seconds.

    ``reference_s`` and ``tested_s`` are the middles of what each time as written can mean, on the two clocks;
    ``reference_unit_s`` and ``tested_unit_s`` what they are written to (1 for whole seconds).
    """

    reference_s: F64
    tested_s: F64
    reference_unit_s: F64
    tested_unit_s: F64

    @property
    def n(self) -> int:
        """How many."""
        return int(self.tested_s.size)


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkClock:
    """Offset between two clocks from marks: ``reference = tested + offset_s + 1e-6 * drift_ppm * (tested - at_s)``.

    Attributes
    ----------
    at_s : float
        Where ``offset_s`` holds, on the tested device's clock.
    offset_s, low_s, high_s : float
    drift_ppm, drift_low_ppm, drift_high_ppm : float
        The drift is 0 where its interval holds 0.
    n : int
        Acts.
    """

    at_s: float
    offset_s: float
    low_s: float
    high_s: float
    drift_ppm: float
    drift_low_ppm: float
    drift_high_ppm: float
    n: int


def clock_of_marks(
    pairs: MarkPairs,
    *,
    at_s: float,
    slack_s: float,
    drift_ppm: float | None = None,
    max_drift_ppm: float = 200.0,
    prior_drift_ppm: float = 20.0,
    confidence: float = 0.95,
) -> MarkClock:
    """Offset, and drift where it shows, from marks of the same acts on two clocks.

    Parameters
    ----------
    pairs : MarkPairs
        At least one.
    at_s : float
        Where the offset is wanted, on the tested device's clock.
    slack_s : float
        Usual spread (one standard deviation) of the hand between the two marks of an act.
    drift_ppm : float, optional
        Drift that is known otherwise; the marks' own is then not looked for.
    max_drift_ppm, prior_drift_ppm : float
        Bound and usual size of drift.
    confidence : float

    Returns
    -------
    MarkClock

    Raises
    ------
    DataError
        Without marks, or if arrays differ in length.
    CannotTell
        If the marks fit no one clock: one belongs to another act, or the clock was set between them.

    Notes
    -----
    Weighted least squares. A time cut to its unit u has variance u^2 / 12. The assumed variance counts like that of
    ten marks and is pooled with the one seen, with t on the degrees of freedom of both (the conjugate analysis of a
    normal mean; Gelman et al. 2013, Bayesian Data Analysis, section 3.3; from memory); so one mark has an interval.
    Marks that agree better than assumed do not shorten it: cut to whole seconds they agree by luck.
    """
    shapes = {a.shape for a in (pairs.reference_s, pairs.tested_s, pairs.reference_unit_s, pairs.tested_unit_s)}
    if len(shapes) != 1 or pairs.tested_s.ndim != 1 or not pairs.n:
        raise DataError(f"expected at least one mark on both clocks, got shapes {sorted(map(str, shapes))}")
    gap = pairs.reference_s - pairs.tested_s
    variance = (pairs.reference_unit_s**2 + pairs.tested_unit_s**2) / 12.0 + slack_s**2
    weight = 1.0 / np.maximum(variance, 1e-12)
    centre = float(np.dot(weight, pairs.tested_s) / weight.sum())
    away = pairs.tested_s - centre
    spread = float(np.dot(weight, away**2))
    slope, low, high = 0.0, -math.inf, math.inf
    seen = False
    if drift_ppm is not None:
        slope, low, high = 1e-6 * drift_ppm, 1e-6 * drift_ppm, 1e-6 * drift_ppm
    elif pairs.n > 1 and spread > 0:
        own = float(np.dot(weight, away * gap) / spread)
        left = gap - np.dot(weight, gap) / weight.sum() - own * away
        factor, df = _pooled(left, weight, free=2)
        error = math.sqrt(factor / spread)
        half = t_quantile(0.5 + 0.5 * confidence, df) * error
        low, high = own - half, own + half
        # Marks near each other would now and then show a drift that no clock has.
        seen = (low > 0 or high < 0) and error < _FINE * 1e-6 * prior_drift_ppm and abs(own) <= 1e-6 * max_drift_ppm
        slope = own if seen else 0.0
    middle = float(np.dot(weight, gap - slope * away) / weight.sum())
    left = gap - middle - slope * away
    room = 0.5 * (pairs.reference_unit_s + pairs.tested_unit_s) + _FAR * slack_s + 1e-6 * prior_drift_ppm * abs(away)
    if pairs.n > 1 and bool(np.any(np.abs(left) > room + 1e-6)):
        raise CannotTell(_no_one_clock(gap))
    factor, df = _pooled(left, weight, free=2 if seen else 1)
    t = t_quantile(0.5 + 0.5 * confidence, df)
    # Drift that is not seen may be there all the same: marks at one end say less of the other.
    unseen = 1e-6 * prior_drift_ppm
    if seen:
        unseen = (high - low) / (2.0 * t)
    elif drift_ppm is not None:
        unseen = 0.0
    elif spread > 0:
        unseen = 1.0 / math.sqrt(1.0 / unseen**2 + spread / factor) if unseen > 0 else 0.0
    half = t * math.sqrt(factor / float(weight.sum()) + (unseen * (at_s - centre)) ** 2)
    offset = middle + slope * (at_s - centre)
    return MarkClock(
        at_s=at_s,
        offset_s=offset,
        low_s=offset - half,
        high_s=offset + half,
        drift_ppm=1e6 * slope,
        drift_low_ppm=max(1e6 * low, -max_drift_ppm),
        drift_high_ppm=min(1e6 * high, max_drift_ppm),
        n=pairs.n,
    )


def _pooled(left: F64, weight: F64, *, free: int) -> tuple[float, float]:
    """Factor on the assumed variance from assumption and residuals together, and its degrees of freedom."""
    df = max(left.size - free, 0)
    seen = (_ASSUMED_WORTH + float(np.dot(weight, left**2))) / (_ASSUMED_WORTH + df)
    return max(seen, 1.0), _ASSUMED_WORTH + df


def _no_one_clock(gap: F64) -> str:
    shown = [f"{g:+.1f}" for g in gap[:6]] + ([f"and {gap.size - 6} more"] if gap.size > 6 else [])
    return f"they fit no one clock (offsets {', '.join(shown)} s)"


def pooled_mean(value: F64, half_width: F64, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Mean of estimates that each have an interval, with an interval that widens where they differ more than that.

    Parameters
    ----------
    value, half_width : float64 arrays, shape (n,)
        Half widths at ``confidence``.
    confidence : float

    Returns
    -------
    tuple of float
        Weighted median (one estimate that is far off does not move it), low, high.
    """
    t = t_quantile(0.5 + 0.5 * confidence, 1e6)
    weight = 1.0 / np.maximum(half_width / t, 0.05) ** 2
    order = np.argsort(value, kind="stable")
    at = int(np.searchsorted(np.cumsum(weight[order]), 0.5 * float(weight.sum()) - 1e-12))
    centre = float(value[order][min(at, value.size - 1)])
    if value.size == 1:
        return centre, centre - float(half_width[0]), centre + float(half_width[0])
    factor, df = _pooled(value - centre, weight, free=1)
    # A median of estimates like these is known as well as the mean of 2 / pi as many.
    widen = math.sqrt(0.5 * math.pi) if value.size > 2 else 1.0
    half = widen * t_quantile(0.5 + 0.5 * confidence, df) * math.sqrt(factor / float(weight.sum()))
    return centre, centre - half, centre + half
