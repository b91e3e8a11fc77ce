"""Clocks that step inside a recording: after a sync, a flight, a battery change.

A step leaves two marks. In the device's own stamps there is an interruption: an interval unlike the others, at least
as long as the clock jumped ahead. And the readings on one side of it follow the reference at another offset than the
rest. Both are asked for, so that a device that merely fails at one end is not taken for one whose clock stepped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.clockcurves import follows_by_chance
from wearbench.core.clocksearch import tolerant_loss
from wearbench.core.offsets import nearest_quarter
from wearbench.core.pairing import rhythm
from wearbench.core.smoothing import Smoothed

__all__ = ["ClockStep", "find_steps", "interruptions", "outside_steps"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]
Fit = Callable[[B8], ClockFit]

_LEAST_STEP_S: Final = 20.0
_MOST_INTERRUPTIONS: Final = 12
_FEWEST: Final = 20
_LEAST_S: Final = 120.0
_BAD: Final = 0.5
"""Mean loss from which a stretch does not follow: half rate costs 0.25, no reference 0.6, chance about 0.9."""
_FOLLOWS: Final = 0.4
_WORSE: Final = 0.2
"""How much worse than the best stretch, or than at another offset, is worth a look."""
_ALIKE: Final = 0.1
_MOST_DOUBT_S: Final = 300.0
"""One value a minute may tell no better than this where it belongs, which is enough to see an hour."""
_NO_REFERENCE: Final = 0.6
_MOVES: Final = (-3.0, 0.0, 3.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockStep:
    """A stretch of a recording whose stamps are on another clock than the rest.

    Attributes
    ----------
    from_s, to_s : float
        First and last stamp of the stretch, on the device's own stamps.
    shift_s, low_s, high_s : float
        What has to be added to its stamps to bring them onto the clock of the rest, with its interval. A multiple of
        a quarter of an hour where the interval reaches one.
    gap_s : float
        Interval between stamps at the step.
    n : int
        Readings of the stretch.
    loss, loss_as_stamped : float
        Mean loss of a reading with and without the step (0 follows, 1 does not).
    """

    from_s: float
    to_s: float
    shift_s: float
    low_s: float
    high_s: float
    gap_s: float
    n: int
    loss: float
    loss_as_stamped: float


def interruptions(time_s: F64) -> I64:
    """Where the stamps break their rhythm.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Increasing stamps of readings that carry a value.

    Returns
    -------
    int64 array, shape (m,)
        Index of the first reading after each interval that differs from the usual one by more than 20 s; at most the
        twelve that differ most.
    """
    if time_s.size < 2:
        return np.zeros(0, dtype=np.int64)
    usual = rhythm(time_s)
    apart = np.abs(np.diff(time_s) - np.minimum(usual[1:], usual[:-1]))
    found = np.flatnonzero(apart > _LEAST_STEP_S)
    most = found[np.argsort(-apart[found], kind="stable")[:_MOST_INTERRUPTIONS]]
    out: I64 = np.sort(most).astype(np.int64) + 1
    return out


def outside_steps(time_s: F64, steps: tuple[ClockStep, ...]) -> B8:
    """Tell which stamps lie in no stepped stretch.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
    steps : tuple of ClockStep

    Returns
    -------
    bool array, shape (n,)
    """
    keep = np.ones(time_s.shape, dtype=np.bool_)
    for step in steps:
        keep &= (time_s < step.from_s - 1e-6) | (time_s > step.to_s + 1e-6)
    return keep


def find_steps(reference: Smoothed, time_s: F64, value: F64, *, clock: ClockFit, fit: Fit) -> tuple[ClockStep, ...]:
    """Find stretches of a recording that are on another clock than the rest.

    Parameters
    ----------
    reference : Smoothed
        Averaged as the device averages.
    time_s, value : float64 arrays, shape (n,)
        Stamps and values (> 0) of the readings that carry one.
    clock : ClockFit
        Of the whole recording. It may be refused because two answers are as good: that is what a step in the middle
        looks like.
    fit : callable
        Fits the clock of the readings chosen by a mask, looking at all offsets.

    Returns
    -------
    tuple of ClockStep
        In order of time; empty when one clock will do, or when nothing can be told.

    Notes
    -----
    Own method. The recording is cut at its interruptions. Stretches that do not follow the reference at the clock of
    the whole, but follow it well and uniquely at another offset more than 20 s away, are steps, as long as the true
    order of the readings is the order of the recording: a clock cannot jump ahead by more than the interval between
    the stamps.
    """
    cuts = interruptions(time_s)
    if cuts.size == 0 or time_s.size < 2 * _FEWEST:
        return ()
    edges = [0, *cuts.tolist(), int(time_s.size)]
    parts = list(pairwise(edges))
    search = _Search(reference=reference, time_s=time_s, log_value=np.log(value), fit=fit)
    if clock.trust == "refused":
        # Let the longest stretch stand for the rest, where it has a clock at all.
        first, stop = max(parts, key=lambda part: part[1] - part[0])
        clock = search.fitted(first, stop)
        if search.doubt_s(*max(parts, key=lambda part: part[1] - part[0]), clock) > _MOST_DOUBT_S:
            return ()
    loss = [search.loss(first, stop, clock) for first, stop in parts]
    bad = [one >= min(_BAD, min(loss) + _WORSE) for one in loss]
    if not any(bad) or all(bad):
        return ()
    found: list[ClockStep] = []
    for first, last in _runs(bad):
        whole = search.step(parts[first][0], parts[last][1], clock, rest=min(loss))
        if whole is not None:
            found.append(whole)
        elif last > first:
            each = (search.step(a, b, clock, rest=min(loss)) for a, b in parts[first : last + 1])
            found += [step for step in each if step is not None]
    return _in_true_order(found, time_s, clock)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Search:
    reference: Smoothed
    time_s: F64
    log_value: F64
    fit: Fit

    def fitted(self, first: int, stop: int) -> ClockFit:
        mask = np.zeros(self.time_s.size, dtype=np.bool_)
        mask[first:stop] = True
        return self.fit(mask)

    def loss(self, first: int, stop: int, clock: ClockFit) -> float:
        """Mean loss of a stretch at a clock; three seconds more or less are not counted against it."""
        every = max(1, (stop - first) // 4000)
        time_s, log_value = self.time_s[first:stop:every], self.log_value[first:stop:every]
        scale = 2.0 * (clock.noise if np.isfinite(clock.noise) else 0.025)
        minute = np.floor((time_s - time_s[0]) / 60.0).astype(np.int64)
        minute = np.unique(minute, return_inverse=True)[1]
        best = np.full(int(minute.max()) + 1, np.inf)
        for move in _MOVES:
            each = tolerant_loss(log_value - self.reference.log_at(clock.centre_s(time_s) + move), scale=scale)
            each = np.where(np.isfinite(each), each, _NO_REFERENCE)
            np.minimum(best, np.bincount(minute, weights=each), out=best)
        return float(best.sum() / time_s.size)

    def doubt_s(self, first: int, stop: int, own: ClockFit) -> float:
        """How far from a stretch's own fit answers lie that are about as good; infinite where it is chance."""
        if own.trust == "good":
            return 0.0
        time_s, log_value = self.time_s[first:stop], self.log_value[first:stop]
        if not own.candidates or follows_by_chance(self.reference.log_at(own.centre_s(time_s)), log_value):
            return np.inf
        alike = [c.shift_s for c in own.candidates if c.loss <= own.candidates[0].loss + _ALIKE]
        return float(np.max(np.abs(np.array(alike) - own.shift_s)))

    def step(self, first: int, stop: int, clock: ClockFit, *, rest: float) -> ClockStep | None:
        """The step that explains a stretch, if there is one."""
        here = np.s_[first:stop]
        time_s = self.time_s[here]
        if time_s.size < _FEWEST or time_s[-1] - time_s[0] < _LEAST_S:
            return None
        own = self.fitted(first, stop)
        before, after = self.loss(first, stop, clock), self.loss(first, stop, own)
        doubt = self.doubt_s(first, stop, own)
        if doubt > _MOST_DOUBT_S or after > min(_FOLLOWS, rest + _WORSE, before - _WORSE):
            return None
        middle = np.array([0.5 * (time_s[0] + time_s[-1])])
        moved = float(own.centre_s(middle)[0] - clock.centre_s(middle)[0])
        half = np.hypot(0.5 * (own.high_s - own.low_s), 0.5 * (clock.high_s - clock.low_s))
        half = max(float(half) if np.isfinite(half) else 0.5 * (own.high_s - own.low_s), doubt)
        # Where the rhythm changes too, what a stamp stands for may change by as much as an interval.
        interval = max(float(np.median(np.diff(time_s))), float(np.median(np.diff(np.delete(self.time_s, here)))))
        if abs(moved) <= max(_LEAST_STEP_S, 1.1 * interval, 4.0 * doubt):
            return None
        whole = nearest_quarter(moved, near_s=float(np.clip(half, 3.0, 120.0)))
        edge = first if first > 0 else stop
        gap = float(self.time_s[edge] - self.time_s[edge - 1]) if 0 < edge < self.time_s.size else 0.0
        return ClockStep(
            from_s=float(time_s[0]),
            to_s=float(time_s[-1]),
            shift_s=moved if whole is None else float(whole),
            low_s=moved - half,
            high_s=moved + half,
            gap_s=gap,
            n=int(time_s.size),
            loss=after,
            loss_as_stamped=before,
        )


