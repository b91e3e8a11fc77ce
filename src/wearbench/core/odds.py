"""Odds of being in a state under a condition, against without it: from seconds by session, with honest intervals.

Seconds are no independent units: a failure comes in stretches, stretches come in sessions, sessions in people. An odds
ratio is therefore made of the seconds, and its interval of how it differs between sessions or people.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.clusters import Clusters, Estimate, choose_clusters, effective_df, t_quantile
from wearbench.errors import DataError

__all__ = ["LEVELS", "Level", "level_of", "mantel_haenszel", "odds_between", "odds_of_blocks", "odds_within"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Level = Literal["within sessions", "between sessions", "between participants", "none"]

LEVELS: Final[tuple[Level, ...]] = ("within sessions", "between sessions", "between participants", "none")
"""Where a condition varies, the level at which least else varies with it first."""

_ONCE: Final = 2.0
"""Variance of the log of half a run counted: what the zero cell adds, 1/0.5."""


def mantel_haenszel(cells: ArrayLike) -> float:
    """Odds ratio common to several 2 x 2 tables.

    Parameters
    ----------
    cells : array-like, shape (k, 4)
        Each table: in the state and under the condition, not in the state under it, in the state without it, not in
        the state without it. Counts or seconds, at least 0.

    Returns
    -------
    float
        sum(a d / n) / sum(b c / n); inf where only the denominator is 0, NaN where both are.

    Raises
    ------
    DataError
        If the cells do not fit.

    Notes
    -----
    Mantel & Haenszel 1959, J Natl Cancer Inst 22:719-748. Tables that lie on one side add nothing.
    """
    for_it, against = _products(_checked(cells))
    top, bottom = float(for_it.sum()), float(against.sum())
    if bottom > 0:
        return top / bottom
    return math.inf if top > 0 else math.nan


def level_of(cells: ArrayLike, participant: ArrayLike, *, least_s: float = 30.0) -> Level:
    """Choose where a condition is compared: inside sessions, between sessions of a person, or between people.

    Parameters
    ----------
    cells : array-like, shape (k, 4)
        Of each session, seconds.
    participant : int array-like, shape (k,)
    least_s : float
        A session counts as lying on both sides with so many seconds on either.

    Returns
    -------
    str
        Of ``LEVELS``. Within sessions where at least two sessions (or the only one) lie on both sides and hold half of
        the time of one side or more; between sessions where a participant has sessions on both sides; between
        participants where some have one side and others the other. The states are not looked at.
    """
    table = _checked(cells)
    who = np.asarray(participant)
    inside, outside = table[:, 0] + table[:, 1], table[:, 2] + table[:, 3]
    if not (inside.sum() > 0 and outside.sum() > 0):
        return "none"
    both = (inside >= least_s) & (outside >= least_s)
    most = max(inside[both].sum() / inside.sum(), outside[both].sum() / outside.sum())
    if both.sum() >= min(2, table.shape[0]) and most >= 0.5:
        return "within sessions"
    more = inside > outside
    people = [more[who == one] for one in np.unique(who)]
    if any(side.any() and not side.all() for side in people):
        return "between sessions"
    if any(side.any() for side in people) and not all(side.any() for side in people):
        return "between participants"
    return "none"


def odds_within(
    cells: ArrayLike, *, session: ArrayLike, participant: ArrayLike, run_s: float, confidence: float = 0.95
) -> Estimate:
    """Odds ratio of a condition that varies within sessions, each session its own stratum.

    Parameters
    ----------
    cells : array-like, shape (k, 4)
        As in `mantel_haenszel`, of each session, seconds.
    session, participant : int array-like, shape (k,)
        Codes in an order that does not depend on reading order.
    run_s : float
        How long a stretch of the state lasts on average: what counts as one where a cell is empty.
    confidence : float

    Returns
    -------
    Estimate
        The Mantel-Haenszel odds ratio. Its log has the variance of its sum over clusters (participants, else
        sessions) that hold both the state and both sides, with t. Where less than
        one stretch of the state lies on one side, half a stretch is added to every cell and the interval is open on
        that side.

    Notes
    -----
    Variance by linearising log(sum R) - log(sum S) over clusters, as for any ratio of sums (Davison & Hinkley 1997,
    section 2.7); the correction of empty cells after Haldane 1956, Ann Hum Genet 20:309-311, and Anscombe 1956,
    Biometrika 43:461-464, with a stretch, not a second, as the unit of a count.
    """
    table = _checked(cells)
    for_it, against = _products(table)
    telling = (for_it > 0) | (against > 0)
    if not telling.any():
        return _none("the state does not occur in any session that lies on both sides")
    which, who = np.asarray(session), np.asarray(participant)
    clusters = choose_clusters(which[telling], who[telling])
    rows = table[telling]
    state_side = _empty_side(float(rows[:, 0].sum()), float(rows[:, 2].sum()), run_s)
    if not (for_it.sum() > 0 and against.sum() > 0):
        state_side = 1 if for_it.sum() > 0 else -1
    if state_side:
        part = rows.sum(axis=1) / rows.sum()
        rows = rows + 0.5 * run_s * part[:, None]
        for_it, against = _products(rows)
    else:
        for_it, against = for_it[telling], against[telling]
    value = float(for_it.sum() / against.sum())
    several = np.unique(who).size > 1
    one = "participant" if several else "session"
    method = f"Mantel-Haenszel over sessions, clusters {clusters.scope}"
    if clusters.count < 2 or clusters.unit not in ("participants", "sessions") or (several and _alone(clusters)):
        why = f"the state and both sides come together in one {one} only: no interval can be given"
        return Estimate(value=value, low=None, high=None, method=method, n=1, why=why)
    top, bottom = _by_cluster(for_it, clusters), _by_cluster(against, clusters)
    spread = top / top.sum() - bottom / bottom.sum()
    variance = _of_sum(spread)
    df = 0.5 * (clusters.count - 1 + effective_df(top / top.sum() + bottom / bottom.sum()))
    return _interval(value, variance, df, confidence=confidence, method=method, n=clusters.count, side=state_side)


def odds_between(
    state_s: ArrayLike,
    asked_s: ArrayLike,
    inside: ArrayLike,
    *,
    session: ArrayLike,
    participant: ArrayLike,
    run_s: float,
    confidence: float = 0.95,
) -> Estimate:
    """Odds ratio of a condition that holds for whole sessions.

    Parameters
    ----------
    state_s, asked_s : array-like, shape (k,)
        Seconds in the state, and all that count, of each session.
    inside : bool array-like, shape (k,)
        Whether the condition held in the session.
    session, participant : int array-like, shape (k,)
    run_s, confidence : float
        As in `odds_within`.

    Returns
    -------
    Estimate
        Participants with sessions on both sides are strata (Mantel-Haenszel) where there are two or more; else the
        odds of all seconds on one side over those on the other, the units participants that lie on one side, else
        sessions. Each side's variance is that of a ratio of sums; t at Welch's degrees of freedom.

    Notes
    -----
    Variance of a share of seconds over units: Cochran 1977, Sampling Techniques, section 2.11; of its logit by the
    delta method. Empty sides as in `odds_within`.
    """
    hit, asked, within = (np.asarray(x, dtype=np.float64) for x in (state_s, asked_s, inside))
    side, who = within > 0.5, np.asarray(participant)
    _checked(np.stack([hit, asked - hit, hit, asked - hit], axis=1))
    if not (side.any() and not side.all()):
        return _none("every session lies on one side")
    if not hit.sum() > 0:
        return _none("the state does not occur in these sessions")
    both = [one for one in np.unique(who).tolist() if side[who == one].any() and not side[who == one].all()]
    if len(both) >= 2:
        tables = np.array(
            [[*_sums(hit, asked, (who == one) & side), *_sums(hit, asked, (who == one) & ~side)] for one in both]
        )
        found = odds_within(
            tables, session=np.array(both), participant=np.array(both), run_s=run_s, confidence=confidence
        )
        return _renamed(found)
    if len(both) == 1 and np.unique(who).size > 1:
        mine = who == both[0]
        hit, asked, side, who = hit[mine], asked[mine], side[mine], who[mine]
        if not hit.sum() > 0:
            return _none("the state does not occur in the one participant with sessions on both sides")
    units = np.asarray(session) if not (np.unique(who).size > 1) else who
    units = units if units.size == hit.size else np.arange(hit.size)
    return _two_sides(hit, asked, side, units, run_s=run_s, confidence=confidence, people=units is who)


def _two_sides(
    hit: F64, asked: F64, side: NDArray[np.bool_], units: I64, *, run_s: float, confidence: float, people: bool
) -> Estimate:
    word = "participants" if people else "sessions of one person"
    parts = [_of_units(hit[mask], asked[mask], units[mask]) for mask in (side, ~side)]
    n = [unit.size for unit, _ in parts]
    method = f"odds of seconds, {n[0]} against {n[1]} {word}"
    (a, m1), (c, m0) = ((float(h.sum()), float(t.sum())) for h, t in parts)
    empty = _empty_side(a, c, run_s)
    plus = 0.5 * run_s if empty else 0.0
    value = ((a + plus) / (m1 - a + plus)) / ((c + plus) / (m0 - c + plus))
    if min(n) < 2:
        why = f"one side has a single {word.split(' ')[0].removesuffix('s')}: no interval can be given"
        return Estimate(value=value, low=None, high=None, method=method, n=sum(n), why=why)
    variances = []
    for h, t in parts:
        share = (float(h.sum()) + plus) / (float(t.sum()) + 2 * plus)
        flat = h - h.sum() / t.sum() * t
        of_share = h.size / (h.size - 1) * float(np.sum(flat**2)) / float(t.sum()) ** 2
        variances.append(of_share / (share * (1 - share)) ** 2)
    total = sum(variances)
    df = total**2 / sum(v**2 / (k - 1) for v, k in zip(variances, n, strict=True)) if total > 0 else min(n) - 1.0
    return _interval(value, total, df, confidence=confidence, method=method, n=sum(n), side=empty)


def odds_of_blocks(cells: ArrayLike, *, run_s: float, confidence: float = 0.95) -> Estimate:
    """Odds ratio inside one session, its blocks of time as units; no general claim.

    Parameters
    ----------
    cells : array-like, shape (k, 4)
        As in `mantel_haenszel`, of each block, seconds.
    run_s, confidence : float
        As in `odds_within`.

    Returns
    -------
    Estimate
        Of the table of all blocks; its log has the variance of its linearised sum over blocks.
    """
    table = _checked(cells)
    total = table.sum(axis=0)
    method = f"odds of seconds over {table.shape[0]} blocks of one session: one person, one unit, no general claim"
    if not (total[0] + total[1] > 0 and total[2] + total[3] > 0):
        return _none("the session lies on one side")
    if not total[0] + total[2] > 0:
        return _none("the state does not occur")
    empty = _empty_side(total[0], total[2], run_s)
    plus = 0.5 * run_s if empty else 0.0
    a, b, c, d = (float(x) + plus for x in total)
    value = a * d / (b * c)
    units = int(np.sum(table[:, 0] + table[:, 2] > 0))
    if table.shape[0] < 4 or units < 2:
        why = "the state lies in a single stretch of one session: no interval can be given"
        return Estimate(value=value, low=None, high=None, method=method, n=table.shape[0], why=why)
    spread = table @ np.array([1 / a, -1 / b, -1 / c, 1 / d])
    variance = _of_sum(spread - spread.mean())
    df = effective_df(table[:, 0] + table[:, 2])
    return _interval(value, variance, df, confidence=confidence, method=method, n=table.shape[0], side=empty)


def _checked(cells: ArrayLike) -> F64:
    table = np.asarray(cells, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != 4:
        raise DataError(f"expected four cells a row (shape (k, 4)), got shape {table.shape}")
    if not bool(np.all(np.isfinite(table) & (table > -1e-6))):
        raise DataError(f"expected cells of 0 or more, got {float(np.min(table))}")
    return np.maximum(table, 0.0)


def _products(table: F64) -> tuple[F64, F64]:
    """What each table says for the condition, and against it: a d / n and b c / n."""
    n = table.sum(axis=1)
    n = np.where(n > 0, n, 1.0)
    return table[:, 0] * table[:, 3] / n, table[:, 1] * table[:, 2] / n


def _empty_side(inside_s: float, outside_s: float, run_s: float) -> int:
    """1 where less than a stretch of the state lies outside the condition, -1 where less than one lies in it."""
    if min(inside_s, outside_s) >= run_s * (1 - 1e-9):
        return 0
    return 1 if outside_s <= inside_s else -1


def _sums(hit: F64, asked: F64, mask: NDArray[np.bool_]) -> tuple[float, float]:
    return float(hit[mask].sum()), float((asked - hit)[mask].sum())


def _of_units(hit: F64, asked: F64, unit: I64) -> tuple[F64, F64]:
    names, index = np.unique(unit, return_inverse=True)
    tops = np.asarray(np.bincount(index, weights=hit, minlength=names.size), dtype=np.float64)
    return tops, np.asarray(np.bincount(index, weights=asked, minlength=names.size), dtype=np.float64)


def _by_cluster(values: F64, clusters: Clusters) -> F64:
    return np.asarray(np.bincount(clusters.index, weights=values, minlength=clusters.count), dtype=np.float64)


def _alone(clusters: Clusters) -> bool:
    """Whether only one of several participants tells anything, so that only sessions of one person are left."""
    return clusters.unit != "participants"


def _of_sum(spread: F64) -> float:
    """Variance of a sum of cluster contributions whose total is 0."""
    count = spread.size
    return count / (count - 1) * float(np.sum(spread**2))


def _interval(
    value: float, variance: float, df: float, *, confidence: float, method: str, n: int, side: int
) -> Estimate:
    total = variance + (_ONCE if side else 0.0)
    if side and variance > 0:  # what a count adds has no degrees of freedom to lose
        df = total**2 / (variance**2 / df)
    reach = t_quantile(0.5 + confidence / 2, min(df, 1e6)) * math.sqrt(max(total, 0.0))
    low, high = (math.exp(math.log(value) + sign * min(reach, 700.0 - abs(math.log(value)))) for sign in (-1, 1))
    if side > 0:
        why = "less than one stretch of it without the condition: half a stretch was added, no upper bound"
        return Estimate(value=value, low=low, high=None, method=method, n=n, why=why)
    if side < 0:
        why = "less than one stretch of it under the condition: half a stretch was added, no lower bound"
        return Estimate(value=value, low=None, high=high, method=method, n=n, why=why)
    return Estimate(value=value, low=low, high=high, method=method, n=n)


def _renamed(found: Estimate) -> Estimate:
    return Estimate(
        value=found.value,
        low=found.low,
        high=found.high,
        method=found.method.replace("over sessions", "over participants"),
        n=found.n,
        why=found.why,
    )


def _none(why: str) -> Estimate:
    return Estimate(value=None, low=None, high=None, method="odds of seconds", n=0, why=why)
