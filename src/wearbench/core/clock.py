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
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clockbias import NO_BIAS, BiasPrior, at_least_bias, bias_grid, least_over_bias
from wearbench.core.clockcurves import (
    NO_REFERENCE,
    argmin_of,
    block_middles,
    curves_with_drift,
    drift_of,
    follows_by_chance,
    forgive_late,
    information_bound,
    loss_curves,
    near_a_mode,
    normal_point,
    residual_scale,
    serial_noise,
    shift_error,
    t_over_z,
    worth_of,
)
from wearbench.core.clocksearch import ClockCandidate, coarse_scale, search_offsets, tolerant_loss
from wearbench.core.running import Running
from wearbench.core.smoothing import Shape, Smoothed, smoothed

__all__ = ["ClockCandidate", "ClockFit", "Trust", "cross_shift", "declared_clock", "fit_clock", "tolerant_loss"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Trust = Literal["good", "weak", "refused", "declared"]
_MOVES: Final = 13
_FEWEST_BLOCKS: Final = 3
_SEEN: Final = 0.01
_LEAST_SPREAD: Final = 0.002
_FLOOR_S: Final = 0.15
"""Half an interval is never shorter: stamps tick, and no device smooths exactly as assumed (our own figure)."""


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
    block_s, blocks_from_s : float
        Length of those blocks and the stamp at which block 0 starts, in seconds.
    noise : float
        Scale of the faithful log ratio that the fit ended with.
    worth : float
        Log likelihood that a unit of loss is worth, serial correlation counted; NaN where nothing was fitted.
    bound_s : float
        Smallest standard error that any method could reach with these readings; NaN where nothing was fitted.
    bias : float
        Constant error that the readings were found with, log of tested to reference (at the middle value where it is
        one in beats a minute).
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
    blocks_from_s: float = 0.0
    worth: float = math.nan
    bound_s: float = math.nan
    bias: float = 0.0

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


def fit_clock(
    reference: Running,
    time_s: F64,
    value: F64,
    *,
    averaging_s: float,
    search_s: float,
    shape: Shape = "boxcar",
    near_s: float = 0.0,
    start_s: float | None = None,
    within_s: tuple[float, float] | None = None,
    also: Sequence[tuple[float, Shape]] = (),
    bias: BiasPrior = NO_BIAS,
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
    shape : {"boxcar", "exponential"}
        How the device smooths.
    near_s : float
        Centre shift that would be unremarkable (of the clock as stamped); breaks exact ties only.
    start_s : float, optional
        A centre shift known to within some 15 s (from an earlier pass or neighbouring sessions); no other is looked at.
    within_s : tuple of float, optional
        Lowest and highest centre shift looked at, in place of ``search_s`` to either side.
    also : sequence of (float, shape)
        Other averagings that the device may have as well, at the ends of an interval of the same confidence: the
        interval of the shift reaches as far as it moves with them.
    bias : BiasPrior
        What is expected of the device's constant error, which is found along with the shift.
    max_drift_ppm, prior_drift_ppm : float
        Bound and usual size of drift.
    confidence : float
    seed : int
        Of the block bootstrap.

    Returns
    -------
    ClockFit
        ``trust`` is "refused" when nothing fits better than chance, the reference explains nothing of what the device
        shows, or a second candidate is as good; "weak" when the interval is wide, else "good".

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
    # Readings much closer together than the averaging say the same twice.
    usual = float(np.median(np.diff(time_s)))
    every = max(1, min(int(0.25 * averaging_s / max(usual, 1e-3)), time_s.size // 50), -(-time_s.size // 6000))
    time_s, log_value = time_s[::every], log_value[::every]
    if start_s is not None:
        coarse = [ClockCandidate(shift_s=start_s, loss=math.nan, n=int(time_s.size))]
    else:
        coarse = search_offsets(
            reference,
            time_s,
            log_value,
            averaging_s=averaging_s,
            search_s=search_s,
            near_s=near_s,
            within_s=within_s,
        )
    if not coarse:
        return _refused("the two recordings do not overlap at any offset searched", near_s, time_s)
    span = float(time_s[-1] - time_s[0])
    usual = float(np.median(np.diff(time_s)))
    # Readings within an averaging share what they show.
    block_s = float(np.clip(span / 60.0, max(30.0, 3 * usual, min(averaging_s, span / 12.0)), 600.0))
    block = np.floor((time_s - time_s[0]) / block_s).astype(np.int64)
    data = _Data(
        reference=smoothed(reference, averaging_s=averaging_s, shape=shape),
        time_s=time_s,
        log_value=log_value,
        usual_s=usual,
        step_s=max(2.0, span / 1200.0, usual / 8),
        block=block,
        n_blocks=int(block[-1]) + 1,
        expected=bias,
    )
    # Blocks next to each other are alike; draw them in pairs.
    rng = np.random.Generator(np.random.PCG64(seed))
    pairs = -(-data.n_blocks // 2)
    drawn = rng.multinomial(pairs, np.full(pairs, 1.0 / pairs), size=400).astype(np.float64)
    draws = np.repeat(drawn, 2, axis=1)[:, : data.n_blocks]
    best, rivals = _refine(data, coarse)
    settled = _settle(
        data, best[0], draws, confidence=confidence, max_drift_ppm=max_drift_ppm, prior_drift_ppm=prior_drift_ppm
    )
    fit = replace(settled, block_s=block_s, blocks_from_s=float(time_s[0]))
    # What averages over minutes has one answer within a good part of one.
    apart = max(20.0, 0.25 * averaging_s)
    rivals = [r for r in rivals if abs(r[0] - fit.shift_s) > max(apart, 1.5 * (fit.high_s - fit.low_s))]
    for averaging, other in also:
        fit = _reaching(fit, data, smoothed(reference, averaging_s=averaging, shape=other), averaging_s=averaging)
    n = int(time_s.size)
    candidates = [fit.candidates[0]]
    candidates += [ClockCandidate(shift_s=s, loss=float(c.sum() / n), n=n) for s, c in rivals]
    # A rival counts where it would be better by more than a few readings' worth; resamples that happen to hold only
    # stretches in which both fit alike speak for neither.
    worth = max(4.0, 0.01 * n)
    chance = max((float(np.mean(draws @ (best[1] - c) > worth)) for _, c in rivals), default=0.0)
    lead = min((float((c - best[1]).sum()) for _, c in rivals), default=math.inf)
    trust, why = fit.trust, fit.why
    if candidates[0].loss > 0.75:
        trust, why = "refused", "no offset makes the device follow the reference better than chance"
    elif follows_by_chance(data.reference.log_at(fit.centre_s(time_s)), log_value):
        trust, why = "refused", "at no offset does the reference explain what the device shows: the rate hardly moves"
    elif chance > 0.05 or lead < worth:
        rival = candidates[1].shift_s - candidates[0].shift_s
        trust, why = "refused", f"a second answer, {rival:+.0f} s away, fits about as well"
    elif trust == "good" and chance > 0.005:
        trust, why = "weak", f"a second answer would fit better in {chance:.1%} of resamples"
    return replace(fit, trust=trust, why=why, candidates=tuple(candidates))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Data:
    reference: Smoothed
    time_s: F64
    log_value: F64
    usual_s: float
    step_s: float
    block: I64
    n_blocks: int
    expected: BiasPrior
    lean: F64 | None = None

    @property
    def in_beats(self) -> F64:
        """How much of a constant error in beats a minute each reading shows, one at the middle value."""
        lean: F64 = np.clip(np.exp(np.median(self.log_value) - self.log_value), 0.0, 4.0)
        return lean

    def curves(self, shifts_s: F64, *, scale: float, bias: F64) -> F64:
        return loss_curves(
            self.reference,
            self.time_s,
            self.log_value,
            shifts_s,
            scale=scale,
            block=self.block,
            n_blocks=self.n_blocks,
            bias=bias,
            lean=self.lean,
        )

    def log_ratio(self, centre_s: float) -> F64:
        ratio: F64 = self.log_value - self.reference.log_at(self.time_s + centre_s)
        return ratio


def _refine(data: _Data, coarse: list[ClockCandidate]) -> tuple[tuple[float, F64], list[tuple[float, F64]]]:
    """Look at each candidate on a grid of a second or two; best and rivals with their loss by block, best first."""
    around = np.arange(-2.0, 2.01, 0.25) * data.step_s
    scale = min(0.035, 2.0 * coarse_scale(data.reference.log_at(data.time_s + coarse[0].shift_s)))
    refined: list[tuple[float, F64]] = []
    for candidate in coarse:
        shifts = candidate.shift_s + around
        bias = bias_grid(data.log_ratio(candidate.shift_s), scale=scale, prior=data.expected)
        curves, _ = at_least_bias(data.curves(shifts, scale=scale, bias=bias), bias, data.expected, worth=1.0)
        j = int(np.argmin(curves.sum(axis=0)))
        refined.append((float(shifts[j]), curves[:, j]))
    refined.sort(key=lambda pair: float(pair[1].sum()))
    return refined[0], refined[1:]


def _settle(
    data: _Data,
    centre: float,
    draws: F64,
    *,
    confidence: float,
    max_drift_ppm: float,
    prior_drift_ppm: float,
) -> ClockFit:
    """Fit around the winner: once to learn the noise, once to settle; interval, drift, halves."""
    scale, phi = residual_scale(data.log_ratio(centre))
    step = float(np.clip(data.usual_s / 20, 0.5, 15.0))
    late_s = 30.0 if data.usual_s < 10.0 else 0.0
    for reach in (max(16.0, 2 * data.step_s), max(10.0, data.step_s)):
        n = math.ceil(reach / step)
        extra = round(late_s / step)
        wide: F64 = centre + np.arange(-n - extra, n + 1, dtype=np.float64) * step
        bias = bias_grid(data.log_ratio(centre), scale=2.0 * scale, prior=data.expected)
        worth = worth_of(phi)
        near, _ = near_a_mode(data.log_ratio(centre))
        if near.size and abs(float(np.median(near))) > _SEEN:
            data = _leaning(data, wide[:: max(1, wide.size // 12)], scale=2.0 * scale, bias=bias)
        each = data.curves(wide, scale=2.0 * scale, bias=bias)
        shifts = wide[extra:]
        if late_s:
            # No more than a block can show.
            most = float(np.clip(0.5 * data.time_s.size / data.n_blocks, 2.0, 20.0))
            cost = float(np.clip(4.0 / worth, 2.0, most))
            each = np.array([forgive_late(curves, step_s=step, cost=cost, most_s=late_s) for curves in each])
        curves, found = at_least_bias(each, bias, data.expected, worth=worth)
        centre = float(argmin_of(curves.sum(axis=0), shifts))
        scale, phi = residual_scale(data.log_ratio(centre))
    at = float(0.5 * (data.time_s[0] + data.time_s[-1]))
    drift, drift_low, drift_high = drift_of(
        curves, shifts, data.block, data.time_s, at=at, scale=scale, max_ppm=max_drift_ppm,
        prior_ppm=prior_drift_ppm, phi=phi, confidence=confidence,
    )  # fmt: skip
    if drift != 0.0:
        middles = block_middles(data.block, data.time_s)
        each = np.array([curves_with_drift(curves, shifts, middles, at=at, drift_ppm=drift) for curves in each])
        curves, found = at_least_bias(each, bias, data.expected, worth=worth)
        centre = float(argmin_of(curves.sum(axis=0), shifts))
    tail = 0.5 * (1 - confidence)
    z = normal_point(confidence)
    boot = argmin_of(least_over_bias(draws @ each, bias, data.expected, worth=worth)[0], shifts)
    low, high = (float(q) for q in np.quantile(boot, [tail, 1 - tail]))
    # Slope information beside the bootstrap: few blocks can agree by luck.
    seen, serial = serial_noise(data.log_ratio(centre), least=_LEAST_SPREAD)
    bound = information_bound(data.reference, data.time_s, data.log_value, centre, scale=seen, phi=serial)
    least = shift_error(data.reference, data.time_s, data.log_value, centre)
    floor = z * least
    widen = t_over_z(-(-data.n_blocks // 2), z=z)
    low = centre - max(widen * (centre - low), floor, _FLOOR_S)
    high = centre + max(widen * (high - centre), floor, _FLOOR_S)
    even, odd = (
        _half_of(half, least_over_bias(half.sum(axis=1), bias, data.expected, worth=worth)[0], shifts)
        for half in (each[:, 0::2], each[:, 1::2])
    )
    total = curves.sum(axis=0)
    at_edge = high >= shifts[-1] - step or low <= shifts[0] + step
    flat = bool(total.max() - total.min() < 0.02 * max(float(total.min()), 1.0)) or data.n_blocks < 2
    # How well it is known does not hang on the confidence asked for.
    vague = (high - low) * 1.96 / z > 10.0 or at_edge or flat
    n_readings = int(data.time_s.size)
    return ClockFit(
        at_s=at,
        shift_s=centre,
        low_s=low,
        high_s=high,
        drift_ppm=drift,
        drift_low_ppm=drift_low,
        drift_high_ppm=drift_high,
        trust="weak" if vague else "good",
        method="searched over all offsets, forgiving half and double rate and late onsets",
        candidates=(ClockCandidate(shift_s=centre, loss=float(total.min() / n_readings), n=n_readings),),
        why="the rate hardly moves, so the clock has little to hold on to" if vague else "",
        half_shifts_s=(even, odd),
        block_s=0.0,
        noise=scale,
        worth=worth_of(phi),
        bound_s=bound,
        bias=float(np.interp(centre, shifts, found)),
    )


def _leaning(data: _Data, shifts_s: F64, *, scale: float, bias: F64) -> _Data:
    """The data with their constant error as a ratio, or in beats a minute where the readings follow better so."""
    each = (replace(data, lean=None), replace(data, lean=data.in_beats))
    loss = [float(one.curves(shifts_s, scale=scale, bias=bias).sum(axis=1).min()) for one in each]
    return each[int(np.argmin(loss))]


def _half_of(each: F64, total: F64, shifts: F64) -> float:
    """Where half of the blocks put the shift; NaN where they do not say, as at the end of what was looked at."""
    if each.shape[1] < _FEWEST_BLOCKS:
        return math.nan
    at = int(np.argmin(total))
    return float(argmin_of(total, shifts)) if 1 < at < shifts.size - 2 else math.nan


def _reaching(fit: ClockFit, data: _Data, other: Smoothed, *, averaging_s: float) -> ClockFit:
    """The fit with an interval that also reaches where it would lie had the device another averaging."""
    reach = max(6.0, 3.0 * data.usual_s / 20, 0.25 * averaging_s)
    every = max(1, data.time_s.size // 2000)
    time_s, log_value = data.time_s[::every], data.log_value[::every]
    centre = fit.centre_s(time_s)
    moves = np.linspace(-reach, reach, _MOVES)

    logs = np.array([log_value - fit.bias - other.log_at(centre + move) for move in moves])
    each = tolerant_loss(logs, scale=2.0 * fit.noise)
    away = float(argmin_of(np.where(np.isfinite(each), each, NO_REFERENCE).sum(axis=1), moves))
    if away < 0:
        return replace(fit, low_s=fit.shift_s - math.hypot(fit.shift_s - fit.low_s, away))
    return replace(fit, high_s=fit.shift_s + math.hypot(fit.high_s - fit.shift_s, away))


def _refused(why: str, near_s: float, time_s: F64) -> ClockFit:
    at = float(0.5 * (time_s[0] + time_s[-1])) if time_s.size else 0.0
    fit = declared_clock(shift_s=near_s, at_s=at, method="as stamped", trust="refused")
    return replace(fit, why=why, low_s=-math.inf, high_s=math.inf)


def cross_shift(fit: ClockFit, time_s: F64) -> F64:
    """Centre shift for each reading, from the blocks it does not belong to.

    Parameters
    ----------
    fit : ClockFit
    time_s : float64 array, shape (n,)
        Stamps in seconds, also of readings without a value, which the fit did not see.

    Returns
    -------
    float64 array, shape (n,)
        Fitted on the data then judged, a clock flatters; here even blocks are judged with the clock of the odd ones
        and the other way round. The fit's own shift where halves could not be told.
    """
    block = np.floor((time_s - fit.blocks_from_s) / fit.block_s).astype(np.int64)
    even, odd = (s if math.isfinite(s) else fit.shift_s for s in fit.half_shifts_s)
    shift = np.where(block % 2 == 0, odd, even) + 1e-6 * fit.drift_ppm * (time_s - fit.at_s)
    out: F64 = shift
    return out
