"""Limits of agreement from a mixed model, of all activities together and of each, with their intervals."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.mixed import ActivityEffect, MixedFit, fit_mixed, refit
from wearbench.core.agreement.mixedcells import Cells, cells_of_pairs
from wearbench.core.agreement.mixedlikelihood import TERMS
from wearbench.core.agreement.summary import MULTIPLIER
from wearbench.core.clusters import Estimate, jackknife_se, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["ActivityLimits", "MixedInterval", "MixedLimits", "mixed_limits", "mixed_limits_of_cells"]

F64 = NDArray[np.float64]
MixedInterval = Literal["satterthwaite", "jackknife", "bootstrap"]

RESAMPLES: Final = 2000
SEED: Final = 20_310_112
OF_ONE_ACTIVITY: Final = "activity"
"""The variance that limits for one activity leave out."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ActivityLimits:
    """Limits for one activity: its own mean, and every variance but that between activities."""

    name: str
    n_pairs: int
    n_participants: int
    bias: Estimate
    low: Estimate
    high: Estimate


@dataclass(frozen=True, kw_only=True, slots=True)
class MixedLimits:
    """Bias, SD of differences and limits of agreement of a mixed model.

    Attributes
    ----------
    includes, of_one_activity : tuple of str
        The variances that the SD and the limits hold: of a new pair in any activity, and of one in a given activity.
    activities : tuple of ActivityLimits
        Empty where activity is not in the model.
    remarks : tuple of str
        What the reader has to know: variances estimated as 0, terms left out, no convergence.
    """

    n_pairs: int
    n_participants: int
    bias: Estimate
    sd: Estimate
    low: Estimate
    high: Estimate
    multiplier: float
    includes: tuple[str, ...]
    of_one_activity: tuple[str, ...]
    activities: tuple[ActivityLimits, ...]
    remarks: tuple[str, ...]
    fit: MixedFit


@dataclass(frozen=True, kw_only=True, slots=True)
class _Ends:
    """Ends of the intervals of the bias, the SD and the two limits, how they were made, and why one is missing."""

    bias: tuple[float, float] | None
    sd: tuple[float, float] | None
    low: tuple[float, float] | None
    high: tuple[float, float] | None
    bias_method: str
    method: str
    why: str | None = None


def mixed_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    participant: ArrayLike,
    session: ArrayLike | None = None,
    activity: ArrayLike | None = None,
    activity_effect: ActivityEffect = "random",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
    interval: MixedInterval = "satterthwaite",
    resamples: int = RESAMPLES,
    seed: int = SEED,
) -> MixedLimits:
    """Limits of agreement from a mixed model of the differences.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit, simultaneous: the true value may vary.
    participant, session, activity : array-like, shape (n,)
        Whose each pair is, in which session of that participant, during what: numbers or names.
    activity_effect : {"random", "fixed", "none"}
        As in `fit_mixed`.
    multiplier : float
        Limits are mean -+ multiplier * SD.
    confidence : float
        Level of the intervals.
    interval : {"satterthwaite", "jackknife", "bootstrap"}
        How the intervals are made, see Notes.
    resamples, seed : int
        Of the bootstrap.

    Returns
    -------
    MixedLimits
        Mean -+ multiplier * sqrt(sum of variances) (Parker et al. 2016, PLoS ONE 11(12):e0168321). All random terms and
        the error enter; ``activities`` holds limits for each activity, which leave the variance between activities
        out. With fixed activities the overall limits are those of an activity with the plain average of the means.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or an option is none of those offered.
    CannotTell
        If there are fewer than two participants or pairs, or nothing varies.

    Notes
    -----
    satterthwaite: t for the mean; chi-square for the total variance with df 2/Var(log variance) from the observed
    information; both joined for a limit by recovered variances (Zou 2013, Stat Methods Med Res 22:630-642).
    jackknife: the model fitted again without each participant; t on the mean and on the log of the SD, joined with
    their correlation (Zou & Donner 2008, Stat Med 27:1693-1702). bootstrap: samples drawn from the fitted model and
    fitted again; (limit* - limit)/SD*, (mean* - mean)/SE* and SD*/SD are pivots (Davison & Hinkley 1997, chapter 2),
    for single pairs the exact intervals. All three rest on normal effects but the jackknife.
    """
    cells = cells_of_pairs(tested, reference, participant=participant, session=session, activity=activity)
    return mixed_limits_of_cells(
        cells,
        activity_effect=activity_effect,
        multiplier=multiplier,
        confidence=confidence,
        interval=interval,
        resamples=resamples,
        seed=seed,
    )


