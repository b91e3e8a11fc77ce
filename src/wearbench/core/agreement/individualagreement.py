"""Coefficient of individual agreement: how far devices differ, against how far one differs from itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.columns import rectangle, too_few
from wearbench.core.agreement.differences import check_level, fixed
from wearbench.core.agreement.intervals import Interval, log_interval
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["IndividualAgreement", "individual_agreement"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class IndividualAgreement:
    """Coefficients of individual agreement.

    ``both`` (psi^N) sets the difference between the methods against the mean of what replicates of each differ by,
    ``reference`` (psi^R) against what replicates of the reference differ by. 1: exchanging the methods adds nothing;
    near 0: they differ far more than replicates do. ``between``, ``within_tested`` and ``within_reference`` are the
    mean squared differences, in the unit squared.
    """

    both: Estimate
    reference: Estimate
    between: float
    within_tested: float
    within_reference: float
    n_participants: int


def individual_agreement(tested: ArrayLike, reference: ArrayLike, *, confidence: float = 0.95) -> IndividualAgreement:
    """Coefficient of individual agreement from replicates.

    Parameters
    ----------
    tested : array-like, shape (n, r)
    reference : array-like, shape (n, s)
        One row a participant, two or more replicates each, of one true value; nothing missing, one unit.
    confidence : float

    Returns
    -------
    IndividualAgreement
        psi^N = (E(X - X')^2 + E(Y - Y')^2)/2 / E(X - Y)^2, psi^R = E(Y - Y')^2 / E(X - Y)^2 with Y the reference and
        the expectations means over participants of all their pairs of readings (Barnhart, Kosinski & Haber 2007, J
        Biopharm Stat 17:697-719; from memory). May exceed 1 by chance. Interval: t(n - 1) on the logarithm leaving out
        one participant each.

    Raises
    ------
    DataError
        If the tables do not match, or hold NaN, infinity or values too large.
    CannotTell
        If there are fewer than two participants or replicates, or the methods do not differ at all.
    """
    check_level(confidence, "a confidence")
    first, second = (
        rectangle(table, name=name, rows="participants", across="replicates", least=2, what="individual agreement")
        for name, table in (("tested", tested), ("reference", reference))
    )
    if len(first) != len(second):
        raise DataError(f"expected one row a participant in both tables, got {len(first)} and {len(second)}")
    n = len(first)
    size = max(float(np.max(np.abs(first))), float(np.max(np.abs(second))))
    within = [2 * table.var(axis=1, ddof=1) for table in (first, second)]
    between = np.mean((first[:, :, None] - second[:, None, :]) ** 2, axis=(1, 2))
    if not float(np.mean(between)) > (4 * float(np.finfo(np.float64).eps) * size) ** 2:
        raise CannotTell("individual agreement needs methods that differ, all their readings are the same")

    def estimate(square: F64) -> Estimate:
        value = float(np.mean(square) / np.mean(between))
        why = too_few(n, least=3, unit="participants")
        ends: Interval = None
        if why is None:
            why = "replicates, or methods, do not differ once one participant is left out"
            rest = np.sum(between) - between
            if bool(np.all(rest > 0)):
                ends = log_interval(value, (np.sum(square) - square) / rest, t_quantile(0.5 + confidence / 2, n - 1.0))
        return fixed(value, ends, f"t({n - 1}) on jackknifed logarithms of {n} participants", n, why)

    return IndividualAgreement(
        both=estimate((within[0] + within[1]) / 2),
        reference=estimate(within[1]),
        between=float(np.mean(between)),
        within_tested=float(np.mean(within[0])),
        within_reference=float(np.mean(within[1])),
        n_participants=n,
    )
