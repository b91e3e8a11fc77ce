"""All agreement statistics of one group of pairs, with intervals by one set of rules."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.intervals import (
    concordance_interval,
    log_interval,
    plain_interval,
    positive_interval,
    spread_of,
)
from wearbench.core.agreement.moments import Centre, Moments, cluster_moments, statistics
from wearbench.core.agreement.sums import merge_sums, rows_of_sums
from wearbench.core.agreement.twostage import two_stage_totals
from wearbench.core.clusters import Clusters, Estimate, choose_clusters, effective_df, t_quantile
from wearbench.core.resample import (
    bca_interval,
    percentile_interval,
    resampled_totals,
    share_interval,
    studentised_interval,
    totals_and_squares,
)
from wearbench.errors import DataError

__all__ = ["INTERVALS", "MULTIPLIER", "STATISTIC_NAMES", "IntervalMethod", "summarise", "summarise_clusters"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

MULTIPLIER: Final = 1.96
"""Of the limits of agreement, as Bland & Altman print it."""

FEW: Final = 5
"""Below this many clusters there is nothing to resample."""

UNKNOWN: Final = 5.0
"""An interval that reaches this many times the estimate says that nothing is known; it is not printed as one."""

IntervalMethod = Literal["t", "percentile", "bca", "studentised"]
INTERVALS: Final[tuple[IntervalMethod, ...]] = ("t", "percentile", "bca", "studentised")

_WORDS: Final = {"percentile": "percentile", "bca": "BCa"}
_POSITIVE: Final = ("sd_of_differences", "sd_within", "mae", "mape", "rmse")

STATISTIC_NAMES: Final = (
    "n_pairs",
    "mean_reference",
    "mean_tested",
    "bias",
    "sd_of_differences",
    "sd_between",
    "sd_within",
    "limit_low",
    "limit_high",
    "mae",
    "mape",
    "rmse",
    "within_tolerance",
    "within_10_percent",
    "within_greater",
    "ccc",
)


def summarise(
    sums: F64,
    *,
    session: I64,
    participant: I64,
    blocks: bool = False,
    confidence: float = 0.95,
    multiplier: float = MULTIPLIER,
    interval: IntervalMethod = "t",
    within: bool = False,
    resamples: int = 10_000,
    seed: int = 0,
    name: str = "",
) -> dict[str, Estimate]:
    """Agreement statistics of one group of pairs from the sums of its sessions.

    Parameters
    ----------
    sums : float64 array, shape (k, len(SUM_NAMES))
        One row a session, or a block of one.
    session, participant : int arrays, shape (k,)
        Code of each row's session and participant; rows of one session are joined.
    blocks : bool
        Where there is one session only: its rows are blocks that count as independent.
    confidence : float
        Level of all intervals.
    multiplier : float
        Of the limits of agreement.
    interval : {"t", "percentile", "bca", "studentised"}
        How intervals are made: by t and its relatives on jackknifed cluster values (the default; it covers better with
        few clusters), or by resampling clusters, which needs five clusters and otherwise falls back to t. Bounds of
        none or all stay exact.
    within : bool
        Resample sessions within each drawn participant too ("percentile" only).
    resamples, seed, name
        Of the resampling: how many, and what keys the generator; unused by "t".

    Returns
    -------
    dict of str to Estimate
        The names of ``STATISTIC_NAMES``. ``bias`` is the mean of all differences, tested - reference, so that pairs
        weigh equally; ``sd_of_differences`` is sqrt(sigma_b^2 + sigma_w^2), between and within clusters for pairs
        whose true value varies (Bland & Altman 2007, J Biopharm Stat 17:571-582); limits are bias -+ multiplier times
        that. ``mape`` is in per cent, shares are from 0 to 1, ``ccc`` has divisor n (Lin 1989, Biometrics 45:255-268).

    Raises
    ------
    DataError
        If the rows do not fit.
    """
    sums, which, who = rows_of_sums(sums, session=session, participant=participant)
    keep = sums[:, 0] > 0
    clusters = choose_clusters(which[keep], who[keep], blocks=blocks)
    if clusters.count == 0:
        return {name: _empty("no pairs") for name in STATISTIC_NAMES}
    joined = merge_sums(sums[keep], index=clusters.index, count=clusters.count)
    two_stage = within and interval != "t" and clusters.unit == "participants"
    if within and interval in ("bca", "studentised"):
        raise DataError(f'expected interval "percentile" to resample sessions within participants, got {interval}')
    out = summarise_clusters(
        joined,
        clusters,
        confidence=confidence,
        multiplier=multiplier,
        interval="t" if two_stage else interval,
        resamples=resamples,
        seed=seed,
        name=name,
    )
    if two_stage and clusters.count >= FEW:
        rules, centre = _rules(joined, clusters, confidence, multiplier)
        code = np.unique(np.stack([clusters.index, which[keep]]), axis=1, return_inverse=True)
        sessions = merge_sums(sums[keep], index=code[1].ravel(), count=code[0].shape[1])
        totals = two_stage_totals(
            sessions, index=code[0][0], count=clusters.count, centre=centre, resamples=resamples, seed=seed, name=name
        )
        out |= rules.resampled(out, totals, interval="percentile", words="percentile, in two stages")
    return out


def _rules(sums: F64, clusters: Clusters, confidence: float, multiplier: float) -> tuple[_Summary, Centre]:
    whole = merge_sums(sums)[0]
    centre = Centre(reference=float(whole[1]), tested=float(whole[2]), difference=float(whole[3]))
    return _Summary(cluster_moments(sums, centre), clusters, confidence, multiplier), centre


def summarise_clusters(
    sums: F64,
    clusters: Clusters,
    *,
    confidence: float = 0.95,
    multiplier: float = MULTIPLIER,
    interval: IntervalMethod = "t",
    resamples: int = 10_000,
    seed: int = 0,
    name: str = "",
) -> dict[str, Estimate]:
    """`summarise` where the clusters are chosen already.

    Parameters
    ----------
    sums : float64 array, shape (clusters.count, len(SUM_NAMES))
        One row a cluster, each with at least one pair.
    clusters : Clusters
        What the rows are.
    confidence, multiplier, interval, resamples, seed, name
        As in `summarise`.

    Returns
    -------
    dict of str to Estimate

    Raises
    ------
    DataError
        If ``interval`` is not one of ``INTERVALS``.
    """
    if interval not in INTERVALS:
        raise DataError(f"expected interval to be one of {', '.join(INTERVALS)}, got {interval}")
    rules, _ = _rules(sums, clusters, confidence, multiplier)
    out = rules.all()
    if interval != "t" and clusters.count >= FEW:
        rows = rules.moments.rows
        if interval == "studentised":
            totals, squares = totals_and_squares(rows, resamples=resamples, seed=seed, name=name)
            out |= rules.studentised(out, totals, squares)
        else:
            totals = resampled_totals(rows, resamples=resamples, seed=seed, name=name)
            out |= rules.resampled(out, totals, interval=interval, words=_WORDS[interval])
    return out


def _empty(why: str, method: str = "") -> Estimate:
    return Estimate(value=None, low=None, high=None, method=method, n=0, why=why)


class _Summary:
    """The rules, one method a kind of statistic."""

    def __init__(self, moments: Moments, clusters: Clusters, confidence: float, multiplier: float) -> None:
        self.moments = moments
        self.clusters = clusters
        self.confidence = confidence
        self.multiplier = multiplier
        self.value = {name: float(value) for name, value in statistics(moments.total(), moments.centre).items()}
        self.count = clusters.count
        self.pairs = round(self.value["n_pairs"])
        if self.count >= 2:
            self.without = statistics(moments.without(), moments.centre)
            self.df = effective_df(moments.pairs)
            self.t = t_quantile(0.5 + confidence / 2, self.df)

    def all(self) -> dict[str, Estimate]:
        out = {"n_pairs": Estimate(value=float(self.pairs), low=None, high=None, method="count", n=self.count)}
        for name in ("mean_reference", "mean_tested", "bias"):
            out[name] = self.plain(name)
        out |= self.scatter()
        for name in ("mae", "mape", "rmse"):
            out[name] = self.positive(name)
        for name in ("within_tolerance", "within_10_percent", "within_greater"):
            out[name] = self.share(name)
        out["ccc"] = self.concordance()
        return {name: out[name] for name in STATISTIC_NAMES}

    def made(self, value: float, interval: tuple[float, float] | None, method: str, why: str | None = None) -> Estimate:
        """Join a value and its interval, or say why there is none."""
        if interval is None:
            return Estimate(
                value=value, low=None, high=None, method=self.clusters.scope, n=0, why=why or self.no_interval()
            )
        return Estimate(
            value=value, low=interval[0], high=interval[1], method=f"{method} on {self.clusters.scope}", n=self.count
        )

    def no_interval(self) -> str:
        if self.pairs == 1:
            return "one pair: no interval can be given"
        if self.count < 2:
            return f"one {self.clusters.one}: no interval can be given"
        return f"all {self.clusters.unit} give the same value: no interval can be given"

    def dominated(self, what: str) -> str:
        return f"nearly all of the {what} comes from few {self.clusters.unit}: no interval can be given"

    def plain(self, name: str) -> Estimate:
        value = self.value[name]
        if self.count < 2:
            return self.made(value, None, "")
        return self.made(value, plain_interval(value, self.without[name], self.t), f"t({self.df:.3g})")

    def positive(self, name: str) -> Estimate:
        value = self.value[name]
        zero = round(float(self.moments.total()[8])) if name == "mape" else 0
        if zero:
            return _empty(f"{zero} of {self.pairs} pairs have a reference of 0")
        if self.count < 2:
            return self.made(value, None, "")
        interval = positive_interval(value, self.without[name], self.t)
        if interval is not None and interval[1] > UNKNOWN * value:
            return self.made(value, None, "", self.dominated("error"))
        return self.made(value, interval, f"t({self.df:.3g}), plain below and of the logarithm above,")

    def share(self, name: str) -> Estimate:
        if math.isnan(self.value[name]):
            return _empty("no tolerance is declared for this quantity")
        column = {"within_tolerance": 9, "within_10_percent": 10, "within_greater": 11}[name]
        return share_interval(
            self.moments.rows[:, column], self.moments.pairs, self.clusters, confidence=self.confidence
        )

    def concordance(self) -> Estimate:
        value = self.value["ccc"]
        total = self.moments.total()
        if self.pairs < 3:
            return _empty(f"concordance needs three pairs, there {'is' if self.pairs == 1 else 'are'} {self.pairs}")
        if not total[14] > 0:
            return _empty("the reference does not vary")
        if self.count < 2:
            return self.made(value, None, "")
        interval = concordance_interval(value, self.without["ccc"], self.t)
        return self.made(value, interval, f"t({self.df:.3g}), the wider of plain and Fisher's z,")

    def scatter(self) -> dict[str, Estimate]:
        """Standard deviations and limits."""
        names = ("sd_of_differences", "sd_between", "sd_within", "limit_low", "limit_high")
        if self.pairs == 1:
            return {name: _empty("one pair") for name in names}
        variance = self.value["variance"]
        if not variance > 1e-24 * self.value["bias"] ** 2 or variance == 0:
            return {name: _empty("all differences are identical") for name in names}
        out = self.components()
        spread = None
        if self.count >= 2:
            spread = spread_of(self.moments, multiplier=self.multiplier, confidence=self.confidence, df=self.df)
        if spread is None:
            sd, centre = math.sqrt(variance), self.value["bias"]
            values = {
                "sd_of_differences": sd,
                "limit_low": centre - self.multiplier * sd,
                "limit_high": centre + self.multiplier * sd,
            }
            return out | {name: self.made(value, None, "") for name, value in values.items()}
        if spread.sd_interval[1] > UNKNOWN * spread.sd:
            why = self.dominated("scatter")
            return out | {
                "sd_of_differences": self.made(spread.sd, None, "", why),
                "limit_low": self.made(spread.limits[0], None, "", why),
                "limit_high": self.made(spread.limits[1], None, "", why),
            }
        method = "recovered variance estimates"
        out["sd_of_differences"] = self.made(spread.sd, spread.sd_interval, method)
        out["limit_low"] = self.made(spread.limits[0], spread.limit_low_interval, method)
        out["limit_high"] = self.made(spread.limits[1], spread.limit_high_interval, method)
        return out

    def components(self) -> dict[str, Estimate]:
        between, within = self.value["variance_between"], self.value["variance_within"]
        unit = self.clusters.unit
        out: dict[str, Estimate] = {}
        if math.isnan(between):
            why = f"one {self.clusters.one}" if self.count < 2 else f"one pair in each of the {unit}"
            out["sd_between"] = _empty(why)
        else:
            why = f"no interval is made for the part between {unit}"
            out["sd_between"] = self.made(math.sqrt(between), None, "", why)
        if math.isnan(within):
            out["sd_within"] = _empty(f"one pair in each of the {unit}")
        elif self.count < 2:
            out["sd_within"] = self.made(math.sqrt(within), None, "")
        else:
            interval = log_interval(
                within, self.without["variance_within"], t_quantile(0.5 + self.confidence / 2, self.count - 1)
            )
            roots = None if interval is None else (math.sqrt(interval[0]), math.sqrt(interval[1]))
            out["sd_within"] = self.made(math.sqrt(within), roots, "t of the logarithm")
        return out

    def shown(self, made: dict[str, Estimate]) -> dict[str, Estimate]:
        """Estimates whose interval can be resampled: it exists and is not an exact one."""
        return {
            name: one
            for name, one in made.items()
            if one.value is not None and one.low is not None and not one.method.startswith("exact (Clopper")
        }

    def resampled(
        self, made: dict[str, Estimate], totals: F64, *, interval: IntervalMethod, words: str
    ) -> dict[str, Estimate]:
        """The same estimates with percentile or BCa intervals."""
        drawn = self.derived(statistics(totals, self.moments.centre))
        without = self.derived(self.without)
        out: dict[str, Estimate] = {}
        for statistic, estimate in self.shown(made).items():
            value, values = float(estimate.value or 0.0), drawn[statistic]
            ends: tuple[float, float] | None = None
            if interval == "bca":
                ends = bca_interval(value, values, without[statistic], confidence=self.confidence)
            elif bool(np.isfinite(values).any()):
                ends = percentile_interval(values, confidence=self.confidence)
            if ends is not None:
                out[statistic] = self.made(value, ends, f"{words}, {totals.shape[0]} resamples,")
        return out

    def studentised(self, made: dict[str, Estimate], totals: F64, squares: F64) -> dict[str, Estimate]:
        """The same estimates with studentised intervals, on the scale where each behaves."""
        rows = self.moments.rows
        drawn, drawn_se = self.with_se(totals, squares)
        whole, whole_se = self.with_se(rows.sum(axis=0)[None, :], np.einsum("ki,kj->ij", rows, rows)[None])
        out: dict[str, Estimate] = {}
        for statistic, estimate in self.shown(made).items():
            ends = studentised_interval(
                float(whole[statistic][0]),
                float(whole_se[statistic][0]),
                drawn[statistic],
                drawn_se[statistic],
                confidence=self.confidence,
            )
            if ends is None:
                continue
            low, high = (self.back(statistic, end) for end in ends)
            method = f"studentised, {totals.shape[0]} resamples,"
            out[statistic] = self.made(float(estimate.value or 0.0), (low, high), method)
        return out

    def back(self, statistic: str, end: float) -> float:
        """From the scale of studentising to that of the statistic."""
        if statistic in _POSITIVE:
            return math.exp(min(end, 700.0))
        if statistic == "ccc":
            return math.tanh(end)
        return min(1.0, max(0.0, end)) if statistic.startswith("within_") else end

    def scaled(self, totals: F64) -> dict[str, F64]:
        """Statistics on the scale of studentising: logarithm of sizes, Fisher's z of concordance."""
        found = self.derived(statistics(totals, self.moments.centre))
        found = {
            name: found[name] for name in STATISTIC_NAMES if name in found and name not in ("n_pairs", "sd_between")
        }
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = {name: np.log(found[name]) for name in _POSITIVE}
            return found | logs | {"ccc": np.arctanh(found["ccc"])}

    def with_se(self, totals: F64, squares: F64) -> tuple[dict[str, F64], dict[str, F64]]:
        """Statistics and their standard errors over clusters by linearising in the moments.

        With gradient g at the totals, cluster k adds u_k = g . rows_k; the variance is K/(K - 1) sum of (u_k - mean)^2
        (the infinitesimal jackknife; Davison & Hinkley 1997, section 2.7). The gradient is taken by central
        differences, a ten-thousandth of each moment's scatter apart.
        """
        rows = self.moments.rows
        size = self.count
        step = 1e-4 * np.sqrt(size) * rows.std(axis=0)
        value = self.scaled(totals)
        moved = np.flatnonzero(step > 0)
        slopes = np.zeros((len(value), totals.shape[0], moved.size))
        at = totals.copy()
        with np.errstate(invalid="ignore"):
            for column, place in enumerate(moved.tolist()):
                at[:, place] += step[place]
                above = self.scaled(at)
                at[:, place] -= 2 * step[place]
                below = self.scaled(at)
                at[:, place] = totals[:, place]
                for row, name in enumerate(value):
                    slopes[row, :, column] = (above[name] - below[name]) / (2 * step[place])
            mean = totals[:, moved] / size
            part = squares[:, moved[:, None], moved[None, :]] - size * mean[:, :, None] * mean[:, None, :]
            across = np.moveaxis(slopes, 0, 1)
            variance = size / (size - 1) * np.sum(np.matmul(across, part) * across, axis=2)
        return value, {name: np.sqrt(np.maximum(variance[:, row], 0.0)) for row, name in enumerate(value)}

    def derived(self, values: dict[str, F64]) -> dict[str, F64]:
        sd = np.sqrt(values["variance"])
        return values | {
            "sd_of_differences": sd,
            "sd_within": np.sqrt(values["variance_within"]),
            "limit_low": values["bias"] - self.multiplier * sd,
            "limit_high": values["bias"] + self.multiplier * sd,
        }
