"""The rules that put a decoded path into the words of the folder contract, each a pure step on labels."""

from __future__ import annotations

import itertools
import math
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
    MOVED_BPM,
    OFF_RATIO,
    UNJUDGED,
    StateInput,
    StateParameters,
    cadence_multiples,
)

__all__ = [
    "coincidences",
    "held_runs",
    "late",
    "lawful",
    "mode_value",
    "settle_blends",
    "slips",
    "unsettled",
    "whole_holds",
]


PLATEAU: Final = 1.2
"""How long a blend may look like a mode, in averagings."""
SURE: Final = 3.0
"""Log likelihood ratio from which a lock beside half rate is believed."""
REACH: Final = 3.0
"""Spreads within which half rate may explain a run."""

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
I8 = NDArray[np.int8]
B8 = NDArray[np.bool_]


def mode_value(data: StateInput, kind: int, ratio: float) -> F64:
    """What a device shows that follows a mode.

    Parameters
    ----------
    data : StateInput
    kind : int
        Index into ``STATES``.
    ratio : float
        Of the reference, or of the cadence for a lock.

    Returns
    -------
    float64 array, shape (n,)
    """
    return ratio * (data.cadence if kind == CADENCE_LOCKED else data.reference)


def _one_a_mode(kinds: I8, ratios: F64) -> I64:
    """First column of the same state and ratio as each: two ways of being faithful are one mode."""
    named = [(int(kind), str(float(ratio))) for kind, ratio in zip(kinds, ratios, strict=True)]
    return np.array([named.index(one) for one in named], dtype=np.int64)


def unsettled(data: StateInput, column: I64, kinds: I8, ratios: F64) -> I64:
    """What a blend of half or double rate with the true rate could be as well is a blend.

    An average over a spell shorter than itself stands still on the way between two modes while the whole spell lies in
    it, and so may look like a mode of its own: another ratio, or the cadence next to half or double rate. A mode that
    a window of this length can show lasts longer than such a plateau.

    Parameters
    ----------
    data : StateInput
    column : int64 array, shape (n,)
        The decoded path: columns of the emissions.
    kinds : int8 array, shape (K,)
        State of each column.
    ratios : float64 array, shape (K,)

    Returns
    -------
    int64 array, shape (n,)
        The path, some of it renamed to the blends' column.
    """
    between = int(np.flatnonzero(kinds == BETWEEN)[0])
    column = column.copy()
    first, stop, which = columns_of(runs_of(_one_a_mode(kinds, ratios)[column]))
    is_mode = ~np.isin(kinds, (BETWEEN, ASTRAY))
    modes = [i for i, each in enumerate(which) if is_mode[each]]
    for at, i in enumerate(modes):
        kind = int(kinds[which[i]])
        lasted = float(data.seconds[first[i] : stop[i]].sum())
        if kind not in (OFF_RATIO, CADENCE_LOCKED) or lasted >= PLATEAU * data.averaging_s:
            continue
        beside = {int(kinds[which[j]]) for j in modes[max(at - 1, 0) : at + 2]}
        if kind == OFF_RATIO or beside & {HALVED, DOUBLED}:
            column[first[i] : stop[i]] = between
    return column


