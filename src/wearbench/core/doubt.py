"""Stretches where the reference itself is not to be trusted, found without looking at any tested device.

A heart can race and recover, skip and stumble, but it does not double or halve its rate from one beat to the next;
a recorder that misses every second beat, or counts T waves, does.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.artefacts import rolling_median
from wearbench.errors import DataError

__all__ = ["Doubt", "Why", "doubt_of_intervals", "doubt_of_rate"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

Why = Literal["dry_start", "every_second_beat", "double_count", "jump", "noisy"]

_STEP: Final = float(np.log(1.35))
_JUMP: Final = float(np.log(1.5))
_CAP: Final = 0.6
_UNIT: Final = 0.1
_START_S: Final = 180.0
_LOWEST_BPM: Final = 27.0
_HIGHEST_BPM: Final = 235.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Doubt:
    """A stretch of the reference not to be trusted, seconds from the session's start, and why."""

    start_s: float
    end_s: float
    why: Why


@dataclass(frozen=True, kw_only=True, slots=True)
class _Stretch:
    """A run without an abrupt step. ``first`` and ``last`` are log interval at its ends; ``pairs`` says that short
    and long intervals take turns, so that two of them make one beat.
    """

    start_s: float
    end_s: float
    first: float
    last: float
    n: int
    pairs: bool


def _alternating(log_rr: F64) -> B:
    """Intervals in runs of at least 8 where short and long take turns by more than 12 %."""
    n = log_rr.size
    out = np.zeros(n, dtype=bool)
    if n < 8:
        return out
    step = np.diff(log_rr)
    turn = (step[1:] * step[:-1] < 0) & (np.minimum(np.abs(step[1:]), np.abs(step[:-1])) > 0.12)
    # two intervals apart they must agree better than next to each other
    apart = np.abs(log_rr[2:] - log_rr[:-2])
    turn &= apart < 0.6 * np.minimum(np.abs(step[1:]), np.abs(step[:-1]))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turn.astype(np.int8), [0]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin >= 6:
            out[begin : end + 2] = True
    return out


def _cut(time_s: F64, length_s: F64, level: F64, pairs: B, joined: B) -> list[_Stretch]:
    """Runs between abrupt steps; ``level`` is the log interval, smoothed over 5."""
    n = level.size
    new = np.zeros(n, dtype=bool)
    new[0] = True
    new[1:] |= np.abs(np.diff(level)) > _STEP
    new[1:] |= pairs[1:] != pairs[:-1]
    new[1:] |= ~joined[1:]
    begins = np.flatnonzero(new)
    ends = np.append(begins[1:], n)
    out: list[_Stretch] = []
    for a, b in zip(begins.tolist(), ends.tolist(), strict=True):
        if b - a < 3:  # on the way from one level to the next
            continue
        inner = level[a + 1 : b - 1] if b - a > 6 else level[a:b]
        out.append(
            _Stretch(
                start_s=float(time_s[a]),
                end_s=float(time_s[b - 1] + length_s[b - 1]),
                first=float(np.median(inner[:8])),
                last=float(np.median(inner[-8:])),
                n=b - a,
                pairs=bool(pairs[a]),
            )
        )
    return out


# how a stretch may have been counted: log of (true interval / counted interval), what it is called
_COUNTED: Final[tuple[tuple[float, Why | None], ...]] = (
    (0.0, None),
    (-float(np.log(2.0)), "every_second_beat"),
    (float(np.log(2.0)), "double_count"),
)


def _own_cost(stretch: _Stretch, how: int) -> float:
    """What it costs to believe that the stretch was counted this way, apart from its neighbours."""
    shift = _COUNTED[how][0]
    slowest = float(np.log(60.0 / _LOWEST_BPM))
    fastest = float(np.log(60.0 / _HIGHEST_BPM))
    outside = sum(
        max(0.0, value + shift - slowest) + max(0.0, fastest - value - shift) for value in (stretch.first, stretch.last)
    )
    minutes = max(0.0, stretch.end_s - stretch.start_s) / 60.0
    belief = (0.0, 2.0, 0.8 if stretch.pairs else 4.0)[how]
    if how:
        belief += 0.3 * float(np.log2(1.0 + minutes))
    elif stretch.pairs:
        belief = 1.5
    return belief + 40.0 * outside


