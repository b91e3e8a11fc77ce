"""Lines of tested on reference that grant errors to both: Deming, weighted Deming, York, ordinary least products."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.columns import Columns, columns, too_few
from wearbench.core.agreement.differences import check_level, fixed, rounding_of
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["StructuralLine", "deming", "least_products", "weighted_deming", "york"]

F64 = NDArray[np.float64]
Fit = tuple[float, float]

ROUNDS: Final = 500

MOST_UNITS: Final = 3000
"""More units than this are not left out one by one where every time needs a new fit."""

MOST_REFITTED: Final = 2_000_000
"""Pairs times units up to which a weighted line is fitted anew without each unit; beyond, weights stay."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StructuralLine:
    """tested = intercept + slope * reference.

    ``fixed_bias`` and ``proportional_bias`` say whether the interval of the intercept leaves out 0 and that of the
    slope leaves out 1; None where there is no interval. ``misfit`` is the weighted sum of squares over n - 2, near 1
    where known weights are right; None but for York's line.
    """

    kind: str
    slope: Estimate
    intercept: Estimate
    slope_se: float | None
    intercept_se: float | None
    misfit: float | None
    n_pairs: int

    @property
    def fixed_bias(self) -> bool | None:
        """Whether the interval of the intercept leaves out 0."""
        return _leaves_out(self.intercept, 0.0)

    @property
    def proportional_bias(self) -> bool | None:
        """Whether the interval of the slope leaves out 1."""
        return _leaves_out(self.slope, 1.0)


def _leaves_out(estimate: Estimate, value: float) -> bool | None:
    if estimate.low is None or estimate.high is None:
        return None
    return not estimate.low <= value <= estimate.high


def _data(tested: ArrayLike, reference: ArrayLike, participant: ArrayLike | None, confidence: float) -> Columns:
    check_level(confidence, "a confidence")
    data = columns(tested, reference, participant=participant, what="a line")
    rounding = rounding_of(data.tested, data.reference)
    if data.tested.size < 2:
        raise CannotTell("a line needs two pairs, there is 1")
    for name, values in (("reference", data.reference), ("tested", data.tested)):
        if not float(np.ptp(values)) > rounding:
            raise CannotTell(f"a line needs values that vary, the {name} ones do not")
    return data


def _ratio(value: float) -> None:
    if not (value > 0 and math.isfinite(value)):
        raise DataError(f"expected a ratio of error variances above 0, got {value}")


def _sums(data: Columns) -> tuple[F64, float, float, float]:
    """Sums of 1, x, y, xx, yy, xy of each unit about the middle, and middle and scale; values are of size 1."""
    middle_x, middle_y = (float(v[0] + np.mean(v - v[0])) for v in (data.reference, data.tested))
    x, y = data.reference - middle_x, data.tested - middle_y
    scale = float(max(np.max(np.abs(x)), np.max(np.abs(y))))
    x, y = x / scale, y / scale
    rows = [np.bincount(data.code, weights=w, minlength=data.count) for w in (None, x, y, x * x, y * y, x * y)]
    return np.stack(rows, axis=-1).astype(np.float64), middle_x, middle_y, scale


def _from_sums(data: Columns, slope_of: Callable[[F64, F64, F64], F64]) -> tuple[F64, F64]:
    """Slope and intercept of all pairs and leaving out one unit each, shapes (2,) and (count, 2)."""
    rows, middle_x, middle_y, scale = _sums(data)
    total = rows.sum(axis=0)
    out = []
    for sums in (total[None, :], total - rows):
        with np.errstate(divide="ignore", invalid="ignore"):
            n, x, y = sums[:, 0], sums[:, 1], sums[:, 2]
            xx, yy, xy = sums[:, 3] - x * x / n, sums[:, 4] - y * y / n, sums[:, 5] - x * y / n
            slope = slope_of(xx, yy, xy)
            out.append(np.stack([slope, middle_y + scale * y / n - slope * (middle_x + scale * x / n)], axis=-1))
    if not np.all(np.isfinite(out[0])):
        raise CannotTell("a line needs values that vary together, they do not")
    return out[0][0], out[1]


