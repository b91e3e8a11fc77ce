"""Stretches in which a device was obviously not worn, from its own readings alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Unworn", "unworn_stretches"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]
Why = Literal["no_value", "impossible", "constant", "silent"]

_LEAST_S: Final[dict[Why, float]] = {"no_value": 300.0, "impossible": 300.0, "constant": 1200.0, "silent": 1800.0}
"""How long each has to last (our own figures: longer than a strap takes to settle, or a rate stays the same)."""
_FEWEST: Final = 5
_FEWEST_SAME: Final = 15


@dataclass(frozen=True, kw_only=True, slots=True)
class Unworn:
    """A stretch: first and last stamp, why, readings in it, and the value where it is one all along."""

    from_s: float
    to_s: float
    why: Why
    n: int
    value: float


def unworn_stretches(
    time_s: F64, value: F64, *, usual_s: F64, low: float, high: float, sentinels: tuple[float, ...]
) -> tuple[Unworn, ...]:
    """Find stretches without a value, with impossible ones, with one value all along, or without readings.

    Parameters
    ----------
    time_s, value : float64 arrays, shape (n,)
        Stamps and values as written; NaN is no value.
    usual_s : float64 array, shape (n,)
        Usual interval around each reading, seconds.
    low, high : float
        Bounds of what can be true in a person.
    sentinels : tuple of float
        Values that mean "no value".

    Returns
    -------
    tuple of Unworn
        In order of time. No value and impossible values count from five minutes and five readings, one value from 20
        minutes and 15 readings (a device that never shows another has no such stretch: it may show few values), silence
        from half an hour and ten usual intervals.

    Notes
    -----
    Own method; a question to the person, never an answer: a device may as well have frozen or lost its signal.
    """
    found: list[Unworn] = []
    none = ~np.isfinite(value) | np.isin(value, np.array(sentinels))
    for why, mask in (("no_value", none), ("impossible", ~none & ((value < low) | (value > high)))):
        for first, stop in _runs(mask):
            found += _stretch(time_s, value, usual_s, first, stop, why, fewest=_FEWEST)  # type: ignore[arg-type]
    good = np.flatnonzero(~none)
    if good.size and float(np.ptp(value[good])) > 0:
        held = value[good]
        edges = np.concatenate([[0], np.flatnonzero(np.diff(held) != 0) + 1, [held.size]])
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            first, stop = int(good[a]), int(good[b - 1]) + 1
            possible = low <= value[first] <= high
            if possible and stop - first == b - a:
                found += _stretch(time_s, value, usual_s, first, stop, "constant", fewest=_FEWEST_SAME)
    gap = np.diff(time_s)
    for i in np.flatnonzero((gap >= _LEAST_S["silent"]) & (gap >= 10 * np.maximum(usual_s[1:], usual_s[:-1]))):
        found.append(Unworn(from_s=float(time_s[i]), to_s=float(time_s[i + 1]), why="silent", n=0, value=float("nan")))
    return tuple(sorted(found, key=lambda one: one.from_s))


def _runs(mask: B8) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edge.reshape(-1, 2)]


def _stretch(time_s: F64, value: F64, usual_s: F64, first: int, stop: int, why: Why, *, fewest: int) -> list[Unworn]:
    length = float(time_s[stop - 1] - time_s[first] + usual_s[stop - 1])
    if stop - first < fewest or length < _LEAST_S[why]:
        return []
    one = float(value[first]) if bool(np.all(value[first:stop] == value[first])) else float("nan")
    return [Unworn(from_s=float(time_s[first]), to_s=float(time_s[stop - 1]), why=why, n=stop - first, value=one)]
