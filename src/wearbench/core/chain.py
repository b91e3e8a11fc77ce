"""Hidden Markov chain whose transitions part into leaving and arriving, decoded exactly in blocks.

Leaving depends on where the chain is, arriving on where it goes: ``P(j | i) = stay_i [i = j] + leave_i enter_j``. One
competition a step then replaces K x K comparisons. The recursion is run for all blocks of a session side by side, each
from every possible first state, and the blocks are then joined: the answer is that of the plain step-by-step
recursion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = ["Decoded", "decode"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_LEAST: Final = 1e-300


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
    # Padding stays where it is and says nothing, so it changes nothing.
    arrive, remain, keep = (np.full((blocks * length, k), value) for value in (0.0, 0.0, 1.0))
    keep[1:n] = stay[1:]
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

    def side_by_side(rows: F64) -> F64:
        """Blocks last, so that one step goes through all of them in a stretch of memory."""
        return np.ascontiguousarray(rows.reshape(blocks, length, k).transpose(1, 2, 0))

    arrive += log_enter
    logs = _Chain(arrive=side_by_side(arrive), remain=side_by_side(remain), leave=side_by_side(log_leave))
    plain = _Chain(arrive=np.exp(logs.arrive), remain=np.exp(logs.remain), leave=side_by_side(1.0 - keep))
    path = _viterbi(logs, np.log(np.maximum(first, 1e-300)))[:n]
    return Decoded(path=path, posterior=_posterior(plain, first)[:n])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Chain:
    """Weights of arriving in a state (where it goes, what is seen there), of remaining and of leaving.

    Arrays of shape (length, K, blocks).
    """

    arrive: F64
    remain: F64
    leave: F64


def _viterbi(chain: _Chain, log_first: F64) -> I64:
    length, k, blocks = chain.arrive.shape
    # Best score of each block from each state before it (first axis) to each state at its end.
    table = np.full((k, k, blocks), -np.inf)
    table[np.arange(k), np.arange(k)] = 0.0
    spare, jump = np.empty_like(table), np.empty((k, blocks))
    for arrive, remain, leave in zip(chain.arrive, chain.remain, chain.leave, strict=True):
        np.add(table, leave, out=spare)
        np.maximum.reduce(spare, axis=1, out=jump)
        table += remain
        np.add(jump[:, None, :], arrive, out=spare)
        np.maximum(table, spare, out=table)
    score = np.empty((k, blocks))
    entry = log_first
    for b, joined in enumerate(np.ascontiguousarray(table.transpose(2, 0, 1))):
        score[:, b] = entry
        entry = np.maximum.reduce(entry[:, None] + joined, axis=0)
        entry -= entry.max()
    # Known scores before each block: run once more, this time keeping where each state came from.
    origin = np.empty((length, k, blocks), dtype=np.int64)
    columns, own = np.arange(blocks), np.arange(k)[:, None]
    for t in range(length):
        left = score + chain.leave[t]
        best = left.argmax(axis=0)
        jump = left[best, columns] + chain.arrive[t]
        score += chain.remain[t]
        origin[t] = np.where(jump > score, best, own)
        np.maximum(score, jump, out=score)
    # From each last state of a block back to the state before it, then along the blocks.
    flat = origin.reshape(length, -1)
    back = np.broadcast_to(own, (k, blocks))
    for t in range(length - 1, -1, -1):
        back = flat[t].take(back * blocks + columns)
    last = [int(np.argmax(score[:, -1]))]
    for before in back.T[:0:-1].tolist():
        last.append(before[last[-1]])
    path = np.empty((blocks, length), dtype=np.int64)
    state = np.array(last[::-1], dtype=np.int64)
    for t in range(length - 1, -1, -1):
        path[:, t] = state
        state = flat[t].take(state * blocks + columns)
    return path.reshape(-1)


def _posterior(chain: _Chain, first: F64) -> F64:
    length, k, blocks = chain.arrive.shape
    table = np.zeros((k, k, blocks))
    table[np.arange(k), np.arange(k)] = 1.0
    spare, jump = np.empty_like(table), np.empty((k, blocks))
    for arrive, remain, leave in zip(chain.arrive, chain.remain, chain.leave, strict=True):
        np.multiply(table, leave, out=spare)
        np.add.reduce(spare, axis=1, out=jump)
        table *= remain
        np.multiply(jump[:, None, :], arrive, out=spare)
        table += spare
        table /= np.maximum(np.maximum.reduce(table, axis=(0, 1)), _LEAST)
    # Before a block, what came; after it, the probability of what follows, given its last state.
    joined = np.ascontiguousarray(table.transpose(2, 0, 1))
    ends = np.empty((2, k, blocks))
    entry, rest = first / first.sum(), np.ones(k)
    for b in range(blocks):
        ends[0, :, b] = entry
        entry = entry @ joined[b]
        entry = entry / max(float(entry.sum()), _LEAST)
        ends[1, :, -1 - b] = rest
        rest = joined[-1 - b] @ rest
        rest = rest / max(float(rest.max()), _LEAST)
    # Forwards from the left and backwards from the right are the same steps, with leaving and arriving exchanged.
    forward, backward = np.empty((length, k, blocks)), np.empty((length, k, blocks))
    out_of = np.stack([chain.leave, chain.arrive[::-1]], axis=1)
    into = np.stack([chain.arrive, chain.leave[::-1]], axis=1)
    remain = np.stack([chain.remain, chain.remain[::-1]], axis=1)
    row = ends
    for t in range(length):
        backward[-1 - t] = row[1]
        jump = np.add.reduce(row * out_of[t], axis=1)
        row = row * remain[t]
        row += jump[:, None, :] * into[t]
        row /= np.maximum(np.maximum.reduce(row, axis=1), _LEAST)[:, None, :]
        forward[t] = row[0]
    forward *= backward
    forward /= np.maximum(forward.sum(axis=1), _LEAST)[:, None, :]
    return forward.transpose(2, 0, 1).reshape(-1, k)
