"""Differences between two sets of sessions, with intervals: of shares affected, of shares of time, of errors."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.clusters import Estimate, effective_df, jackknife_se, t_quantile
from wearbench.core.permutation import differences_without, stratified_difference
from wearbench.core.resample import wilson
from wearbench.errors import DataError

__all__ = ["difference_of_ratios", "difference_over_people", "newcombe", "paired_mean"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]


def newcombe(x1: int, n1: int, x0: int, n0: int, *, confidence: float = 0.95) -> Estimate:
    """Difference of two independent shares, x1/n1 - x0/n0.

    Parameters
    ----------
    x1, n1, x0, n0 : int
        Affected and all, on either side.
    confidence : float

    Returns
    -------
    Estimate
        Interval from the two score intervals (Newcombe 1998, Stat Med 17:873-890, method 10). Empty, with the reason,
        where a side has no session.

    Raises
    ------
    DataError
        If counts do not fit.
    """
    method = f"score intervals joined (Newcombe) on {n1} and {n0} sessions"
    if n1 == 0 or n0 == 0:
        return Estimate(value=None, low=None, high=None, method=method, n=n1 + n0, why="a side has no session")
    p1, p0 = x1 / n1, x0 / n0
    low1, high1 = wilson(x1, n1, confidence=confidence)
    low0, high0 = wilson(x0, n0, confidence=confidence)
    value = p1 - p0
    return Estimate(
        value=value,
        low=value - math.hypot(p1 - low1, high0 - p0),
        high=value + math.hypot(high1 - p1, p0 - low0),
        method=method,
        n=n1 + n0,
    )


def _columns(
    numerator: ArrayLike, denominator: ArrayLike, label: ArrayLike, stratum: ArrayLike
) -> tuple[F64, F64, B8, I64]:
    top, bottom = np.asarray(numerator, dtype=np.float64), np.asarray(denominator, dtype=np.float64)
    marked, code = np.asarray(label, dtype=np.bool_), np.asarray(stratum)
    if top.ndim != 1 or not top.shape == bottom.shape == marked.shape == code.shape:
        shapes = ", ".join(str(a.shape) for a in (top, bottom, marked, code))
        raise DataError(f"expected four columns of one length, got shapes {shapes}")
    keep = bottom > 0
    return top[keep], bottom[keep], marked[keep], code[keep]


def difference_of_ratios(
    numerator: ArrayLike,
    denominator: ArrayLike,
    *,
    label: ArrayLike,
    stratum: ArrayLike,
    confidence: float = 0.95,
) -> Estimate:
    """Difference of two ratios of sums within strata, sessions being the units: it speaks of these people only.

    Parameters
    ----------
    numerator, denominator : array-like, shape (n,)
        Of each session.
    label : bool array-like, shape (n,)
        True after, False before.
    stratum : int array-like, shape (n,)
        Participants.
    confidence : float

    Returns
    -------
    Estimate
        Value as `stratified_difference`; the variance is the sum of the jackknife variances of all sides (sessions of
        one label of one participant), t with Welch's degrees of freedom (Welch 1947, Biometrika 34:28-35). A side of
        one session is taken to scatter as those of other participants with that label do. No interval where no such
        side has two sessions, or where sessions do not vary.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    top, bottom, marked, code = _columns(numerator, denominator, label, stratum)
    method = f"jackknife over {marked.size} sessions, Welch's t"

    def empty(why: str, value: float | None = None) -> Estimate:
        return Estimate(value=value, low=None, high=None, method=method, n=int(marked.size), why=why)

    if not marked.size or math.isnan(value := float(stratified_difference(top, bottom, marked[None, :], code)[0])):
        return empty("no participant has sessions on both sides")
    every = differences_without(top, bottom, marked, code)
    variances: list[float] = []
    freedom: list[float] = []
    own: dict[bool, list[tuple[float, int]]] = {True: [], False: []}
    shares: list[tuple[bool, float]] = []
    for person in np.unique(code):
        sides = {side: np.flatnonzero((code == person) & (marked == side)) for side in (True, False)}
        if not all(at.size for at in sides.values()):
            continue
        for side, at in sides.items():
            if at.size < 2:
                shares.append((side, _part(bottom, sides)))
                continue
            without = every[at]
            se = float(jackknife_se(float(without.mean()), without))
            variances.append(se * se)
            freedom.append(at.size - 1)
            spread = top[at] / bottom[at]
            own[side].append((float(np.var(spread, ddof=1)), at.size - 1))
    if shares:
        # A side of one session scatters as those of the others do.
        if not all(own[side] for side, _ in shares):
            return empty("one session on a side: no interval can be given", value)
        weight = sum(part for _, part in _all_parts(bottom, marked, code))
        for side, part in shares:
            count = sum(n for _, n in own[side])
            variances.append((part / weight) ** 2 * sum(v * n for v, n in own[side]) / count)
            freedom.append(count)
    total = sum(variances)
    if total <= (1e-12 * max(1.0, abs(value))) ** 2:
        return empty("the sessions do not vary: no interval can be given", value)
    df = total**2 / sum(v * v / f for v, f in zip(variances, freedom, strict=True))
    half = t_quantile(0.5 + confidence / 2, df) * math.sqrt(total)
    return Estimate(value=value, low=value - half, high=value + half, method=method, n=int(marked.size))


