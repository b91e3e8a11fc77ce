"""Local stamps to UTC, with the repeated and the missing hour of clock changes settled by the order of the rows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

__all__ = ["LocalTimes", "local_ms", "offset_span_ms", "to_utc"]

I64 = NDArray[np.int64]

_QUARTER_MS = 900_000
_DAY_MS = 86_400_000
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - a wall clock, given its zone where it is used


@dataclass(frozen=True, kw_only=True, slots=True)
class LocalTimes:
    """UTC of local stamps.

    ``n_repeated`` rows fell into an hour that the clock showed twice, ``n_missing`` into one it never showed;
    ``undecided`` is the first row whose repeated hour the order cannot settle, or None.
    """

    utc_ms: I64
    n_repeated: int
    n_missing: int
    undecided: int | None


def _offset_ms(zone: tzinfo, local: int, fold: int) -> int:
    wall = (_EPOCH + timedelta(milliseconds=local)).replace(tzinfo=zone, fold=fold)
    offset = wall.utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)


def local_ms(utc_ms: int, *, zone: tzinfo) -> int:
    """Milliseconds since 1970-01-01T00:00 on the wall clock of a zone."""
    offset = (datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=utc_ms)).astimezone(zone).utcoffset()
    return utc_ms + (0 if offset is None else round(offset.total_seconds() * 1000))


def offset_span_ms(low_ms: int, high_ms: int, *, zone: tzinfo) -> tuple[int, int]:
    """Smallest and largest offset of the zone on the days from ``low_ms`` to ``high_ms`` and the days beside them."""
    days = range(low_ms - _DAY_MS, high_ms + 2 * _DAY_MS, _DAY_MS)
    offsets = {_offset_ms(zone, day, 0) for day in days}
    return min(offsets), max(offsets)


def to_utc(wall_ms: I64, *, zone: tzinfo, near_ms: int | None = None) -> LocalTimes:
    """Turn wall-clock milliseconds, in the order recorded, into UTC.

    Parameters
    ----------
    wall_ms : int64 array, shape (n,)
        Milliseconds since 1970-01-01T00:00 on the local clock.
    zone : tzinfo
    near_ms : int or None
        An instant (UTC) the recording is near to, used when a repeated hour has no other rows around it.

    Returns
    -------
    LocalTimes

    Notes
    -----
    Folds follow PEP 495. Within a run of rows that fall into a repeated hour, the first step back by 20 minutes or
    more marks the second showing. Without one, the whole run is taken in the showing that joins more closely to the
    row before or after it (the first showing when both join alike). Rows in a missing hour are read with the offset
    from before the change.
    """
    if wall_ms.size == 0:
        return LocalTimes(utc_ms=wall_ms, n_repeated=0, n_missing=0, undecided=None)
    days, day_of = _runs_of(wall_ms // _DAY_MS)
    before = np.empty(days.size, dtype=np.int64)
    after = np.empty(days.size, dtype=np.int64)
    for index, day in enumerate(days.tolist()):
        edges = [
            _offset_ms(zone, day * _DAY_MS + hour * 3_600_000, fold) for hour in (0, 6, 12, 18, 24) for fold in (0, 1)
        ]
        if len(set(edges)) == 1:
            before[index] = after[index] = edges[0]
        else:
            before[index], after[index] = 0, 1
    plain = before == after
    first, second = before[day_of], after[day_of]
    if not plain.all():
        rows = np.flatnonzero(~plain[day_of])
        quarters, quarter_of = np.unique(wall_ms[rows] // _QUARTER_MS, return_inverse=True)
        starts = (quarters * _QUARTER_MS).tolist()
        first[rows] = np.array([_offset_ms(zone, start, 0) for start in starts], dtype=np.int64)[quarter_of]
        second[rows] = np.array([_offset_ms(zone, start, 1) for start in starts], dtype=np.int64)[quarter_of]
    utc = wall_ms - first
    repeated, missing = first > second, first < second
    undecided = None
    if repeated.any():
        undecided = _settle(utc, wall_ms, first - second, repeated, near_ms=near_ms)
    return LocalTimes(utc_ms=utc, n_repeated=int(repeated.sum()), n_missing=int(missing.sum()), undecided=undecided)


def _runs_of(values: I64) -> tuple[I64, NDArray[np.intp]]:
    """Like ``np.unique`` with the inverse, quick when the values hardly change."""
    starts = np.flatnonzero(np.diff(values, prepend=values[0] - 1))
    if starts.size > values.size // 4:
        return np.unique(values, return_inverse=True)
    lengths = np.diff(np.append(starts, values.size))
    return values[starts], np.repeat(np.arange(starts.size), lengths)


def _settle(utc: I64, wall: I64, shift: I64, repeated: NDArray[np.bool_], *, near_ms: int | None) -> int | None:
    """Move rows of a second showing later by ``shift``, in place; return the first row that cannot be settled."""
    edges = np.flatnonzero(np.diff(repeated.astype(np.int8), prepend=0, append=0))
    undecided = None
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        size = int(shift[start])
        back = np.flatnonzero(np.diff(wall[start:stop]) <= -20 * 60_000)
        if back.size:
            utc[start + int(back[0]) + 1 : stop] += size
            continue
        gaps: list[list[int]] = [[], []]
        for fold in (0, 1):
            if start > 0:
                gaps[fold].append(abs(int(utc[start]) + fold * size - int(utc[start - 1])))
            if stop < utc.size:
                gaps[fold].append(abs(int(utc[stop]) - int(utc[stop - 1]) - fold * size))
            if not gaps[fold] and near_ms is not None:
                gaps[fold].append(abs(int(utc[0]) + fold * size - near_ms))
        if not gaps[0]:
            undecided = start if undecided is None else undecided
        elif min(gaps[1]) < min(gaps[0]):
            utc[start:stop] += size
    return undecided
