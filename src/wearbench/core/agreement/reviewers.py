"""What reviewers ask for beside the primary statistics: every kind of limits at once, the primary ones marked."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.accuracy import a_rms, participant_mape
from wearbench.core.agreement.deviationindex import coverage_probability, total_deviation_index
from wearbench.core.agreement.equivalence import equivalence
from wearbench.core.agreement.intraclass import icc
from wearbench.core.agreement.limits import Limits, limits_of_agreement
from wearbench.core.agreement.mixedlimits import mixed_limits
from wearbench.core.agreement.passingbablok import PassingBablok, passing_bablok
from wearbench.core.agreement.primary import Primary
from wearbench.core.agreement.quantilelimits import quantile_limits
from wearbench.core.agreement.ratiolimits import percent_limits, ratio_limits
from wearbench.core.agreement.regressionlimits import regression_limits
from wearbench.core.agreement.repeatedlimits import repeated_limits
from wearbench.core.agreement.singlelimits import range_of_agreement, single_limits
from wearbench.core.agreement.structuralline import StructuralLine, deming, least_products, weighted_deming
from wearbench.core.agreement.sums import paired
from wearbench.core.clusters import Estimate
from wearbench.errors import CannotTell, DataError

__all__ = ["PLACES", "ReviewerStatistic", "for_reviewers", "leading_limits", "sloping_limits"]

F64 = NDArray[np.float64]

PLACES: Final = (0.05, 0.5, 0.95)
"""Quantiles of the averages at which sloping limits are told."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ReviewerStatistic:
    """One number for reviewers: of which family, what, and where ``at`` (for limits that follow the value)."""

    family: str
    statistic: str
    at: float | None
    estimate: Estimate


def sloping_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    confidence: float = 0.95,
) -> tuple[tuple[float, Limits], ...]:
    """Sloping limits of agreement where most values lie.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    cluster : array-like, shape (n,), or None
        Participant or session of each pair; None takes the pairs as independent.
    confidence : float

    Returns
    -------
    tuple of (float, Limits)
        At the quantiles ``PLACES`` of (tested + reference)/2, as `regression_limits` gives them.

    Raises
    ------
    DataError, CannotTell
        As `regression_limits`.
    """
    first, second = paired(tested, reference)
    fit = regression_limits(first, second, cluster=cluster, confidence=confidence)
    places = np.quantile(first / 2 + second / 2, PLACES).tolist()
    return tuple((at, fit.at(min(max(at, fit.lowest), fit.highest))) for at in places)


def leading_limits(
    primary: Primary,
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    confidence: float = 0.95,
) -> tuple[tuple[float | None, Limits], ...]:
    """The limits of agreement that lead, once their kind is chosen.

    Parameters
    ----------
    primary : str
        As `choose_primary` gives it; for "two_part" give the right readings only.
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    cluster : array-like, shape (n,), or None
        Participant or session of each pair; None takes the pairs as independent.
    confidence : float

    Returns
    -------
    tuple of (float or None, Limits)
        One pair of limits with None, sloping ones at each of ``PLACES``; none for "none". Those of "ratio" are ratios.

    Raises
    ------
    DataError, CannotTell
        As the kind of limits.
    """
    if primary == "none":
        return ()
    if primary == "sloping":
        return sloping_limits(tested, reference, cluster=cluster, confidence=confidence)
    if primary == "ratio":
        return ((None, ratio_limits(tested, reference, participant=cluster, confidence=confidence)),)
    if primary == "single":
        return ((None, single_limits(tested, reference, confidence=confidence)),)
    plain = limits_of_agreement(tested, reference, participant=cluster, confidence=confidence)
    if primary == "quantiles":
        found = quantile_limits(tested, reference, cluster=cluster, confidence=confidence)
        return ((None, dataclasses.replace(plain, low=found.low, high=found.high)),)
    return ((None, plain),)