def _joint_cost(left: _Stretch, right: _Stretch, how_left: int, how_right: int) -> float:
    """What it costs to believe the step between two stretches, given how each was counted."""
    step = abs(right.first + _COUNTED[how_right][0] - left.last - _COUNTED[how_left][0])
    allowed = 0.02 * max(0.0, right.start_s - left.end_s)
    return min(max(0.0, step - allowed), _CAP) / _UNIT


def _explain(stretches: list[_Stretch]) -> list[int]:
    """How each stretch was counted: the cheapest account of the whole row (dynamic programming)."""
    ways = range(len(_COUNTED))
    cost = [_own_cost(stretches[0], how) for how in ways]
    back: list[list[int]] = []
    for left, right in pairwise(stretches):
        table = [[cost[h] + _joint_cost(left, right, h, g) for h in ways] for g in ways]
        chosen = [min(ways, key=row.__getitem__) for row in table]
        back.append(chosen)
        cost = [table[g][chosen[g]] + _own_cost(right, g) for g in ways]
    how = [min(ways, key=cost.__getitem__)]
    for chosen in reversed(back):
        how.append(chosen[how[-1]])
    return how[::-1]


def _continues(stretches: list[_Stretch], how: list[int], k: int) -> bool:
    """Whether the stretch, counted as supposed, meets the rhythm of a neighbour that was counted right."""
    for other, edge, own in (
        (k - 1, "last", stretches[k].first),
        (k + 1, "first", stretches[k].last),
    ):
        if 0 <= other < len(stretches) and how[other] != how[k]:
            theirs = stretches[other].last if edge == "last" else stretches[other].first
            away = abs(theirs + _COUNTED[how[other]][0] - own - _COUNTED[how[k]][0])
            apart = stretches[k].start_s - stretches[other].end_s if other < k else 0.0
            apart = max(apart, stretches[other].start_s - stretches[k].end_s if other > k else 0.0)
            if away < 0.2 and apart < 20.0:
                return True
    return False


def _steps_to_doubts(stretches: list[_Stretch], *, least_n: int) -> list[Doubt]:
    if not stretches:
        return []
    how = _explain(stretches)
    out: list[Doubt] = []
    for k, stretch in enumerate(stretches):
        why = _COUNTED[how[k]][1]
        if why is not None and stretch.n >= least_n and _continues(stretches, how, k):
            out.append(Doubt(start_s=stretch.start_s, end_s=stretch.end_s, why=why))
    for k in range(1, len(stretches)):
        left, right = stretches[k - 1], stretches[k]
        apart = right.start_s - left.end_s
        step = abs(right.first + _COUNTED[how[k]][0] - left.last - _COUNTED[how[k - 1]][0])
        if apart < 3.0 and step > _JUMP and min(left.n, right.n) >= least_n and not (left.pairs or right.pairs):
            reach = 8.0
            out.append(
                Doubt(
                    start_s=max(left.start_s, left.end_s - reach),
                    end_s=min(right.end_s, right.start_s + reach),
                    why="jump",
                )
            )
    return out


def _noisy(time_s: F64, length_s: F64, log_rr: F64) -> list[Doubt]:
    """Spells where a third of 15 intervals fit neither the local median nor the one, two or three before."""
    n = log_rr.size
    if n < 15:
        return []
    away = np.abs(log_rr - rolling_median(log_rr, 11))
    for lag in (2, 3):
        same = np.full(n, np.inf)
        same[lag:] = np.abs(log_rr[lag:] - log_rr[:-lag])
        ahead = np.full(n, np.inf)
        ahead[:-lag] = same[lag:]
        away = np.minimum(away, np.maximum(same, ahead))
    wild = (away > 0.22).astype(np.float64)
    share = np.convolve(wild, np.ones(15) / 15, mode="same")
    bad = share >= 1 / 3
    return [
        Doubt(start_s=float(time_s[a]), end_s=float(time_s[b - 1] + length_s[b - 1]), why="noisy")
        for a, b in _runs(bad)
    ]