def _runs(bad: list[bool]) -> list[tuple[int, int]]:
    """First and last index of each run of stretches that do not follow."""
    runs: list[tuple[int, int]] = []
    for i, is_bad in enumerate(bad):
        if is_bad and runs and runs[-1][1] == i - 1:
            runs[-1] = (runs[-1][0], i)
        elif is_bad:
            runs.append((i, i))
    return runs


def _in_true_order(steps: list[ClockStep], time_s: F64, clock: ClockFit) -> tuple[ClockStep, ...]:
    """Steps that leave the readings in the order of the recording."""
    true = time_s.copy()
    for step in steps:
        true[(time_s >= step.from_s) & (time_s <= step.to_s)] += step.shift_s
    width = clock.high_s - clock.low_s
    kept: list[ClockStep] = []
    for step in steps:
        slack = 5.0 + (0.5 * width if np.isfinite(width) else 5.0) + 0.5 * (step.high_s - step.low_s)
        first = int(np.searchsorted(time_s, step.from_s))
        last = int(np.searchsorted(time_s, step.to_s, side="right")) - 1
        follows = first == 0 or true[first] >= true[first - 1] - slack
        if follows and (last + 1 == true.size or true[last + 1] >= true[last] - slack):
            kept.append(step)
    return tuple(kept)
