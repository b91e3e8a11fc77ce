"""What a reference has accumulated by an instant, so that any window is a difference of two look-ups.

For heart beats the amount is the fractional count of beats (beat phase); for a level it is the time integral of
the level divided by ``scale``; for a counter it is the count. Rate over [a, b] = scale * (amount(b) - amount(a)) /
(covered(b) - covered(a)). Gaps add neither amount nor covered time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = ["Running", "WindowValues", "running_from_level", "running_from_windows", "values_over"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Running:
    """Running sums of a reference at its knots, linear between them and flat outside.

    Attributes
    ----------
    knot_s : float64 array, shape (n,)
        Non-decreasing seconds from the session's start, on the reference's clock.
    amount, covered_s, mended_s, doubtful_s : float64 arrays, shape (n,)
        Running amount, and running seconds that are usable, mended, doubtful. ``mended_s`` and ``doubtful_s`` count
        parts of ``covered_s``.
    scale : float
        60 for beats (beats a second to beats a minute); 1 for levels.
    """

    knot_s: F64
    amount: F64
    covered_s: F64
    mended_s: F64
    doubtful_s: F64
    scale: float

    def __post_init__(self) -> None:
        shapes = {
            self.knot_s.shape,
            self.amount.shape,
            self.covered_s.shape,
            self.mended_s.shape,
            self.doubtful_s.shape,
        }
        if len(shapes) != 1 or self.knot_s.ndim != 1:
            raise DataError(f"expected five arrays of one length, got shapes {sorted(map(str, shapes))}")

    def without_doubtful(self) -> Running:
        """Return the same reference with doubtful stretches taken out as gaps.

        Returns
        -------
        Running
            Amount and covered time lose the intervals that are doubtful.
        """
        steps = np.diff(self.doubtful_s, prepend=self.doubtful_s[:1])
        keep = steps <= 0
        return Running(
            knot_s=self.knot_s,
            amount=np.cumsum(np.where(keep, np.diff(self.amount, prepend=self.amount[:1]), 0.0)),
            covered_s=np.cumsum(np.where(keep, np.diff(self.covered_s, prepend=self.covered_s[:1]), 0.0)),
            mended_s=np.cumsum(np.where(keep, np.diff(self.mended_s, prepend=self.mended_s[:1]), 0.0)),
            doubtful_s=np.zeros_like(self.doubtful_s),
            scale=self.scale,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class WindowValues:
    """The reference over windows; all float64 of one shape.

    ``value`` is NaN where nothing is covered. ``covered``, ``mended`` and ``doubtful`` are shares of the window's
    length; ``amount`` is in the running amount's own unit (beats for a heart rate).
    """

    value: F64
    amount: F64
    covered: F64
    mended: F64
    doubtful: F64


def running_from_windows(start_s: F64, end_s: F64, value: F64, *, scale: float = 1.0) -> Running:
    """Running sums of a level whose samples stand for windows that do not overlap.

    Parameters
    ----------
    start_s, end_s, value : float64 arrays, shape (n,)
        Window edges in seconds, in order of time, and the level; NaN values are gaps.
    scale : float
        Divides the integral, so that ``scale * amount / covered`` is the level again.

    Returns
    -------
    Running

    Raises
    ------
    DataError
        If the arrays differ in length or windows overlap.
    """
    if not (start_s.shape == end_s.shape == value.shape):
        raise DataError(f"expected edges and values of one length, got {start_s.size}, {end_s.size} and {value.size}")
    if bool(np.any(end_s < start_s)) or bool(np.any(start_s[1:] < end_s[:-1] - 1e-9)):
        raise DataError("expected windows in order of time that do not overlap; sort the recording first")
    length = np.where(np.isfinite(value), end_s - start_s, 0.0)
    good = np.where(np.isfinite(value), value, 0.0)
    knots = np.stack([start_s, end_s], axis=1).reshape(-1)
    covered = np.stack([np.zeros_like(length), length], axis=1).reshape(-1)
    amount = np.stack([np.zeros_like(length), good * length / scale], axis=1).reshape(-1)
    zero = np.zeros_like(knots)
    return Running(
        knot_s=knots,
        amount=np.cumsum(amount),
        covered_s=np.cumsum(covered),
        mended_s=zero,
        doubtful_s=zero,
        scale=scale,
    )


def running_from_level(
    time_s: F64, value: F64, *, hold_s: float, stands_for: str = "ending", scale: float = 1.0
) -> Running:
    """Running sums of a sampled level.

    Parameters
    ----------
    time_s, value : float64 arrays, shape (n,)
        Non-decreasing seconds and the level; NaN values are gaps.
    hold_s : float
        Longest window a sample may stand for.
    stands_for : str
        "ending": since the sample before; "starting": until the next; "centred" or "spot": half-way to both.
    scale : float
        Divides the integral, so that ``scale * amount / covered`` is the level again.

    Returns
    -------
    Running

    Raises
    ------
    DataError
        If the arrays differ in length or times decrease.
    """
    if time_s.shape != value.shape:
        raise DataError(f"expected times and values of one length, got {time_s.size} and {value.size}")
    if time_s.size and bool(np.any(np.diff(time_s) < 0)):
        raise DataError("expected times that do not decrease; sort the recording first")
    gap = np.minimum(np.diff(time_s), hold_s)
    before = np.append(gap[:1] if gap.size else hold_s, gap)
    after = np.append(gap, gap[-1:] if gap.size else hold_s)
    if stands_for == "starting":
        start_s, end_s = time_s, time_s + after
    elif stands_for == "ending":
        start_s, end_s = time_s - before, time_s
    else:
        start_s, end_s = time_s - 0.5 * before, time_s + 0.5 * after
    return running_from_windows(start_s, end_s, value, scale=scale)


def values_over(running: Running, start_s: F64, end_s: F64) -> WindowValues:
    """Evaluate the reference over windows [start, end].

    Parameters
    ----------
    running : Running
    start_s, end_s : float64 arrays, shape (m,)
        Window edges in seconds from the session's start. A window of no length is a spot: the value of the
        interval it falls in.

    Returns
    -------
    WindowValues
        Arrays of shape (m,).

    Notes
    -----
    Fractional beats: a beat interval that the window cuts counts for the share inside (methods of the trade; whole
    beats would resolve 60/T beats a minute only).
    """
    spot = end_s - start_s < 1e-3
    if bool(np.any(spot)):
        start_s = np.where(spot, start_s - 5e-4, start_s)
        end_s = np.where(spot, start_s + 1e-3, end_s)
    length = end_s - start_s
    knots = running.knot_s
    if knots.size == 0:
        nan = np.full(length.shape, np.nan)
        zero = np.zeros(length.shape)
        return WindowValues(value=nan, amount=zero, covered=zero, mended=zero, doubtful=zero)

    def between(column: F64) -> F64:
        found: F64 = np.interp(end_s, knots, column) - np.interp(start_s, knots, column)
        return found

    amount = between(running.amount)
    covered = between(running.covered_s)
    value = np.full(length.shape, np.nan)
    np.divide(running.scale * amount, covered, out=value, where=covered > 1e-9)
    return WindowValues(
        value=value,
        amount=amount,
        covered=covered / length,
        mended=between(running.mended_s) / length,
        doubtful=between(running.doubtful_s) / length,
    )