def _runs(flags: B) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _dry_start(found: list[Doubt], begin_s: float) -> list[Doubt]:
    """Trouble in the first minutes that joins up to the start is one dry start."""
    early = sorted((d for d in found if d.start_s < begin_s + _START_S), key=lambda d: d.start_s)
    reach = begin_s
    last: Doubt | None = None
    for doubt in early:
        joins = doubt.start_s <= reach + 15.0 or (doubt.why == "jump" and doubt.start_s < begin_s + 150.0)
        if not joins:
            break
        if doubt.end_s > reach:
            reach, last = doubt.end_s, doubt
    if last is None or reach - begin_s < 5.0:
        return found
    if last.why == "jump":
        reach = min(reach, (last.start_s + last.end_s) / 2 + 1.0)
    start = Doubt(start_s=begin_s, end_s=reach, why="dry_start")
    rest = [d for d in found if d.end_s > max(reach, last.end_s)]
    return [start, *rest]


def _tidy(found: list[Doubt], begin_s: float) -> tuple[Doubt, ...]:
    """Join touching doubts of one kind, name a bad beginning, put in order."""
    merged: list[Doubt] = []
    for doubt in sorted(_dry_start(found, begin_s), key=lambda d: (d.why, d.start_s)):
        if merged and merged[-1].why == doubt.why and doubt.start_s <= merged[-1].end_s + 5.0:
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
    level = rolling_median(log_rr, 5)
    # of a short and a long interval the mean is half the beat they make
    mean_pair = np.log(np.convolve(length, np.ones(2) / 2, mode="same"))
    level = np.where(pairs, mean_pair, level)
    found = _steps_to_doubts(_cut(time, length, level, pairs, joined), least_n=5)
    found += _noisy(time, length, np.where(pairs, mean_pair, log_rr))
    return _tidy(found, float(time[0]))


def doubt_of_rate(time_s: F64, rate_bpm: F64) -> tuple[Doubt, ...]:
    """Find where a reference that gives only a sampled rate is not to be trusted.

    Parameters
    ----------
    time_s, rate_bpm : float64 arrays, shape (n,)
        Increasing seconds and the rate; NaN and values at or below 0 are gaps.

    Returns
    -------
    tuple of Doubt

    Notes
    -----
    As for intervals, but a recorder smooths its rate, so a step may take up to 10 s: samples on the way between two
    levels (a factor above 1.5 within 10 s) belong to neither. Alternation cannot be seen in a rate, so counting
    double has to be believed against counting every second beat by its length and its neighbours alone. Below one
    reading in 10 s nothing can be told.
    """
    if time_s.shape != rate_bpm.shape:
        raise DataError(f"expected one time a rate, got {time_s.size} times for {rate_bpm.size} rates")
    good = np.isfinite(rate_bpm) & (rate_bpm > 0)
    time, log_rr = time_s[good], np.log(60.0 / np.where(good, rate_bpm, 1.0))[good]
    if time.size < 10 or float(np.median(np.diff(time))) > 10.0:
        return ()
    usual = float(np.median(np.diff(time)))
    if usual <= 0:
        return ()
    smooth = rolling_median(log_rr, 3)
    reach = 5.0
    before = smooth[np.searchsorted(time, time - reach, side="left")]
    after = smooth[np.minimum(np.searchsorted(time, time + reach, side="right") - 1, time.size - 1)]
    moving = np.abs(after - before) > _JUMP - 0.05
    still = ~moving
    kept = np.flatnonzero(still)
    if kept.size < 10:
        return ()
    time_k, level = time[kept], smooth[kept]
    length = np.minimum(np.diff(time_k, append=time_k[-1] + usual), 3 * usual)
    apart = np.diff(time_k, prepend=time_k[0])
    # a removed transition is where stretches part
    joined = np.diff(kept, prepend=kept[0] - 1) == 1
    joined &= apart < 60.0
    pairs = np.zeros(kept.size, dtype=bool)
    stretches = _cut(time_k, length, level, pairs, joined)
    shrunk = [
        # the smoothing of the recorder hides up to half the transition on either side
        _Stretch(start_s=s.start_s, end_s=s.end_s, first=s.first, last=s.last, n=s.n, pairs=False)
        for s in stretches
    ]
    found = _steps_to_doubts(shrunk, least_n=max(3, round(6.0 / usual)))
    return _tidy(found, float(time[0]))
