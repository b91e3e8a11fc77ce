"""What the device was doing at each reading: faithful, halved, doubled, locked to cadence, frozen, astray.

A hidden Markov model over the log ratio to the reference, and to the cadence where a stride is credible. Its
parameters are learned per device, with priors that keep a clean device clean. The path is then put into the words of
the contract: blends of two modes become ``between``, held values that the reference left behind become ``frozen``,
and where half rate and cadence coincide the reading is ``halved`` with ``also = cadence_locked``.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.chain import decode

__all__ = [
    "STATES",
    "FaithfulSums",
    "Runs",
    "StateInput",
    "StateParameters",
    "States",
    "credible_cadence",
    "faithful_sums",
    "label",
    "learn_parameters",
    "runs_of",
]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
I8 = NDArray[np.int8]
B8 = NDArray[np.bool_]

STATES: Final[tuple[str, ...]] = (
    "faithful",
    "halved",
    "doubled",
    "off_ratio",
    "cadence_locked",
    "between",
    "frozen",
    "astray",
)
FAITHFUL, HALVED, DOUBLED, OFF_RATIO, CADENCE_LOCKED, BETWEEN, FROZEN, ASTRAY = range(8)
UNJUDGED: Final = -1

_OFF_RATIOS: Final = (2.0 / 3.0, 3.0 / 2.0, 1.0 / 3.0, 3.0)
_STEP_MULTIPLES: Final = (1.0, 2.0, 0.5)
_STROKE_MULTIPLES: Final = (2.0, 3.0, 4.0)
_LOG_WIDTH: Final = 3.2
"""Width of the log ratio range that an astray reading may lie in (1/5 to 5 times)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StateParameters:
    """Parameters of the state model of one device.

    Attributes
    ----------
    spread : float
        Standard deviation of the log ratio of a faithful reading, beyond ``noise_bpm``.
    noise_bpm : float
        Part of the spread that is constant in beats a minute (rounding, beats at window edges).
    change_share : float
        Share of readings that differ from the one before while the reference moves.
    n : int
        Readings this was learned from.
    """

    spread: float = 0.025
    noise_bpm: float = 0.8
    change_share: float = 0.5
    n: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class StateInput:
    """What the state model looks at; arrays of shape (n,), NaN where there is no value.

    ``low`` and ``high`` bound the reference over windows up to the tolerated lateness earlier; ``cadence`` is NaN
    where no stride is credible; ``seconds`` is what a reading counts for; ``time_s`` the window's end.
    """

    time_s: F64
    seconds: F64
    tested: F64
    reference: F64
    low: F64
    high: F64
    cadence: F64
    averaging_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class States:
    """Labels of the readings; arrays of shape (n,).

    ``state`` indexes ``STATES`` (-1 where nothing could be judged); ``ratio`` is the simple ratio or cadence multiple
    the reading followed, NaN for none; ``also_cadence`` marks half rate that cannot be told from a cadence lock;
    ``probability`` is the posterior probability of the label.
    """

    state: I8
    ratio: F64
    also_cadence: B8
    probability: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class Runs:
    """Unbroken runs of one label: first and one-past-last index, and the label; arrays of shape (m,)."""

    first: I64
    stop: I64
    label: I64


@dataclass(frozen=True, kw_only=True, slots=True)
class FaithfulSums:
    """What one session tells about a device's faithful readings; adds over sessions.

    ``histogram`` counts standardised-free absolute deviations (log ratio, beyond the noise in beats a minute) in 200
    cells of 0.001; ``changed`` and ``moving`` count readings that differ from the one before while the reference
    moves, and all of those.
    """

    histogram: F64
    changed: float
    moving: float

    def __add__(self, other: FaithfulSums) -> FaithfulSums:
        return FaithfulSums(
            histogram=self.histogram + other.histogram,
            changed=self.changed + other.changed,
            moving=self.moving + other.moving,
        )


