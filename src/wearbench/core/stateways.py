"""Ways between right and a wrong mode: what an average shows where a spell is short beside it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.runs import columns_of, runs_of
from wearbench.core.statemodel import (
    ASTRAY,
    BETWEEN,
    CADENCE_LOCKED,
    DOUBLED,
    FAITHFUL,
    FROZEN,
    HALVED,
    StateInput,
    cadence_multiples,
)
from wearbench.core.staterules import mode_value

__all__ = ["dips", "part_ways"]

DIP_MISS: Final = 0.2
"""How far from a mode the furthest reading of a dip may lie, in shares of the way there."""
BRIEF: Final = 0.3
"""A spell as long as the averaging leaves whole windows for twice a fifth of it; what is briefer may be a blend."""
WAVER: Final = 0.125
"""A window's share does not come and go within so much of the averaging: that is noise."""
ABOUT: Final = 0.15
"""How far outside the way between two modes a blend may lie, in shares of that way."""
PACE: Final = 2.0
"""An exponential average moves at most so much of its way in the time of a boxcar of equal mean age."""

F64 = NDArray[np.float64]
I8 = NDArray[np.int8]
B8 = NDArray[np.bool_]


def dips(data: StateInput, state: I8, ratio: F64) -> tuple[I8, F64]:
    """A smooth way out to a wrong mode and back, too short for a slow device to settle there.

    Between two faithful readings the tested value goes to half or double rate or to a multiple of the cadence, without
    turning, and comes back, without turning: readings past 80 % of the way are of that mode, the rest are blends.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.
    ratio : float64 array, shape (n,)
        Ratio or cadence multiple followed, NaN for none.

    Returns
    -------
    tuple of int8 and float64 arrays, shape (n,)
    """
    state, ratio = state.copy(), ratio.copy()
    goals = [(HALVED, 0.5), (DOUBLED, 2.0), *((CADENCE_LOCKED, each) for each in cadence_multiples(data.cadence))]
    loose = np.isin(state, (BETWEEN, ASTRAY, HALVED, DOUBLED))
    for first, stop, kind in zip(*columns_of(runs_of(loose.astype(np.int8))), strict=True):
        inside = state[first:stop]
        if not kind or stop - first < 3 or not bool(np.isin(inside, (BETWEEN, ASTRAY)).any()):
            continue
        if data.seconds[first:stop].sum() > 8.0 * data.averaging_s + 60.0:
            continue
        true = data.reference[first:stop]
        best = DIP_MISS
        known = set(inside.tolist()) & {HALVED, DOUBLED}
        for mode, each in goals:
            if known and mode not in known:
                continue  # where the chain has found a mode, no other is looked for
            wrong = mode_value(data, mode, each)[first:stop]
            if not bool(np.all(np.abs(wrong - true) >= 0.12 * true)):
                continue
            share = (data.tested[first:stop] - true) / (wrong - true)
            peak = int(np.argmax(share))
            if not 0.8 <= share[peak] <= 1.15 or float(share.min()) < -0.1 or abs(share[peak] - 1.0) > best:
                continue
            steps = np.diff(share)
            if bool(np.any(steps[:peak] < -0.06)) or bool(np.any(steps[peak:] > 0.06)):
                continue
            best = abs(float(share[peak]) - 1.0)
            there = share >= 0.8
            state[first:stop] = np.where(there, mode, BETWEEN)
            ratio[first:stop] = np.where(there, each, np.nan)
    return state, ratio


