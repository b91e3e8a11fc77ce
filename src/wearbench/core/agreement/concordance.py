"""Lin's concordance correlation of two columns of pairs, as a plain function on arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from numpy.typing import ArrayLike

from wearbench.core.agreement.sums import SUM_NAMES, pair_sums
from wearbench.errors import CannotTell, DataError

__all__ = ["Concordance", "ccc"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Concordance:
    """Concordance correlation and its parts.

    ``value`` is ``correlation`` times ``bias_correction``; ``scale_shift`` is sd(tested)/sd(reference),
    ``location_shift`` the difference of means over the geometric mean of the SDs. ``low``, ``high`` and ``se_z`` (on
    Fisher's scale) take the pairs as independent and are NaN for two pairs or perfect concordance.
    """

    value: float
    correlation: float
    bias_correction: float
    scale_shift: float
    location_shift: float
    se_z: float
    low: float
    high: float
    n: int


def ccc(
    tested: ArrayLike, reference: ArrayLike, *, divisor: Literal["n", "n-1"] = "n", confidence: float = 0.95
) -> Concordance:
    """Concordance correlation coefficient.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    divisor : {"n", "n-1"}
        Of variances and covariance; Lin divides by n, many programs by n - 1.
    confidence : float
        Level of the interval.

    Returns
    -------
    Concordance
        2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2) (Lin 1989, Biometrics 45:255-268); interval tanh(Z -+ z SE) with
        the corrected variance of Z = atanh (Lin 2000, Biometrics 56:324-325). It holds for independent pairs; for
        repeated ones use `summarise`. Depends on the range of the data: never compare across studies of other range.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or the divisor is not one of the two.
    CannotTell
        If there are fewer than two pairs, or one column does not vary.
    """
    if divisor not in ("n", "n-1"):
        raise DataError(f"expected the divisor 'n' or 'n-1', got {divisor!r}")
    sums = dict(zip(SUM_NAMES, pair_sums(tested, reference).tolist(), strict=True))
    n = int(sums["n"])
    if n < 2:
        raise CannotTell(f"concordance needs two pairs, there {'is 1' if n else 'are 0'}")
    by = n if divisor == "n" else n - 1
    xx, yy, xy = (sums[name] / by for name in ("m2_reference", "m2_tested", "comoment"))
    for column, variance in (("reference", xx), ("tested", yy)):
        if not variance > 0:
            raise CannotTell(f"concordance needs values that vary, the {column} ones do not")
    value = 2 * xy / (xx + yy + sums["mean_difference"] ** 2)
    r = max(-1.0, min(1.0, xy / math.sqrt(xx * yy)))
    v = math.sqrt(yy / xx)
    u = sums["mean_difference"] / (xx * yy) ** 0.25
    se = _se_z(value, r, u, n)
    from scipy.special import ndtri

    half = float(ndtri(0.5 + confidence / 2)) * se
    middle = math.atanh(value) if abs(value) < 1 else math.nan
    return Concordance(
        value=value,
        correlation=r,
        bias_correction=2 / (v + 1 / v + u * u),
        scale_shift=v,
        location_shift=u,
        se_z=se,
        low=math.tanh(middle - half),
        high=math.tanh(middle + half),
        n=n,
    )


def _se_z(value: float, r: float, u: float, n: int) -> float:
    """Standard error on Fisher's scale (Lin 2000: 2 and 1/2 where the 1989 print has 4 and 2)."""
    if n < 3 or r == 0 or not abs(value) < 1:
        return math.nan
    left, square = 1 - value**2, value**2
    variance = (
        (1 - r * r) * square / (left * r * r)
        + 2 * value**3 * (1 - value) * u * u / (r * left**2)
        - square**2 * u**4 / (2 * r * r * left**2)
    ) / (n - 2)
    return math.sqrt(variance) if variance >= 0 else math.nan
