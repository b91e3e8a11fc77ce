"""Whether the differences are of one kind: wrong readings among right ones, and differences far out."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.assumptionresult import Assumption, cannot_tell
from wearbench.core.agreement.sums import paired
from wearbench.core.clusters import Clusters
from wearbench.core.resample import share_interval
from wearbench.errors import DataError

__all__ = ["FAR", "FAR_SHARE", "WRONG_SHARE", "heavy_tails", "mixture", "robust_kurtosis"]

F64 = NDArray[np.float64]

FAR: Final = 3.0
"""Robust SDs beyond which a difference is far out; of normal ones 0.27 % are."""
NORMAL_FAR: Final = 0.0026998
FAR_SHARE: Final = 0.01
"""Share of differences far out above which tails are heavy: nearly four times that of normal ones."""
WRONG_SHARE: Final = 0.05
"""Share of wrong readings above which limits for 19 of 20 speak of the wrong ones."""
QUARTILES: Final = 1.3489795
"""Distance of the quartiles of a normal distribution, in SDs."""


def robust_kurtosis(difference: ArrayLike) -> float | None:
    """How long the tails are beside the middle: (Q97.5 - Q2.5)/(Q75 - Q25).

    Parameters
    ----------
    difference : array-like, shape (n,)
        Finite.

    Returns
    -------
    float or None
        2.906 for normal differences, more for heavy tails (Crow & Siddiqui 1967, J Am Stat Assoc 62:353-389); None
        where the quartiles coincide or there are fewer than 40 differences.

    Raises
    ------
    DataError
        If there is NaN or infinity.
    """
    d, _ = paired(difference, np.zeros(np.shape(difference)))
    if d.size < 40:
        return None
    q = np.quantile(d, [0.025, 0.25, 0.75, 0.975])
    middle = float(q[2] - q[1])
    return float(q[3] - q[0]) / middle if middle > 0 else None


def _by_cluster(affected: NDArray[np.bool_], clusters: Clusters) -> tuple[F64, F64]:
    hit = np.bincount(clusters.index, weights=affected, minlength=clusters.count).astype(np.float64)
    return hit, np.bincount(clusters.index, minlength=clusters.count).astype(np.float64)


def heavy_tails(tested: ArrayLike, reference: ArrayLike, *, clusters: Clusters, confidence: float = 0.95) -> Assumption:
    """Share of differences more than three robust SDs from the median.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
    clusters : Clusters
        ``index`` has one cluster a pair.
    confidence : float

    Returns
    -------
    Assumption
        ``value`` is the share with |D - median| > ``FAR`` (Q75 - Q25)/1.349; of normal differences it is 0.0027. The
        interval is that of a share over clusters. Violated where the share is above ``FAR_SHARE`` (a choice of this
        tool, no source) and the interval, if there is one, lies above 0.0027; it cannot be told where
        only the share is above.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    """
    name, method = "heavy_tails", f"share beyond {FAR:g} robust SDs (quartile distance/1.349) of the median"
    first, second = paired(tested, reference)
    if first.size < 40:
        return cannot_tell(name, f"it takes 40 pairs, there are {first.size}", method=method, n=clusters.count)
    d = first - second
    low, median, high = np.quantile(d, [0.25, 0.5, 0.75])
    scale = float(high - low) / QUARTILES
    if not scale > 1e-12 * max(float(np.max(np.abs(first))), float(np.max(np.abs(second)))):
        return cannot_tell(name, "half of the differences are identical", method=method, n=clusters.count)
    far = np.abs(d - median) > FAR * scale
    share = share_interval(*_by_cluster(far, clusters), clusters, confidence=confidence)
    value = float(share.value or 0.0)
    far_more = value > FAR_SHARE
    clear = share.low is None or share.low > NORMAL_FAR
    told = f"{100 * value:.2g} % of the differences lie far out, where it would be 0.3 % if they were normal"
    if far_more and not clear:
        why = f"{told}, but too few {clusters.unit} stand behind that"
        return replace(
            cannot_tell(name, why, method=f"{method}; {share.method}", n=share.n, value=value),
            low=share.low,
            high=share.high,
        )
    said = (
        f"Some readings are much further off than the rest: {told}."
        if far_more
        else f"Hardly more differences lie far out than normal ones would: {100 * value:.2g} %, normal is 0.3 %."
    )
    return Assumption(
        name=name,
        value=value,
        low=share.low,
        high=share.high,
        outcome="violated" if far_more else "holds",
        said=said,
        method=f"{method}; {share.method}",
        n=share.n,
    )


def mixture(faithful: ArrayLike | None, *, clusters: Clusters, confidence: float = 0.95) -> Assumption:
    """Share of readings that are wrong in kind.

    Parameters
    ----------
    faithful : bool array-like, shape (n,), or None
        Whether each pair was judged right; None where no one judged.
    clusters : Clusters
        ``index`` has one cluster a pair.
    confidence : float

    Returns
    -------
    Assumption
        ``value`` is the share not right, with the interval of a share over clusters. Violated where it is above
        ``WRONG_SHARE``: limits that hold 19 of 20 differences then describe the wrong readings, and move with how many
        of them happened (a choice of this tool, no source). The value decides, not its interval: it is a matter of
        how to read the results, not a claim about the device.

    Raises
    ------
    DataError
        If there is not one entry a pair.
    """
    name, method = "mixture", "share of readings not right, by the states"
    if faithful is None:
        return cannot_tell(name, "readings were not judged one by one", method=method, n=0)
    right = np.asarray(faithful, dtype=np.bool_)
    if right.shape != clusters.index.shape:
        raise DataError(f"expected one judgement a pair, got shape {right.shape} for {clusters.index.size} pairs")
    if right.size == 0:
        return cannot_tell(name, "there are no pairs", method=method, n=0)
    share = share_interval(*_by_cluster(~right, clusters), clusters, confidence=confidence)
    value = float(share.value or 0.0)
    violated = value > WRONG_SHARE
    said = (
        f"Right and wrong readings are mixed: {100 * value:.2g} % of its readings were wrong in kind. How often it was "
        "right, and how far off it was then, says more than one pair of limits over both."
        if violated
        else f"Nearly all readings are of one kind: {100 * value:.2g} % were wrong in kind."
    )
    return Assumption(
        name=name,
        value=value,
        low=share.low,
        high=share.high,
        outcome="violated" if violated else "holds",
        said=said,
        method=f"{method}; {share.method}",
        n=share.n,
    )
