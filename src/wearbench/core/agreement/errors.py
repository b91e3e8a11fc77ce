"""Sizes of errors and shares within a tolerance, as plain functions on arrays. Pairs weigh equally."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wearbench.core.agreement.sums import PERCENT_SHARE, SUM_NAMES, pair_sums
from wearbench.errors import CannotTell

__all__ = ["mae", "mape", "rmse", "within_greater", "within_share", "within_tolerance"]


def _sums(
    tested: ArrayLike, reference: ArrayLike, *, tolerance: float = 0.0, share: float = PERCENT_SHARE
) -> dict[str, float]:
    row = pair_sums(tested, reference, tolerance=tolerance, tolerance_share=share)
    if row[0] == 0:
        raise CannotTell("an error needs pairs, there are none")
    return dict(zip(SUM_NAMES, row.tolist(), strict=True))


def mae(tested: ArrayLike, reference: ArrayLike) -> float:
    """Mean absolute error.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.

    Returns
    -------
    float
        mean(|tested - reference|), in that unit. Common practice, no single source.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    sums = _sums(tested, reference)
    return sums["sum_absolute"] / sums["n"]


def mape(tested: ArrayLike, reference: ArrayLike) -> float:
    """Mean absolute percentage error.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.

    Returns
    -------
    float
        100 * mean(|tested - reference| / |reference|), in per cent. Common practice, no single source.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs, or a reference is 0.
    """
    sums = _sums(tested, reference)
    if sums["n_reference_zero"] > 0:
        raise CannotTell(f"{sums['n_reference_zero']:.0f} of {sums['n']:.0f} pairs have a reference of 0")
    return sums["sum_absolute_percent"] / sums["n"]


def rmse(tested: ArrayLike, reference: ArrayLike) -> float:
    """Root mean square error.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.

    Returns
    -------
    float
        sqrt(mean((tested - reference)^2)), in that unit. Common practice, no single source.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    sums = _sums(tested, reference)
    return float(np.hypot(np.sqrt(sums["m2_difference"] / sums["n"]), sums["mean_difference"]))


def within_tolerance(tested: ArrayLike, reference: ArrayLike, *, tolerance: float) -> float:
    """Share of pairs within an absolute tolerance.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    tolerance : float
        In that unit; a difference of just this size is within.

    Returns
    -------
    float
        From 0 to 1.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    sums = _sums(tested, reference, tolerance=tolerance)
    return sums["n_within_tolerance"] / sums["n"]


def within_share(tested: ArrayLike, reference: ArrayLike, *, share: float = PERCENT_SHARE) -> float:
    """Share of pairs within a share of the reference.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    share : float
        |D| <= share * |reference|; 0.1 is 10 %.

    Returns
    -------
    float
        From 0 to 1.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    return within_greater(tested, reference, tolerance=0.0, share=share)


def within_greater(tested: ArrayLike, reference: ArrayLike, *, tolerance: float, share: float = PERCENT_SHARE) -> float:
    """Share of pairs within the greater of an absolute tolerance and a share of the reference.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    tolerance : float
        In that unit.
    share : float
        |D| <= max(tolerance, share * |reference|).

    Returns
    -------
    float
        From 0 to 1.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    sums = _sums(tested, reference, tolerance=tolerance, share=share)
    return sums["n_within_greater"] / sums["n"]
