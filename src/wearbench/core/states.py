"""What the device was doing at each reading: faithful, halved, doubled, locked to cadence, frozen, astray.

A hidden Markov model over the log ratio to the reference, and to the cadence where a stride is credible. Its
parameters are learned per device, with priors that keep a clean device clean. The path is then put into the words of
the contract: blends of two modes become ``between``, held values that the reference left behind become ``frozen``,
and where half rate and cadence coincide the reading is ``halved`` with ``also = cadence_locked``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.chain import decode
from wearbench.core.emissions import emissions
from wearbench.core.runs import Runs, columns_of, runs_of
from wearbench.core.statemodel import (
    ASTRAY,
    BETWEEN,
    DOUBLED,
    FAITHFUL,
    FROZEN,
    HALVED,
    MOVED_BPM,
    STATES,
    UNJUDGED,
    StateInput,
    StateParameters,
    credible_cadence,
)
from wearbench.core.staterules import (
    coincidences,
    held_runs,
    late,
    lawful,
    settle_blends,
    slips,
    unsettled,
    whole_holds,
)
from wearbench.core.stateways import dips, part_ways

__all__ = [
    "STATES",
    "FaithfulSums",
    "Runs",
    "StateInput",
    "StateParameters",
    "States",
    "credible_cadence",
    "faithful_sums",
    "followed",
    "label",
    "learn_parameters",
    "runs_of",
]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
I8 = NDArray[np.int8]
B8 = NDArray[np.bool_]


LONGEST_HOLD: Final = 60
"""Readings; a longer run is nobody's usual rhythm."""
SOBER: Final = 0.7
"""Posteriors to this power are about as often right as they say, with devices that are not the model's own."""
HELD_S: Final = 30.0
"""So much of a freeze counts as holding a value."""


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
class FaithfulSums:
    """What one session tells about a device's faithful readings; adds over sessions.

    ``histogram`` counts standardised-free absolute deviations (log ratio, beyond the noise in beats a minute) in 200
    cells of 0.001; ``changed`` and ``moving`` count readings that differ from the one before while the reference
    moves, and all of those; ``still_changed`` and ``still`` the same while it stands still. Over pairs of neighbouring
    readings, ``lag`` sums the products of their log ratios, ``square`` the squares, ``gap_s`` the time between them,
    and ``lagged`` counts them. ``holds`` sums, for runs of one value by their length, the readings to which the
    reference moved.
    """

    histogram: F64
    changed: float
    moving: float
    lag: float = 0.0
    square: float = 0.0
    gap_s: float = 0.0
    lagged: float = 0.0
    still: float = 0.0
    still_changed: float = 0.0
    holds: F64 = field(default_factory=lambda: np.zeros(LONGEST_HOLD + 1))

    def __add__(self, other: FaithfulSums) -> FaithfulSums:
        return FaithfulSums(
            histogram=self.histogram + other.histogram,
            changed=self.changed + other.changed,
            moving=self.moving + other.moving,
            lag=self.lag + other.lag,
            square=self.square + other.square,
            gap_s=self.gap_s + other.gap_s,
            lagged=self.lagged + other.lagged,
            still=self.still + other.still,
            still_changed=self.still_changed + other.still_changed,
            holds=self.holds + other.holds,
        )


