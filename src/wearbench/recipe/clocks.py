"""The clock of a series: searched for in the data, or taken as declared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit, declared_clock, fit_clock
from wearbench.core.clockbias import NO_BIAS, BiasPrior
from wearbench.core.smoothing import Shape, smoothed
from wearbench.core.steps import ClockStep, find_steps
from wearbench.quantities import Quantity
from wearbench.recipe.material import ReferenceMaterial, Series
from wearbench.recipe.places import clock_owners
from wearbench.recipe.readings import chosen_readings, clock_stamps, good_values
from wearbench.recipe.windows import as_stamped_shift, half_of
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, StudyConfig

__all__ = ["OPEN_S", "around_clock", "clock_steps", "finite_width", "first_clock", "owned", "searches_clock"]

OPEN_S = 60.0
"""No device shows a value that is older (our own figure)."""
_MARGIN_S = 10.0


def searches_clock(device: DeviceConfig, quantity: Quantity) -> bool:
    """Whether the clock is looked for in the data at all."""
    return quantity.state_model and not (device.clock == "shared" and device.delay_s is not None)


def around_clock(device: DeviceConfig, near_s: float, *, averaging_s: float) -> tuple[float, float]:
    """Where the centre shift of a device can lie whose clock is known.

    Parameters
    ----------
    device : DeviceConfig
        It may be late by a minute; what of delay and averaging is declared is not open.
    near_s : float
        Centre shift by the clock alone, without delay.
    averaging_s : float
        As assumed: it may be as much longer, or none.

    Returns
    -------
    tuple of float
    """
    late = 0.0 if device.delay_s is not None else OPEN_S
    open_s = 0.0 if device.averaging_s is not None else max(0.5 * OPEN_S, 0.5 * averaging_s) * abs(half_of(device)) * 2
    return near_s - late - open_s - _MARGIN_S, near_s + open_s + _MARGIN_S


def owned(config: StudyConfig, name: str) -> DeviceConfig:
    """A device with its clock followed to the end: "own", "shared" (the reference's), or whose clock it is.

    Parameters
    ----------
    config : StudyConfig
    name : str

    Returns
    -------
    DeviceConfig
    """
    device = config.devices[name]
    owner = clock_owners(config.devices)[name]
    return replace(device, clock="shared" if owner is None else "own" if owner == name else owner)


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
    within_s: tuple[float, float] | None = None,
    also: Sequence[tuple[float, Shape]] = (),
    bias: BiasPrior = NO_BIAS,
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
    within_s : tuple of float, optional
        Lowest and highest centre shift looked at: the clock is another's, and only how late the device is is open.
    also : sequence of (float, shape)
        Other averagings that the device may have.
    bias : BiasPrior
        What is expected of its constant error.
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
    if within_s is None and device.clock == "shared":
        within_s = around_clock(device, near, averaging_s=averaging_s)
    if within_s is not None:
        search = max(abs(edge) for edge in within_s)
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
        within_s=within_s,
        also=also,
        bias=bias,
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
    within_s: tuple[float, float] | None = None,
    seed: int = 0,
) -> tuple[ClockStep, ...]:
    """Find stretches of a series that are on another clock than the rest.

    Parameters
    ----------
    device, quantity, series, reference, settings
    clock : ClockFit
        Of the whole series.
    averaging_s : float
    within_s : tuple of float, optional
        As in :func:`first_clock`.
    seed : int

    Returns
    -------
    tuple of ClockStep
        None for clocks that are another's or declared, or without a start: there is nothing to step from.
    """
    if not searches_clock(device, quantity) or device.clock == "shared" or within_s is not None:
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
