"""RR artefacts: which intervals are not one heart beat long, and what stands in their place.

Classification after Lipponen & Tarvainen 2019; mending keeps the total time, so that beat times stay where they were.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = [
    "ECTOPIC",
    "EXTRA",
    "LABELS",
    "LONG",
    "MISSED",
    "NORMAL",
    "SHORT",
    "Mended",
    "classify",
    "mend",
    "rolling_median",
    "rolling_quartile_deviation",
]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]
U8 = NDArray[np.uint8]

NORMAL: Final = 0
ECTOPIC: Final = 1
MISSED: Final = 2
EXTRA: Final = 3
LONG: Final = 4
SHORT: Final = 5
LABELS: Final = ("normal", "ectopic", "missed", "extra", "long", "short")

_ALPHA: Final = 5.2
_C1: Final = 0.13
_C2: Final = 0.17
_WIDE: Final = 91
_NARROW: Final = 11
_FEW: Final = 20
_MAX_PASSES: Final = 8
_MAX_BRIDGE_MS: Final = 8000.0


def _windows(x: F64, width: int) -> F64:
    """Rows of the centred windows of ``x``, NaN where they overhang; shape (n, width)."""
    half = width // 2
    padded = np.concatenate([np.full(half, np.nan), x, np.full(half, np.nan)])
    return np.lib.stride_tricks.sliding_window_view(padded, width)


def _quantiles(x: F64, width: int, ranks: tuple[float, ...]) -> F64:
    """Linear-interpolated quantiles ``ranks`` of the centred windows, truncated at the ends; shape (len(ranks), n)."""
    from scipy.ndimage import rank_filter

    n = x.size
    out = np.empty((len(ranks), n))
    half = width // 2
    if n > 2 * half:
        for k, rank in enumerate(ranks):
            place = rank * (width - 1)
            low = int(place)
            out[k] = rank_filter(x, low, size=width)
            if place > low:
                out[k] += (place - low) * (rank_filter(x, low + 1, size=width) - out[k])
    edge = np.concatenate([np.arange(min(half, n)), np.arange(max(n - half, min(half, n)), n)])
    if edge.size:
        part = np.sort(_windows(x, width)[edge], axis=1)  # NaN sorts last
        count = np.minimum(edge + half, n - 1) - np.maximum(edge - half, 0)
        at = np.arange(edge.size)
        for k, rank in enumerate(ranks):
            where = rank * count
            low_i = np.floor(where).astype(np.intp)
            high_i = np.minimum(low_i + 1, count)
            low_v = part[at, low_i]
            out[k, edge] = low_v + (part[at, high_i] - low_v) * (where - low_i)
    return out


def rolling_median(x: F64, width: int) -> F64:
    """Median of the ``width`` (odd) values centred on each, windows truncated at the ends.

    Parameters
    ----------
    x : float64 array, shape (n,)
    width : int
        Odd number of values in a window.

    Returns
    -------
    float64 array, shape (n,)
    """
    middle: F64 = _quantiles(x, width, (0.5,))[0]
    return middle


def rolling_quartile_deviation(x: F64, width: int) -> F64:
    """Half the distance of the quartiles of the ``width`` (odd) values centred on each, truncated at the ends.

    Parameters
    ----------
    x : float64 array, shape (n,)
    width : int
        Odd number of values in a window.

    Returns
    -------
    float64 array, shape (n,)
    """
    low, high = _quantiles(x, width, (0.25, 0.75))
    deviation: F64 = (high - low) / 2
    return deviation


@dataclass(frozen=True, kw_only=True, slots=True)
class _Series:
    """What the decisions need, in the paper's letters; arrays of shape (n,)."""

    d: F64
    m: F64
    median: F64
    th2: F64


def _measure(rr: F64, joined: B) -> _Series:
    d_raw = np.diff(rr, prepend=rr[:1])
    d_raw[~joined] = 0.0
    median = rolling_median(rr, _NARROW)
    # a paced or coarsely stored series has no spread: nothing below 10 ms or 2 % counts as an artefact
    floor = np.maximum(10.0, 0.02 * median)
    th1 = np.maximum(_ALPHA * rolling_quartile_deviation(np.abs(d_raw), _WIDE), floor)
    m_raw = rr - median
    m_raw = np.where(m_raw < 0, 2 * m_raw, m_raw)
    th2 = np.maximum(_ALPHA * rolling_quartile_deviation(np.abs(m_raw), _WIDE), floor)
    return _Series(d=d_raw / th1, m=m_raw / th2, median=median, th2=th2)


