"""Whether a recorder counted each heart beat, every second one, or each twice: the cheapest account of all steps.

A heart can race and recover, skip and stumble, but it does not double or halve its rate from one beat to the next; a
recorder that misses every second beat, or counts T waves, does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Miscount", "Stretch", "miscounts", "spells"]

Why = Literal["every_second_beat", "double_count", "jump"]

_LOWEST_BPM: Final = 27.0
_HIGHEST_BPM: Final = 235.0
_CAP: Final = 0.6
_UNIT: Final = 0.1
_REGULAR: Final = 0.08
"""Scatter above which a heart is irregular, and a step of its level less of a surprise."""
_JUMP: Final = float(np.log(1.42))
_SCATTERS: Final = 3.0

_COUNTED: Final[tuple[tuple[float, Why | None], ...]] = (
    (0.0, None),
    (-float(np.log(2.0)), "every_second_beat"),
    (float(np.log(2.0)), "double_count"),
)
"""How a stretch may have been counted: log of (true interval / counted interval), and what it is called."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """A run without an abrupt step.

    Attributes
    ----------
    start_s, end_s : float
    first, last : float
        Log interval at its two ends.
    first_s, last_s : float
        The instants these levels are of.
    n : int
        Intervals or readings.
    pairs : bool or None
        Short and long intervals take turns, so that two of them make one beat; None where that cannot be seen.
    scatter : float
        How far single intervals scatter about the level, as a standard deviation of logs.
    """

    start_s: float
    end_s: float
    first: float
    last: float
    first_s: float
    last_s: float
    n: int
    pairs: bool | None = None
    scatter: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Miscount:
    """Where beats were miscounted, or where the rate jumped without one of the two being told."""

    start_s: float
    end_s: float
    why: Why


def _own_cost(stretch: Stretch, how: int) -> float:
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


def _start_cost(stretch: Stretch, how: int) -> float:
    """What it costs to believe that the recorder began to count this way."""
    return (0.0, 2.0, {True: 0.5, False: 7.0, None: 4.0}[stretch.pairs])[how]


def _left_over(left: Stretch, right: Stretch, how_left: int, how_right: int, per_s: float) -> float:
    """How much of a step is left once both sides are counted as supposed, more than a heart does in the time."""
    step = abs(right.first + _COUNTED[how_right][0] - left.last - _COUNTED[how_left][0])
    return max(0.0, step - per_s * max(0.0, right.first_s - left.last_s))


def _joint_cost(left: Stretch, right: Stretch, how_left: int, how_right: int, per_s: float) -> float:
    """What it costs to believe the step between two stretches, given how each was counted."""
    unit = _UNIT * max(1.0, max(left.scatter, right.scatter) / _REGULAR)
    cost = min(_left_over(left, right, how_left, how_right, per_s), _CAP) / unit
    return cost if how_left == how_right else cost + _start_cost(right, how_right)


def _explain(stretches: list[Stretch], per_s: float) -> list[int]:
    """How each stretch was counted: the cheapest account of the whole row (dynamic programming)."""
    ways = range(len(_COUNTED))
    cost = [_own_cost(stretches[0], how) + _start_cost(stretches[0], how) for how in ways]
    back: list[list[int]] = []
    for left, right in pairwise(stretches):
        table = [[cost[h] + _joint_cost(left, right, h, g, per_s) for h in ways] for g in ways]
        chosen = [min(ways, key=row.__getitem__) for row in table]
        back.append(chosen)
        cost = [table[g][chosen[g]] + _own_cost(right, g) for g in ways]
    how = [min(ways, key=cost.__getitem__)]
    for chosen in reversed(back):
        how.append(chosen[how[-1]])
    return how[::-1]


def _continues(stretches: list[Stretch], how: list[int], begin: int, end: int, *, meets: float, per_s: float) -> bool:
    """Whether stretches [begin, end), counted as supposed, meet the rhythm of a long enough neighbour."""
    least = min(20.0, 0.1 * (stretches[end - 1].end_s - stretches[begin].start_s))

    def met(left: int, right: int, other: int) -> bool:
        apart = stretches[right].start_s - stretches[left].end_s
        long_enough = stretches[other].end_s - stretches[other].start_s >= least
        over = _left_over(stretches[left], stretches[right], how[left], how[right], per_s)
        return over < meets and apart < 20.0 and long_enough

    before = begin > 0 and met(begin - 1, begin, begin - 1)
    return before or (end < len(stretches) and met(end - 1, end, end))


def miscounts(
    stretches: list[Stretch],
    *,
    least_n: int,
    meets: float,
    reach_s: float,
    apart_s: float,
    per_s: float,
    longest_open_s: float = math.inf,
) -> list[Miscount]:
    """Explain the steps between stretches.

    Parameters
    ----------
    stretches : list of Stretch
        In order of time.
    least_n : int
        Fewest intervals or readings of a miscount.
    meets : float
        How near, in log, a corrected rate must come to a neighbour's.
    reach_s : float
        How far a jump makes its surroundings doubtful.
    apart_s : float
        Longest time between two stretches whose step can be a jump.
    per_s : float
        How fast the log of a heart's rate may change about a step by itself.
    longest_open_s : float
        A miscount that begins or ends where the recording does rests on one step alone; where it would be longer than
        this, only the step is doubted.

    Returns
    -------
    list of Miscount

    Notes
    -----
    Own method. Each stretch was counted right, every second beat, or double; staying right costs nothing, a step costs
    in proportion to what is left of its log, up to a cap, and believing in a miscount costs the more the longer it is.
    A stretch is doubted only if its rate, corrected, meets a neighbour's.
    """
    if not stretches:
        return []
    how = _explain(stretches, per_s)
    out: list[Miscount] = []
    begin = 0
    while begin < len(stretches):
        end = begin + 1
        while end < len(stretches) and how[end] == how[begin]:
            end += 1
        why = _COUNTED[how[begin]][1]
        enough = sum(s.n for s in stretches[begin:end]) >= least_n
        if why is not None and enough and _continues(stretches, how, begin, end, meets=meets, per_s=per_s):
            start_s, end_s = stretches[begin].start_s, stretches[end - 1].end_s
            if (begin > 0 and end < len(stretches)) or end_s - start_s <= longest_open_s:
                out.append(Miscount(start_s=start_s, end_s=end_s, why=why))
            else:
                at = begin if begin > 0 else end
                out.append(_jump(stretches[at - 1], stretches[at], reach_s))
        begin = end
    for k, (left, right) in enumerate(pairwise(stretches)):
        over = _left_over(left, right, how[k], how[k + 1], per_s)
        whole = min(left.n, right.n) >= 2 * least_n and not (left.pairs or right.pairs)
        far = over > max(_JUMP, _SCATTERS * max(left.scatter, right.scatter))
        if right.start_s - left.end_s < apart_s and far and whole:
            out.append(_jump(left, right, reach_s))
    return out


def _jump(left: Stretch, right: Stretch, reach_s: float) -> Miscount:
    """The surroundings of a step."""
    start_s, end_s = max(left.start_s, left.end_s - reach_s), min(right.end_s, right.start_s + reach_s)
    return Miscount(start_s=start_s, end_s=end_s, why="jump")


def spells(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Find unbroken runs of True.

    Parameters
    ----------
    flags : bool array, shape (n,)

    Returns
    -------
    list of tuple of int
        First and one-past-last index of each.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