def label(
    data: StateInput, parameters: StateParameters, *, frozen_min_s: float, frozen_move: float, mode_share: float = 0.8
) -> States:
    """Label every reading with what the device was doing.

    Parameters
    ----------
    data : StateInput
    parameters : StateParameters
    frozen_min_s : float
        Shortest run of one value that can be a freeze, seconds.
    frozen_move : float
        How far the reference must move meanwhile.
    mode_share : float
        Share of a window from which it belongs to one mode, where one mode gives way to another.

    Returns
    -------
    States

    Notes
    -----
    The most probable path of a hidden Markov chain with memory (see ``emissions``), put into words by a few rules.
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
    held = held_runs(part, parameters, shortest_s=frozen_min_s, move=frozen_move)
    model = emissions(part, parameters, held=held)
    kinds = model.kind
    gap = np.clip(np.diff(part.time_s, prepend=part.time_s[0]), 0.0, None)
    stay = np.exp(-gap[:, None] / model.hold_s)
    decoded = decode(model.first, stay, model.enter, model.enter, again=model.again)
    column = unsettled(part, decoded.path, kinds, model.ratio)
    column = settle_blends(part, column, kinds, model.ratio, mode_share=mode_share)
    part_state, part_ratio, part_also = coincidences(part, kinds[column], model.ratio[column], parameters)
    part_state = whole_holds(part, part_state, held)
    part_state = slips(part, part_state, part_ratio, parameters)
    part_state, part_ratio = dips(part, part_state, part_ratio)
    part_state, part_ratio = part_ways(part, part_state, part_ratio)
    part_state = lawful(part, late(part, part_state))
    part_ratio = np.where(np.isin(part_state, (BETWEEN, FROZEN, ASTRAY)), np.nan, part_ratio)
    part_ratio = np.where(part_state == FAITHFUL, 1.0, part_ratio)
    group = np.zeros((index.size, len(STATES)))
    for j, kind in enumerate(kinds):
        group[:, kind] += decoded.posterior[:, j]
    group = group**SOBER
    group /= np.maximum(group.sum(axis=1, keepdims=True), 1e-300)
    own = kinds[decoded.path].astype(np.int64)
    chosen = np.take_along_axis(group, part_state[:, None].astype(np.int64), axis=1)[:, 0]
    # A reading that a rule renamed was as sure in the chain under both names together.
    chosen = np.where(part_state != own, chosen + np.take_along_axis(group, own[:, None], axis=1)[:, 0], chosen)
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


def _held_for(data: StateInput) -> F64:
    """How long each reading has had its value, seconds."""
    new = np.concatenate([[True], np.diff(data.tested) != 0])
    since = np.maximum.accumulate(np.where(new, np.arange(new.size), 0))
    out: F64 = data.time_s - data.time_s[since]
    return out


def _within(data: StateInput, states: States) -> B8:
    """Readings whose window, and the next one to either side, holds nothing but their own state."""
    first, stop, _ = columns_of(runs_of(states.state))
    begins = np.repeat(data.time_s[first], np.subtract(stop, first))
    ends = np.repeat(data.time_s[np.subtract(stop, 1)], np.subtract(stop, first))
    inside: B8 = (data.time_s - begins >= data.averaging_s) | (begins == data.time_s[0])
    inside &= (ends - data.time_s >= data.averaging_s) | (ends == data.time_s[-1])
    return inside


def _holds(data: StateInput) -> F64:
    """Readings to which the reference moved, by how many of them the run of one value has that they are part of."""
    with np.errstate(invalid="ignore"):
        moved = np.concatenate([[False], np.abs(np.diff(data.reference)) > MOVED_BPM])
    run = np.cumsum(np.concatenate([[0], np.diff(data.tested) != 0]))
    length = np.bincount(run, weights=moved & np.isfinite(data.tested)).astype(np.int64)
    counted = length[(length > 0) & (length <= LONGEST_HOLD)]
    return np.bincount(counted, weights=counted, minlength=LONGEST_HOLD + 1).astype(np.float64)


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
    level = followed(data.tested, states)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.log(level / data.reference)
        times = np.maximum(level / data.tested, 1.0)
    # An error in beats a minute weighs more where a wrong mode reads low, as the model has it.
    error /= times
    good = (states.state == FAITHFUL) & np.isfinite(error)
    pure = np.isfinite(error) & _within(data, states)
    noise = noise_bpm / data.tested[pure] / times[pure]
    excess = np.sqrt(np.maximum(np.square(error[pure]) - np.square(noise), 0.0))
    cell = np.minimum((excess / 0.001).astype(np.int64), 199)
    histogram = np.bincount(cell, minlength=200).astype(np.float64)
    moved = np.abs(np.diff(data.reference)) > MOVED_BPM
    # A device that often holds a value is known by that, also where it was taken for frozen at first.
    told = good | (states.state == FROZEN) & (_held_for(data) <= HELD_S)
    both = moved & told[1:] & told[:-1]
    still = ~moved & told[1:] & told[:-1]
    changed = both & (np.diff(data.tested) != 0)
    away = np.clip(error, -0.1, 0.1)
    gap = np.diff(data.time_s)
    usual = float(np.median(gap)) if gap.size else 1.0
    near = pure[1:] & pure[:-1] & (gap > 0) & (gap < 1.5 * usual + 1e-6)
    one, two = away[:-1][near], away[1:][near]
    return FaithfulSums(
        histogram=histogram,
        changed=float(changed.sum()),
        moving=float(both.sum()),
        lag=float(np.dot(one, two)),
        square=float(0.5 * (np.dot(one, one) + np.dot(two, two))),
        gap_s=float(gap[near].sum()),
        lagged=float(near.sum()),
        still=float(still.sum()),
        holds=_holds(data),
        still_changed=float((still & (np.diff(data.tested) != 0)).sum()),
    )


def followed(tested: F64, states: States) -> F64:
    """Rate behind each reading that follows the reference, NaN for the others.

    Parameters
    ----------
    tested : float64 array, shape (n,)
    states : States

    Returns
    -------
    float64 array, shape (n,)

    Notes
    -----
    Half and double rate follow too, at their ratio: a device that is mostly halved shows by them over how long it
    averages. They are used where there are more of them than of right readings, and where cadence is no rival.
    """
    right = states.state == FAITHFUL
    simple = np.isin(states.state, (HALVED, DOUBLED)) & ~states.also_cadence & np.isfinite(states.ratio)
    out = np.where(right, tested, np.nan)
    if int(simple.sum()) > int(right.sum()):
        out[simple] = tested[simple] / states.ratio[simple]
    return out


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
    still = (sums.still_changed + 30.0 * prior.still_share) / (sums.still + 30.0)
    gap_s = sums.gap_s / sums.lagged if sums.lagged else 1.0
    kept = math.exp(-gap_s / prior.memory_s)
    size = sums.square / sums.lagged if sums.square > 0 else prior.spread**2
    correlation = (sums.lag + prior_n * kept * size) / (sums.square + prior_n * size)
    memory = -gap_s / math.log(min(max(correlation, 0.02), 0.995))
    held = np.cumsum(sums.holds)
    hold = float(np.searchsorted(held, 0.5 * held[-1])) if held[-1] >= 100 else prior.hold_readings
    return StateParameters(
        hold_readings=hold,
        memory_s=float(np.clip(memory, 1.0, 60.0)) if sums.lagged else prior.memory_s,
        still_share=float(np.clip(still, 0.02, 0.98)),
        spread=float(np.clip(spread, 0.010, 0.05)),
        noise_bpm=prior.noise_bpm,
        change_share=float(np.clip(change, 0.05, 0.98)),
        n=int(n),
    )
