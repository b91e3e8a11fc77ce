"""Intervals of limits of agreement from recovered variance estimates, out of means and mean squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from wearbench.core.agreement.differences import check_level, check_multiplier, fixed
from wearbench.core.agreement.limits import Limits
from wearbench.core.agreement.replicates import Within
from wearbench.core.agreement.summary import MULTIPLIER
from wearbench.core.clusters import t_quantile
from wearbench.errors import DataError

__all__ = ["recovered_limits"]


def recovered_limits(
    mean: float,
    variance_of_means: float,
    n: int,
    *,
    within: Sequence[Within],
    n_pairs: int = 0,
    quantile: Literal["z", "t"] = "z",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of repeated readings from the means and mean squares of a study.

    Parameters
    ----------
    mean : float
        Of the participants' mean differences.
    variance_of_means : float
        Of the participants' mean differences, divisor n - 1.
    n : int
        Participants, two or more.
    within : sequence of Within
        One part, of the differences, where the true value varies; two, one a method, where it is constant.
    n_pairs : int
        For the record.
    quantile : {"z", "t"}
        Of the mean's part of an interval: z as printed, or t with n - 1 df, which is wider for few participants.
    multiplier, confidence : float

    Returns
    -------
    Limits
        sigma^2 = s_d^2 + sum (1 - 1/h_k) s_k^2, limits mean -+ multiplier sigma (Bland & Altman 1999, Stat Methods Med
        Res 8:135-160, section 5). Interval [l, u] of sigma^2: sigma^2 - sqrt(sum of squares of c (1 - df/chi2_upper)),
        sigma^2 + sqrt(sum of squares of c (df/chi2_lower - 1)) over the parts c. Arms of a limit: sqrt(q^2 s_d^2/n +
        multiplier^2 (sqrt(u) - sigma)^2) outside, with (sigma - sqrt(l)) inside (Zou 2013, Stat Methods Med Res
        22:630-642). The bias has the t interval of the participants' means.

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    from scipy.special import chdtri, ndtri

    check_multiplier(multiplier)
    check_level(confidence, "a confidence")
    if quantile not in ("z", "t"):
        raise DataError(f"expected the quantile 'z' or 't', got {quantile!r}")
    if not (n >= 2 and variance_of_means >= 0 and math.isfinite(mean) and math.isfinite(variance_of_means)):
        raise DataError(
            f"expected a mean, a variance and two participants or more, got {mean}, {variance_of_means} and {n}"
        )
    alpha = 1 - confidence
    parts = [(variance_of_means, float(n - 1))]
    parts += [(part.weight * part.mean_square, part.df) for part in within if part.weight > 0]
    variance = sum(part for part, _ in parts)
    if not variance > 0:
        raise DataError("expected a variance above 0, all differences are identical")
    below = math.hypot(*(part * (1 - df / float(chdtri(df, alpha / 2))) for part, df in parts))
    above = math.hypot(*(part * (df / float(chdtri(df, 1 - alpha / 2)) - 1) for part, df in parts))
    low, high = math.sqrt(max(0.0, variance - below)), math.sqrt(variance + above)
    sd, se = math.sqrt(variance), math.sqrt(variance_of_means / n)
    t = t_quantile(1 - alpha / 2, n - 1)
    arm = (t if quantile == "t" else float(ndtri(1 - alpha / 2))) * se
    out, inside = math.hypot(arm, multiplier * (high - sd)), math.hypot(arm, multiplier * (sd - low))
    lower, upper = mean - multiplier * sd, mean + multiplier * sd
    scope = f"on {n} participants"
    method = f"recovered variance estimates ({'z' if quantile == 'z' else f't({n - 1})'} for the mean) {scope}"
    return Limits(
        n_pairs=n_pairs,
        n_participants=n,
        bias=fixed(mean, (mean - t * se, mean + t * se), f"t({n - 1}) of participants' means {scope}", n),
        sd=fixed(sd, (low, high), f"recovered variance estimates {scope}", n),
        low=fixed(lower, (lower - out, lower + inside), method, n),
        high=fixed(upper, (upper - inside, upper + out), method, n),
    )
