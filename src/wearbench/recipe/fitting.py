"""First pass over a session: clock, window, states with priors. Returns sums from which the study learns."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.averaging import averaging_losses
from wearbench.core.clock import ClockFit, declared_clock, fit_clock
from wearbench.core.modes import Modes, nearest_mode, split_modes
from wearbench.core.pairing import Pairs, late_envelope, make_pairs, reading_seconds, rhythm, windows_of
from wearbench.core.running import Running
from wearbench.core.smoothing import Shape, smoothed
from wearbench.core.states import (
    FaithfulSums,
    StateInput,
    StateParameters,
    States,
    credible_cadence,
    faithful_sums,
    label,
)
from wearbench.core.steps import ClockStep, find_steps, outside_steps
from wearbench.quantities import Quantity
from wearbench.recipe.material import ReferenceMaterial, Series, SessionMaterial
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, StudyConfig

__all__ = [
    "Judged",
    "Lengths",
    "ModeFit",
    "SeriesFit",
    "SessionFit",
    "Windowed",
    "as_stamped_shift",
    "chosen_readings",
    "clock_stamps",
    "fit_session",
    "half_of",
    "judge",
    "on_one_centre",
    "series_modes",
    "usual_interval",
    "window_lengths",
    "windowed",
    "without_steps",
]

F64 = NDArray[np.float64]

NOMINAL_S = 8.0
"""Averaging assumed for a heart rate at exercise rhythm before anything is known."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ModeFit:
    """What one session tells about one mode of a series: its rhythm, readings used, losses of each averaging."""

    usual_s: float
    n: int
    losses: F64
    n_losses: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesFit:
    """What one session tells about one tested series, before the study's parameters are known.

    Where the device's clock steps, ``clock`` is that of the readings outside ``steps``. ``usual_s`` is the rhythm of
    the session's main mode; ``modes`` has all of them.
    """

    device: str
    quantity: str
    clock: ClockFit
    usual_s: float
    modes: tuple[ModeFit, ...]
    faithful: FaithfulSums
    reference_counts: F64
    steps: tuple[ClockStep, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionFit:
    """First pass of one session."""

    name: str
    origin_ms: int
    fits: tuple[SeriesFit, ...]


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """States of all readings, and of those near the reference with what they were told from."""

    data: StateInput
    near: States
    states: States


def usual_interval(time_s: F64) -> float:
    """Median interval between readings, seconds; 1 for fewer than two."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0


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


def half_of(device: DeviceConfig) -> float:
    """Where a window's centre lies from its stamp, in window lengths."""
    return {"ending": -0.5, "starting": 0.5}.get(device.stands_for, 0.0)


def good_values(series: Series, quantity: Quantity) -> NDArray[np.bool_]:
    """Readings that carry a value: finite and not a sentinel."""
    good = np.isfinite(series.value)
    for sentinel in quantity.sentinels:
        good &= series.value != sentinel
    return good


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


def clock_stamps(series: Series) -> F64:
    """What stands for a reading's stamp in a clock fit: the middle of a window of its own, else the stamp."""
    if series.start_s is not None and series.end_s is not None:
        middle: F64 = 0.5 * (series.start_s + series.end_s)
        return middle
    return series.time_s


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


def without_steps(series: Series, steps: tuple[ClockStep, ...]) -> Series:
    """The readings of a series outside the stretches that are on another clock."""
    if not steps:
        return series
    return chosen_readings(series, np.flatnonzero(outside_steps(clock_stamps(series), steps)))


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


def judge(
    window: Windowed,
    reference: Running,
    context: tuple[Series, ...],
    parameters: StateParameters,
    settings: Settings,
    *,
    averaging_s: float,
) -> Judged:
    """Label the readings of a paired series that lie near the reference.

    Parameters
    ----------
    window : Windowed
    reference : Running
    context : tuple of Series
        Cadence on the reference's clock is looked for here.
    parameters : StateParameters
    settings : Settings
    averaging_s : float

    Returns
    -------
    Judged
    """
    pairs = window.pairs
    part = _near_reference(pairs)
    start_s, end_s, tested = pairs.start_s[part], pairs.end_s[part], pairs.tested[part]
    low, high = late_envelope(reference, start_s, end_s, late_s=settings.late_s)
    trusted = (pairs.reason[part] == 0) | ~np.isfinite(tested)
    data = StateInput(
        time_s=end_s,
        seconds=pairs.seconds[part],
        tested=tested,
        reference=np.where(trusted, pairs.reference[part], np.nan),
        low=low,
        high=high,
        cadence=cadence_over(context, start_s, end_s),
        averaging_s=averaging_s,
    )
    states = label(data, parameters, frozen_min_s=settings.frozen_min_s, frozen_move=settings.frozen_move_bpm)
    return Judged(data=data, near=states, states=_spread(states, part, pairs.tested.size))


def _near_reference(pairs: Pairs) -> slice:
    """The readings with reference and a thousand on either side: a device may have run for days beside an hour."""
    seen = np.flatnonzero(pairs.covered > 0.0)
    return slice(max(int(seen[0]) - 1000, 0), int(seen[-1]) + 1001) if seen.size else slice(0, 0)


def _spread(states: States, part: slice, n: int) -> States:
    """States of a part as states of all readings; nothing is said of the others."""

    def whole(values: NDArray[Any], rest: float) -> NDArray[Any]:
        out = np.full(n, rest, dtype=values.dtype)
        out[part] = values
        return out

    return States(
        state=whole(states.state, -1),
        ratio=whole(states.ratio, np.nan),
        also_cadence=whole(states.also_cadence, 0),
        probability=whole(states.probability, np.nan),
    )


def cadence_over(context: tuple[Series, ...], start_s: F64, end_s: F64) -> F64:
    """Credible cadence at the middle of each window, NaN where there is none."""
    series = next((s for s in context if s.quantity == "cadence"), None)
    out = np.full(start_s.shape, np.nan)
    if series is None or series.time_s.size < 5:
        return out
    credible = credible_cadence(series.time_s, series.value)
    good = np.isfinite(credible)
    if not good.any():
        return out
    hold = max(2.0 * usual_interval(series.time_s), 5.0)
    middle = 0.5 * (start_s + end_s)
    at = np.clip(np.searchsorted(series.time_s, middle), 1, series.time_s.size - 1)
    nearer = np.where(middle - series.time_s[at - 1] < series.time_s[at] - middle, at - 1, at)
    close = np.abs(series.time_s[nearer] - middle) <= hold
    return np.where(close, credible[nearer], np.nan)


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
    for series in material.tested:
        quantity = config.all_quantities[series.quantity]
        reference = material.reference_for(series.quantity)
        device = config.devices[series.device]
        if reference is None or series.time_s.size == 0:
            continue
        modes, main = series_modes(series, reference)
        usual = modes.usual_s[main]
        averaging = nominal_averaging(device, quantity, usual)
        lengths = _nominal_lengths(modes, device, quantity, main_s=averaging)
        placed = on_one_centre(series, lengths)
        clock = first_clock(device, quantity, placed, reference, settings, averaging_s=averaging, seed=settings.seed)
        steps = clock_steps(
            device, quantity, placed, reference, settings, clock=clock, averaging_s=averaging, seed=settings.seed
        )
        if steps:
            series = without_steps(series, steps)
            modes, main = series_modes(series, reference)
            lengths = _nominal_lengths(modes, device, quantity, main_s=averaging)
            clock = first_clock(
                device,
                quantity,
                on_one_centre(series, lengths),
                reference,
                settings,
                averaging_s=averaging,
                seed=settings.seed,
            )
        faithful = FaithfulSums(histogram=np.zeros(200), changed=0.0, moving=0.0)
        trusted = reference.running.without_doubtful()
        window = windowed(
            series, trusted, quantity, settings, clock=clock, lengths=lengths, hold_s=device.hold_s or 0.0
        )
        good = np.zeros(series.time_s.size, dtype=np.bool_)
        used = window.pairs.used
        counts = np.zeros(0)
        if quantity.state_model:
            value = window.pairs.reference[used]
            counts = np.bincount(np.clip(value, 0, 299).astype(np.int64), minlength=300).astype(np.float64)
        if quantity.state_model and clock.trust in ("good", "declared"):
            judged = judge(window, trusted, material.context, StateParameters(), settings, averaging_s=averaging)
            faithful = faithful_sums(judged.data, judged.near)
            if device.averaging_s is None and series.start_s is None:
                good = judged.states.state == 0
        fits.append(
            SeriesFit(
                device=series.device,
                quantity=series.quantity,
                clock=clock,
                usual_s=usual,
                modes=tuple(_mode_fits(modes, window, good, trusted)),
                faithful=faithful,
                reference_counts=counts,
                steps=steps,
            )
        )
    return SessionFit(name=material.name, origin_ms=material.origin_ms, fits=tuple(fits))


def _nominal_lengths(modes: Modes, device: DeviceConfig, quantity: Quantity, *, main_s: float) -> Lengths:
    nominal = tuple(nominal_averaging(device, quantity, each) for each in modes.usual_s)
    return window_lengths(modes, device, usual_s=modes.usual_s, averaging_s=nominal, main_s=main_s)


def _mode_fits(modes: Modes, window: Windowed, good: NDArray[np.bool_], reference: Running) -> Iterator[ModeFit]:
    """What each mode tells of its averaging, from readings that follow the reference."""
    for number, usual in enumerate(modes.usual_s):
        here = modes.mode == number
        losses, n = np.zeros((2, 0)), 0
        if (good & here).any():
            losses, n = averaging_losses(reference, window.centre_s, window.pairs.tested, good & here, usual_s=usual)
        yield ModeFit(usual_s=usual, n=int((window.pairs.used & here).sum()), losses=losses, n_losses=n)


def finite_width(clock: ClockFit) -> float:
    """Width of a clock's interval, infinite where it has none."""
    width = clock.high_s - clock.low_s
    return width if math.isfinite(width) else math.inf
