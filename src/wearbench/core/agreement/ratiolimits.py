"""Limits of agreement as ratios and as per cent, for scatter that grows with the size of what is measured."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.limits import Limits, limits_of_agreement
from wearbench.core.agreement.singlelimits import single_limits
from wearbench.core.agreement.summary import MULTIPLIER
from wearbench.core.agreement.sums import paired
from wearbench.core.clusters import Estimate
from wearbench.errors import DataError

__all__ = ["percent_limits", "ratio_limits"]

F64 = NDArray[np.float64]

LARGEST_LOG: Final = 709.0
"""Logarithm of the largest number."""


def _positive(values: F64, column: str, what: str) -> None:
    wrong = ~(values > 0)
    if bool(wrong.any()):
        at = int(np.argmax(wrong))
        raise DataError(
            f"expected values above 0 for {what}, got {values[at]} in {column} at position {at} "
            f"({int(wrong.sum())} of {values.size} not above 0); leave them out before, or use limits in the unit"
        )


def _limits(first: F64, second: F64, *, participant: ArrayLike | None, multiplier: float, confidence: float) -> Limits:
    if participant is None:
        return single_limits(first, second, multiplier=multiplier, confidence=confidence)
    return limits_of_agreement(first, second, participant=participant, multiplier=multiplier, confidence=confidence)


def ratio_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    participant: ArrayLike | None = None,
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of the ratio tested/reference.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values above 0 in one unit.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    multiplier, confidence : float

    Returns
    -------
    Limits
        Limits of D = ln(tested) - ln(reference), brought back by exp: ``bias`` is the geometric mean ratio, ``low`` and
        ``high`` are ratios (Bland & Altman 1999, Stat Methods Med Res 8:135-160, section 3). ``sd`` stays that of the
        logarithms. Intervals as in `single_limits` (exact), or with ``participant`` as in `limits_of_agreement`.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or a value is not above 0.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    _positive(first, "tested", "ratios")
    _positive(second, "reference", "ratios")
    found = _limits(
        np.log(first), np.log(second), participant=participant, multiplier=multiplier, confidence=confidence
    )

    def back(estimate: Estimate) -> Estimate:
        logs = (estimate.value, estimate.low, estimate.high)
        ends = [None if end is None or end > LARGEST_LOG else math.exp(end) for end in logs]
        why = estimate.why
        if any(end is None and log is not None for end, log in zip(ends, logs, strict=True)):
            why = "a ratio too large to be written as a number"
        method = f"of the logarithm, brought back: {estimate.method}" if estimate.method else ""
        return dataclasses.replace(estimate, value=ends[0], low=ends[1], high=ends[2], method=method, why=why)

    return dataclasses.replace(found, bias=back(found.bias), low=back(found.low), high=back(found.high))


def percent_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    participant: ArrayLike | None = None,
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of the difference in per cent of the average of both.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit, their averages above 0.
    participant : array-like, shape (n,), or None
        Whose each pair is. None takes the pairs as independent.
    multiplier, confidence : float

    Returns
    -------
    Limits
        Of 100 D/A, A = (tested + reference)/2, in per cent (Bland & Altman 1999, Stat Methods Med Res 8:135-160,
        section 3). Intervals as in `ratio_limits`.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or an average is not above 0.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    average = first / 2 + second / 2
    _positive(average, "averages", "per cent")
    # each column in per cent of the average, so that rounding is judged as for any other pair of columns
    return _limits(
        100 * (first / average),
        100 * (second / average),
        participant=participant,
        multiplier=multiplier,
        confidence=confidence,
    )
