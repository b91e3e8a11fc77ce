"""Brings a device's stamps onto the reference's clock, and says how sure that is.

What the data can show is the *centre shift*: how far the middle of the window a reading stands for lies from the
reading's stamp. Clock offset, delay and half the averaging together make it up; they part only with a mark, a shared
clock or a declaration. The loss forgives half and double rate, so that a device that halves does not drag its own
clock.

The search has three steps: every offset on a coarse grid, the best candidates on a fine one, and the curve of the
loss around the winner, kept by blocks of time. From those curves come the interval (block bootstrap), the drift, the
comparison with the runner-up and the cross-fitted clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running, values_over

__all__ = ["ClockCandidate", "ClockFit", "Trust", "cross_shift", "declared_clock", "fit_clock", "tolerant_loss"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Trust = Literal["good", "weak", "refused", "declared"]

_MODES: Final = (0.0, math.log(0.5), math.log(2.0))
_MODE_COST: Final = (0.0, 0.25, 0.35)
_COARSE_SCALE: Final = 0.05
_MIN_SCALE: Final = 0.012
_MAX_SCALE: Final = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockCandidate:
    """One offset that was considered: centre shift in seconds, mean loss per reading (0 best, 1 worst), readings."""

    shift_s: float
    loss: float
    n: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockFit:
    """Where the window's centre lies: ``centre = time + shift_s + 1e-6 * drift_ppm * (time - at_s)``.

    Attributes
    ----------
    at_s : float
        Seconds from the session's start, on the device's own stamps, at which ``shift_s`` holds.
    shift_s, low_s, high_s : float
        Centre shift and its interval.
    drift_ppm, drift_low_ppm, drift_high_ppm : float
    trust : str
        "good", "weak", "refused" or "declared".
    method : str
        In words, for reports.
    candidates : tuple of ClockCandidate
        Best first.
    why : str
        Reason for anything but "good".
    half_shifts_s : tuple of float
        Shift fitted on the even and on the odd blocks of time only, for cross-fitting; NaN where it cannot be told.
    block_s : float
        Length of those blocks, in seconds.
    noise : float
        Scale of the faithful log ratio that the fit ended with.
    """

    at_s: float
    shift_s: float
    low_s: float
    high_s: float
    drift_ppm: float
    drift_low_ppm: float
    drift_high_ppm: float
    trust: Trust
    method: str
    candidates: tuple[ClockCandidate, ...]
    why: str
    half_shifts_s: tuple[float, float]
    block_s: float
    noise: float

    def centre_s(self, time_s: F64) -> F64:
        """Window centres on the reference's clock, seconds, for stamps ``time_s``."""
        centre: F64 = time_s + self.shift_s + 1e-6 * self.drift_ppm * (time_s - self.at_s)
        return centre


def declared_clock(*, shift_s: float, at_s: float, method: str, trust: Trust = "declared") -> ClockFit:
    """Return a clock that was declared, not fitted.

    Parameters
    ----------
    shift_s : float
        Centre shift in seconds.
    at_s : float
        Where it holds, seconds from the session's start.
    method : str
        In words.
    trust : str

    Returns
    -------
    ClockFit
    """
    return ClockFit(
        at_s=at_s,
        shift_s=shift_s,
        low_s=shift_s,
        high_s=shift_s,
        drift_ppm=0.0,
        drift_low_ppm=0.0,
        drift_high_ppm=0.0,
        trust=trust,
        method=method,
        candidates=(),
        why="",
        half_shifts_s=(math.nan, math.nan),
        block_s=60.0,
        noise=math.nan,
    )


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
        gain = (1.0 - cost) * np.exp(-0.5 * np.square((log_ratio - centre) / scale))
        np.minimum(best, 1.0 - gain, out=best)
    return np.where(np.isfinite(log_ratio), best, np.nan)


def _log_reference(reference: Running, centre_s: F64, averaging_s: float, min_covered: float) -> F64:
    half = 0.5 * averaging_s
    window = values_over(reference, centre_s - half, centre_s + half)
    good = (window.covered >= min_covered) & (window.value > 0)
    out = np.full(centre_s.shape, np.nan)
    np.log(window.value, out=out, where=good)
    return out


