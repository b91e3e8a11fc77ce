"""A recording as read from one file: its span, its parts by time, two of a kind made one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from wearbench.core.joins import Merged
from wearbench.formats import Intervals, Readings, Segment, Signal

__all__ = [
    "Kind",
    "Piece",
    "Recording",
    "concatenated",
    "cut",
    "has_start",
    "items_of",
    "length",
    "moved",
    "segments_beside",
    "span_ms",
    "stamps_ms",
    "taken",
    "unit_of",
]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
Recording = Readings | Intervals | Signal
Kind = tuple[type, str]
T = TypeVar("T", bound=np.generic)


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """A recording, what its file says of the device, and the file as messages name it."""

    recording: Recording
    shown: str
    facts: dict[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> Kind:
        """Recordings of one kind can be joined."""
        return type(self.recording), self.recording.quantity


def stamps_ms(recording: Readings | Intervals) -> I64 | None:
    """Stamps in ms; intervals with a start only are cumulated from it. None for intervals without either."""
    if isinstance(recording, Readings):
        return recording.time_ms
    if recording.stamp_ms is not None:
        return recording.stamp_ms
    if recording.start_ms is None:
        return None
    return recording.start_ms + np.rint(np.cumsum(np.nan_to_num(recording.interval_ms))).astype(np.int64)


def span_ms(recording: Recording) -> tuple[int, int] | None:
    """First and last instant in ms (of the first interval, its beginning); None if empty or without stamps."""
    if isinstance(recording, Signal):
        if not recording.segments:
            return None
        return min(s.start_ms for s in recording.segments), max(_end_ms(s) for s in recording.segments)
    stamp = stamps_ms(recording)
    if stamp is None or stamp.size == 0:
        return None
    first = int(stamp.min())
    if isinstance(recording, Intervals):
        first = min(first, int(stamp[0]) - round(float(np.nan_to_num(recording.interval_ms[0]))))
    return first, int(stamp.max())


def _end_ms(segment: Segment) -> int:
    return segment.start_ms + round(1000.0 * segment.values.size / segment.rate_hz)


def cut(recording: Recording, low_ms: int, high_ms: int) -> Recording:
    """Keep what lies in [low_ms, high_ms).

    Parameters
    ----------
    recording : Readings, Intervals or Signal
    low_ms, high_ms : int

    Returns
    -------
    Readings, Intervals or Signal
        Intervals by their stamps; a signal to the sample.
    """
    if isinstance(recording, Signal):
        return replace(recording, segments=tuple(_segments_within(recording.segments, low_ms, high_ms)))
    stamp = stamps_ms(recording)
    if stamp is None or stamp.size == 0:
        return recording
    keep = (stamp >= low_ms) & (stamp < high_ms)
    if keep.all():
        return recording
    rows = np.flatnonzero(keep)
    if isinstance(recording, Intervals):
        return replace(
            recording,
            interval_ms=recording.interval_ms[rows],
            source_row=recording.source_row[rows],
            stamp_ms=stamp[rows],
            start_ms=None,
        )
    return replace(
        recording,
        time_ms=recording.time_ms[rows],
        value=recording.value[rows],
        source_row=recording.source_row[rows],
        start_ms=None if recording.start_ms is None else recording.start_ms[rows],
        end_ms=None if recording.end_ms is None else recording.end_ms[rows],
    )


def _segments_within(segments: Iterable[Segment], low_ms: int, high_ms: int) -> list[Segment]:
    out = []
    for segment in segments:
        step = 1000.0 / segment.rate_hz
        begin = max(0, int(np.ceil((low_ms - segment.start_ms) / step)))
        end = min(segment.values.size, max(0, int(np.ceil((high_ms - segment.start_ms) / step))))
        if begin == 0 and end == segment.values.size:
            out.append(segment)
        elif end > begin:
            out.append(
                replace(segment, start_ms=segment.start_ms + round(begin * step), values=segment.values[begin:end])
            )
    return out


def segments_beside(segments: Sequence[Segment], others: Sequence[Segment]) -> list[Segment]:
    """What of some segments lies outside others."""
    out = list(segments)
    for other in others:
        low, high = other.start_ms, _end_ms(other)
        out = [
            piece
            for segment in out
            for piece in (
                [segment]
                if _end_ms(segment) <= low or segment.start_ms >= high
                else [
                    *_segments_within([segment], segment.start_ms, low),
                    *_segments_within([segment], high, _end_ms(segment) + 1),
                ]
            )
        ]
    return out


def concatenated(first: Recording, second: Recording) -> Recording:
    """Two recordings of one kind, the second behind the first; readings and signals in order of time."""
    if isinstance(first, Signal) and isinstance(second, Signal):
        segments = sorted((*first.segments, *second.segments), key=lambda s: s.start_ms)
        return replace(first, segments=tuple(segments))
    n, m = length(first), length(second)
    index = np.concatenate([np.arange(n), np.arange(m)])
    from_second = np.repeat([False, True], [n, m])
    if isinstance(first, Readings) and isinstance(second, Readings):
        order = np.argsort(np.concatenate([first.time_ms, second.time_ms]), kind="stable")
        index, from_second = index[order], from_second[order]
    return taken(first, second, Merged(from_second=from_second, index=index), clock_ms=None)


def length(recording: Recording) -> int:
    """How many readings, intervals or samples a recording holds."""
    if isinstance(recording, Signal):
        return sum(s.values.size for s in recording.segments)
    return int(recording.source_row.size)


def taken(first: Recording, second: Recording, merged: Merged, *, clock_ms: I64 | None) -> Recording:
    """Build a recording of the items chosen from two; ``clock_ms`` are the second's stamps on the first's clock."""
    at = merged.index + np.where(merged.from_second, length(first), 0)

    def both(a: NDArray[T], b: NDArray[T]) -> NDArray[T]:
        chosen: NDArray[T] = np.concatenate([a, b])[at]
        return chosen

    if isinstance(first, Readings) and isinstance(second, Readings):
        on_first = second.time_ms if clock_ms is None else clock_ms
        away = on_first - second.time_ms
        own = first.start_ms is not None and second.start_ms is not None
        own = own and first.end_ms is not None and second.end_ms is not None
        return replace(
            first,
            time_ms=both(first.time_ms, on_first),
            value=both(first.value, second.value),
            source_row=both(first.source_row, second.source_row),
            start_ms=both(first.start_ms, second.start_ms + away) if own else None,  # type: ignore[arg-type, operator]
            end_ms=both(first.end_ms, second.end_ms + away) if own else None,  # type: ignore[arg-type, operator]
        )
    assert isinstance(first, Intervals)
    assert isinstance(second, Intervals)
    interval = both(first.interval_ms, second.interval_ms)
    stamp_a, stamp_b = stamps_ms(first), stamps_ms(second) if clock_ms is None else clock_ms
    stamp: I64 | None = None
    if stamp_a is not None and stamp_b is not None:
        if clock_ms is not None and stamp_a.size and bool(np.all(stamp_a % 1000 == 0)):
            stamp_b = stamp_b // 1000 * 1000  # stamps cut to the second stay so
        stamp = both(stamp_a, stamp_b)
    elif stamp_a is not None:
        stamp = _counted_on(both(stamp_a, np.zeros(length(second), dtype=np.int64)), interval, merged)
    return replace(
        first,
        interval_ms=interval,
        source_row=both(first.source_row, second.source_row),
        stamp_ms=stamp,
        start_ms=first.start_ms if stamp is None else None,
    )


def _counted_on(stamp_ms: I64, interval_ms: F64, merged: Merged) -> I64:
    """Stamps of intervals that came without, counted on from the last stamp before them."""
    sums = np.rint(np.cumsum(np.nan_to_num(interval_ms))).astype(np.int64)
    known = np.flatnonzero(~merged.from_second)
    last = known[np.maximum(np.searchsorted(known, np.arange(stamp_ms.size), side="right") - 1, 0)]
    return stamp_ms[last] + sums - sums[last]


def unit_of(recording: Recording) -> str:
    """Unit of the values; intervals are in ms."""
    return "ms" if isinstance(recording, Intervals) else recording.unit


def items_of(recording: Recording) -> str:
    """What one value is called: beat, sample, minute, second or reading."""
    if isinstance(recording, Intervals):
        return "beat"
    if isinstance(recording, Signal):
        return "sample"
    step = float(np.median(np.diff(recording.time_ms))) if recording.time_ms.size > 1 else 0.0
    return {60_000.0: "minute", 1000.0: "second"}.get(step, "reading")


def has_start(recording: Recording) -> bool:
    """Whether it says when it was."""
    return recording.start_known and (isinstance(recording, Signal) or stamps_ms(recording) is not None)


def moved(
    recording: Recording, *, start_known: bool, begin_ms: int | None = None, end_ms: int | None = None
) -> Recording:
    """The recording with its stamps moved to begin, or end, at an instant; a reading stands one usual step away."""
    if isinstance(recording, Signal):
        span = span_ms(recording) or (0, 0)
        by = begin_ms - span[0] if begin_ms is not None else (end_ms or 0) - span[1]
        segments = tuple(replace(s, start_ms=s.start_ms + by) for s in recording.segments)
        return replace(recording, segments=segments, start_known=start_known)
    if isinstance(recording, Intervals):
        stamp = stamps_ms(recording)
        if stamp is None:
            stamp = np.rint(np.cumsum(np.nan_to_num(recording.interval_ms))).astype(np.int64)
        first = int(stamp[0]) - round(float(np.nan_to_num(recording.interval_ms[0])))
        by = begin_ms - first if begin_ms is not None else (end_ms or 0) - int(stamp[-1])
        return replace(recording, stamp_ms=stamp + by, start_ms=None, start_known=start_known)
    time = recording.time_ms
    step = round(float(np.median(np.diff(time)))) if time.size > 1 else 0
    by = begin_ms + step - int(time[0]) if begin_ms is not None else (end_ms or 0) - step - int(time[-1])
    own: dict[str, Any] = {
        name: None if (column := getattr(recording, name)) is None else column + by for name in ("start_ms", "end_ms")
    }
    return replace(recording, time_ms=time + by, start_known=start_known, **own)
