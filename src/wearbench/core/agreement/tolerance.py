"""Tolerance factors: how many SDs about the mean of a sample hold what the population does.

Each probability is an integral over the error u of the mean, in standard errors, of the chance that the sample SD is
large enough: P = E[Pr(k S >= h(u))], with S = SD/sigma. In this order the integrand stays smooth for any n, also where
the usual routines for the non-central t distribution break down.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache, lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.differences import check_level, check_multiplier
from wearbench.errors import DataError

__all__ = ["limit_factor", "noncentral_t_cdf", "pair_factor", "range_factor"]

F64 = NDArray[np.float64]
FARTHEST = 9.0
"""Standard errors beyond which a normal error has no chance that counts (1e-19)."""


@cache
def _legendre(count: int = 96) -> tuple[F64, F64]:
    node, weight = np.polynomial.legendre.leggauss(count)
    return np.asarray(node), np.asarray(weight)


def _normal_nodes(*breaks: float) -> tuple[F64, F64]:
    """Nodes and weights of an integral against the normal density, between breaks where the integrand has a kink."""
    node, weight = _legendre()
    places, weights = [], []
    for start, end in pairwise(breaks):
        half = (end - start) / 2
        place = start + half * (node + 1)
        places.append(place)
        weights.append(half * weight * np.exp(-place * place / 2) / math.sqrt(2 * math.pi))
    return np.concatenate(places), np.concatenate(weights)


@lru_cache(maxsize=16)
def _spread_nodes(df: float) -> tuple[F64, F64]:
    """Nodes and weights of an integral against the density of S, the root of chi-square over its df."""
    from scipy.special import chdtri, xlogy

    node, weight = _legendre()
    low = max(0.0, 1 - FARTHEST / math.sqrt(2 * df))
    high = math.sqrt(float(chdtri(df, 1e-18)) / df)
    s = low + (high - low) / 2 * (node + 1)
    size = xlogy(df - 1, s) - df * (s * s - 1) / 2
    weight = weight * np.exp(size - np.max(size))
    return s, weight / np.sum(weight)


def _chance(k: float, df: float, h: F64, weight: F64) -> float:
    """E[Pr(k S >= h)], S^2 being chi-square over its df."""
    from scipy.special import chdtr, chdtrc

    if k > 0:
        inside = np.where(h <= 0, 1.0, chdtrc(df, df * (h / k) ** 2))
    elif k < 0:
        inside = np.where(h >= 0, 0.0, chdtr(df, df * (h / k) ** 2))
    else:
        inside = (h <= 0).astype(np.float64)
    return float(np.sum(weight * inside))


def _solve(chance: Callable[[float], float], probability: float) -> float:
    """Where a rising function reaches a probability, by halving to the last digits."""
    low, high = (0.0, 1.0) if chance(0.0) < probability else (-1.0, 0.0)
    while chance(high) < probability:
        low, high = high, 2 * high
    while chance(low) > probability:
        low, high = 2 * low, low
    while high - low > 1e-13 * max(abs(low), abs(high)):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if chance(middle) < probability else (low, middle)
    return (low + high) / 2


def _check_size(n: int) -> None:
    if not (n >= 2 and n == int(n)):
        raise DataError(f"expected a whole number of pairs from 2, got {n}")


def noncentral_t_cdf(t: float, *, df: float, noncentrality: float) -> float:
    """Distribution function of the non-central t.

    Parameters
    ----------
    t : float
    df : float
        Degrees of freedom.
    noncentrality : float
        Any size.

    Returns
    -------
    float
        Pr((Z + noncentrality)/S <= t), S^2 being chi-square over its df, by quadrature over Z or over S, whichever
        leaves the smoother integrand; to about 1e-13.
    """
    if abs(t) < math.sqrt(2 * df):
        from scipy.special import ndtr

        s, weight = _spread_nodes(df)
        return float(np.sum(weight * ndtr(t * s - noncentrality)))
    kink = min(FARTHEST, max(-FARTHEST, -noncentrality))
    breaks = (-FARTHEST, kink, FARTHEST) if -FARTHEST < kink < FARTHEST else (-FARTHEST, FARTHEST)
    u, weight = _normal_nodes(*breaks)
    return _chance(t, df, u + noncentrality, weight)


@lru_cache(maxsize=512)
def limit_factor(n: int, *, probability: float, multiplier: float = 1.96) -> float:
    """One-sided tolerance factor: the interval of one limit of agreement.

    Parameters
    ----------
    n : int
        Independent pairs, two or more.
    probability : float
        Lower-tail probability, such as 0.025 and 0.975 for the two ends.
    multiplier : float
        The limit is mu + multiplier sigma.

    Returns
    -------
    float
        k with Pr(mean + k s < mu + multiplier sigma) = 1 - probability: the quantile of a non-central t with n - 1 df
        and non-centrality multiplier sqrt(n), over sqrt(n) (Carkeet 2015, Optom Vis Sci 92:e71-e80).

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    _check_size(n)
    check_level(probability, "a probability")
    check_multiplier(multiplier)
    delta, root = multiplier * math.sqrt(n), math.sqrt(n)
    return _solve(lambda k: noncentral_t_cdf(k * root, df=n - 1, noncentrality=delta), probability)


@lru_cache(maxsize=512)
def pair_factor(n: int, *, probability: float, content: float = 0.95) -> float:
    """Two-sided tolerance factor: both limits of agreement at once, by what lies between them.

    Parameters
    ----------
    n : int
        Independent pairs, two or more.
    probability : float
        How sure: 0.025 for the inner pair, 0.975 for the outer.
    content : float
        Share of the population between the limits.

    Returns
    -------
    float
        k with Pr(share of the population within mean -+ k s is at least ``content``) = probability:
        2 sqrt(n) integral over x > 0 of Pr(chi2_{n-1} > (n - 1) r(x)^2/k^2) phi(x sqrt(n)), where
        Phi(x + r) - Phi(x - r) = content (Carkeet & Goh 2018, Stat Methods Med Res 27:1559-1574; Shieh 2018, BMC Med
        Res Methodol 18:45).

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    _check_size(n)
    check_level(probability, "a probability")
    check_level(content, "a content")
    from scipy.special import ndtr, ndtri

    u, weight = _normal_nodes(0.0, FARTHEST)
    x = u / math.sqrt(n)
    alone = float(ndtri(0.5 + content / 2))
    low, high = np.full_like(x, 0.0), x + alone
    for _ in range(60):
        middle = (low + high) / 2
        short = ndtr(x + middle) - ndtr(x - middle) < content
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    reach = (low + high) / 2
    return _solve(lambda k: 2 * _chance(k, n - 1, reach, weight), probability)


@lru_cache(maxsize=512)
def range_factor(n: int, *, confidence: float = 0.95, multiplier: float = 1.96) -> float:
    """Factor of the range of agreement: one interval that holds both true limits.

    Parameters
    ----------
    n : int
        Independent pairs, two or more.
    confidence : float
    multiplier : float
        The limits are mu -+ multiplier sigma.

    Returns
    -------
    float
        g with Pr(mean - g s < mu - multiplier sigma and mu + multiplier sigma < mean + g s) = confidence (Jan & Shieh
        2018, Comput Biol Med 100:247-252).

    Raises
    ------
    DataError
        If the numbers do not fit.
    """
    _check_size(n)
    check_level(confidence, "a confidence")
    check_multiplier(multiplier)
    u, weight = _normal_nodes(0.0, FARTHEST)
    reach = multiplier + u / math.sqrt(n)
    return _solve(lambda g: 2 * _chance(g, n - 1, reach, weight), confidence)
