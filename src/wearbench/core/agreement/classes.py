"""How well each category is told, one against the rest: sensitivity, specificity, predictive values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.categories import checked_counts, label_texts
from wearbench.core.clusters import Estimate
from wearbench.core.resample import exact_proportion
from wearbench.errors import DataError

__all__ = ["CLASS_NAMES", "ClassSkill", "class_parts", "class_skill", "why_none"]

F64 = NDArray[np.float64]

CLASS_NAMES: Final = ("sensitivity", "specificity", "ppv", "npv")


@dataclass(frozen=True, kw_only=True, slots=True)
class ClassSkill:
    """One category against the rest.

    ``sensitivity`` is the share of the reference's pairs of this category that the device gave it, ``specificity`` the
    share of the others that it did not, ``ppv`` the share of the device's pairs of this category that are right,
    ``npv`` the share of its others that are. The predictive values depend on how common the category is.
    """

    label: str
    n_reference: int
    n_tested: int
    sensitivity: Estimate
    specificity: Estimate
    ppv: Estimate
    npv: Estimate


def class_parts(counts: F64) -> dict[str, tuple[F64, F64]]:
    """Numerators and denominators of each share, one category against the rest.

    Parameters
    ----------
    counts : float64 array, shape (..., q, q)
        Rows reference, columns tested.

    Returns
    -------
    dict of pairs of float64 arrays, shape (..., q)
        By the names of ``CLASS_NAMES``: pairs that count for it, and all it is a share of.
    """
    hit = np.diagonal(counts, axis1=-2, axis2=-1)
    rows, columns = counts.sum(axis=-1), counts.sum(axis=-2)
    n = counts.sum(axis=(-2, -1))[..., None]
    neither = n - rows - columns + hit
    return {
        "sensitivity": (hit, rows),
        "specificity": (neither, n - rows),
        "ppv": (hit, columns),
        "npv": (neither, n - columns),
    }


def why_none(name: str, label: str) -> str:
    """Why a share of a category cannot be given.

    Parameters
    ----------
    name : str
        One of ``CLASS_NAMES``.
    label : str
        Of the category.

    Returns
    -------
    str
    """
    return {
        "sensitivity": f"the reference never has {label}",
        "specificity": f"the reference has nothing but {label}",
        "ppv": f"the device never gave {label}",
        "npv": f"the device gave nothing but {label}",
    }[name]


def class_skill(
    counts: ArrayLike, *, labels: Sequence[Any] | None = None, confidence: float = 0.95
) -> tuple[ClassSkill, ...]:
    """Sensitivity, specificity and predictive values of each category.

    Parameters
    ----------
    counts : array-like, shape (q, q)
        Rows reference, columns tested.
    labels : sequence or None
        What the categories are called; by default their numbers from 0.
    confidence : float
        Level of the intervals.

    Returns
    -------
    tuple of ClassSkill
        With exact binomial intervals (Clopper & Pearson 1934, Biometrika 26:404-413) that take the pairs as
        independent; for epochs of nights use `summarise_categories`. An empty margin gives no value, with the reason.

    Raises
    ------
    DataError
        If it is no matrix of counts, or the labels do not fit.
    CannotTell
        If there are no pairs.
    """
    table = checked_counts(counts)
    q = table.shape[0]
    names = label_texts(range(q) if labels is None else labels)
    if len(names) != q:
        raise DataError(f"expected {q} labels, got {len(names)}")
    parts = class_parts(table)

    def share(name: str, at: int) -> Estimate:
        top, bottom = (float(part[at]) for part in parts[name])
        method = "exact (Clopper-Pearson), pairs taken as independent"
        if not bottom > 0:
            return Estimate(value=None, low=None, high=None, method=method, n=0, why=why_none(name, names[at]))
        low, high = exact_proportion(top, bottom, confidence=confidence)
        return Estimate(value=top / bottom, low=low, high=high, method=method, n=round(bottom))

    return tuple(
        ClassSkill(
            label=names[at],
            n_reference=round(float(table[at].sum())),
            n_tested=round(float(table[:, at].sum())),
            **{name: share(name, at) for name in CLASS_NAMES},
        )
        for at in range(q)
    )
