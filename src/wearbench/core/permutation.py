"""Tests by rearranging: labels of sessions within strata, places of affected sessions in time.

Nothing is assumed of the numbers but that, were there no effect, every arrangement would have been as likely. With few
sessions there are few arrangements, and so a smallest p that any data could have reached: it is given beside each p.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.resample import generator_of
from wearbench.errors import DataError

__all__ = [
    "MOST_ENUMERATED",
    "Rearranged",
    "arrangements",
    "differences_without",
    "order_test",
    "rearranged_statistic",
    "relabelled",
    "relabelling_test",
    "smallest_by_design",
    "stratified_difference",
]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B8 = NDArray[np.bool_]

MOST_ENUMERATED = 20_000
"""Up to so many arrangements all are looked at; of more a seeded sample."""
DRAWS = 9_999


@dataclass(frozen=True, kw_only=True, slots=True)
class Rearranged:
    """What rearranging says.

    Attributes
    ----------
    value : float
        The statistic as observed.
    p : float
        Share of arrangements whose statistic is at least as far from 0, the observed one among them.
    arrangements : int
        How many there are in all.
    looked_at : int
        How many were looked at.
    enumerated : bool
        Whether these are all.
    smallest : float
        The smallest p that the numbers of sessions allow at all.
    smallest_here : float
        The smallest p that these values allow, however they had been arranged; larger where values repeat.
    likeness : float or None
        Correlation of neighbouring sessions of one participant and label, corrected for the means taken off; None where
        too few follow one another, or where it was not asked.
    p_if_alike : float or None
        p with the statistic shrunk for that correlation: sessions that are like their neighbours differ more between
        earlier and later ones than rearranging shows.
    """

    value: float
    p: float
    arrangements: int
    looked_at: int
    enumerated: bool
    smallest: float
    smallest_here: float
    likeness: float | None = None
    p_if_alike: float | None = None


def arrangements(label: ArrayLike, stratum: ArrayLike) -> int:
    """Count the ways in which labels can be dealt out again within strata.

    Parameters
    ----------
    label : bool array-like, shape (n,)
    stratum : int array-like, shape (n,)

    Returns
    -------
    int
        Product over strata of n! / (n1! n0!).
    """
    marked, groups = _labels(label, stratum)
    return math.prod(math.comb(int(at.size), int(marked[at].sum())) for at in groups)


def smallest_by_design(label: ArrayLike, stratum: ArrayLike) -> float:
    """The smallest two-sided p that relabelling can reach, whatever the values.

    Parameters
    ----------
    label : bool array-like, shape (n,)
    stratum : int array-like, shape (n,)

    Returns
    -------
    float
        One over the number of arrangements; two over it where each stratum has as many of either label, as then each
        arrangement has its mirror. 1 where there is nothing to rearrange.
    """
    marked, groups = _labels(label, stratum)
    total = math.prod(math.comb(int(at.size), int(marked[at].sum())) for at in groups)
    mixed = [at for at in groups if 0 < int(marked[at].sum()) < at.size]
    mirrored = all(2 * int(marked[at].sum()) == at.size for at in mixed)
    return min(1.0, (2.0 if mirrored else 1.0) / total)


def _labels(label: ArrayLike, stratum: ArrayLike) -> tuple[B8, list[I64]]:
    marked, code = np.asarray(label, dtype=np.bool_), np.asarray(stratum)
    if marked.ndim != 1 or marked.shape != code.shape:
        raise DataError(f"expected one label and one stratum a row, got shapes {marked.shape} and {code.shape}")
    return marked, [np.flatnonzero(code == c) for c in np.unique(code)]


def relabelled(
    label: ArrayLike, stratum: ArrayLike, *, seed: int, name: str, most: int = MOST_ENUMERATED, draws: int = DRAWS
) -> tuple[B8, bool]:
    """Labels dealt out again within strata.

    Parameters
    ----------
    label : bool array-like, shape (n,)
    stratum : int array-like, shape (n,)
    seed : int
    name : str
        What is asked; keys the generator, as in `generator_of`.
    most : int
        Up to so many arrangements are enumerated.
    draws : int
        Arrangements drawn where there are more.

    Returns
    -------
    labels : bool array, shape (m, n)
        All arrangements; or the observed one, then ``draws`` drawn ones.
    enumerated : bool

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    marked, groups = _labels(label, stratum)
    if arrangements(marked, stratum) <= most:
        parts = [_every(at.size, int(marked[at].sum())) for at in groups]
        pick = np.indices([len(table) for table in parts]).reshape(len(parts), -1)
        out = np.zeros((pick.shape[1], marked.size), dtype=np.bool_)
        for at, table, which in zip(groups, parts, pick, strict=True):
            out[:, at] = table[which]
        return out, True
    generator = generator_of(seed, name)
    out = np.zeros((draws + 1, marked.size), dtype=np.bool_)
    out[0] = marked
    for at in groups:
        n, n1 = at.size, int(marked[at].sum())
        if math.comb(n, n1) <= most:
            table = _every(n, n1)
            out[1:, at] = table[generator.integers(0, len(table), size=draws)]
        else:
            out[1:, at] = generator.random((draws, n)).argsort(axis=1) < n1
    return out, False