def for_reviewers(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    session: ArrayLike | None = None,
    activity: ArrayLike | None = None,
    tolerance: float | None = None,
    margin: float | None = None,
    confidence: float = 0.95,
    resamples: int = 2000,
    seed: int = 0,
    name: str = "",
) -> tuple[ReviewerStatistic, ...]:
    """Limits of agreement of every kind, and further statistics of error, concordance and regression.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    cluster : array-like, shape (n,), or None
        The independent units: participants, or sessions of one. None takes the pairs as independent.
    session, activity : array-like, shape (n,), or None
        For the mixed model: session within the unit, and what was done.
    tolerance : float or None
        For the coverage probability, in the unit of the values; left out without.
    margin : float or None
        For the test of equivalence, declared before the data were seen; left out without.
    confidence : float
    resamples, seed, name
        Of the resampling of quantiles.

    Returns
    -------
    tuple of ReviewerStatistic
        Families "single" (pairs taken as independent: too narrow for repeated ones, and there to be seen so),
        "repeated", "recovered", "sloping", "ratio", "percent", "quantiles" and "mixed"; then "deviation" (total
        deviation index of 90 %, coverage probability), "accuracy", "intraclass" (of the units' means, form 2,1),
        "deming", "weighted_deming", "least_products", "passing_bablok" and "equivalence". What cannot be given has a
        reason in place of a value.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    if first.size == 0:
        raise CannotTell("statistics for reviewers need pairs, there are none")

    def sloping() -> Iterator[ReviewerStatistic]:
        fit = regression_limits(first, second, cluster=cluster, confidence=confidence)
        yield ReviewerStatistic(family="sloping", statistic="slope_of_bias", at=None, estimate=fit.slope)
        yield ReviewerStatistic(family="sloping", statistic="slope_of_spread", at=None, estimate=fit.spread_slope)
        for at, limits in sloping_limits(first, second, cluster=cluster, confidence=confidence):
            yield from _of_limits("sloping", limits, at=at)

    def quantiles() -> Iterator[ReviewerStatistic]:
        found = quantile_limits(
            first, second, cluster=cluster, resamples=resamples, seed=seed, name=name, confidence=confidence
        )
        for statistic, estimate in (("limit_low", found.low), ("limit_high", found.high)):
            yield ReviewerStatistic(family="quantiles", statistic=statistic, at=None, estimate=estimate)

    def single() -> Iterator[ReviewerStatistic]:
        yield from _of_limits("single", single_limits(first, second, confidence=confidence))
        if cluster is None:
            both = range_of_agreement(first, second, confidence=confidence)
            yield ReviewerStatistic(family="single", statistic="range_of_agreement", at=None, estimate=both)

    def mixed() -> Iterator[ReviewerStatistic]:
        if cluster is None:
            raise CannotTell("a mixed model needs repeated pairs, these are taken as independent")
        found = mixed_limits(
            first, second, participant=cluster, session=session, activity=activity, confidence=confidence
        )
        for statistic, estimate in (
            ("bias", found.bias),
            ("sd_of_differences", found.sd),
            ("limit_low", found.low),
            ("limit_high", found.high),
        ):
            yield ReviewerStatistic(family="mixed", statistic=statistic, at=None, estimate=estimate)

    def recovered() -> Iterator[ReviewerStatistic]:
        if cluster is None:
            raise CannotTell("recovered variances need repeated pairs, these are taken as independent")
        yield from _of_limits("recovered", repeated_limits(first, second, cluster, confidence=confidence))

    def deviation() -> Iterator[ReviewerStatistic]:
        index = total_deviation_index(first, second, participant=cluster, confidence=confidence)
        yield ReviewerStatistic(family="deviation", statistic="total_deviation_index_90", at=None, estimate=index.exact)
        if tolerance is not None:
            inside = coverage_probability(first, second, within=tolerance, participant=cluster, confidence=confidence)
            yield ReviewerStatistic(
                family="deviation", statistic="coverage_probability", at=tolerance, estimate=inside.normal
            )

    def accuracy() -> Iterator[ReviewerStatistic]:
        rms = a_rms(first, second, participant=cluster, confidence=confidence)
        yield ReviewerStatistic(family="accuracy", statistic="a_rms", at=None, estimate=rms)
        if cluster is not None:
            percent = participant_mape(first, second, cluster, confidence=confidence)
            yield ReviewerStatistic(family="accuracy", statistic="participant_mape", at=None, estimate=percent)

    def intraclass() -> Iterator[ReviewerStatistic]:
        found = icc(np.stack([_means(first, cluster), _means(second, cluster)], axis=1), confidence=confidence)
        yield ReviewerStatistic(family="intraclass", statistic="icc_2_1", at=None, estimate=found.coefficient)

    def line(family: str) -> Callable[[], Iterator[ReviewerStatistic]]:
        fits: dict[str, Callable[..., StructuralLine | PassingBablok]] = {
            "deming": deming,
            "weighted_deming": weighted_deming,
            "least_products": least_products,
            "passing_bablok": passing_bablok,
        }

        def made() -> Iterator[ReviewerStatistic]:
            found = fits[family](first, second, participant=cluster, confidence=confidence)
            yield ReviewerStatistic(family=family, statistic="slope", at=None, estimate=found.slope)
            yield ReviewerStatistic(family=family, statistic="intercept", at=None, estimate=found.intercept)

        return made

    def equivalent() -> Iterator[ReviewerStatistic]:
        found = equivalence(first, second, margin=margin, participant=cluster, alpha=(1 - confidence))
        yield ReviewerStatistic(family="equivalence", statistic="mean_difference", at=margin, estimate=found.difference)

    def repeated() -> Iterator[ReviewerStatistic]:
        found = limits_of_agreement(first, second, participant=cluster, confidence=confidence)
        yield from _of_limits("repeated", found)

    def ratio() -> Iterator[ReviewerStatistic]:
        yield from _of_limits("ratio", ratio_limits(first, second, participant=cluster, confidence=confidence))

    def percent() -> Iterator[ReviewerStatistic]:
        yield from _of_limits("percent", percent_limits(first, second, participant=cluster, confidence=confidence))

    limits, of_line = ("limit_low", "limit_high"), ("slope", "intercept")
    families: dict[str, tuple[tuple[str, ...], Callable[[], Iterator[ReviewerStatistic]]]] = {
        "single": (limits, single),
        "repeated": (limits, repeated),
        "recovered": (limits, recovered),
        "sloping": (limits, sloping),
        "ratio": (limits, ratio),
        "percent": (limits, percent),
        "quantiles": (limits, quantiles),
        "mixed": (limits, mixed),
        "deviation": (("total_deviation_index_90",), deviation),
        "accuracy": (("a_rms",), accuracy),
        "intraclass": (("icc_2_1",), intraclass),
        "deming": (of_line, line("deming")),
        "weighted_deming": (of_line, line("weighted_deming")),
        "least_products": (of_line, line("least_products")),
        "passing_bablok": (of_line, line("passing_bablok")),
    }
    if margin is not None:
        families["equivalence"] = (("mean_difference",), equivalent)
    out: list[ReviewerStatistic] = []
    for family, (names, made) in families.items():
        try:
            out += list(made())
        except (CannotTell, DataError) as error:
            none = Estimate(value=None, low=None, high=None, method="", n=0, why=str(error))
            out += [ReviewerStatistic(family=family, statistic=each, at=None, estimate=none) for each in names]
    return tuple(out)


def _means(values: F64, cluster: ArrayLike | None) -> F64:
    """Mean of each unit, the values themselves where each is its own."""
    if cluster is None:
        return values
    code = np.unique(np.asarray(cluster), return_inverse=True)[1]
    return np.asarray(np.bincount(code, weights=values) / np.bincount(code))


def _of_limits(family: str, limits: Limits, *, at: float | None = None) -> Iterator[ReviewerStatistic]:
    for statistic, estimate in (
        ("bias", limits.bias),
        ("sd_of_differences", limits.sd),
        ("limit_low", limits.low),
        ("limit_high", limits.high),
    ):
        yield ReviewerStatistic(family=family, statistic=statistic, at=at, estimate=estimate)
