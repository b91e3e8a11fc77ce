"""Limits of agreement that follow the size of what is measured: sloping and V-shaped."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.differences import check_level, check_multiplier, differences, fixed, unknown
from wearbench.core.agreement.limits import Limits
from wearbench.core.agreement.regressionfit import DifferenceLines
from wearbench.core.agreement.summary import MULTIPLIER, UNKNOWN
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["RegressionLimits", "regression_limits"]

F64 = NDArray[np.float64]
Bias = Literal["decide", "constant", "sloping"]
Spread = Literal["decide", "constant", "v_shaped"]

SPREAD_OF_ABSOLUTE: Final = math.sqrt(math.pi / 2)
"""sigma over the mean of |R| for normal R; times 1.96 this is the 2.46 of the paper."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RegressionLimits:
    """Bias and spread as straight lines over the average of both, or constants where no slope is needed.

    The bias at A is ``intercept`` + ``slope`` A; the SD of differences is ``residual_sd``, or where ``v_shaped``
    sqrt(pi/2) (``spread_intercept`` + ``spread_slope`` A), not below 0. The four coefficients stand as fitted whether
    or not they are used; ``decision`` says what is used and why. Limits hold from ``lowest`` to ``highest``, the
    averages that were seen; ``reaches_zero`` says where in between the fitted spread falls to 0, if it does.
    """

    n_pairs: int
    n_clusters: int
    intercept: Estimate
    slope: Estimate
    slope_p: float | None
    spread_intercept: Estimate
    spread_slope: Estimate
    spread_slope_p: float | None
    residual_sd: float
    sloping: bool
    v_shaped: bool
    decision: str
    lowest: float
    highest: float
    reaches_zero: float | None
    multiplier: float
    confidence: float
    scope: str
    df: float
    centre: float
    line: tuple[float, float, float, float]
    covariance: F64 = field(repr=False, compare=False)

    def at(self, average: float) -> Limits:
        """Limits of agreement at one size of what is measured.

        Parameters
        ----------
        average : float
            (tested + reference)/2, within ``lowest`` and ``highest``.

        Returns
        -------
        Limits
            Bias, SD and limits there; empty with the reason outside what was seen.
        """
        if not self.lowest <= average <= self.highest:
            seen = f"{average:.6g} lies outside the averages seen, {self.lowest:.6g} to {self.highest:.6g}"
            none = unknown(f"{seen}: limits are not carried beyond them")
            return Limits(n_pairs=self.n_pairs, n_participants=self.n_clusters, bias=none, sd=none, low=none, high=none)
        away = average - self.centre
        bias_0, bias_1, spread_0, spread_1 = self.line
        bias, sd = bias_0 + bias_1 * away, max(0.0, spread_0 + spread_1 * away)
        to = np.array([[1.0, away, 0.0, 0.0], [0.0, 0.0, 1.0, away]])
        spread = to @ self.covariance @ to.T
        of_bias = _with_interval(
            bias,
            float(spread[0, 0]),
            df=self.df,
            confidence=self.confidence,
            scope=self.scope,
            n=self.n_clusters,
        )
        return _joined(self, of_bias, sd, float(spread[1, 1]), float(spread[0, 1]))

    def reference_from(self, tested: float) -> Estimate:
        """Where the reference would lie, given what the device reads.

        Parameters
        ----------
        tested : float

        Returns
        -------
        Estimate
            The lines solved for the reference: ``value`` by the bias, ``low`` and ``high`` by the limits (Bland &
            Altman 1999, section 3); these are limits for one value, not an interval of a mean. Empty where an average
            falls outside what was seen.
        """
        found = []
        bias_0, bias_1, spread_0, spread_1 = self.line
        for side in (0.0, 1.0, -1.0):
            slope = bias_1 + side * self.multiplier * spread_1
            start = bias_0 + side * self.multiplier * spread_0 - slope * self.centre
            reference = (tested * (1 - slope / 2) - start) / (1 + slope / 2)
            average = (tested + reference) / 2
            slack = 1e-9 * (self.highest - self.lowest)
            if not self.lowest - slack <= average <= self.highest + slack:
                return unknown(
                    f"a reading of {tested:.6g} leads to an average of {average:.6g}, outside those seen, "
                    f"{self.lowest:.6g} to {self.highest:.6g}"
                )
            found.append(reference)
        method = f"limits solved for the reference on {self.scope}"
        return Estimate(value=found[0], low=min(found), high=max(found), method=method, n=self.n_clusters)