def _coarse(
    reference: Running,
    time_s: F64,
    log_value: F64,
    *,
    averaging_s: float,
    search_s: float,
    near_s: float,
) -> list[ClockCandidate]:
    """All offsets at which the two overlap, on a grid; returns the best separate peaks as candidates."""
    span = float(time_s[-1] - time_s[0])
    covered = np.flatnonzero(np.diff(reference.covered_s) > 0)
    first, last = float(reference.knot_s[covered[0]]), float(reference.knot_s[covered[-1] + 1])
    step = max(2.0, span / 1200.0, (last - first) / 6000.0)
    grid = np.arange(first, last + step, step)
    log_ref = _log_reference(reference, grid, max(averaging_s, step), 0.5)
    cell = np.floor((time_s - time_s[0]) / step).astype(np.int64)
    count = np.bincount(cell)
    filled = np.flatnonzero(count)
    mean = np.bincount(cell, weights=log_value)[filled] / count[filled]
    weight = np.ones(filled.size)
    n_lags = grid.size + int(filled[-1]) + 1
    # Lag k puts the first device cell onto grid index k - filled[-1].
    shifts = grid[0] + (np.arange(n_lags) - int(filled[-1])) * step - time_s[0]
    wanted = np.flatnonzero(np.abs(shifts) <= search_s)
    if wanted.size == 0:
        return []
    padded = np.full(grid.size + 2 * int(filled[-1]) + 2, np.nan)
    padded[int(filled[-1]) : int(filled[-1]) + grid.size] = log_ref
    table_step = 0.01
    table = 1.0 - tolerant_loss(np.arange(-2.5, 2.5 + table_step, table_step), scale=max(_COARSE_SCALE, 0.04))
    table = np.append(table, 0.0)
    null = _null_gain(log_ref[np.isfinite(log_ref)], mean, table, table_step)
    score = np.full(wanted.size, -np.inf)
    gains = np.zeros(wanted.size)
    overlap = np.zeros(wanted.size)
    rows = max(1, 400_000 // filled.size)
    least = max(3.0, min(60.0 / step, 0.2 * filled.size))
    for begin in range(0, wanted.size, rows):
        lags = wanted[begin : begin + rows]
        ref = padded[lags[:, None] + filled[None, :]]
        there = np.isfinite(ref)
        ratio = mean[None, :] - np.where(there, ref, 0.0)
        index = np.clip(np.rint((ratio + 2.5) / table_step).astype(np.int64), 0, table.size - 2)
        index[~there] = table.size - 1
        gain = table[index] @ weight
        n = there @ weight
        gains[begin : begin + rows] = gain
        overlap[begin : begin + rows] = n
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


def _curves(
    reference: Running,
    time_s: F64,
    log_value: F64,
    shifts_s: F64,
    *,
    averaging_s: float,
    scale: float,
    block: I64,
    n_blocks: int,
) -> F64:
    """Loss summed by block and shift, shape (n_blocks, n_shifts); readings without reference there cost 0.6."""
    loss = np.empty((n_blocks, shifts_s.size))
    for j, shift in enumerate(shifts_s):
        ratio = log_value - _log_reference(reference, time_s + shift, averaging_s, 0.5)
        each = tolerant_loss(ratio, scale=scale)
        loss[:, j] = np.bincount(block, weights=np.where(np.isfinite(each), each, 0.6), minlength=n_blocks)
    return loss


def _argmin(curve: F64, shifts_s: F64) -> F64:
    """Minimum along the last axis, refined by the parabola through its neighbours."""
    at = np.clip(np.argmin(curve, axis=-1), 1, shifts_s.size - 2)
    left = np.take_along_axis(curve, (at - 1)[..., None], axis=-1)[..., 0]
    mid = np.take_along_axis(curve, at[..., None], axis=-1)[..., 0]
    right = np.take_along_axis(curve, (at + 1)[..., None], axis=-1)[..., 0]
    bend = left - 2 * mid + right
    move = np.where(bend > 1e-12, 0.5 * (left - right) / np.where(bend > 1e-12, bend, 1.0), 0.0)
    step = float(shifts_s[1] - shifts_s[0])
    found: F64 = shifts_s[at] + np.clip(move, -0.5, 0.5) * step
    return found


def _residual_scale(log_ratio: F64) -> tuple[float, float]:
    """Robust spread of the log ratios near a mode, and their lag-one correlation."""
    modes = np.array(_MODES)
    r = log_ratio[np.isfinite(log_ratio)]
    if r.size < 8:
        return _MAX_SCALE, 0.9
    distance = r[:, None] - modes[None, :]
    nearest = np.take_along_axis(distance, np.argmin(np.abs(distance), axis=1)[:, None], axis=1)[:, 0]
    near = nearest[np.abs(nearest) < 0.15]
    if near.size < 8:
        return _MAX_SCALE, 0.9
    scale = 1.4826 * float(np.median(np.abs(near - np.median(near))))
    both = (np.abs(nearest[1:]) < 0.15) & (np.abs(nearest[:-1]) < 0.15)
    a, b = nearest[1:][both], nearest[:-1][both]
    phi = float(np.clip(np.dot(a, b) / max(np.dot(b, b), 1e-12), 0.0, 0.98)) if a.size > 8 else 0.9
    return float(np.clip(scale, _MIN_SCALE, _MAX_SCALE)), phi


def fit_clock(
    reference: Running,
    time_s: F64,
    value: F64,
    *,
    averaging_s: float,
    search_s: float,
    near_s: float = 0.0,
    start_s: float | None = None,
    max_drift_ppm: float = 200.0,
    prior_drift_ppm: float = 20.0,
    confidence: float = 0.95,
    seed: int = 0,
) -> ClockFit:
    """Find the centre shift of a device against a reference, with an interval and a verdict.

    Parameters
    ----------
    reference : Running
        Reference on its own clock, doubtful stretches taken out.
    time_s, value : float64 arrays, shape (n,)
        The device's stamps (seconds from the session's start, increasing) and values; sentinels removed, all > 0.
    averaging_s : float
        Averaging the reference gets before it is compared.
    search_s : float
        Offsets up to this size are searched.
    near_s : float
        Centre shift that would be unremarkable (of the clock as stamped); breaks exact ties only.
    start_s : float, optional
        A centre shift known to within some 15 s (from an earlier pass or neighbouring sessions); no other is looked at.
    max_drift_ppm, prior_drift_ppm : float
        Bound and usual size of drift.
    confidence : float
    seed : int
        Of the block bootstrap.

    Returns
    -------
    ClockFit
        ``trust`` is "refused" when nothing fits better than chance or a second candidate is as good, "weak" when the
        interval is wide, else "good".

    Notes
    -----
    The interval is a block bootstrap of the loss curves, never narrower than the sampling of the stamps allows; after
    Kunsch 1989 (Ann Stat 17:1217-1241). Residuals of 1 Hz rates are far from independent, so blocks hold at least
    60 s.
    """
    keep = np.isfinite(value) & (value > 0)
    time_s, value = time_s[keep], value[keep]
    if time_s.size < 8 or reference.knot_s.size < 3 or reference.covered_s[-1] <= 0:
        return _refused("too few readings or too little reference to compare", near_s, time_s)
    log_value = np.log(value)
    if time_s.size > 6000:
        # Enough for the clock: thin evenly, keeping whole readings.
        pick = np.linspace(0, time_s.size - 1, 6000).astype(np.int64)
        time_s, log_value = time_s[pick], log_value[pick]
    if start_s is not None:
        coarse = [ClockCandidate(shift_s=start_s, loss=math.nan, n=int(time_s.size))]
    else:
        coarse = _coarse(reference, time_s, log_value, averaging_s=averaging_s, search_s=search_s, near_s=near_s)
    if not coarse:
        return _refused("the two recordings do not overlap at any offset searched", near_s, time_s)

    span = float(time_s[-1] - time_s[0])
    usual = float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0
    block_s = float(np.clip(span / 30.0, max(30.0, 3 * usual), 600.0))
    block = np.floor((time_s - time_s[0]) / block_s).astype(np.int64)
    n_blocks = int(block[-1]) + 1

    # The best candidates, each on a grid of a second or two around it.
    coarse_step = max(2.0, span / 1200.0, usual / 8)
    refined: list[tuple[float, F64]] = []
    around = np.arange(-2.0, 2.01, 0.25) * coarse_step
    for candidate in coarse:
        shifts = candidate.shift_s + around
        curves = _curves(
            reference, time_s, log_value, shifts, averaging_s=averaging_s, scale=0.035, block=block, n_blocks=n_blocks
        )
        j = int(np.argmin(curves.sum(axis=0)))
        refined.append((float(shifts[j]), curves[:, j]))
    totals = np.array([c.sum() for _, c in refined])
    best = int(np.argmin(totals))
    centre = refined[best][0]

    rng = np.random.Generator(np.random.PCG64(seed))
    draws = rng.multinomial(n_blocks, np.full(n_blocks, 1.0 / n_blocks), size=400).astype(np.float64)

    # The loss around the winner, twice: once to learn the noise, once to settle.
    scale, phi = _residual_scale(log_value - _log_reference(reference, time_s + centre, averaging_s, 0.5))
    fine_step = float(np.clip(usual / 20, 0.5, 15.0))
    for reach in (max(16.0, 2 * coarse_step), max(10.0, coarse_step)):
        shifts = centre + np.arange(-reach, reach + fine_step / 2, fine_step)
        curves = _curves(
            reference, time_s, log_value, shifts, averaging_s=averaging_s, scale=2.0 * scale, block=block,
            n_blocks=n_blocks,
        )  # fmt: skip
        centre = float(_argmin(curves.sum(axis=0), shifts))
        scale, phi = _residual_scale(log_value - _log_reference(reference, time_s + centre, averaging_s, 0.5))
    at = float(0.5 * (time_s[0] + time_s[-1]))
    boot = _argmin(draws @ curves, shifts)
    tail = 0.5 * (1 - confidence)
    widen = _t_over_z(n_blocks)
    low, high = (float(q) for q in np.quantile(boot, [tail, 1 - tail]))
    # Slope information beside the bootstrap: few blocks can agree by luck.
    floor = 1.96 * _information_bound(
        reference, time_s, log_value, centre, averaging_s=averaging_s, scale=scale, phi=phi
    )
    low = centre - max(widen * (centre - low), floor, 0.02)
    high = centre + max(widen * (high - centre), floor, 0.02)
    halves = (
        float(_argmin(curves[0::2].sum(axis=0), shifts)),
        float(_argmin(curves[1::2].sum(axis=0), shifts)) if n_blocks > 1 else math.nan,
    )
    drift, drift_low, drift_high = _drift(
        curves, shifts, block, time_s, at=at, scale=scale, max_ppm=max_drift_ppm, prior_ppm=prior_drift_ppm, phi=phi
    )
    if drift != 0.0:
        moved = curves_with_drift(curves, shifts, block_middles(block, time_s), at=at, drift_ppm=drift)
        centre = float(_argmin(moved.sum(axis=0), shifts))
        halves = (float(_argmin(moved[0::2].sum(axis=0), shifts)), float(_argmin(moved[1::2].sum(axis=0), shifts)))
        boot = _argmin(draws @ moved, shifts)
        low, high = (float(q) for q in np.quantile(boot, [tail, 1 - tail]))
        low = centre - max(widen * (centre - low), floor, 0.02)
        high = centre + max(widen * (high - centre), floor, 0.02)

    mean_loss = float(curves.sum(axis=0).min() / time_s.size)
    candidates = [ClockCandidate(shift_s=centre, loss=mean_loss, n=int(time_s.size))]
    rivals = [
        (s, c) for i, (s, c) in enumerate(refined) if i != best and abs(s - centre) > max(20.0, 1.5 * (high - low))
    ]
    for s, c in sorted(rivals, key=lambda pair: float(pair[1].sum())):
        candidates.append(ClockCandidate(shift_s=float(s), loss=float(c.sum() / time_s.size), n=int(time_s.size)))
    trust: Trust = "good"
    why = ""
    chance = 0.0
    if rivals:
        winner = refined[best][1]
        chance = max(float(np.mean(draws @ c <= draws @ winner)) for _, c in rivals)
    at_edge = high - centre >= shifts[-1] - centre - fine_step or centre - low >= centre - shifts[0] - fine_step
    flat = _flatness(curves.sum(axis=0), n_blocks)
    if mean_loss > 0.75:
        trust, why = "refused", "no offset makes the device follow the reference better than chance"
    elif chance > 0.05:
        rival = candidates[1].shift_s - candidates[0].shift_s
        trust, why = "refused", f"a second answer, {rival:+.0f} s away, fits as well (in {chance:.0%} of resamples)"
    elif high - low > 10.0 or at_edge or flat:
        trust, why = "weak", "the rate hardly moves, so the clock has little to hold on to"
    elif chance > 0.005:
        trust, why = "weak", f"a second answer fits as well in {chance:.1%} of resamples"
    return ClockFit(
        at_s=at,
        shift_s=centre,
        low_s=low,
        high_s=high,
        drift_ppm=drift,
        drift_low_ppm=drift_low,
        drift_high_ppm=drift_high,
        trust=trust,
        method="searched over all offsets, forgiving half and double rate",
        candidates=tuple(candidates),
        why=why,
        half_shifts_s=halves,
        block_s=block_s,
        noise=scale,
    )


def _refused(why: str, near_s: float, time_s: F64) -> ClockFit:
    at = float(0.5 * (time_s[0] + time_s[-1])) if time_s.size else 0.0
    fit = declared_clock(shift_s=near_s, at_s=at, method="as stamped", trust="refused")
    return ClockFit(
        **{name: getattr(fit, name) for name in ClockFit.__slots__ if name not in ("why", "low_s", "high_s")},
        why=why,
        low_s=-math.inf,
        high_s=math.inf,
    )


def _flatness(curve: F64, n_blocks: int) -> bool:
    """Whether the loss has no clear dip inside the range looked at (range below noise of the blocks)."""
    return bool(curve.max() - curve.min() < 0.02 * max(curve.min(), 1.0) or n_blocks < 2)


def _t_over_z(n_blocks: int) -> float:
    """How much wider an interval from few blocks must be (ratio of t and normal 97.5 % points, by Cornish-Fisher)."""
    df = max(n_blocks - 1, 1)
    z = 1.959964
    t = z + (z**3 + z) / (4 * df) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * df**2)
    return min(t / z, 3.0)