def _check(interval_ms: F64) -> F64:
    rr = np.ascontiguousarray(interval_ms, dtype=np.float64)
    if rr.ndim != 1:
        raise DataError(f"expected intervals as one row of numbers, got shape {rr.shape}")
    bad = np.flatnonzero(~(np.isfinite(rr) & (rr > 0)))
    if bad.size:
        raise DataError(
            f"expected intervals above 0 ms, got {rr[bad[0]]:g} at place {bad[0]}; take unusable intervals out first",
            value=f"{rr[bad[0]]:g}",
        )
    return rr


def classify(interval_ms: F64, *, joined: B | None = None) -> U8:
    """Label every RR interval: normal, ectopic, missed, extra, long or short.

    Parameters
    ----------
    interval_ms : float64 array, shape (n,)
        Intervals in the order recorded, all above 0.
    joined : bool array, shape (n,), optional
        False where an interval does not follow straight on the one before (a gap lies between). Default: all do.

    Returns
    -------
    uint8 array, shape (n,)
        Places in ``LABELS``. "ectopic" stands on the second of the two intervals that a displaced beat bounds;
        "extra" on the first of the two that a beat too many made; "missed" on the one that lacks a beat.

    Raises
    ------
    DataError
        If an interval is not finite or not above 0.

    Notes
    -----
    Method of Lipponen & Tarvainen 2019, J Med Eng Technol 43:173-181. Thresholds are floored at 10 ms or 2 % of the
    local median. Below 20 intervals quartiles mean nothing: an interval more than 25 % off the median of 9 is
    labelled by what would explain it (a filter common in the trade).
    """
    rr = _check(interval_ms)
    n = rr.size
    follows = np.ones(n, dtype=bool) if joined is None else joined.copy()
    if follows.shape != rr.shape:
        raise DataError(f"expected one joined flag an interval, got {follows.size} for {n}")
    if n < _FEW:
        return _classify_few(rr, follows)
    follows[0] = False
    series = _measure(rr, follows)
    d, m, median, th2 = series.d, series.m, series.median, series.th2
    labels = np.zeros(n, dtype=np.uint8)
    odd = np.flatnonzero((np.abs(d) > 1) | (np.abs(m) > 3))
    around = [0.0, *d.tolist(), 0.0, 0.0, 0.0]  # d(i) stands at i + 1; out of range is 0
    for i in odd.tolist():
        if labels[i]:
            continue
        before, here, after, later = around[i : i + 4]
        s12 = max(before, after) if here > 0 else min(before, after)
        if (here > 1 and s12 < -_C1 * here - _C2) or (here < -1 and s12 > -_C1 * here + _C2):
            labels[i] = ECTOPIC
            continue
        candidates = (i, i + 1) if i + 1 < n and abs(after) < abs(later) else (i,)
        for j in candidates:
            dj, after_j, later_j = around[j + 1 : j + 4]
            s22 = min(after_j, later_j) if dj >= 0 else max(after_j, later_j)
            long = (dj > 1 and s22 < -1) or m[j] > 3
            short = (dj < -1 and s22 > 1) or m[j] < -3
            if not (long or short) or labels[j]:
                continue
            if short:
                pair = j + 1 < n and bool(follows[j + 1])
                explained = pair and abs(rr[j] + rr[j + 1] - median[j]) < th2[j]
                labels[j] = EXTRA if explained else SHORT
            else:
                labels[j] = MISSED if abs(rr[j] / 2 - median[j]) < th2[j] else LONG
    return labels


def _classify_few(rr: F64, follows: B) -> U8:
    labels = np.zeros(rr.size, dtype=np.uint8)
    if rr.size < 3:
        return labels
    median = rolling_median(rr, 9)
    for i in np.flatnonzero(np.abs(rr / median - 1) > 0.25).tolist():
        if rr[i] > median[i]:
            labels[i] = MISSED if abs(rr[i] / 2 / median[i] - 1) <= 0.25 else LONG
        else:
            pair = i + 1 < rr.size and bool(follows[i + 1])
            explained = pair and abs((rr[i] + rr[i + 1]) / median[i] - 1) <= 0.25
            if labels[i - 1] != EXTRA or i == 0:
                labels[i] = EXTRA if explained else SHORT
    return labels


