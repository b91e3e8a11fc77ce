"""The likeliest row of heart beats through candidates, each with its evidence: dynamic programming over the rhythm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["best_row"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]
I64 = NDArray[np.int64]

_SHORTEST_S: Final = 0.26  # 230 beats a minute
_LONGEST_S: Final = 2.2  # 27 beats a minute
_BINS: Final = 64
_SPREAD: Final = 0.05  # usual change of log RR from beat to beat
_MISS: Final = 1.5  # cost of a beat that left no candidate
_OPEN: Final = 6.0  # added where nothing could have hidden it
_BREAK: Final = 9.0  # cost of losing the rhythm altogether
_SPAN_S: Final = 3.6
_HOPELESS: Final = -3.0
_PIECE_S: Final = 1200.0
_HIDDEN_HZ: Final = 100.0

_GRID: Final = np.linspace(np.log(_SHORTEST_S), np.log(_LONGEST_S), _BINS)
_LEAP: Final = 0.35  # beyond this a change is not the heart's
_STEP: Final = np.abs(_GRID[:, None] - _GRID[None, :])
_CHANGE: Final = np.log1p((_STEP / _SPREAD) ** 2) + (_STEP / _LEAP) ** 2


@dataclass(frozen=True, kw_only=True, slots=True)
class _Links:
    """Every pair of candidates that may be successive beats, for each later one in turn (``begin`` to the next).

    ``state`` is the earlier candidate and the bin of the interval, flattened; ``cell`` the bin alone; ``gone`` the
    beats without trace between the two and ``cost`` what they cost. ``last`` counts candidates that end early enough.
    """

    begin: list[int]
    state: I64
    cell: I64
    gone: I64
    cost: F64
    last: I64


def _links(time_s: F64, hidden: B) -> _Links:
    n = time_s.size
    first = np.searchsorted(time_s, time_s - _SPAN_S)
    last = np.searchsorted(time_s, time_s - _SHORTEST_S, side="right")
    count = np.maximum(last - first, 0)
    later = np.repeat(np.arange(n), count)
    earlier = np.arange(later.size) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    step = np.log(time_s[later] - time_s[earlier])
    gone = np.arange(3)
    steps = step[:, None] - np.log(gone + 1.0)[None, :]
    cells = np.rint((steps - _GRID[0]) / (_GRID[1] - _GRID[0])).astype(np.int64)
    fits = (cells >= 0) & (cells < _BINS)
    wide = np.broadcast_to(gone[None, :], cells.shape)[fits].astype(np.int64)
    cell = cells[fits]
    cost = _MISS * gone[None, :] + _OPEN * _in_the_open(time_s[earlier], time_s[later], hidden)
    kept = np.bincount(np.broadcast_to(later[:, None], cells.shape)[fits], minlength=n)
    return _Links(
        begin=[0, *np.cumsum(kept).tolist()],
        state=np.broadcast_to(earlier[:, None], cells.shape)[fits] * _BINS + cell,
        cell=cell,
        gone=wide,
        cost=cost[fits],
        last=last,
    )


def _in_the_open(from_s: F64, to_s: F64, hidden: B) -> F64:
    """Of 0, 1 or 2 beats lost between two candidates, how many fall where nothing could have hidden them."""
    count = np.zeros((from_s.size, 3))
    for column, share in ((1, 1 / 2), (2, 1 / 3), (2, 2 / 3)):
        at = np.rint((from_s + share * (to_s - from_s)) * _HIDDEN_HZ).astype(np.int64)
        count[:, column] += ~hidden[np.clip(at, 0, hidden.size - 1)]
    return count


def _rhythm(time_s: F64, evidence: F64, hidden: B) -> tuple[I64, I64]:
    """Best row of beats through the candidates: their places and how many beats were lost just before each.

    The score of a row is the evidence of its beats, less the cost of each change of log RR (a Cauchy law: many small
    changes, few large ones), of each beat without candidate (up to two in a row) and of each break.
    """
    n = time_s.size
    if n == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    links = _links(time_s, hidden)
    seen = np.empty((n, _BINS))  # best score of a row ending at a candidate, by the bin of the interval to come
    flat = seen.reshape(-1)
    came = np.empty((n, _BINS), dtype=np.int64)
    origin = np.empty((n, _BINS), dtype=np.int64)
    best_score = np.zeros(n + 1)
    best_state = np.full(n + 1, -1, dtype=np.int64)
    rows = np.arange(_BINS)
    scores = np.empty((_BINS, _BINS))
    for j in range(n):
        before = int(links.last[j])
        score = np.full(_BINS, best_score[before] - (_BREAK if before else 0.0))
        back = origin[j]
        back.fill(-1)
        a, b = links.begin[j], links.begin[j + 1]
        if b > a:
            value = flat[links.state[a:b]] - links.cost[a:b]
            order = value.argsort()
            order = order[value[order] > score[0]]
            cell = links.cell[a:b][order]
            score[cell] = value[order]  # the last written, the highest, stays
            back[cell] = a + order
        score += evidence[j]
        np.subtract(score, _CHANGE, out=scores)
        pick = came[j]
        scores.argmax(axis=1, out=pick)
        seen[j] = scores[rows, pick]
        top = int(score.argmax())
        if score[top] > best_score[j]:
            best_score[j + 1], best_state[j + 1] = score[top], j * _BINS + top
        else:
            best_score[j + 1], best_state[j + 1] = best_score[j], best_state[j]
    places: list[int] = []
    gone_before: list[int] = []
    state = int(best_state[n])
    while state >= 0:
        j, cell_j = divmod(state, _BINS)
        places.append(j)
        link = int(origin[j, cell_j])
        if link < 0:
            gone_before.append(-1)
            state = int(best_state[int(links.last[j])])
        else:
            gone_before.append(int(links.gone[link]))
            source, following = divmod(int(links.state[link]), _BINS)
            state = source * _BINS + int(came[source, following])
    return np.array(places[::-1], dtype=np.int64), np.array(gone_before[::-1], dtype=np.int64)


def best_row(time_s: F64, evidence: F64, hidden: B) -> tuple[I64, I64]:
    """Find the row of beats that best fits the evidence and a steady rhythm.

    Parameters
    ----------
    time_s, evidence : float64 arrays, shape (n,)
        Increasing seconds of the candidates, and the log odds that each is a beat.
    hidden : bool array, shape (m,)
        At 100 values a second from second 0: whether a beat there could have gone unseen (noise, a rail). Losing a
        beat where nothing hides it is dear.

    Returns
    -------
    tuple of int64 arrays, shape (k,)
        Places of the beats among the candidates, and how many beats were lost just before each (-1: the rhythm was
        lost).

    Notes
    -----
    Own method: exact best path over (candidate, length of the last interval in 64 steps of 3.4 %), with a Cauchy law
    for the change of log RR. Long recordings go piece by piece to bound the memory; pieces meet at a beat of both.
    """
    hopeful = np.flatnonzero(evidence > _HOPELESS)  # worse than a beat without trace
    time_s, evidence = time_s[hopeful], evidence[hopeful]
    pieces: list[I64] = [np.empty(0, dtype=np.int64)]
    flags: list[I64] = [np.empty(0, dtype=np.int64)]
    begin = 0
    while begin < time_s.size:
        end = int(np.searchsorted(time_s, time_s[begin] + _PIECE_S, side="right"))
        places, gone = _rhythm(time_s[begin:end], evidence[begin:end], hidden)
        places = places + begin
        following = end
        if end < time_s.size and places.size > 40:
            # the last beats lack the future: leave them to the next piece, which begins at one of them
            places, gone = places[:-20], gone[:-20]
            following = max(int(places[-1]), begin + 1)
        if pieces[-1].size and places.size:
            keep = places > pieces[-1][-1]
            places, gone = places[keep], gone[keep]
        pieces.append(places)
        flags.append(gone)
        begin = following
    return hopeful[np.concatenate(pieces)], np.concatenate(flags)
