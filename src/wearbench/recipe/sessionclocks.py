"""First clocks of all tested series of a session: devices on one clock help each other."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from wearbench.core.averaging import AVERAGING_GRID_S
from wearbench.core.clock import ClockFit, tolerant_loss
from wearbench.core.modes import Modes
from wearbench.core.running import Running
from wearbench.core.smoothing import smoothed
from wearbench.core.steps import ClockStep
from wearbench.quantities import Quantity
from wearbench.recipe.clocks import OPEN_S, around_clock, clock_steps, finite_width, first_clock, owned, searches_clock
from wearbench.recipe.marks import Marked, checked_shared, marked_series
from wearbench.recipe.material import ReferenceMaterial, Series, SessionMaterial
from wearbench.recipe.places import BoutClock
from wearbench.recipe.readings import good_values, without_steps
from wearbench.recipe.windows import (
    Lengths,
    as_stamped_shift,
    half_of,
    main_lengths,
    nominal_averaging,
    on_one_centre,
    series_modes,
)
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, StudyConfig

__all__ = ["Placed", "placed_clocks", "placed_series"]


_OTHERS_S: Final = (8.0, 30.0, 120.0, 400.0)
_APART: Final = 2.5
_NOISY: Final = 0.03
_BETTER: Final = 0.08
"""Lengths of averaging tried where the usual one fits poorly, and by how much one must do better (our own figures)."""
_NO_REFERENCE: Final = 0.6


@dataclass(frozen=True, kw_only=True, slots=True)
class Placed:
    """A tested series with its first clock.

    Attributes
    ----------
    series : Series
        Without the stretches that are on another clock.
    reference : ReferenceMaterial
    device, quantity : DeviceConfig, Quantity
        The device's clock is followed to its owner.
    modes, main, averaging_s, lengths
        Its rhythms, the main one, averaging assumed and lengths of windows.
    clock : ClockFit
    steps : tuple of ClockStep
    marked : Marked
    within_s : tuple of float or None
        Where its centre shift can lie, where another device has its clock.
    """

    series: Series
    reference: ReferenceMaterial
    device: DeviceConfig
    quantity: Quantity
    modes: Modes
    main: int
    averaging_s: float
    lengths: Lengths
    clock: ClockFit
    steps: tuple[ClockStep, ...]
    marked: Marked
    within_s: tuple[float, float] | None = None

    @property
    def half_s(self) -> float:
        """From stamp to window centre on a right clock without delay."""
        return 0.0 if self.series.start_s is not None else half_of(self.device) * self.averaging_s


def placed_series(material: SessionMaterial, config: StudyConfig, settings: Settings) -> tuple[Placed, ...]:
    """First clock of each tested series that has a reference.

    Parameters
    ----------
    material : SessionMaterial
    config : StudyConfig
    settings : Settings

    Returns
    -------
    tuple of Placed
        In the order of ``material.tested``. Of devices on one clock that is not the reference's, the owner is fitted
        first, and the others near its answer.
    """
    devices = {series.device: owned(config, series.device) for series in material.tested}
    todo = [
        (number, series)
        for number, series in enumerate(material.tested)
        if material.reference_for(series.quantity) is not None and series.time_s.size
    ]
    # Owners first: whoever is on their clock is looked for near them.
    todo.sort(key=lambda one: devices[one[1].device].clock not in ("own", "shared"))
    found: dict[int, Placed] = {}
    for number, series in todo:
        device = devices[series.device]
        leader = next(
            (one for one in found.values() if _on_one_clock(one.device, device) and _is_known(one.clock)), None
        )
        found[number] = _placed(material, series, device, config, settings, leader=leader)
    return tuple(found[number] for number in sorted(found))


def _on_one_clock(one: DeviceConfig, other: DeviceConfig) -> bool:
    """Whether two devices have one clock that is not the reference's."""
    if one.name == other.name or "shared" in (one.clock, other.clock):
        return False
    return (one.name if one.clock == "own" else one.clock) == (other.name if other.clock == "own" else other.clock)


def _is_known(clock: ClockFit) -> bool:
    return clock.trust in ("good", "declared") and math.isfinite(finite_width(clock))


