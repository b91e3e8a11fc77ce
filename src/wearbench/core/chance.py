"""How often chance alone would give as much: by shifting states in time, or by giving sessions each other's labels.

Shifting keeps how long stretches last and how they follow one another; exchanging whole sessions keeps all that a
session is. Neither takes seconds, or stretches, for independent.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.permutation import relabelled
from wearbench.core.resample import generator_of
from wearbench.errors import DataError

__all__ = ["Chance", "holm", "label_chance", "shift_chance", "shift_sums"]

F64 = NDArray[np.float64]
BLOCK = 512
ENUMERATED = 20_000
"""Arrangements up to this number are all looked at."""
_LABELS_HELD = 4_000_000
"""Labels held in memory at a time, over all arrangements drawn."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Chance:
    """How often chance gives as much or more, to either side.

    ``p`` is that share, ``least`` the smallest it could have been, ``looked_at`` how many arrangements were looked at;
    ``exact`` says that those were all there are.
    """

    p: float
    least: float
    looked_at: int
    exact: bool


def shift_sums(state: ArrayLike, condition: ArrayLike) -> F64:
    """How much of a state falls under a condition, for every circular shift of the state along the session.

    Parameters
    ----------
    state, condition : array-like, shape (n,)
        Share of each piece of time in the state, and under the condition; pieces of equal length, in order, time that
        was not asked about taken out.

    Returns
    -------
    float64 array, shape (n,)
        sum_i state[(i + s) mod n] condition[i] less its mean over all shifts s; as observed at s = 0.

    Raises
    ------
    DataError
        If the two differ in length.

    Notes
    -----
    Margins stay as they are under a shift, so that the mean is sum(state) sum(condition) / n.
    """
    a, b = np.asarray(state, dtype=np.float64), np.asarray(condition, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape:
        raise DataError(f"expected two rows of one length, got shapes {a.shape} and {b.shape}")
    if a.size == 0:
        return np.zeros(0)
    together = np.fft.irfft(np.fft.rfft(a) * np.conj(np.fft.rfft(b)), n=a.size)
    return np.asarray(together - a.sum() * b.sum() / a.size, dtype=np.float64)


def shift_chance(sums: Sequence[F64], *, draws: int, seed: int, name: str, enough: int = 30) -> Chance:
    """How often states shifted against conditions, each session by its own amount, meet as much.

    Parameters
    ----------
    sums : sequence of float64 arrays
        From `shift_sums`, one a session.
    draws : int
        Most arrangements looked at, where there are more than that.
    seed, name
        Key the generator, as in `generator_of`.
    enough : int
        Drawing ends when so many arrangements gave as much: p is then large and known well enough.

    Returns
    -------
    Chance

    Notes
    -----
    The total over sessions of a - n1 m1 / n is the numerator of the Mantel-Haenszel test. Ending early and still
    having a valid p: Besag & Clifford 1991, Biometrika 78:301-304; the observed one counted among the arrangements:
    Davison & Hinkley 1997, section 4.2.
    """
    rows = [row for row in sums if row.size > 1]
    if not rows:
        return Chance(p=1.0, least=1.0, looked_at=1, exact=True)
    seen = sum(float(row[0]) for row in rows)
    count = math.prod(row.size for row in rows)
    if count <= min(draws, ENUMERATED):
        every = np.zeros(1)
        for row in rows:
            every = (every[:, None] + row[None, :]).ravel()
        return _of_all(every, seen)
    generator = generator_of(seed, f"shift {name}")
    sizes = np.array([row.size for row in rows])
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    flat = np.concatenate(rows)

    def draw(n: int) -> F64:
        moved = (generator.random((n, sizes.size)) * sizes).astype(np.int64)
        return np.asarray(flat[starts + moved].sum(axis=1))

    return _of_draws(draw, seen, draws=draws, enough=enough, scale=float(np.abs(flat).max()), count=count)


def label_chance(excess: ArrayLike, inside: ArrayLike, block: ArrayLike, *, draws: int, seed: int, name: str) -> Chance:
    """How often sessions that change places within their participant give as much.

    Parameters
    ----------
    excess : array-like, shape (k,)
        Of each session: seconds in the state less those that the participant's own share would give.
    inside : bool array-like, shape (k,)
        Which sessions are under the condition.
    block : int array-like, shape (k,)
        Within which sessions may change places (the participant); all 0 where participants themselves do.
    draws, seed, name
        As in `shift_chance`.

    Returns
    -------
    Chance
        All arrangements where there are at most 20,000, else as many as drawn and the observed one.

    Raises
    ------
    DataError
        If the three differ in length.
    """
    values, side, where = np.asarray(excess, dtype=np.float64), np.asarray(inside, dtype=bool), np.asarray(block)
    if values.ndim != 1 or not values.shape == side.shape == where.shape:
        raise DataError(f"expected three columns of one length, got {values.shape}, {side.shape}, {where.shape}")
    names, index = np.unique(where, return_inverse=True)
    size, inside_of = np.bincount(index, minlength=names.size), np.bincount(index[side], minlength=names.size)
    moving = ((inside_of > 0) & (inside_of < size))[index]  # elsewhere no exchange makes a difference
    if not moving.any():
        return Chance(p=1.0, least=1.0, looked_at=1, exact=True)
    away = (values - (np.bincount(index, weights=values) / size)[index])[moving]
    side, where = side[moving], where[moving]
    draws = min(draws, max(999, _LABELS_HELD // side.size))
    labels, enumerated = _dealt(side.tobytes(), where.astype(np.int64).tobytes(), seed, f"labels {name}", draws)
    every = labels @ away
    if enumerated:
        return _of_all(every, float(side @ away))
    slack = 1e-9 * max(1e-12, float(np.abs(every).max()))
    as_much = float(np.mean(np.abs(every) >= abs(float(every[0])) - slack))
    return Chance(p=as_much, least=1.0 / every.size, looked_at=every.size, exact=False)


@functools.lru_cache(maxsize=2)
def _dealt(side: bytes, where: bytes, seed: int, name: str, draws: int) -> tuple[NDArray[np.bool_], bool]:
    """Labels dealt out again; the same condition is asked about one state after another."""
    marked, block = np.frombuffer(side, dtype=np.bool_), np.frombuffer(where, dtype=np.int64)
    return relabelled(marked, block, seed=seed, name=name, most=ENUMERATED, draws=draws)


def _of_all(every: F64, seen: float) -> Chance:
    slack = 1e-9 * max(1e-12, float(np.abs(every).max()))
    as_much = float(np.mean(np.abs(every) >= abs(seen) - slack))
    least = float(np.mean(np.abs(every) >= float(np.abs(every).max()) - slack))
    return Chance(p=as_much, least=least, looked_at=every.size, exact=True)


def _of_draws(draw: Callable[[int], F64], seen: float, *, draws: int, enough: int, scale: float, count: int) -> Chance:
    slack = 1e-9 * max(1e-12, scale)
    least = 1.0 / min(draws + 1, count)  # of large studies count does not fit a float
    hits = done = 0
    while done < draws:
        n = min(BLOCK, draws - done)
        as_much = np.flatnonzero(np.abs(draw(n)) >= abs(seen) - slack)
        if hits + as_much.size >= enough:
            at = done + int(as_much[enough - hits - 1]) + 1
            return Chance(p=enough / at, least=least, looked_at=at, exact=False)
        hits, done = hits + as_much.size, done + n
    return Chance(p=(hits + 1) / (done + 1), least=least, looked_at=done, exact=False)


def holm(p: ArrayLike) -> F64:
    """Values of p adjusted for their number.

    Parameters
    ----------
    p : array-like, shape (m,)

    Returns
    -------
    float64 array, shape (m,)
        In the same order; each at most 1. The chance of any false claim among them is kept (Holm 1979, Scand J Stat
        6:65-70), whatever they have to do with one another.
    """
    values = np.asarray(p, dtype=np.float64)
    order = np.argsort(values, kind="stable")
    stepped = values[order] * np.arange(values.size, 0, -1)
    out = np.empty(values.size)
    out[order] = np.minimum(1.0, np.maximum.accumulate(stepped)) if values.size else stepped
    return out
