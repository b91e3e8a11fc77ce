"""How a device answers when the true rate moves: dead time, time constant, time to 63 and 90 % of a step.

Two shapes of answer are fitted to the readings of each step: first order with dead time, dev' = (ref(t - L) - dev)/tau
(the usual process model, Ziegler & Nichols 1942, Trans ASME 64:759-768, from memory), and a moving mean over W that
ends L before the reading. Both start from the reference's beats, not from a smoothed rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.moves import Move
from wearbench.core.running import Running, values_over
from wearbench.core.smoothing import Shape, Smoothed, smoothed

__all__ = ["Answer", "StepResponse", "responses_to", "shape_of"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

CONSTANTS_S: Final = (0.5, 1.0, 1.5, 2.0, 2.6, 3.3, 4.2, 5.3, 6.7, 8.5, 10.7, 13.5, 17.0, 21.5, 27.0, 34.0, 43.0, 54.0)
"""Time constants tried, seconds."""
LENGTHS_S: Final = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0, 25.0, 31.0, 38.0, 46.0, 56.0, 68.0, 82.0)
"""Lengths of a moving mean tried, seconds."""

_EARLIEST_S: Final = -20.0
_LATEST_S: Final = 40.0
_LATE_STEP_S: Final = 1.0
_GRID_S: Final = 0.5
_BEFORE_S: Final = 15.0
_AFTER_S: Final = 45.0
_FEWEST: Final = 8
_MOST: Final = 80
_FOLLOWING: Final = 0.9
_SLOWEST_S: Final = 20.0
_GAIN_SPREAD: Final = 0.05
_TO_63: Final = 1.0 - math.exp(-1.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """One shape fitted to one step.

    Attributes
    ----------
    shape : str
        ``exponential`` or ``boxcar``.
    dead_time_s : float
        From a change of the reference to the first change of the readings.
    length_s : float
        Time constant of an exponential, length of a moving mean.
    t63_s, t90_s : float
        Until 63 % (1 - 1/e) and 90 % of a sudden step are covered.
    low_s, high_s : float
        Of ``t63_s``: where the sum of squares stays within what noise, correlated as it is, explains (95 %).
    loss : float
        Mean square of what the fit leaves.
    """

    shape: Shape
    dead_time_s: float
    length_s: float
    t63_s: float
    t90_s: float
    low_s: float
    high_s: float
    loss: float


@dataclass(frozen=True, kw_only=True, slots=True)
class StepResponse:
    """How the readings answered one move of the reference.

    Attributes
    ----------
    move : Move
    n : int
        Readings fitted.
    exponential, boxcar : Answer or None
        None where the step could not be used, and for peaks.
    shortfall : float
        Of a peak: its highest 5 s less the highest reading; NaN for others.
    why : str
        Why there is no answer; empty where there is.
    """

    move: Move
    n: int
    exponential: Answer | None = None
    boxcar: Answer | None = None
    shortfall: float = math.nan
    why: str = ""

    def of(self, shape: Shape) -> Answer | None:
        """The answer of one shape."""
        return self.boxcar if shape == "boxcar" else self.exponential


def responses_to(
    moves: Sequence[Move], reference: Running, read_s: F64, value: F64, *, following: B8
) -> tuple[StepResponse, ...]:
    """Fit the readings about each move of the reference.

    Parameters
    ----------
    moves : sequence of Move
    reference : Running
        Doubtful stretches taken out.
    read_s, value : float64 arrays, shape (n,)
        When each reading was shown on the reference's clock, in order of time, and its value; NaN is none.
    following : bool array, shape (n,)
        Which readings followed the reference, late or not. A step is used only where nine in ten did.

    Returns
    -------
    tuple of StepResponse
        One a move.

    Notes
    -----
    Readings from 15 s before a step to 45 s after it. For each constant (or length) and each dead time from -20 to
    40 s the readings are regressed on the smoothed reference: a constant bias is free, the gain is held near 1 (normal
    prior, SD 0.05, noise SD 2), so that reading a few per cent low is not taken for slowness. The least loss over
    the grid is refined by a parabola in the dead time and in the log of the constant. Negative dead times are possible
    because clocks are not perfect.
    """
    out: list[StepResponse] = []
    kept: dict[tuple[Shape, float], Smoothed] = {}
    for move in moves:
        if move.direction == "peak":
            out.append(_peak(move, read_s, value, following))
            continue
        inside = (read_s >= move.start_s - _BEFORE_S) & (read_s <= move.end_s + _AFTER_S)
        at = np.flatnonzero(inside & np.isfinite(value))
        why = _unusable(move, reference, read_s[at], following[at])
        if why:
            out.append(StepResponse(move=move, n=int(at.size), why=why))
            continue
        at = at[np.linspace(0, at.size - 1, min(at.size, _MOST)).round().astype(np.int64)]
        at = at[following[at]]
        fits = {shape: _fitted(shape, reference, read_s[at], value[at], kept) for shape in ("exponential", "boxcar")}
        gone = any(fit is None for fit in fits.values())
        out.append(
            StepResponse(
                move=move,
                n=int(at.size),
                exponential=fits["exponential"],
                boxcar=fits["boxcar"],
                why="the reference has gaps about the step" if gone else "",
            )
        )
    return tuple(out)


def shape_of(responses: Sequence[StepResponse]) -> Shape:
    """Choose the shape that fits a device's steps better in all.

    Parameters
    ----------
    responses : sequence of StepResponse

    Returns
    -------
    str
        ``boxcar`` where the logs of its losses, weighted by readings, are less in all; else ``exponential``.
    """
    balance = sum(
        r.n * (math.log(max(r.boxcar.loss, 1e-3)) - math.log(max(r.exponential.loss, 1e-3)))
        for r in responses
        if r.exponential is not None and r.boxcar is not None
    )
    return "boxcar" if balance < 0 else "exponential"


def _unusable(move: Move, reference: Running, read_s: F64, following: B8) -> str:
    """Why a step cannot be used; empty where it can."""
    if read_s.size < _FEWEST:
        return f"fewer than {_FEWEST} readings about the step"
    if float(np.median(np.diff(read_s))) > _SLOWEST_S:
        return f"readings more than {_SLOWEST_S:g} s apart"
    if np.count_nonzero((read_s >= move.start_s) & (read_s <= move.end_s + 0.5 * _AFTER_S)) < _FEWEST // 2:
        return "too few readings on the way"
    if float(np.mean(following)) < _FOLLOWING:
        return "it was not following the reference"
    start_s, end_s = move.start_s - 2.0 * _BEFORE_S, move.end_s + _AFTER_S
    seen = values_over(reference, np.array([start_s]), np.array([end_s]))
    return "" if float(seen.covered[0]) >= _FOLLOWING else "the reference has gaps about the step"


def _fitted(
    shape: Shape, reference: Running, read_s: F64, value: F64, kept: dict[tuple[Shape, float], Smoothed]
) -> Answer | None:
    """The best answer of one shape; ``kept`` holds references already smoothed."""
    lengths = np.array(CONSTANTS_S if shape == "exponential" else LENGTHS_S)
    late = np.arange(_EARLIEST_S, _LATEST_S + 0.5 * _LATE_STEP_S, _LATE_STEP_S)
    grid: F64 = np.arange(float(read_s[0]) - _LATEST_S - 1.0, float(read_s[-1]) - _EARLIEST_S + 1.0, _GRID_S)
    rows = []
    for length in lengths.tolist():
        whole = 2.0 * length if shape == "exponential" else length
        if (shape, length) not in kept:
            kept[shape, length] = smoothed(reference, averaging_s=whole, shape=shape)
        seen, covered = kept[shape, length].at(grid - 0.5 * whole)
        known = np.isfinite(seen) & (covered >= 0.5)
        if np.count_nonzero(known) < 0.8 * grid.size:
            return None
        rows.append(np.interp(grid, grid[known], seen[known]))
    curves = np.array(rows)
    place = (read_s[None, :] - late[:, None] - grid[0]) / _GRID_S
    below = np.floor(place).astype(np.int64)
    part = place - below
    model = curves[:, below] * (1.0 - part) + curves[:, below + 1] * part
    loss, gain = _losses(model, value)
    at_length, at_late = np.unravel_index(int(np.argmin(loss)), loss.shape)
    log_length, dead = _refined(loss, np.log(lengths), late, int(at_length), int(at_late))
    length = math.exp(log_length)
    share_63, share_90 = (_TO_63, 0.9) if shape == "boxcar" else (1.0, math.log(10.0))
    best_model = gain[at_length, at_late] * model[at_length, at_late]
    near = loss <= loss.min() * (1.0 + _allowance(value - best_model))
    t63 = (late[None, :] + share_63 * lengths[:, None])[near]
    best = dead + share_63 * length
    return Answer(
        shape=shape,
        dead_time_s=dead,
        length_s=length,
        t63_s=best,
        t90_s=dead + share_90 * length,
        low_s=min(best, float(t63.min()) - 0.5 * _LATE_STEP_S),
        high_s=max(best, float(t63.max()) + 0.5 * _LATE_STEP_S),
        loss=float(loss.min()),
    )


def _losses(model: F64, value: F64) -> tuple[F64, F64]:
    """Mean square left by each model, shape (lengths, dead times), bias free and gain near 1; and the gains."""
    about = model - model.mean(axis=-1, keepdims=True)
    seen = value - value.mean()
    hold = (2.0 / _GAIN_SPREAD) ** 2
    square = np.einsum("ijk,ijk->ij", about, about)
    cross = about @ seen
    gain = (cross + hold) / (square + hold)
    left = float(seen @ seen) - 2.0 * gain * cross + gain**2 * square + hold * (gain - 1.0) ** 2
    return np.maximum(left, 1e-9) / value.size, gain


def _refined(loss: F64, log_length: F64, late: F64, row: int, column: int) -> tuple[float, float]:
    """Where the loss is least between the points of the grid: a parabola along each axis."""

    def between(axis: F64, values: F64, at: int) -> float:
        if at in (0, axis.size - 1):
            return float(axis[at])
        (x0, x1, x2), (y0, y1, y2) = axis[at - 1 : at + 2], values[at - 1 : at + 2]
        left, right = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
        bend = (right - left) / (x2 - x0)
        if not bend > 0:
            return float(x1)
        lowest = 0.5 * (x0 + x1) - left / (2.0 * bend)
        return float(min(max(lowest, x0), x2))

    return between(log_length, loss[:, column], row), between(late, loss[row], column)


def _allowance(left: F64) -> float:
    """How much more loss than the least noise explains: chi-square of one degree, by the effective number."""
    left = left - left.mean()
    square = float(left @ left)
    after = float(left[1:] @ left[:-1]) / square if square > 0 else 0.0
    after = min(max(after, 0.0), 0.95)
    number = max(1.0, (left.size - 4.0) * (1.0 - after) / (1.0 + after))
    return 3.84 / number


def _peak(move: Move, read_s: F64, value: F64, following: B8) -> StepResponse:
    """How far the highest reading about a peak stayed below it."""
    near = (read_s >= move.top_s - _BEFORE_S) & (read_s <= move.top_s + _AFTER_S) & np.isfinite(value)
    n = int(np.count_nonzero(near))
    if n < _FEWEST or float(np.median(np.diff(read_s[near]))) > 0.5 * _BEFORE_S:
        return StepResponse(move=move, n=n, why="too few readings about the peak")
    if float(np.mean(following[near])) < _FOLLOWING:
        return StepResponse(move=move, n=n, why="it was not following the reference")
    return StepResponse(move=move, n=n, shortfall=move.to_level - float(value[near].max()))
