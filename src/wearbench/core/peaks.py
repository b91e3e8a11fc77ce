"""ECG to R peaks: a library's detector behind a guard of our own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import DataError

__all__ = ["EcgSegment", "Peaks", "peaks_of"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

_LEAST_S: Final = 5.0


@dataclass(frozen=True, kw_only=True, slots=True)
class EcgSegment:
    """An unbroken stretch of ECG: ``values`` of shape (n,) in any unit, NaN where a sample is missing."""

    start_s: float
    rate_hz: float
    values: NDArray[np.floating]


@dataclass(frozen=True, kw_only=True, slots=True)
class Peaks:
    """R peaks of shape (n,), in seconds; ``joined[i]`` says that peak i + 1 was seen to follow peak i."""

    time_s: F64
    joined: B


def peaks_of(segments: Sequence[EcgSegment]) -> Peaks:
    """Find the R peaks of an ECG."""
    times: list[F64] = []
    joined: list[B] = []
    for segment in segments:
        if segment.rate_hz <= 0:
            raise DataError(f"expected a sampling rate above 0 Hz, got {segment.rate_hz:g}")
        x = np.asarray(segment.values, dtype=np.float64)
        good = np.isfinite(x)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if (b - a) / segment.rate_hz < _LEAST_S or float(np.ptp(x[a:b])) == 0.0:
                continue
            found = _detect(x[a:b], segment.rate_hz) + segment.start_s + a / segment.rate_hz
            if times and found.size and times[-1].size and found[0] <= times[-1][-1]:
                found = found[found > times[-1][-1] + 0.2]
            if not found.size:
                continue
            if times:
                joined.append(np.zeros(1, dtype=bool))
            times.append(found)
            joined.append(np.ones(found.size - 1, dtype=bool))
    if not times:
        return Peaks(time_s=np.empty(0), joined=np.empty(0, dtype=bool))
    return Peaks(time_s=np.concatenate(times), joined=np.concatenate(joined))


def _detect(x: F64, rate_hz: float) -> F64:
    from sleepecg.heartbeats import detect_heartbeats

    at = np.unique(detect_heartbeats(x, rate_hz))
    at = at[(at > 0) & (at < x.size - 1)]
    # the crest between samples: vertex of the parabola through three
    left, mid, right = x[at - 1], x[at], x[at + 1]
    bend = left - 2 * mid + right
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    found: F64 = (at + np.clip(shift, -0.5, 0.5)) / rate_hz
    return found[np.diff(found, prepend=-1.0) > 0]
