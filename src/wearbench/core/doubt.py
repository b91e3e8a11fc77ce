"""Stretches where the reference itself is not to be trusted, found without looking at any tested device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.artefacts import rolling_median
from wearbench.core.counting import Stretch, miscounts, spells
from wearbench.errors import DataError

__all__ = ["Doubt", "Why", "doubt_of_intervals", "tidied"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

Why = Literal["dry_start", "every_second_beat", "double_count", "jump", "noisy"]

_STEP: Final = float(np.log(1.35))
_EDGE: Final = 4
_NORMAL: Final = 1.4826
_SETTLED: Final = 15
_TURNS: Final = 12
_STEADY: Final = 0.04
_WILD: Final = float(np.log(1.4))
_RESTLESS: Final = float(np.log(1.25))
_WILD_OF: Final = 31
_WILD_LEAST: Final = 9
_REACH_S: Final = 8.0
_START_S: Final = 180.0
_NOISY_APART_S: Final = 12.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Doubt:
    """A stretch of the reference not to be trusted, seconds from the session's start, and why."""

    start_s: float
    end_s: float
    why: Why


def _alternating(log_rr: F64) -> B:
    """Intervals in spells where short and long take turns: a mean alternation of 5 % or more, clear of its noise."""
    n = log_rr.size
    if n < _TURNS + 1:
        return np.zeros(n, dtype=bool)
    sign = np.where(np.arange(n - 1) % 2 == 0, 1.0, -1.0)
    swing = np.clip(sign * np.diff(log_rr), -1.5, 1.5)
    box = np.ones(_TURNS) / _TURNS
    mean = np.convolve(swing, box, mode="valid")
    square = np.convolve(swing**2, box, mode="valid")
    noise = np.sqrt(np.maximum(square - mean**2, 1e-12) / _TURNS)
    spell = (np.abs(mean) > 0.05) & (np.abs(mean) > 5.0 * noise)
    out = _split_beats(log_rr)
    for a, b in spells(spell):
        out[a : b + _TURNS] = True
    # a beat that was counted once lets the turns begin anew; a short spell may be chance
    for a, b in spells(~out):
        if a > 0 and b < n and b - a <= _TURNS // 3:
            out[a:b] = True
    for a, b in spells(out):
        if b - a < 2 * _TURNS:
            out[a:b] = False
    return out


def _cut(time_s: F64, length_s: F64, log_rr: F64, level: F64, pairs: B, joined: B) -> list[Stretch]:
    """Runs between abrupt steps; ``level`` is the log interval, smoothed over 5."""
    away = np.abs(log_rr - level)
    n = level.size
    new = np.zeros(n, dtype=bool)
    new[0] = True
    new[1:] |= np.abs(np.diff(level)) > _STEP
    new[1:] |= pairs[1:] != pairs[:-1]
    new[1:] |= ~joined[1:]
    begins = np.flatnonzero(new)
    ends = np.append(begins[1:], n)
    middle = time_s + 0.5 * length_s
    out: list[Stretch] = []
    for a, b in zip(begins.tolist(), ends.tolist(), strict=True):
        if b - a < 5:  # on the way from one level to the next
            continue
        low, high = (a + 1, b - 1) if b - a > 6 else (a, b)
        first, last = slice(low, min(low + _EDGE, high)), slice(max(high - _EDGE, low), high)
        out.append(
            Stretch(
                start_s=float(time_s[a]),
                end_s=float(time_s[b - 1] + length_s[b - 1]),
                first=float(np.median(level[first])),
                last=float(np.median(level[last])),
                first_s=float(middle[first].mean()),
                last_s=float(middle[last].mean()),
                n=b - a,
                pairs=bool(pairs[a]),
                scatter=_scatter(away[a:b]),
            )
        )
    return out