@lru_cache(maxsize=16)
def _every(n: int, n1: int) -> B8:
    """All ways to mark ``n1`` of ``n``, one a row; the same are asked for again and again."""
    ways = np.array(list(itertools.combinations(range(n), n1)), dtype=np.int64).reshape(math.comb(n, n1), n1)
    table = np.zeros((len(ways), n), dtype=np.bool_)
    table[np.arange(len(ways))[:, None], ways] = True
    return table


def stratified_difference(numerator: F64, denominator: F64, labels: B8, stratum: I64) -> F64:
    """Difference of two ratios of sums, labelled less unlabelled, within strata.

    Parameters
    ----------
    numerator, denominator : float64 arrays, shape (n,)
        Of each row (session); denominators above 0.
    labels : bool array, shape (m, n)
        One row an arrangement.
    stratum : int array, shape (n,)

    Returns
    -------
    float64 array, shape (m,)
        Strata weighed by d1 d0 / (d1 + d0), d the sums of denominators (the risk difference of Mantel & Haenszel's
        kind: Greenland & Robins 1985, Biometrics 41:55-68); with one stratum the plain difference. NaN where no
        stratum has both labels.
    """
    rows = _by_stratum(numerator, denominator, stratum)
    inside = labels.astype(np.float64) @ rows
    return _difference(inside, rows.sum(axis=0) - inside)


def differences_without(numerator: F64, denominator: F64, label: B8, stratum: I64) -> F64:
    """The same difference with one row left out at a time.

    Parameters
    ----------
    numerator, denominator : float64 arrays, shape (n,)
    label : bool array, shape (n,)
    stratum : int array, shape (n,)

    Returns
    -------
    float64 array, shape (n,)
    """
    rows = _by_stratum(numerator, denominator, stratum)
    sides = [np.where(label[:, None] == side, rows, 0.0) for side in (True, False)]
    return _difference(*(part.sum(axis=0) - part for part in sides))


def _by_stratum(numerator: F64, denominator: F64, stratum: I64) -> F64:
    """Numerators, then denominators, each in the column of its stratum."""
    which = np.unique(stratum, return_inverse=True)[1]
    member = np.zeros((stratum.size, int(which.max(initial=0)) + 1))
    member[np.arange(stratum.size), which] = 1.0
    return np.concatenate([numerator[:, None] * member, denominator[:, None] * member], axis=1)


def _difference(labelled: F64, unlabelled: F64) -> F64:
    """From sums of both sides, numerators and denominators by stratum, shape (m, 2 strata)."""
    half = labelled.shape[1] // 2
    n1, d1 = labelled[:, :half], labelled[:, half:]
    n0, d0 = unlabelled[:, :half], unlabelled[:, half:]
    together = d1 + d0
    both = (d1 > 1e-12 * together) & (d0 > 1e-12 * together)
    safe = np.where(both, together, 1.0)
    top = np.where(both, (n1 * d0 - n0 * d1) / safe, 0.0).sum(axis=1)
    bottom = np.where(both, d1 * d0 / safe, 0.0).sum(axis=1)
    out: F64 = np.where(bottom > 0, top / np.where(bottom > 0, bottom, 1.0), np.nan)
    return out


def relabelling_test(
    numerator: ArrayLike,
    denominator: ArrayLike,
    *,
    label: ArrayLike,
    stratum: ArrayLike,
    seed: int = 0,
    name: str = "",
    most: int = MOST_ENUMERATED,
    draws: int = DRAWS,
) -> Rearranged | None:
    """Two-sided permutation test of a difference of ratios, labels rearranged within strata.

    Parameters
    ----------
    numerator, denominator : array-like, shape (n,)
        Of each session: seconds in a state and all seconds, sum of absolute differences and pairs, 1 or 0 and 1.
        Sessions without a denominator are left out.
    label : bool array-like, shape (n,)
        True after, False before.
    stratum : int array-like, shape (n,)
        Participants.
    seed, name
        As in `relabelled`.
    most : int
        Up to so many arrangements are enumerated.
    draws : int
        Arrangements drawn where there are more.

    Returns
    -------
    Rearranged or None
        None where no stratum has sessions of both labels.

    Raises
    ------
    DataError
        If the arrays do not fit.

    Notes
    -----
    Fisher 1935, The Design of Experiments; Pitman 1937. The p of a sample of arrangements counts the observed one
    (Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39).
    """
    top, bottom = np.asarray(numerator, dtype=np.float64), np.asarray(denominator, dtype=np.float64)
    marked, code = np.asarray(label, dtype=np.bool_), np.asarray(stratum)
    if top.ndim != 1 or not top.shape == bottom.shape == marked.shape == code.shape:
        shapes = ", ".join(str(a.shape) for a in (top, bottom, marked, code))
        raise DataError(f"expected four columns of one length, got shapes {shapes}")
    keep = bottom > 0
    top, bottom, marked, code = top[keep], bottom[keep], marked[keep], code[keep]
    if not marked.size:
        return None
    value = float(stratified_difference(top, bottom, marked[None, :], code)[0])
    if math.isnan(value):
        return None
    labels, enumerated = relabelled(marked, code, seed=seed, name=name, most=most, draws=draws)
    rearranged = stratified_difference(top, bottom, labels, code)
    judged = rearranged_statistic(
        value,
        rearranged,
        total=arrangements(marked, code),
        enumerated=enumerated,
        smallest=smallest_by_design(marked, code),
    )
    alike = _likeness(top / bottom, marked, code)
    if alike is None:
        return judged
    return replace(judged, likeness=alike, p_if_alike=_share_beyond(rearranged, value / _widened(marked, code, alike)))


