"""Passing and Bablok's line: the shifted median of all slopes between two points, with a test that it is straight."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.columns import columns
from wearbench.core.agreement.differences import check_level, fixed, rounding_of
from wearbench.core.clusters import Estimate
from wearbench.errors import CannotTell, DataError

__all__ = ["MOST_POINTS", "PassingBablok", "passing_bablok"]

F64 = NDArray[np.float64]

MOST_POINTS: Final = 3000
"""More points than this are refused: slopes grow with their square, and so many are hardly independent."""

CRITICAL: Final = 1.36
"""Of the cusum test at 5 %."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PassingBablok:
    """tested = intercept + slope * reference.

    ``cusum`` is the largest cumulative sum over its scale, ``linear`` whether it stays below 1.36 (5 %), None where all
    points lie on one side or on the line. ``n_points`` are the pairs, or participants' means where those were given;
    ``n_slopes`` the slopes kept, ``shift`` how many of them lie below -1.
    """

    slope: Estimate
    intercept: Estimate
    cusum: float | None
    linear: bool | None
    n_points: int
    n_slopes: int
    shift: int


def passing_bablok(
    tested: ArrayLike, reference: ArrayLike, *, participant: ArrayLike | None = None, confidence: float = 0.95
) -> PassingBablok:
    """Passing and Bablok's regression of tested (y) on reference (x).

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant : array-like, shape (n,), or None
        Whose each pair is: the line is then that of participants' means, one point each, as it needs independent
        points. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    PassingBablok
        Slope: median of the slopes of all pairs of points, shifted by how many lie below -1; points identical in both
        columns and slopes of -1 are left out. Intercept: median of y - slope x. Intervals by rank, and cusum test of
        linearity (Passing & Bablok 1983, J Clin Chem Clin Biochem 21:709-720). Equivariant under a common change of
        unit only; meant for slopes near 1.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity or values too large, or there are more than
        `MOST_POINTS` points.
    CannotTell
        If there are fewer than two points, a column does not vary, or the slope has no end.
    """
    from scipy.special import ndtri

    check_level(confidence, "a confidence")
    data = columns(tested, reference, participant=participant, what="a line")
    y, x = data.means()
    n, what = x.size, "participants" if data.clustered else "pairs"
    if n > MOST_POINTS:
        raise DataError(
            f"expected at most {MOST_POINTS} points, got {n} {what}; readings in a row are not independent: give the "
            "participant of each pair, which makes one point of each"
        )
    if n < 2:
        raise CannotTell(f"a line needs two {what}, there is 1")
    rounding = rounding_of(data.tested, data.reference)
    for name, values in (("reference", x), ("tested", y)):
        if not float(np.ptp(values)) > rounding:
            raise CannotTell(f"a line needs values that vary, the {name} ones do not")
    slopes, shift = _slopes(x, y, rounding)
    size = slopes.size
    middle = (size - 1) / 2 + shift
    if size == 0 or not middle <= size - 1:
        raise CannotTell("a line needs slopes that rise, too many of them fall")
    with np.errstate(invalid="ignore"):
        slope = float(0.5 * slopes[math.floor(middle)] + 0.5 * slopes[math.ceil(middle)])
    if not math.isfinite(slope):
        raise CannotTell("a line needs values that vary together, its slope has no end")
    spread = float(ndtri(0.5 + confidence / 2)) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((size - spread) / 2)
    last = size - first + 1
    why: str | None = f"{n} {what} are too few for an interval by rank"
    ends = intercepts = None
    close = 4 * rounding_of(y, slope * x)
    intercept = float(np.median(y - slope * x))
    residual = y - intercept - slope * x
    if float(np.max(np.abs(residual))) <= close:
        why = "all points lie on the line"
    elif first >= 1 and last + shift <= size:
        low, high = float(slopes[first + shift - 1]), float(slopes[last + shift - 1])
        why = "the interval of the slope has no end"
        if math.isfinite(low) and math.isfinite(high):
            ends, why = (low, high), None
            intercepts = (float(np.median(y - high * x)), float(np.median(y - low * x)))
            intercepts = (min(intercepts), max(intercepts))
    method = f"Passing-Bablok, by rank, {data.scope}"
    cusum = _cusum(x, y, slope, intercept, np.where(np.abs(residual) <= close, 0.0, residual))
    return PassingBablok(
        slope=fixed(slope, ends, method, n, why),
        intercept=fixed(intercept, intercepts, method, n, why),
        cusum=cusum,
        linear=None if cusum is None else cusum < CRITICAL,
        n_points=n,
        n_slopes=size,
        shift=shift,
    )


def _slopes(x: F64, y: F64, rounding: float) -> tuple[F64, int]:
    """Slopes of all pairs of points in order, and how many lie below -1."""
    n = x.size
    out = np.empty(n * (n - 1) // 2)
    filled = 0
    for at in range(n - 1):
        dx, dy = x[at] - x[at + 1 :], y[at] - y[at + 1 :]
        dx, dy = (np.where(np.abs(d) <= rounding, 0.0, d) for d in (dx, dy))
        keep = ((dx != 0) | (dy != 0)) & (np.abs(dx + dy) > rounding)
        with np.errstate(divide="ignore", over="ignore"):
            slope = dy[keep] / dx[keep]
        slope[dx[keep] == 0] = np.copysign(np.inf, dy[keep][dx[keep] == 0])
        out[filled : filled + slope.size] = slope
        filled += slope.size
    slopes = np.sort(out[:filled])
    return slopes, int(np.searchsorted(slopes, -1.0, side="left"))


def _cusum(x: F64, y: F64, slope: float, intercept: float, residual: F64) -> float | None:
    above, below = int(np.sum(residual > 0)), int(np.sum(residual < 0))
    if above == 0 or below == 0 or slope == 0:
        return None
    along = np.argsort(x + slope * (y - intercept), kind="stable") if slope > 0 else np.argsort(x, kind="stable")
    score = np.where(residual > 0, math.sqrt(below / above), np.where(residual < 0, -math.sqrt(above / below), 0.0))
    return float(np.max(np.abs(np.cumsum(score[along])))) / math.sqrt(below + 1)
