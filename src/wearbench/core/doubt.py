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
_REACH_S: Final = 8.0
_TURNS: Final = 12
_SETTLE_S: Final = 5.0
_RATE_STEP: Final = float(np.log(1.7))
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
    out = np.zeros(n, dtype=bool)
    for a, b in _runs(spell):
        out[a : b + _TURNS] = True
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
    if how:
        belief = 0.8 * float(np.log2(1.0 + max(0.0, stretch.end_s - stretch.start_s) / 60.0))
    else:
        belief = 1.5 if stretch.pairs else 0.0
    return belief + 40.0 * outside


def _start_cost(stretch: _Stretch, how: int) -> float:
    """What it costs to believe that the recorder began to count this way."""
    return (0.0, 2.0, 0.5 if stretch.pairs else 4.0)[how]


def _joint_cost(left: _Stretch, right: _Stretch, how_left: int, how_right: int) -> float:
    """What it costs to believe the step between two stretches, given how each was counted."""
    step = abs(right.first + _COUNTED[how_right][0] - left.last - _COUNTED[how_left][0])
    allowed = 0.02 * max(0.0, right.start_s - left.end_s)
    cost = min(max(0.0, step - allowed), _CAP) / _UNIT
    return cost if how_left == how_right else cost + _start_cost(right, how_right)


def _explain(stretches: list[_Stretch]) -> list[int]:
    """How each stretch was counted: the cheapest account of the whole row (dynamic programming)."""
    ways = range(len(_COUNTED))
    cost = [_own_cost(stretches[0], how) + _start_cost(stretches[0], how) for how in ways]
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


def _continues(stretches: list[_Stretch], how: list[int], begin: int, end: int, *, meets: float) -> bool:
    """Whether stretches [begin, end), counted as supposed, meet the rhythm of a long enough neighbour."""
    length = stretches[end - 1].end_s - stretches[begin].start_s
    least = min(20.0, 0.1 * length)
    shift = _COUNTED[how[begin]][0]
    if begin > 0:
        other, mine = stretches[begin - 1], stretches[begin]
        away = abs(other.last + _COUNTED[how[begin - 1]][0] - mine.first - shift)
        if away < meets and mine.start_s - other.end_s < 20.0 and other.end_s - other.start_s >= least:
            return True
    if end < len(stretches):
        other, mine = stretches[end], stretches[end - 1]
        away = abs(other.first + _COUNTED[how[end]][0] - mine.last - shift)
        if away < meets and other.start_s - mine.end_s < 20.0 and other.end_s - other.start_s >= least:
            return True
    return False


def _steps_to_doubts(stretches: list[_Stretch], *, least_n: int, meets: float) -> list[Doubt]:
    if not stretches:
        return []
    how = _explain(stretches)
    out: list[Doubt] = []
    begin = 0
    while begin < len(stretches):
        end = begin + 1
        while end < len(stretches) and how[end] == how[begin]:
            end += 1
        why = _COUNTED[how[begin]][1]
        enough = sum(s.n for s in stretches[begin:end]) >= least_n
        if why is not None and enough and _continues(stretches, how, begin, end, meets=meets):
            out.append(Doubt(start_s=stretches[begin].start_s, end_s=stretches[end - 1].end_s, why=why))
        begin = end
    for k in range(1, len(stretches)):
        left, right = stretches[k - 1], stretches[k]
        apart = right.start_s - left.end_s
        step = abs(right.first + _COUNTED[how[k]][0] - left.last - _COUNTED[how[k - 1]][0])
        if apart < 3.0 and step > _JUMP and min(left.n, right.n) >= 2 * least_n and not (left.pairs or right.pairs):
            out.append(
                Doubt(
                    start_s=max(left.start_s, left.end_s - _REACH_S),
                    end_s=min(right.end_s, right.start_s + _REACH_S),
                    why="jump",
                )
            )
    return out


