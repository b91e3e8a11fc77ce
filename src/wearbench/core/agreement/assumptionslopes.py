"""Whether bias or scatter follow the size of what is measured."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.assumptionresult import (
    Assumption,
    cannot_tell,
    counted,
    said_number,
    said_span,
    with_unit,
)
from wearbench.core.agreement.regressionlimits import regression_limits
from wearbench.core.agreement.sums import merge_sums
from wearbench.core.clusters import Clusters, effective_df, jackknife_se, t_quantile
from wearbench.errors import CannotTell

__all__ = ["MATERIAL", "proportional_bias", "uneven_spread"]

F64 = NDArray[np.float64]

MATERIAL: Final = 0.25
"""A slope matters where two SDs of the value change the bias, or the scatter, by this share of the scatter."""
FEWEST: Final = 3
"""Clusters below which a slope has no interval."""


def _three(clusters: Clusters) -> str:
    units = {"none": "sessions"}.get(clusters.unit, clusters.unit)
    return f"a slope needs {FEWEST} {units}, {counted(clusters)}"


def _step(sd: float) -> float:
    """A round step of the value to tell a slope by: a power of ten, at most two SDs."""
    return float(10.0 ** math.floor(math.log10(2 * sd)))


def proportional_bias(
    sums: F64, clusters: Clusters, *, confidence: float = 0.95, unit: str = "", what: str = "value"
) -> Assumption:
    """Slope of the difference on the average of both.

    Parameters
    ----------
    sums : float64 array, shape (clusters.count, len(SUM_NAMES))
        One row a cluster, each with at least one pair.
    clusters : Clusters
        What the rows are.
    confidence : float
    unit, what : str
        Of the sentence: the unit, and what is measured.

    Returns
    -------
    Assumption
        ``value`` is the least-squares slope of D = tested - reference on A = (tested + reference)/2 (Bland & Altman
        1999, Stat Methods Med Res 8:135-160, section 3), without unit; the interval is t on its jackknife over
        clusters. From sums alone: cov(D, A) = (var(tested) - var(reference))/2. Violated where the interval leaves out
        0 and two SDs of A move the bias by ``MATERIAL`` of the SD of D or more (a choice of this tool, no source), and
        the slope on the reference is clear as well and has the same sign. A slope on A alone also appears where the
        device scatters more than the reference, one on the reference alone where the reference errs (Bland & Altman
        1995, Lancet 346:1085-1087); what both show neither explains. Where only A shows one it cannot be told.
    """
    name, method = "proportional_bias", "slope of D on the average, jackknife over clusters"
    if clusters.count < FEWEST:
        return cannot_tell(name, _three(clusters), method=method, n=0)
    whole = merge_sums(sums)[0]
    n, mean_x, mean_y, mean_d, m2_x, m2_y, m2_d, comoment = (sums[:, i] for i in range(8))
    a, d, x = (mean_x - whole[1] + mean_y - whole[2]) / 2, mean_d - whole[3], mean_x - whole[1]
    rows = np.stack(
        [
            n,
            n * a,
            n * d,
            np.maximum(m2_x + m2_y + 2 * comoment, 0.0) / 4 + n * a * a,
            (m2_y - m2_x) / 2 + n * a * d,
            m2_d + n * d * d,
            n * x,
            m2_x + n * x * x,
            comoment - m2_x + n * d * x,
        ],
        axis=1,
    )
    total = rows.sum(axis=0)
    sd_a, sd_d = math.sqrt(total[3] / total[0]), math.sqrt(max(0.0, total[5]) / total[0])
    scale = max(abs(whole[1]), abs(whole[2]))
    if not sd_a > 1e-9 * scale:
        return cannot_tell(name, "the values do not vary", method=method, n=clusters.count)
    if not sd_d > 1e-12 * scale:
        return cannot_tell(name, "all differences are identical", method=method, n=clusters.count)
    if not math.sqrt(total[7] / total[0]) > 1e-9 * scale:
        return cannot_tell(name, "the reference does not vary", method=method, n=clusters.count)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope, without = (_slope(m, (0, 1, 2, 3, 4)) for m in (total, total - rows))
        on_reference, without_reference = (_slope(m, (0, 6, 2, 7, 8)) for m in (total, total - rows))
    if not bool(np.all(np.isfinite(without)) and np.all(np.isfinite(without_reference))):
        return cannot_tell(name, "without one of them the values do not vary", method=method, n=clusters.count)
    df = min(effective_df(rows[:, 0]), effective_df(np.maximum(rows[:, 3], 1e-300)))
    t = t_quantile(0.5 + confidence / 2, df)
    value = float(slope)
    low, high = (value + side * t * float(jackknife_se(value, without)) for side in (-1, 1))
    seen = (low > 0 or high < 0) and abs(value) * 2 * sd_a >= MATERIAL * sd_d
    beside = float(on_reference)
    sure = abs(beside) > t * float(jackknife_se(beside, without_reference)) and beside * value > 0
    step = _step(sd_a)
    each = f"for each {with_unit(f'{step:g}', unit)}"
    violated = seen and sure
    if seen and not sure:
        why = (
            f"against the average it changes by {with_unit(said_number(value * step), unit)} {each}, against the "
            "reference alone it does not, or the other way, and more scatter of one of both does that too"
        )
        unsure = cannot_tell(
            name, why, method=f"{method}, t({df:.3g}) on {clusters.scope}", n=clusters.count, value=value
        )
        return replace(unsure, low=low, high=high)
    if violated:
        way, more = ("higher", "more") if value > 0 else ("lower", "less")
        ends = sorted((abs(low) * step, abs(high) * step))
        said = (
            f"It reads {way} the higher the {what}: {with_unit(said_number(abs(value) * step), unit)} {more} {each} "
            f"{said_span(*ends, confidence=confidence)}."
        )
    else:
        said = (
            f"The bias was not seen to follow the {what} in a way that matters: "
            f"{with_unit(said_number(value * step), unit)} {each} "
            f"{said_span(low * step, high * step, confidence=confidence)}."
        )
    return Assumption(
        name=name,
        value=value,
        low=low,
        high=high,
        outcome="violated" if violated else "holds",
        said=said,
        method=f"{method}, t({df:.3g}) on {clusters.scope}",
        n=clusters.count,
    )


def _slope(moments: F64, places: tuple[int, int, int, int, int]) -> F64:
    """Least squares from sums: n, those of both variables, of the square of the first, and of the product."""
    n, a, d, aa, ad = (moments[..., i] for i in places)
    return np.asarray((ad - a * d / n) / (aa - a * a / n))


def uneven_spread(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    clusters: Clusters,
    confidence: float = 0.95,
    unit: str = "",
    what: str = "value",
) -> Assumption:
    """Slope of the size of the residuals on the average of both.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    clusters : Clusters
        ``index`` has one cluster a pair.
    confidence : float
    unit, what : str
        Of the sentence.

    Returns
    -------
    Assumption
        ``value`` is the slope c1 of |R| = c0 + c1 A, R the residuals of the line of D on A (Bland & Altman 1999, Stat
        Methods Med Res 8:135-160, section 3.2), as `regression_limits` fits it. Violated where the interval leaves out
        0 and two SDs of A change the mean of |R| by ``MATERIAL`` of itself or more (a choice of this tool, no source).

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    """
    name, method = "uneven_spread", "slope of the residuals' size on the average, jackknife over clusters"
    if clusters.count < FEWEST:
        return cannot_tell(name, _three(clusters), method=method, n=0)
    try:
        found = regression_limits(
            tested,
            reference,
            cluster=None if clusters.unit == "pairs" else clusters.index,
            bias="sloping",
            spread="v_shaped",
            confidence=confidence,
        )
    except CannotTell as error:
        return cannot_tell(name, str(error), method=method, n=clusters.count)
    fit = found.spread_slope
    if fit.value is None or fit.low is None or fit.high is None:
        return cannot_tell(name, fit.why or "no slope can be given", method=method, n=clusters.count, value=fit.value)
    first, second = np.asarray(tested, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    average = first / 2 + second / 2
    sd_a = float(np.std(average))
    residual = first - second - ((found.intercept.value or 0.0) + (found.slope.value or 0.0) * average)
    mean_r = float(np.mean(np.abs(residual)))
    step = _step(sd_a)
    each = f"for each {with_unit(f'{step:g}', unit)}"
    clear = fit.low > 0 or fit.high < 0
    if clear and abs(fit.value) * 2 * sd_a >= MATERIAL * mean_r:
        way, more = ("more", "more") if fit.value > 0 else ("less", "less")
        ends = sorted((abs(fit.low) * step, abs(fit.high) * step))
        said = (
            f"Its readings scatter {way} the higher the {what}: on average "
            f"{with_unit(said_number(abs(fit.value) * step), unit)} {more} {each} "
            f"{said_span(*ends, confidence=confidence)}."
        )
        violated = True
    else:
        said = (
            f"The scatter was not seen to follow the {what} in a way that matters: "
            f"{with_unit(said_number(fit.value * step), unit)} {each} "
            f"{said_span(fit.low * step, fit.high * step, confidence=confidence)}."
        )
        violated = False
    return Assumption(
        name=name,
        value=fit.value,
        low=fit.low,
        high=fit.high,
        outcome="violated" if violated else "holds",
        said=said,
        method=f"{method}, {fit.method}",
        n=clusters.count,
    )