def _placed(
    material: SessionMaterial,
    series: Series,
    device: DeviceConfig,
    config: StudyConfig,
    settings: Settings,
    *,
    leader: Placed | None,
) -> Placed:
    reference, quantity = material.reference_for(series.quantity), config.all_quantities[series.quantity]
    assert reference is not None
    modes, main = series_modes(series, reference)
    averaging = nominal_averaging(device, quantity, modes.usual_s[main])
    searched = searches_clock(device, quantity)

    def near_leader(averaging: float) -> tuple[float, float] | None:
        if leader is None or not searched:
            return None
        # Less the leader's own delay, which may be as long as this one's.
        near = leader.clock.shift_s - leader.half_s
        near += as_stamped_shift(device, averaging_s=averaging, delay_s=device.delay_s or 0.0)
        low, high = around_clock(device, near, averaging_s=averaging)
        return low, high + (leader.device.delay_s or OPEN_S)

    def search(start_s: float | None = None, *, placed: Series, averaging: float) -> ClockFit:
        return first_clock(
            device,
            quantity,
            placed,
            reference,
            settings,
            averaging_s=averaging,
            start_s=start_s,
            within_s=near_leader(averaging),
            seed=settings.seed,
        )

    def look(series: Series, averaging: float) -> tuple[Lengths, Series, ClockFit]:
        lengths = main_lengths(modes, main, device, quantity, averaging_s=averaging)
        placed = on_one_centre(series, lengths)
        return lengths, placed, search(placed=placed, averaging=averaging)

    lengths, placed, clock = look(series, averaging)
    if searched and device.averaging_s is None and series.start_s is None and _poor(clock):
        # A device that averages over minutes follows nothing closely that is averaged over seconds.
        trusted, usual = reference.running.without_doubtful(), averaging
        best = _misfit(trusted, placed, quantity, clock, averaging_s=averaging) - _BETTER
        tried = [other for other in _OTHERS_S if max(other / usual, usual / other) > _APART]
        for finer in (False, True):
            if finer:
                tried = [] if averaging == usual else [0.5 * averaging, min(2.0 * averaging, AVERAGING_GRID_S[-1])]
            for other in tried:
                found = look(series, other)
                misfit = _misfit(trusted, found[1], quantity, found[2], averaging_s=other)
                if misfit < best:
                    best, averaging, (lengths, placed, clock) = misfit, other, found
    within = near_leader(averaging)
    steps = clock_steps(
        device, quantity, placed, reference, settings, clock=clock, averaging_s=averaging, within_s=within,
        seed=settings.seed,
    )  # fmt: skip
    if steps:
        series = without_steps(series, steps)
        modes, main = series_modes(series, reference)
        lengths, placed, clock = look(series, averaging)
    if clock.trust == "refused" and within is not None and leader is not None:
        clock = replace(
            clock,
            shift_s=min(max(leader.clock.shift_s, within[0]), within[1]),
            low_s=within[0],
            high_s=within[1],
            trust="weak",
            method=f"by the clock of {leader.device.label}: how much later it is cannot be told",
        )
    if device.clock == "shared":
        clock, marked = checked_shared(material, series, reference, clock, settings, label=device.label)
    else:
        clock, marked = marked_series(
            material,
            series,
            reference,
            clock,
            settings,
            label=device.label,
            half_s=0.0 if series.start_s is not None else half_of(device) * averaging,
            steps=steps,
            again=partial(search, placed=placed, averaging=averaging) if searched else None,
        )
    return Placed(
        series=series,
        reference=reference,
        device=device,
        quantity=quantity,
        modes=modes,
        main=main,
        averaging_s=averaging,
        lengths=lengths,
        clock=clock,
        steps=steps,
        marked=marked,
        within_s=within,
    )


def _poor(clock: ClockFit) -> bool:
    """Whether another averaging might do better."""
    return clock.trust != "good" or clock.noise > _NOISY


def _misfit(reference: Running, placed: Series, quantity: Quantity, clock: ClockFit, *, averaging_s: float) -> float:
    """Mean loss of the readings at a clock, at one scale for all lengths of averaging."""
    good = good_values(placed, quantity) & (placed.value > 0)
    log_reference = smoothed(reference, averaging_s=averaging_s).log_at(clock.centre_s(placed.time_s[good]))
    each = tolerant_loss(np.log(placed.value[good]) - clock.bias - log_reference, scale=_NOISY)
    return float(np.mean(np.where(np.isfinite(each), each, _NO_REFERENCE))) if each.size else 1.0


def placed_clocks(placed: tuple[Placed, ...], settings: Settings) -> Mapping[str, BoutClock]:
    """First clocks by device, from its own stamps to the reference's clock.

    Parameters
    ----------
    placed : tuple of Placed
    settings : Settings

    Returns
    -------
    mapping
        The clock itself where marks tell it, else less the device's delay.
    """
    out: dict[str, BoutClock] = {}
    for one in placed:
        if one.device.name in out or not one.quantity.state_model:
            continue
        back = (one.device.delay_s or 0.0) - one.half_s
        if one.marked.usable and one.clock.trust in ("good", "weak"):
            back = one.marked.clock(one.clock, settings).offset_s - one.clock.shift_s
        out[one.device.name] = BoutClock(fit=one.clock, back_s=back)
    return out
