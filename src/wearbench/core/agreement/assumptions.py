"""The assumptions behind limits of agreement, looked at one by one: each a value, an outcome and a sentence."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.assumptionresult import ASSUMPTIONS, Assumption
from wearbench.core.agreement.assumptionslopes import proportional_bias, uneven_spread
from wearbench.core.agreement.assumptiontails import heavy_tails, mixture
from wearbench.core.agreement.assumptionunits import dependence_left, few_clusters, influence
from wearbench.core.agreement.sums import block_index, correlation_time_s, grouped_sums, paired
from wearbench.core.clusters import Clusters, choose_clusters
from wearbench.errors import CannotTell, DataError

__all__ = ["ASSUMPTIONS", "Assumption", "check_assumptions", "clusters_of_pairs"]

I64 = NDArray[np.int64]


def clusters_of_pairs(
    n: int, *, session: ArrayLike | None, participant: ArrayLike | None
) -> tuple[Clusters, tuple[str, ...] | None]:
    """The independent units of pairs, and what they are called.

    Parameters
    ----------
    n : int
        Pairs.
    session, participant : array-like, shape (n,), or None
        Names or codes; both None takes the pairs as independent.

    Returns
    -------
    clusters : Clusters
        ``index`` has one cluster a pair; one session is one cluster.
    names : tuple of str or None
        None for pairs.

    Raises
    ------
    DataError
        If there is not one name a pair.
    """
    if session is None and participant is None:
        return Clusters(unit="pairs", index=np.arange(n), count=n, nested=False), None
    columns: list[NDArray[Any]] = []
    for labels, what in ((session, "session"), (participant, "participant")):
        given = np.zeros(n, dtype=np.int64) if labels is None else np.asarray(labels)
        if given.shape != (n,):
            raise DataError(f"expected one {what} a pair, got shape {given.shape} for {n} pairs")
        columns.append(given)
    if session is None:
        columns[0] = columns[1]
    # pairs mostly come session by session: what follows looks at the runs of one session and participant only
    change = np.flatnonzero((columns[0][1:] != columns[0][:-1]) | (columns[1][1:] != columns[1][:-1])) + 1
    starts = np.concatenate([np.zeros(min(1, n), dtype=np.int64), change])
    (sessions, which), (people, who) = (np.unique(column[starts], return_inverse=True) for column in columns)
    runs = choose_clusters(which, who)
    index = np.repeat(runs.index, np.diff(np.append(starts, n)))
    named = people if runs.unit == "participants" else sessions
    return replace(runs, index=index), tuple(str(name) for name in named.tolist())


def check_assumptions(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    session: ArrayLike | None = None,
    participant: ArrayLike | None = None,
    time_s: ArrayLike | None = None,
    faithful: ArrayLike | None = None,
    confidence: float = 0.95,
    unit: str = "",
    what: str = "value",
) -> tuple[Assumption, ...]:
    """Look at every assumption behind the limits of agreement of a set of pairs.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    session, participant : array-like, shape (n,), or None
        Whose and of which session each pair is, as names or codes; sorted session names should follow time. Both None
        takes the pairs as independent.
    time_s : array-like, shape (n,), or None
        Increasing seconds of the pairs of a single session, which is then parted into blocks.
    faithful : bool array-like, shape (n,), or None
        Whether each pair was judged right.
    confidence : float
        Level of all intervals.
    unit, what : str
        Of the sentences.

    Returns
    -------
    tuple of Assumption
        In the order of ``ASSUMPTIONS``.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    first, second = paired(tested, reference)
    if first.size == 0:
        raise CannotTell("assumptions are looked at in pairs, there are none")
    clusters, names = clusters_of_pairs(first.size, session=session, participant=participant)
    block_s = correlation_s = None
    if clusters.unit == "none" and time_s is not None and first.size > 1:
        correlation_s = correlation_time_s(time_s, first - second)
        block_s = max(60.0, 5.0 * correlation_s)
        index = block_index(time_s, block_s=block_s)
        if int(index.max()) > 0:
            clusters = Clusters(unit="blocks", index=index, count=int(index.max()) + 1, nested=False)
            names = tuple(str(k + 1) for k in range(clusters.count))
    sums = grouped_sums(first, second, group=clusters.index, count=clusters.count)
    said: dict[str, Any] = {"confidence": confidence, "unit": unit}
    return (
        proportional_bias(sums, clusters, what=what, **said),
        uneven_spread(first, second, clusters=clusters, what=what, **said),
        mixture(faithful, clusters=clusters, confidence=confidence),
        heavy_tails(first, second, clusters=clusters, confidence=confidence),
        few_clusters(clusters),
        dependence_left(
            sums[:, 3], clusters=clusters, block_s=block_s, correlation_s=correlation_s, confidence=confidence
        ),
        influence(sums, clusters, names=names if clusters.unit != "pairs" else None, **said),
    )