def _information_bound(
    reference: Running, time_s: F64, log_value: F64, shift_s: float, *, averaging_s: float, scale: float, phi: float
) -> float:
    """Smallest standard error any method could reach.

    Noise over the root of summed squared slopes, inflated for serial correlation by ``sqrt((1 + phi) / (1 - phi))``.
    """
    before = _log_reference(reference, time_s + shift_s - 1.0, averaging_s, 0.5)
    here = _log_reference(reference, time_s + shift_s, averaging_s, 0.5)
    after = _log_reference(reference, time_s + shift_s + 1.0, averaging_s, 0.5)
    slope = 0.5 * (after - before)
    near = np.abs(log_value - here) < 0.15
    steep = float(np.nansum(np.square(np.where(near, slope, 0.0))))
    if steep <= 0:
        return math.inf
    return scale * math.sqrt((1 + phi) / (1 - phi)) / math.sqrt(steep)


def block_middles(block: I64, time_s: F64) -> F64:
    """Mean stamp of the readings of each block; NaN for an empty block."""
    n = np.bincount(block)
    total = np.bincount(block, weights=time_s)
    out = np.full(n.size, np.nan)
    np.divide(total, n, out=out, where=n > 0)
    return out


def curves_with_drift(curves: F64, shifts_s: F64, middle_s: F64, *, at: float, drift_ppm: float) -> F64:
    """Each block's loss curve moved by what drift adds at its middle."""
    moved = np.empty_like(curves)
    for b in range(curves.shape[0]):
        extra = 0.0 if math.isnan(middle_s[b]) else 1e-6 * drift_ppm * (middle_s[b] - at)
        moved[b] = np.interp(shifts_s + extra, shifts_s, curves[b])
    return moved