def regression_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    bias: Bias = "decide",
    spread: Spread = "decide",
    level: float = 0.05,
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> RegressionLimits:
    """Limits of agreement whose bias or spread changes with the size of what is measured.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    cluster : array-like, shape (n,), or None
        Participant or session of each pair. None takes the pairs as independent.
    bias : {"decide", "constant", "sloping"}
        Whether the bias follows the average.
    spread : {"decide", "constant", "v_shaped"}
        Whether the SD follows the average.
    level : float
        A slope is needed where its t test gives a p below this.
    multiplier, confidence : float

    Returns
    -------
    RegressionLimits
        D = b0 + b1 A with A = (tested + reference)/2 and D = tested - reference; residuals R; |R| = c0 + c1 A; limits
        b0 + b1 A -+ multiplier sqrt(pi/2) (c0 + c1 A), which is 2.46 (c0 + c1 A) for 1.96. Where b1 is not needed the
        bias is mean(D); where c1 is not needed the spread is the residual SD, divisor n - 2, or n - 1 without b1
        (Bland & Altman 1999, Stat Methods Med Res 8:135-160, section 3.2). Not against the reference alone, which would
        show a slope wherever both err (Bland & Altman 1995, Lancet 346:1085-1087).

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or an option does not fit.
    CannotTell
        If there are fewer than three pairs, or averages or residuals do not vary.

    Notes
    -----
    Independent pairs: standard errors of least squares, of the constant spread sd/sqrt(2 df), and where the spread is
    V-shaped those that allow for it (HC3; MacKinnon & White 1985, J Econom 29:305-325). Clusters: jackknife, leaving
    out one at a time, both in the tests and in the intervals, with the degrees of freedom of
    `wearbench.core.clusters.effective_df` for the pairs and for the spread of averages, whichever are fewer. Below
    three clusters no slope is tested or used unless asked for. Intervals of limits join those of bias and SD with their
    correlation (Zou & Donner 2008, Stat Med 27:1693-1702), that of the SD by t on its logarithm.
    """
    for option, name, known in ((bias, "bias", Bias), (spread, "spread", Spread)):
        if option not in get_args(known):
            raise DataError(f"expected a {name} of {', '.join(get_args(known))}, got {option!r}")
    check_level(level, "a level")
    check_level(confidence, "a confidence")
    check_multiplier(multiplier)
    found = differences(tested, reference)
    if found.n < 3:
        raise CannotTell(f"regression limits need three pairs, there {'is 1' if found.n == 1 else 'are 2'}")
    first, second = np.asarray(tested, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    average = first / 2 + second / 2
    centre = float(average[0] + np.mean(average - average[0]))
    if not float(np.ptp(average)) > found.rounding:
        raise CannotTell(f"regression limits need averages that vary, all are {average[0]:.6g}")
    if found.why is not None:
        raise CannotTell(f"regression limits need differences that vary: {found.why}")
    code, clusters = None, found.n
    if cluster is not None:
        if np.shape(cluster) != (found.n,):
            raise DataError(f"expected one cluster a pair, got shape {np.shape(cluster)} for {found.n}")
        names, index = np.unique(cluster, return_inverse=True)
        code, clusters = np.asarray(index, dtype=np.int64), names.size
    return _decided(
        DifferenceLines(average - centre, found.values, code, clusters),
        bias=bias,
        spread=spread,
        level=level,
        multiplier=multiplier,
        confidence=confidence,
        centre=centre,
        ends=(float(average.min()), float(average.max())),
        rounding=found.rounding,
    )


def _joined(found: RegressionLimits, bias: Estimate, sd: float, variance: float, covariance: float) -> Limits:
    """Limits from bias and SD: the SD by t on its logarithm, arms of the limits joined with their correlation."""
    value = float(bias.value or 0.0)
    m, scope, n = found.multiplier, found.scope, found.n_clusters
    factor = math.inf
    if sd > 0 and found.df >= 1 and variance > 0:
        factor = math.exp(min(50.0, t_quantile(0.5 + found.confidence / 2, found.df) * math.sqrt(variance) / sd))
    limits = {-1: value - m * sd, 1: value + m * sd}
    why = None
    if not sd > 0:
        why = "the fitted spread reaches 0 here: no interval can be given"
    elif bias.low is None or bias.high is None or factor == math.inf:
        why = f"{scope}: no interval can be given"
    elif factor > UNKNOWN:
        why = "nearly nothing is known of the spread here: no interval can be given"
    if why is not None or bias.low is None or bias.high is None:
        made = [fixed(one, None, scope, 0, why) for one in (sd, limits[-1], limits[1])]
        return Limits(n_pairs=found.n_pairs, n_participants=n, bias=bias, sd=made[0], low=made[1], high=made[2])
    half = (bias.high - bias.low) / 2
    df = max(1.0, found.df)
    bias_variance = (half / t_quantile(0.5 + found.confidence / 2, df)) ** 2
    together = max(-1.0, min(1.0, covariance / math.sqrt(bias_variance * variance)))
    outside, inside = m * sd * (factor - 1), m * sd * (1 - 1 / factor)

    def arm(part: float, sign: float) -> float:
        return math.sqrt(max(0.0, half**2 + part**2 + 2 * sign * together * half * part))

    method = f"recovered variance estimates, t({found.df:.3g}), on {scope}"
    low, high = limits[-1], limits[1]
    return Limits(
        n_pairs=found.n_pairs,
        n_participants=n,
        bias=bias,
        sd=fixed(sd, (sd / factor, sd * factor), f"t({found.df:.3g}) of the logarithm on {scope}", n),
        low=fixed(low, (low - arm(outside, -1), low + arm(inside, -1)), method, n),
        high=fixed(high, (high - arm(inside, 1), high + arm(outside, 1)), method, n),
    )


def _with_interval(
    value: float, variance: float, *, df: float, confidence: float, scope: str, n: int, why: str | None = None
) -> Estimate:
    if why is None and not (df >= 1 and variance > 0):
        why = f"{scope}: no interval can be given"
    if why is not None:
        return fixed(value, None, scope, 0, why)
    half = t_quantile(0.5 + confidence / 2, df) * math.sqrt(variance)
    return fixed(value, (value - half, value + half), f"t({df:.3g}) on {scope}", n)


def _decided(
    fit: DifferenceLines,
    *,
    bias: Bias,
    spread: Spread,
    level: float,
    multiplier: float,
    confidence: float,
    centre: float,
    ends: tuple[float, float],
    rounding: float,
) -> RegressionLimits:
    full, full_covariance = fit.fitted(sloping=True)
    if not full[4] > rounding:
        raise CannotTell("all differences lie on one straight line over the averages: limits would have no width")
    slope_p = fit.slope_p(full[1], full_covariance[1, 1])
    sloping, first = _decide(bias, "sloping", slope_p, level, "the bias", fit.scope)
    value, covariance = (full, full_covariance) if sloping else fit.fitted(sloping=False)
    spread_p = fit.slope_p(value[3], covariance[3, 3])
    v_shaped, second = _decide(spread, "v_shaped", spread_p, level, "the spread", fit.scope)
    if v_shaped and not fit.clustered:
        covariance = fit.robust(value, sloping=sloping)
    line, of_line = _used(value, covariance, v_shaped=v_shaped)
    zero = _zero_within(line, centre, ends) if v_shaped else None
    df = fit.df + 1 if not fit.clustered and not sloping and not v_shaped else fit.df
    shift = np.array([1.0, -centre])

    def coefficient(source: F64, spread_of: F64, start: int, direction: F64) -> Estimate:
        part = spread_of[start : start + 2, start : start + 2]
        return _with_interval(
            float(direction @ source[start : start + 2]),
            float(direction @ part @ direction),
            df=fit.df,
            confidence=confidence,
            scope=fit.scope,
            n=fit.count,
        )

    slope_direction = np.array([0.0, 1.0])
    made = RegressionLimits(
        n_pairs=fit.n,
        n_clusters=fit.count,
        intercept=coefficient(full, full_covariance, 0, shift),
        slope=coefficient(full, full_covariance, 0, slope_direction),
        slope_p=slope_p,
        spread_intercept=coefficient(value, covariance, 2, shift),
        spread_slope=coefficient(value, covariance, 2, slope_direction),
        spread_slope_p=spread_p,
        residual_sd=float(value[4]),
        sloping=sloping,
        v_shaped=v_shaped,
        decision=f"{first}; {second}",
        lowest=ends[0],
        highest=ends[1],
        reaches_zero=zero,
        multiplier=multiplier,
        confidence=confidence,
        scope=fit.scope,
        df=df,
        centre=centre,
        line=line,
        covariance=of_line,
    )
    if zero is None:
        return made
    return dataclasses.replace(
        made, decision=f"{made.decision}; the fitted spread reaches 0 at {zero:.6g}, within the averages seen"
    )


def _used(value: F64, covariance: F64, *, v_shaped: bool) -> tuple[tuple[float, float, float, float], F64]:
    """Bias line and line of the SD about the centre, with their covariance, shape (4, 4)."""
    turn = np.zeros((4, 5))
    turn[0, 0] = turn[1, 1] = 1.0
    if v_shaped:
        turn[2, 2] = turn[3, 3] = SPREAD_OF_ABSOLUTE
    else:
        turn[2, 4] = 1.0
    line = turn @ value
    return (float(line[0]), float(line[1]), float(line[2]), float(line[3])), turn @ covariance @ turn.T


def _decide(option: str, wanted: str, p: float | None, level: float, what: str, scope: str) -> tuple[bool, str]:
    """Whether a slope is used, and why."""
    if option == wanted:
        return True, f"{what} follows the average, as asked for"
    if option == "constant":
        return False, f"{what} is constant, as asked for"
    if p is None:
        return False, f"{what} is taken as constant: a slope cannot be tested on {scope}"
    needed = p < level
    verb = "follows the average" if needed else "is taken as constant"
    return needed, f"{what} {verb} (slope: p {p:.3g}, level {level:g})"


def _zero_within(line: tuple[float, float, float, float], centre: float, ends: tuple[float, float]) -> float | None:
    """Average at which the fitted SD falls to 0, where that lies within what was seen."""
    if line[3] == 0:
        return None
    zero = centre - line[2] / line[3]
    return zero if ends[0] <= zero <= ends[1] else None
