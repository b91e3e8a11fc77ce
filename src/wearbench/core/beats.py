"""The reference heart beats: when they were, which intervals were mended, and where they are not to be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.artefacts import mend
from wearbench.core.doubt import Doubt, doubt_of_intervals
from wearbench.core.peaks import EcgSegment, peaks_of
from wearbench.core.running import Running
from wearbench.core.stamps import anchor, tiles
from wearbench.errors import CannotTell, DataError

__all__ = ["Beats", "beats_from_ecg", "beats_from_intervals", "running_from_beats"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]

_LOWEST_MS: Final = 200.0
_HIGHEST_MS: Final = 3000.0
_SENTINEL_MS: Final = 60_000.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Beats:
    """Beats of one session and how far to trust them.

    Attributes
    ----------
    time_s : float64 array, shape (n,)
        Strictly increasing seconds from the session's start.
    usable, mended, doubtful : bool arrays, shape (n - 1,)
        By interval between beats: one heart beat long (False: a gap); not as it was found; inside a doubt.
    doubts : tuple of Doubt
        In order of time.
    n_found : int
        Beats or intervals that came in, before anything was mended.
    n_missed, n_extra, n_ectopic, n_long, n_short : int
        Places mended, by kind.
    n_unreadable : int
        Values that cannot be an interval (0, not a number, a recorder's mark for "none").
    late_s : float
        Median lateness of the stamps against the beat times; 0 where there were none.
    """

    time_s: F64
    usable: B
    mended: B
    doubtful: B
    doubts: tuple[Doubt, ...]
    n_found: int
    n_missed: int
    n_extra: int
    n_ectopic: int
    n_long: int
    n_short: int
    n_unreadable: int = 0
    late_s: float = 0.0

    def __post_init__(self) -> None:
        intervals = max(0, self.time_s.size - 1)
        for name in ("usable", "mended", "doubtful"):
            if getattr(self, name).shape != (intervals,):
                raise DataError(f"expected {intervals} flags in {name}, got {getattr(self, name).shape}")
        if bool(np.any(np.diff(self.time_s) <= 0)):
            raise DataError("expected beat times that increase; sort them and drop repeats first")

    @property
    def interval_s(self) -> F64:
        """Seconds from beat to beat, gaps included; shape (n - 1,)."""
        return np.diff(self.time_s)

    @property
    def mended_share(self) -> float:
        """Share of the usable time that was mended; NaN where nothing is usable."""
        length = self.interval_s
        usable = float(length[self.usable].sum())
        return float(length[self.usable & self.mended].sum()) / usable if usable > 0 else float("nan")


def _assemble(
    start_s: float,
    interval_s: F64,
    known: B,
    *,
    n_found: int,
    guessed: B | None = None,
    n_unreadable: int = 0,
    late_s: float = 0.0,
) -> Beats:
    """Doubt, then mend: doubts are about what was found."""
    starts = start_s + np.concatenate([[0.0], np.cumsum(interval_s)])
    doubts = doubt_of_intervals(starts[:-1], interval_s, known=known)
    result = mend(interval_s * 1000.0, known=known, mended=guessed)
    time_s = start_s + np.concatenate([[0.0], np.cumsum(result.interval_ms / 1000.0)])
    usable = result.known & (result.interval_ms <= _HIGHEST_MS)
    middle = (time_s[1:] + time_s[:-1]) / 2
    doubtful = np.zeros(middle.size, dtype=bool)
    for doubt in doubts:
        doubtful |= (middle >= doubt.start_s) & (middle <= doubt.end_s)
    return Beats(
        time_s=time_s,
        usable=usable,
        mended=result.mended & usable,
        doubtful=doubtful & usable,
        doubts=doubts,
        n_found=n_found,
        n_missed=result.n_missed,
        n_extra=result.n_extra,
        n_ectopic=result.n_ectopic,
        n_long=result.n_long,
        n_short=result.n_short,
        n_unreadable=n_unreadable,
        late_s=late_s,
    )


def _none(n_found: int, n_unreadable: int) -> Beats:
    no = np.empty(0, dtype=bool)
    return Beats(
        time_s=np.empty(0),
        usable=no,
        mended=no,
        doubtful=no,
        doubts=(),
        n_found=n_found,
        n_missed=0,
        n_extra=0,
        n_ectopic=0,
        n_long=0,
        n_short=0,
        n_unreadable=n_unreadable,
    )


def beats_from_ecg(segments: Sequence[EcgSegment]) -> Beats:
    """Find the heart beats of an ECG.

    Parameters
    ----------
    segments : sequence of EcgSegment
        In order of time; gaps between them stay gaps unless the rhythm on both sides leaves one beat count only.

    Returns
    -------
    Beats
        Empty where no beat was found.

    Raises
    ------
    DataError
        If a sampling rate is not above 0.
    """
    peaks = peaks_of(segments)
    if peaks.time_s.size < 2:
        return _none(int(peaks.time_s.size), 0)
    return _assemble(
        float(peaks.time_s[0]),
        np.diff(peaks.time_s),
        peaks.joined,
        n_found=int(peaks.time_s.size),
        guessed=peaks.guessed,
    )


def beats_from_intervals(
    interval_ms: F64, *, stamp_s: F64 | None = None, start_s: float = 0.0, resolution_s: float = 0.0
) -> Beats:
    """Place RR intervals in time.

    Parameters
    ----------
    interval_ms : float64 array, shape (n,)
        RR intervals in the order recorded. 0, NaN and 65535 (also as 65535/1024 s) are no intervals: counted, and a
        gap.
    stamp_s : float64 array, shape (n,), optional
        When the recorder noted each interval, at or after its end. Without stamps beats are cumulated from
        ``start_s``, and an interval that cannot be read takes the local median's time.
    start_s : float
        Where the first interval begins, if there are no stamps.
    resolution_s : float
        What stamps were cut to (1 for whole seconds), see `anchor`.

    Returns
    -------
    Beats

    Raises
    ------
    CannotTell
        With slug ``not-beats`` if the intervals do not tile the time between their stamps: they were sampled, and
        60000 / interval is a rate to be treated as one.
    DataError
        If there is not one stamp an interval.
    """
    raw = np.asarray(interval_ms, dtype=np.float64)
    if stamp_s is not None and stamp_s.shape != raw.shape:
        raise DataError(f"expected one stamp an interval, got {stamp_s.size} stamps for {raw.size} intervals")
    readable = np.isfinite(raw) & (raw > 0) & (raw < _SENTINEL_MS)
    n_bad = int(np.count_nonzero(~readable))
    if not bool(readable.any()):
        return _none(int(raw.size), n_bad)
    if stamp_s is None:
        filled = np.where(readable, raw, float(np.median(raw[readable]))) / 1000.0
        known = readable & (raw <= _HIGHEST_MS)
        return _assemble(start_s, filled, known, n_found=int(raw.size), n_unreadable=n_bad)
    check = tiles(raw, stamp_s)
    if not check.tiles:
        raise CannotTell(
            f"expected RR intervals that fill the time between their stamps, got {check.sum_s:.0f} s of intervals in"
            f" {check.elapsed_s:.0f} s (usually {check.ratio:.2f} s a second); they were sampled, not kept beat by"
            " beat, and are used as a heart rate of 60000 / interval",
            slug="not-beats",
        )
    rr = raw[readable] / 1000.0
    placed = anchor(rr, stamp_s[readable], resolution_s=resolution_s)
    gap = placed.gap_s > 0.25
    gap[0] = False
    # each gap becomes an interval of its own, before the interval it precedes
    at = np.flatnonzero(gap)
    lengths = np.insert(rr, at, placed.gap_s[at])
    known = np.insert(rr * 1000.0 <= _HIGHEST_MS, at, False)
    first = float(placed.end_s[0] - rr[0])
    return _assemble(first, lengths, known, n_found=int(raw.size), n_unreadable=n_bad, late_s=placed.late_s)


def running_from_beats(beats: Beats, *, mended: bool = True) -> Running:
    """Beat phase: the running count of beats, linear from beat to beat, with the time it covers.

    Parameters
    ----------
    beats : Beats
    mended : bool
        False turns mended intervals into gaps.

    Returns
    -------
    Running
        Knots at the beats; ``scale`` 60, so that values are beats a minute.

    Notes
    -----
    Each usable interval adds one beat, spread evenly over its length (time-weighted rate with fractional beats).
    """
    length = beats.interval_s
    use = beats.usable if mended else beats.usable & ~beats.mended

    def running(step: F64) -> F64:
        return np.concatenate([np.zeros(min(1, beats.time_s.size)), np.cumsum(step)])

    return Running(
        knot_s=beats.time_s,
        amount=running(use.astype(np.float64)),
        covered_s=running(np.where(use, length, 0.0)),
        mended_s=running(np.where(use & beats.mended, length, 0.0)),
        doubtful_s=running(np.where(use & beats.doubtful, length, 0.0)),
        scale=60.0,
    )
