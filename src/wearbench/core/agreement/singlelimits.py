"""Limits of agreement of single, independent pairs: exact intervals, the older approximations, and the range."""

from __future__ import annotations

import math
from typing import Literal, get_args

from numpy.typing import ArrayLike

from wearbench.core.agreement.differences import check_level, check_multiplier, differences, fixed, unknown
from wearbench.core.agreement.limits import Limits
from wearbench.core.agreement.summary import MULTIPLIER
from wearbench.core.agreement.tolerance import limit_factor, pair_factor, range_factor
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import DataError

__all__ = ["Form", "limit_se", "limits_from_summary", "range_of_agreement", "sd_interval", "single_limits"]

Form = Literal["exact", "pair", "1999", "1986"]


def _scope(n: int) -> str:
    return f"{n} pair{'s' if n != 1 else ''} taken as independent"


def limit_se(sd: float, n: int, *, form: Literal["1999", "1986"] = "1999", multiplier: float = MULTIPLIER) -> float:
    """Approximate standard error of a limit of agreement.

    Parameters
    ----------
    sd : float
        SD of differences.
    n : int
        Independent pairs, two or more.
    form : {"1999", "1986"}
        sd sqrt(1/n + multiplier^2/(2 (n - 1))), about 1.71 sd/sqrt(n) (Bland & Altman 1999, Stat Methods Med Res
        8:135-160), or sd sqrt(3/n) (Bland & Altman 1986, Lancet 327:307-310).
    multiplier : float
        Of the limits.

    Returns
    -------
    float
        In the unit of ``sd``.

    Raises
    ------
    DataError
        If the form is not one of the two, or there are fewer than two pairs.
    """
    if n < 2:
        raise DataError(f"expected a whole number of pairs from 2, got {n}")
    if form == "1986":
        return sd * math.sqrt(3 / n)
    if form != "1999":
        raise DataError(f"expected the form '1999' or '1986', got {form!r}")
    return sd * math.sqrt(1 / n + multiplier**2 / (2 * (n - 1)))


def sd_interval(sd: float, df: float, *, confidence: float) -> tuple[float, float]:
    """Interval of a standard deviation of normal values.

    Parameters
    ----------
    sd : float
    df : float
        Its degrees of freedom.
    confidence : float

    Returns
    -------
    tuple of float
        sd sqrt(df/chi2) at the upper and lower quantile of chi-square.
    """
    from scipy.special import chdtri

    alpha = 1 - confidence
    return sd * math.sqrt(df / float(chdtri(df, alpha / 2))), sd * math.sqrt(df / float(chdtri(df, 1 - alpha / 2)))


def limits_from_summary(
    mean: float,
    sd: float,
    n: int,
    *,
    form: Form = "exact",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement from the mean and SD of differences, such as a paper prints them.

    Parameters
    ----------
    mean, sd : float
        Of the differences of independent pairs, divisor n - 1.
    n : int
        Pairs, two or more.
    form, multiplier, confidence
        As in `single_limits`.

    Returns
    -------
    Limits
        As in `single_limits`.

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    if form not in get_args(Form):
        raise DataError(f"expected one of the forms {', '.join(get_args(Form))}, got {form!r}")
    check_multiplier(multiplier)
    check_level(confidence, "a confidence")
    if not (math.isfinite(mean) and math.isfinite(sd) and sd > 0 and n >= 2):
        raise DataError(f"expected a mean, an SD above 0 and two pairs or more, got {mean}, {sd} and {n}")
    upper, lower = 0.5 + confidence / 2, 0.5 - confidence / 2
    t = t_quantile(upper, n - 1)
    if form == "exact":
        inner = limit_factor(n, probability=lower, multiplier=multiplier) * sd
        outer = limit_factor(n, probability=upper, multiplier=multiplier) * sd
        method = "exact (non-central t), each limit on its own,"
    elif form == "pair":
        from scipy.special import ndtr

        content = 2 * float(ndtr(multiplier)) - 1
        inner = pair_factor(n, probability=lower, content=content) * sd
        outer = pair_factor(n, probability=upper, content=content) * sd
        method = f"two-sided tolerance factors (content {content:.4g}), both limits at once,"
    else:
        half = t * limit_se(sd, n, form=form, multiplier=multiplier)
        inner, outer = multiplier * sd - half, multiplier * sd + half
        method = f"t({n - 1}), approximate standard error of {form},"
    scope = _scope(n)
    half_mean = t * sd / math.sqrt(n)
    return Limits(
        n_pairs=n,
        n_participants=n,
        bias=fixed(mean, (mean - half_mean, mean + half_mean), f"t({n - 1}) on {scope}", n),
        sd=fixed(sd, sd_interval(sd, n - 1, confidence=confidence), f"chi-square({n - 1}) on {scope}", n),
        low=fixed(mean - multiplier * sd, (mean - outer, mean - inner), f"{method} on {scope}", n),
        high=fixed(mean + multiplier * sd, (mean + inner, mean + outer), f"{method} on {scope}", n),
    )


def single_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    form: Form = "exact",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of single pairs: one pair a participant, or pairs that are independent for another reason.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    form : {"exact", "pair", "1999", "1986"}
        How intervals of the limits are made. "exact": one-sided tolerance factors, each limit on its own (Carkeet 2015,
        Optom Vis Sci 92:e71-e80). "pair": two-sided tolerance factors, inner and outer, both limits at once (Carkeet &
        Goh 2018, Stat Methods Med Res 27:1559-1574). "1999" and "1986": t times the standard error of `limit_se`; too
        short outside below about 40 and 76 pairs.
    multiplier : float
        Limits are mean -+ multiplier * SD. The 1986 paper used 2.
    confidence : float
        Level of the intervals.

    Returns
    -------
    Limits
        ``bias`` mean(D), D = tested - reference, by t; ``sd`` with divisor n - 1, by chi-square; ``low`` and ``high``.
        Without values, and with the reason, where there is one pair or all differences are identical.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or an option does not fit.
    CannotTell
        If there are no pairs.
    """
    found = differences(tested, reference)
    if found.why is None:
        return limits_from_summary(
            found.mean, found.sd, found.n, form=form, multiplier=multiplier, confidence=confidence
        )
    none = f"{found.why}: no interval can be given"
    return Limits(
        n_pairs=found.n,
        n_participants=found.n,
        bias=fixed(found.mean, None, _scope(found.n), 0, none),
        sd=unknown(found.why),
        low=unknown(found.why),
        high=unknown(found.why),
    )


def range_of_agreement(
    tested: ArrayLike, reference: ArrayLike, *, multiplier: float = MULTIPLIER, confidence: float = 0.95
) -> Estimate:
    """Range of agreement: one interval that holds both true limits at once.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Independent pairs in one unit.
    multiplier : float
        The limits held are mu -+ multiplier sigma.
    confidence : float
        How sure the range holds both.

    Returns
    -------
    Estimate
        ``low`` and ``high`` are mean -+ g SD, g from `range_factor` (Jan & Shieh 2018, Comput Biol Med 100:247-252);
        ``value`` is the mean.

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or an option does not fit.
    CannotTell
        If there are no pairs.
    """
    check_multiplier(multiplier)
    check_level(confidence, "a confidence")
    found = differences(tested, reference)
    if found.why is not None:
        return fixed(found.mean, None, _scope(found.n), 0, f"{found.why}: no range can be given")
    half = range_factor(found.n, confidence=confidence, multiplier=multiplier) * found.sd
    method = f"range that holds both limits at once on {_scope(found.n)}"
    return fixed(found.mean, (found.mean - half, found.mean + half), method, found.n)
