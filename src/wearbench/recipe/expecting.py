"""When a device was expected to give values, and when it gave none; all on the reference's clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.pairing import REASONS, missing_spans
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.readings import clock_stamps, good_values
from wearbench.recipe.windows import Windowed

__all__ = ["HAND_S", "expected_span", "in_place", "missing"]

F64 = NDArray[np.float64]

HAND_S = 120.0
"""Devices are started and stopped by hand: so much at either end is nobody's fault."""


def in_place(one: Comparison, window: Windowed) -> Windowed:
    """Windows where they would lie on one clock: when the device gave values can be told whatever its stamps say."""
    if not one.steps:
        return window
    stamp_s = clock_stamps(one.series)
    move = np.zeros(stamp_s.size)
    for step in one.steps:
        move[(stamp_s >= step.from_s - 1e-6) & (stamp_s <= step.to_s + 1e-6)] = step.shift_s
    pairs = replace(window.pairs, start_s=window.pairs.start_s + move, end_s=window.pairs.end_s + move)
    return replace(window, pairs=pairs, centre_s=window.centre_s + move)


def expected_span(one: Comparison, window: Windowed) -> tuple[float, float]:
    """From when to when the device was expected to give values.

    Parameters
    ----------
    one : Comparison
    window : Windowed
        As ``in_place`` gives it.

    Returns
    -------
    tuple of float
        First and last second.
    """
    session, origin_ms = one.session, one.origin_ms
    good = np.flatnonzero(good_values(one.series, one.quantity))
    low, high = one.reference.first_s, one.reference.last_s
    if session.start_ms is not None:
        low = max(low, (session.start_ms - origin_ms) / 1000.0)
    elif good.size:
        first = float(window.pairs.start_s[good[0]])
        low = first if first - low <= HAND_S else low
    if session.end_ms is not None:
        high = min(high, (session.end_ms - origin_ms) / 1000.0)
    elif good.size:
        last = float(window.pairs.end_s[good[-1]])
        high = last if high - last <= HAND_S else high
    return low, max(low, high)


def missing(one: Comparison, window: Windowed, expected: tuple[float, float]) -> F64:
    """Stretches without a value.

    Parameters
    ----------
    one : Comparison
    window : Windowed
        As ``in_place`` gives it.
    expected : tuple of float

    Returns
    -------
    float64 array, shape (m, 2)
    """
    most = one.settings.reading_counts_for
    if window.pairs.reason.size and bool(np.all(window.pairs.reason == REASONS.index("clock_unknown"))):
        return np.zeros((0, 2))
    good = good_values(one.series, one.quantity)
    usual = np.maximum(window.usual_s, one.hold_s / most)
    if not good.any():
        return missing_spans(np.zeros(0), np.zeros(0), first_s=expected[0], last_s=expected[1])
    # A reading stands at its window's centre: half a window at either end is not missing.
    half = 0.5 * (window.pairs.end_s - window.pairs.start_s)[good]
    return missing_spans(
        window.centre_s[good],
        usual[good],
        first_s=min(expected[0] + float(half[0]), expected[1]),
        last_s=max(expected[1] - float(half[-1]), expected[0]),
        most=most,
    )