def _line(
    kind: str,
    data: Columns,
    fit: F64,
    without: F64,
    *,
    confidence: float,
    known: tuple[float, float] | None = None,
    misfit: float | None = None,
) -> StructuralLine:
    """Join a fit with its standard errors: known ones, or those of Tukey's pseudovalues."""
    from scipy.special import ndtri

    why = too_few(data.count, least=3, unit=data.unit)
    df = max(1.0, data.df - 1)
    method = f"{kind}, t({df:.3g}) on jackknifed values of {data.scope}"
    residual = data.tested - fit[1] - fit[0] * data.reference
    close = 4 * rounding_of(np.append(data.tested, fit[1]), fit[0] * data.reference)
    if why is None and float(np.max(np.abs(residual))) <= close:
        why = "all points lie on the line"
    if why is None and known is None and not np.all(np.isfinite(without)):
        why = f"without one of the {data.unit} there is no line"
    errors: list[float | None] = [None, None]
    quantile = t_quantile(0.5 + confidence / 2, df)
    if known is not None:
        errors, why, quantile = list(known), None, float(ndtri(0.5 + confidence / 2))
        method = f"{kind}, z from the known weights"
    elif why is None:
        away = without - without.mean(axis=0)
        errors = [float(e) for e in np.sqrt((data.count - 1) / data.count * np.sum(away**2, axis=0))]

    def estimate(place: int) -> Estimate:
        value, se = float(fit[place]), errors[place]
        ends = None if se is None else (value - quantile * se, value + quantile * se)
        return fixed(value, ends, method, data.count, why)

    return StructuralLine(
        kind=kind,
        slope=estimate(0),
        intercept=estimate(1),
        slope_se=errors[0],
        intercept_se=errors[1],
        misfit=misfit,
        n_pairs=data.tested.size,
    )


def _deming_slope(xx: F64, yy: F64, xy: F64, ratio: float) -> F64:
    """The root of the quadratic that minimises, written so that nothing cancels."""
    e = yy - ratio * xx
    root = np.hypot(e, 2 * math.sqrt(ratio) * xy)
    xy = np.where(np.abs(xy) > 1e-14 * np.sqrt(np.abs(xx * yy)), xy, np.nan)
    return np.asarray(np.where(e >= 0, (e + root) / (2 * xy), 2 * ratio * xy / np.where(e < 0, root - e, 1.0)))


def deming(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    var_ratio_y_over_x: float = 1.0,
    participant: ArrayLike | None = None,
    confidence: float = 0.95,
) -> StructuralLine:
    """Deming regression of tested (y) on reference (x).

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    var_ratio_y_over_x : float
        lambda, error variance of tested over that of reference; 1 is orthogonal regression.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    StructuralLine
        slope = (e + sqrt(e^2 + 4 lambda s_xy^2))/(2 s_xy), e = s_yy - lambda s_xx (Deming 1943; Linnet 1993, Clin Chem
        39:424-432). Standard errors from the spread of the values leaving out one participant each (pairs where none
        are given) about their mean, with Student's t on effective units - 2.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity or values too large, or the ratio is not above 0.
    CannotTell
        If there are fewer than two pairs, a column does not vary, or both do not vary together.
    """
    _ratio(var_ratio_y_over_x)
    data = _data(tested, reference, participant, confidence)
    fit, without = _from_sums(data, lambda xx, yy, xy: _deming_slope(xx, yy, xy, var_ratio_y_over_x))
    return _line("Deming", data, fit, without, confidence=confidence)


def least_products(
    tested: ArrayLike, reference: ArrayLike, *, participant: ArrayLike | None = None, confidence: float = 0.95
) -> StructuralLine:
    """Ordinary least products (geometric mean) regression of tested (y) on reference (x).

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values, not necessarily in one unit.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    StructuralLine
        slope = sign(r) s_y/s_x (Ludbrook 1997, Clin Exp Pharmacol Physiol 24:193-203). Standard errors as in `deming`.

    Raises
    ------
    DataError
        If the columns do not match, or hold NaN, infinity or values too large.
    CannotTell
        If there are fewer than two pairs, a column does not vary, or both do not vary together.
    """
    data = _data(tested, reference, participant, confidence)

    def slope(xx: F64, yy: F64, xy: F64) -> F64:
        together = np.abs(xy) > 1e-14 * np.sqrt(np.abs(xx * yy))
        return np.asarray(np.where(together, np.sign(xy), np.nan) * np.sqrt(np.maximum(yy, 0) / xx))

    fit, without = _from_sums(data, slope)
    return _line("least products", data, fit, without, confidence=confidence)


