"""Where the true rate went from one fairly steady level to another, or up and straight down again.

Found in the reference alone: no tested device is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running, values_over

__all__ = ["LEAST_CHANGE", "LONGEST_S", "Move", "moves_of"]

F64 = NDArray[np.float64]
Direction = Literal["up", "down", "peak"]

LEAST_CHANGE: Final = 15.0
"""Smallest rise or fall that is a move, in the unit of the quantity."""
LONGEST_S: Final = 120.0
"""And the longest time it may take."""

_GRID_S: Final = 1.0
_MEAN_S: Final = 10.0
_REACH_S: Final = 10.0
_STEADY_PER_S: Final = 0.25
_WANDER: Final = 5.0
_LEVEL_S: Final = 10.0
_TURN_S: Final = 25.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A rise, a fall, or a rise and the fall after it.

    Attributes
    ----------
    direction : str
        ``up`` or ``down``, from and to fairly steady levels; ``peak`` where the rate turned at once.
    start_s, end_s : float
        From the last second of the level before to the first of the level after.
    from_level, to_level : float
        Mean of the reference over the 10 s before and after; of a peak, ``to_level`` is its highest 5 s.
    top_s : float
        Middle of a peak's highest 5 s; NaN for others.
    """

    direction: Direction
    start_s: float
    end_s: float
    from_level: float
    to_level: float
    top_s: float = float("nan")


def moves_of(reference: Running, *, first_s: float, last_s: float) -> tuple[Move, ...]:
    """Find rises and falls of the reference.

    Parameters
    ----------
    reference : Running
        Doubtful stretches taken out.
    first_s, last_s : float
        Where to look, seconds from the session's start.

    Returns
    -------
    tuple of Move
        In order of time.

    Notes
    -----
    Own rule. Means over 10 s, 20 s apart, that differ by more than 5 (0.25 a second) make a run of rising or falling;
    runs of one direction less than 10 s apart are one, and a run of less than 5 in all is wandering. A run is a step
    where it is 15 or more within 120 s and the rate was fairly steady (no other run) for 10 s before it and after it.
    A rise of 15 or more and a fall of 15 or more that begins within 25 s of its end are a peak.
    """
    if last_s - first_s < 4.0 * _MEAN_S:
        return ()
    time_s = np.arange(first_s, last_s, _GRID_S)
    seen = values_over(reference, time_s - 0.5 * _MEAN_S, time_s + 0.5 * _MEAN_S)
    rate = np.where(seen.covered >= 0.8, seen.value, np.nan)
    runs = _runs(time_s, rate)
    found: list[Move] = []
    for number, (start_s, end_s, change) in enumerate(runs):
        before = runs[number - 1] if number else None
        after = runs[number + 1] if number + 1 < len(runs) else None
        if abs(change) < LEAST_CHANGE or end_s - start_s > LONGEST_S:
            continue
        alone = (before is None or start_s - before[1] >= _LEVEL_S) and (after is None or after[0] - end_s >= _LEVEL_S)
        if alone:
            found += _step(reference, start_s, end_s)
        elif change > 0 and after is not None and after[0] - end_s < _TURN_S and _falls(after):
            found += _peak(reference, start_s, after[1])
    return tuple(found)


def _runs(time_s: F64, rate: F64) -> list[tuple[float, float, float]]:
    """Start, end and change of each run of rising or falling, wandering left out."""
    reach = round(_REACH_S / _GRID_S)
    if time_s.size <= 2 * reach:
        return []
    slope = np.full(time_s.size, np.nan)
    slope[reach:-reach] = (rate[2 * reach :] - rate[: -2 * reach]) / (2.0 * _REACH_S)
    with np.errstate(invalid="ignore"):
        way = np.where(slope > _STEADY_PER_S, 1, np.where(slope < -_STEADY_PER_S, -1, 0))
    edges = np.flatnonzero(np.diff(way)) + 1
    bounds = [0, *edges.tolist(), way.size]
    parts = [(a, b - 1, int(way[a])) for a, b in pairwise(bounds) if way[a]]
    joined: list[tuple[int, int, int]] = []
    for a, b, sign in parts:
        if joined and joined[-1][2] == sign and time_s[a] - time_s[joined[-1][1]] < 10.0:
            joined[-1] = (joined[-1][0], b, sign)
        else:
            joined.append((a, b, sign))
    runs = [(float(time_s[a]), float(time_s[b]), float(rate[b] - rate[a])) for a, b, _ in joined]
    return [run for run in runs if not abs(run[2]) < _WANDER]  # keeps those whose change is not known


def _falls(run: tuple[float, float, float]) -> bool:
    return run[2] <= -LEAST_CHANGE and run[1] - run[0] <= LONGEST_S


def _level(reference: Running, start_s: float, end_s: float) -> float:
    seen = values_over(reference, np.array([start_s]), np.array([end_s]))
    return float(seen.value[0]) if seen.covered[0] >= 0.8 else float("nan")


def _step(reference: Running, start_s: float, end_s: float) -> list[Move]:
    before = _level(reference, start_s - _LEVEL_S, start_s)
    after = _level(reference, end_s, end_s + _LEVEL_S)
    if not abs(after - before) >= LEAST_CHANGE:
        return []
    direction: Direction = "up" if after > before else "down"
    return [Move(direction=direction, start_s=start_s, end_s=end_s, from_level=before, to_level=after)]


def _peak(reference: Running, start_s: float, end_s: float) -> list[Move]:
    middle = np.arange(start_s, end_s, 0.5)
    seen = values_over(reference, middle - 2.5, middle + 2.5)
    if not np.any(seen.covered >= 0.99):
        return []
    at = int(np.nanargmax(np.where(seen.covered >= 0.99, seen.value, np.nan)))
    before = _level(reference, start_s - _LEVEL_S, start_s)
    top = float(seen.value[at])
    return [
        Move(
            direction="peak",
            start_s=start_s,
            end_s=end_s,
            from_level=before,
            to_level=top,
            top_s=float(middle[at]),
        )
    ]
