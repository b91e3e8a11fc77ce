"""Where a reference that gives only a sampled rate is not to be trusted, found without looking at any tested device."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.artefacts import rolling_median
from wearbench.core.counting import Stretch, miscounts, spells
from wearbench.core.doubt import Doubt, tidied
from wearbench.errors import DataError

__all__ = ["doubt_of_rate"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

_STEP: Final = float(np.log(1.6))
_SETTLE_S: Final = 5.0
_SIDE_S: Final = 6.0
_SIDE_MOVES: Final = 0.25
_SIDE_BENDS: Final = 0.12
_SIDE_RANGE: Final = 0.18
_SLOWEST_S: Final = 10.0
_GAP_S: Final = 60.0
_LONGEST_OPEN_S: Final = 400.0
_ROUGH: Final = 0.055
_ROUGH_TIMES: Final = 3.0
_ROUGH_S: Final = 20
_ROUGH_EVERY_S: Final = 1.5
_START_S: Final = 150.0


def doubt_of_rate(time_s: F64, rate_bpm: F64) -> tuple[Doubt, ...]:
    """Find where a reference that gives only a sampled rate is not to be trusted.

    Parameters
    ----------
    time_s, rate_bpm : float64 arrays, shape (n,)
        Increasing seconds and the rate; NaN and values at or below 0 are gaps.

    Returns
    -------
    tuple of Doubt

    Raises
    ------
    DataError
        If there is not one time for each rate.

    Notes
    -----
    As for intervals (see `doubt_of_intervals`), but a recorder smooths its rate, so a step may take up to 10 s: a cut
    is where the rate changes by a factor of 1.6 or more within that time and goes on after it as it did before.
    Alternation cannot be seen in a rate, so counting double is believed by its length and its neighbours alone; where
    the recording begins or ends within it, one step is all there is, and 400 s the longest that is believed. A
    dry start shows where a recorder that writes every second jerks to and fro, from its first value on, three times as
    much as ever later; elsewhere jerks are left alone, since an irregular heart makes them too. Below one reading in
    10 s nothing can be told, and a stretch shorter than about 20 s is hidden by the smoothing.
    """
    if time_s.shape != rate_bpm.shape:
        raise DataError(f"expected one time a rate, got {time_s.size} times for {rate_bpm.size} rates")
    good = np.isfinite(rate_bpm) & (rate_bpm > 0)
    time, log_rr = time_s[good], np.log(60.0 / np.where(good, rate_bpm, 1.0))[good]
    if time.size < 10:
        return ()
    usual = float(np.median(np.diff(time)))
    if not 0 < usual <= _SLOWEST_S:
        return ()
    found: list[Doubt] = []
    begin_s = float(time[0])
    until_s = _rough_start(time, log_rr, usual)
    if until_s is not None:
        found.append(Doubt(start_s=begin_s, end_s=until_s, why="noisy"))
        time, log_rr = time[time > until_s], log_rr[time > until_s]
    found += _miscounted(time, log_rr, usual)
    return tidied(found, begin_s)


def _miscounted(time: F64, log_rr: F64, usual: float) -> list[Doubt]:
    smooth = rolling_median(log_rr, 3)
    near = np.zeros(time.size, dtype=bool)
    for cut in _abrupt(time, smooth):
        near |= np.abs(time - cut) < _SETTLE_S
    kept = np.flatnonzero(~near)
    if kept.size < 10:
        return []
    time_k, level = time[kept], smooth[kept]
    length = np.minimum(np.diff(time_k, append=time_k[-1] + usual), 3 * usual)
    joined = np.diff(kept, prepend=kept[0] - 1) == 1
    joined &= np.diff(time_k, prepend=time_k[0]) < _GAP_S
    # apart from the cuts a rate may do what it likes
    stretches = _parts(time_k, length, level, np.cumsum(~joined))
    apart_s = 2 * _SETTLE_S + 2 * usual + 1.0
    told = miscounts(
        stretches,
        least_n=3,
        meets=0.12,
        reach_s=_SETTLE_S,
        apart_s=apart_s,
        per_s=0.01,
        longest_open_s=_LONGEST_OPEN_S,
    )
    # the recorder's smoothing spreads each change over the time that was set aside: count it in
    return [
        Doubt(
            start_s=max(float(time[0]), m.start_s - _SETTLE_S),
            end_s=min(float(time[-1]), m.end_s + _SETTLE_S),
            why=m.why,
        )
        for m in told
    ]


def _abrupt(time: F64, level: F64) -> list[float]:
    """Instants where the level steps by a factor above 1.6 within 10 s and goes on after it as it did before."""
    early = np.searchsorted(time, time - _SETTLE_S, side="left")
    late = np.minimum(np.searchsorted(time, time + _SETTLE_S, side="right") - 1, time.size - 1)
    change = np.abs(level[late] - level[early])
    out: list[float] = []
    for a, b in spells(change > _STEP):
        at = float(time[a:b][change[a:b] >= 0.98 * change[a:b].max()].mean())
        # levels just before and after the step, and further off: a count that changed stands nearly still at once
        spans = ((-15, -11), (-9.5, -4.5), (4.5, 9.5), (11, 15))
        sides = [level[(time >= at + x) & (time <= at + y)] for x, y in spans]
        if sides[1].size == 0 or sides[2].size == 0:
            continue
        far_before, before, after, far_after = (float(np.median(s)) if s.size else np.nan for s in sides)
        step = abs(after - before)
        going = np.nan_to_num([before - far_before, far_after - after], nan=0.0)
        most = float(np.abs(going).max())
        around = (level[(time >= at - 15) & (time <= at - 5)], level[(time >= at + 5) & (time <= at + 15)])
        ranges = max(float(np.ptp(side)) for side in around if side.size)
        # a heart that goes on as it went may move; one that arrives at a new level by itself slows down
        steady = most < _SIDE_MOVES * step and abs(going[1] - going[0]) < _SIDE_BENDS * step
        if step > _STEP and steady and ranges < _SIDE_RANGE * step + 1.7 * most:
            out.append(at)
    return out


def _parts(time: F64, length: F64, level: F64, part: NDArray[np.intp]) -> list[Stretch]:
    begins = np.flatnonzero(np.diff(part, prepend=part[0] - 1))
    ends = np.append(begins[1:], part.size)
    out = []
    for a, b in zip(begins.tolist(), ends.tolist(), strict=True):
        here = slice(a, b)
        first = time[here] <= time[a] + _SIDE_S
        last = time[here] >= time[b - 1] - _SIDE_S
        out.append(
            Stretch(
                start_s=float(time[a]),
                end_s=float(time[b - 1] + length[b - 1]),
                first=float(np.median(level[here][first])),
                last=float(np.median(level[here][last])),
                first_s=float(time[here][first].mean()),
                last_s=float(time[here][last].mean()),
                n=int(b - a),
            )
        )
    return out


def _rough_start(time: F64, log_rr: F64, usual: float) -> float | None:
    """Until when the rate, from the start on, turns second by second as it never does later; None if it does not."""
    if usual > _ROUGH_EVERY_S or time[-1] - time[0] < 2.0 * _START_S:
        return None
    at = np.arange(time[0], time[-1], 1.0)
    index = np.clip(np.searchsorted(time, at), 0, time.size - 1)
    value = log_rr[index]
    turn = np.zeros(at.size)
    turn[1:-1] = np.minimum(np.abs(value[2:] - 2 * value[1:-1] + value[:-2]), 0.4)
    turn[np.abs(time[index] - at) > 2.0] = 0.0
    mean = np.convolve(turn, np.ones(_ROUGH_S) / _ROUGH_S, mode="valid")
    early = int(_START_S)
    bar = max(_ROUGH, _ROUGH_TIMES * float(np.quantile(mean[early:], 0.9)))
    runs = spells(mean[:early] > bar)
    if not runs or runs[0][0] > _ROUGH_S // 2:
        return None
    on = next(stop for start, stop in spells(mean > 0.5 * bar) if start <= runs[0][0] < stop)
    within = np.flatnonzero(turn[: on + _ROUGH_S] > bar)
    return float(at[within[-1]]) + 1.0
