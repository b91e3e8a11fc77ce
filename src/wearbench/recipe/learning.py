"""What the study as a whole says about each device: averaging, delay, spread, usual clock, thirds of the rate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from wearbench.core.averaging import AVERAGING_GRID_S, AveragingFit, choose_averaging
from wearbench.core.clockbias import NO_BIAS, BiasPrior, learned_bias
from wearbench.core.marks import pooled_mean
from wearbench.core.modes import Modes, joined_modes, nearest_mode
from wearbench.core.states import FaithfulSums, StateParameters, learn_parameters
from wearbench.quantities import Quantity
from wearbench.recipe.clocks import finite_width, owned
from wearbench.recipe.delays import DelayFit, delay_in, delay_words, no_offset
from wearbench.recipe.fitting import SeriesFit, SessionFit
from wearbench.recipe.walks import SessionWalk, WalkAnswer, walk_of
from wearbench.recipe.windows import Lengths, half_of, nominal_averaging, window_lengths
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, StudyConfig

__all__ = ["ModeAveraging", "SeriesParameters", "StudyParameters", "in_session", "learn"]

COMMON_S = 0.15
"""A delay is never better known: no device smooths exactly as assumed, in any session (our own figure)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ModeAveraging:
    """A mode of a device over the study: its rhythm, its averaging, readings used."""

    usual_s: float
    averaging: AveragingFit
    n: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesParameters:
    """Parameters of one device and quantity over the study.

    ``averaging`` is that of the mode with most readings used; ``modes`` has all, by rhythm, quickest first.
    ``delay_s`` is None where clock and delay cannot be told apart; ``delay_how`` says why or whence, ``delay_low_s``
    and ``delay_high_s`` are NaN where it was not estimated. ``walk`` is what other sessions say of a clock, ``biases``
    what they say of a constant error, by session.
    """

    averaging: AveragingFit
    delay_s: float | None
    delay_how: str
    states: StateParameters
    walk: tuple[SessionWalk, ...] = ()
    modes: tuple[ModeAveraging, ...] = ()
    delay_low_s: float = math.nan
    delay_high_s: float = math.nan
    biases: tuple[tuple[str, BiasPrior], ...] = ()

    @property
    def delay(self) -> DelayFit | None:
        """The delay with its interval, None where it cannot be told."""
        if self.delay_s is None:
            return None
        return DelayFit(delay_s=self.delay_s, low_s=self.delay_low_s, high_s=self.delay_high_s, how=self.delay_how)

    def bias_in(self, session: str) -> BiasPrior:
        """What the device's other sessions lead one to expect of its constant error in a session."""
        return dict(self.biases).get(session, NO_BIAS)

    def of_rhythm(self, usual_s: float) -> AveragingFit:
        """Averaging of the mode whose rhythm is nearest."""
        if not self.modes:
            return self.averaging
        at = int(nearest_mode(np.array([usual_s]), tuple(m.usual_s for m in self.modes))[0])
        return self.modes[at].averaging


@dataclass(frozen=True, kw_only=True, slots=True)
class StudyParameters:
    """All that is learned over the study; small, and stored in the results."""

    series: dict[tuple[str, str], SeriesParameters] = field(default_factory=dict)
    thirds: dict[str, tuple[float, float]] = field(default_factory=dict)


def learn(fits: Sequence[SessionFit], config: StudyConfig, settings: Settings | None = None) -> StudyParameters:
    """Learn each device's parameters from the first pass of all sessions.

    Parameters
    ----------
    fits : sequence of SessionFit
        In any order; sums make the answer independent of it.
    config : StudyConfig
    settings : Settings, optional
        In place of the study's own.

    Returns
    -------
    StudyParameters
    """
    settings = settings or config.settings
    groups: dict[tuple[str, str], list[tuple[SessionFit, SeriesFit]]] = {}
    for session in sorted(fits, key=lambda fit: fit.name):
        for fit in session.fits:
            groups.setdefault((fit.device, fit.quantity), []).append((session, fit))
    return StudyParameters(
        series={key: _series(key, group, config, settings) for key, group in groups.items()}, thirds=_thirds(groups)
    )


def _series(
    key: tuple[str, str], group: list[tuple[SessionFit, SeriesFit]], config: StudyConfig, settings: Settings
) -> SeriesParameters:
    device = owned(config, key[0])
    quantity = config.all_quantities[key[1]]
    modes = _modes(group, device, quantity)
    averaging = max(modes, key=lambda mode: mode.n).averaging
    sums = FaithfulSums(histogram=np.zeros(200), changed=0.0, moving=0.0)
    for _, fit in group:
        sums = sums + fit.faithful
    good = [(s, f) for s, f in group if f.clock.trust == "good" and finite_width(f.clock) < 8.0]
    parameters = SeriesParameters(
        averaging=averaging,
        delay_s=None,
        delay_how="",
        states=learn_parameters(sums),
        modes=modes,
    )
    delay, how = _delay(device, good, parameters, settings)
    return replace(
        parameters,
        delay_s=None if delay is None else delay.delay_s,
        delay_low_s=math.nan if delay is None else delay.low_s,
        delay_high_s=math.nan if delay is None else delay.high_s,
        delay_how=how,
        biases=_biases(group),
        walk=walk_of(
            [
                WalkAnswer(session=s.name, origin_ms=s.origin_ms, clock=f.clock, move_s=_to_main(parameters, f, device))
                for s, f in group
            ],
            settings,
        ),
    )


def _biases(group: list[tuple[SessionFit, SeriesFit]]) -> tuple[tuple[str, BiasPrior], ...]:
    """What the other sessions lead one to expect of a constant error, for each."""
    known = {s.name: f.clock.bias for s, f in group if f.clock.trust == "good"}
    return tuple(
        (s.name, learned_bias(np.array([bias for other, bias in known.items() if other != s.name]))) for s, _ in group
    )