def runs_of(label: NDArray[np.integer]) -> Runs:
    """Split labels into unbroken runs.

    Parameters
    ----------
    label : integer array, shape (n,)

    Returns
    -------
    Runs
    """
    if label.size == 0:
        empty = np.zeros(0, dtype=np.int64)
        return Runs(first=empty, stop=empty, label=empty)
    edge = np.flatnonzero(np.diff(label)) + 1
    first = np.concatenate([[0], edge]).astype(np.int64)
    stop = np.concatenate([edge, [label.size]]).astype(np.int64)
    return Runs(first=first, stop=stop, label=label[first].astype(np.int64))


def credible_cadence(time_s: F64, cadence: F64) -> F64:
    """Cadence where a stride or stroke is credible, else NaN.

    Parameters
    ----------
    time_s, cadence : float64 arrays, shape (n,)
        Pods print a number at rest too; a real one is steady: within 8 % of the median of the 9 values around it, for
        at least 10 s, and between 15 and 230 a minute.

    Returns
    -------
    float64 array, shape (n,)

    Notes
    -----
    Common practice in spirit, the figures are our own.
    """
    good = np.isfinite(cadence) & (cadence >= 15.0) & (cadence <= 230.0)
    out = np.full(cadence.shape, np.nan)
    if int(good.sum()) < 5:
        return out
    value = np.where(good, cadence, 0.0)
    width = min(9, value.size)
    view = np.lib.stride_tricks.sliding_window_view(
        np.pad(value, (width // 2, width - 1 - width // 2), mode="edge"), width
    )
    middle = np.median(view, axis=1)
    steady = good & (np.abs(value - middle) <= 0.08 * middle)
    spread = np.median(np.abs(view - middle[:, None]), axis=1) <= 0.05 * middle
    steady &= spread
    for first, stop, kind in zip(*_columns(runs_of(steady.astype(np.int8))), strict=True):
        if kind and time_s[stop - 1] - time_s[first] >= 10.0:
            out[first:stop] = cadence[first:stop]
    return out


def _columns(runs: Runs) -> tuple[list[int], list[int], list[int]]:
    return runs.first.tolist(), runs.stop.tolist(), runs.label.tolist()


def _log_normal(x: F64, sigma: F64) -> F64:
    out: F64 = -0.5 * np.square(x / sigma) - np.log(sigma) - 0.9189385332046727
    return out


def _mode_density(x: F64, outside: F64, width: F64, sigma: F64) -> F64:
    """Log density of a reading that follows a mode: near it, or late within the envelope, or a rare slip."""
    near = 0.80 * np.exp(_log_normal(x, sigma)) + 0.12 * np.exp(_log_normal(x, 3.0 * sigma))
    late = 0.08 * np.exp(-0.5 * np.square(outside / sigma)) / (sigma * 2.5066 + width)
    return np.log(near + late + 2e-5)


def _with_edge(density: F64, x: F64, low: float, high: float) -> F64:
    """Add a twentieth of the density evenly over an edge of the mode."""
    inside = (x >= low) & (x <= high)
    edge = np.where(inside, math.log(0.05 / (high - low)), -50.0)
    return np.where(np.isfinite(density), np.logaddexp(np.nan_to_num(density), edge), density)


def _model(data: StateInput, parameters: StateParameters) -> tuple[F64, list[tuple[int, float]]]:
    """Log emissions, shape (n, K), and what each column of it means: (state, ratio or multiple)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        log_tested = np.log(data.tested)
        log_reference = np.log(data.reference)
        log_low, log_high = np.log(data.low), np.log(data.high)
        log_cadence = np.log(data.cadence)
    log_low = np.fmin(log_low, log_reference)
    log_high = np.fmax(log_high, log_reference)
    sigma = np.sqrt(parameters.spread**2 + np.square(parameters.noise_bpm / np.maximum(data.tested, 20.0)))
    wide = np.sqrt(np.square(sigma) + 0.015**2)
    x = log_tested - log_reference
    columns: list[F64] = []
    meaning: list[tuple[int, float]] = []

    def follow(log_ratio: float, spread: F64) -> F64:
        low, high = log_low + log_ratio, log_high + log_ratio
        outside = np.maximum(np.maximum(low - log_tested, log_tested - high), 0.0)
        return _mode_density(x - log_ratio, outside, high - low, spread)

    columns.append(follow(0.0, sigma))
    meaning.append((FAITHFUL, 1.0))
    # A window with 80 % of a mode has that state: its readings reach a fifth of the way towards the true rate.
    columns.append(_with_edge(follow(math.log(0.5), wide), x, math.log(0.5), math.log(0.6)))
    meaning.append((HALVED, 0.5))
    columns.append(_with_edge(follow(math.log(2.0), wide), x, math.log(1.8), math.log(2.0)))
    meaning.append((DOUBLED, 2.0))
    for ratio in _OFF_RATIOS:
        columns.append(_mode_density(x - math.log(ratio), np.full(x.shape, 9.0), np.zeros(x.shape), sigma))
        meaning.append((OFF_RATIO, ratio))
    if bool(np.isfinite(log_cadence).any()):
        usual = float(np.nanmedian(data.cadence))
        multiples = _STEP_MULTIPLES if usual >= 50.0 else _STROKE_MULTIPLES
        for multiple in multiples:
            distance = log_tested - log_cadence - math.log(multiple)
            density = np.log(
                0.95 * np.exp(_log_normal(distance, wide)) + 0.05 * np.exp(_log_normal(distance, 2.0 * wide)) + 2e-5
            )
            columns.append(np.where(np.isfinite(distance), density, -11.0))
            meaning.append((CADENCE_LOCKED, multiple))
    # A blend lies between two modes; an astray reading anywhere but near the reference.
    blend = np.where((x > math.log(0.45)) & (x < math.log(2.2)), -math.log(1.6), -6.0)
    columns.append(blend)
    meaning.append((BETWEEN, math.nan))
    off = np.maximum(np.maximum(log_low - log_tested, log_tested - log_high), 0.0)
    away = -np.expm1(-np.square(np.square(off / np.maximum(0.10, 3.5 * sigma))))
    columns.append(np.log(away / _LOG_WIDTH + 1e-6))
    meaning.append((ASTRAY, math.nan))
    emission = np.stack(columns, axis=1)
    nothing = ~np.isfinite(x)
    emission[nothing] = 0.0
    return emission, meaning


_HOLD_S: Final = {
    FAITHFUL: 900.0,
    HALVED: 120.0,
    DOUBLED: 90.0,
    OFF_RATIO: 60.0,
    CADENCE_LOCKED: 90.0,
    ASTRAY: 40.0,
}
_ENTER: Final = {
    FAITHFUL: 0.45,
    HALVED: 0.10,
    DOUBLED: 0.05,
    OFF_RATIO: 0.015,
    CADENCE_LOCKED: 0.12,
    BETWEEN: 0.20,
    ASTRAY: 0.06,
}


def label(data: StateInput, parameters: StateParameters, *, frozen_min_s: float, frozen_move: float) -> States:
    """Label every reading with what the device was doing.

    Parameters
    ----------
    data : StateInput
    parameters : StateParameters
    frozen_min_s : float
        Shortest run of one value that can be a freeze, seconds.
    frozen_move : float
        How far the reference must move meanwhile.

    Returns
    -------
    States

    Notes
    -----
    Emissions are tempered by the share of the averaging window that a reading adds, because readings closer together
    than the averaging tell nearly the same thing twice.
    """
    n = data.tested.size
    judged = np.isfinite(data.tested) & np.isfinite(data.reference)
    state = np.full(n, UNJUDGED, dtype=np.int8)
    ratio = np.full(n, np.nan)
    probability = np.full(n, np.nan)
    also = np.zeros(n, dtype=np.bool_)
    if not judged.any():
        return States(state=state, ratio=ratio, also_cadence=also, probability=probability)
    index = np.flatnonzero(np.isfinite(data.tested))
    part = _take(data, index)
    emission, meaning = _model(part, parameters)
    gap = np.diff(part.time_s, prepend=part.time_s[0])
    gap = np.clip(gap, 0.0, None)
    temper = np.clip(2.0 * part.seconds / max(data.averaging_s, 1.0), 0.25, 1.0)
    emission = emission * temper[:, None]
    hold = np.array([_HOLD_S.get(kind, max(0.6 * data.averaging_s, 2.0)) for kind, _ in meaning])
    stay = np.exp(-gap[:, None] / hold)
    weight = np.array([_ENTER[kind] for kind, _ in meaning])
    for kind in (OFF_RATIO, CADENCE_LOCKED):
        same = np.array([k == kind for k, _ in meaning])
        if kind == CADENCE_LOCKED and same.any():
            weight[same] *= np.array([0.5, 0.3, 0.2])
    enter = weight / weight.sum()
    decoded = decode(emission, stay, enter, enter)
    kinds = np.array([kind for kind, _ in meaning], dtype=np.int8)
    ratios = np.array([r for _, r in meaning])
    column = decoded.path.copy()
    column = _settle_blends(part, column, kinds, ratios)
    part_state = kinds[column]
    part_ratio = ratios[column]
    part_state, part_ratio, part_also = _coincidences(part, part_state, part_ratio)
    part_state = _freezes(part, part_state, parameters, frozen_min_s=frozen_min_s, frozen_move=frozen_move)
    part_state = _slips(part, part_state, part_ratio, parameters)
    part_state, part_ratio = _dips(part, part_state, part_ratio)
    part_state = _late(part, part_state)
    part_state = _lawful(part, part_state)
    part_ratio = np.where(np.isin(part_state, (BETWEEN, FROZEN, ASTRAY)), np.nan, part_ratio)
    part_ratio = np.where(part_state == FAITHFUL, 1.0, part_ratio)
    group = np.zeros((index.size, len(STATES)))
    for j, kind in enumerate(kinds):
        group[:, kind] += decoded.posterior[:, j]
    chosen = np.take_along_axis(group, part_state[:, None].astype(np.int64), axis=1)[:, 0]
    # A held value is judged by the rule, and a relabelled blend by the run it belongs to.
    changed = part_state != kinds[decoded.path]
    chosen = np.where(changed, np.maximum(chosen, group.max(axis=1)), chosen)
    seen = np.isfinite(part.reference)
    state[index] = np.where(seen, part_state, UNJUDGED)
    ratio[index] = np.where(seen, part_ratio, np.nan)
    probability[index] = np.where(seen, np.clip(chosen, 0.0, 1.0), np.nan)
    also[index] = part_also & seen & (part_state == HALVED)
    return States(state=state, ratio=ratio, also_cadence=also, probability=probability)


def _take(data: StateInput, index: I64) -> StateInput:
    return StateInput(
        time_s=data.time_s[index],
        seconds=data.seconds[index],
        tested=data.tested[index],
        reference=data.reference[index],
        low=data.low[index],
        high=data.high[index],
        cadence=data.cadence[index],
        averaging_s=data.averaging_s,
    )


def _mode_value(data: StateInput, kind: int, ratio: float) -> F64:
    return ratio * (data.cadence if kind == CADENCE_LOCKED else data.reference)


def _settle_blends(data: StateInput, column: I64, kinds: I8, ratios: F64) -> I64:
    """Where one mode gives way to another, the 80 % rule decides which readings are blends.

    Between two modes the share of the second in the window is ``(tested - first) / (second - first)``: below 0.2 the
    reading belongs to the first, above 0.8 to the second, else it is a blend. Only readings next to the change are
    touched.
    """
    is_mode = ~np.isin(kinds, (BETWEEN, ASTRAY))
    between = int(np.flatnonzero(kinds == BETWEEN)[0])
    out = column.copy()
    first, stop, which = _columns(runs_of(column))
    reach_s = data.averaging_s + 2.0 * float(np.median(data.seconds))
    modes = [i for i, k in enumerate(which) if is_mode[k]]
    for i, j in itertools.pairwise(modes):
        a, b = which[i], which[j]
        here, there = stop[i], first[j]
        if a == b or data.time_s[there] - data.time_s[here - 1] > 6.0 * reach_s:
            continue
        lo = max(first[i], int(np.searchsorted(data.time_s, data.time_s[here - 1] - reach_s)))
        hi = min(stop[j], int(np.searchsorted(data.time_s, data.time_s[there] + reach_s, side="right")))
        one = _mode_value(data, int(kinds[a]), float(ratios[a]))[lo:hi]
        two = _mode_value(data, int(kinds[b]), float(ratios[b]))[lo:hi]
        apart = np.abs(two - one) >= 0.06 * np.maximum(one, two)
        share = np.full(hi - lo, np.nan)
        np.divide(data.tested[lo:hi] - one, two - one, out=share, where=apart)
        blend = (share >= 0.2) & (share <= 0.8)
        left, right = here - lo, there - lo
        while left > 0 and blend[left - 1]:
            left -= 1
        while right < hi - lo and blend[right]:
            right += 1
        out[lo + left : here] = between
        out[there : lo + right] = between
        if left == here - lo:
            while left < there - lo and share[left] < 0.2:
                out[lo + left] = a
                left += 1
        if right == there - lo:
            while right > left and share[right - 1] > 0.8:
                out[lo + right - 1] = b
                right -= 1
    return out


def _coincidences(data: StateInput, state: I8, ratio: F64) -> tuple[I8, F64, B8]:
    """Half rate and cadence on the same number: halved, also cadence; the true rate and a wrong one: faithful."""
    state, ratio = state.copy(), ratio.copy()
    also = np.zeros(state.size, dtype=np.bool_)
    half = 0.5 * data.reference
    with np.errstate(invalid="ignore"):
        usual = np.nanmedian(data.cadence) if bool(np.isfinite(data.cadence).any()) else 0.0
        for multiple in _STEP_MULTIPLES if usual >= 50.0 else _STROKE_MULTIPLES:
            also |= np.abs(multiple * data.cadence - half) <= np.maximum(0.03 * half, 2.0)
        locked = (state == CADENCE_LOCKED) & also & (np.abs(data.tested - half) <= np.maximum(0.08 * half, 4.0))
        state[locked] = HALVED
        ratio[locked] = 0.5
        true = data.reference
        wrong = (state == CADENCE_LOCKED) | (state == OFF_RATIO)
        same = wrong & (np.abs(data.tested - true) <= np.maximum(0.03 * true, 3.0))
        state[same] = FAITHFUL
    return state, ratio, also


def _steady(values: F64) -> bool:
    seen = values[np.isfinite(values)]
    return bool(seen.size) and float(seen.max() - seen.min()) <= 3.0


def _freezes(
    data: StateInput, state: I8, parameters: StateParameters, *, frozen_min_s: float, frozen_move: float
) -> I8:
    """Runs of one repeated value that the reference left behind, longer than chance would hold it."""
    state = state.copy()
    runs = runs_of(np.concatenate([[0], np.cumsum(np.diff(data.tested) != 0)]).astype(np.int64))
    slope = np.abs(np.gradient(data.reference)) if data.reference.size > 2 else np.zeros(data.reference.size)
    for first, stop, _ in zip(*_columns(runs), strict=True):
        if stop - first < 3 or data.time_s[stop - 1] - data.time_s[first] < frozen_min_s:
            continue
        reference = data.reference[first:stop]
        seen = reference[np.isfinite(reference)]
        if seen.size < 3 or float(seen.max() - seen.min()) <= frozen_move:
            continue
        inside = state[first:stop] == CADENCE_LOCKED
        value = float(data.tested[first])
        from_truth = abs(float(reference[0]) - value) <= max(0.04 * value, 4.0)
        if float(inside.mean()) >= 0.5 and not from_truth and _steady(data.cadence[first:stop][inside]):
            # A steady cadence holds the value of what is locked to it; a freeze starts from the true value.
            continue
        moving = float(np.nansum(slope[first + 1 : stop] > 0.1))
        chance = (1.0 - parameters.change_share) ** moving
        if chance > 1e-3:
            continue
        low, high = data.low[first:stop], data.high[first:stop]
        outside = np.fmax(low - value, value - high)
        # What following late explains to its end is a freeze only if the device never holds a value that long.
        if chance > 1e-6 and not bool(np.any(outside > max(0.02 * value, 2.0))):
            continue
        state[first:stop] = FROZEN
    return state


def _slips(data: StateInput, state: I8, ratio: F64, parameters: StateParameters) -> I8:
    """A reading far from what its mode says is not of that mode, however short the slip."""
    state = state.copy()
    reach = 0.10 + 3.0 * parameters.spread
    with np.errstate(invalid="ignore"):
        low, high = np.fmin(data.low, data.reference), np.fmax(data.high, data.reference)
        off = np.fmax(low - data.tested, data.tested - high)
        far = (state == FAITHFUL) & (off > np.maximum(reach * data.reference, 8.0))
        by_rate = np.isin(state, (HALVED, DOUBLED, OFF_RATIO))
        off = np.fmax(ratio * low - data.tested, data.tested - ratio * high)
        far |= by_rate & (off > np.maximum(reach * ratio * data.reference, 8.0))
        value = ratio * data.cadence
        far |= (state == CADENCE_LOCKED) & (np.abs(data.tested - value) > np.maximum(reach * value, 8.0))
    state[far] = ASTRAY
    return state


def _dips(data: StateInput, state: I8, ratio: F64) -> tuple[I8, F64]:
    """A smooth way out to half (or double) rate and back, too short for a slow device to settle there.

    Between two faithful readings the ratio falls to half, without turning, and rises again, without turning: readings
    past 80 % of the way are halved, the rest are blends.
    """
    state, ratio = state.copy(), ratio.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        follow = data.tested / data.reference
    loose = np.isin(state, (BETWEEN, ASTRAY, HALVED, DOUBLED))
    for first, stop, kind in zip(*_columns(runs_of(loose.astype(np.int8))), strict=True):
        inside = state[first:stop]
        if not kind or stop - first < 3 or not bool(np.isin(inside, (BETWEEN, ASTRAY)).any()):
            continue
        seen = follow[first:stop]
        if not bool(np.isfinite(seen).all()) or data.seconds[first:stop].sum() > 8.0 * data.averaging_s + 60.0:
            continue
        for mode, goal in ((HALVED, 0.5), (DOUBLED, 2.0)):
            share = (seen - 1.0) / (goal - 1.0)
            peak = int(np.argmax(share))
            if not 0.8 <= share[peak] <= 1.15 or float(share.min()) < -0.1:
                continue
            steps = np.diff(share)
            if bool(np.any(steps[:peak] < -0.06)) or bool(np.any(steps[peak:] > 0.06)):
                continue
            there = share >= 0.8
            state[first:stop] = np.where(there, mode, BETWEEN)
            ratio[first:stop] = np.where(there, goal, np.nan)
    return state, ratio


def _late(data: StateInput, state: I8) -> I8:
    """A steep rise that is followed late passes simple ratios on its way: what lateness explains throughout is late."""
    state = state.copy()
    with np.errstate(invalid="ignore"):
        outside = np.fmax(data.low - data.tested, data.tested - data.high)
        explained = outside <= np.maximum(0.02 * data.tested, 2.0)
    loose = np.isin(state, (OFF_RATIO, BETWEEN, ASTRAY))
    for first, stop, kind in zip(*_columns(runs_of(loose.astype(np.int8))), strict=True):
        if kind and bool((state[first:stop] == OFF_RATIO).any()) and float(explained[first:stop].mean()) >= 0.9:
            state[first:stop] = FAITHFUL
    return state


def _lawful(data: StateInput, state: I8) -> I8:
    """Put blends and strays into the words of the contract.

    ``between`` exists only between two different modes, or for at most the averaging plus two intervals; what is
    longer is ``astray``. A short stray on the way from one mode to another is a blend. A simple ratio other than half
    and double must last 20 s.
    """
    state = state.copy()
    limit = data.averaging_s + 2.0 * float(np.median(data.seconds))
    modes = (FAITHFUL, HALVED, DOUBLED, OFF_RATIO, CADENCE_LOCKED, FROZEN)
    for first, stop, kind in zip(*_columns(runs_of(state)), strict=True):
        if kind == OFF_RATIO and float(data.seconds[first:stop].sum()) < 20.0:
            state[first:stop] = ASTRAY
    loose = np.isin(state, (BETWEEN, ASTRAY))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = data.tested / data.reference
    at = {FAITHFUL: 1.0, HALVED: 0.5, DOUBLED: 2.0}
    for first, stop, is_loose in zip(*_columns(runs_of(loose.astype(np.int8))), strict=True):
        if not is_loose:
            continue
        lasted = float(data.seconds[first:stop].sum())
        before = int(state[first - 1]) if first else UNJUDGED
        after = int(state[stop]) if stop < state.size else UNJUDGED
        two_modes = before in modes and after in modes and before != after
        blends = bool((state[first:stop] == BETWEEN).all())
        # On the way between two modes readings lie between them; a brief dip out of one, towards half or double.
        ends = [at.get(before, math.nan), at.get(after, math.nan)]
        if any(math.isnan(e) for e in ends):
            low, high = 0.3, 3.0
        elif two_modes:
            low, high = min(ends) - 0.05, max(ends) + 0.05
        else:
            low, high = 0.5 * ends[0], 2.0 * ends[0]
        seen = ratio[first:stop][np.isfinite(ratio[first:stop])]
        inside = bool(np.all((seen >= low) & (seen <= high)))
        short = lasted <= limit or (blends and two_modes and lasted <= 6.0 * limit)
        state[first:stop] = BETWEEN if short and inside else ASTRAY
    # Readings that are right, several in a row, are right, whatever stands around them.
    with np.errstate(invalid="ignore"):
        right = np.abs(data.tested - data.reference) <= np.maximum(0.03 * data.reference, 3.0)
    for first, stop, kind in zip(
        *_columns(runs_of((right & np.isin(state, (BETWEEN, ASTRAY))).astype(np.int8))), strict=True
    ):
        if kind and stop - first >= 3 and float(data.seconds[first:stop].sum()) >= 5.0:
            state[first:stop] = FAITHFUL
    # A blend inside the tolerance of following is following.
    with np.errstate(invalid="ignore"):
        off = np.fmax(data.low - data.tested, data.tested - data.high)
        fine = (state == BETWEEN) & (off <= np.maximum(0.03 * data.reference, 2.0))
        fine &= np.abs(data.tested - data.reference) <= np.maximum(0.06 * data.reference, 4.0)
    state[fine] = FAITHFUL
    return state


def faithful_sums(data: StateInput, states: States, *, noise_bpm: float = 0.8) -> FaithfulSums:
    """What a session's faithful readings tell about the device, as sums that add over sessions.

    Parameters
    ----------
    data : StateInput
    states : States
    noise_bpm : float

    Returns
    -------
    FaithfulSums
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.abs(np.log(data.tested / data.reference))
    good = (states.state == FAITHFUL) & np.isfinite(x)
    excess = np.sqrt(np.maximum(np.square(x[good]) - np.square(noise_bpm / data.tested[good]), 0.0))
    cell = np.minimum((excess / 0.001).astype(np.int64), 199)
    histogram = np.bincount(cell, minlength=200).astype(np.float64)
    moved = np.abs(np.diff(data.reference)) > 0.1
    both = moved & good[1:] & good[:-1]
    changed = both & (np.diff(data.tested) != 0)
    return FaithfulSums(histogram=histogram, changed=float(changed.sum()), moving=float(both.sum()))


def learn_parameters(
    sums: FaithfulSums, *, prior: StateParameters | None = None, prior_n: float = 300.0
) -> StateParameters:
    """Learn a device's state parameters from its sums, shrunk to a prior worth ``prior_n`` readings.

    Parameters
    ----------
    sums : FaithfulSums
    prior : StateParameters, optional
    prior_n : float

    Returns
    -------
    StateParameters
        The spread is bounded to 0.01 to 0.05, so that a device that is mostly wrong cannot make wrong normal.
    """
    prior = prior or StateParameters()
    n = float(sums.histogram.sum())
    spread = prior.spread
    if n >= 30:
        share = np.cumsum(sums.histogram) / n
        at = float(np.interp(0.6827, share, (np.arange(200) + 1) * 0.001))
        spread = math.exp((n * math.log(max(at, 1e-3)) + prior_n * math.log(prior.spread)) / (n + prior_n))
    change = (sums.changed + 30.0 * prior.change_share) / (sums.moving + 30.0)
    return StateParameters(
        spread=float(np.clip(spread, 0.010, 0.05)),
        noise_bpm=prior.noise_bpm,
        change_share=float(np.clip(change, 0.05, 0.98)),
        n=int(n),
    )