def _drift(
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
) -> tuple[float, float, float]:
    """Drift with interval, shrunk to zero unless the recording is long enough to show it."""
    span = float(time_s[-1] - time_s[0])
    if span < 5400.0 or curves.shape[0] < 6:
        return 0.0, -max_ppm, max_ppm
    middles = block_middles(block, time_s)
    ppm = np.arange(-max_ppm, max_ppm + 1, 5.0)
    best = np.array(
        [curves_with_drift(curves, shifts_s, middles, at=at, drift_ppm=float(p)).sum(axis=0).min() for p in ppm]
    )
    # The bounded loss is worth r^2 / (2 (2 scale)^2): four times less than a log likelihood; correlation takes more.
    effective = 4.0 * (1 - phi) / (1 + phi)
    posterior = effective * best + 0.5 * np.square(ppm / prior_ppm)
    weight = np.exp(-(posterior - posterior.min()))
    weight /= weight.sum()
    mean = float(np.dot(weight, ppm))
    running = np.cumsum(weight)
    low, high = (float(np.interp(q, running, ppm)) for q in (0.025, 0.975))
    if low <= 0.0 <= high:
        return 0.0, low, high
    return mean, low, high


def cross_shift(fit: ClockFit, time_s: F64) -> F64:
    """Centre shift for each reading, from the blocks it does not belong to.

    Parameters
    ----------
    fit : ClockFit
    time_s : float64 array, shape (n,)
        The same stamps the fit saw, seconds; their first one starts block 0.

    Returns
    -------
    float64 array, shape (n,)
        Fitted on the data then judged, a clock flatters; here even blocks are judged with the clock of the odd ones
        and the other way round. The fit's own shift where halves could not be told.
    """
    block = np.floor((time_s - time_s[0]) / fit.block_s).astype(np.int64)
    even, odd = (s if math.isfinite(s) else fit.shift_s for s in fit.half_shifts_s)
    shift = np.where(block % 2 == 0, odd, even) + 1e-6 * fit.drift_ppm * (time_s - fit.at_s)
    out: F64 = shift
    return out
