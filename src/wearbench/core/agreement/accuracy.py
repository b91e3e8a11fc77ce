"""Accuracy with an interval over participants: root mean square, signed error, and percentage error a participant."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wearbench.core.agreement.columns import Columns, columns, too_few
from wearbench.core.agreement.differences import check_level, fixed
from wearbench.core.agreement.intervals import F64, plain_interval, positive_interval
from wearbench.core.agreement.moments import statistics
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import CannotTell

__all__ = ["a_rms", "participant_mape", "signed_error"]

SAME = "does not vary"


def _estimate(value: float, without: F64, data: Columns, *, positive: bool, df: float, confidence: float) -> Estimate:
    method = f"t({df:.3g}) on jackknifed values of {data.scope}"
    why = too_few(data.count, least=2, unit=data.unit)
    if why is not None:
        return fixed(value, None, method, 0, why)
    quantile = t_quantile(0.5 + confidence / 2, df)
    ends = positive_interval(value, without, quantile) if positive else plain_interval(value, without, quantile)
    return fixed(value, ends, method, data.count, f"it {SAME} between {data.unit}")


def a_rms(
    tested: ArrayLike, reference: ArrayLike, *, participant: ArrayLike | None = None, confidence: float = 0.95
) -> Estimate:
    """Accuracy root mean square, the root mean square error under the name of pulse oximetry.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    Estimate
        sqrt(mean((tested - reference)^2)) over all pairs, in that unit (ISO 80601-2-61, from memory). Interval: t on
        values leaving out one participant each, on the scale of the logarithm above (Efron & Stein 1981, Ann Stat
        9:586-596).

    Raises
    ------
    DataError
        If the columns do not match, or hold NaN, infinity or values too large to be squared.
    CannotTell
        If there are no pairs.
    """
    check_level(confidence, "a confidence")
    data = columns(tested, reference, participant=participant, what="accuracy")
    moments = data.moments()
    value = float(statistics(moments.total(), moments.centre)["rmse"])
    without = statistics(moments.without(), moments.centre)["rmse"]
    return _estimate(value, without, data, positive=True, df=data.df, confidence=confidence)


def signed_error(
    tested: ArrayLike, reference: ArrayLike, *, participant: ArrayLike | None = None, confidence: float = 0.95
) -> Estimate:
    """Mean signed error (bias).

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    confidence : float

    Returns
    -------
    Estimate
        mean(tested - reference) over all pairs, in that unit. Interval: t on values leaving out one participant each
        (Efron & Stein 1981, Ann Stat 9:586-596).

    Raises
    ------
    DataError
        If the columns do not match, or hold NaN, infinity or values too large to be squared.
    CannotTell
        If there are no pairs.
    """
    check_level(confidence, "a confidence")
    data = columns(tested, reference, participant=participant, what="an error")
    moments = data.moments()
    value = float(statistics(moments.total(), moments.centre)["bias"])
    without = statistics(moments.without(), moments.centre)["bias"]
    return _estimate(value, without, data, positive=False, df=data.df, confidence=confidence)


def participant_mape(
    tested: ArrayLike, reference: ArrayLike, participant: ArrayLike, *, confidence: float = 0.95
) -> Estimate:
    """Mean absolute percentage error, participant first: every participant weighs the same.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant : array-like, shape (n,)
        Whose each pair is: numbers or names.
    confidence : float

    Returns
    -------
    Estimate
        Mean over participants of each one's 100 * mean(|tested - reference| / |reference|), in per cent; `mape` weighs
        pairs instead. Common practice, no single source. Interval: t(participants - 1), the upper end on the scale of
        the logarithm.

    Raises
    ------
    DataError
        If the columns do not match, or hold NaN, infinity or values too large.
    CannotTell
        If there are no pairs, or a reference is 0.
    """
    check_level(confidence, "a confidence")
    data = columns(tested, reference, participant=participant, what="an error")
    zero = int(np.sum(data.reference == 0))
    if zero:
        raise CannotTell(f"{zero} of {data.reference.size} pairs have a reference of 0")
    percent = 100 * np.abs((data.tested - data.reference) / data.reference)
    each = np.bincount(data.code, weights=percent, minlength=data.count) / data.size
    value = float(each.mean())
    without = (each.sum() - each) / max(1, data.count - 1)
    return _estimate(value, without, data, positive=True, df=data.count - 1.0, confidence=confidence)
