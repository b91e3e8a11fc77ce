"""The fine step of the clock search: the loss around a candidate, kept by blocks of time.

From these curves come the offset, its interval (block bootstrap), the drift and the cross-fitted clock.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clocksearch import tolerant_loss
from wearbench.core.smoothing import Smoothed

__all__ = [
    "NO_REFERENCE",
    "argmin_of",
    "block_middles",
    "curves_with_drift",
    "drift_of",
    "follows_by_chance",
    "forgive_late",
    "information_bound",
    "loss_curves",
    "near_a_mode",
    "normal_point",
    "residual_scale",
    "serial_noise",
    "shift_error",
    "t_over_z",
    "worth_of",
]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_MODES: Final = (0.0, math.log(0.5), math.log(2.0))
_MIN_SCALE: Final = 0.012
_MAX_SCALE: Final = 0.05
_FAR: Final = 1.3
_FINE: Final = 0.0001
"""How far a log ratio is told from others by the loss, and how finely it is told."""
_FINE_S: Final = 0.25
_AT_ONCE: Final = 12_000
"""Readings times shifts looked at together: what stays close to the processor."""
_NEAR: Final = 0.15
_LEAST_ERROR: Final = 0.002
NO_REFERENCE: Final = 0.6
"""What a reading costs at a shift that leaves it without reference: worse than following, better than not."""


def loss_curves(
    reference: Smoothed,
    time_s: F64,
    log_value: F64,
    shifts_s: F64,
    *,
    scale: float,
    block: I64,
    n_blocks: int,
    bias: F64 | None = None,
    lean: F64 | None = None,
) -> F64:
    """Loss summed by block and shift.

    Parameters
    ----------
    reference : Smoothed
    time_s, log_value : float64 arrays, shape (n,)
    shifts_s : float64 array, shape (m,)
    scale : float
    block : int64 array, shape (n,)
        In ascending order.
    n_blocks : int
    bias : float64 array, shape (k,), optional
        Constant errors, logs of a ratio, that are taken off the readings.
    lean : float64 array, shape (n,), optional
        How much of it each reading has: one for a ratio, by one over the value for beats a minute. One if not given.

    Returns
    -------
    float64 array, shape (n_blocks, m), or (k, n_blocks, m) where constant errors are given
    """
    table = _table(scale)
    off = np.zeros(1) if bias is None else bias / _FINE
    backs = [np.rint(one if lean is None else one * lean).astype(np.intp) for one in off]
    loss = np.zeros((off.size, n_blocks, shifts_s.size))
    filled, starts = np.unique(block, return_index=True)
    first_s, last_s = float(time_s.min() + shifts_s.min()), float(time_s.max() + shifts_s.max())
    step_s, level = _levels(reference, first_s, last_s)
    level /= _FINE
    shown = (log_value + _FAR) / _FINE + 1.0
    rows = max(1, _AT_ONCE // time_s.size)
    for begin in range(0, shifts_s.size, rows):
        part = slice(begin, begin + rows)
        place = (time_s + (shifts_s[part, None] - first_s)) / step_s
        cell = place.astype(np.intp)
        low = level.take(cell)
        away = shown - (low + (place - cell) * (level.take(cell + 1) - low))
        nowhere = np.isnan(away)
        away[nowhere] = 0.0
        index = np.rint(away).astype(np.intp)
        for i, back in enumerate(backs):
            at = np.maximum(index - back, 1)
            at[nowhere] = 0
            each = table.take(at, mode="clip")
            loss[i, filled, part] = np.add.reduceat(each, starts, axis=1, dtype=np.float64).T
    return loss[0] if bias is None else loss


def _table(scale: float) -> NDArray[np.float32]:
    """What no reference costs, then the loss from one end of the log ratios to the other."""
    far = np.arange(-_FAR, _FAR + 0.5 * _FINE, _FINE)
    loss = np.ones(far.size + 1)
    loss[0] = NO_REFERENCE
    # Nine spreads from every mode it is one, to the last digit.
    near = np.zeros(far.size, dtype=np.bool_)
    for mode in _MODES:
        first, last = (int(np.clip((mode + side * 9.0 * scale + _FAR) / _FINE, 0, far.size)) for side in (-1, 1))
        near[first:last] = True
    loss[1:][near] = tolerant_loss(far[near], scale=scale)
    return loss.astype(np.float32)


def _levels(reference: Smoothed, first_s: float, last_s: float) -> tuple[float, F64]:
    """Log of the reference on an even grid fine enough to be read in between; its step, and the logs."""
    step_s = min(_FINE_S, reference.averaging_s / 16.0)
    at: F64 = first_s + step_s * np.arange(int((last_s - first_s) / step_s) + 3, dtype=np.float64)
    return step_s, reference.log_at(at)


def forgive_late(curves: F64, *, step_s: float, cost: float, least_s: float = 4.0, most_s: float = 30.0) -> F64:
    """Let each block be late, at a cost, so that a device slow at onsets does not drag its own clock.

    Parameters
    ----------
    curves : float64 array, shape (n_blocks, m)
        Loss at evenly spaced shifts.
    step_s : float
        Spacing.
    cost : float
        What calling a block late costs, in units of loss.
    least_s, most_s : float
        Lateness allowed.

    Returns
    -------
    float64 array, shape (n_blocks, m - k)
        For the shifts from index ``k = round(most_s / step_s)`` on. A device is late, never early: only shifts to
        earlier windows are forgiven.
    """
    first, last = math.ceil(least_s / step_s), round(most_s / step_s)
    m = curves.shape[1] - last
    best = curves[:, last:].copy()
    for back in range(first, last + 1):
        np.minimum(best, curves[:, last - back : last - back + m] + cost, out=best)
    return best


def argmin_of(curve: F64, shifts_s: F64) -> F64:
    """Minimum along the last axis, refined by the parabola through its neighbours.

    Parameters
    ----------
    curve : float64 array, shape (..., m)
    shifts_s : float64 array, shape (m,)
        Evenly spaced.

    Returns
    -------
    float64 array, shape (...)
    """
    at = np.clip(np.argmin(curve, axis=-1), 1, shifts_s.size - 2)
    left = np.take_along_axis(curve, (at - 1)[..., None], axis=-1)[..., 0]
    mid = np.take_along_axis(curve, at[..., None], axis=-1)[..., 0]
    right = np.take_along_axis(curve, (at + 1)[..., None], axis=-1)[..., 0]
    bend = left - 2 * mid + right
    move = np.where(bend > 1e-12, 0.5 * (left - right) / np.where(bend > 1e-12, bend, 1.0), 0.0)
    step = float(shifts_s[1] - shifts_s[0])
    found: F64 = shifts_s[at] + np.clip(move, -0.5, 0.5) * step
    return found


def near_a_mode(log_ratio: F64) -> tuple[F64, NDArray[np.bool_]]:
    """Log ratios about the nearest mode, of those that are near one.

    Parameters
    ----------
    log_ratio : float64 array, shape (n,)

    Returns
    -------
    near : float64 array, shape (m,)
        What lies within 0.15 of a mode, less that mode.
    which : bool array, shape (n,)
        Which these are.
    """
    distance = log_ratio[:, None] - np.array(_MODES)[None, :]
    nearest = np.argmin(np.where(np.isfinite(distance), np.abs(distance), np.inf), axis=1)
    left = np.take_along_axis(distance, nearest[:, None], axis=1)[:, 0]
    which = np.isfinite(left) & (np.abs(left) < _NEAR)
    return left[which], which


def residual_scale(log_ratio: F64, *, least: float = _MIN_SCALE) -> tuple[float, float]:
    """Robust spread of the log ratios near a mode, and their lag-one correlation.

    Parameters
    ----------
    log_ratio : float64 array, shape (n,)
    least : float
        Smallest spread given; a loss needs some width.

    Returns
    -------
    tuple of float
    """
    r = log_ratio[np.isfinite(log_ratio)]
    if r.size < 8:
        return _MAX_SCALE, 0.9
    near, which = near_a_mode(r)
    if near.size < 8:
        return _MAX_SCALE, 0.9
    # A constant error is no noise, and hangs together with nothing.
    centred = near - np.median(near)
    scale = 1.4826 * float(np.median(np.abs(centred)))
    left = np.zeros(r.size)
    # Nor are a few readings that are far off, late ones say, what hangs together.
    left[which] = np.clip(centred, -3.0 * scale, 3.0 * scale)
    both = which[1:] & which[:-1]
    a, b = left[1:][both], left[:-1][both]
    phi = float(np.clip(np.dot(a, b) / max(np.dot(b, b), 1e-12), 0.0, 0.98)) if a.size > 8 else 0.9
    return float(np.clip(scale, least, _MAX_SCALE)), phi


def serial_noise(log_ratio: F64, *, least: float) -> tuple[float, float]:
    """Spread of the log ratios near a mode, and the lag-one correlation that stands for all their correlation.

    Parameters
    ----------
    log_ratio : float64 array, shape (n,)
        Of readings in order.
    least : float
        Smallest spread given.

    Returns
    -------
    scale, phi : float
        ``(1 + phi) / (1 - phi)`` is the larger of that of the lag-one correlation and of the integrated
        autocorrelation: rounding on top of slow errors makes the first too small.

    Notes
    -----
    What lies beyond three robust spreads counts as that far. The autocorrelation is summed up to where pairs of
    neighbouring lags cease to be positive (Geyer 1992, Statistical Science 7:473-483).
    """
    near, which = near_a_mode(log_ratio)
    if near.size < 8:
        return _MAX_SCALE, 0.9
    centred = near - np.median(near)
    robust = max(1.4826 * float(np.median(np.abs(centred))), least)
    error = np.zeros(log_ratio.size)
    error[which] = np.clip(centred, -3.0 * robust, 3.0 * robust)
    variance = float(np.square(error).sum() / near.size)
    if variance <= 0.0:
        return robust, 0.0
    rho, kept = _autocorrelation(error, which)
    first = float(np.clip(rho[0], 0.0, 0.98)) if rho.size else 0.0
    total = 1.0 + 2.0 * float(rho[:kept].sum())
    times = max((1 + first) / (1 - first), total)
    # The median took as many readings as are worth one.
    variance *= near.size / max(near.size - times, 0.25 * near.size)
    return float(np.clip(math.sqrt(variance), least, _MAX_SCALE)), (times - 1) / (times + 1)


def _lagged(column: F64) -> F64:
    """Sums of products with itself at each lag, shape of ``column``."""
    length = 1 << (2 * column.size).bit_length()
    out: F64 = np.fft.irfft(np.square(np.abs(np.fft.rfft(column, length))), length)[: column.size]
    return out


def _autocorrelation(error: F64, which: NDArray[np.bool_]) -> tuple[F64, int]:
    """Autocorrelation from lag one on, and up to where pairs of neighbouring lags are positive (Geyer 1992)."""
    variance = float(np.square(error).sum() / which.sum())
    lags = min(error.size // 4, 400)
    rho = (_lagged(error) / np.maximum(_lagged(which.astype(np.float64)), 1.0) / variance)[1:]
    pairs = rho[: max(lags - 2, 0) : 2] + rho[1 : max(lags - 1, 1) : 2][: rho[: max(lags - 2, 0) : 2].size]
    ends = np.flatnonzero(pairs <= 0.0)
    return rho, 2 * int(ends[0] if ends.size else pairs.size)


def shift_error(reference: Smoothed, time_s: F64, log_value: F64, shift_s: float) -> float:
    """Standard error of a shift whose readings err in a row, from where in the slopes their errors lie.

    Parameters
    ----------
    reference : Smoothed
    time_s, log_value : float64 arrays, shape (n,)
        Constant error taken off.
    shift_s : float
        Where the fit ended.

    Returns
    -------
    float
        Infinite when nothing moves or fewer than 8 readings follow; never less than for independent errors.

    Notes
    -----
    Least squares with serially correlated errors, ``sum_ij s_i s_j cov_ij / (sum s^2)^2`` with slopes s about their
    mean (a constant error is found along). The autocovariance is that of the residuals, up to where pairs of
    neighbouring lags cease to be positive (Newey & West 1987, Econometrica 55:703-708, from memory, for the form;
    Geyer 1992, Statistical Science 7:473-483, for the cut). Slow errors matter little where the slopes change sign
    often, which ``information_bound`` does not count.
    """
    at = time_s + shift_s
    slope = 0.5 * (reference.log_at(at + 1.0) - reference.log_at(at - 1.0))
    error = log_value - reference.log_at(at)
    which = np.isfinite(slope) & (np.abs(error) < _NEAR)
    if int(which.sum()) < 8:
        return math.inf
    slope, error = np.where(which, slope, 0.0), np.where(which, error, 0.0)
    slope[which] -= slope[which].mean()
    middle = float(np.median(error[which]))
    robust = max(1.4826 * float(np.median(np.abs(error[which] - middle))), _LEAST_ERROR)
    error[which] = np.clip(error[which] - middle, -3.0 * robust, 3.0 * robust)
    products = _lagged(slope)
    if products[0] <= 0.0:
        return math.inf
    rho, kept = _autocorrelation(error, which)
    variance = float(np.square(error).sum() / which.sum())
    total = max(float(products[0] + 2.0 * np.dot(rho[:kept], products[1 : kept + 1])), float(products[0]))
    return math.sqrt(max(variance, _LEAST_ERROR**2) * total) / float(products[0])


def follows_by_chance(log_reference: F64, log_value: F64) -> bool:
    """Whether the reference explains no more of the readings than chance would at the best of many offsets.

    Parameters
    ----------
    log_reference, log_value : float64 arrays, shape (n,)
        At the offset found; NaN where the reference does not reach.

    Returns
    -------
    bool
        True when their correlation, half and double rate folded, is below 0.25 (6 % of the variance) and below 4
        standard errors (our own choice: some thousand offsets were looked at).

    Notes
    -----
    Serially correlated readings count as ``n (1 - ab) / (1 + ab)``, with the lag-one correlations a and b of the two
    (Bartlett 1935, J R Stat Soc 98:536-543); Fisher's z.
    """
    distance = (log_value - log_reference)[:, None] - np.array(_MODES)[None, :]
    nearest = np.argmin(np.where(np.isfinite(distance), np.abs(distance), np.inf), axis=1)
    folded = log_value - np.array(_MODES)[nearest]
    near = np.abs(folded - log_reference) < 0.15
    if int(near.sum()) < 8:
        return True
    a, b = (z - z.mean() for z in (log_reference[near], folded[near]))
    size = math.sqrt(float(np.dot(a, a)) * float(np.dot(b, b)))
    if size <= 0.0:
        return True
    both = float(np.clip(_lag_one(a) * _lag_one(b), 0.0, 0.999))
    r = float(np.clip(np.dot(a, b) / size, -0.999999, 0.999999))
    return r < 0.25 and math.atanh(r) * math.sqrt(near.sum() * (1 - both) / (1 + both)) < 4.0


def _lag_one(centred: F64) -> float:
    return float(np.dot(centred[1:], centred[:-1]) / np.dot(centred, centred))


def normal_point(confidence: float) -> float:
    """How many standard errors an interval reaches to either side.

    Parameters
    ----------
    confidence : float

    Returns
    -------
    float
        1.96 for 0.95.
    """
    from scipy.special import ndtri

    return float(ndtri(0.5 + 0.5 * confidence))


def t_over_z(n_blocks: int, *, z: float = 1.959964) -> float:
    """How much wider an interval from few blocks must be.

    Parameters
    ----------
    n_blocks : int
    z : float
        Normal point of the interval, 1.96 for 95 %.

    Returns
    -------
    float
        Ratio of the same points of t and normal (Cornish-Fisher), at most 3.
    """
    df = max(n_blocks - 1, 1)
    t = z + (z**3 + z) / (4 * df) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * df**2)
    return min(t / z, 3.0)


def worth_of(phi: float) -> float:
    """Log likelihood that a unit of loss is worth.

    Parameters
    ----------
    phi : float
        Lag-one correlation of the residuals.

    Returns
    -------
    float
        The bounded loss is taken at twice the spread, r^2 / (2 (2 scale)^2): a quarter of a log likelihood; serial
        correlation takes more.
    """
    return 4.0 * (1 - phi) / (1 + phi)


def information_bound(
    reference: Smoothed, time_s: F64, log_value: F64, shift_s: float, *, scale: float, phi: float
) -> float:
    """Smallest standard error any method could reach.

    Parameters
    ----------
    reference : Smoothed
    time_s, log_value : float64 arrays, shape (n,)
    shift_s, scale, phi : float
        Where the fit ended, and the spread and lag-one correlation of its residuals.

    Returns
    -------
    float
        Noise over the root of summed squared slopes, inflated for serial correlation by
        ``sqrt((1 + phi) / (1 - phi))``; infinite when nothing moves.
    """
    before = reference.log_at(time_s + shift_s - 1.0)
    here = reference.log_at(time_s + shift_s)
    after = reference.log_at(time_s + shift_s + 1.0)
    slope = 0.5 * (after - before)
    near = np.abs(log_value - here) < 0.15
    steep = float(np.nansum(np.square(np.where(near, slope, 0.0))))
    if steep <= 0:
        return math.inf
    return scale * math.sqrt((1 + phi) / (1 - phi)) / math.sqrt(steep)


def block_middles(block: I64, time_s: F64) -> F64:
    """Mean stamp of the readings of each block; NaN for an empty block.

    Parameters
    ----------
    block : int64 array, shape (n,)
    time_s : float64 array, shape (n,)

    Returns
    -------
    float64 array, shape (n_blocks,)
    """
    n = np.bincount(block)
    total = np.bincount(block, weights=time_s)
    out = np.full(n.size, np.nan)
    np.divide(total, n, out=out, where=n > 0)
    return out


def curves_with_drift(curves: F64, shifts_s: F64, middle_s: F64, *, at: float, drift_ppm: float) -> F64:
    """Each block's loss curve moved by what drift adds at its middle.

    Parameters
    ----------
    curves : float64 array, shape (n_blocks, m)
    shifts_s : float64 array, shape (m,)
    middle_s : float64 array, shape (n_blocks,)
    at, drift_ppm : float

    Returns
    -------
    float64 array, shape (n_blocks, m)
    """
    moved = np.empty_like(curves)
    for b in range(curves.shape[0]):
        extra = 0.0 if math.isnan(middle_s[b]) else 1e-6 * drift_ppm * (middle_s[b] - at)
        moved[b] = np.interp(shifts_s + extra, shifts_s, curves[b])
    return moved


def drift_of(
    curves: F64,
    shifts_s: F64,
    block: I64,
    time_s: F64,
    *,
    at: float,
    scale: float,
    max_ppm: float,
    prior_ppm: float,
    phi: float,
    confidence: float = 0.95,
) -> tuple[float, float, float]:
    """Drift with interval, shrunk to zero unless the recording is long enough to show it.

    Parameters
    ----------
    curves, shifts_s, block, time_s
        As in `loss_curves`.
    at, scale, max_ppm, prior_ppm, phi, confidence : float

    Returns
    -------
    tuple of float
        Drift, low, high, parts per million; drift is 0 where the 95 % interval holds 0.
    """
    span = float(time_s[-1] - time_s[0])
    if span < 5400.0 or curves.shape[0] < 6:
        return 0.0, -max_ppm, max_ppm
    middles = block_middles(block, time_s)
    ppm = np.arange(-max_ppm, max_ppm + 1, 5.0)
    best = np.array(
        [curves_with_drift(curves, shifts_s, middles, at=at, drift_ppm=float(p)).sum(axis=0).min() for p in ppm]
    )
    effective = worth_of(phi)
    # A prior with heavy tails (Cauchy): shrinks what cannot be seen, leaves alone what can.
    posterior = effective * best + np.log1p(np.square(ppm / prior_ppm))
    weight = np.exp(-(posterior - posterior.min()))
    weight /= weight.sum()
    mean = float(np.dot(weight, ppm))
    running = np.cumsum(weight)
    tail = 0.5 * (1 - confidence)
    low, high = (float(np.interp(q, running, ppm)) for q in (tail, 1 - tail))
    usual_low, usual_high = (float(np.interp(q, running, ppm)) for q in (0.025, 0.975))
    if usual_low <= 0.0 <= usual_high:
        return 0.0, low, high
    return mean, low, high
