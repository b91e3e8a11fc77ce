"""Whether two recordings say the same: the same beats, the same values, or the same course of the rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from wearbench.heap.imprint import BIN_MS, Track

__all__ = ["Likeness", "course_likeness", "overlap_ms", "same_beats", "same_values"]

F64 = NDArray[np.float64]

BEATS_ALIKE_MS: Final = 1.1
"""Two writings of one interval part by rounding only."""
_RUN: Final = 6
_ANCHORS: Final = 40


@dataclass(frozen=True, kw_only=True, slots=True)
class Likeness:
    """How alike two courses are: bins in common, correlation, median distance on the log scale."""

    n: int
    correlation: float
    distance: float

    @property
    def good(self) -> bool:
        """Whether chance is no explanation and both followed the same heart."""
        return self.n >= 16 and self.correlation >= 0.85 and self.distance <= 0.06


def overlap_ms(a: tuple[int, int], b: tuple[int, int]) -> int:
    """How long two spans overlap, 0 if they do not."""
    return max(0, min(a[1], b[1]) - max(a[0], b[0]))


def same_beats(one: Track, other: Track) -> float:
    """Share of short runs of intervals of the shorter list that stand in the other as well.

    Runs of six intervals that agree within 1.1 ms do not come about by chance, not even in two recorders of one
    heart, whose intervals differ by some milliseconds each. No source; the project's own measure.
    """
    short, long = sorted((one.intervals_ms(), other.intervals_ms()), key=lambda v: v.size)
    if short.size < 4 * _RUN:
        return 0.0
    at = np.unique(np.linspace(0, short.size - _RUN, _ANCHORS).astype(int))
    found = tried = 0
    for start in at.tolist():
        run = short[start : start + _RUN]
        if np.ptp(run) < 3:  # a run of equal intervals stands everywhere
            continue
        tried += 1
        near = np.abs(long[: long.size - _RUN + 1] - run[0]) <= BEATS_ALIKE_MS
        places = np.flatnonzero(near)
        if places.size:
            windows = sliding_window_view(long, _RUN)[places]
            found += bool(np.any(np.all(np.abs(windows - run) <= BEATS_ALIKE_MS, axis=1)))
    return found / tried if tried >= 8 else 0.0


def same_values(one: Track, other: Track, *, lag_bins: int = 0) -> tuple[int, float, float]:
    """Bins in common, share of them with the same mean, and the largest difference."""
    a, b = _common(one, other, lag_bins)
    if a.size == 0:
        return 0, 0.0, 0.0
    apart = np.abs(a - b)
    return int(a.size), float(np.mean(apart <= 0.005 + 1e-6 * np.abs(a))), float(apart.max())


def course_likeness(one: Track, other: Track, *, lag_bins: int = 0) -> Likeness:
    """How alike the courses of two tracks are when the second is moved by ``lag_bins``."""
    a, b = _common(one, other, lag_bins)
    return likeness(a, b)


def likeness(a: F64, b: F64) -> Likeness:
    """How alike two courses of shape (n,) are; bins where either has no positive value do not count."""
    good = np.isfinite(a) & np.isfinite(b) & (a > 0) & (b > 0)
    if np.count_nonzero(good) < 3:
        return Likeness(n=int(np.count_nonzero(good)), correlation=0.0, distance=np.inf)
    x, y = np.log(a[good]), np.log(b[good])
    spread = float(x.std() * y.std())
    correlation = 0.0 if spread < 1e-9 else float(np.mean((x - x.mean()) * (y - y.mean())) / spread)
    if min(float(x.std()), float(y.std())) < 0.03:  # hardly moved: a likeness would say nothing
        correlation = 0.0
    return Likeness(n=x.size, correlation=correlation, distance=float(np.median(np.abs(x - y))))


def _common(one: Track, other: Track, lag_bins: int) -> tuple[F64, F64]:
    a, b = one.values(), other.values()
    shift = other.first_bin + lag_bins - one.first_bin
    low, high = max(0, shift), min(a.size, shift + b.size)
    if high <= low:
        return np.empty(0), np.empty(0)
    a, b = a[low:high], b[low - shift : high - shift]
    good = np.isfinite(a) & np.isfinite(b)
    return a[good], b[good]


def bins(ms: int) -> int:
    """Bins in a span of time."""
    return round(ms / BIN_MS)
