"""Agreement of categories over clusters: per participant (or night) first, and pooled, from matrices alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.categories import Confusion, label_texts
from wearbench.core.agreement.classes import class_parts, why_none
from wearbench.core.agreement.intervals import concordance_interval
from wearbench.core.agreement.kappa import category_statistics
from wearbench.core.clusters import Clusters, Estimate, choose_clusters, effective_df, t_quantile
from wearbench.core.resample import bca_interval, resampled_totals, share_interval
from wearbench.errors import DataError

__all__ = ["CategorySummary", "ClusterMean", "summarise_categories"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

COEFFICIENTS = ("kappa", "kappa_linear", "kappa_quadratic", "ac1", "mcc")


@dataclass(frozen=True, kw_only=True, slots=True)
class ClusterMean:
    """Mean of a statistic worked out in each cluster first.

    ``sd``, ``least`` and ``most`` describe the clusters; ``n`` have a value, ``n_left_out`` have none (a category that
    does not occur there). ``low`` to ``high`` is Student's t on the clusters' values, cut off where the statistic ends.
    """

    value: float | None
    low: float | None
    high: float | None
    sd: float | None
    least: float | None
    most: float | None
    n: int
    n_left_out: int
    method: str
    why: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class CategorySummary:
    """Agreement of categories.

    ``first`` holds means over clusters, ``pooled`` the values of all pairs together, both by the same names:
    ``accuracy``, ``kappa``, ``pabak``, ``ac1``, ``mcc``, for three categories or more ``kappa_linear`` and
    ``kappa_quadratic``, and of each category ``sensitivity[...]``, ``specificity[...]``, ``ppv[...]``, ``npv[...]``.
    """

    confusion: Confusion
    unit: str
    n_clusters: int
    first: dict[str, ClusterMean]
    pooled: dict[str, Estimate]


def summarise_categories(
    counts: NDArray[Any],
    *,
    session: I64,
    participant: I64,
    labels: Sequence[Any] | None = None,
    confidence: float = 0.95,
    interval: Literal["t", "bca"] = "t",
    resamples: int = 10_000,
    seed: int = 0,
    name: str = "",
) -> CategorySummary:
    """Agreement of categories from the confusion matrices of sessions.

    Parameters
    ----------
    counts : array, shape (k, q, q)
        One matrix a session (a night); rows reference, columns tested. `confusion_by` makes them.
    session, participant : int arrays, shape (k,)
        Code of each matrix's session and participant.
    labels : sequence or None
        What the categories are called; by default their numbers from 0.
    confidence : float
    interval : {"t", "bca"}
        Of the pooled coefficients: t on jackknifed values, or resampling clusters (from five on).
    resamples, seed, name
        Of the resampling.

    Returns
    -------
    CategorySummary
        Clusters are participants if there are two or more, else sessions: epochs of one night are not independent
        (the practice of sleep-tracker studies: Menghini et al. 2021, Sleep 44(2):zsaa170). Pooled shares have the
        exact interval at the effective number of clusters (Korn & Graubard 1998, Surv Methodol 24:193-201), PABAK that
        of the share it is made of, the other coefficients t on jackknifed values, the wider of plain and Fisher's z.

    Raises
    ------
    DataError
        If the matrices do not fit.
    """
    table, which, who = np.asarray(counts, dtype=np.float64), np.asarray(session), np.asarray(participant)
    if table.ndim != 3 or table.shape[1] != table.shape[2] or not which.shape == who.shape == table.shape[:1]:
        raise DataError(
            f"expected square matrices with a session and a participant each, got shapes {table.shape}, {which.shape} "
            f"and {who.shape}"
        )
    if not bool(np.all(np.isfinite(table) & (table >= 0))):
        raise DataError("expected counts of 0 or more, got a negative, missing or infinite one")
    q = table.shape[1]
    names = label_texts(range(q) if labels is None else labels)
    if len(names) != q:
        raise DataError(f"expected {q} labels, got {len(names)}")
    keep = table.sum(axis=(1, 2)) > 0
    clusters = choose_clusters(which[keep], who[keep])
    joined = np.zeros((clusters.count, q, q))
    np.add.at(joined, clusters.index, table[keep])
    work = _Work(
        counts=joined,
        labels=names,
        clusters=clusters,
        confidence=confidence,
        resamples=resamples if interval == "bca" else 0,
        seed=seed,
        name=name,
    )
    return CategorySummary(
        confusion=Confusion(labels=names, counts=np.round(joined.sum(axis=0)).astype(np.int64)),
        unit=clusters.unit,
        n_clusters=clusters.count,
        first=work.first(),
        pooled=work.pooled(),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Work:
    counts: F64
    labels: tuple[str, ...]
    clusters: Clusters
    confidence: float
    resamples: int
    seed: int
    name: str

    @property
    def coefficients(self) -> tuple[str, ...]:
        return tuple(c for c in COEFFICIENTS if len(self.labels) > 2 or c not in ("kappa_linear", "kappa_quadratic"))

    def shares(self) -> dict[str, tuple[F64, F64]]:
        """Numerator, denominator of each cluster, by name."""
        out = {"accuracy": (np.trace(self.counts, axis1=1, axis2=2), self.counts.sum(axis=(1, 2)))}
        for name, (top, bottom) in class_parts(self.counts).items():
            out |= {f"{name}[{label}]": (top[:, i], bottom[:, i]) for i, label in enumerate(self.labels)}
        return out

    def first(self) -> dict[str, ClusterMean]:
        values = category_statistics(self.counts)
        out = {"accuracy": self.mean("accuracy", values["accuracy"], 0.0)}
        out |= {c: self.mean(c, values[c], -1.0) for c in ("kappa", "pabak")}
        out |= {c: self.mean(c, values[c], -1.0) for c in self.coefficients if c != "kappa"}
        for name, (top, bottom) in self.shares().items():
            if name != "accuracy":
                out[name] = self.mean(name, np.where(bottom > 0, top / np.where(bottom > 0, bottom, 1), np.nan), 0.0)
        return out

    def mean(self, name: str, values: F64, floor: float) -> ClusterMean:
        there = values[np.isfinite(values)]
        k, without = there.size, values.size - there.size
        if k == 0:
            return ClusterMean(
                value=None,
                low=None,
                high=None,
                sd=None,
                least=None,
                most=None,
                n=0,
                n_left_out=without,
                method="",
                why=self.why(name),
            )
        value = float(np.mean(there))
        sd = float(np.std(there, ddof=1)) if k > 1 else None
        low = high = None
        why = None
        if sd is None:
            why = f"one {self.clusters.one} with a value: no interval can be given"
        elif not sd > 1e-12:
            why = f"all {self.clusters.unit} give the same value: no interval can be given"
        else:
            half = t_quantile(0.5 + self.confidence / 2, k - 1) * sd / math.sqrt(k)
            low, high = max(floor, value - half), min(1.0, value + half)
        return ClusterMean(
            value=value,
            low=low,
            high=high,
            sd=sd,
            least=float(there.min()),
            most=float(there.max()),
            n=k,
            n_left_out=without,
            method=f"mean over {self.clusters.scope}, t({k - 1})" if low is not None else self.clusters.scope,
            why=why,
        )

    def why(self, name: str) -> str:
        """Why a statistic of all pairs cannot be given."""
        if not self.counts.sum() > 0:
            return "no pairs"
        if name.endswith("]"):
            share, label = name[:-1].split("[", 1)
            return why_none(share, label)
        rows = self.counts.sum(axis=(0, 2))
        if len(self.labels) > 1 and name.startswith("kappa") and np.count_nonzero(rows) == 1:
            return f"the reference has nothing but {self.labels[int(np.argmax(rows))]}: no skill can show"
        if len(self.labels) > 1 and name.startswith("kappa"):
            return f"in each of the {self.clusters.unit} the reference has one category only: no skill can show"
        return "there is one category only"

    def pooled(self) -> dict[str, Estimate]:
        shares = {name: self.share(name, top, bottom) for name, (top, bottom) in self.shares().items()}
        out = {"accuracy": shares["accuracy"]}
        coefficients = self.jackknifed()
        out |= {"kappa": coefficients["kappa"], "pabak": self.pabak(shares["accuracy"])}
        return out | coefficients | {name: share for name, share in shares.items() if name != "accuracy"}

    def share(self, name: str, top: F64, bottom: F64) -> Estimate:
        there = bottom > 0
        if not bool(there.any()):
            return Estimate(value=None, low=None, high=None, method="", n=0, why=self.why(name))
        clusters = replace(self.clusters, index=np.arange(int(there.sum())), count=int(there.sum()))
        return share_interval(top[there], bottom[there], clusters, confidence=self.confidence)

    def pabak(self, accuracy: Estimate) -> Estimate:
        q = len(self.labels)
        if accuracy.value is None or q < 2:
            return replace(accuracy, value=None, low=None, high=None, n=0, why=self.why("pabak"))

        def scaled(x: float | None) -> float | None:
            return None if x is None else (q * x - 1) / (q - 1)

        return replace(accuracy, value=scaled(accuracy.value), low=scaled(accuracy.low), high=scaled(accuracy.high))

    def jackknifed(self) -> dict[str, Estimate]:
        total = self.counts.sum(axis=0)
        value = category_statistics(total)
        count = self.clusters.count
        left = category_statistics(total - self.counts) if count > 1 else {}
        drawn = {}
        if self.resamples and count >= 5:
            rows = self.counts.reshape(count, -1)
            totals = resampled_totals(rows, resamples=self.resamples, seed=self.seed, name=self.name)
            drawn = category_statistics(totals.reshape(-1, *total.shape))
        out = {}
        for name in self.coefficients:
            out[name] = self.coefficient(name, float(value[name]), left.get(name), drawn.get(name))
        return out

    def coefficient(self, name: str, value: float, left: F64 | None, drawn: F64 | None) -> Estimate:
        scope, unit = self.clusters.scope, self.clusters.unit
        if not math.isfinite(value):
            return Estimate(value=None, low=None, high=None, method="", n=0, why=self.why(name))

        def without_interval(why: str) -> Estimate:
            return Estimate(value=value, low=None, high=None, method=scope, n=0, why=why)

        if name == "mcc" and self.one_sided():
            return without_interval(f"{self.one_sided()}: 0 by convention")
        if left is None:
            return without_interval(f"one {self.clusters.one}: no interval can be given")
        if not bool(np.all(np.isfinite(left))):
            return without_interval(f"one of the {unit} holds all that differs: no interval can be given")
        if drawn is not None:
            ends = bca_interval(value, drawn, left, confidence=self.confidence)
            if ends is not None:
                method = f"BCa, {self.resamples} resamples, on {scope}"
                return Estimate(value=value, low=ends[0], high=ends[1], method=method, n=self.clusters.count)
        df = effective_df(self.counts.sum(axis=(1, 2)))
        ends = concordance_interval(value, left, t_quantile(0.5 + self.confidence / 2, df))
        if ends is None:
            return without_interval(f"all {unit} give the same value: no interval can be given")
        method = f"t({df:.3g}), the wider of plain and Fisher's z, on {scope}"
        return Estimate(value=value, low=ends[0], high=ends[1], method=method, n=self.clusters.count)

    def one_sided(self) -> str:
        """What has one category only, in words; empty where nothing has."""
        total = self.counts.sum(axis=0)
        for who, axis in (("the reference has", 1), ("the device gave", 0)):
            margin = total.sum(axis=axis)
            if np.count_nonzero(margin) == 1:
                return f"{who} nothing but {self.labels[int(np.argmax(margin))]}"
        return ""
