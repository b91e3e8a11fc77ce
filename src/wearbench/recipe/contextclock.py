"""Context (cadence, power, speed) brought onto the reference's clock: by its clock's owner, or by movement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wearbench.core.clock import ClockFit, fit_clock
from wearbench.core.running import running_from_level
from wearbench.recipe.clocks import owned
from wearbench.recipe.material import FileNote, Series, SessionMaterial
from wearbench.recipe.places import BoutClock
from wearbench.recipe.readings import chosen_readings, usual_interval
from wearbench.settings import Settings
from wearbench.study import StudyConfig

__all__ = ["ContextClock", "context_clocks", "context_on_reference"]

_STILL: Final = 40.0
"""Added to a cadence before logs are taken, so that standing still counts as movement does (our own figure)."""
_FEWEST: Final = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class ContextClock:
    """What brings a context series onto the reference's clock.

    Attributes
    ----------
    device, quantity : str
    at_s, shift_s, drift_ppm : float
        On the reference's clock an instant is ``t + shift_s + 1e-6 * drift_ppm * (t - at_s)``.
    known : bool
        Whether anything ties it to the reference; where nothing does, it is taken as stamped.
    how : str
        In words.
    """

    device: str
    quantity: str
    at_s: float = 0.0
    shift_s: float = 0.0
    drift_ppm: float = 0.0
    known: bool = True
    how: str = ""

    def moved(self, series: Series) -> Series:
        """The series on the reference's clock, in order of time."""
        if self.shift_s == 0.0 and self.drift_ppm == 0.0:
            return series
        time_s = series.time_s + self.shift_s + 1e-6 * self.drift_ppm * (series.time_s - self.at_s)
        return chosen_readings(replace(series, time_s=time_s), np.argsort(time_s, kind="stable"))


def context_clocks(
    material: SessionMaterial, clocks: Mapping[str, BoutClock], config: StudyConfig, settings: Settings
) -> tuple[ContextClock, ...]:
    """Tell how each context series of a session comes onto the reference's clock.

    Parameters
    ----------
    material : SessionMaterial
    clocks : mapping
        Of the tested devices whose clock was looked for in this session, by name.
    config : StudyConfig
    settings : Settings

    Returns
    -------
    tuple of ContextClock
        In the order of ``material.context``.
    """
    first = [_by_owner(series, clocks, config) for series in material.context]
    anchors = [
        one.moved(series)
        for one, series in zip(first, material.context, strict=True)
        if one is not None and one.known and series.quantity == "cadence"
    ]
    out: list[ContextClock] = []
    for one, series in zip(first, material.context, strict=True):
        moved = one if one is not None else _by_movement(series, anchors, settings)
        if moved is None:
            # Other quantities of the same device are on the same clock.
            said = "nothing in this session ties its clock to the reference's: taken as stamped"
            moved = ContextClock(device=series.device, quantity=series.quantity, known=False, how=said)
        out.append(moved)
    for i, one in enumerate(out):
        same = next((other for other in out if other.device == one.device and other.known), None)
        if not one.known and same is not None:
            out[i] = replace(same, quantity=one.quantity)
    return tuple(out)


def _by_owner(series: Series, clocks: Mapping[str, BoutClock], config: StudyConfig) -> ContextClock | None:
    """By the clock of its owner, itself where it is tested too; None where that is not known."""
    owner = owned(config, series.device).clock
    if owner == "shared":
        return ContextClock(device=series.device, quantity=series.quantity, how="on the reference's clock")
    name = series.device if owner == "own" else owner
    # Devices on one clock stand in for each other.
    same = [name, *(d for d in config.devices if owned(config, d).clock == name)]
    known = (clocks[d] for d in same if d in clocks and clocks[d].fit.trust in ("good", "weak", "declared"))
    clock = next((one for one in known if np.isfinite(one.fit.high_s - one.fit.low_s)), None)
    if clock is None:
        return None
    return ContextClock(
        device=series.device,
        quantity=series.quantity,
        at_s=clock.fit.at_s,
        shift_s=clock.fit.shift_s + clock.back_s,
        drift_ppm=clock.fit.drift_ppm,
        how=f"by the clock of {config.devices[name].label}",
    )


def _by_movement(series: Series, anchors: list[Series], settings: Settings) -> ContextClock | None:
    """By a cadence on a known clock that moves as this one does."""
    if series.quantity != "cadence" or not series.start_known or series.time_s.size < _FEWEST:
        return None
    for anchor in anchors:
        if anchor.device == series.device or anchor.time_s.size < _FEWEST or not anchor.start_known:
            continue
        hold = max(2.5 * usual_interval(anchor.time_s), 5.0)
        reference = running_from_level(anchor.time_s, anchor.value + _STILL, hold_s=hold, stands_for="centred")
        fit = fit_clock(
            reference,
            series.time_s,
            series.value + _STILL,
            averaging_s=max(2.0, usual_interval(series.time_s)),
            search_s=settings.zone_hours * 3600.0 + 900.0,
            max_drift_ppm=settings.max_drift_ppm,
            prior_drift_ppm=settings.prior_drift_ppm,
            confidence=settings.confidence,
            seed=settings.seed,
        )
        if fit.trust == "good":
            return _of_fit(series, fit, f"by movement, as {anchor.device} saw it")
    return None


def _of_fit(series: Series, fit: ClockFit, how: str) -> ContextClock:
    return ContextClock(
        device=series.device,
        quantity=series.quantity,
        at_s=fit.at_s,
        shift_s=fit.shift_s,
        drift_ppm=fit.drift_ppm,
        how=how,
    )


def context_on_reference(
    material: SessionMaterial, clocks: Mapping[str, BoutClock], config: StudyConfig, settings: Settings
) -> SessionMaterial:
    """Bring the context of a session onto the reference's clock.

    Parameters
    ----------
    material, clocks, config, settings
        As in :func:`context_clocks`.

    Returns
    -------
    SessionMaterial
        The same, with its context moved, and said where nothing ties a cadence to the reference's clock.
    """
    if not material.context:
        return material
    told = context_clocks(material, clocks, config, settings)
    moved = tuple(one.moved(series) for one, series in zip(told, material.context, strict=True))
    notes = tuple(
        FileNote(
            slug="context-not-aligned",
            said=f'{config.devices[one.device].label}: {one.how} (clock = "shared" or a device\'s name in study.toml)',
            file=f"raw/{material.name}",
        )
        for one in told
        if not one.known and one.quantity == "cadence"
    )
    if not notes and all(a is b for a, b in zip(moved, material.context, strict=True)):
        return material
    return replace(material, context=moved, warnings=material.warnings + notes)