def _noisy(log_rr: F64) -> B:
    """Spells where nearly half of 15 intervals fit neither the local median nor the one, two or three before."""
    n = log_rr.size
    if n < 15:
        return np.zeros(n, dtype=bool)
    away = np.abs(log_rr - rolling_median(log_rr, 11))
    for lag in (2, 3):
        same = np.full(n, np.inf)
        same[lag:] = np.abs(log_rr[lag:] - log_rr[:-lag])
        ahead = np.full(n, np.inf)
        ahead[:-lag] = same[lag:]
        away = np.minimum(away, np.maximum(same, ahead))
    wild = (away > 0.25).astype(np.float64)
    found = np.zeros(n, dtype=bool)
    for a, b in _runs(np.convolve(wild, np.ones(15), mode="valid") >= 6.5):
        inside = np.flatnonzero(wild[a : b + 14]) + a
        found[inside[0] : inside[-1] + 1] = True
    return found


def _runs(flags: B) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


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
        Doubt(start_s=float(time[a]), end_s=float(time[b - 1] + length[b - 1]), why="noisy") for a, b in _runs(noisy)
    ]
    calm = np.flatnonzero(~noisy)
    if calm.size >= 10:
        level = rolling_median(log_rr[calm], 5)
        joined = joined[calm] & (np.diff(calm, prepend=calm[0] - 1) == 1)
        found += _steps_to_doubts(_cut(time[calm], length[calm], level, pairs[calm], joined), least_n=5, meets=0.2)
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

    Raises
    ------
    DataError
        If there is not one time for each rate.

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
    cuts = _abrupt(time, smooth)
    near = np.zeros(time.size, dtype=bool)
    for cut in cuts:
        near |= np.abs(time - cut) < _SETTLE_S
    kept = np.flatnonzero(~near)
    if kept.size < 10:
        return ()
    time_k, level = time[kept], smooth[kept]
    length = np.minimum(np.diff(time_k, append=time_k[-1] + usual), 3 * usual)
    joined = np.diff(kept, prepend=kept[0] - 1) == 1
    joined &= np.diff(time_k, prepend=time_k[0]) < 60.0
    # apart from the cuts a rate may do what it likes
    part = np.cumsum(~joined)
    stretches = _parts(time_k, length, level, part)
    found = _steps_to_doubts(stretches, least_n=3, meets=0.12)
    # the recorder's smoothing spreads each change over the time that was set aside: count it in
    found = [
        Doubt(
            start_s=max(float(time[0]), d.start_s - _SETTLE_S),
            end_s=min(float(time[-1]), d.end_s + _SETTLE_S),
            why=d.why,
        )
        for d in found
    ]
    return _tidy(found, float(time[0]))


def _abrupt(time: F64, level: F64) -> list[float]:
    """Instants where the level steps by a factor above 1.7 within 10 s and stands still on both sides."""
    early = np.searchsorted(time, time - _SETTLE_S, side="left")
    late = np.minimum(np.searchsorted(time, time + _SETTLE_S, side="right") - 1, time.size - 1)
    change = np.abs(level[late] - level[early])
    out: list[float] = []
    for a, b in _runs(change > _RATE_STEP):
        at = float(time[a:b][change[a:b] >= 0.98 * change[a:b].max()].mean())
        # levels just before and after the step, and further off: a count that changed stands still at once
        sides = [level[(time >= at + a) & (time <= at + b)] for a, b in ((-15, -11), (-9, -5), (5, 9), (11, 15))]
        if any(side.size == 0 for side in sides):
            continue
        far_before, before, after, far_after = (float(np.median(side)) for side in sides)
        step = abs(after - before)
        around = (level[(time >= at - 15) & (time <= at - 5)], level[(time >= at + 5) & (time <= at + 15)])
        if max(float(np.ptp(side)) for side in around) > 0.18 * step:
            continue
        if step > _RATE_STEP and max(abs(before - far_before), abs(far_after - after)) < 0.12 * step:
            out.append(at)
    return out


def _parts(time: F64, length: F64, level: F64, part: NDArray[np.intp]) -> list[_Stretch]:
    begins = np.flatnonzero(np.diff(part, prepend=part[0] - 1))
    ends = np.append(begins[1:], part.size)
    return [
        _Stretch(
            start_s=float(time[a]),
            end_s=float(time[b - 1] + length[b - 1]),
            first=float(np.median(level[a:b][time[a:b] <= time[a] + 10.0])),
            last=float(np.median(level[a:b][time[a:b] >= time[b - 1] - 10.0])),
            n=int(b - a),
            pairs=False,
        )
        for a, b in zip(begins.tolist(), ends.tolist(), strict=True)
    ]