def rearranged_statistic(value: float, rearranged: F64, *, total: int, enumerated: bool, smallest: float) -> Rearranged:
    """Judge an observed statistic by those of rearranged data.

    Parameters
    ----------
    value : float
    rearranged : float64 array, shape (m,)
        The observed arrangement among them.
    total : int
        Arrangements there are.
    enumerated : bool
        Whether these are all.
    smallest : float
        The smallest p by design.

    Returns
    -------
    Rearranged
    """
    count = rearranged.size
    return Rearranged(
        value=value,
        p=_share_beyond(rearranged, value),
        arrangements=total,
        looked_at=count,
        enumerated=enumerated,
        smallest=max(smallest, 0.0 if enumerated else 1.0 / count),
        smallest_here=_share_beyond(rearranged, float(np.abs(rearranged).max())),
    )


def _share_beyond(rearranged: F64, value: float) -> float:
    """Share of arrangements at least as far from 0; ties count however they are rounded."""
    size = np.abs(rearranged)
    return float(np.mean(size >= abs(value) - 1e-9 * max(float(size.max()), abs(value))))


def _likeness(value: F64, marked: B8, stratum: I64) -> float | None:
    """Correlation of neighbouring values of one stratum and label, none below 0."""
    products = squares = lost = freedom = 0.0
    for code in np.unique(stratum):
        for side in (True, False):
            part = value[(stratum == code) & (marked == side)]
            if part.size < 3:
                continue
            off = part - part.mean()
            products += float(off[:-1] @ off[1:])
            squares += float(off @ off)
            lost += (part.size - 1) / part.size
            freedom += part.size - 1
    if freedom < 4 or squares <= 1e-24 * max(1.0, float(np.square(value).sum())):
        return None
    # Of independent values whose mean is taken off, neighbours are correlated by -1 / size.
    return min(0.9, max(0.0, 1.1 * (products / squares + lost / freedom)))


def _widened(marked: B8, stratum: I64, correlation: float) -> float:
    """By how much the difference scatters more than rearranging shows, if values follow a first-order process."""
    true = shown = 0.0
    for code in np.unique(stratum):
        side = marked[stratum == code]
        n, n1 = side.size, int(side.sum())
        if not 0 < n1 < n:
            continue
        share = n1 * (n - n1) / n
        contrast = np.where(side, 1.0 / n1, -1.0 / (n - n1))
        lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        alike = correlation**lag
        true += share * share * float(contrast @ alike @ contrast)
        between = (float(alike.sum()) - n) / (n * (n - 1))
        shown += share * share * (1.0 - between) * (1.0 / n1 + 1.0 / (n - n1))
    return max(1.0, math.sqrt(true / shown)) if shown > 0 else 1.0


def order_test(
    affected: ArrayLike, *, stratum: ArrayLike | None = None, seed: int = 0, name: str = ""
) -> Rearranged | None:
    """Two-sided test whether affected sessions lie late or early, their places rearranged within strata.

    Parameters
    ----------
    affected : bool array-like, shape (n,)
        In order of time.
    stratum : int array-like, shape (n,), optional
        Participants.
    seed, name
        As in `relabelled`.

    Returns
    -------
    Rearranged or None
        ``value`` is the mean place of the affected sessions less that of all, in sessions of their participant. None
        where no participant has sessions of both kinds.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    flag = np.asarray(affected, dtype=np.bool_)
    code = np.zeros(flag.size, dtype=np.int64) if stratum is None else np.asarray(stratum)
    _, groups = _labels(flag, code)
    place = np.zeros(flag.size)
    for at in groups:
        place[at] = np.arange(at.size) - (at.size - 1) / 2
    mixed = [at for at in groups if 0 < int(flag[at].sum()) < at.size]
    if not mixed:
        return None
    inside = np.concatenate(mixed)
    keep = np.zeros(flag.size, dtype=np.bool_)
    keep[inside] = True
    flag, code, place = flag[keep], code[keep], place[keep]
    labels, enumerated = relabelled(flag, code, seed=seed, name=name)
    per = float(flag.sum())
    found = (labels @ place) / per
    ways = arrangements(flag, code)
    # Rearranging places mirrors every arrangement in time; the furthest one has its mirror.
    return rearranged_statistic(
        float((flag @ place) / per),
        found,
        total=ways,
        enumerated=enumerated,
        smallest=min(1.0, 2.0 / ways),
    )