def settle_blends(data: StateInput, column: I64, kinds: I8, ratios: F64, *, mode_share: float = 0.8) -> I64:
    """Where one mode gives way to another, the 80 % rule decides which readings are blends.

    Between two modes the share of the second in the window is ``(tested - first) / (second - first)``: below 0.2 the
    reading belongs to the first, above 0.8 to the second, else it is a blend. Only readings next to the change are
    touched.

    Parameters
    ----------
    data : StateInput
    column : int64 array, shape (n,)
        The decoded path: columns of the emissions.
    kinds : int8 array, shape (K,)
        State of each column.
    ratios : float64 array, shape (K,)
    mode_share : float
        Share of a window from which it belongs to one mode.

    Returns
    -------
    int64 array, shape (n,)
        The path with blends settled.
    """
    rest = round(1.0 - mode_share, 9)
    is_mode = ~np.isin(kinds, (BETWEEN, ASTRAY))
    barrier = kinds == FROZEN
    between = int(np.flatnonzero(kinds == BETWEEN)[0])
    column = _one_a_mode(kinds, ratios)[column]
    out = column.copy()
    first, stop, which = columns_of(runs_of(column))
    reach_s = data.averaging_s + 2.0 * float(np.median(data.seconds))
    modes = [i for i, k in enumerate(which) if is_mode[k]]
    for i, j in itertools.pairwise(modes):
        a, b = which[i], which[j]
        here, there = stop[i], first[j]
        if a == b or barrier[a] or barrier[b] or data.time_s[there] - data.time_s[here - 1] > 6.0 * reach_s:
            continue
        lo = max(first[i], int(np.searchsorted(data.time_s, data.time_s[here - 1] - reach_s)))
        hi = min(stop[j], int(np.searchsorted(data.time_s, data.time_s[there] + reach_s, side="right")))
        one = mode_value(data, int(kinds[a]), float(ratios[a]))[lo:hi]
        two = mode_value(data, int(kinds[b]), float(ratios[b]))[lo:hi]
        apart = np.abs(two - one) >= 0.06 * np.maximum(one, two)
        share = np.full(hi - lo, np.nan)
        np.divide(data.tested[lo:hi] - one, two - one, out=share, where=apart)
        blend = (share >= rest) & (share <= mode_share)
        left, right = here - lo, there - lo
        while left > 0 and blend[left - 1]:
            left -= 1
        while right < hi - lo and blend[right]:
            right += 1
        out[lo + left : here] = between
        out[there : lo + right] = between
        if left == here - lo:
            while left < there - lo and -0.15 < share[left] < rest:
                out[lo + left] = a
                left += 1
        if right == there - lo:
            while right > left and 1.15 > share[right - 1] > mode_share:
                out[lo + right - 1] = b
                right -= 1
    return out


def coincidences(data: StateInput, state: I8, ratio: F64, parameters: StateParameters) -> tuple[I8, F64, B8]:
    """Half rate and cadence on the same number: halved, also cadence; the true rate and a wrong one: faithful.

    Next to half rate a lock is believed only if its readings say so: if, counted once in the averaging (or twice the
    memory of errors), they fit the cadence better than half the rate by a likelihood ratio of e cubed. If not, it is
    half rate, or a blend where half the rate does not fit.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.
    ratio : float64 array, shape (n,)
        Ratio or cadence multiple followed, NaN for none.
    parameters : StateParameters

    Returns
    -------
    tuple of int8, float64 and bool arrays, shape (n,)
        State, ratio, and where half rate and cadence cannot be told apart.
    """
    state, ratio = state.copy(), ratio.copy()
    also = np.zeros(state.size, dtype=np.bool_)
    half = 0.5 * data.reference
    with np.errstate(invalid="ignore"):
        for multiple in cadence_multiples(data.cadence):
            also |= np.abs(multiple * data.cadence - half) <= np.maximum(0.03 * half, 2.0)
        locked = (state == CADENCE_LOCKED) & also & (np.abs(data.tested - half) <= np.maximum(0.08 * half, 4.0))
        unsure, blend = _no_lock(data, state, ratio, locked, parameters)
        state[blend] = BETWEEN
        locked |= unsure
        also |= unsure
        state[locked] = HALVED
        ratio[locked] = 0.5
        true = data.reference
        wrong = (state == CADENCE_LOCKED) | (state == OFF_RATIO)
        same = wrong & (np.abs(data.tested - true) <= np.maximum(0.03 * true, 3.0))
        state[same] = FAITHFUL
    return state, ratio, also


