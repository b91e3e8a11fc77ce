"""Hidden Markov chain whose transitions part into leaving and arriving, decoded exactly in blocks.

Leaving depends on where the chain is, arriving on where it goes: ``P(j | i) = stay_i [i = j] + leave_i enter_j``. One
competition a step then replaces K x K comparisons. The recursion is run for all blocks of a session side by side, each
from every possible first state, and the blocks are then joined: the answer is that of the plain step-by-step
recursion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = ["Decoded", "decode"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Decoded:
    """Most probable path, shape (n,), and the posterior probability of each state, shape (n, K)."""

    path: I64
    posterior: F64


def decode(log_emission: F64, stay: F64, enter: F64, first: F64, *, again: F64 | None = None) -> Decoded:
    """Decode a chain: Viterbi path and forward-backward posterior.

    Parameters
    ----------
    log_emission : float64 array, shape (n, K)
        Log density of each reading in each state; a row of zeros says nothing.
    stay : float64 array, shape (n, K)
        Probability of not leaving between the reading before and this one; row 0 is not used.
    enter : float64 array, shape (K,)
        Where a chain that left arrives; sums to one.
    first : float64 array, shape (K,)
        Distribution of the first state.
    again : float64 array, shape (n, K), optional
        Log density of each reading where the state was the same at the reading before: a state that remembers. Row 0
        is not used. As ``log_emission`` where it is not given.

    Returns
    -------
    Decoded

    Raises
    ------
    DataError
        If the shapes do not fit.

    Notes
    -----
    Rabiner 1989, Proc IEEE 77:257-286, with the structured transition above.
    """
    n, k = log_emission.shape if log_emission.ndim == 2 else (0, 0)
    if stay.shape != (n, k) or enter.shape != (k,) or first.shape != (k,):
        raise DataError(
            f"expected emissions and stay of one shape (n, K) and enter, first of shape (K,), got "
            f"{log_emission.shape}, {stay.shape}, {enter.shape}, {first.shape}"
        )
    if n == 0:
        return Decoded(path=np.zeros(0, dtype=np.int64), posterior=np.zeros((0, k)))
    length = max(1, math.isqrt(n))
    blocks = -(-n // length)
    padded = blocks * length
    # Padding stays where it is and says nothing, so it changes nothing.
    arrive, remain, keep = np.zeros((padded, k)), np.zeros((padded, k)), np.ones((padded, k))
    keep[:n] = stay
    keep[0] = 1.0
    highest = log_emission.max(axis=1, keepdims=True)
    if again is None:
        arrive[:n] = log_emission - highest
        remain[:n] = arrive[:n]
    else:
        highest = np.maximum(highest, again.max(axis=1, keepdims=True))
        highest[0] = log_emission[0].max()
        arrive[:n] = log_emission - highest
        remain[:n] = again - highest
        remain[0] = arrive[0]
    with np.errstate(divide="ignore"):
        remain += np.log(keep)
        log_leave, log_enter = np.log1p(-keep), np.log(enter)
    shape = (blocks, length, k)
    arrive, remain, log_leave = arrive.reshape(shape), remain.reshape(shape), log_leave.reshape(shape)
    path = _viterbi(arrive, remain, log_leave, log_enter, np.log(np.maximum(first, 1e-300)))[:n]
    posterior = _posterior(np.exp(arrive), np.exp(remain), 1.0 - keep.reshape(shape), enter, first)[:n]
    return Decoded(path=path, posterior=posterior)


def _viterbi(arrive: F64, remain: F64, log_leave: F64, log_enter: F64, log_first: F64) -> I64:
    blocks, length, k = arrive.shape
    rows = np.arange(blocks)
    arrive = arrive + log_enter
    # Best score of each block from each state before it to each state at its end.
    table = np.full((blocks, k, k), -np.inf)
    table[:, np.arange(k), np.arange(k)] = 0.0
    for t in range(length):
        jump = (table + log_leave[:, t, None, :]).max(axis=2)
        table = np.maximum(table + remain[:, t, None, :], jump[:, :, None] + arrive[:, t, None, :])
    score = np.empty((blocks, k))
    entry = log_first
    for b in range(blocks):
        score[b] = entry
        entry = (entry[:, None] + table[b]).max(axis=0)
        entry = entry - entry.max()
    # Known scores before each block: run once more, this time keeping where each state came from.
    origin = np.empty((length, blocks, k), dtype=np.int8)
    for t in range(length):
        left = score + log_leave[:, t]
        best = np.argmax(left, axis=1)
        jump = left[rows, best][:, None] + arrive[:, t]
        stayed = score + remain[:, t]
        came = jump > stayed
        origin[t] = np.where(came, best[:, None], np.arange(k))
        score = np.where(came, jump, stayed)
    last = np.empty(blocks, dtype=np.int64)
    # From each last state of a block back to the state before it, then along the blocks.
    back = np.broadcast_to(np.arange(k), (blocks, k)).copy()
    for t in range(length - 1, -1, -1):
        back = np.take_along_axis(origin[t].astype(np.int64), back, axis=1)
    last[-1] = int(np.argmax(score[-1]))
    for b in range(blocks - 1, 0, -1):
        last[b - 1] = back[b, last[b]]
    path = np.empty((blocks, length), dtype=np.int64)
    state = last
    for t in range(length - 1, -1, -1):
        path[:, t] = state
        state = origin[t][rows, state].astype(np.int64)
    return path.reshape(-1)


def _posterior(arrive: F64, remain: F64, leave: F64, enter: F64, first: F64) -> F64:
    blocks, length, k = arrive.shape
    arrive = arrive * enter
    forward = np.zeros((blocks, k, k))
    forward[:, np.arange(k), np.arange(k)] = 1.0
    for t in range(length):
        jump = (forward * leave[:, t, None, :]).sum(axis=2)
        forward = forward * remain[:, t, None, :] + jump[:, :, None] * arrive[:, t, None, :]
        forward /= np.maximum(forward.max(axis=(1, 2), keepdims=True), 1e-300)
    before = np.empty((blocks, k))
    entry = first / first.sum()
    for b in range(blocks):
        before[b] = entry
        entry = entry @ forward[b]
        entry = entry / max(entry.sum(), 1e-300)
    after = np.empty((blocks, k))
    # Probability of what follows a block, given the state at its end: the same products, from the right.
    entry = np.ones(k)
    for b in range(blocks - 1, -1, -1):
        after[b] = entry
        entry = forward[b] @ entry
        entry = entry / max(entry.max(), 1e-300)
    alpha = np.empty((length, blocks, k))
    row = before
    for t in range(length):
        jump = (row * leave[:, t]).sum(axis=1)
        row = row * remain[:, t] + jump[:, None] * arrive[:, t]
        row = row / np.maximum(row.sum(axis=1, keepdims=True), 1e-300)
        alpha[t] = row
    out = np.empty((blocks, length, k))
    row = after
    for t in range(length - 1, -1, -1):
        both = alpha[t] * row
        out[:, t] = both / np.maximum(both.sum(axis=1, keepdims=True), 1e-300)
        row = row * remain[:, t] + leave[:, t] * (row * arrive[:, t]).sum(axis=1)[:, None]
        row = row / np.maximum(row.max(axis=1, keepdims=True), 1e-300)
    return out.reshape(-1, k)