def _part(bottom: F64, sides: Mapping[bool, I64]) -> float:
    """Weight of a participant, as `stratified_difference` has it."""
    after, before = float(bottom[sides[True]].sum()), float(bottom[sides[False]].sum())
    return after * before / (after + before)


def _all_parts(bottom: F64, marked: B8, code: I64) -> Iterator[tuple[int, float]]:
    for person in np.unique(code):
        sides = {side: np.flatnonzero((code == person) & (marked == side)) for side in (True, False)}
        if all(at.size for at in sides.values()):
            yield int(person), _part(bottom, sides)


def difference_over_people(
    numerator: ArrayLike,
    denominator: ArrayLike,
    *,
    label: ArrayLike,
    stratum: ArrayLike,
    confidence: float = 0.95,
) -> Estimate:
    """The same difference with participants as the units: it speaks of people like these.

    Parameters
    ----------
    numerator, denominator, label, stratum, confidence
        As in `difference_of_ratios`.

    Returns
    -------
    Estimate
        Jackknife over the participants that have sessions on both sides, Student's t with the degrees of freedom their
        weights leave. No interval with fewer than two of them.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    top, bottom, marked, code = _columns(numerator, denominator, label, stratum)
    people = [p for p in np.unique(code) if 0 < int(marked[code == p].sum()) < int((code == p).sum())]
    method = f"jackknife over {len(people)} participants"
    parts = dict(_all_parts(bottom, marked, code))
    if len(people) < 2:
        value = None
        if people:
            value = float(stratified_difference(top, bottom, marked[None, :], code)[0])
        why = "fewer than two participants with sessions on both sides: nothing can be said of other people"
        return Estimate(value=value, low=None, high=None, method=method, n=len(people), why=why)
    value = float(stratified_difference(top, bottom, marked[None, :], code)[0])
    without, weight = [], []
    for person in people:
        keep = code != person
        without.append(float(stratified_difference(top[keep], bottom[keep], marked[None, keep], code[keep])[0]))
        weight.append(parts[int(person)])
    se = float(jackknife_se(value, np.array(without)))
    if se <= 1e-12 * max(1.0, abs(value)):
        why = "the participants do not vary: no interval can be given"
        return Estimate(value=value, low=None, high=None, method=method, n=len(people), why=why)
    half = t_quantile(0.5 + confidence / 2, effective_df(np.array(weight))) * se
    return Estimate(value=value, low=value - half, high=value + half, method=method, n=len(people))


def paired_mean(
    difference: ArrayLike, *, weight: ArrayLike, participant: ArrayLike, confidence: float = 0.95
) -> Estimate:
    """Weighted mean of paired differences of sessions, with its interval.

    Parameters
    ----------
    difference, weight : array-like, shape (n,)
        Of each session; rows without weight are left out.
    participant : int array-like, shape (n,)
    confidence : float

    Returns
    -------
    Estimate
        Jackknife over participants where there are two or more, else over sessions; Student's t.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    d, w = np.asarray(difference, dtype=np.float64), np.asarray(weight, dtype=np.float64)
    who = np.asarray(participant)
    if d.ndim != 1 or not d.shape == w.shape == who.shape:
        raise DataError(f"expected columns of one length, got shapes {d.shape}, {w.shape} and {who.shape}")
    d, w, who = d[w > 0], w[w > 0], who[w > 0]
    several = np.unique(who).size > 1
    code = np.unique(who, return_inverse=True)[1] if several else np.arange(d.size)
    unit = "participants, sessions nested" if several else "sessions of one person"
    count = int(code.max(initial=-1)) + 1
    method = f"jackknife over {count} {unit}"
    if count == 0:
        return Estimate(value=None, low=None, high=None, method=method, n=0, why="no session in common")
    top, bottom = np.bincount(code, weights=w * d), np.bincount(code, weights=w).astype(np.float64)
    value = float(top.sum() / bottom.sum())
    if count < 2:
        why = "one session: no interval can be given"
        return Estimate(value=value, low=None, high=None, method=method, n=count, why=why)
    without = (top.sum() - top) / (bottom.sum() - bottom)
    se = float(jackknife_se(value, without))
    if se <= 1e-12 * max(1.0, abs(value)):
        return Estimate(value=value, low=None, high=None, method=method, n=count, why="the sessions do not vary")
    half = t_quantile(0.5 + confidence / 2, effective_df(bottom)) * se
    return Estimate(value=value, low=value - half, high=value + half, method=method, n=count)
