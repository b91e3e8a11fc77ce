"""Sample sizes for limits of agreement, before a study: by precision, by power, and by the width of the range."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from wearbench.core.agreement.differences import check_level, check_multiplier
from wearbench.core.agreement.tolerance import noncentral_t_cdf, range_factor
from wearbench.core.clusters import t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["agreement_power", "effective_pairs", "size_for_power", "size_for_precision", "size_for_range"]

MOST: Final = 10_000_000
"""Largest number of pairs that is searched."""


def _positive(value: float, name: str) -> None:
    if not (value > 0 and math.isfinite(value)):
        raise DataError(f"expected {name} above 0, got {value}")


def _smallest(enough: Callable[[int], bool], what: str) -> int:
    """Smallest n from 2 that is enough, where every larger one is too."""
    high = 2
    while not enough(high):
        high *= 2
        if high > MOST:
            raise CannotTell(f"{what} would need more than {MOST:,} pairs")
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def size_for_precision(half_width: float, *, multiplier: float = 1.96) -> int:
    """Pairs needed to know a limit of agreement to a given half-width.

    Parameters
    ----------
    half_width : float
        Half the width of the 95 % interval of a limit, in SDs of the differences.
    multiplier : float
        Normal quantile of the interval.

    Returns
    -------
    int
        Smallest n with multiplier sqrt(3/n) <= half_width (Bland & Altman 1986, Lancet 327:307-310).

    Raises
    ------
    DataError
        If a number is not above 0.
    CannotTell
        If it would be more than ten million.
    """
    _positive(half_width, "a half-width")
    check_multiplier(multiplier)
    return _smallest(lambda n: multiplier * math.sqrt(3 / n) <= half_width * (1 + 1e-12), "so narrow an interval")


def agreement_power(
    n: int, *, mean: float, sd: float, margin: float, coverage: float = 0.95, confidence: float = 0.95
) -> float:
    """Power to conclude that both limits of agreement lie within a margin.

    Parameters
    ----------
    n : int
        Independent pairs, two or more.
    mean, sd : float
        Expected of the differences.
    margin : float
        Largest difference that is accepted, same unit: agreement is concluded if the interval of the upper limit ends
        below ``margin`` and that of the lower limit above -``margin``.
    coverage : float
        Share of differences between the limits.
    confidence : float
        Level of the two-sided interval of a limit.

    Returns
    -------
    float
        1 - T(t; n - 1, tau1) - T(t; n - 1, tau2), not below 0, with t at 1/2 + confidence/2, T the distribution
        function of the non-central t, tau = (margin -+ mean - z sd)/se and se = sd sqrt(1/n + z^2/(2 (n - 1))) (Lu et
        al. 2016, Int J Biostat 12:20150039). The term of the far limit vanishes for large tau, where the usual
        routines for T break down.

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    if n < 2:
        raise DataError(f"expected a whole number of pairs from 2, got {n}")
    z = _coverage_quantile(mean, sd, margin, coverage, confidence)
    se = sd * math.sqrt(1 / n + z * z / (2 * (n - 1)))
    t = t_quantile(0.5 + confidence / 2, n - 1)
    missed = sum(
        noncentral_t_cdf(t, df=n - 1, noncentrality=(margin + side * mean - z * sd) / se) for side in (-1.0, 1.0)
    )
    return max(0.0, 1 - missed)


def _coverage_quantile(mean: float, sd: float, margin: float, coverage: float, confidence: float) -> float:
    from scipy.special import ndtri

    _positive(sd, "an SD")
    _positive(margin, "a margin")
    check_level(coverage, "a coverage")
    check_level(confidence, "a confidence")
    if not math.isfinite(mean):
        raise DataError(f"expected a finite mean, got {mean}")
    return float(ndtri(0.5 + coverage / 2))