def _modes(
    group: list[tuple[SessionFit, SeriesFit]], device: DeviceConfig, quantity: Quantity
) -> tuple[ModeAveraging, ...]:
    """The modes of a device over the study, each with its averaging, quickest first."""
    fits = [mode for _, fit in group for mode in fit.modes]
    cluster = joined_modes(np.array([mode.usual_s for mode in fits]))
    out = []
    for number in range(int(cluster.max(initial=-1)) + 1):
        members = [mode for mode, at in zip(fits, cluster.tolist(), strict=True) if at == number]
        usual = float(np.median([mode.usual_s for mode in members]))
        nominal = nominal_averaging(device, quantity, usual)
        told = [mode for mode in members if mode.n_losses > 0]
        told = [mode for mode in told if mode.sure] or told
        if device.averaging_s is not None or not quantity.state_model:
            how = "declared" if device.averaging_s is not None else "taken as the interval between readings"
            how = "a spot: no window" if device.stands_for == "spot" and device.averaging_s is None else how
            averaging = AveragingFit(averaging_s=nominal, low_s=nominal, high_s=nominal, n=0, method=how)
        elif told:
            total = np.sum([mode.losses for mode in told], axis=0)
            averaging = choose_averaging(total, n=sum(mode.n_losses for mode in told), prior_s=max(nominal, 1.0))
        else:
            averaging = choose_averaging(np.zeros((2, len(AVERAGING_GRID_S))), n=0, prior_s=max(nominal, 1.0))
        out.append(ModeAveraging(usual_s=usual, averaging=averaging, n=sum(mode.n for mode in members)))
    return tuple(out)


def _to_main(parameters: SeriesParameters, fit: SeriesFit, device: DeviceConfig) -> float:
    """What takes a session's centre shift to that of the study's main mode."""
    own = parameters.of_rhythm(fit.usual_s).averaging_s
    return half_of(device) * (parameters.averaging.averaging_s - own)


def in_session(
    parameters: SeriesParameters, modes: Modes, main: int, device: DeviceConfig
) -> tuple[SeriesParameters, Lengths]:
    """Parameters as they are in a session, by the modes its readings came in.

    Parameters
    ----------
    parameters : SeriesParameters
    modes : Modes
        Of the session's series.
    main : int
        The one its clock is about.
    device : DeviceConfig

    Returns
    -------
    SeriesParameters
        ``averaging`` is that of the session's main mode, and what other sessions say of its clock is about it.
    Lengths
        Of each reading's window.
    """
    own = parameters.of_rhythm(modes.usual_s[main])
    lengths = window_lengths(
        modes,
        device,
        usual_s=tuple(mode.usual_s for mode in parameters.modes),
        averaging_s=tuple(mode.averaging.averaging_s for mode in parameters.modes),
        main_s=own.averaging_s,
    )
    move = half_of(device) * (own.averaging_s - parameters.averaging.averaging_s)
    return replace(parameters, averaging=own, walk=tuple(one.moved(move) for one in parameters.walk)), lengths


def _delay(
    device: DeviceConfig, good: list[tuple[SessionFit, SeriesFit]], parameters: SeriesParameters, settings: Settings
) -> tuple[DelayFit | None, str]:
    """How late the device is, or None, and whence or why."""
    if device.delay_s is not None:
        return DelayFit(delay_s=device.delay_s, low_s=math.nan, high_s=math.nan, how="declared"), "declared"
    shared = device.clock == "shared"
    told = [fit for _, fit in good if shared or fit.marked.usable]
    if not told:
        if shared:
            return None, "no session shows it"
        return None, "without a mark or a shared clock, whether the device is late cannot be told"
    each = []
    for fit in told:
        clock = replace(fit.clock, shift_s=fit.clock.shift_s + (move := _to_main(parameters, fit, device)))
        clock = replace(clock, low_s=clock.low_s + move, high_s=clock.high_s + move)
        half = 0.0 if fit.marked.own_windows else half_of(device) * parameters.averaging.averaging_s
        right = no_offset(clock) if shared else fit.marked.clock(clock, settings)
        each.append(delay_in(clock, right, half_s=half))
    delay, low, high = pooled_mean(
        np.array([d.delay_s for d in each]),
        np.array([0.5 * (d.high_s - d.low_s) for d in each]),
        confidence=settings.confidence,
    )
    # How, and over how long, the device averages is the same question in every session: more do not answer it.
    width = parameters.averaging.high_s - parameters.averaging.low_s
    common = math.hypot(0.25 * width * (half_of(device) != 0.0), COMMON_S)
    low, high = delay - math.hypot(delay - low, common), delay + math.hypot(high - delay, common)
    found = DelayFit(delay_s=delay, low_s=low, high_s=high, how="")
    how = "estimated over the study: the clock is shared" if shared else delay_words(found, len(each))
    return replace(found, how=how), how


def _thirds(groups: dict[tuple[str, str], list[tuple[SessionFit, SeriesFit]]]) -> dict[str, tuple[float, float]]:
    """Edges between thirds of the reference, over all readings of the study."""
    totals: dict[str, np.ndarray] = {}
    for (_, quantity), group in groups.items():
        for _, fit in group:
            if fit.reference_counts.size:
                totals[quantity] = totals.get(quantity, np.zeros(300)) + fit.reference_counts
    out: dict[str, tuple[float, float]] = {}
    for quantity, counts in totals.items():
        if counts.sum() < 30:
            continue
        share = np.cumsum(counts) / counts.sum()
        low, high = (int(np.searchsorted(share, q)) + 1 for q in (1 / 3, 2 / 3))
        if high > low:
            out[quantity] = (float(low), float(high))
    return out
