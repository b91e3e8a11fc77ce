"""ECG to R peaks: a library's detector and our own, behind one guard.

Stretches are split at missing samples and where nothing moves, brought to a rate a beat can be placed at, and heard by
both detectors. Where the shape of the beats is lost and the two do not agree, there are no beats, but a gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.artefacts import rolling_median
from wearbench.core.qrs import Track, find_track
from wearbench.errors import DataError

__all__ = ["EcgSegment", "Peaks", "peaks_of"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

_LEAST_S: Final = 3.0
_FLAT_S: Final = 1.5
_SLOWEST_HZ: Final = 40.0
_WORK_HZ: Final = 200.0
_NEAR: Final = 9
_LIKE: Final = 0.4
_CLEAR: Final = 0.9
_AGREE: Final = 0.9
_EVEN: Final = 0.1
_EVIDENT: Final = 0.5
_GONE: Final = 0.8
_NOISE: Final = 2.8
_ABOVE: Final = 1.6
_SURE: Final = 6.0
_LEAP: Final = 0.35
_BRIEF_S: Final = 60.0


@dataclass(frozen=True, kw_only=True, slots=True)
class EcgSegment:
    """An unbroken stretch of ECG: ``values`` of shape (n,) in any unit, NaN where a sample is missing."""

    start_s: float
    rate_hz: float
    values: NDArray[np.floating]


@dataclass(frozen=True, kw_only=True, slots=True)
class Peaks:
    """R peaks of shape (n,), in seconds, and what is between them, shape (n - 1,).

    ``joined[i]`` says that peak i + 1 follows peak i; ``guessed[i]`` that one of the two was put in by the rhythm.
    """

    time_s: F64
    joined: B
    guessed: B

    @classmethod
    def empty(cls) -> Peaks:
        """No peaks."""
        no = np.empty(0, dtype=bool)
        return cls(time_s=np.empty(0), joined=no, guessed=no)


def peaks_of(segments: Sequence[EcgSegment]) -> Peaks:
    """Find the R peaks of an ECG.

    Parameters
    ----------
    segments : sequence of EcgSegment
        In order of time.

    Returns
    -------
    Peaks

    Raises
    ------
    DataError
        If a sampling rate is below 40 Hz: a QRS complex falls between the samples.
    """
    times: list[F64] = []
    joined: list[B] = []
    guessed: list[B] = []
    last = -np.inf
    for segment in segments:
        if not segment.rate_hz >= _SLOWEST_HZ:
            raise DataError(
                f"expected an ECG of at least {_SLOWEST_HZ:g} samples a second, got {segment.rate_hz:g};"
                " give the rate in the file's header or leave this signal out",
                value=f"{segment.rate_hz:g}",
            )
        x = np.asarray(segment.values, dtype=np.float64)
        for a, b in _sound(x, segment.rate_hz):
            found = _stretch(x[a:b], segment.rate_hz)
            moved = found.time_s + (segment.start_s + a / segment.rate_hz)
            late = np.searchsorted(moved, last + 0.2)
            moved = moved[late:]
            if not moved.size:
                continue
            if times:
                joined.append(np.zeros(1, dtype=bool))
                guessed.append(np.zeros(1, dtype=bool))
            times.append(moved)
            joined.append(found.joined[late:])
            guessed.append(found.guessed[late:])
            last = float(moved[-1])
    if not times:
        return Peaks.empty()
    return Peaks(time_s=np.concatenate(times), joined=np.concatenate(joined), guessed=np.concatenate(guessed))


def _sound(x: F64, rate_hz: float) -> list[tuple[int, int]]:
    """Stretches without missing samples in which something moves (a lead that is off gives a flat line)."""
    good = np.isfinite(x)
    step = np.abs(np.diff(np.where(good, x, 0.0), prepend=x[:1]))
    still = step <= 1e-12
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if (b - a) / rate_hz >= _FLAT_S:
            good[a:b] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    return [
        (a, b)
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        if (b - a) / rate_hz >= _LEAST_S and float(np.ptp(x[a:b])) > 0
    ]


def _work(x: F64, rate_hz: float) -> tuple[F64, float]:
    """The signal at 200 to 500 Hz, by a whole factor; its rate."""
    from scipy.signal import resample_poly

    level = float(np.median(x))
    if rate_hz < _WORK_HZ:
        up = int(np.ceil(_WORK_HZ / rate_hz))
        return resample_poly(x - level, up, 1), rate_hz * up
    down = int(rate_hz // 250)
    if down >= 2:
        return resample_poly(x - level, 1, down), rate_hz / down
    return x - level, rate_hz


def _railed(x: F64) -> F64:
    """Samples that stand at the end of the range, three or more in a row."""
    end = (x == x.max()) | (x == x.min())
    inside = end[1:-1] & end[:-2] & end[2:]
    found: F64 = np.flatnonzero(inside).astype(np.float64) + 1.0
    return found


def _library(x: F64, rate_hz: float) -> F64:
    """Peaks of the library's detector, in seconds; none where it gives up."""
    from sleepecg.heartbeats import detect_heartbeats

    try:
        found: F64 = np.unique(detect_heartbeats(x, rate_hz)) / rate_hz
    except (ValueError, IndexError, ZeroDivisionError):
        return np.empty(0)
    return found