def part_ways(data: StateInput, state: I8, ratio: F64) -> tuple[I8, F64]:
    """Ways between right and half or double rate, there or back or not quite there, by what the averaging lets.

    The share of one mode in the window is told by where a reading lies between the two. An average goes such a way no
    faster than its length lets it, stays between none and all, and is at one of them again after at most twice its
    length: a spell that leaves no whole window was shorter than the averaging. Below a fifth a reading is of the one
    mode, above four fifths of the other. What is longer between is left as it is, and all of the way is where half or
    double rate does not stand on one side of it.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.
    ratio : float64 array, shape (n,)
        Ratio or cadence multiple followed, NaN for none.

    Returns
    -------
    tuple of int8 and float64 arrays, shape (n,)
    """
    state, ratio = state.copy(), ratio.copy()
    loose = _with_brief(data, state)
    ratio_of = {HALVED: 0.5, DOUBLED: 2.0}
    for first, stop, kind in zip(*columns_of(runs_of(loose.astype(np.int8))), strict=True):
        if not kind or stop - first == state.size:
            continue
        beside = {int(state[at]) for at in (first - 1, stop) if 0 <= at < state.size}
        if not beside <= {FAITHFUL, HALVED, DOUBLED} or beside >= {HALVED, DOUBLED}:
            continue
        for mode in (beside - {FAITHFUL}) or (HALVED, DOUBLED):
            share = (data.tested[first:stop] / data.reference[first:stop] - 1.0) / (ratio_of[mode] - 1.0)
            found = _on_the_way(data, share, first, stop)
            if found is not None and (mode in beside or np.isfinite(found).all()):
                named = np.where(found > 0.8, mode, np.where(found < 0.2, FAITHFUL, BETWEEN)).astype(np.int8)
                named = _calm(named, data.seconds[first:stop], WAVER * data.averaging_s)
                named = np.where(np.isnan(found), state[first:stop], named)
                state[first:stop] = named
                told = np.where(named == BETWEEN, np.nan, np.where(named == mode, ratio_of[mode], 1.0))
                ratio[first:stop] = np.where(np.isnan(found), ratio[first:stop], told)
                break
    return state, ratio


def _with_brief(data: StateInput, state: I8) -> B8:
    """Blends and strays, and what is too brief beside them to be a mode of its own."""
    loose = np.isin(state, (BETWEEN, ASTRAY))
    out = loose.copy()
    for first, stop, kind in zip(*columns_of(runs_of(state)), strict=True):
        brief = float(data.seconds[first:stop].sum()) < BRIEF * data.averaging_s
        beside = (first > 0 and loose[first - 1]) or (stop < state.size and loose[stop])
        if brief and beside and kind != FROZEN:
            out[first:stop] = True
    return out


def _calm(named: I8, seconds: F64, shortest_s: float) -> I8:
    """Runs too short to be there, between two of one name, take that name."""
    named = named.copy()
    ends = columns_of(runs_of(named))
    for i, (first, stop, kind) in enumerate(zip(*ends, strict=True)):
        amid = 0 < i < len(ends[0]) - 1 and ends[2][i - 1] == ends[2][i + 1] != kind
        if amid and float(seconds[first:stop].sum()) < shortest_s:
            named[first:stop] = ends[2][i - 1]
    return named


def _on_the_way(data: StateInput, share: F64, first: int, stop: int) -> F64 | None:
    """Share of the wrong mode in each window, without noise; NaN where too long between, None if no average goes so."""
    usual = float(np.median(data.seconds))
    seen = np.isfinite(share)
    inside = (share > -ABOUT) & (share < 1.0 + ABOUT)
    if not seen.any() or float(inside[seen].mean()) < 0.95:
        return None
    time_s = data.time_s[first:stop]
    smooth = _smoothed(np.interp(time_s, time_s[seen], share[seen]), data.averaging_s / 8.0 / usual)
    gap_s = np.diff(time_s)
    too_fast = np.abs(np.diff(smooth)) > PACE * gap_s / data.averaging_s + 0.1
    if too_fast.size and float(too_fast.mean()) > 0.05:
        return None
    blend = (smooth >= 0.2) & (smooth <= 0.8)
    seconds = data.seconds[first:stop]
    for a, b, away in zip(*columns_of(runs_of(blend.astype(np.int8))), strict=True):
        if away and float(seconds[a:b].sum()) > 2.0 * (data.averaging_s + usual):
            smooth[a:b] = np.nan
    return smooth


def _smoothed(values: F64, width: float) -> F64:
    """Median over ``width`` values, an odd number of them; as it is where that is less than three."""
    odd = 2 * int(min(width, values.size) // 2) + 1
    if odd < 3 or values.size < odd:
        return values
    view = np.lib.stride_tricks.sliding_window_view(np.pad(values, odd // 2, mode="edge"), odd)
    middle: F64 = np.median(view, axis=1)
    return middle