def weighted_deming(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    var_ratio_y_over_x: float = 1.0,
    participant: ArrayLike | None = None,
    confidence: float = 0.95,
) -> StructuralLine:
    """Deming regression for errors that grow in proportion to what is measured.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values above 0 in one unit.
    var_ratio_y_over_x : float
        lambda, as in `deming`.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    StructuralLine
        Weights 1/((X + L Y)/(1 + L))^2 with L = 1/lambda and X, Y the points moved onto the line, iterated from equal
        weights until the slope stands still (Linnet 1990, Stat Med 9:1463-1473; 1993, Clin Chem 39:424-432). Standard
        errors as in `deming`. With pairs times units above `MOST_REFITTED` each unit is left out at the weights of the
        whole fit, one step of the iteration.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity, values too large or not above 0, the ratio is not above 0, or
        there are more than `MOST_UNITS` pairs taken as independent.
    CannotTell
        If there are fewer than two pairs, a column does not vary, both do not vary together, or the slope does not
        settle.
    """
    _ratio(var_ratio_y_over_x)
    data = _data(tested, reference, participant, confidence)
    for name, values in (("tested", data.tested), ("reference", data.reference)):
        if not bool(np.all(values > 0)):
            at = int(np.argmin(values))
            raise DataError(
                f"expected values above 0 for errors in proportion to them, got {values[at]} in {name} at position {at}"
            )
    scale = float(np.mean(data.reference))
    x, y = data.reference / scale, data.tested / scale
    found = _weighted(x, y, np.ones_like(x), var_ratio_y_over_x)
    if found is None:
        raise CannotTell("the weighted line does not settle, or its values do not vary together")
    (slope, intercept), weight = found

    def leave(keep: NDArray[np.bool_]) -> Fit:
        again = _weighted(x[keep], y[keep], weight[keep], var_ratio_y_over_x, within=1e-10)
        return (math.nan, math.nan) if again is None else (again[0][0], scale * again[0][1])

    if 3 <= data.count <= MOST_UNITS and data.count * x.size > MOST_REFITTED:
        without = _one_step(data, x, y, weight, var_ratio_y_over_x) * np.array([1.0, scale])
    else:
        without = _refitted(data, leave)
    return _line("weighted Deming", data, np.array([slope, scale * intercept]), without, confidence=confidence)


def _refitted(data: Columns, leave: Callable[[NDArray[np.bool_]], Fit]) -> F64:
    if data.count < 3:
        return np.full((data.count, 2), np.nan)
    if data.count > MOST_UNITS:
        raise DataError(
            f"expected at most {MOST_UNITS} {data.unit}, got {data.count}; readings in a row are not independent: give "
            "the participant of each pair"
        )
    return np.array([leave(data.code != out) for out in range(data.count)])


def _one_step(data: Columns, x: F64, y: F64, weight: F64, ratio: float) -> F64:
    """Slope and intercept without each unit, at the weights of the whole fit."""
    total = float(weight.sum())
    middle_x, middle_y = float(weight @ x) / total, float(weight @ y) / total
    u, v = x - middle_x, y - middle_y

    def left(values: F64) -> F64:
        part = np.bincount(data.code, weights=weight * values, minlength=data.count)
        return np.asarray(part.sum() - part)

    rest, su, sv = left(np.ones_like(x)), left(u), left(v)
    xx, yy, xy = left(u * u) - su**2 / rest, left(v * v) - sv**2 / rest, left(u * v) - su * sv / rest
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.asarray(_deming_slope(xx, yy, xy, ratio))
    intercept = middle_y + sv / rest - slope * (middle_x + su / rest)
    return np.stack([slope, intercept], axis=1)


def _weighted(x: F64, y: F64, weight: F64, ratio: float, *, within: float = 1e-12) -> tuple[Fit, F64] | None:
    inverse, before = 1 / ratio, math.nan
    for _ in range(ROUNDS):
        total = float(weight.sum())
        middle_x, middle_y = float(weight @ x) / total, float(weight @ y) / total
        u, v = x - middle_x, y - middle_y
        xx, yy, xy = (np.array(float(weight @ product)) for product in (u * u, v * v, u * v))
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = float(_deming_slope(xx, yy, xy, ratio))
        if not math.isfinite(slope):
            return None
        intercept = middle_y - slope * middle_x
        if abs(slope - before) <= within * abs(slope):
            return (slope, intercept), weight
        before = slope
        off = y - intercept - slope * x
        on_x = x + inverse * slope * off / (1 + inverse * slope**2)
        on_y = y - off / (1 + inverse * slope**2)
        level = (on_x + inverse * on_y) / (1 + inverse)
        if not bool(np.all(np.abs(level) > 1e-12)):
            return None
        weight = 1 / level**2
    return None


