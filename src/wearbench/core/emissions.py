"""How likely a reading is in each state, on its own and after the reading before.

A device that follows a mode errs a while in the same way: its log ratio to the mode is a first-order autoregression,
known by its spread and its memory. So a mode is told by where readings lie when it begins and by how they move on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.statemodel import (
    ASTRAY,
    BETWEEN,
    CADENCE_LOCKED,
    DOUBLED,
    ENTER,
    FAITHFUL,
    FROZEN,
    HALVED,
    HOLD_S,
    MOVED_BPM,
    OFF_RATIO,
    OFF_RATIOS,
    StateInput,
    StateParameters,
    cadence_multiples,
)

__all__ = ["Emissions", "emissions"]

F64 = NDArray[np.float64]
I8 = NDArray[np.int8]
B8 = NDArray[np.bool_]

OFF_SHARE: Final = (1.0, 1.0, 0.2, 0.2)
LOCK_SHARE: Final = (0.55, 0.30, 0.15)
LATE_ENTER: Final = 0.05
LATE_HOLD_S: Final = 25.0
"""Following late is a way of being faithful, with a chain column of its own."""
LOOSE: Final = 0.08
LOOSE_FAITHFUL: Final = 0.13
REACH: Final = 2.5
REACH_FAITHFUL: Final = 4.0
"""Spreads within which an error may stay; beyond them it is not the mode's, however steady."""
MODE_SPREAD: Final = 0.005
BACK: Final = 0.10
"""How often an error is forgotten from one reading to the next."""
FLOOR: Final = 2e-5
LOG_WIDTH: Final = 3.2
"""Width of the log ratio range that an astray reading may lie in (1/5 to 5 times)."""
AWAY: Final = 0.10
WANDER: Final = 0.02
"""Standard deviation of the change of an astray value over a second."""
BLEND_WIDTH: Final = 2.4
BLEND_AWAY: Final = 0.05
BLEND_PACE: Final = 0.35
_NEVER: Final = -50.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Emissions:
    """Log density of each reading in each column of the chain, shape (n, K).

    ``first`` where the state has just been entered, ``again`` where it was the same at the reading before; rows of
    zeros where there is nothing to compare with. ``kind`` and ``ratio``, shape (K,), are the state of each column and
    its ratio or cadence multiple, ``enter`` where a chain that left arrives, ``hold_s`` how long it stays.
    """

    first: F64
    again: F64
    kind: I8
    ratio: F64
    enter: F64
    hold_s: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class _Columns:
    """Columns under way."""

    first: list[F64] = field(default_factory=list)
    again: list[F64] = field(default_factory=list)
    meaning: list[tuple[int, float, float, float]] = field(default_factory=list)

    def add(self, kind: int, ratio: float, densities: tuple[F64, F64], *, enter: float, hold_s: float) -> None:
        """One column from the logs of its two densities."""
        self.first.append(densities[0])
        self.again.append(densities[1])
        self.meaning.append((kind, ratio, enter, hold_s))

    def made(self, *, nothing: B8) -> Emissions:
        first, again = np.stack(self.first, axis=1), np.stack(self.again, axis=1)
        first[nothing] = again[nothing] = math.log(FLOOR)
        kind, ratio, enter, hold_s = (np.array(each) for each in zip(*self.meaning, strict=True))
        # What no reading of the session speaks for need not be carried along.
        kept = (first.max(axis=0) > math.log(FLOOR) + 1.0) | np.isin(kind, (FAITHFUL, BETWEEN, ASTRAY))
        return Emissions(
            first=np.ascontiguousarray(first[:, kept]),
            again=np.ascontiguousarray(again[:, kept]),
            kind=kind[kept].astype(np.int8),
            ratio=ratio[kept],
            enter=enter[kept] / enter.sum(),
            hold_s=hold_s[kept],
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Readings:
    """Logs of what is compared, and what a device's error does; arrays of shape (n,).

    ``spread`` is that of an error at any time, ``step`` that of its new part since the reading before, of which it
    keeps ``keep``. ``jump`` is the change of the tested value; ``below`` and ``above`` how far it lies outside what
    lateness allows. ``gap_s`` is the time since the reading before.
    """

    tested: F64
    reference: F64
    width: F64
    outside: F64
    jump: F64
    gap_s: F64
    keep: F64
    spread: F64
    step: F64


def emissions(data: StateInput, parameters: StateParameters, *, held: B8) -> Emissions:
    """Log density of each reading in each state of the chain.

    Parameters
    ----------
    data : StateInput
        Every reading with a tested value.
    parameters : StateParameters
    held : bool array, shape (n,)
        Readings of runs of one value that can be a freeze.

    Returns
    -------
    Emissions

    Notes
    -----
    Own method: an autoregressive hidden Markov model (after Hamilton 1989, Econometrica 57:357-384, from memory).
    """
    r = _readings(data, parameters)
    ratio = r.tested - r.reference
    same = held & np.concatenate([[False], held[:-1] & (np.diff(data.tested) == 0)])
    idle = _repeats(same, data.reference, parameters)
    columns = _Columns()
    columns.add(
        FAITHFUL,
        1.0,
        _follows(r, ratio, idle, loose=LOOSE_FAITHFUL, reach=REACH_FAITHFUL, more=0.0),
        enter=ENTER[FAITHFUL],
        hold_s=HOLD_S[FAITHFUL],
    )
    columns.add(FAITHFUL, 1.0, _late(r, idle), enter=LATE_ENTER, hold_s=LATE_HOLD_S)
    modes = [(HALVED, 0.5, 1.0, MODE_SPREAD), (DOUBLED, 2.0, 1.0, MODE_SPREAD)]
    modes += [(OFF_RATIO, each, share, 0.0) for each, share in zip(OFF_RATIOS, OFF_SHARE, strict=True)]
    for kind, each, share, more in modes:
        columns.add(
            kind,
            each,
            _follows(r, ratio - math.log(each), idle, loose=LOOSE, reach=REACH, more=more),
            enter=share * ENTER[kind],
            hold_s=HOLD_S[kind],
        )
    multiples = cadence_multiples(data.cadence)
    paced = _repeats(same, data.cadence, parameters)
    for each, share in zip(multiples, LOCK_SHARE[: len(multiples)], strict=True):
        with np.errstate(invalid="ignore", divide="ignore"):
            away = r.tested - np.log(data.cadence * each)
        columns.add(
            CADENCE_LOCKED,
            each,
            _follows(r, away, paced, loose=LOOSE, reach=REACH, more=MODE_SPREAD),
            enter=share * ENTER[CADENCE_LOCKED],
            hold_s=HOLD_S[CADENCE_LOCKED],
        )
    averaging_s = max(data.averaging_s, 1.0)
    blend = _blends(r, ratio, idle, averaging_s=averaging_s)
    columns.add(BETWEEN, math.nan, blend, enter=ENTER[BETWEEN], hold_s=max(0.6 * averaging_s, 2.0))
    columns.add(ASTRAY, math.nan, _strays(r, idle), enter=ENTER[ASTRAY], hold_s=HOLD_S[ASTRAY])
    if held.any():
        # As likely as the best reading of any mode, so that only what holding a value is worth decides.
        frozen = np.where(held, np.log(0.36 / r.spread), _NEVER), np.where(same, np.log(0.36 / r.step), _NEVER)
        columns.add(FROZEN, math.nan, frozen, enter=ENTER[FROZEN], hold_s=HOLD_S[FROZEN])
    return columns.made(nothing=~np.isfinite(ratio))


def _readings(data: StateInput, parameters: StateParameters) -> _Readings:
    with np.errstate(divide="ignore", invalid="ignore"):
        tested, reference = np.log(data.tested), np.log(data.reference)
        low, high = np.fmin(np.log(data.low), reference), np.fmax(np.log(data.high), reference)
    gap_s = np.maximum(np.diff(data.time_s, prepend=data.time_s[0]), 0.0)
    keep = np.exp(-gap_s / parameters.memory_s)
    shown = np.maximum(data.tested, 20.0)
    # An error that is constant in beats a minute weighs more where a wrong mode reads low.
    scale = np.clip(np.where(np.isfinite(reference), data.reference, shown) / shown, 1.0, 3.0)
    own, noise = np.square(parameters.spread * scale), np.square(parameters.noise_bpm / shown)
    return _Readings(
        tested=tested,
        reference=reference,
        width=high - low,
        outside=np.maximum(np.maximum(low - tested, tested - high), 0.0),
        jump=_since(tested, 1.0),
        gap_s=gap_s,
        keep=keep,
        spread=np.sqrt(own + noise),
        step=np.sqrt(own * (1.0 - np.square(keep)) + noise),
    )


def _since(values: F64, keep: F64 | float) -> F64:
    """What is new since the reading before; all of it where there was none."""
    last = np.concatenate([[math.nan], values[:-1]])
    return values - keep * np.where(np.isfinite(last), last, values if isinstance(keep, float) else 0.0)


def _repeats(same: B8, level: F64, parameters: StateParameters) -> F64:
    """Log probability that a device which follows a level repeats its value, where it does."""
    with np.errstate(invalid="ignore"):
        moved = np.abs(np.diff(level, prepend=level[:1])) > MOVED_BPM
    share = np.where(moved, parameters.change_share, parameters.still_share)
    return np.where(same, np.log1p(-np.minimum(share, 0.98)), 0.0)


def _normal(x: F64, sigma: F64) -> F64:
    out: F64 = np.exp(-0.5 * np.square(x / sigma)) * (0.3989422804014327 / sigma)
    return out


def _follows(r: _Readings, away: F64, cost: F64, *, loose: float, reach: float, more: float) -> tuple[F64, F64]:
    """A reading that follows a mode ``away`` from it: an error of the usual size that changes as usual, or a slip."""
    spread = np.sqrt(np.square(r.spread) + more**2)
    step = np.sqrt(np.square(r.step) + (0.5 * more) ** 2)
    fresh = _since(away, r.keep)
    first = (1.0 - loose) * _normal(away, spread) + loose * _normal(away, 3.0 * spread)
    again = (1.0 - loose) * _normal(fresh, step) + loose * _normal(fresh, 3.0 * step)
    near = np.exp(-0.5 * np.square(np.maximum(np.abs(away) / spread - reach, 0.0)))
    again = near * ((1.0 - BACK) * again + BACK * first)
    unknown = ~np.isfinite(away)
    first[unknown] = again[unknown] = 0.0
    return np.log(first + FLOOR), np.log(again + FLOOR) + cost


def _late(r: _Readings, cost: F64) -> tuple[F64, F64]:
    """A reading between the lowest and highest reference of late, moving no faster than that moved."""
    inside = np.exp(-0.5 * np.square(r.outside / r.spread))
    pace = np.sqrt(np.square(r.step) + np.square(r.width * r.gap_s / 15.0))
    first = inside / (2.5066 * r.spread + r.width)
    again = (1.0 - BACK) * inside * _normal(r.jump, pace) + BACK * first
    return np.log(first + FLOOR), np.log(again + FLOOR) + cost


def _far(r: _Readings, least: float, spreads: float) -> F64:
    """Near 0 where a reading may be right, 1 where it cannot."""
    away = r.outside / np.maximum(least, spreads * r.spread)
    out: F64 = -np.expm1(-np.square(np.square(away)))
    return out


def _blends(r: _Readings, ratio: F64, cost: F64, *, averaging_s: float) -> tuple[F64, F64]:
    """On the way between two modes a reading moves, by what the averaging lets it."""
    room = _far(r, BLEND_AWAY, 2.5) * np.where(np.abs(ratio) < math.log(3.3), 1.0, 1e-2) + 1e-6
    pace = np.clip(BLEND_PACE * r.gap_s / averaging_s, r.step, 0.35)
    size = np.abs(r.jump)
    moves = (size + 0.5 * r.step) * np.exp(-size / pace) / (2.0 * np.square(pace))
    return np.log(room / BLEND_WIDTH), np.log(room * moves + 1e-30) + cost


def _strays(r: _Readings, cost: F64) -> tuple[F64, F64]:
    """A value that is wrong in no known way lies anywhere but near the reference, and wanders."""
    far = _far(r, AWAY, 3.5)
    pace = np.sqrt(np.square(r.step) + WANDER**2 * np.minimum(r.gap_s, 10.0))
    wander = 0.7 * _normal(r.jump, pace) + 0.2 * _normal(r.jump, 4.0 * pace) + 0.1 / LOG_WIDTH
    return np.log(far / LOG_WIDTH + 1e-6), np.log(far * wander + 1e-6) + cost
