"""States, what they are judged from, and what is known of a device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.runs import columns_of, runs_of

__all__ = ["STATES", "StateInput", "StateParameters", "cadence_multiples", "credible_cadence"]

F64 = NDArray[np.float64]

STATES: Final[tuple[str, ...]] = (
    "faithful",
    "halved",
    "doubled",
    "off_ratio",
    "cadence_locked",
    "between",
    "frozen",
    "astray",
)
FAITHFUL, HALVED, DOUBLED, OFF_RATIO, CADENCE_LOCKED, BETWEEN, FROZEN, ASTRAY = range(8)
UNJUDGED: Final = -1

OFF_RATIOS: Final = (2.0 / 3.0, 3.0 / 2.0, 1.0 / 3.0, 3.0)
STEP_MULTIPLES: Final = (1.0, 2.0, 0.5)
STROKE_MULTIPLES: Final = (2.0, 3.0, 4.0)
EITHER_MULTIPLES: Final = (1.0, 2.0, 3.0)
LEAST_STEPS: Final = 50.0
LEAST_RATE: Final = 40.0
"""A slower cadence is no number that a heart rate sensor keeps to by itself (common practice, no source)."""
MOVED_BPM: Final = 0.1
"""A level that changed by no more from one reading to the next stood still."""

HOLD_S: Final = {
    FAITHFUL: 900.0,
    HALVED: 120.0,
    DOUBLED: 90.0,
    OFF_RATIO: 60.0,
    CADENCE_LOCKED: 90.0,
    ASTRAY: 40.0,
    FROZEN: 60.0,
}
ENTER: Final = {
    FAITHFUL: 0.45,
    HALVED: 0.10,
    DOUBLED: 0.05,
    OFF_RATIO: 0.015,
    CADENCE_LOCKED: 0.06,
    BETWEEN: 0.20,
    ASTRAY: 0.06,
    FROZEN: 0.08,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class StateParameters:
    """Parameters of the state model of one device.

    Attributes
    ----------
    spread : float
        Standard deviation of the log ratio of a faithful reading, beyond ``noise_bpm``.
    noise_bpm : float
        Part of the spread that is constant in beats a minute (rounding, beats at window edges).
    change_share, still_share : float
        Share of readings that differ from the one before while the reference moves, and while it stands still.
    memory_s : float
        Time in which the correlation of the errors of faithful readings falls to 1/e.
    hold_readings : float
        Usual number of readings of one value while the reference moves.
    n : int
        Readings this was learned from.
    """

    spread: float = 0.025
    noise_bpm: float = 0.8
    change_share: float = 0.5
    still_share: float = 0.2
    memory_s: float = 3.0
    hold_readings: float = 1.0
    n: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class StateInput:
    """What the state model looks at; arrays of shape (n,), NaN where there is no value.

    ``low`` and ``high`` bound the reference over windows up to the tolerated lateness earlier; ``cadence`` is NaN
    where no stride is credible; ``seconds`` is what a reading counts for; ``time_s`` the window's end.
    """

    time_s: F64
    seconds: F64
    tested: F64
    reference: F64
    low: F64
    high: F64
    cadence: F64
    averaging_s: float


def credible_cadence(time_s: F64, cadence: F64) -> F64:
    """Cadence where a stride or stroke is credible, else NaN.

    Parameters
    ----------
    time_s, cadence : float64 arrays, shape (n,)
        Pods print a number at rest too; a real one is steady: within 8 % of the median of the 9 values around it, for
        at least 10 s, and between 15 and 230 a minute.

    Returns
    -------
    float64 array, shape (n,)

    Notes
    -----
    Common practice in spirit, the figures are our own.
    """
    good = np.isfinite(cadence) & (cadence >= 15.0) & (cadence <= 230.0)
    out = np.full(cadence.shape, np.nan)
    if int(good.sum()) < 5:
        return out
    value = np.where(good, cadence, 0.0)
    width = min(9, value.size)
    view = np.lib.stride_tricks.sliding_window_view(
        np.pad(value, (width // 2, width - 1 - width // 2), mode="edge"), width
    )
    middle = np.median(view, axis=1)
    steady = good & (np.abs(value - middle) <= 0.08 * middle)
    spread = np.median(np.abs(view - middle[:, None]), axis=1) <= 0.05 * middle
    steady &= spread
    for first, stop, kind in zip(*columns_of(runs_of(steady.astype(np.int8))), strict=True):
        if kind and time_s[stop - 1] - time_s[first] >= 10.0:
            out[first:stop] = cadence[first:stop]
    return out


def cadence_multiples(cadence: F64) -> tuple[float, ...]:
    """Multiples of a cadence that a device may lock to, most usual first.

    Parameters
    ----------
    cadence : float64 array, shape (n,)
        Per minute, NaN where none is credible.

    Returns
    -------
    tuple of float
        Steps (50 a minute or more) are taken at one, two and half times; strokes at two, three and four times. From 40
        to 50 a minute it may be slow steps, counted on one leg, or quick strokes: one, two and three times.
    """
    seen = cadence[np.isfinite(cadence)]
    if seen.size == 0:
        return ()
    usual = float(np.median(seen))
    if usual >= LEAST_STEPS:
        return STEP_MULTIPLES
    return EITHER_MULTIPLES if usual >= LEAST_RATE else STROKE_MULTIPLES