def york(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    tested_weight: ArrayLike,
    reference_weight: ArrayLike,
    participant: ArrayLike | None = None,
    confidence: float = 0.95,
) -> StructuralLine:
    """York's line of tested (y) on reference (x) for points whose error variances are known.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values.
    tested_weight, reference_weight : array-like, shape (n,)
        1/variance of each value's error, above 0, in 1/unit^2; errors of both columns independent.
    participant : array-like, shape (n,), or None
        Whose each pair is; then the standard errors are those of `deming`. None takes them from the weights.
    confidence : float

    Returns
    -------
    StructuralLine
        slope b = sum(W beta V)/sum(W beta U), iterated, with W = wx wy/(wx + b^2 wy) and beta = W (U/wy + b V/wx) about
        W-weighted means; SE(b) = 1/sqrt(sum W u^2), SE(a) = sqrt(1/sum W + x^2 SE(b)^2), u and x from the adjusted
        points (York 1966, Can J Phys 44:1079-1086; 1969, Earth Planet Sci Lett 5:320-324).

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity or values too large, or a weight is not above 0.
    CannotTell
        If there are fewer than two pairs, a column does not vary, or the slope does not settle.
    """
    data = _data(tested, reference, participant, confidence)
    wy, wx = (np.asarray(w, dtype=np.float64) for w in (tested_weight, reference_weight))
    for name, weight in (("tested_weight", wy), ("reference_weight", wx)):
        if weight.shape != data.tested.shape:
            raise DataError(f"expected one {name} a pair, got shape {weight.shape} for {data.tested.size}")
        sound = (weight > 0) & (weight < 1e70)
        if not bool(np.all(sound)):
            at = int(np.argmin(sound))
            raise DataError(f"expected weights above 0 and below 1e+70, got {weight[at]} in {name} at position {at}")
    x, y = data.reference, data.tested
    found = _york(x, y, wx, wy)
    if found is None:
        raise CannotTell("the line of known weights does not settle, or its values do not vary together")

    def leave(keep: NDArray[np.bool_]) -> Fit:
        again = _york(x[keep], y[keep], wx[keep], wy[keep])
        return (math.nan, math.nan) if again is None else (again[0], again[1])

    slope, intercept, slope_se, intercept_se, square = found
    n = x.size
    return _line(
        "York",
        data,
        np.array([slope, intercept]),
        _refitted(data, leave) if data.clustered else np.empty((0, 2)),
        confidence=confidence,
        known=None if data.clustered else (slope_se, intercept_se),
        misfit=square / (n - 2) if n > 2 else None,
    )


def _york(x: F64, y: F64, wx: F64, wy: F64) -> tuple[float, float, float, float, float] | None:
    """Slope, intercept, their standard errors and the weighted sum of squares."""
    away_x, away_y = x - x.mean(), y - y.mean()
    square = float(away_x @ away_x)
    if not square > 0:
        return None
    slope = float(away_x @ away_y) / square
    for _ in range(ROUNDS):
        w = wx * wy / (wx + slope**2 * wy)
        total = float(w.sum())
        middle_x, middle_y = float(w @ x) / total, float(w @ y) / total
        u, v = x - middle_x, y - middle_y
        beta = w * (u / wy + slope * v / wx)
        bottom = float(np.sum(w * beta * u))
        if bottom == 0:
            return None
        before, slope = slope, float(np.sum(w * beta * v)) / bottom
        if not math.isfinite(slope):
            return None
        if abs(slope - before) <= 1e-13 * max(abs(slope), 1e-300):
            adjusted = middle_x + float(w @ beta) / total
            spread = float(np.sum(w * (middle_x + beta - adjusted) ** 2))
            if not spread > 0:
                return None
            se = 1 / math.sqrt(spread)
            intercept = middle_y - slope * middle_x
            residual = float(np.sum(w * (y - intercept - slope * x) ** 2))
            return slope, intercept, se, math.sqrt(1 / total + (adjusted * se) ** 2), residual
    return None
