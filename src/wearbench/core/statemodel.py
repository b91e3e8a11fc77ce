"""States, what they are judged from, and how likely a reading is in each of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.runs import columns_of, runs_of

__all__ = ["STATES", "StateInput", "StateParameters", "cadence_multiples", "credible_cadence", "log_emissions"]

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
LOG_WIDTH: Final = 3.2
"""Width of the log ratio range that an astray reading may lie in (1/5 to 5 times)."""


HOLD_S: Final = {
    FAITHFUL: 900.0,
    HALVED: 120.0,
    DOUBLED: 90.0,
    OFF_RATIO: 60.0,
    CADENCE_LOCKED: 90.0,
    ASTRAY: 40.0,
}
ENTER: Final = {
    FAITHFUL: 0.45,
    HALVED: 0.10,
    DOUBLED: 0.05,
    OFF_RATIO: 0.015,
    CADENCE_LOCKED: 0.12,
    BETWEEN: 0.20,
    ASTRAY: 0.06,
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
    change_share : float
        Share of readings that differ from the one before while the reference moves.
    n : int
        Readings this was learned from.
    """

    spread: float = 0.025
    noise_bpm: float = 0.8
    change_share: float = 0.5
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
        Steps (50 a minute or more) are taken at one, two and half times; strokes at two, three and four times.
    """
    seen = cadence[np.isfinite(cadence)]
    if seen.size == 0:
        return ()
    return STEP_MULTIPLES if float(np.median(seen)) >= 50.0 else STROKE_MULTIPLES


def _log_normal(x: F64, sigma: F64) -> F64:
    out: F64 = -0.5 * np.square(x / sigma) - np.log(sigma) - 0.9189385332046727
    return out


def _mode_density(x: F64, outside: F64, width: F64, sigma: F64) -> F64:
    """Log density of a reading that follows a mode: near it, or late within the envelope, or a rare slip."""
    near = 0.80 * np.exp(_log_normal(x, sigma)) + 0.12 * np.exp(_log_normal(x, 3.0 * sigma))
    late = 0.08 * np.exp(-0.5 * np.square(outside / sigma)) / (sigma * 2.5066 + width)
    return np.log(near + late + 2e-5)


def _with_edge(density: F64, x: F64, low: float, high: float) -> F64:
    """Add a twentieth of the density evenly over an edge of the mode."""
    inside = (x >= low) & (x <= high)
    edge = np.where(inside, math.log(0.05 / (high - low)), -50.0)
    return np.where(np.isfinite(density), np.logaddexp(np.nan_to_num(density), edge), density)


def log_emissions(data: StateInput, parameters: StateParameters) -> tuple[F64, list[tuple[int, float]]]:
    """Log density of each reading in each state of the chain.

    Parameters
    ----------
    data : StateInput
    parameters : StateParameters

    Returns
    -------
    emission : float64 array, shape (n, K)
        A row of zeros where there is nothing to compare with.
    meaning : list of (int, float)
        State, and ratio or cadence multiple, of each column.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        log_tested = np.log(data.tested)
        log_reference = np.log(data.reference)
        log_low, log_high = np.log(data.low), np.log(data.high)
        log_cadence = np.log(data.cadence)
    log_low = np.fmin(log_low, log_reference)
    log_high = np.fmax(log_high, log_reference)
    sigma = np.sqrt(parameters.spread**2 + np.square(parameters.noise_bpm / np.maximum(data.tested, 20.0)))
    wide = np.sqrt(np.square(sigma) + 0.015**2)
    x = log_tested - log_reference
    columns: list[F64] = []
    meaning: list[tuple[int, float]] = []

    def follow(log_ratio: float, spread: F64) -> F64:
        low, high = log_low + log_ratio, log_high + log_ratio
        outside = np.maximum(np.maximum(low - log_tested, log_tested - high), 0.0)
        return _mode_density(x - log_ratio, outside, high - low, spread)

    columns.append(follow(0.0, sigma))
    meaning.append((FAITHFUL, 1.0))
    # A window with 80 % of a mode has that state: its readings reach a fifth of the way towards the true rate.
    columns.append(_with_edge(follow(math.log(0.5), wide), x, math.log(0.5), math.log(0.6)))
    meaning.append((HALVED, 0.5))
    columns.append(_with_edge(follow(math.log(2.0), wide), x, math.log(1.8), math.log(2.0)))
    meaning.append((DOUBLED, 2.0))
    for ratio in OFF_RATIOS:
        columns.append(_mode_density(x - math.log(ratio), np.full(x.shape, 9.0), np.zeros(x.shape), sigma))
        meaning.append((OFF_RATIO, ratio))
    if bool(np.isfinite(log_cadence).any()):
        usual = float(np.nanmedian(data.cadence))
        multiples = STEP_MULTIPLES if usual >= 50.0 else STROKE_MULTIPLES
        for multiple in multiples:
            distance = log_tested - log_cadence - math.log(multiple)
            density = np.log(
                0.95 * np.exp(_log_normal(distance, wide)) + 0.05 * np.exp(_log_normal(distance, 2.0 * wide)) + 2e-5
            )
            columns.append(np.where(np.isfinite(distance), density, -11.0))
            meaning.append((CADENCE_LOCKED, multiple))
    # A blend lies between two modes; an astray reading anywhere but near the reference.
    blend = np.where((x > math.log(0.45)) & (x < math.log(2.2)), -math.log(1.6), -6.0)
    columns.append(blend)
    meaning.append((BETWEEN, math.nan))
    off = np.maximum(np.maximum(log_low - log_tested, log_tested - log_high), 0.0)
    away = -np.expm1(-np.square(np.square(off / np.maximum(0.10, 3.5 * sigma))))
    columns.append(np.log(away / LOG_WIDTH + 1e-6))
    meaning.append((ASTRAY, math.nan))
    emission = np.stack(columns, axis=1)
    nothing = ~np.isfinite(x)
    emission[nothing] = 0.0
    return emission, meaning