def mixed_limits_of_cells(
    cells: Cells,
    *,
    activity_effect: ActivityEffect = "random",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
    interval: MixedInterval = "satterthwaite",
    resamples: int = RESAMPLES,
    seed: int = SEED,
) -> MixedLimits:
    """Limits of agreement from a mixed model, from cells alone.

    Parameters
    ----------
    cells : Cells
        As `cells_of_pairs` or `cells_of_sums` give them.
    activity_effect, multiplier, confidence, interval, resamples, seed
        As in `mixed_limits`.

    Returns
    -------
    MixedLimits

    Raises
    ------
    DataError
        If an option is none of those offered.
    CannotTell
        If there are fewer than two participants or pairs, or nothing varies.
    """
    if interval not in ("satterthwaite", "jackknife", "bootstrap"):
        raise DataError(f"expected the interval 'satterthwaite', 'jackknife' or 'bootstrap', got {interval!r}")
    if not 0 < confidence < 1:
        raise DataError(f"expected a confidence between 0 and 1, got {confidence}")
    if resamples < 100:
        raise DataError(f"expected at least 100 resamples, got {resamples}")
    fit = fit_mixed(cells, activity=activity_effect)
    options = {"multiplier": multiplier, "confidence": confidence}
    if not fit.converged:
        ends = _none("the fit did not converge")
    elif interval == "satterthwaite":
        ends = _satterthwaite(fit, **options)
    elif interval == "jackknife":
        ends = _jackknife(fit, **options)
    else:
        ends = _bootstrap(fit, **options, resamples=resamples, seed=seed)
    sd = math.sqrt(_total(fit))
    count = fit.n_participants

    def estimate(value: float, pair: tuple[float, float] | None, method: str) -> Estimate:
        low, high = pair if pair is not None else (None, None)
        given = 0 if pair is None else count
        return Estimate(value=value, low=low, high=high, method=method, n=given, why=ends.why if pair is None else None)

    return MixedLimits(
        n_pairs=fit.n_pairs,
        n_participants=count,
        bias=estimate(fit.mean, ends.bias, ends.bias_method),
        sd=estimate(sd, ends.sd, ends.method),
        low=estimate(fit.mean - multiplier * sd, ends.low, ends.method),
        high=estimate(fit.mean + multiplier * sd, ends.high, ends.method),
        multiplier=multiplier,
        includes=tuple(part.name for part in fit.components),
        of_one_activity=tuple(part.name for part in fit.components if part.name != OF_ONE_ACTIVITY),
        activities=tuple(_each_activity(fit, **options)),
        remarks=tuple(_remarks(fit)),
        fit=fit,
    )


def _none(why: str) -> _Ends:
    return _Ends(bias=None, sd=None, low=None, high=None, bias_method="none", method="none", why=why)


def _total(fit: MixedFit, *, leaving_out: str | None = None) -> float:
    return sum(part.variance for part in fit.components if part.name != leaving_out)


def _variance_df(fit: MixedFit, *, leaving_out: str | None = None) -> float:
    """Degrees of freedom of a sum of variances: 2/Var(log sum), by the observed information."""
    total = _total(fit, leaving_out=leaving_out)
    positive = [part for part in fit.components if not part.at_zero]
    gradient = np.array([0.0 if part.name == leaving_out else part.variance / total for part in positive])
    gradient[-1] = 1.0  # the error variance scales them all
    spread = float(gradient @ fit.covariance @ gradient)
    return 2.0 / spread if spread > 0 else math.inf


def _sd_interval(variance: float, df: float, confidence: float) -> tuple[float, float]:
    from scipy.special import chdtri

    low, high = (
        math.sqrt(variance * df / float(chdtri(df, tail))) for tail in (0.5 - confidence / 2, 0.5 + confidence / 2)
    )
    return low, high


