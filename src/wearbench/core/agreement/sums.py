"""What a set of pairs amounts to: fourteen numbers from which every agreement statistic follows.

Means and sums of squares about the set's own mean are kept, not raw sums of squares, so that nothing is lost to
cancellation whatever the size of the values; ``merge_sums`` joins sets (Chan, Golub & LeVeque 1983,
Am Stat 37:242-247).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.errors import DataError

__all__ = [
    "PERCENT_SHARE",
    "SUM_NAMES",
    "block_index",
    "block_sums",
    "correlation_time_s",
    "grouped_sums",
    "merge_sums",
    "pair_sums",
    "paired",
    "rows_of_sums",
]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

SUM_NAMES: Final = (
    "n",
    "mean_reference",
    "mean_tested",
    "mean_difference",
    "m2_reference",
    "m2_tested",
    "m2_difference",
    "comoment",
    "sum_absolute",
    "sum_absolute_percent",
    "n_reference_zero",
    "n_within_tolerance",
    "n_within_10_percent",
    "n_within_greater",
)
"""Columns of a row of sums. ``m2`` are sums of squares about the mean; percentages leave out references of zero."""

PERCENT_SHARE: Final = 0.10
"""The share behind ``within_10_percent``; fixed, as its name says."""

CHUNK: Final = 1 << 14
"""Pairs summed at a time: what is needed in between stays in the processor's cache."""

UNSORTED: Final = "expected times that do not decrease; sort the pairs first"


def paired(tested: ArrayLike, reference: ArrayLike) -> tuple[F64, F64]:
    """Check two columns of pairs and return them as float64.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)

    Returns
    -------
    tuple of float64 arrays, shape (n,)

    Raises
    ------
    DataError
        If they differ in length, are not one-dimensional, or hold NaN or infinity.
    """
    first = np.asarray(tested, dtype=np.float64)
    second = np.asarray(reference, dtype=np.float64)
    if first.ndim != 1 or first.shape != second.shape:
        raise DataError(
            f"expected tested and reference values as two columns of one length, got shapes {first.shape} and "
            f"{second.shape}"
        )
    # a finite total proves that every value is finite, in one pass and without a mask
    with np.errstate(over="ignore", invalid="ignore"):
        sound = bool(np.isfinite(np.sum(first)) and np.isfinite(np.sum(second)))
    if not sound:
        bad = ~(np.isfinite(first) & np.isfinite(second))
        if bool(bad.any()):
            raise DataError(
                f"expected finite values, got {int(bad.sum())} of {first.size} pairs with NaN or infinity, the first "
                f"at position {int(np.argmax(bad))}; leave them out before"
            )
    return first, second


def pair_sums(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    tolerance: float | None = None,
    tolerance_share: float = PERCENT_SHARE,
) -> F64:
    """Sums of one set of pairs.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    tolerance : float or None
        Absolute tolerance in the same unit; None where the quantity has none, which makes its counts NaN.
    tolerance_share : float
        Relative tolerance of ``within_greater``: |D| <= max(tolerance, tolerance_share * |reference|).

    Returns
    -------
    float64 array, shape (len(SUM_NAMES),)
        All zero without pairs. Order of the pairs changes it by rounding only.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    """
    first, second = paired(tested, reference)

    def total(values: NDArray[np.generic]) -> F64:
        return np.asarray([np.sum(values, dtype=np.float64)])

    def part(start: int) -> F64:
        cut = slice(start, start + CHUNK)
        return _sums(first[cut], second[cut], total, None, tolerance=tolerance, tolerance_share=tolerance_share)

    if first.size <= CHUNK:
        return np.asarray(part(0)[0])
    return np.asarray(merge_sums(np.concatenate([part(start) for start in range(0, first.size, CHUNK)]))[0])


def grouped_sums(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    group: ArrayLike,
    count: int | None = None,
    tolerance: float | None = None,
    tolerance_share: float = PERCENT_SHARE,
) -> F64:
    """Sums of each group of pairs.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
    group : int array-like, shape (n,)
        Group of each pair, 0 to ``count - 1``.
    count : int or None
        How many groups; by default the highest code plus one. A group without pairs is a row of zeros.
    tolerance, tolerance_share : float
        As in `pair_sums`.

    Returns
    -------
    float64 array, shape (count, len(SUM_NAMES))

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or a code is outside 0 to ``count - 1``.
    """
    first, second = paired(tested, reference)
    code = np.asarray(group)
    if code.shape != first.shape or (code.size and not np.issubdtype(code.dtype, np.integer)):
        raise DataError(f"expected one whole-number group a pair, got {code.dtype} of shape {code.shape}")
    highest = int(code.max()) if code.size else -1
    size = highest + 1 if count is None else count
    if code.size and (int(code.min()) < 0 or highest >= size):
        raise DataError(f"expected groups from 0 to {size - 1}, got {int(code.min())} to {highest}")
    index = code.astype(np.int64, copy=False)

    def total(values: NDArray[np.generic]) -> F64:
        return np.asarray(np.bincount(index, weights=values, minlength=size), dtype=np.float64)

    return _sums(first, second, total, index, tolerance=tolerance, tolerance_share=tolerance_share)