@dataclass(frozen=True, kw_only=True, slots=True)
class Mended:
    """Intervals after mending; arrays of shape (m,). Their sum is the sum of the intervals that went in.

    ``known`` is False where an interval spans a gap that could not be bridged; ``mended`` where an interval does not
    stand as it was found. The counts are beats added (``n_missed``), removed (``n_extra``) and moved.
    """

    interval_ms: F64
    known: B
    mended: B
    n_missed: int
    n_extra: int
    n_ectopic: int
    n_long: int
    n_short: int


@dataclass(kw_only=True, slots=True)
class _Edit:
    """Intervals [begin, end) are replaced by ``into``; None: they become one gap."""

    begin: int
    end: int
    into: F64 | None
    kind: int = NORMAL


def _expected(rr: F64, good: B, begin: int, end: int) -> tuple[float, float]:
    """Interval length to expect just before and just after [begin, end), from the nearest good ones."""
    left = np.flatnonzero(good[max(0, begin - 12) : begin])[-5:] + max(0, begin - 12)
    right = np.flatnonzero(good[end : end + 12])[:5] + end
    low = float(np.median(rr[left])) if left.size else np.nan
    high = float(np.median(rr[right])) if right.size else np.nan
    return (low if left.size else high), (high if right.size else low)


def _fill(total: float, left: float, right: float, count: int) -> F64:
    """``count`` intervals of sum ``total`` that go evenly from ``left`` to ``right``."""
    steps = (np.arange(count) + 1) / (count + 1)
    shape = left + (right - left) * steps
    filled: F64 = shape * (total / shape.sum())
    return filled


def _misplaced(rr: F64, good: B, known: B, begin: int, end: int) -> _Edit | None:
    """Replace the intervals around displaced beats, with the beat count the local rhythm asks for."""
    n = rr.size
    best: tuple[float, int, int, int] | None = None
    for a, b in ((begin, end), (begin - 1, end), (begin, end + 1), (begin - 1, end + 1)):
        if a < 0 or b > n or not bool(known[a:b].all()):
            continue
        left, right = _expected(rr, good, a, b)
        if not np.isfinite(left):
            return None
        total = float(rr[a:b].sum())
        mean = (left + right) / 2
        count = max(1, round(total / mean))
        cost = abs(float(np.log(total / (count * mean)))) + 0.03 * (b - a - (end - begin)) + 0.05 * abs(count - (b - a))
        if best is None or cost < best[0]:
            best = (cost, a, b, count)
    if best is None:
        return None
    _, a, b, count = best
    left, right = _expected(rr, good, a, b)
    return _Edit(begin=a, end=b, into=_fill(float(rr[a:b].sum()), left, right, count))


def _edits(rr: F64, known: B, labels: U8) -> list[_Edit]:
    good = known & (labels == NORMAL)
    # the first of the two intervals of a displaced beat is not good either, nor the second of an extra one
    good[np.flatnonzero(labels == ECTOPIC) - 1] = False
    extra_next = np.flatnonzero(labels == EXTRA) + 1
    good[extra_next[extra_next < rr.size]] = False
    edits: list[_Edit] = []
    flagged = np.flatnonzero(labels).tolist()
    at = 0
    done = 0
    while at < len(flagged):
        i = flagged[at]
        if i < done:
            at += 1
            continue
        edit: _Edit | None
        if labels[i] == EXTRA:
            edit = _Edit(begin=i, end=i + 2, into=np.array([rr[i] + rr[i + 1]]))
        elif labels[i] == MISSED:
            edit = _Edit(begin=i, end=i + 1, into=np.array([rr[i] / 2, rr[i] / 2]))
        else:
            begin = i - 1 if labels[i] == ECTOPIC and i > done and known[i - 1] else i
            end = i + 1
            while end < rr.size and labels[end] in (ECTOPIC, LONG, SHORT) and end - begin < 6:
                end += 1
            edit = _misplaced(rr, good, known, begin, end)
            if edit is not None and edit.begin < done:
                left, right = _expected(rr, good, begin, end)
                edit = _Edit(begin=begin, end=end, into=_fill(float(rr[begin:end].sum()), left, right, end - begin))
        if edit is not None and edit.begin >= done:
            edit.kind = int(labels[i])
            edits.append(edit)
            done = edit.end
        at += 1
    return edits


