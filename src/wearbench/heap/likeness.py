"""Whether two recordings say the same: the same beats, the same values, or the same course of the rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from wearbench.heap.imprint import BIN_MS, Track

__all__ = ["Likeness", "beats_lag_ms", "likeness", "overlap_ms", "same_beats", "same_values", "track_likeness"]

F64 = NDArray[np.float64]

BEATS_ALIKE_MS: Final = 1.1
"""Two writings of one interval part by rounding only."""
_RUN: Final = 6
_ANCHORS: Final = 40


@dataclass(frozen=True, kw_only=True, slots=True)
class Likeness:
    """How alike two courses are: bins in common, correlation, median distance on the log scale.

    ``close`` is the share of bins within 6 %, ``spread`` the smaller standard deviation of the two logs.
    """

    n: int
    correlation: float
    distance: float
    close: float = 0.0
    spread: float = 0.0

    @property
    def score(self) -> float:
        """Larger is more alike."""
        return self.correlation - self.distance

    @property
    def good(self) -> bool:
        """Whether chance is no explanation and both followed the same heart."""
        return self.n >= 20 and self.correlation >= 0.92 and self.distance <= 0.035 and self.close >= 0.7

    @property
    def sure(self) -> bool:
        """Whether not even the same plan of training on another day explains it."""
        return self.n >= 40 and self.distance <= 0.012

    @property
    def mostly_close(self) -> bool:
        """Whether most of a long course agrees, though a device that fails at times spoils the correlation."""
        return self.n >= 40 and self.close >= 0.65 and self.distance <= 0.03 and self.spread >= 0.06


def overlap_ms(a: tuple[int, int], b: tuple[int, int]) -> int:
    """How long two spans overlap, 0 if they do not."""
    return max(0, min(a[1], b[1]) - max(a[0], b[0]))


def same_beats(one: Track, other: Track) -> float:
    """Share of short runs of intervals of the shorter list that stand in the other as well.

    Runs of six intervals that agree within 1.1 ms do not come about by chance, not even in two recorders of one
    heart, whose intervals differ by some milliseconds each. No source; the project's own measure.
    """
    tried, found = _runs_found(one, other)
    return len(found) / tried if tried >= 8 else 0.0


def beats_lag_ms(one: Track, other: Track) -> int | None:
    """What must be added to the stamps of ``other`` so that its beats lie where those of ``one`` do; None if unknown.

    By where the same runs stand in both, so only as good as intervals without holes allow: to some minutes.
    """
    _, found = _runs_found(one, other)
    if len(found) < 4 or one.start_ms is None or other.start_ms is None:
        return None
    here, there = (np.append(0, np.cumsum(t.intervals_ms())) for t in (one, other))
    lags = [here[a] - there[b] for a, b in found]
    return one.start_ms - other.start_ms + round(float(np.median(lags)))


def _runs_found(one: Track, other: Track) -> tuple[int, list[tuple[int, int]]]:
    """How many short runs of the shorter list were looked for, and where those found stand in ``one`` and ``other``."""
    swap = one.n > other.n
    short, long = (other, one) if swap else (one, other)
    a, b = short.intervals_ms(), long.intervals_ms()
    if a.size < 4 * _RUN or b.size < 4 * _RUN:
        return 0, []
    tried = 0
    found: list[tuple[int, int]] = []
    for start in np.unique(np.linspace(0, a.size - _RUN, _ANCHORS).astype(int)).tolist():
        run = a[start : start + _RUN]
        if np.ptp(run) < 3:  # a run of equal intervals stands everywhere
            continue
        tried += 1
        places = np.flatnonzero(np.abs(b[: b.size - _RUN + 1] - run[0]) <= BEATS_ALIKE_MS)
        if places.size:
            near = np.abs(sliding_window_view(b, _RUN)[places] - run) <= BEATS_ALIKE_MS
            hit = places[near.all(axis=1)]
            if hit.size:
                found.append((int(hit[0]), start) if swap else (start, int(hit[0])))
    return tried, found


def same_values(one: Track, other: Track, *, lag_bins: int = 0) -> tuple[int, float, float]:
    """Bins in common, share of them with the same mean, and the largest difference."""
    a, b = _common(one, other, lag_bins)
    if a.size == 0:
        return 0, 0.0, 0.0
    apart = np.abs(a - b)
    return int(a.size), float(np.mean(apart <= 0.005 + 1e-6 * np.abs(a))), float(apart.max())


def track_likeness(one: Track, other: Track, *, lag_bins: int = 0) -> Likeness:
    """How alike the courses of two tracks are when the second is moved by ``lag_bins``."""
    return likeness(*_common(one, other, lag_bins))


def likeness(a: F64, b: F64) -> Likeness:
    """How alike two courses of shape (n,) are; bins where either has no positive value do not count."""
    good = np.isfinite(a) & np.isfinite(b) & (a > 0) & (b > 0)
    if np.count_nonzero(good) < 3:
        return Likeness(n=int(np.count_nonzero(good)), correlation=0.0, distance=np.inf)
    x, y = np.log(a[good]), np.log(b[good])
    spread = float(x.std() * y.std())
    correlation = 0.0 if spread < 1e-9 else float(np.mean((x - x.mean()) * (y - y.mean())) / spread)
    moved = min(float(x.std()), float(y.std()))
    if moved < 0.03:  # hardly moved: a likeness would say nothing
        correlation = 0.0
    apart = np.abs(x - y)
    return Likeness(
        n=x.size,
        correlation=correlation,
        distance=float(np.median(apart)),
        close=float(np.mean(apart <= 0.06)),
        spread=moved,
    )


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