def _sums(
    tested: F64,
    reference: F64,
    total: Callable[[NDArray[np.generic]], F64],
    index: I64 | None,
    *,
    tolerance: float | None,
    tolerance_share: float,
) -> F64:
    n = total(np.ones_like(tested)) if index is not None else np.asarray([float(tested.size)])
    out = np.zeros((n.size, len(SUM_NAMES)))
    if tested.size == 0:
        return out
    some = np.maximum(n, 1.0)

    def spread(values: F64) -> tuple[F64, F64]:
        """Mean of each group, and the values less that mean."""
        pilot = values[0]
        shifted = values - pilot
        shift = total(shifted) / some
        shifted -= shift[0] if index is None else shift[index]
        return np.where(n > 0, pilot + shift, 0.0), shifted

    difference = tested - reference
    mean_x, x = spread(reference)
    mean_y, y = spread(tested)
    mean_d, d = spread(difference)
    columns = [n, mean_x, mean_y, mean_d]
    # what rounding left of the means is taken out of the sums of squares
    left_x, left_y, left_d = total(x), total(y), total(d)
    columns.append(total(x * x) - left_x * left_x / some)
    columns.append(total(y * y) - left_y * left_y / some)
    columns.append(total(d * d) - left_d * left_d / some)
    columns.append(total(x * y) - left_x * left_y / some)
    absolute = np.abs(difference, out=difference)
    size = np.abs(reference)
    columns.append(total(absolute))
    zero = size == 0
    if bool(zero.any()):
        percent = np.divide(absolute, size, out=np.zeros_like(absolute), where=~zero)
        columns += [100.0 * total(percent), total(zero)]
    else:
        columns += [100.0 * total(absolute / size), np.zeros_like(n)]
    nothing = np.full_like(n, np.nan)
    columns.append(nothing if tolerance is None else total(absolute <= tolerance))
    columns.append(total(absolute <= PERCENT_SHARE * size))
    columns.append(nothing if tolerance is None else total(absolute <= np.maximum(tolerance, tolerance_share * size)))
    return np.stack(columns, axis=1)


def rows_of_sums(sums: ArrayLike, *, session: ArrayLike, participant: ArrayLike) -> tuple[F64, I64, I64]:
    """Check rows of sums with the session and the participant of each.

    Parameters
    ----------
    sums : array-like, shape (k, len(SUM_NAMES))
    session, participant : int array-like, shape (k,)

    Returns
    -------
    tuple of arrays
        Sums, sessions and participants.

    Raises
    ------
    DataError
        If the rows do not fit.
    """
    rows, which, who = np.asarray(sums, dtype=np.float64), np.asarray(session), np.asarray(participant)
    if rows.ndim != 2 or rows.shape[1] != len(SUM_NAMES) or not which.shape == who.shape == rows.shape[:1]:
        raise DataError(
            f"expected rows of {len(SUM_NAMES)} sums with a session and a participant each, got shapes {rows.shape}, "
            f"{which.shape} and {who.shape}"
        )
    return rows, which, who


def merge_sums(sums: F64, *, index: I64 | None = None, count: int = 1) -> F64:
    """Join sets of pairs from their sums alone.

    Parameters
    ----------
    sums : float64 array, shape (k, len(SUM_NAMES))
    index : int array, shape (k,), or None
        Which joined set each row goes to, 0 to ``count - 1``; None joins all.
    count : int
        How many joined sets.

    Returns
    -------
    float64 array, shape (count, len(SUM_NAMES))
        As if made from the pairs themselves, to rounding; the order of the rows matters to about 1e-15 only.

    Raises
    ------
    DataError
        If the rows are not rows of sums.
    """
    sums = np.asarray(sums, dtype=np.float64)
    if sums.ndim != 2 or sums.shape[1] != len(SUM_NAMES):
        raise DataError(f"expected rows of {len(SUM_NAMES)} sums, got shape {sums.shape}")
    out = np.zeros((count, len(SUM_NAMES)))
    where = np.zeros(sums.shape[0], dtype=np.int64) if index is None else np.asarray(index)
    keep = sums[:, 0] > 0
    rows, where = sums[keep], where[keep]
    if rows.shape[0] == 0:
        return out

    def total(values: F64) -> F64:
        return np.asarray(np.bincount(where, weights=values, minlength=count), dtype=np.float64)

    weight = rows[:, 0]
    n = total(weight)
    some = np.where(n > 0, n, 1.0)
    out[:, 0] = n
    away = np.empty((rows.shape[0], 3))
    for column in (1, 2, 3):
        pilot = rows[0, column]
        shift = total(weight * (rows[:, column] - pilot)) / some
        away[:, column - 1] = rows[:, column] - pilot - shift[where]
        out[:, column] = np.where(n > 0, pilot + shift, 0.0)
    for column, (a, b) in zip((4, 5, 6, 7), ((0, 0), (1, 1), (2, 2), (0, 1)), strict=True):
        out[:, column] = total(rows[:, column] + weight * away[:, a] * away[:, b])
    for column in range(8, len(SUM_NAMES)):
        out[:, column] = total(rows[:, column])
    return out