def _split_beats(log_rr: F64) -> B:
    """Intervals in spells where two neighbours together are steady and, counted from the other one on, are not.

    So it is where each beat is cut in two at places that vary: from beat to beat it stays as regular as the heart.
    """
    n = log_rr.size
    out = np.zeros(n, dtype=bool)
    if n < 4 * _TURNS:
        return out
    length = np.exp(log_rr)
    both = np.log(length[:-1] + length[1:])
    moved = np.abs(both[2:] - both[:-2])
    single = np.abs(np.diff(log_rr))
    steady = [np.full(n, np.nan), np.full(n, np.nan)]
    for odd in (0, 1):
        mine = rolling_median(moved[odd::2], _TURNS - 1)
        at = np.arange(odd, moved.size, 2)
        steady[odd] = np.interp(np.arange(n), at, mine)
    least, most = np.minimum(*steady), np.maximum(*steady)
    loose = np.interp(np.arange(n), np.arange(n - 1), rolling_median(single, 2 * _TURNS - 1))
    found: B = (least < _STEADY) & (most > 2.5 * least) & (most > _STEADY) & (loose > 4.0 * least) & (loose > 0.08)
    return found


def _scatter(away: F64) -> float:
    """How far single intervals scatter about their level, at either end of a stretch; 0 where it is too short."""
    if away.size < _SETTLED:
        return 0.0
    return _NORMAL * max(float(np.median(away[:_SETTLED])), float(np.median(away[-_SETTLED:])))


def _noisy(log_rr: F64) -> B:
    """Spells where nine of 31 intervals fit neither the local median nor the one, two or three before.

    Fit means within 40 %: an irregular heart (fibrillation, premature beats) is mostly within that, a strap that
    misses and invents beats is not.
    """
    n = log_rr.size
    if n < _WILD_OF:
        return np.zeros(n, dtype=bool)
    away = np.abs(log_rr - rolling_median(log_rr, 11))
    for lag in (2, 3):
        same = np.full(n, np.inf)
        same[lag:] = np.abs(log_rr[lag:] - log_rr[:-lag])
        ahead = np.full(n, np.inf)
        ahead[:-lag] = same[lag:]
        away = np.minimum(away, np.maximum(same, ahead))
    wild = (away > _WILD).astype(np.float64)
    found = np.zeros(n, dtype=bool)
    for a, b in spells(np.convolve(wild, np.ones(_WILD_OF), mode="valid") >= _WILD_LEAST - 0.5):
        inside = np.flatnonzero(wild[a : b + _WILD_OF - 1]) + a
        found[inside[0] : inside[-1] + 1] = True
    restless = away > _RESTLESS
    for a, b in spells(found):
        start, stop = a, b
        least, most = max(0, a - _WILD_LEAST), min(n, b + _WILD_LEAST)
        while start > least and (before := np.flatnonzero(restless[max(0, start - 5) : start])).size:
            start = max(0, start - 5) + int(before[0])
        while stop < most and (after := np.flatnonzero(restless[stop : stop + 5])).size:
            stop += int(after[-1]) + 1
        found[start:stop] = True
    return found


def _dry_start(found: list[Doubt], begin_s: float) -> list[Doubt]:
    """Trouble in the first minutes that joins up to the start is one dry start."""
    reach = begin_s
    joined: list[Doubt] = []
    for doubt in sorted(found, key=lambda d: d.start_s):
        if doubt.start_s >= begin_s + _START_S or doubt.end_s - doubt.start_s > 120.0:
            break
        if doubt.start_s > reach + 15.0 and not (doubt.why == "jump" and doubt.start_s < begin_s + 150.0):
            break
        joined.append(doubt)
        reach = max(reach, doubt.end_s)
    if not joined or reach - begin_s < 5.0:
        return found
    if len(joined) == 1 and joined[0].why in ("every_second_beat", "double_count"):
        return found
    if joined[-1].why == "jump":
        reach = (joined[-1].start_s + joined[-1].end_s) / 2 + 1.0
    start = Doubt(start_s=begin_s, end_s=reach, why="dry_start")
    return [start, *(d for d in found if d not in joined)]


