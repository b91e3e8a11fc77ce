"""The coarse step of the clock search: every offset at which two recordings overlap, on a grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running
from wearbench.core.smoothing import smoothed

__all__ = ["ClockCandidate", "coarse_scale", "search_offsets", "tolerant_loss"]

F64 = NDArray[np.float64]

_MODES: Final = (0.0, math.log(0.5), math.log(2.0))
_MODE_COST: Final = (0.0, 0.25, 0.35)
_AT_ONCE: Final = 12_000
"""Readings times shifts looked at together: what stays close to the processor."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockCandidate:
    """One offset that was considered: centre shift in seconds, mean loss per reading (0 best, 1 worst), readings."""

    shift_s: float
    loss: float
    n: int


def tolerant_loss(log_ratio: F64, *, scale: float) -> F64:
    """Bounded loss of a log ratio that forgives half and double rate.

    Parameters
    ----------
    log_ratio : float64 array
        ln(tested / reference); NaN stays NaN.
    scale : float
        Spread of a faithful log ratio.

    Returns
    -------
    float64 array
        0 for perfect agreement, towards 1 for none; following at half or double rate costs 0.25 or 0.35 at best
        (our own choice: a device must never gain from reading half).

    Notes
    -----
    Per mode the loss is ``1 - exp(-r**2 / (2 scale**2))`` (a redescending M-estimate after Welsch).
    """
    best = np.full(log_ratio.shape, 1.0)
    for centre, cost in zip(_MODES, _MODE_COST, strict=True):
        # Exponents that make no difference to one; far smaller ones are slow to take.
        away = np.minimum(0.5 * np.square((log_ratio - centre) / scale), 40.0)
        gain = (1.0 - cost) * np.exp(-away)
        np.minimum(best, 1.0 - gain, out=best)
    return np.where(np.isfinite(log_ratio), best, np.nan)


def coarse_scale(log_ref: F64) -> float:
    """Spread of the log ratio that still counts as following, by how much the reference moves at all.

    Parameters
    ----------
    log_ref : float64 array, shape (n,)

    Returns
    -------
    float
        Half the robust spread of the reference, from 0.008 (nearly flat) to 0.05.
    """
    seen = log_ref[np.isfinite(log_ref)]
    if seen.size < 8:
        return 0.05
    low, high = np.quantile(seen, [0.16, 0.84])
    return float(np.clip(0.25 * (high - low), 0.008, 0.05))


def search_offsets(
    reference: Running,
    time_s: F64,
    log_value: F64,
    *,
    averaging_s: float,
    search_s: float,
    near_s: float,
    within_s: tuple[float, float] | None = None,
) -> list[ClockCandidate]:
    """Best offsets at which the two overlap, from all of them on a grid.

    Parameters
    ----------
    reference : Running
    time_s, log_value : float64 arrays, shape (n,)
        Stamps and logs of the values.
    averaging_s : float
    search_s : float
        Largest offset looked at.
    near_s : float
        Of equal answers the one nearer to this wins.
    within_s : tuple of float, optional
        Lowest and highest offset looked at, in place of ``search_s`` to either side.

    Returns
    -------
    list of ClockCandidate
        At most eight separate ones, best first.
    """
    span = float(time_s[-1] - time_s[0])
    covered = np.flatnonzero(np.diff(reference.covered_s) > 0)
    first, last = float(reference.knot_s[covered[0]]), float(reference.knot_s[covered[-1] + 1])
    step = max(2.0, span / 1200.0, (last - first) / 6000.0)
    grid = np.arange(first, last + step, step)
    log_ref = smoothed(reference, averaging_s=max(averaging_s, step)).log_at(grid)
    cell = np.floor((time_s - time_s[0]) / step).astype(np.int64)
    count = np.bincount(cell)
    filled = np.flatnonzero(count)
    mean = np.bincount(cell, weights=log_value)[filled] / count[filled]
    n_lags = grid.size + int(filled[-1]) + 1
    # Lag k puts the first device cell onto grid index k - filled[-1].
    shifts = grid[0] + (np.arange(n_lags) - int(filled[-1])) * step - time_s[0]
    lowest, highest = (-search_s, search_s) if within_s is None else within_s
    wanted = np.flatnonzero((shifts >= lowest) & (shifts <= highest))
    if wanted.size == 0:
        return []
    padded = np.full(grid.size + 2 * int(filled[-1]) + 2, np.nan)
    padded[int(filled[-1]) : int(filled[-1]) + grid.size] = log_ref
    table_step = 0.01
    table = 1.0 - tolerant_loss(np.arange(-2.5, 2.5 + table_step, table_step), scale=coarse_scale(log_ref))
    table = np.append(table, 0.0)
    null = _null_gain(log_ref[np.isfinite(log_ref)], mean, table, table_step)
    score = np.full(wanted.size, -np.inf)
    gains = np.zeros(wanted.size)
    overlap = np.zeros(wanted.size)
    rows = max(1, _AT_ONCE // filled.size)
    least = max(3.0, min(60.0 / step, 0.2 * filled.size))
    seen = np.isfinite(padded)
    place = np.where(seen, padded, 0.0) / table_step
    shown = (mean + 2.5) / table_step
    for begin in range(0, wanted.size, rows):
        here = wanted[begin : begin + rows, None] + filled
        there = seen.take(here)
        index = np.maximum(np.rint(shown - place.take(here)), 0.0).astype(np.intp)
        np.minimum(index, table.size - 2, out=index)
        index[~there] = table.size - 1
        gains[begin : begin + rows] = table.take(index).sum(axis=1)
        overlap[begin : begin + rows] = np.count_nonzero(there, axis=1)
    enough = overlap >= least
    excess = gains - null * overlap
    score[enough] = excess[enough] / filled.size
    # Out of two equal answers the nearer stamp wins: clocks are more often right than wrong.
    score -= 0.01 * np.minimum(1.0, np.abs(shifts[wanted] - near_s) / 3600.0)
    picks: list[ClockCandidate] = []
    order = np.argsort(-score, kind="stable")
    taken = np.zeros(wanted.size, dtype=bool)
    reach = max(1, math.ceil(20.0 / step))
    for i in order:
        if len(picks) == 8 or not np.isfinite(score[i]):
            break
        if taken[max(0, i - reach) : i + reach + 1].any():
            continue
        taken[i] = True
        n_here = max(overlap[i], 1.0)
        picks.append(ClockCandidate(shift_s=float(shifts[wanted[i]]), loss=float(1 - gains[i] / n_here), n=int(n_here)))
    return picks


def _null_gain(log_ref: F64, log_value: F64, table: F64, table_step: float) -> float:
    """Mean gain if readings and reference were paired at random (product of the two distributions)."""
    if log_ref.size == 0 or log_value.size == 0:
        return 0.0
    quantiles = (np.arange(60) + 0.5) / 60
    a = np.quantile(log_ref, quantiles)
    b = np.quantile(log_value, quantiles)
    index = np.clip(np.rint((b[:, None] - a[None, :] + 2.5) / table_step).astype(np.int64), 0, table.size - 2)
    return float(table[index].mean())
