"""Modes of a recorder, told from its stamps alone: one value a second in exercise, one in ten minutes at rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Modes", "joined_modes", "nearest_mode", "split_modes"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]

_APART: Final = 2.5
"""Rhythms that differ by less than this factor are one mode."""
_AROUND: Final = 5
_FEWEST: Final = 10
_ENOUGH: Final = 60
_EVEN: Final = 0.25
_MOSTLY: Final = 0.6


@dataclass(frozen=True, kw_only=True, slots=True)
class Modes:
    """Which mode each reading was made in.

    Attributes
    ----------
    mode : int64 array, shape (n,)
        Index into ``usual_s``.
    usual_s : tuple of float
        Usual interval of each mode, seconds, ascending; at least one.
    """

    mode: I64
    usual_s: tuple[float, ...]

    def main(self, counted: B8 | None = None) -> int:
        """Index of the quickest mode with sixty readings among those counted, else of the one with most."""
        mode = self.mode if counted is None or not counted.any() else self.mode[counted]
        n = np.bincount(mode, minlength=len(self.usual_s))
        enough = np.flatnonzero(n >= _ENOUGH)
        return int(enough[0]) if enough.size else int(np.argmax(n))


def split_modes(time_s: F64) -> Modes:
    """Split readings by the rhythm they came in.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Increasing stamps.

    Returns
    -------
    Modes
        One mode unless at least two rhythms, a factor of 2.5 apart, were each kept evenly for ten readings.

    Notes
    -----
    Own method. Each interval is replaced by the median of the five around it, so that a lost reading or a pause is no
    rhythm. Intervals are put in order of length and cut where neighbours differ by the factor; a group is a mode when
    most of its intervals lie within a quarter of its median. Recorders that write only changes have one mode: their
    intervals scatter. A reading belongs to the quicker of the rhythms on its two sides: the first and the last of an
    exercise are exercise.
    """
    gap = np.maximum(np.diff(time_s), 1e-3)
    if gap.size < 2 * _FEWEST:
        return _one(time_s.size, gap)
    half = _AROUND // 2
    padded = np.concatenate([gap[:half][::-1], gap, gap[-half:][::-1]])
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, _AROUND), axis=1)
    usual = _rhythms(gap, around)
    if len(usual) < 2:
        return _one(time_s.size, gap)
    quicker = np.minimum(np.append(around, np.inf), np.append(np.inf, around))
    return Modes(mode=nearest_mode(quicker, usual), usual_s=usual)


def nearest_mode(interval_s: F64, usual_s: tuple[float, ...]) -> I64:
    """Find the mode whose rhythm is closest, by ratio.

    Parameters
    ----------
    interval_s : float64 array, shape (n,)
        Above 0.
    usual_s : tuple of float
        Usual interval of each mode, ascending.

    Returns
    -------
    int64 array, shape (n,)
        Index into ``usual_s``.
    """
    edges = np.sqrt(np.array(usual_s[1:]) * np.array(usual_s[:-1]))
    out: I64 = np.searchsorted(edges, interval_s).astype(np.int64)
    return out


def joined_modes(usual_s: F64) -> I64:
    """Join modes of several sessions that are the same rhythm.

    Parameters
    ----------
    usual_s : float64 array, shape (n,)
        Usual intervals, in any order.

    Returns
    -------
    int64 array, shape (n,)
        Number of the mode each belongs to, quickest 0; cut where neighbours in length differ by a factor of 2.5.
    """
    order = np.argsort(usual_s, kind="stable")
    level = usual_s[order]
    out = np.zeros(usual_s.size, dtype=np.int64)
    out[order] = np.cumsum(np.concatenate([[0], level[1:] > _APART * level[:-1]])[: usual_s.size])
    return out


def _one(n: int, gap: F64) -> Modes:
    usual = float(np.median(gap)) if gap.size else 1.0
    return Modes(mode=np.zeros(n, dtype=np.int64), usual_s=(usual,))


def _rhythms(gap: F64, around: F64) -> tuple[float, ...]:
    """Usual intervals of the modes, ascending."""
    order = np.argsort(around, kind="stable")
    level = around[order]
    cuts = np.flatnonzero(level[1:] > _APART * level[:-1]) + 1
    found = []
    for members in np.split(order, cuts):
        if members.size < _FEWEST:
            continue
        usual = float(np.median(gap[members]))
        even = np.abs(gap[members] - usual) <= _EVEN * usual
        if float(even.mean()) >= _MOSTLY:
            found.append(usual)
    return tuple(found)
