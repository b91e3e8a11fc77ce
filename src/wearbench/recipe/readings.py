"""Readings of a series: which carry a value, some of them, their usual interval, those on one clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.steps import ClockStep, outside_steps
from wearbench.quantities import Quantity
from wearbench.recipe.material import Series

__all__ = [
    "chosen_readings",
    "clock_stamps",
    "good_values",
    "usual_interval",
    "without_steps",
]

F64 = NDArray[np.float64]


def usual_interval(time_s: F64) -> float:
    """Median interval between readings, seconds; 1 for fewer than two."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0


def good_values(series: Series, quantity: Quantity) -> NDArray[np.bool_]:
    """Readings that carry a value: finite and not a sentinel."""
    good = np.isfinite(series.value)
    for sentinel in quantity.sentinels:
        good &= series.value != sentinel
    return good


def clock_stamps(series: Series) -> F64:
    """What stands for a reading's stamp in a clock fit: the middle of a window of its own, else the stamp."""
    if series.start_s is not None and series.end_s is not None:
        middle: F64 = 0.5 * (series.start_s + series.end_s)
        return middle
    return series.time_s


def chosen_readings(series: Series, rows: NDArray[np.int64]) -> Series:
    """Some readings of a series."""
    return replace(
        series,
        time_s=series.time_s[rows],
        value=series.value[rows],
        source_row=series.source_row[rows],
        start_s=None if series.start_s is None else series.start_s[rows],
        end_s=None if series.end_s is None else series.end_s[rows],
        moved_s=None if series.moved_s is None else series.moved_s[rows],
    )


def without_steps(series: Series, steps: tuple[ClockStep, ...]) -> Series:
    """The readings of a series outside the stretches that are on another clock."""
    if not steps:
        return series
    return chosen_readings(series, np.flatnonzero(outside_steps(clock_stamps(series), steps)))