def correlation_time_s(time_s: ArrayLike, difference: ArrayLike, *, longest_s: float = 600.0) -> float:
    """Time over which differences stay alike: the integrated autocorrelation time.

    Parameters
    ----------
    time_s : array-like, shape (n,)
        Increasing seconds.
    difference : array-like, shape (n,)
    longest_s : float
        Longest lag looked at.

    Returns
    -------
    float
        Seconds: step * (1/2 + sum of autocorrelations up to the first pair of lags whose sum is not positive; Geyer
        1992, Stat Sci 7:473-483). For a first-order process with coefficient phi this is step * (1 + phi)/(2 (1 -
        phi)), about -step/ln(phi). Zero when it cannot be told (fewer than 8 values, or no change).

    Raises
    ------
    DataError
        If the arrays differ in length, hold NaN or infinity, or times decrease.
    """
    time, value = paired(time_s, difference)
    if time.size < 8:
        return 0.0
    if bool(np.any(np.diff(time) < 0)):
        raise DataError(UNSORTED)
    step = float(np.median(np.diff(time)))
    if step <= 0:
        return 0.0
    slot = np.rint((time - time[0]) / step).astype(np.int64)
    if slot[-1] > 50 * time.size:  # mostly gaps: lags in readings, not in time
        slot = np.arange(time.size)
    grid, seen = np.zeros(slot[-1] + 1), np.zeros(slot[-1] + 1)
    grid[slot], seen[slot] = value - value.mean(), 1.0
    lags = min(int(longest_s / step) + 2, grid.size)
    length = 1 << int(np.ceil(np.log2(grid.size + lags)))
    product = np.fft.irfft(np.abs(np.fft.rfft(grid, length)) ** 2, length)[:lags]
    overlap = np.rint(np.fft.irfft(np.abs(np.fft.rfft(seen, length)) ** 2, length)[:lags])
    if product[0] <= 1e-12 * float(np.sum(value * value)) or product[0] <= 0:
        return 0.0
    # divided by what overlaps, shrunk by the share that overlaps: the usual biased estimate when nothing is missing
    rho = product / product[0] * (overlap[0] / np.maximum(overlap, 1)) * (1 - np.arange(lags) / grid.size)
    rho = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    stop = np.flatnonzero(rho <= 0)
    rho = rho[: int(stop[0])] if stop.size else rho
    return step * max(0.5, float(rho.sum()) - 0.5)


def block_index(time_s: ArrayLike, *, block_s: float) -> I64:
    """Block of each reading, counted over the blocks that hold any.

    Parameters
    ----------
    time_s : array-like, shape (n,)
        Increasing seconds from any start.
    block_s : float
        Length of a block; a last block shorter than half of it joins the one before.

    Returns
    -------
    int64 array, shape (n,)

    Raises
    ------
    DataError
        If ``block_s`` is not positive or times decrease.
    """
    time = np.asarray(time_s, dtype=np.float64)
    if not block_s > 0:
        raise DataError(f"expected a block longer than 0 s, got {block_s}")
    if time.size == 0:
        return np.zeros(0, dtype=np.int64)
    if bool(np.any(np.diff(time) < 0)):
        raise DataError(UNSORTED)
    elapsed = time - time[0]
    whole = max(1, int(elapsed[-1] / block_s + 0.5))
    block = np.minimum((elapsed / block_s).astype(np.int64), whole - 1)
    return np.asarray(np.unique(block, return_inverse=True)[1], dtype=np.int64)


def block_sums(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    time_s: ArrayLike,
    block_s: float | None = None,
    tolerance: float | None = None,
    tolerance_share: float = PERCENT_SHARE,
) -> F64:
    """Sums of each block of one session, in order of time.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
    time_s : array-like, shape (n,)
        Increasing seconds from the session's start.
    block_s : float or None
        Length of a block; by default max(60 s, 5 correlation times of the differences).
    tolerance, tolerance_share : float
        As in `pair_sums`.

    Returns
    -------
    float64 array, shape (blocks that hold pairs, len(SUM_NAMES))

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or times decrease.
    """
    first, second = paired(tested, reference)
    if block_s is None:
        block_s = max(60.0, 5.0 * correlation_time_s(time_s, first - second))
    block = block_index(time_s, block_s=block_s)
    return grouped_sums(first, second, group=block, tolerance=tolerance, tolerance_share=tolerance_share)
