"""The independent units an interval rests on, and the interval that a t distribution gives over them.

A reading is never a unit: readings of one second depend on those of the second before. Units are participants with
their sessions nested; with one participant, sessions; with one session, blocks of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = ["Clusters", "Estimate", "Unit", "choose_clusters", "effective_df", "jackknife_se", "t_quantile"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Unit = Literal["participants", "sessions", "blocks", "pairs", "none"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A value with its interval; what cannot be given is None, with the reason.

    Attributes
    ----------
    value, low, high : float or None
        In the unit of the statistic; None where it cannot be given.
    method : str
        How the interval was made and over what, in words fit for small print.
    n : int
        Independent units the interval rests on (participants, sessions or blocks), 0 where there are none.
    why : str or None
        Why the value or the interval is missing.
    """

    value: float | None
    low: float | None
    high: float | None
    method: str
    n: int
    why: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Clusters:
    """Which unit each row belongs to.

    ``index`` has shape (k,) and runs from 0 to ``count - 1`` in ascending order of the units' codes.
    """

    unit: Unit
    index: I64
    count: int
    nested: bool

    @property
    def one(self) -> str:
        """A single cluster in words."""
        return {"participants": "participant", "pairs": "pair"}.get(self.unit, "session")

    @property
    def scope(self) -> str:
        """What the interval rests on and how far it speaks, in words."""
        if self.unit == "participants" and self.count == 1:
            return "one participant: no general claim"
        if self.unit == "participants":
            return f"{self.count} participants" + (", sessions nested" if self.nested else "")
        if self.unit == "sessions":
            return f"{self.count} sessions of one person, one unit"
        if self.unit == "blocks":
            return f"{self.count} blocks of one session: one person, one unit, no general claim"
        if self.unit == "pairs":
            return f"{self.count} pairs taken as independent"
        return "one session: one person, one unit, no general claim"


def choose_clusters(session: I64, participant: I64, *, blocks: bool = False) -> Clusters:
    """Choose the independent units of a set of rows.

    Parameters
    ----------
    session, participant : int arrays, shape (k,)
        Codes of each row's session and participant. Give codes in an order that does not depend on reading order
        (sorted names), so that resampling does not either.
    blocks : bool
        Rows of a single session are blocks of it, long enough to count as independent.

    Returns
    -------
    Clusters
        Participants if there are two or more; else sessions if two or more; else blocks if allowed; else none.

    Raises
    ------
    DataError
        If the arrays differ in length.
    """
    session, participant = np.asarray(session), np.asarray(participant)
    if session.ndim != 1 or session.shape != participant.shape:
        raise DataError(
            f"expected one session and one participant a row, got shapes {session.shape} and {participant.shape}"
        )
    who, who_index = np.unique(participant, return_inverse=True)
    if who.size >= 2:
        both = np.unique(np.stack([participant, session]), axis=1).shape[1]
        return Clusters(unit="participants", index=who_index, count=who.size, nested=both > who.size)
    which, which_index = np.unique(session, return_inverse=True)
    if which.size >= 2:
        return Clusters(unit="sessions", index=which_index, count=which.size, nested=False)
    if blocks and session.size >= 2:
        return Clusters(unit="blocks", index=np.arange(session.size), count=session.size, nested=False)
    return Clusters(unit="none", index=np.zeros(session.size, dtype=np.int64), count=min(1, session.size), nested=False)


def jackknife_se(value: F64 | float, without: F64) -> F64:
    """Jackknife standard error about the full estimate (Quenouille; Efron & Stein 1981, Ann Stat 9:586-596).

    Parameters
    ----------
    value : float or float64 array, shape (m,)
        Estimate from all clusters.
    without : float64 array, shape (count, ...)
        Estimates leaving out one cluster each.

    Returns
    -------
    float64 array
        sqrt((K - 1)/K * sum((without_i - value)^2)); deviations are taken from the full estimate, the more cautious
        form.
    """
    count = without.shape[0]
    return np.asarray(np.sqrt((count - 1) / count * np.sum((without - value) ** 2, axis=0)))


def effective_df(weight: F64) -> float:
    """Degrees of freedom of the jackknife variance of a weighted mean of cluster values.

    Parameters
    ----------
    weight : float64 array, shape (count,)
        Weight of each cluster (its pairs or its time), any scale.

    Returns
    -------
    float
        Satterthwaite's df, 2 E(V)^2 / Var(V), under equal variance of the cluster values (Bell & McCaffrey 2002,
        Surv Methodol 28:169-181): ``count - 1`` for equal weights, less when one cluster dominates; never below 1.
    """
    w = np.asarray(weight, dtype=np.float64) / np.sum(weight)
    w = np.minimum(w, 1 - 1e-9)
    c = (w / (1 - w)) ** 2
    q = float(np.sum(w * w))
    c0, c1, c2 = float(np.sum(c)), float(np.sum(c * w)), float(np.sum(c * w * w))
    expected = float(np.sum(c * (1 - 2 * w + q)))
    cross = q * q * c0 * c0 + 2 * c0 * c2 - 4 * q * c0 * c1 + 2 * c1 * c1
    variance = cross + float(np.sum(c * c * (1 + 2 * (q - 2 * w))))
    return max(1.0, expected**2 / variance)


def t_quantile(probability: float, df: float) -> float:
    """Quantile of Student's t.

    Parameters
    ----------
    probability : float
        Lower-tail probability.
    df : float
        Degrees of freedom, not always whole.

    Returns
    -------
    float
    """
    from scipy.special import stdtrit

    return float(stdtrit(df, probability))
