"""Two records of one recorder laid over one another: by what they say, not by when their clocks say it.

Beats are matched by the sequence of their intervals, readings by their stamps or by the sequence of their values, so
that two phones whose clocks differ by a constant are compared beat by beat.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = [
    "Matched",
    "Merged",
    "match_sequences",
    "match_stamps",
    "merge_sequences",
    "merge_stamped",
    "shifted_stamps",
]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

_READABLE_MS: Final = 3000.0
_NEIGHBOURS: Final = 15
_FRINGE: Final = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class Matched:
    """Which items of two sequences are the same item; arrays of shape (m,), increasing.

    ``same`` says where the two also agree about its value.
    """

    first: I64
    second: I64
    same: B8


@dataclass(frozen=True, kw_only=True, slots=True)
class Merged:
    """One sequence made of two; arrays of shape (n,).

    ``from_second`` says where the second was taken, ``index`` is the place in the one taken.
    """

    from_second: B8
    index: I64

    @property
    def n_filled(self) -> int:
        """Items taken from the second."""
        return int(np.count_nonzero(self.from_second))


def match_sequences(first: F64, second: F64, *, tolerance: float, width: int = 8) -> Matched:
    """Match two sequences by their values alone, in order.

    Parameters
    ----------
    first, second : float64 arrays, shapes (n,) and (m,)
        Such as RR intervals in ms; NaN matches NaN.
    tolerance : float
        Values this close are the same.
    width : int
        Items in a row that make a place recognisable.

    Returns
    -------
    Matched
        Empty where nothing is in common. Items between two matched stretches that are equally long on both sides are
        matched too, with ``same`` false where they differ.

    Notes
    -----
    Runs of ``width`` values that occur once in each are anchors; the longest set of anchors in the same order on both
    sides is kept (the idea of patience differences of texts; common practice, no source) and grown while values agree.
    Where exact runs cover less than half, runs twice as long of values cut to eight tolerances are tried as well: two
    apps may round one interval differently.
    """
    n, m = first.size, second.size
    if min(n, m) < 3:
        return _matched([], first, second, tolerance)
    best = _blocks(first, second, grain=tolerance, width=min(width, n, m), tolerance=tolerance)
    if sum(length for _, _, length in best) < 0.5 * min(n, m):
        other = _blocks(first, second, grain=8 * tolerance, width=min(2 * width, n, m), tolerance=tolerance)
        best = max(best, other, key=lambda blocks: sum(length for _, _, length in blocks))
    return _matched(best, first, second, tolerance)


def _matched(blocks: list[tuple[int, int, int]], first: F64, second: F64, tolerance: float) -> Matched:
    none = np.zeros(0, dtype=np.int64)
    a = np.concatenate([none, *(np.arange(i, i + length) for i, _, length in blocks)])
    b = np.concatenate([none, *(np.arange(j, j + length) for _, j, length in blocks)])
    return Matched(first=a, second=b, same=_same(first[a], second[b], tolerance))


def _same(a: F64, b: F64, tolerance: float) -> B8:
    with np.errstate(invalid="ignore"):
        same: B8 = (np.abs(a - b) <= tolerance) | (np.isnan(a) & np.isnan(b))
    return same


def _blocks(first: F64, second: F64, *, grain: float, width: int, tolerance: float) -> list[tuple[int, int, int]]:
    """Stretches in common: (place in first, place in second, length), in order and apart."""
    at_a, at_b = _anchors(first, second, grain=grain, width=width)
    blocks: list[tuple[int, int, int]] = []
    diagonal = at_a - at_b
    edges = np.flatnonzero(np.diff(diagonal)) + 1
    for run in np.split(np.arange(at_a.size), edges):
        if run.size:
            i, j = int(at_a[run[0]]), int(at_b[run[0]])
            blocks.append((i, j, int(at_a[run[-1]]) + width - i))
    out: list[tuple[int, int, int]] = []
    end_a = end_b = 0
    for number, (start_a, start_b, long) in enumerate(blocks):
        # Anchors overlap where one item was lost: the later stretch starts behind the earlier one.
        cut = max(end_a - start_a, end_b - start_b, 0)
        if cut >= long:
            continue
        i, j, length = start_a + cut, start_b + cut, long - cut
        back = _common(first[end_a:i][::-1], second[end_b:j][::-1], tolerance)
        i, j, length = i - back, j - back, length + back
        next_a, next_b = blocks[number + 1][:2] if number + 1 < len(blocks) else (first.size, second.size)
        length += _common(first[i + length : max(next_a, 0)], second[j + length : max(next_b, 0)], tolerance)
        out.append((i, j, length))
        end_a, end_b = i + length, j + length
    return _with_fringes(out, first.size, second.size)


def _with_fringes(blocks: list[tuple[int, int, int]], n: int, m: int) -> list[tuple[int, int, int]]:
    """A few items left over at an end, equally many on both sides, are the same items with other values."""
    if blocks:
        i, j, length = blocks[0]
        if i == j and 0 < i <= _FRINGE:
            blocks[0] = (0, 0, length + i)
        i, j, length = blocks[-1]
        if n - i == m - j and 0 < n - i - length <= _FRINGE:
            blocks[-1] = (i, j, n - i)
    return blocks


def _common(a: F64, b: F64, tolerance: float) -> int:
    """How many items agree from the start on."""
    n = min(a.size, b.size)
    if n == 0:
        return 0
    differs = ~_same(a[:n], b[:n], tolerance)
    return int(np.argmax(differs)) if differs.any() else n


def _anchors(first: F64, second: F64, *, grain: float, width: int) -> tuple[I64, I64]:
    """Places of runs that occur once in each, as many as are in the same order on both sides."""
    keys_a, keys_b = _run_keys(first, grain, width), _run_keys(second, grain, width)
    once_a, where_a = _once(keys_a)
    once_b, where_b = _once(keys_b)
    _, in_a, in_b = np.intersect1d(once_a, once_b, assume_unique=True, return_indices=True)
    at_a, at_b = where_a[in_a], where_b[in_b]
    order = np.argsort(at_a)
    at_a, at_b = at_a[order], at_b[order]
    if at_b.size and not bool(np.all(np.diff(at_b) > 0)):
        kept = _longest_increasing(at_b)
        at_a, at_b = at_a[kept], at_b[kept]
    return at_a, at_b


def _run_keys(values: F64, grain: float, width: int) -> NDArray[np.uint64]:
    """One number for each run of ``width`` values (a polynomial modulo 2**64)."""
    whole = np.rint(np.nan_to_num(values, nan=-1e6) / grain).astype(np.int64).astype(np.uint64)
    n = values.size - width + 1
    out = np.zeros(max(n, 0), dtype=np.uint64)
    for j in range(width):
        out = out * np.uint64(0x9E3779B97F4A7C15) + (whole[j : j + n] ^ (whole[j : j + n] << np.uint64(31)))
    return out


def _once(keys: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], I64]:
    unique, where, count = np.unique(keys, return_index=True, return_counts=True)
    return unique[count == 1], where[count == 1].astype(np.int64)


def _longest_increasing(values: I64) -> I64:
    """Places of a longest increasing subsequence (patience sorting)."""
    tails: list[int] = []
    at_tail: list[int] = []
    before = np.full(values.size, -1, dtype=np.int64)
    for i, value in enumerate(values.tolist()):
        pile = bisect_left(tails, value)
        before[i] = at_tail[pile - 1] if pile else -1
        if pile == len(tails):
            tails.append(value)
            at_tail.append(i)
        else:
            tails[pile] = value
            at_tail[pile] = i
    out: list[int] = []
    at = at_tail[-1] if at_tail else -1
    while at >= 0:
        out.append(at)
        at = int(before[at])
    return np.array(out[::-1], dtype=np.int64)


def match_stamps(first_ms: I64, second_ms: I64, first: F64, second: F64, *, tolerance: float = 1e-6) -> Matched:
    """Match readings that bear the same stamp.

    Parameters
    ----------
    first_ms, second_ms : int64 arrays, shapes (n,) and (m,)
        Of repeated stamps the first one counts.
    first, second : float64 arrays
        The values.
    tolerance : float
        Values this close are the same.

    Returns
    -------
    Matched
    """
    _, a, b = np.intersect1d(first_ms, second_ms, return_indices=True)
    a, b = a.astype(np.int64), b.astype(np.int64)
    return Matched(first=a, second=b, same=_same(first[a], second[b], tolerance))


def merge_sequences(first_ms: F64, second_ms: F64, matched: Matched) -> Merged:
    """Fill what one sequence of intervals lacks from the other.

    Parameters
    ----------
    first_ms, second_ms : float64 arrays, shapes (n,) and (m,)
        Intervals in ms. The first goes before the second.
    matched : Matched
        At least one match; else see ``Raises``.

    Returns
    -------
    Merged
        Where only one has intervals between two matched beats, those; where both have others, those of the one
        whose readable intervals (up to 3 s) fill more time, the first if it is within 5 %.

    Raises
    ------
    DataError
        If nothing is matched: the sequences alone do not say where the second belongs.
    """
    if matched.first.size == 0:
        raise DataError("expected sequences with something in common, got none")
    firsts, seconds = matched.first, matched.second
    pieces: list[tuple[bool, int, int]] = []
    begin = 0
    jumps = np.flatnonzero((np.diff(firsts) != 1) | (np.diff(seconds) != 1)) + 1
    i = j = 0
    for end in [*jumps.tolist(), firsts.size]:
        _between(pieces, first_ms, second_ms, (i, int(firsts[begin])), (j, int(seconds[begin])))
        pieces.append((False, int(firsts[begin]), int(firsts[end - 1]) + 1))
        i, j = int(firsts[end - 1]) + 1, int(seconds[end - 1]) + 1
        begin = end
    _between(pieces, first_ms, second_ms, (i, first_ms.size), (j, second_ms.size))
    return Merged(
        from_second=np.concatenate([np.full(high - low, second) for second, low, high in pieces]),
        index=np.concatenate([np.arange(low, high, dtype=np.int64) for _, low, high in pieces]),
    )


def _between(
    pieces: list[tuple[bool, int, int]], first_ms: F64, second_ms: F64, a: tuple[int, int], b: tuple[int, int]
) -> None:
    fill_a, fill_b = _readable(first_ms[a[0] : a[1]]), _readable(second_ms[b[0] : b[1]])
    take_second = b[1] > b[0] and (a[1] == a[0] or fill_b > 1.05 * fill_a)
    low, high = b if take_second else a
    if high > low:
        pieces.append((take_second, low, high))


def _readable(interval_ms: F64) -> float:
    good = np.isfinite(interval_ms) & (interval_ms > 0) & (interval_ms <= _READABLE_MS)
    return float(interval_ms[good].sum())


def shifted_stamps(second_ms: I64, matched: Matched, first_ms: I64) -> I64:
    """Stamps of the second sequence on the clock of the first.

    Parameters
    ----------
    second_ms, first_ms : int64 arrays
        Stamps of the two.
    matched : Matched
        At least one match.

    Returns
    -------
    int64 array, shape of ``second_ms``
        Moved by the median difference of some thirty matched items around each: clocks may drift apart.
    """
    away = (first_ms[matched.first] - second_ms[matched.second]).astype(np.float64)
    at = np.searchsorted(matched.second, np.arange(second_ms.size))
    low = np.clip(at - _NEIGHBOURS, 0, max(0, away.size - 2 * _NEIGHBOURS))
    width = min(2 * _NEIGHBOURS, away.size)
    medians = np.median(np.lib.stride_tricks.sliding_window_view(away, width), axis=1)
    return second_ms + np.rint(medians[np.minimum(low, medians.size - 1)]).astype(np.int64)


def merge_stamped(first_ms: I64, second_ms: I64, first: F64, second: F64, matched: Matched) -> Merged:
    """Fill what one series of readings lacks from the other, in order of time.

    Parameters
    ----------
    first_ms, second_ms : int64 arrays, shapes (n,) and (m,)
        Stamps on one clock.
    first, second : float64 arrays
        Values; the first goes before the second, but a matched value that is NaN gives way to one that is not.
    matched : Matched

    Returns
    -------
    Merged
        A reading of the second that matches none is taken where the first has no reading within half of its own usual
        interval.
    """
    usual = float(np.median(np.diff(np.unique(first_ms)))) if np.unique(first_ms).size > 1 else 0.0
    lone = np.ones(second_ms.size, dtype=bool)
    lone[matched.second] = False
    ordered = np.sort(first_ms)
    at = np.searchsorted(ordered, second_ms)
    distance = np.full(second_ms.size, np.inf)
    if ordered.size:
        after = np.abs(ordered[np.minimum(at, ordered.size - 1)] - second_ms)
        before = np.abs(ordered[np.maximum(at - 1, 0)] - second_ms)
        distance = np.minimum(after, before).astype(np.float64)
    taken = np.flatnonzero(lone & (distance > max(0.5 * usual, 0.0)))
    better = np.isnan(first[matched.first]) & ~np.isnan(second[matched.second])
    from_second = np.concatenate([np.zeros(first_ms.size, dtype=bool), np.ones(taken.size, dtype=bool)])
    index = np.concatenate([np.arange(first_ms.size, dtype=np.int64), taken])
    time = np.concatenate([first_ms, second_ms[taken]])
    from_second[matched.first[better]] = True
    index[matched.first[better]] = matched.second[better]
    order = np.argsort(time, kind="stable")
    return Merged(from_second=from_second[order], index=index[order])