def _arms(
    limit: float, sign: float, bias: float, spread: tuple[float, float], correlation: float = 0.0
) -> tuple[float, float]:
    """Interval of a limit from the half-width of the bias and the arms (inner, outer) of multiplier * SD."""
    inner, outer = (math.sqrt(max(0.0, bias**2 + arm**2 + 2 * sign * correlation * bias * arm)) for arm in spread)
    return (limit - inner, limit + outer) if sign > 0 else (limit - outer, limit + inner)


def _satterthwaite(fit: MixedFit, *, multiplier: float, confidence: float) -> _Ends:
    half = t_quantile(0.5 + confidence / 2, fit.mean_df) * fit.mean_se
    variance = _total(fit)
    sd, df = math.sqrt(variance), _variance_df(fit)
    low, high = _sd_interval(variance, df, confidence)
    arms = (multiplier * (sd - low), multiplier * (high - sd))
    people = f"{fit.n_participants} participants"
    return _Ends(
        bias=(fit.mean - half, fit.mean + half),
        sd=(low, high),
        low=_arms(fit.mean - multiplier * sd, -1.0, half, arms),
        high=_arms(fit.mean + multiplier * sd, 1.0, half, arms),
        bias_method=f"mixed model, t({fit.mean_df:.3g}) on {people}",
        method=f"mixed model, recovered variances with {df:.3g} degrees of freedom on {people}",
    )


def _jackknife(fit: MixedFit, *, multiplier: float, confidence: float) -> _Ends:
    count = fit.n_participants
    if count < 3:
        return _none("2 participants: leaving one out leaves one, and no variance between participants")
    mean, log_sd = np.empty(count), np.empty(count)
    for code in range(count):
        try:
            left = refit(fit, fit.cells.without(code))
        except CannotTell as error:
            return _none(f"without {fit.cells.participant_names[code]}: {error.message}")
        mean[code], log_sd[code] = left.mean, math.log(_total(left)) / 2
    sd = math.sqrt(_total(fit))
    quantile = t_quantile(0.5 + confidence / 2, count - 1)
    se_mean, se_log = float(jackknife_se(fit.mean, mean)), float(jackknife_se(math.log(sd), log_sd))
    half = quantile * se_mean
    low, high = sd * math.exp(-quantile * se_log), sd * math.exp(quantile * se_log)
    together = (count - 1) / count * float(np.sum((mean - fit.mean) * (log_sd - math.log(sd))))
    correlation = together / (se_mean * se_log) if se_mean * se_log > 0 else 0.0
    arms = (multiplier * (sd - low), multiplier * (high - sd))
    method = f"mixed model, jackknife of {count} participants, t({count - 1})"
    return _Ends(
        bias=(fit.mean - half, fit.mean + half),
        sd=(low, high),
        low=_arms(fit.mean - multiplier * sd, -1.0, half, arms, correlation),
        high=_arms(fit.mean + multiplier * sd, 1.0, half, arms, correlation),
        bias_method=method,
        method=method,
    )


def _samples(fit: MixedFit, *, resamples: int, seed: int) -> Iterator[Cells]:
    """Cells drawn from the fitted model, in the shape of the cells it was fitted to."""
    cells = fit.cells
    generator = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *b"mixed model"])))
    both = np.unique(cells.participant * (int(cells.activity.max()) + 1) + cells.activity, return_inverse=True)[1]
    codes = dict(zip(TERMS, (cells.participant, cells.session, cells.activity, both), strict=True))
    random = [(codes[part.name], int(codes[part.name].max()) + 1, part.sd) for part in fit.components[:-1]]
    middle = np.full(cells.n.size, fit.mean)
    if fit.activity_effect == "fixed":
        middle = np.asarray(fit.activity_means)[cells.activity]
    error = fit.components[-1].sd
    for _ in range(resamples):
        mean = middle + error / np.sqrt(cells.n) * generator.standard_normal(cells.n.size)
        for code, size, sd in random:
            mean = mean + (sd * generator.standard_normal(size))[code]
        # chi-square with 0 degrees of freedom is 0
        yield replace(cells, mean=mean, m2=error**2 * 2.0 * generator.standard_gamma((cells.n - 1) / 2))


