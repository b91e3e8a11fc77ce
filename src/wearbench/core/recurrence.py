"""Will it happen again: the next session, and whether affected sessions grow more or fewer."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.clusters import Estimate
from wearbench.errors import DataError

__all__ = ["firth_slope", "next_session"]

F64 = NDArray[np.float64]

JEFFREYS = 0.5


def next_session(affected: int, sessions: int, *, confidence: float = 0.95, prior: float = JEFFREYS) -> Estimate:
    """The chance that the next session is affected, after sessions like it.

    Parameters
    ----------
    affected, sessions : int
        0 <= affected <= sessions.
    confidence : float
    prior : float
        Both parameters of the Beta prior of the share; one half is Jeffreys'.

    Returns
    -------
    Estimate
        Value (k + 1/2) / (n + 1), the chance by the beta-binomial; low and high are the equal-tailed credible interval
        of the share, 0 where none and 1 where all were affected (Brown, Cai & DasGupta 2001, Stat Sci 16:101-133).
        Given also without sessions: then it is the prior alone, and says so.

    Raises
    ------
    DataError
        If the counts do not fit.
    """
    if not 0 <= affected <= sessions:
        raise DataError(f"expected 0 <= affected <= sessions, got {affected} of {sessions}")
    from scipy.special import betaincinv

    a, b = affected + prior, sessions - affected + prior
    tail = (1 - confidence) / 2
    low = 0.0 if affected == 0 else float(betaincinv(a, b, tail))
    high = 1.0 if affected == sessions else float(betaincinv(a, b, 1 - tail))
    named = "Jeffreys prior, Beta(1/2, 1/2)" if prior == JEFFREYS else f"prior Beta({prior:g}, {prior:g})"
    return Estimate(
        value=a / (a + b),
        low=low,
        high=high,
        method=f"beta-binomial on {sessions} sessions, {named}; interval of the share",
        n=sessions,
        why=None if sessions else "no sessions: the prior alone",
    )


_REACH = 40.0
_COARSE = 41
_FINE = 21
_HALVINGS = 30


def firth_slope(affected: ArrayLike, place: ArrayLike, *, confidence: float = 0.95) -> Estimate:
    """Change of the log odds of being affected for one step of place, by penalised likelihood.

    Parameters
    ----------
    affected : bool array-like, shape (n,)
    place : float array-like, shape (n,)
        When: the number of the session, say.
    confidence : float

    Returns
    -------
    Estimate
        Log odds for one unit of ``place``, finite also where all early sessions are affected and no late one (Firth
        1993, Biometrika 80:27-38); interval by the profile of the penalised likelihood (Heinze & Schemper 2002, Stat
        Med 21:2409-2419). A bound further than 40 log odds over the whole range is not given. Empty without two places,
        or where none or all are affected.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    y, x = np.asarray(affected, dtype=np.float64), np.asarray(place, dtype=np.float64)
    if y.ndim != 1 or y.shape != x.shape:
        raise DataError(f"expected one place a session, got shapes {y.shape} and {x.shape}")
    method = f"penalised logistic regression (Firth) on {y.size} sessions"
    length = float(np.ptp(x)) if x.size else 0.0
    if length <= 0 or not 0 < float(y.sum()) < y.size:
        why = "sessions at one place only" if length <= 0 else "none or all affected: no trend can be seen"
        return Estimate(value=None, low=None, high=None, method=method, n=y.size, why=why)
    from scipy.special import gammaincinv

    unit = (x - x.mean()) / length
    half = float(gammaincinv(0.5, confidence))  # half a chi-squared quantile with 1 df
    coarse = np.linspace(-_REACH, _REACH, _COARSE)
    height = _profile(y, unit, coarse)
    top = int(np.argmax(height))
    near = np.linspace(coarse[max(0, top - 1)], coarse[min(_COARSE - 1, top + 1)], _FINE)
    finer = _profile(y, unit, near)
    peak, highest = _peak(near, finer)
    cut = highest - half
    enough = np.flatnonzero((height >= cut) | (np.arange(_COARSE) == top))
    first, last = int(enough[0]), int(enough[-1])
    low = None if first == 0 else _crossing(y, unit, float(coarse[first - 1]), float(coarse[first]), cut)
    high = None if last == _COARSE - 1 else _crossing(y, unit, float(coarse[last + 1]), float(coarse[last]), cut)
    return Estimate(
        value=peak / length,
        low=None if low is None else low / length,
        high=None if high is None else high / length,
        method=method,
        n=y.size,
        why=None if low is not None and high is not None else "a bound is further than any number says",
    )


def _peak(slope: F64, height: F64) -> tuple[float, float]:
    """The top of the parabola through the highest point and its neighbours."""
    top = int(np.clip(np.argmax(height), 1, slope.size - 2))
    a, b, c = (float(h) for h in height[top - 1 : top + 2])
    bend = a - 2.0 * b + c
    if bend >= 0 or b < max(a, c):
        return float(slope[np.argmax(height)]), float(height.max())
    part = 0.5 * (a - c) / bend
    return float(slope[top]) + part * float(slope[1] - slope[0]), b - 0.25 * (a - c) * part


def _profile(y: F64, x: F64, slope: F64) -> F64:
    """Penalised log likelihood at each slope, with the intercept that suits it best."""
    low, high = np.full(slope.size, -2 * _REACH), np.full(slope.size, 2 * _REACH)
    golden = (math.sqrt(5) - 1) / 2
    left, right = high - golden * (high - low), low + golden * (high - low)
    at_left, at_right = _penalised(y, x, left, slope), _penalised(y, x, right, slope)
    for _ in range(_HALVINGS):
        better = at_left > at_right
        high, low = np.where(better, right, high), np.where(better, low, left)
        left, right = high - golden * (high - low), low + golden * (high - low)
        at_left, at_right = _penalised(y, x, left, slope), _penalised(y, x, right, slope)
    return np.maximum(at_left, at_right)


def _penalised(y: F64, x: F64, intercept: F64, slope: F64) -> F64:
    eta = intercept[:, None] + slope[:, None] * x
    fit = (y * eta - np.logaddexp(0.0, eta)).sum(axis=1)
    weight = np.exp(-2 * np.logaddexp(0.0, np.abs(eta)) + np.abs(eta))
    s0, s1, s2 = weight.sum(axis=1), weight @ x, weight @ (x * x)
    information = np.maximum(s0 * s2 - s1 * s1, 1e-300)
    out: F64 = fit + 0.5 * np.log(information)
    return out


def _crossing(y: F64, x: F64, outer: float, inner: float, cut: float) -> float:
    """Where the profile crosses ``cut`` between a slope outside the interval and one inside."""
    slope = np.linspace(outer, inner, _FINE)
    height = _profile(y, x, slope)
    b = int(np.argmax(height >= cut)) if bool((height >= cut).any()) else _FINE - 1
    if b == 0:
        return float(slope[0])
    part = (cut - float(height[b - 1])) / (float(height[b]) - float(height[b - 1]))
    return float(slope[b - 1]) + part * float(slope[b] - slope[b - 1])
