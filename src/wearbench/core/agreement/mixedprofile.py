"""Intervals of the variances of a mixed model by profile likelihood."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.mixed import MixedFit
from wearbench.core.agreement.mixedlikelihood import TERMS, Design, criterion, slopes
from wearbench.core.clusters import Estimate
from wearbench.errors import CannotTell, DataError

__all__ = ["component_intervals"]

F64 = NDArray[np.float64]
ERROR: Final = len(TERMS)
FARTHEST: Final = 1e8
"""A variance this many times the scatter of all differences is not searched."""


def component_intervals(fit: MixedFit, *, confidence: float = 0.95) -> dict[str, Estimate]:
    """SD of each term of a mixed model with its interval.

    Parameters
    ----------
    fit : MixedFit
        As `fit_mixed` gives it.
    confidence : float

    Returns
    -------
    dict of Estimate
        For each component, in the unit of the differences: all SDs for which twice the restricted log likelihood, the
        other variances fitted anew, is within the chi-square quantile with 1 degree of freedom of its greatest value
        (profile likelihood, after Venzon & Moolgavkar 1988, Appl Stat 37:87-94). The lower end is 0 where the data
        are no worse explained without the term.

    Raises
    ------
    DataError
        If the confidence is not between 0 and 1.
    CannotTell
        If the fit did not converge.
    """
    if not 0 < confidence < 1:
        raise DataError(f"expected a confidence between 0 and 1, got {confidence}")
    if not fit.converged:
        raise CannotTell("the fit did not converge, so its variances have no interval")
    from scipy.special import chdtri

    drop = float(chdtri(1.0, 1 - confidence))
    found = {}
    for part in fit.components:
        place = ERROR if part.name == "error" else TERMS.index(part.name)
        low, high = _ends(fit, place, part.variance / fit.scale**2, drop)
        found[part.name] = Estimate(
            value=part.sd,
            low=fit.scale * math.sqrt(low),
            high=None if math.isinf(high) else fit.scale * math.sqrt(high),
            method=f"mixed model, profile likelihood on {fit.n_participants} participants",
            n=fit.n_participants,
            why="the data set no upper end" if math.isinf(high) else None,
        )
    return found


def _full_deviance(design: Design, ratios: F64, error: float) -> float:
    value = criterion(design, ratios[None, :])
    return float(value.log_determinants[0]) + design.df * math.log(error) + float(value.residual[0]) / error


def _ends(fit: MixedFit, place: int, variance: float, drop: float) -> tuple[float, float]:
    """Ends of the interval of one variance, in scaled units."""
    from scipy.optimize import brentq

    error = fit.components[-1].variance / fit.scale**2
    free = [TERMS.index(part.name) for part in fit.components[:-1] if TERMS.index(part.name) != place]
    least = _full_deviance(fit.design, fit.ratios, error)
    begin = np.array([*(math.sqrt(fit.ratios[term]) for term in free), math.log(error)])

    def above(log_variance: float) -> float:
        return _held(fit.design, place, math.exp(log_variance), free, begin) - least - drop

    start = math.log(max(variance, 1e-4 * error))
    step, high = 0.5, start
    while above(high + step) < 0:
        high, step = high + step, 1.5 * step
        if math.exp(min(high, 50.0)) > FARTHEST:
            break
    upper = math.inf if math.exp(min(high, 50.0)) > FARTHEST else math.exp(brentq(above, high, high + step, xtol=1e-7))
    if place != ERROR and _held(fit.design, place, 0.0, free, begin) - least <= drop:
        return 0.0, upper
    step, low = 0.5, start
    while above(low - step) < 0:
        low, step = low - step, 1.5 * step
    return math.exp(brentq(above, low - step, low, xtol=1e-7)), upper


def _held(design: Design, place: int, variance: float, free: list[int], begin: F64) -> float:
    """Least deviance with one variance held: over roots of the other ratios, and the log of the error variance."""
    from scipy.optimize import minimize

    held = np.array([*free, *([] if place == ERROR else [place])], dtype=np.int64)

    def value(point: F64) -> tuple[float, F64]:
        ratios = np.zeros(len(TERMS))
        ratios[free] = point[: len(free)] ** 2
        error = variance if place == ERROR else math.exp(point[-1])
        if place != ERROR:
            ratios[place] = variance / error
        deviance, residual, _ = (part[0] for part in slopes(design, ratios[None, :], held))
        found = criterion(design, ratios[None, :])
        left = float(found.residual[0]) / error
        slope = deviance + (left - design.df) * residual  # of log determinants + residual/error
        gradient = 2 * point[: len(free)] * slope[: len(free)]
        if place != ERROR:
            gradient = np.append(gradient, design.df - left - ratios[place] * slope[-1])
        return float(found.log_determinants[0]) + design.df * math.log(error) + left, gradient

    first = np.maximum(begin[: len(free)], 0.03)
    start = first if place == ERROR else np.append(first, begin[-1])
    if start.size == 0:
        return value(start)[0]
    bounds = [(0.0, 1e5)] * len(free) + ([] if place == ERROR else [(-60.0, 60.0)])
    found = minimize(value, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-7})
    return float(found.fun)
