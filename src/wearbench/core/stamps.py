"""Stamps of RR intervals: whether the intervals tile the time at all, and when each beat was.

Intervals are exact, their stamps often not: whole seconds, several intervals under one stamp, packets that arrive
late or not at all. Late is common, early is not, so the true line is the lower envelope of stamp minus cumulated time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = ["Anchored", "TileCheck", "anchor", "tiles"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

_DRIFT: Final = 3e-4  # a recorder's clock may run 300 ppm off the sensor's
_RUN: Final = 40
_SUPPORT: Final = 12
_LEAST_TOLERANCE_S: Final = 0.15
_SLOW_TOLERANCE_S: Final = 0.6
_FEW: Final = 30


@dataclass(frozen=True, kw_only=True, slots=True)
class TileCheck:
    """Whether intervals fill the time between their stamps.

    ``ratio`` is the usual seconds of interval a second of stamps (1 for beats); ``sum_s`` and ``elapsed_s`` are the
    totals; ``step_s`` is the usual time between stamps and ``regular`` the share of steps within 10 % of it.
    """

    tiles: bool
    ratio: float
    sum_s: float
    elapsed_s: float
    step_s: float
    regular: float
    n: int


def tiles(interval_ms: F64, stamp_s: F64) -> TileCheck:
    """Tell beats from intervals that were merely sampled, one a second for example.

    Parameters
    ----------
    interval_ms : float64 array, shape (n,)
        Intervals above 0; NaN and 0 are passed over.
    stamp_s : float64 array, shape (n,)
        When each was noted, in seconds.

    Returns
    -------
    TileCheck
        With fewer than 5 intervals ``tiles`` is True: nothing speaks against it.

    Raises
    ------
    DataError
        If the arrays differ in length.

    Notes
    -----
    Common practice, no source. Lost packets make the sum too small in some runs of 40 intervals, so the median over
    runs decides; stamps at an even beat that does not follow the intervals settle it the other way.
    """
    rr, stamp = np.asarray(interval_ms, dtype=np.float64), np.asarray(stamp_s, dtype=np.float64)
    if rr.shape != stamp.shape:
        raise DataError(f"expected one stamp an interval, got {stamp.size} stamps for {rr.size} intervals")
    good = np.isfinite(rr) & (rr > 0) & (rr < 60_000.0) & np.isfinite(stamp)
    rr_s, stamp = rr[good] / 1000.0, stamp[good]
    n = rr_s.size
    total, elapsed = float(rr_s[1:].sum()), float(stamp[-1] - stamp[0]) if n else 0.0
    step = np.diff(stamp)
    usual = float(np.median(step)) if step.size else 0.0
    regular = float(np.mean(np.abs(step - usual) <= 0.1 * abs(usual))) if step.size and usual > 0 else 0.0
    if n < 5 or elapsed <= 0:
        return TileCheck(
            tiles=n < 5, ratio=float("nan"), sum_s=total, elapsed_s=elapsed, step_s=usual, regular=regular, n=n
        )
    run = min(_RUN, n - 1)
    sums = np.concatenate([[0.0], np.cumsum(rr_s)])
    at = np.arange(0, n - run, max(1, run // 2))
    covered = sums[at + run + 1] - sums[at + 1]
    passed = stamp[at + run] - stamp[at]
    ratio = float(np.median(covered / np.maximum(passed, 1e-3)))
    sampled = regular >= 0.8 and usual > 0 and float(np.median(np.abs(step - rr_s[1:]))) > 0.08 * usual
    fits = 0.88 <= ratio <= 1.12 or (0.5 <= ratio < 0.88 and not sampled)
    return TileCheck(tiles=fits, ratio=ratio, sum_s=total, elapsed_s=elapsed, step_s=usual, regular=regular, n=n)


@dataclass(frozen=True, kw_only=True, slots=True)
class Anchored:
    """Where intervals end on the recorder's clock.

    ``end_s`` has shape (n,) and increases by the interval itself except across gaps; ``gap_s`` is the time lost
    just before each interval (0: it follows straight on). ``late_s`` is the median lateness of the stamps;
    ``n_steps_back`` counts how often the stamps went backwards and the intervals were believed.
    """

    end_s: F64
    gap_s: F64
    late_s: float
    n_steps_back: int


def anchor(interval_s: F64, stamp_s: F64, *, resolution_s: float = 0.0) -> Anchored:
    """Lay cumulated intervals under their stamps: never after a stamp, as late as all stamps that follow allow.

    Parameters
    ----------
    interval_s, stamp_s : float64 arrays, shape (n,)
        Intervals above 0 and the stamps noted at their ends, both in seconds; stamps may be NaN.
    resolution_s : float
        Stamps were cut to multiples of this (1 for whole seconds): the instant noted lies in
        [stamp, stamp + resolution_s), and its end is what cannot be early.

    Returns
    -------
    Anchored

    Notes
    -----
    Own method. With C the cumulated intervals, stamp - C is the clock's offset plus a lateness that is never negative,
    and a lost packet raises it for good. The least over everything still to come, slope bounded by 300 ppm, is
    therefore an upper bound that late packets, however long they were held back, cannot move. A rise of that bound
    by more than the stamps' own coarseness is time lost: a gap.
    """
    n = interval_s.size
    cumulated = np.cumsum(interval_s)
    known = np.isfinite(stamp_s)
    if not bool(known.any()):
        return Anchored(end_s=cumulated, gap_s=np.zeros(n), late_s=0.0, n_steps_back=0)
    stamp = np.interp(np.arange(n), np.flatnonzero(known), stamp_s[known]) + resolution_s
    excess = stamp - cumulated
    set_back = _set_back(stamp, excess)
    excess = excess - np.cumsum(set_back)
    # a single stamp far too early must not pull down everything before it
    pad = np.concatenate([excess[:1], excess, excess[-1:]])
    around = np.minimum(pad[:-2], pad[2:])
    excess = np.where(excess < around - 2.0, around, excess)
    bound = np.minimum.accumulate((excess + _DRIFT * cumulated)[::-1])[::-1] - _DRIFT * cumulated
    # too little follows the last few to bound them
    bound[-_SUPPORT:] = np.minimum(bound[-_SUPPORT:], bound[-min(n, _SUPPORT + 1)])
    # how much the bound usually rises by chance over a few beats, where nothing is lost
    rise = float(np.quantile(bound[10:] - bound[:-10], 0.6)) if n > 2 * _FEW else _LEAST_TOLERANCE_S
    offset, gap = _steps(bound, cumulated, float(np.clip(3.0 * rise, _LEAST_TOLERANCE_S, 2.0)))
    return Anchored(
        end_s=cumulated + offset,
        gap_s=gap,
        late_s=float(np.median(excess - offset)),
        n_steps_back=int(np.count_nonzero(set_back)),
    )


def _set_back(stamp: F64, excess: F64) -> F64:
    """By how much the recorder's clock was set back just before each stamp (0 or negative).

    A stamp before the one before it may only be disorder; a clock set back stays back.
    """
    out = np.zeros(stamp.size)
    for i in np.flatnonzero(np.diff(stamp) < -1.5).tolist():
        change = float(excess[i + 1 : i + 1 + _FEW].min() - excess[max(0, i + 1 - _FEW) : i + 1].min())
        if change < -1.5 and excess[i + 1 : i + 1 + _FEW].max() < excess[max(0, i + 1 - _FEW) : i + 1].min():
            out[i + 1] = change
    return out


def _steps(bound: F64, elapsed_s: F64, tolerance_s: float) -> tuple[F64, F64]:
    """Cut the bound where it rises for good; between cuts the offset follows it evenly. Offsets and gaps.

    A rise within a few beats is lost time. A slow one may be drift, so it has to go beyond what drift can do.
    """
    n = bound.size
    slow_s = max(tolerance_s, _SLOW_TOLERANCE_S)
    cuts = [0]
    begin = 0
    while True:
        here = bound[begin:]
        quick = here - np.concatenate([np.minimum(here[:_FEW], here[:1]), here[:-_FEW]])[: here.size] > tolerance_s
        slow = here - np.minimum.accumulate(here) > slow_s + _DRIFT * (elapsed_s[begin:] - elapsed_s[begin])
        over = np.flatnonzero(quick | slow)
        if over.size == 0:
            break
        begin += max(1, int(over[0]))
        if begin - cuts[-1] < _SUPPORT and len(cuts) > 1:
            cuts.pop()  # a rise in two steps is one rise
        cuts.append(begin)
    cuts.append(n)
    offset = np.empty(n)
    gap = np.zeros(n)
    for begin, end in pairwise(cuts):
        offset[begin:end] = _slow(bound[begin:end])
        if begin:
            gap[begin] = max(0.0, offset[begin] - offset[begin - 1])
    return offset, gap


def _slow(bound: F64) -> F64:
    """Even line under the bound of one unbroken run: its low level, tilted only if the run is long enough to see."""
    n = bound.size
    block = 600
    if n < 2 * block:
        return np.full(n, float(np.quantile(bound, 0.1)))
    count = n // block
    edges = np.linspace(0, n, count + 1).astype(int)
    middles = (edges[:-1] + edges[1:] - 1) / 2
    lows = np.array([np.quantile(bound[a:b], 0.1) for a, b in pairwise(edges)])
    line: F64 = np.interp(np.arange(n), middles, lows)
    return line
