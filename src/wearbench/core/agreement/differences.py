"""Differences of pairs, and why they have no spread where they have none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.sums import paired
from wearbench.core.clusters import Estimate
from wearbench.errors import CannotTell, DataError

__all__ = ["Differences", "check_level", "check_multiplier", "differences", "fixed", "rounding_of", "unknown"]

F64 = NDArray[np.float64]

LARGEST: Final = 1e150
"""Values above this would overflow when squared."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Differences:
    """Differences D = tested - reference with their mean and SD (divisor n - 1).

    ``why`` says why there is no SD: one pair, or differences that are identical but for the rounding of their parts.
    """

    values: F64
    n: int
    mean: float
    sd: float
    rounding: float
    why: str | None


def differences(tested: ArrayLike, reference: ArrayLike) -> Differences:
    """Take differences of pairs.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.

    Returns
    -------
    Differences

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or a value too large to be squared.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    if first.size == 0:
        raise CannotTell("limits of agreement need pairs, there are none")
    for column in (first, second):
        too_large = ~(np.abs(column) < LARGEST)
        if bool(too_large.any()):
            at = int(np.argmax(too_large))
            raise DataError(
                f"expected values below {LARGEST:g} in size, got {column[at]} at position {at}; use another unit"
            )
    values = first - second
    rounding = rounding_of(first, second)
    mean = float(values[0] + np.mean(values - values[0]))
    sd = float(np.sqrt(np.sum((values - mean) ** 2) / (values.size - 1))) if values.size > 1 else math.nan
    why = "one pair" if values.size == 1 else None if sd > rounding else "all differences are identical"
    return Differences(values=values, n=values.size, mean=mean, sd=sd, rounding=rounding, why=why)


def rounding_of(first: F64, second: F64) -> float:
    """How much rounding alone can spread differences of two columns.

    Parameters
    ----------
    first, second : float64 arrays, shape (n,), n > 0

    Returns
    -------
    float
        Four units in the last place of the largest value.
    """
    return 4 * float(np.finfo(np.float64).eps) * float(max(np.max(np.abs(first)), np.max(np.abs(second))))


def check_level(value: float, name: str) -> None:
    """Check a probability.

    Parameters
    ----------
    value : float
    name : str
        What it is called, with its article.

    Raises
    ------
    DataError
        Unless it lies between 0 and 1.
    """
    if not 0 < value < 1:
        raise DataError(f"expected {name} between 0 and 1, got {value}")


def check_multiplier(value: float) -> None:
    """Check the multiplier of limits.

    Parameters
    ----------
    value : float

    Raises
    ------
    DataError
        Unless it is a number above 0.
    """
    if not (value > 0 and math.isfinite(value)):
        raise DataError(f"expected a multiplier above 0, got {value}")


def fixed(value: float, ends: tuple[float, float] | None, method: str, n: int, why: str | None = None) -> Estimate:
    """Join a value, its interval or the reason for none, and how it was made.

    Parameters
    ----------
    value : float
    ends : tuple of float or None
    method : str
    n : int
        Independent units.
    why : str or None
        Why there is no interval.

    Returns
    -------
    Estimate
    """
    if ends is None:
        return Estimate(value=value, low=None, high=None, method=method, n=0, why=why)
    return Estimate(value=value, low=ends[0], high=ends[1], method=method, n=n)


def unknown(why: str, method: str = "") -> Estimate:
    """Leave a value empty, with the reason.

    Parameters
    ----------
    why, method : str

    Returns
    -------
    Estimate
    """
    return Estimate(value=None, low=None, high=None, method=method, n=0, why=why)
