"""Equivalence of means by two one-sided tests, with a margin declared beforehand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from wearbench.core.agreement.columns import columns, too_few
from wearbench.core.agreement.differences import fixed, rounding_of
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["Equivalence", "equivalence"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Equivalence:
    """Outcome of two one-sided tests of a mean difference.

    ``difference`` is the mean with its interval of confidence 1 - 2 alpha; ``t_low`` and ``p_low`` test that it lies
    above -margin, ``t_high`` and ``p_high`` that it lies below, ``p`` is the larger; None where they cannot be tested.
    ``outcome`` is "equivalent" or "not shown", never "different". Equal means are not agreement: single readings may be
    far off both ways.
    """

    outcome: Literal["equivalent", "not shown"]
    margin: float
    difference: Estimate
    t_low: float | None
    t_high: float | None
    p_low: float | None
    p_high: float | None
    p: float | None
    df: int
    alpha: float
    n_pairs: int


def equivalence(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    margin: float | None = None,
    margin_share: float | None = None,
    participant: ArrayLike | None = None,
    alpha: float = 0.05,
) -> Equivalence:
    """Two one-sided tests that a mean difference lies within a margin.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    margin, margin_share : float or None
        Just one of both, declared before the data were seen: in the unit of the values, or as a share of the mean
        reference (0.1 is 10 %), which is then taken as known.
    participant : array-like, shape (n,), or None
        Whose each pair is: the test is on participants' means, each weighing the same. None takes pairs as independent.
    alpha : float
        Of each one-sided test, below 0.5.

    Returns
    -------
    Equivalence
        t = (mean + margin)/SE and (mean - margin)/SE on n - 1 df, p the larger of the one-sided two; equivalent where p
        < alpha, that is where the 1 - 2 alpha interval lies inside the margins (Schuirmann 1987, J Pharmacokinet
        Biopharm 15:657-680).

    Raises
    ------
    DataError
        If the columns do not match, hold NaN, infinity or values too large, or margin or alpha make no test.
    CannotTell
        If there are no pairs, or the mean reference is 0 where the margin is a share of it.
    """
    if (margin is None) == (margin_share is None):
        raise DataError("expected one of margin and margin_share, got " + ("none" if margin is None else "both"))
    given = margin if margin is not None else margin_share
    if given is None or not (given > 0 and math.isfinite(given)):
        raise DataError(f"expected a margin above 0, got {given}")
    if not 0 < alpha < 0.5:
        raise DataError(f"expected an alpha between 0 and 0.5, got {alpha}")
    data = columns(tested, reference, participant=participant, what="a test of equivalence")
    first, second = data.means()
    level = abs(float(np.mean(second)))
    if margin_share is not None and not level > 0:
        raise CannotTell("the mean reference is 0: a share of it is no margin")
    width = given if margin is not None else given * level
    each = first - second
    mean, n = float(each[0] + np.mean(each - each[0])), each.size
    what = "participants' means" if data.clustered else "differences"
    method = f"t({n - 1}) of {what} on {data.scope}"
    why = too_few(n, least=2, unit=data.unit)
    sd = float(np.sqrt(np.sum((each - mean) ** 2) / (n - 1))) if n > 1 else math.nan
    if why is None and not sd > rounding_of(data.tested, data.reference):
        why = "all differences are identical"
    if why is not None:
        return Equivalence(
            outcome="not shown",
            margin=width,
            difference=fixed(mean, None, method, 0, why),
            t_low=None,
            t_high=None,
            p_low=None,
            p_high=None,
            p=None,
            df=n - 1,
            alpha=alpha,
            n_pairs=data.tested.size,
        )
    from scipy.special import stdtr

    se, half = sd / math.sqrt(n), t_quantile(1 - alpha, n - 1.0) * sd / math.sqrt(n)
    t_low, t_high = (mean + width) / se, (mean - width) / se
    p_low, p_high = float(stdtr(n - 1, -t_low)), float(stdtr(n - 1, t_high))
    return Equivalence(
        outcome="equivalent" if max(p_low, p_high) < alpha else "not shown",
        margin=width,
        difference=fixed(mean, (mean - half, mean + half), method, n),
        t_low=t_low,
        t_high=t_high,
        p_low=p_low,
        p_high=p_high,
        p=max(p_low, p_high),
        df=n - 1,
        alpha=alpha,
        n_pairs=data.tested.size,
    )