def size_for_power(
    *,
    mean: float,
    sd: float,
    margin: float,
    power: float = 0.8,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> int:
    """Pairs needed to conclude that both limits of agreement lie within a margin.

    Parameters
    ----------
    mean, sd, margin, coverage, confidence : float
        As in `agreement_power`.
    power : float

    Returns
    -------
    int
        Smallest n whose `agreement_power` reaches ``power``. With repeated pairs, participants count: see
        `effective_pairs`.

    Raises
    ------
    DataError
        If the numbers do not fit.
    CannotTell
        If margin <= |mean| + z sd, so that no number suffices, or if it would be more than ten million.
    """
    check_level(power, "a power")
    z = _coverage_quantile(mean, sd, margin, coverage, confidence)
    if margin <= abs(mean) + z * sd:
        raise CannotTell(
            f"no number of pairs suffices: the expected limits reach {abs(mean) + z * sd:.6g} "
            f"(|mean| + {z:.4g} SD), the margin is {margin:.6g}"
        )
    return _smallest(
        lambda n: (
            agreement_power(n, mean=mean, sd=sd, margin=margin, coverage=coverage, confidence=confidence) >= power
        ),
        "so small a margin",
    )


def size_for_range(
    half_width: float, *, assurance: float | None = None, confidence: float = 0.95, multiplier: float = 1.96
) -> int:
    """Pairs needed for a range of agreement no wider than planned.

    Parameters
    ----------
    half_width : float
        Half the width of the range, in SDs of the differences.
    assurance : float or None
        Chance that the range is no wider. None plans for its expected width.
    confidence, multiplier : float
        As in `wearbench.core.agreement.range_factor`.

    Returns
    -------
    int
        Smallest n with g_n c4(n) <= half_width, c4 the expected SD over sigma, or with g_n sqrt(chi2/(n - 1)) <=
        half_width, chi2 the quantile at ``assurance`` (Jan & Shieh 2018, Comput Biol Med 100:247-252).

    Raises
    ------
    DataError
        If the numbers do not fit.
    CannotTell
        If the half-width is not above the multiplier, so that no number suffices, or it would be more than ten million.
    """
    from scipy.special import chdtri, gammaln

    _positive(half_width, "a half-width")
    check_multiplier(multiplier)
    if assurance is not None:
        check_level(assurance, "an assurance")
    if half_width <= multiplier:
        raise CannotTell(
            f"no number of pairs suffices: the limits themselves are {multiplier:.6g} SDs from the mean, the "
            f"half-width asked for is {half_width:.6g}"
        )

    def enough(n: int) -> bool:
        df = n - 1
        if assurance is None:
            size = math.sqrt(2 / df) * math.exp(float(gammaln(n / 2)) - float(gammaln(df / 2)))
        else:
            size = math.sqrt(float(chdtri(df, 1 - assurance)) / df)
        return range_factor(n, confidence=confidence, multiplier=multiplier) * size <= half_width

    return _smallest(enough, "so narrow a range")


def effective_pairs(
    n_pairs: float, *, per_participant: float, correlation: float, serial_correlation: float = 0.0
) -> float:
    """Independent pairs that repeated ones are worth.

    Parameters
    ----------
    n_pairs : float
        All pairs.
    per_participant : float
        Pairs of each participant.
    correlation : float
        Intraclass correlation of the differences, 0 to 1: the share of their variance that lies between participants.
    serial_correlation : float
        Correlation of one difference with the next within a participant, 0 to below 1.

    Returns
    -------
    float
        N/(1 + (m - 1) rho), with m the pairs of a participant (Kish 1965, Survey Sampling, section 8.2); for a series
        N and m are first reduced by (1 - phi)/(1 + phi), phi its correlation of lag one, m not below 1.

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    _positive(n_pairs, "a number of pairs")
    if not 1 <= per_participant <= n_pairs:
        raise DataError(f"expected 1 to {n_pairs} pairs a participant, got {per_participant}")
    if not 0 <= correlation <= 1:
        raise DataError(f"expected a correlation from 0 to 1, got {correlation}")
    if not 0 <= serial_correlation < 1:
        raise DataError(f"expected a serial correlation from 0 to below 1, got {serial_correlation}")
    kept = (1 - serial_correlation) / (1 + serial_correlation)
    each = max(1.0, per_participant * kept)
    return n_pairs / per_participant * each / (1 + (each - 1) * correlation)
