"""First pass over a session: clock, window, states with priors. Returns sums from which the study learns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearbench.core.averaging import averaging_losses
from wearbench.core.clock import ClockFit
from wearbench.core.modes import Modes
from wearbench.core.running import Running
from wearbench.core.states import FaithfulSums, StateParameters, faithful_sums, followed
from wearbench.core.steps import ClockStep
from wearbench.recipe.clocks import finite_width, first_clock, searches_clock
from wearbench.recipe.contextclock import context_clocks
from wearbench.recipe.judging import Judged, cadence_over, judge
from wearbench.recipe.marks import Marked
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.readings import chosen_readings, clock_stamps, good_values, usual_interval, without_steps
from wearbench.recipe.sessionclocks import placed_clocks, placed_series
from wearbench.recipe.windows import (
    Lengths,
    Windowed,
    as_stamped_shift,
    half_of,
    nominal_averaging,
    on_one_centre,
    series_modes,
    window_lengths,
    windowed,
)
from wearbench.settings import Settings
from wearbench.study import StudyConfig

__all__ = [
    "Judged",
    "Lengths",
    "ModeFit",
    "SeriesFit",
    "SessionFit",
    "Windowed",
    "as_stamped_shift",
    "cadence_over",
    "chosen_readings",
    "clock_stamps",
    "finite_width",
    "first_clock",
    "fit_session",
    "good_values",
    "half_of",
    "judge",
    "nominal_averaging",
    "on_one_centre",
    "searches_clock",
    "series_modes",
    "usual_interval",
    "window_lengths",
    "windowed",
    "without_steps",
]

F64 = NDArray[np.float64]

MOST_WIDTH_S = 40.0
"""A clock known no better tells nothing of the averaging, unless that is longer still (our own figure)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ModeFit:
    """What one session tells about one mode of a series: its rhythm, readings used, losses of each averaging.

    ``sure`` is False where the session's clock is weak: its losses count only where no other session tells.
    """

    usual_s: float
    n: int
    losses: F64
    n_losses: int
    sure: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesFit:
    """What one session tells about one tested series, before the study's parameters are known.

    Where the device's clock steps, ``clock`` is that of the readings outside ``steps``. ``usual_s`` is the rhythm of
    the session's main mode; ``modes`` has all of them. ``marked`` is what sync marks tell, ``within_s`` where the
    centre shift can lie of a device whose clock another device has.
    """

    device: str
    quantity: str
    clock: ClockFit
    usual_s: float
    modes: tuple[ModeFit, ...]
    faithful: FaithfulSums
    reference_counts: F64
    steps: tuple[ClockStep, ...] = ()
    marked: Marked = field(default_factory=Marked)
    within_s: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionFit:
    """First pass of one session."""

    name: str
    origin_ms: int
    fits: tuple[SeriesFit, ...]


def fit_session(material: SessionMaterial, config: StudyConfig, settings: Settings) -> SessionFit:
    """First pass over one session: clock, window, states with priors.

    Parameters
    ----------
    material : SessionMaterial
    config : StudyConfig
    settings : Settings

    Returns
    -------
    SessionFit
        Small: sums that add over sessions, and each series' clock.
    """
    fits: list[SeriesFit] = []
    placed = placed_series(material, config, settings)
    clocks = placed_clocks(placed, settings)
    context = tuple(
        one.moved(series)
        for one, series in zip(context_clocks(material, clocks, config, settings), material.context, strict=True)
    )
    for one in placed:
        series, reference, device, quantity, clock = one.series, one.reference, one.device, one.quantity, one.clock
        faithful = FaithfulSums(histogram=np.zeros(200), changed=0.0, moving=0.0)
        trusted = reference.running.without_doubtful()
        window = windowed(
            series, trusted, quantity, settings, clock=clock, lengths=one.lengths, hold_s=device.hold_s or 0.0
        )
        level = np.full(series.time_s.size, np.nan)
        used = window.pairs.used
        counts = np.zeros(0)
        if quantity.state_model:
            value = window.pairs.reference[used]
            counts = np.bincount(np.clip(value, 0, 299).astype(np.int64), minlength=300).astype(np.float64)
        sure = clock.trust in ("good", "declared")
        # As wide as the centre is free when lengths are compared.
        known = finite_width(clock) < max(MOST_WIDTH_S, 0.5 * one.averaging_s)
        if quantity.state_model and (sure or (clock.trust == "weak" and known)):
            judged = judge(window, trusted, context, StateParameters(), settings, averaging_s=one.averaging_s)
            if sure:
                faithful = faithful_sums(judged.data, judged.near)
            if device.averaging_s is None and series.start_s is None:
                level = followed(window.pairs.tested, judged.states)
        fits.append(
            SeriesFit(
                device=series.device,
                quantity=series.quantity,
                clock=clock,
                usual_s=one.modes.usual_s[one.main],
                modes=tuple(_mode_fits(one.modes, window, level, trusted, sure=sure)),
                faithful=faithful,
                reference_counts=counts,
                steps=one.steps,
                marked=one.marked,
                within_s=one.within_s,
            )
        )
    return SessionFit(name=material.name, origin_ms=material.origin_ms, fits=tuple(fits))


def _mode_fits(modes: Modes, window: Windowed, level: F64, reference: Running, *, sure: bool) -> Iterator[ModeFit]:
    """What each mode tells of its averaging, from the levels of readings that follow the reference."""
    good = np.isfinite(level)
    for number, usual in enumerate(modes.usual_s):
        here = modes.mode == number
        losses, n = np.zeros((2, 0)), 0
        if (good & here).any():
            losses, n = averaging_losses(reference, window.centre_s, level, good & here, usual_s=usual)
        yield ModeFit(usual_s=usual, n=int((window.pairs.used & here).sum()), losses=losses, n_losses=n, sure=sure)