def _stretch(x: F64, rate_hz: float) -> Peaks:
    work, work_hz = _work(x, rate_hz)
    other = _library(work, work_hz)
    track = find_track(work, work_hz, other, _railed(x) / rate_hz)
    if track.time_s.size < 4:
        return Peaks.empty()
    keep = np.flatnonzero(_trusted(track))
    if keep.size < 2:
        return Peaks.empty()
    between = np.where(np.diff(keep) == 1, track.between[keep[1:]], -1)
    return _filled(track.time_s[keep], between, other)


def _filled(times: F64, between: NDArray[np.int64], other: F64) -> Peaks:
    """Put in the beats that left no trace: where the library saw exactly one (another shape), else evenly."""
    out_t, out_j, out_g = [times[:1]], [], []
    for k in range(times.size - 1):
        inside = np.empty(0)
        seen = False
        if between[k] != 0:
            inside = other[(other > times[k] + 0.25) & (other < times[k + 1] - 0.25)]
            seen = inside.size == 1 and bool(between[k] <= 1)
            if not seen:
                inside = np.linspace(times[k], times[k + 1], int(max(between[k], 0)) + 2)[1:-1]
        out_t += [inside, times[k + 1 : k + 2]]
        out_j.append(np.full(inside.size + 1, between[k] >= 0 or seen))
        out_g.append(np.full(inside.size + 1, between[k] > 0 and not seen))
    return Peaks(time_s=np.concatenate(out_t), joined=np.concatenate(out_j), guessed=np.concatenate(out_g))


def _trusted(track: Track) -> B:
    """Beats whose surroundings hold together.

    The beat shape is seen, and clearly, or both detectors agree, or the rhythm is even; the evidence speaks for beats;
    most of the beats around left a trace.
    """
    like = _around(track.likeness)
    agree = _around(track.other.astype(np.float64), mean=True)
    gone = np.maximum(track.between, 0)
    step = np.log(np.diff(track.time_s) / (1 + gone[1:]))
    held = np.flatnonzero(track.between[1:] >= 0)
    if held.size < 4:
        return np.zeros(track.time_s.size, dtype=bool)
    step = step[held[np.maximum(np.searchsorted(held, np.arange(step.size), side="right") - 1, 0)]]
    uneven = _around(np.abs(np.diff(step, prepend=step[0], append=step[-1])))
    holds = (like >= _CLEAR) | (agree >= _AGREE) | (uneven < _EVEN)
    evidence = _around(track.evidence, mean=True)
    without = _around(gone.astype(np.float64), mean=True)
    sure = (evidence >= _SURE) & (agree >= _AGREE) & (without == 0)
    # noise gives bumps at 2.3 to 2.6 times its root mean square; a tall T wave brings a clear ECG down to 3
    clear = (track.clearness >= _ABOVE) & ((track.clearness >= _NOISE) | (like >= _CLEAR))
    found: B = holds & clear & (like >= _LIKE) & (evidence > _EVIDENT) & (without <= _GONE)
    found &= sure | ~_leapt(track.time_s, step)
    return found


def _leapt(time_s: F64, log_interval: F64) -> B:
    """Beats of stretches that begin or end with a leap of the rate, next to a longer stretch at another rate.

    No heart changes its rate by 40 % from one beat to the next and keeps the new one; a detector that has lost the
    rhythm and follows every second beat, or the steps, does.
    """
    level = rolling_median(log_interval, 5)
    cut = np.flatnonzero(np.abs(np.diff(level)) > _LEAP) + 1
    edges = np.concatenate([[0], cut, [level.size]])
    begins, ends = edges[:-1], edges[1:]
    length = time_s[ends] - time_s[begins]
    first, last = level[begins], level[ends - 1]
    leapt = np.zeros(time_s.size, dtype=bool)
    for k in range(begins.size):
        for other, away in (
            (k - 1, abs(first[k] - last[k - 1]) if k else 0.0),
            (k + 1, abs(last[k] - first[k + 1]) if k + 1 < begins.size else 0.0),
        ):
            if away > _LEAP and length[k] < min(_BRIEF_S, length[other]):
                leapt[begins[k] : ends[k] + 1] = True
    return leapt


def _around(x: F64, *, mean: bool = False) -> F64:
    padded = np.pad(x, _NEAR // 2, mode="reflect" if x.size > _NEAR else "edge")
    rows = np.lib.stride_tricks.sliding_window_view(padded, _NEAR)
    found: F64 = rows.mean(axis=1) if mean else np.median(rows, axis=1)
    return found
