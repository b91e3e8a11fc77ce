"""Intraclass correlations of a table of targets by judges, in all six forms, with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.columns import rectangle
from wearbench.core.agreement.differences import check_level, fixed
from wearbench.core.clusters import Estimate
from wearbench.errors import CannotTell, DataError

__all__ = ["ICC_FORMS", "Intraclass", "icc"]

F64 = NDArray[np.float64]
IccForm = Literal["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
ICC_FORMS: Final = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")


@dataclass(frozen=True, kw_only=True, slots=True)
class Intraclass:
    """Intraclass correlation of one form with the mean squares it comes from (between, within, judges, residual)."""

    form: IccForm
    coefficient: Estimate
    ms_between: float
    ms_within: float
    ms_judges: float
    ms_residual: float
    n_targets: int
    n_judges: int


def icc(ratings: ArrayLike, *, form: IccForm = "2,1", confidence: float = 0.95) -> Intraclass:
    """Intraclass correlation.

    Parameters
    ----------
    ratings : array-like, shape (n, k)
        One row a target, one column a judge (device), nothing missing.
    form : {"1,1", "2,1", "3,1", "1,k", "2,k", "3,k"}
        One-way; two-way random, absolute agreement; two-way mixed, consistency; of a single judge or the mean of k. Of
        a device with its reference only form 2 speaks: form 3 hides a bias.
    confidence : float

    Returns
    -------
    Intraclass
        Coefficients of Shrout & Fleiss 1979 (Psychol Bull 86:420-428), intervals of McGraw & Wong 1996 (Psychol Methods
        1:30-46), exact for forms 1 and 3, by Satterthwaite's df for form 2. They take the targets as independent.
        Depends on the range of the targets: never compare across studies of other range.

    Raises
    ------
    DataError
        If the table is none, holds NaN, infinity or values too large, or there is no such form.
    CannotTell
        If there are fewer than two targets or judges, the targets do not vary, or those of a mean vary too little.
    """
    if form not in ICC_FORMS:
        raise DataError(f"expected one of the forms {'; '.join(ICC_FORMS)}, got {form!r}")
    check_level(confidence, "a confidence")
    table = rectangle(
        ratings, name="rating", rows="targets", across="judges", least=2, what="an intraclass correlation"
    )
    n, k = table.shape
    bms, wms, jms, ems = _mean_squares(table)
    rounding = (4 * float(np.finfo(np.float64).eps) * float(np.max(np.abs(table)))) ** 2
    if not max(bms, wms) > rounding:
        raise CannotTell("an intraclass correlation needs values that vary, all are the same")
    if not bms > k * rounding:
        raise CannotTell("an intraclass correlation needs targets that vary, they do not")
    family, error = form[0], wms if form[0] == "1" else ems
    why: str | None
    if family == "2":
        value = (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n)
        ends, why = None, "judges and residuals do not vary"
        if ems > rounding:
            ends, why = _two_way_interval(value, (bms, jms, ems), n, k, confidence)
        method = "Satterthwaite's degrees of freedom"
    else:
        value, method, ends = (bms - error) / (bms + (k - 1) * error), "exact, F", None
        why = "nothing but the targets varies"
        if error > rounding:
            df = n * (k - 1.0) if family == "1" else (n - 1.0) * (k - 1.0)
            ends, why = _exact_interval(bms / error, n - 1.0, df, k, confidence), None
    if form[2] == "k":
        bottom = bms + (jms - ems) / n if family == "2" else bms
        value = (bms - error) / bottom if bottom > 0 else -math.inf
        ends = None if ends is None else (_of_mean(ends[0], k), _of_mean(ends[1], k))
    if not math.isfinite(value) or (ends is not None and not all(math.isfinite(end) for end in ends)):
        raise CannotTell("an intraclass correlation of a mean needs targets that differ by more than their residuals")
    return Intraclass(
        form=form,
        coefficient=fixed(value, ends, f"{method}, {n} targets and {k} judges", n, why),
        ms_between=bms,
        ms_within=wms,
        ms_judges=jms,
        ms_residual=ems,
        n_targets=n,
        n_judges=k,
    )


def _of_mean(single: float, k: int) -> float:
    """Coefficient of the mean of k judges from that of one (Spearman-Brown)."""
    bottom = 1 + (k - 1) * single
    return k * single / bottom if bottom > 0 else -math.inf


def _mean_squares(table: F64) -> tuple[float, float, float, float]:
    n, k = table.shape
    away = table - table[0, 0]
    grand, rows, judges = away.mean(), away.mean(axis=1), away.mean(axis=0)
    between = k * float(np.sum((rows - grand) ** 2)) / (n - 1)
    within = float(np.sum((away - rows[:, None]) ** 2)) / (n * (k - 1))
    judge = n * float(np.sum((judges - grand) ** 2)) / (k - 1)
    residual = float(np.sum((away - rows[:, None] - judges + grand) ** 2)) / ((n - 1) * (k - 1))
    return between, within, judge, residual


def _exact_interval(ratio: float, df1: float, df2: float, k: int, confidence: float) -> tuple[float, float]:
    from scipy.special import fdtri

    upper = 0.5 + confidence / 2
    low, high = ratio / float(fdtri(df1, df2, upper)), ratio * float(fdtri(df2, df1, upper))
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def _two_way_interval(
    value: float, squares: tuple[float, float, float], n: int, k: int, confidence: float
) -> tuple[tuple[float, float] | None, str | None]:
    from scipy.special import fdtri

    bms, jms, ems = squares
    ratio, rest = jms / ems, n * (1 + (k - 1) * value) - k * value
    bottom = (n - 1) * (k * value * ratio) ** 2 + rest**2
    if not bottom > 0:
        return None, "its degrees of freedom are not defined"
    df, upper = (k - 1) * (n - 1) * (k * value * ratio + rest) ** 2 / bottom, 0.5 + confidence / 2
    if not df > 0.05:
        return None, "its degrees of freedom are not defined"
    first, second = float(fdtri(n - 1.0, df, upper)), float(fdtri(df, n - 1.0, upper))
    others = k * jms + (k * n - k - n) * ems
    low = n * (bms - first * ems) / (first * others + n * bms)
    high = n * (second * bms - ems) / (others + n * second * bms)
    return (low, high), None
