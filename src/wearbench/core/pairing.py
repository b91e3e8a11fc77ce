"""Windows that readings stand for, and the reference over exactly the same windows.

Validity is an integer mask of reasons: 0 means the pair may be used; else the first reason that applies, in the order
of ``REASONS``. None of them looks at the tested value, other than that it is there and can be true.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.running import Running, values_over
from wearbench.errors import DataError

__all__ = [
    "REASONS",
    "Pairs",
    "StandsFor",
    "late_envelope",
    "make_pairs",
    "missing_spans",
    "reading_seconds",
    "rhythm",
    "windows_of",
]

F64 = NDArray[np.float64]
I8 = NDArray[np.int8]
B8 = NDArray[np.bool_]
StandsFor = Literal["ending", "starting", "centred", "spot"]

REASONS: Final[tuple[str, ...]] = (
    "",
    "sentinel",
    "no_reference",
    "out_of_range",
    "covered_too_little",
    "reference_doubtful",
    "not_worn",
    "left_out",
    "rule",
    "clock_unknown",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Pairs:
    """Readings beside the reference over their windows; every array has shape (n,).

    Attributes
    ----------
    start_s, end_s : float64
        The window on the reference's clock, seconds from the session's start.
    seconds : float64
        How long the reading counts for.
    tested, reference : float64
        NaN where there is none.
    covered, mended, doubtful : float64
        Shares of the window.
    reason : int8
        Index into ``REASONS``; 0 is used.
    """

    start_s: F64
    end_s: F64
    seconds: F64
    tested: F64
    reference: F64
    covered: F64
    mended: F64
    doubtful: F64
    reason: I8

    @property
    def used(self) -> B8:
        """Which pairs count."""
        mask: B8 = self.reason == 0
        return mask


def rhythm(time_s: F64, value: F64 | None = None) -> F64:
    """Return the usual interval around each reading, seconds.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Increasing stamps.
    value : float64 array, shape (n,), optional
        The values; without them no recorder is taken for one that writes only changes.

    Returns
    -------
    float64 array, shape (n,)
        Median of the 31 intervals around the reading, so that a device that changes its rhythm (1 s in exercise,
        10 min at rest) has the rhythm of its mode. Recorders that write only changes (whole values of which hardly
        one repeats the one before, at intervals that scatter) get the 90th percentile instead, so that a normal pause
        is not called missing.
    """
    if time_s.size < 2:
        return np.full(time_s.shape, 1.0)
    gap = np.diff(time_s)
    gap = np.maximum(gap, 1e-3)
    width = min(31, gap.size)
    view = np.lib.stride_tricks.sliding_window_view(gap, width)
    if gap.size > 62 and float(gap.min()) == float(gap.max()):
        return np.full(time_s.shape, float(gap[0]))
    parts = np.partition(view, (width // 4, width // 2, (3 * width) // 4, min(width - 1, (9 * width) // 10)), axis=1)
    quarter, middle, upper = parts[:, width // 4], parts[:, width // 2], parts[:, (3 * width) // 4]
    high = parts[:, min(width - 1, (9 * width) // 10)]
    usual = middle
    if value is not None and _writes_changes(value):
        usual = np.where(upper - quarter > 0.5 * middle, high, middle)
    at = np.clip(np.arange(time_s.size) - width // 2, 0, usual.size - 1)
    found: F64 = usual[at]
    return found


def _writes_changes(value: F64) -> bool:
    """Whole values of which hardly one in fifty repeats the one before."""
    seen = value[np.isfinite(value)]
    if seen.size < 30 or float(np.mean(seen == np.rint(seen))) < 0.98:
        return False
    return float(np.mean(np.diff(seen) == 0)) < 0.02


def reading_seconds(time_s: F64, usual_s: F64, *, most: float = 1.5, hold_s: float = 0.0) -> F64:
    """How long each reading counts for: the time to the next, at most ``most`` usual intervals (or ``hold_s``).

    Parameters
    ----------
    time_s, usual_s : float64 arrays, shape (n,)
        Stamps and usual intervals, seconds.
    most : float
        In usual intervals.
    hold_s : float
        For recorders that write only changes: a value stands up to this long.

    Returns
    -------
    float64 array, shape (n,)
        The last reading counts for its usual interval.
    """
    if time_s.size == 0:
        return np.zeros(0)
    gap = np.append(np.diff(time_s), usual_s[-1])
    out: F64 = np.minimum(gap, np.maximum(most * usual_s, hold_s))
    return out


def missing_spans(time_s: F64, usual_s: F64, *, first_s: float, last_s: float, most: float = 1.5) -> F64:
    """Stretches without readings, on the device's stamps.

    Parameters
    ----------
    time_s, usual_s : float64 arrays, shape (n,)
        Stamps of readings that carry a value, and usual intervals.
    first_s, last_s : float
        From when to when readings were expected.
    most : float
        A pause longer than this many usual intervals is missing time; it starts where the last reading stops
        counting.

    Returns
    -------
    float64 array, shape (m, 2)
        Start and end of each stretch, seconds.
    """
    if time_s.size == 0:
        return np.array([[first_s, last_s]]) if last_s > first_s else np.zeros((0, 2))
    reach = most * usual_s
    starts = np.concatenate([[first_s], time_s + reach])
    ends = np.concatenate([time_s, [last_s]])
    starts = np.maximum(starts, first_s)
    ends = np.minimum(ends, last_s)
    open_ = ends - starts > 1e-6
    # A reading may count past the next one's stamp; only real pauses are left by the comparison above.
    return np.stack([starts[open_], ends[open_]], axis=1)


def windows_of(
    time_s: F64, clock: ClockFit, *, averaging_s: F64 | float, shift_s: F64 | None = None
) -> tuple[F64, F64]:
    """Window start and end on the reference's clock for readings stamped ``time_s``.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Device stamps, seconds from the session's start.
    clock : ClockFit
        Gives the window's centre.
    averaging_s : float or float64 array
        Length of the window.
    shift_s : float64 array, optional
        Centre shift for each reading (drift included) in place of the fit's own.

    Returns
    -------
    tuple of float64 arrays, shape (n,)
    """
    centre = clock.centre_s(time_s) if shift_s is None else time_s + shift_s
    return centre - 0.5 * averaging_s, centre + 0.5 * averaging_s


def make_pairs(
    reference: Running,
    time_s: F64,
    tested: F64,
    *,
    start_s: F64,
    end_s: F64,
    seconds: F64,
    low: float,
    high: float,
    sentinels: tuple[float, ...],
    min_covered: float,
    min_amount: float,
    max_doubtful: float,
    doubtful_is_reason: bool = True,
) -> Pairs:
    """Pair readings with the reference over the same windows.

    Parameters
    ----------
    reference : Running
    time_s, tested : float64 arrays, shape (n,)
        Device stamps and values.
    start_s, end_s : float64 arrays, shape (n,)
        Windows on the reference's clock.
    seconds : float64 array, shape (n,)
    low, high : float
        Bounds of what can be true in a person; a reference outside them is not trusted. The tested value is not held
        to them: a reading of 20 bpm is wrong, not absent.
    sentinels : tuple of float
        Values that mean "no value".
    min_covered : float
        Least share of the window with reference.
    min_amount : float
        Least amount (beats) in a window that is not fully covered; 0 switches it off.
    max_doubtful : float
        Largest share of the window where the reference is doubtful.
    doubtful_is_reason : bool
        False keeps doubtful windows in use (the headline is printed with and without).

    Returns
    -------
    Pairs

    Raises
    ------
    DataError
        If the arrays differ in length.
    """
    if not (time_s.shape == tested.shape == start_s.shape == end_s.shape == seconds.shape):
        raise DataError(
            f"expected stamps, values, windows and seconds of one length, got {time_s.size}, {tested.size}, "
            f"{start_s.size}, {end_s.size} and {seconds.size}"
        )
    window = values_over(reference, start_s, end_s)
    reason = np.zeros(time_s.shape, dtype=np.int8)

    def mark(where: B8, name: str) -> None:
        reason[where & (reason == 0)] = REASONS.index(name)

    is_sentinel = ~np.isfinite(tested)
    for number in sentinels:
        is_sentinel |= tested == number
    mark(is_sentinel, "sentinel")
    mark(~(window.covered >= 0.01), "no_reference")
    mark((window.value < low) | (window.value > high), "out_of_range")
    too_little = window.covered < min_covered
    if min_amount > 0:
        too_little |= (window.covered < 0.999) & (window.amount < min_amount)
    mark(too_little, "covered_too_little")
    if doubtful_is_reason:
        mark(window.doubtful > max_doubtful, "reference_doubtful")
    return Pairs(
        start_s=start_s,
        end_s=end_s,
        seconds=seconds,
        tested=np.where(is_sentinel, np.nan, tested),
        reference=window.value,
        covered=window.covered,
        mended=window.mended,
        doubtful=window.doubtful,
        reason=reason,
    )


def late_envelope(reference: Running, start_s: F64, end_s: F64, *, late_s: float, steps: int = 6) -> tuple[F64, F64]:
    """Lowest and highest reference over windows moved back by 0 to ``late_s``.

    Parameters
    ----------
    reference : Running
    start_s, end_s : float64 arrays, shape (n,)
    late_s : float
        How late following still counts as following.
    steps : int
        Windows looked at, evenly spaced.

    Returns
    -------
    tuple of float64 arrays, shape (n,)
        NaN where no window is covered by at least half.
    """
    low = np.full(start_s.shape, np.inf)
    high = np.full(start_s.shape, -np.inf)
    for back in np.linspace(0.0, late_s, steps):
        window = values_over(reference, start_s - back, end_s - back)
        good = window.covered >= 0.5
        np.minimum(low, window.value, out=low, where=good)
        np.maximum(high, window.value, out=high, where=good)
    none = ~np.isfinite(low)
    low[none] = np.nan
    high[none] = np.nan
    return low, high