def tidied(found: list[Doubt], begin_s: float) -> tuple[Doubt, ...]:
    """Join touching doubts of one kind, name a bad beginning, put in order.

    Parameters
    ----------
    found : list of Doubt
    begin_s : float
        Where the recording begins.

    Returns
    -------
    tuple of Doubt
    """
    merged: list[Doubt] = []
    for doubt in sorted(_dry_start(found, begin_s), key=lambda d: (d.why, d.start_s)):
        apart = _NOISY_APART_S if doubt.why == "noisy" else 5.0
        if merged and merged[-1].why == doubt.why and doubt.start_s <= merged[-1].end_s + apart:
            end = max(merged[-1].end_s, doubt.end_s)
            merged[-1] = Doubt(start_s=merged[-1].start_s, end_s=end, why=doubt.why)
        else:
            merged.append(doubt)
    return tuple(sorted(merged, key=lambda d: (d.start_s, d.end_s)))


def doubt_of_intervals(start_s: F64, interval_s: F64, *, known: B | None = None) -> tuple[Doubt, ...]:
    """Find where a reference that gives beat intervals is not to be trusted.

    Parameters
    ----------
    start_s, interval_s : float64 arrays, shape (n,)
        When each interval begins and how long it is, in seconds, as found (not mended).
    known : bool array, shape (n,), optional
        False where the interval spans a gap.

    Returns
    -------
    tuple of Doubt
        In order of time; empty for a sound reference.

    Raises
    ------
    DataError
        If there is not one start for each interval.

    Notes
    -----
    Own method. The row of intervals is cut where its level (median of 5) steps by more than 35 % from one beat to
    the next. Each stretch between cuts was counted right, every second beat, or double; the cheapest account of all
    steps together wins, where staying right costs nothing and a step costs in proportion to its log, up to a cap.
    Counting double is cheap where short and long intervals take turns (R to T, T to R). A stretch is doubted only if
    its rate, corrected, meets a neighbour's. So bigeminy, sinus arrhythmia, single ectopic beats and quick but
    gradual changes stay unmarked; a tachycardia that starts from one beat to the next at about twice the rate is
    marked: from the intervals alone nobody could tell.
    """
    if start_s.shape != interval_s.shape:
        raise DataError(f"expected one start an interval, got {start_s.size} starts for {interval_s.size} intervals")
    good = np.isfinite(interval_s) & (interval_s > 0)
    if known is not None:
        good &= known
    at = np.flatnonzero(good)
    if at.size < 10:
        return ()
    time, length = start_s[at], interval_s[at]
    log_rr = np.log(length)
    joined = np.diff(at, prepend=at[0] - 1) == 1
    pairs = _alternating(log_rr)
    # of a short and a long interval the mean is half the beat they make
    mean_pair = np.log(np.convolve(np.pad(length, (1, 0), mode="edge"), np.ones(2) / 2, mode="valid"))
    log_rr = np.where(pairs, mean_pair, log_rr)
    noisy = _noisy(log_rr)
    found = [
        Doubt(start_s=float(time[a]), end_s=float(time[b - 1] + length[b - 1]), why="noisy") for a, b in spells(noisy)
    ]
    calm = np.flatnonzero(~noisy)
    if calm.size >= 10:
        level = rolling_median(log_rr[calm], 5)
        joined = joined[calm] & (np.diff(calm, prepend=calm[0] - 1) == 1)
        stretches = _cut(time[calm], length[calm], log_rr[calm], level, pairs[calm], joined)
        told = miscounts(stretches, least_n=5, meets=0.2, reach_s=_REACH_S, apart_s=3.0, per_s=0.02)
        found += [Doubt(start_s=m.start_s, end_s=m.end_s, why=m.why) for m in told]
    return tidied(found, float(time[0]))