def _apply(rr: F64, known: B, mended: B, edits: list[_Edit]) -> tuple[F64, B, B]:
    pieces: list[F64] = []
    flags: list[B] = []
    marks: list[B] = []
    at = 0
    for edit in edits:
        pieces.append(rr[at : edit.begin])
        flags.append(known[at : edit.begin])
        marks.append(mended[at : edit.begin])
        into = edit.into
        if into is None:
            into = rr[edit.begin : edit.end].sum(keepdims=True)
        pieces.append(into)
        flags.append(np.full(into.size, edit.into is not None))
        marks.append(np.full(into.size, edit.into is not None))
        at = edit.end
    pieces.append(rr[at:])
    flags.append(known[at:])
    marks.append(mended[at:])
    return np.concatenate(pieces), np.concatenate(flags), np.concatenate(marks)


def _bridges(rr: F64, known: B) -> list[_Edit]:
    """Gaps so short that the rhythm on both sides leaves one beat count only."""
    edits: list[_Edit] = []
    for i in np.flatnonzero(~known).tolist():
        if rr[i] > _MAX_BRIDGE_MS:
            continue
        near = known[max(0, i - 3) : i].sum() >= 3 and known[i + 1 : i + 4].sum() >= 3
        if not near:
            continue
        left, right = _expected(rr, known, i, i + 1)
        mean = (left + right) / 2
        beats = rr[i] / mean
        count = max(1, round(beats))
        unsure = 0.04 + abs(right - left) / (4 * mean)
        # the count must be a whole number of beats, and the doubt about the rhythm must stay under half a beat
        if abs(beats - count) <= 0.3 and count * unsure <= 0.4:
            edits.append(_Edit(begin=i, end=i + 1, into=_fill(float(rr[i]), left, right, count)))
    return edits


def mend(interval_ms: F64, *, known: B | None = None, mended: B | None = None) -> Mended:
    """Put one-beat intervals in the place of artefacts, total time unchanged.

    Parameters
    ----------
    interval_ms : float64 array, shape (n,)
        Intervals in order, all above 0.
    known : bool array, shape (n,), optional
        False where the "interval" is a gap: time passed, but beats were not seen. Short gaps between steady rhythms
        are bridged, others stay gaps. Default: all known.
    mended : bool array, shape (n,), optional
        True where an interval was already put in by somebody else. Default: none.

    Returns
    -------
    Mended

    Raises
    ------
    DataError
        If an interval is not finite or not above 0.

    Notes
    -----
    Extra: merged with the next. Missed: halved. Ectopic, long, short: the intervals around the displaced beat are
    replaced by ones that go evenly between the good neighbours (Lipponen & Tarvainen 2019, with linear in place of
    cubic interpolation and the total time kept). Repeated until nothing is found or the count stops falling.
    """
    rr = _check(interval_ms)
    seen = np.ones(rr.size, dtype=bool) if known is None else known.copy()
    marks = np.zeros(rr.size, dtype=bool) if mended is None else mended.copy()
    counts = dict.fromkeys(LABELS, 0)
    last = rr.size + 1
    for _ in range(_MAX_PASSES):
        if int(seen.sum()) < 3:
            break
        labels = _labels_between_gaps(rr, seen)
        found = int(np.count_nonzero(labels))
        if found == 0 or found >= last:
            break
        last = found
        edits = _edits(rr, seen, labels)
        if not edits:
            break
        for edit in edits:
            counts[LABELS[edit.kind]] += 1
        rr, seen, marks = _apply(rr, seen, marks, edits)
    bridges = _bridges(rr, seen)
    counts["missed"] += sum(edit.into.size - 1 for edit in bridges if edit.into is not None)
    rr, seen, marks = _apply(rr, seen, marks, bridges)
    return Mended(
        interval_ms=rr,
        known=seen,
        mended=marks,
        n_missed=counts["missed"],
        n_extra=counts["extra"],
        n_ectopic=counts["ectopic"],
        n_long=counts["long"],
        n_short=counts["short"],
    )


def _labels_between_gaps(rr: F64, known: B) -> U8:
    """Labels of the known intervals; gaps are left out and not reached across."""
    at = np.flatnonzero(known)
    joined = np.diff(at, prepend=-2) == 1
    labels = np.zeros(rr.size, dtype=np.uint8)
    labels[at] = classify(rr[at], joined=joined)
    return labels