def _no_lock(data: StateInput, state: I8, ratio: F64, same: B8, parameters: StateParameters) -> tuple[B8, B8]:
    """Locks beside half rate that nothing speaks for: those that half rate explains about as well, and blends."""
    halved, blend = np.zeros(state.size, dtype=np.bool_), np.zeros(state.size, dtype=np.bool_)
    half = 0.5 * data.reference
    spread = np.hypot(2.0 * parameters.spread, parameters.noise_bpm / np.maximum(data.tested, 20.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        off, off_lock = np.log(data.tested / half) / spread, np.log(data.tested / (ratio * data.cadence)) / spread
    better = np.clip(0.5 * (np.square(off) - np.square(off_lock)), -4.0, 4.0)
    alike_s = max(data.averaging_s, 2.0 * parameters.memory_s, float(np.median(data.seconds)))
    for first, stop, which in zip(*columns_of(runs_of(state)), strict=True):
        beside = {int(state[at]) for at in (first - 1, stop) if 0 <= at < state.size}
        brief = float(data.seconds[first:stop].sum()) < alike_s and bool(same[first:stop].any())
        if which != CADENCE_LOCKED or not (HALVED in beside or brief):
            continue
        seen = np.isfinite(better[first:stop])
        worth = float(np.sum(np.where(seen, better[first:stop] * data.seconds[first:stop], 0.0))) / alike_s
        if not seen.any() or worth >= SURE:
            continue
        near = float(np.median(np.abs(off[first:stop][seen]))) < REACH
        (halved if near else blend)[first:stop] = True
    return halved, blend


def held_runs(data: StateInput, parameters: StateParameters, *, shortest_s: float, move: float) -> B8:
    """Find runs of one repeated value that can be a freeze: long enough, and the reference moved meanwhile.

    Parameters
    ----------
    data : StateInput
    parameters : StateParameters
        A run must be longer than twice the device's usual one.
    shortest_s, move : float
        Shortest run in seconds (three readings at least), and how far the reference must move.

    Returns
    -------
    bool array, shape (n,)
    """
    out = np.zeros(data.tested.size, dtype=np.bool_)
    runs = runs_of(np.concatenate([[0], np.cumsum(np.diff(data.tested) != 0)]).astype(np.int64))
    for first, stop, _ in zip(*columns_of(runs), strict=True):
        if stop - first < 3 or data.time_s[stop - 1] - data.time_s[first] < shortest_s:
            continue
        seen = data.reference[first:stop]
        seen = seen[np.isfinite(seen)]
        moved = int((np.abs(np.diff(seen)) > MOVED_BPM).sum())
        far = seen.size >= 3 and float(seen.max() - seen.min()) > move
        out[first:stop] = far and moved > 2.0 * parameters.hold_readings
    return out


def whole_holds(data: StateInput, state: I8, held: B8) -> I8:
    """A run of one value is frozen from its first print to its last, or not at all.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.
    held : bool array, shape (n,)
        From ``held_runs``.

    Returns
    -------
    int8 array, shape (n,)
        The states, some renamed.
    """
    state = state.copy()
    runs = runs_of(np.where(held, 1 + np.cumsum(np.diff(data.tested, prepend=data.tested[0]) != 0), 0))
    for first, stop, one in zip(*columns_of(runs), strict=True):
        if one and bool((state[first:stop] == FROZEN).any()):
            state[first:stop] = FROZEN
    return state


def slips(data: StateInput, state: I8, ratio: F64, parameters: StateParameters) -> I8:
    """A reading far from what its mode says is not of that mode, however short the slip.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.
    ratio : float64 array, shape (n,)
        Ratio or cadence multiple followed, NaN for none.
    parameters : StateParameters

    Returns
    -------
    int8 array, shape (n,)
        The states, some renamed.
    """
    state = state.copy()
    reach = 0.10 + 3.0 * parameters.spread
    with np.errstate(invalid="ignore"):
        low, high = np.fmin(data.low, data.reference), np.fmax(data.high, data.reference)
        off = np.fmax(low - data.tested, data.tested - high)
        far = (state == FAITHFUL) & (off > np.maximum(reach * data.reference, 8.0))
        by_rate = np.isin(state, (HALVED, DOUBLED, OFF_RATIO))
        off = np.fmax(ratio * low - data.tested, data.tested - ratio * high)
        far |= by_rate & (off > np.maximum(reach * ratio * data.reference, 8.0))
        value = ratio * data.cadence
        far |= (state == CADENCE_LOCKED) & (np.abs(data.tested - value) > np.maximum(reach * value, 8.0))
    state[far] = ASTRAY
    return state


def late(data: StateInput, state: I8) -> I8:
    """A steep rise that is followed late passes simple ratios on its way: what lateness explains throughout is late.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.

    Returns
    -------
    int8 array, shape (n,)
        The states, some renamed.
    """
    state = state.copy()
    with np.errstate(invalid="ignore"):
        outside = np.fmax(data.low - data.tested, data.tested - data.high)
        explained = outside <= np.maximum(0.02 * data.tested, 2.0)
    loose = np.isin(state, (OFF_RATIO, BETWEEN, ASTRAY))
    for first, stop, kind in zip(*columns_of(runs_of(loose.astype(np.int8))), strict=True):
        if kind and bool((state[first:stop] == OFF_RATIO).any()) and float(explained[first:stop].mean()) >= 0.9:
            state[first:stop] = FAITHFUL
    return state


def lawful(data: StateInput, state: I8) -> I8:
    """Put blends and strays into the words of the contract.

    ``between`` exists only between two different modes, or for at most the averaging plus two intervals; what is
    longer is ``astray``. A short stray on the way from one mode to another is a blend. A simple ratio other than half
    and double must last 20 s.

    Parameters
    ----------
    data : StateInput
    state : int8 array, shape (n,)
        Indices into ``STATES``.

    Returns
    -------
    int8 array, shape (n,)
        The states, some renamed.
    """
    state = state.copy()
    limit = data.averaging_s + 2.0 * float(np.median(data.seconds))
    modes = (FAITHFUL, HALVED, DOUBLED, OFF_RATIO, CADENCE_LOCKED, FROZEN)
    for first, stop, kind in zip(*columns_of(runs_of(state)), strict=True):
        if kind == OFF_RATIO and float(data.seconds[first:stop].sum()) < 20.0:
            state[first:stop] = ASTRAY
    loose = np.isin(state, (BETWEEN, ASTRAY))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = data.tested / data.reference
    at = {FAITHFUL: 1.0, HALVED: 0.5, DOUBLED: 2.0}
    for first, stop, is_loose in zip(*columns_of(runs_of(loose.astype(np.int8))), strict=True):
        if not is_loose:
            continue
        lasted = float(data.seconds[first:stop].sum())
        before = int(state[first - 1]) if first else UNJUDGED
        after = int(state[stop]) if stop < state.size else UNJUDGED
        two_modes = before in modes and after in modes and before != after
        blends = bool((state[first:stop] == BETWEEN).all())
        # On the way between two modes readings lie between them; a brief dip out of one, towards half or double.
        ends = [at.get(before, math.nan), at.get(after, math.nan)]
        if any(math.isnan(e) for e in ends):
            low, high = 0.3, 3.0
        elif two_modes:
            low, high = min(ends) - 0.05, max(ends) + 0.05
        else:
            low, high = 0.5 * ends[0], 2.0 * ends[0]
        seen = ratio[first:stop][np.isfinite(ratio[first:stop])]
        inside = bool(np.all((seen >= low) & (seen <= high)))
        back = blends and before == after and before in at and lasted <= limit + data.averaging_s
        short = lasted <= limit or back or (blends and two_modes and lasted <= 6.0 * limit)
        state[first:stop] = BETWEEN if short and inside else ASTRAY
    # Readings that are right, several in a row, are right, whatever stands around them.
    with np.errstate(invalid="ignore"):
        right = np.abs(data.tested - data.reference) <= np.maximum(0.03 * data.reference, 3.0)
    for first, stop, kind in zip(
        *columns_of(runs_of((right & np.isin(state, (BETWEEN, ASTRAY))).astype(np.int8))), strict=True
    ):
        if kind and stop - first >= 3 and float(data.seconds[first:stop].sum()) >= 5.0:
            state[first:stop] = FAITHFUL
    # A blend inside the tolerance of following is following.
    with np.errstate(invalid="ignore"):
        off = np.fmax(data.low - data.tested, data.tested - data.high)
        fine = (state == BETWEEN) & (off <= np.maximum(0.03 * data.reference, 2.0))
        fine &= np.abs(data.tested - data.reference) <= np.maximum(0.06 * data.reference, 4.0)
    state[fine] = FAITHFUL
    return state
