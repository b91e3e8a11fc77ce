"""Agreement of categories beyond chance: kappa and weighted kappa, PABAK, AC1, correlation of categories.

``category_statistics`` works on many matrices at once, so that leaving clusters out and resampling them costs no look
at the pairs; the other functions take one matrix and say why where a value cannot be given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.categories import checked_counts
from wearbench.errors import CannotTell, DataError

__all__ = ["Chance", "Kappa", "Weights", "ac1", "category_statistics", "cohen_kappa", "mcc", "pabak", "weights_of"]

F64 = NDArray[np.float64]
Weights = Literal["none", "linear", "quadratic"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Kappa:
    """Kappa and its parts.

    ``observed`` and ``expected`` are the (weighted) shares of agreement seen and to be expected from the margins;
    ``se`` is the standard error of the interval ``low`` to ``high``, ``se_none`` that under no agreement beyond chance,
    for a test. All three take the pairs as independent, which epochs of one night are not: see `summarise_categories`.
    ``low`` and ``high`` are NaN where the standard error is 0 (every pair agrees, or the device gave one category).
    """

    value: float
    observed: float
    expected: float
    se: float
    se_none: float
    low: float
    high: float
    n: int
    weights: Weights


@dataclass(frozen=True, kw_only=True, slots=True)
class Chance:
    """A chance-corrected coefficient with the standard error and interval of independent pairs, NaN where it is 0."""

    value: float
    observed: float
    expected: float
    se: float
    low: float
    high: float
    n: int


def weights_of(q: int, *, weights: Weights = "none") -> F64:
    """Weights of agreement between categories in order.

    Parameters
    ----------
    q : int
        Categories.
    weights : {"none", "linear", "quadratic"}

    Returns
    -------
    float64 array, shape (q, q)
        1 on the diagonal; elsewhere 0, 1 - |i - j|/(q - 1), or 1 - (i - j)^2/(q - 1)^2 (Cohen 1968, Psychol Bull
        70:213-220).

    Raises
    ------
    DataError
        If the weights are not one of the three.
    """
    if weights not in ("none", "linear", "quadratic"):
        raise DataError(f"expected the weights 'none', 'linear' or 'quadratic', got {weights!r}")
    if weights == "none" or q < 2:
        return np.eye(q)
    apart = np.abs(np.subtract.outer(np.arange(q), np.arange(q))) / (q - 1)
    return np.asarray(1 - (apart if weights == "linear" else apart**2))


def cohen_kappa(counts: ArrayLike, *, weights: Weights = "none", confidence: float = 0.95) -> Kappa:
    """Cohen's kappa, plain or weighted, with both standard errors.

    Parameters
    ----------
    counts : array-like, shape (q, q)
        Rows reference, columns tested.
    weights : {"none", "linear", "quadratic"}
        Linear and quadratic need categories in their order.
    confidence : float
        Level of the interval.

    Returns
    -------
    Kappa
        (po - pe)/(1 - pe), po = sum w_ij p_ij, pe = sum w_ij r_i c_j (Cohen 1960, Educ Psychol Meas 20:37-46; 1968,
        Psychol Bull 70:213-220). With u_i = sum_j w_ij c_j and v_j = sum_i w_ij r_i,
        se^2 = {sum p_ij [w_ij - (u_i + v_j)(1 - kappa)]^2 - [kappa - pe (1 - kappa)]^2}/(n (1 - pe)^2) and
        se_none^2 = {sum r_i c_j [w_ij - u_i - v_j]^2 - pe^2}/(n (1 - pe)^2) (Fleiss, Cohen & Everitt 1969, Psychol Bull
        72:323-327). The interval is kappa -+ z se, cut off at -1 and 1.

    Raises
    ------
    DataError
        If it is no matrix of counts, or the weights are unknown.
    CannotTell
        If there are no pairs, or the reference has one category only: then no skill can show.
    """
    table = checked_counts(counts, least=2)
    n = float(table.sum())
    w, p = weights_of(table.shape[0], weights=weights), table / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    if int(np.count_nonzero(rows)) < 2:
        raise CannotTell("kappa needs a reference with two categories, it has one")
    observed = float(np.sum(w * p))
    expected = float(rows @ w @ columns)
    value = (observed - expected) / (1 - expected)
    margins = np.add.outer(w @ columns, rows @ w)
    scale = n * (1 - expected) ** 2
    variance = float(np.sum(p * (w - margins * (1 - value)) ** 2)) - (value - expected * (1 - value)) ** 2
    none = float(np.sum(np.outer(rows, columns) * (w - margins) ** 2)) - expected**2
    se, se_none = (math.sqrt(v / scale) if v > 1e-14 else 0.0 for v in (variance, none))
    low, high = _normal(value, se, confidence)
    return Kappa(
        value=value,
        observed=observed,
        expected=expected,
        se=se,
        se_none=se_none,
        low=low,
        high=high,
        n=round(n),
        weights=weights,
    )


def _normal(value: float, se: float, confidence: float) -> tuple[float, float]:
    if not se > 0:
        return math.nan, math.nan
    from scipy.special import ndtri

    half = float(ndtri(0.5 + confidence / 2)) * se
    return max(-1.0, value - half), min(1.0, value + half)


def pabak(counts: ArrayLike) -> float:
    """Prevalence- and bias-adjusted kappa.

    Parameters
    ----------
    counts : array-like, shape (q, q)

    Returns
    -------
    float
        (q po - 1)/(q - 1), po the share on the diagonal; 2 po - 1 for two categories (Byrt, Bishop & Carlin 1993, J
        Clin Epidemiol 46:423-429). It says no more than the share itself.

    Raises
    ------
    DataError
        If it is no matrix of counts.
    CannotTell
        If there are no pairs, or one category.
    """
    table = checked_counts(counts, least=2)
    q = table.shape[0]
    return float((q * np.trace(table) / table.sum() - 1) / (q - 1))


def ac1(counts: ArrayLike, *, confidence: float = 0.95) -> Chance:
    """First-order agreement coefficient, less moved by uneven margins than kappa.

    Parameters
    ----------
    counts : array-like, shape (q, q)
    confidence : float
        Level of the interval.

    Returns
    -------
    Chance
        (po - pe)/(1 - pe), pe = sum pi_i (1 - pi_i)/(q - 1), pi_i = (r_i + c_i)/2 (Gwet 2008, Br J Math Stat Psychol
        61:29-48). The standard error is that of the delta method for independent pairs, with derivative
        [d_ij (1 - pe) - (1 - po)(1 - pi_i - pi_j)/(q - 1)]/(1 - pe)^2 by p_ij.

    Raises
    ------
    DataError
        If it is no matrix of counts.
    CannotTell
        If there are no pairs, or one category.
    """
    table = checked_counts(counts, least=2)
    n, q = float(table.sum()), table.shape[0]
    p = table / n
    middle = (p.sum(axis=1) + p.sum(axis=0)) / 2
    observed = float(np.trace(p))
    expected = float(np.sum(middle * (1 - middle))) / (q - 1)
    value = (observed - expected) / (1 - expected)
    by_margin = (1 - np.add.outer(middle, middle)) / (q - 1)
    slope = (np.eye(q) * (1 - expected) - (1 - observed) * by_margin) / (1 - expected) ** 2
    variance = float(np.sum(p * slope**2)) - float(np.sum(p * slope)) ** 2
    se = math.sqrt(variance / n) if variance > 1e-14 else 0.0
    low, high = _normal(value, se, confidence)
    return Chance(value=value, observed=observed, expected=expected, se=se, low=low, high=high, n=round(n))


def mcc(counts: ArrayLike) -> float:
    """Correlation of two columns of categories (Matthews).

    Parameters
    ----------
    counts : array-like, shape (q, q)

    Returns
    -------
    float
        (TP TN - FP FN)/sqrt((TP + FP)(TP + FN)(TN + FP)(TN + FN)) for two categories (Matthews 1975, Biochim Biophys
        Acta 405:442-451); for more, (po - sum r_i c_i)/sqrt((1 - sum r_i^2)(1 - sum c_i^2)), which is the same for two
        (Gorodkin 2004, Comput Biol Chem 28:367-374). 0 by convention where one column has one category only.

    Raises
    ------
    DataError
        If it is no matrix of counts.
    CannotTell
        If there are no pairs, or one category.
    """
    return float(category_statistics(checked_counts(counts, least=2))["mcc"])


def category_statistics(counts: F64) -> dict[str, F64]:
    """Every coefficient of many confusion matrices at once.

    Parameters
    ----------
    counts : float64 array, shape (..., q, q)
        Rows reference, columns tested; totals of clusters, weighted or not.

    Returns
    -------
    dict of float64 arrays, shape (...)
        ``accuracy``, ``kappa``, ``kappa_linear``, ``kappa_quadratic``, ``pabak``, ``ac1`` and ``mcc``; NaN where one
        is not defined (no pairs; kappa also where the reference has one category). Formulas as in `cohen_kappa`,
        `pabak`, `ac1` and `mcc`.
    """
    counts = np.asarray(counts, dtype=np.float64)
    q = counts.shape[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        p = counts / counts.sum(axis=(-2, -1), keepdims=True)
        rows, columns = p.sum(axis=-1), p.sum(axis=-2)
        observed = np.trace(p, axis1=-2, axis2=-1)
        out = {"accuracy": observed}
        told = np.count_nonzero(rows > 0, axis=-1) > 1
        for name, weights in (("kappa", "none"), ("kappa_linear", "linear"), ("kappa_quadratic", "quadratic")):
            w = weights_of(q, weights=weights)  # type: ignore[arg-type]
            expected = np.einsum("...i,ij,...j->...", rows, w, columns)
            out[name] = np.where(told, (np.sum(w * p, axis=(-2, -1)) - expected) / (1 - expected), np.nan)
        middle = (rows + columns) / 2
        expected = np.sum(middle * (1 - middle), axis=-1) / max(1, q - 1)
        out["pabak"] = (q * observed - 1) / (q - 1) if q > 1 else np.full_like(observed, np.nan)
        out["ac1"] = (observed - expected) / (1 - expected) if q > 1 else np.full_like(observed, np.nan)
        spread = np.sqrt((1 - np.sum(rows**2, axis=-1)) * (1 - np.sum(columns**2, axis=-1)))
        one = (np.count_nonzero(rows > 0, axis=-1) == 1) | (np.count_nonzero(columns > 0, axis=-1) == 1)
        out["mcc"] = np.where(one, 0.0, (observed - np.sum(rows * columns, axis=-1)) / spread)
    return out