def _bootstrap(fit: MixedFit, *, multiplier: float, confidence: float, resamples: int, seed: int) -> _Ends:
    sd = math.sqrt(_total(fit))
    found = np.full((resamples, 4), np.nan)
    for row, cells in enumerate(_samples(fit, resamples=resamples, seed=seed)):
        try:
            again = refit(fit, cells)
        except CannotTell:
            continue
        other = math.sqrt(_total(again))
        away = again.mean - fit.mean
        found[row] = (
            away / again.mean_se,
            other / sd,
            (away - multiplier * (other - sd)) / other,
            (away + multiplier * (other - sd)) / other,
        )
    found = found[np.all(np.isfinite(found), axis=1)]
    if found.shape[0] < 0.99 * resamples:
        return _none(f"{resamples - found.shape[0]} of {resamples} resamples could not be fitted")
    tails = [0.5 + confidence / 2, 0.5 - confidence / 2]
    mean, spread, lower, upper = np.quantile(found, tails, axis=0).T
    low, high = fit.mean - multiplier * sd, fit.mean + multiplier * sd
    method = f"mixed model, parametric bootstrap of {resamples} on {fit.n_participants} participants"
    return _Ends(
        bias=(fit.mean - float(mean[0]) * fit.mean_se, fit.mean - float(mean[1]) * fit.mean_se),
        sd=(sd / float(spread[0]), sd / float(spread[1])),
        low=(low - float(lower[0]) * sd, low - float(lower[1]) * sd),
        high=(high - float(upper[0]) * sd, high - float(upper[1]) * sd),
        bias_method=method,
        method=method,
    )


def _each_activity(fit: MixedFit, *, multiplier: float, confidence: float) -> Iterator[ActivityLimits]:
    variance = _total(fit, leaving_out=OF_ONE_ACTIVITY)
    sd = math.sqrt(variance)
    spread: tuple[float, float] | None = None
    df = math.nan
    if fit.converged:
        df = _variance_df(fit, leaving_out=OF_ONE_ACTIVITY)
        low, high = _sd_interval(variance, df, confidence)
        spread = (multiplier * (sd - low), multiplier * (high - sd))
    for code, (mean, se) in enumerate(zip(fit.activity_means, fit.activity_ses, strict=True)):
        here = fit.cells.activity == code
        people = np.unique(fit.cells.participant[here]).size
        if spread is None or people < 2:
            why = "the fit did not converge" if spread is None else "one participant: no interval can be given"
            values = [mean, mean - multiplier * sd, mean + multiplier * sd]
            bias, lower, upper = (
                Estimate(value=value, low=None, high=None, method="none", n=0, why=why) for value in values
            )
        else:
            half = t_quantile(0.5 + confidence / 2, people - 1) * se
            method = f"mixed model, recovered variances with {df:.3g} degrees of freedom on {people} participants"
            rows = (
                (mean, (mean - half, mean + half), f"mixed model, t({people - 1}) on {people} participants"),
                (mean - multiplier * sd, _arms(mean - multiplier * sd, -1.0, half, spread), method),
                (mean + multiplier * sd, _arms(mean + multiplier * sd, 1.0, half, spread), method),
            )
            bias, lower, upper = (
                Estimate(value=value, low=ends[0], high=ends[1], method=said, n=people) for value, ends, said in rows
            )
        yield ActivityLimits(
            name=fit.cells.activity_names[code],
            n_pairs=int(fit.cells.n[here].sum()),
            n_participants=people,
            bias=bias,
            low=lower,
            high=upper,
        )


def _remarks(fit: MixedFit) -> Iterator[str]:
    if not fit.converged:
        yield "the fit did not converge: no interval is given"
    for part in fit.components:
        if part.at_zero:
            yield f"the variance of {part.name} is estimated as 0: the data show none beyond the other terms"
    for name, why in fit.left_out:
        yield f"{name} is left out: {why}"
