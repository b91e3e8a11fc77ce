"""Windows of readings: how long, where from the stamp, and the reference over them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.modes import Modes, nearest_mode, split_modes
from wearbench.core.pairing import Pairs, make_pairs, reading_seconds, rhythm, windows_of
from wearbench.core.running import Running
from wearbench.quantities import Quantity
from wearbench.recipe.material import ReferenceMaterial, Series
from wearbench.recipe.readings import chosen_readings, usual_interval
from wearbench.settings import Settings
from wearbench.study import DeviceConfig

__all__ = [
    "Lengths",
    "Windowed",
    "as_stamped_shift",
    "half_of",
    "main_lengths",
    "nominal_averaging",
    "on_one_centre",
    "series_modes",
    "window_lengths",
    "windowed",
]

F64 = NDArray[np.float64]

NOMINAL_S = 8.0
"""Averaging assumed for a heart rate at exercise rhythm before anything is known."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Windowed:
    """A series with its windows on the reference's clock, paired."""

    pairs: Pairs
    usual_s: F64
    centre_s: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class Lengths:
    """How long each reading's window is.

    ``averaging_s`` is one figure, or an array of shape (n,) where modes differ; ``move_s`` is how far each window's
    centre lies from that of a reading of the main mode with the same stamp.
    """

    averaging_s: F64 | float
    move_s: F64 | float = 0.0


def as_stamped_shift(device: DeviceConfig, *, averaging_s: float, delay_s: float) -> float:
    """Centre shift if the device's clock is right: by what its readings stand for.

    Parameters
    ----------
    device : DeviceConfig
    averaging_s, delay_s : float

    Returns
    -------
    float
        Seconds from stamp to window centre.
    """
    return half_of(device) * averaging_s - delay_s


def half_of(device: DeviceConfig) -> float:
    """Where a window's centre lies from its stamp, in window lengths."""
    return {"ending": -0.5, "starting": 0.5}.get(device.stands_for, 0.0)


def nominal_averaging(device: DeviceConfig, quantity: Quantity, usual_s: float) -> float:
    """Averaging before anything is learned: declared, else by rhythm."""
    if device.averaging_s is not None:
        return device.averaging_s
    if device.stands_for == "spot":
        return 0.0
    if quantity.state_model:
        return NOMINAL_S if usual_s < 20.0 else usual_s
    return min(usual_s, 600.0)


def series_modes(series: Series, reference: ReferenceMaterial) -> tuple[Modes, int]:
    """The modes of a series, and which is the main one near the reference's own time, as stamped."""
    if series.start_s is not None:
        return Modes(mode=np.zeros(series.time_s.size, dtype=np.int64), usual_s=(usual_interval(series.time_s),)), 0
    modes = split_modes(series.time_s)
    if len(modes.usual_s) == 1:
        modes = replace(modes, usual_s=(usual_interval(series.time_s),))
    beside = (series.time_s >= reference.first_s - 900.0) & (series.time_s <= reference.last_s + 900.0)
    return modes, modes.main(beside)


def window_lengths(
    modes: Modes, device: DeviceConfig, *, usual_s: tuple[float, ...], averaging_s: tuple[float, ...], main_s: float
) -> Lengths:
    """How long each reading's window is, by its mode.

    Parameters
    ----------
    modes : Modes
        Of the series.
    device : DeviceConfig
        What its readings stand for decides how the centre moves with the length.
    usual_s, averaging_s : tuple of float
        Rhythm (ascending) and averaging of each mode that is known.
    main_s : float
        Averaging of the mode that the clock's centre shift is about.

    Returns
    -------
    Lengths
    """
    known = nearest_mode(np.array(modes.usual_s), usual_s)
    length = np.array(averaging_s)[known]
    if bool(np.all(np.abs(length - main_s) < 1e-9)):
        return Lengths(averaging_s=main_s)
    each = length[modes.mode]
    return Lengths(averaging_s=each, move_s=half_of(device) * (each - main_s))


def main_lengths(modes: Modes, main: int, device: DeviceConfig, quantity: Quantity, *, averaging_s: float) -> Lengths:
    """How long each reading's window is before anything is learned, by its mode; ``averaging_s`` in the main one."""
    nominal = [nominal_averaging(device, quantity, each) for each in modes.usual_s]
    nominal[main] = averaging_s
    return window_lengths(modes, device, usual_s=modes.usual_s, averaging_s=tuple(nominal), main_s=averaging_s)


def on_one_centre(series: Series, lengths: Lengths) -> Series:
    """Stamps moved so that one centre shift brings the readings of all modes to their windows' centres.

    Parameters
    ----------
    series : Series
    lengths : Lengths
        Of its readings.

    Returns
    -------
    Series
        In order of time; the same where there is one mode.
    """
    if isinstance(lengths.averaging_s, float) or series.start_s is not None:
        return series
    moved = replace(series, time_s=series.time_s + lengths.move_s)
    return chosen_readings(moved, np.argsort(moved.time_s, kind="stable"))


def windowed(
    series: Series,
    reference: Running,
    quantity: Quantity,
    settings: Settings,
    *,
    clock: ClockFit,
    lengths: Lengths,
    hold_s: float,
    shift_s: F64 | None = None,
    keep_doubtful: bool = False,
) -> Windowed:
    """Windows of a series on the reference's clock, and the reference over them.

    Parameters
    ----------
    series, reference, quantity, settings
    clock : ClockFit
    lengths : Lengths
    hold_s : float
    shift_s : float64 array, optional
        Centre shift for each reading, in place of the fit's own.
    keep_doubtful : bool
        Use windows with doubtful reference too.

    Returns
    -------
    Windowed
    """
    if series.start_s is not None and series.end_s is not None:
        middle = 0.5 * (series.start_s + series.end_s)
        move = clock.centre_s(middle) - middle if shift_s is None else shift_s
        start, end = series.start_s + move, series.end_s + move
    else:
        if not isinstance(lengths.averaging_s, float):
            shift_s = (clock.centre_s(series.time_s) - series.time_s if shift_s is None else shift_s) + lengths.move_s
        start, end = windows_of(series.time_s, clock, averaging_s=lengths.averaging_s, shift_s=shift_s)
    usual = rhythm(series.time_s, series.value)
    pairs = make_pairs(
        reference,
        series.time_s,
        series.value,
        start_s=start,
        end_s=end,
        seconds=reading_seconds(series.time_s, usual, most=settings.reading_counts_for, hold_s=hold_s),
        low=quantity.low,
        high=quantity.high,
        sentinels=quantity.sentinels,
        min_covered=settings.min_covered,
        min_amount=settings.min_beats if reference.scale > 1.0 and np.max(lengths.averaging_s) > 2.0 else 0.0,
        max_doubtful=settings.max_doubtful,
        doubtful_is_reason=not keep_doubtful,
    )
    return Windowed(pairs=pairs, usual_s=usual, centre_s=0.5 * (start + end))
