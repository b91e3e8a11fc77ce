"""The clock of a series: searched for in the data, or taken as declared."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit, declared_clock, fit_clock
from wearbench.core.smoothing import Shape, smoothed
from wearbench.core.steps import ClockStep, find_steps
from wearbench.quantities import Quantity
from wearbench.recipe.material import ReferenceMaterial, Series
from wearbench.recipe.readings import chosen_readings, clock_stamps, good_values
from wearbench.recipe.windows import as_stamped_shift
from wearbench.settings import Settings
from wearbench.study import DeviceConfig

__all__ = ["clock_steps", "finite_width", "first_clock", "searches_clock"]


def searches_clock(device: DeviceConfig, quantity: Quantity) -> bool:
    """Whether the clock is looked for in the data at all."""
    return quantity.state_model and not (device.clock == "shared" and device.delay_s is not None)


def first_clock(
    device: DeviceConfig,
    quantity: Quantity,
    series: Series,
    reference: ReferenceMaterial,
    settings: Settings,
    *,
    averaging_s: float,
    shape: Shape = "boxcar",
    start_s: float | None = None,
    seed: int = 0,
) -> ClockFit:
    """Find, or take as declared, the clock of a series.

    Parameters
    ----------
    device, quantity, series, reference, settings
    averaging_s : float
        Averaging the reference gets.
    shape : {"boxcar", "exponential"}
    start_s : float, optional
        Centre shift known roughly.
    seed : int

    Returns
    -------
    ClockFit
    """
    own = series.start_s is not None and series.end_s is not None
    near = 0.0 if own else as_stamped_shift(device, averaging_s=averaging_s, delay_s=device.delay_s or 0.0)
    at = float(np.mean(series.time_s[[0, -1]])) if series.time_s.size else 0.0
    if not searches_clock(device, quantity):
        method = (
            "declared: shared clock and delay"
            if quantity.state_model
            else "as stamped: only a heart rate is searched for"
        )
        return declared_clock(shift_s=near, at_s=at, method=method)
    good = good_values(series, quantity)
    time_s = clock_stamps(series)
    search = settings.zone_hours * 3600.0 + 900.0
    if device.clock == "shared":
        # Only delay and averaging are open: none is longer than a minute.
        start_s = near - 5.0 if start_s is None else start_s
        search = 60.0
    elif not (reference.start_known and series.start_known):
        search = 48 * 3600.0
    return fit_clock(
        reference.running.without_doubtful(),
        time_s[good],
        series.value[good],
        averaging_s=max(averaging_s, 1.0),
        shape=shape,
        search_s=search,
        near_s=near,
        start_s=start_s,
        max_drift_ppm=settings.max_drift_ppm,
        prior_drift_ppm=settings.prior_drift_ppm,
        confidence=settings.confidence,
        seed=seed,
    )


def clock_steps(
    device: DeviceConfig,
    quantity: Quantity,
    series: Series,
    reference: ReferenceMaterial,
    settings: Settings,
    *,
    clock: ClockFit,
    averaging_s: float,
    seed: int = 0,
) -> tuple[ClockStep, ...]:
    """Find stretches of a series that are on another clock than the rest.

    Parameters
    ----------
    device, quantity, series, reference, settings
    clock : ClockFit
        Of the whole series.
    averaging_s : float
    seed : int

    Returns
    -------
    tuple of ClockStep
        None for clocks that are shared or declared, or without a start: there is nothing to step from.
    """
    if not searches_clock(device, quantity) or device.clock == "shared":
        return ()
    if not (reference.start_known and series.start_known) or series.time_s.size < 2:
        return ()
    good = good_values(series, quantity) & (series.value > 0)
    time_s = clock_stamps(series)
    rows = np.flatnonzero(good)

    def fit(chosen: NDArray[np.bool_]) -> ClockFit:
        part = chosen_readings(series, rows[chosen])
        return first_clock(device, quantity, part, reference, settings, averaging_s=averaging_s, seed=seed)

    trusted = smoothed(reference.running.without_doubtful(), averaging_s=max(averaging_s, 1.0))
    return find_steps(trusted, time_s[good], series.value[good], clock=clock, fit=fit)


def finite_width(clock: ClockFit) -> float:
    """Width of a clock's interval, infinite where it has none."""
    width = clock.high_s - clock.low_s
    return width if math.isfinite(width) else math.inf
