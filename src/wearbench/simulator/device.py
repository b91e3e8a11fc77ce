"""A tested device: its ticks, its averaging, its own error, what it freezes, drops and writes, and the truth of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.episodes import Episode, draw_episodes
from wearbench.simulator.parameters import DevicePlan, SessionPlan
from wearbench.simulator.physiology import LEAD_S, TAIL_S, Course
from wearbench.simulator.sensing import MODES, Sensed, sense, window_rate

__all__ = ["SimulatedDevice", "simulate_device"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
BOOL = NDArray[np.bool_]
STR = NDArray[np.str_]

_STATE_SHARE = 0.8
_COINCIDE = 0.03
_FROZEN_MOVE_BPM = 5.0
_LATE_S = 30.0
_SHOWN_LATE_S = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SimulatedDevice:
    """What one device wrote in one session, and what was so; arrays of shape (n,), one row a reading.

    Attributes
    ----------
    plan : DevicePlan
    stamp_ms : int64 array
        Milliseconds of the device's own clock since the session's start.
    value_bpm : float64 array
        As written; NaN for an empty value.
    start_s, end_s : float64 arrays
        The true window on the reference's clock.
    truth_bpm : float64 array
        True rate over the window.
    state, also : str arrays
    sentinel : bool array
    pure : bool array
        Faithful over the whole window, not late, neither spike nor sentinel: follows the truth but for noise.
    at_s : float
        Middle of the session on the device's own clock, seconds after the session's start.
    episodes : tuple of Episode
        When it failed, whether or not readings show it.
    """

    plan: DevicePlan
    stamp_ms: I64
    value_bpm: F64
    start_s: F64
    end_s: F64
    truth_bpm: F64
    state: STR
    also: STR
    sentinel: BOOL
    pure: BOOL
    at_s: float
    episodes: tuple[Episode, ...] = ()


def _ticks_ms(plan: SessionPlan, device: DevicePlan, at_s: float, rng: np.random.Generator) -> I64:
    """Stamps of the device's own clock at which it has a reading."""
    first = np.ceil((device.starts_s - device.clock.offset_s) / device.interval_s)
    last = np.floor((plan.seconds + device.stops_s - device.clock.offset_s) / device.interval_s)
    ticks = np.arange(first, last + 1.0) * device.interval_s
    if device.rest_interval_s is not None:
        there = _on_reference(ticks, device, at_s)
        bout = np.searchsorted(np.asarray(plan.bout_starts_s), there, side="right") - 1
        resting = np.asarray([b.activity == "rest" for b in plan.bouts])[np.clip(bout, 0, len(plan.bouts) - 1)]
        ticks = ticks[~resting | (np.mod(np.rint(ticks * 1e3), np.rint(device.rest_interval_s * 1e3)) == 0)]
    if device.jitter_s > 0:
        ticks = np.sort(ticks + rng.uniform(-device.jitter_s, device.jitter_s, ticks.size))
    stamps = np.unique(np.rint(ticks * 1000.0).astype(np.int64))
    there = _on_reference(stamps / 1000.0, device, at_s)
    room = device.averaging_s * (2.0 if device.smoothing == "exponential" else 1.0) + device.delay_s
    return stamps[(there > -LEAD_S + room + 5.0) & (there < plan.seconds + TAIL_S - 5.0)]


def _on_reference(stamp_s: F64, device: DevicePlan, at_s: float) -> F64:
    return stamp_s + device.clock.offset_s + 1e-6 * device.clock.drift_ppm * (stamp_s - at_s)


def _noise(instant_s: F64, device: DevicePlan, rng: np.random.Generator) -> F64:
    """Correlated error at uneven instants, bpm."""
    draws = rng.standard_normal(instant_s.size)
    phi = np.exp(-np.diff(instant_s, prepend=-np.inf) / max(device.noise_corr_s, 1e-9))
    out = np.empty(instant_s.size)
    last = 0.0
    for i, (keep, draw) in enumerate(zip(phi.tolist(), draws.tolist(), strict=True)):
        last = keep * last + (1.0 - keep * keep) ** 0.5 * draw
        out[i] = last
    return device.noise_bpm * out


def _states(
    sensed: Sensed, beats: F64, cadence: Course, start_s: F64, end_s: F64, *, constant_s: float
) -> tuple[STR, STR, BOOL]:
    """State, what else it could be, and whether the whole window is faithful and in time.

    ``constant_s`` is that of exponential smoothing, 0 for a boxcar: a mode's share of a window is that of the weights.
    """
    shares = [sensed.share(code) for code in range(len(MODES))]
    if constant_s > 0:
        share = np.stack([sensed.smoothed(one, end_s, constant_s=constant_s) for one in shares])
    else:
        share = np.stack([sensed.mean(one, start_s, end_s) for one in shares])
    best = np.argmax(share, axis=0)
    state = np.where(share.max(axis=0) >= _STATE_SHARE, np.asarray(MODES)[best], "between").astype("U16")
    behind = sensed.mean(sensed.behind_s, start_s, end_s)
    rate = window_rate(beats, start_s, end_s)
    locked_to = np.interp((start_s + end_s) / 2, cadence.time_s, cadence.value)
    locked_to = locked_to * sensed.mean(sensed.cadence_multiple, start_s, end_s)
    also = np.full(state.shape, "", dtype="U16")
    for ratio, named in ((0.5, "halved"), (2.0, "doubled"), (1.0, "faithful")):
        near = np.abs(locked_to / (ratio * rate) - 1.0) < _COINCIDE
        same = (state == "cadence_locked") & near
        state[same] = named
        also[same | ((state == named) & near & (ratio != 1.0))] = "cadence_locked"
    late = (state == "faithful") & (behind > _SHOWN_LATE_S)
    also[late] = "late"
    state[(state == "faithful") & (behind > _LATE_S)] = "astray"
    pure = (share[0] > 1.0 - (1e-3 if constant_s > 0 else 1e-9)) & (behind < 1e-9)
    return state, also, pure


def _hold(
    value: F64, state: STR, also: STR, pure: BOOL, truth: F64, instant_s: F64, episodes: tuple[Episode, ...]
) -> None:
    """Freeze the output over frozen episodes, in place."""
    for episode in episodes:
        run = np.flatnonzero((instant_s >= episode.start_s) & (instant_s < episode.end_s))
        if episode.failure.mode != "frozen" or run.size < 2:
            continue
        held = run[1:]
        value[held] = value[run[0]]
        pure[held] = False
        moved = float(np.ptp(truth[run])) > _FROZEN_MOVE_BPM
        state[held] = "frozen" if moved else state[run[0]]
        also[held] = "" if moved else also[run[0]]


def _spike(value: F64, state: STR, also: STR, pure: BOOL, device: DevicePlan, rng: np.random.Generator) -> None:
    """Put single wild readings in, in place."""
    for failure in device.failures:
        if failure.mode != "spike":
            continue
        hit = (rng.random(value.size) < failure.share) & (state == "faithful")
        jump = rng.uniform(0.15, 0.28, value.size) * rng.choice([-1.0, 1.0], value.size)
        value[hit] *= 1.0 + jump[hit]
        state[hit], also[hit], pure[hit] = "astray", "", False


def _dropped(instant_s: F64, episodes: tuple[Episode, ...]) -> tuple[BOOL, BOOL, F64]:
    """Rows that are not there, rows that hold a sentinel, and the sentinels."""
    gone = np.zeros(instant_s.size, dtype=np.bool_)
    marked = np.zeros(instant_s.size, dtype=np.bool_)
    mark = np.full(instant_s.size, np.nan)
    for episode in episodes:
        if episode.failure.mode != "missing":
            continue
        here = (instant_s >= episode.start_s) & (instant_s < episode.end_s)
        if episode.failure.sentinel is None:
            gone |= here
        else:
            marked |= here
            mark[here] = episode.failure.sentinel
    return gone, marked, mark


def _changes(value: F64, stamp_ms: I64, *, hold_s: float) -> BOOL:
    """Rows that a recorder of changes writes."""
    keep = np.zeros(value.size, dtype=np.bool_)
    last, last_ms = np.nan, -(10**15)
    for i, (now, now_ms) in enumerate(zip(value.tolist(), stamp_ms.tolist(), strict=True)):
        if now != last or now_ms - last_ms >= hold_s * 1000:
            keep[i] = True
            last, last_ms = now, now_ms
    return keep


def simulate_device(
    beats: F64, cadence: Course, plan: SessionPlan, device: DevicePlan, rng: np.random.Generator
) -> SimulatedDevice:
    """Record one session with one tested device.

    Parameters
    ----------
    beats : float64 array, shape (n,)
        True beat times.
    cadence : Course
        True cadence.
    plan : SessionPlan
    device : DevicePlan
    rng : numpy.random.Generator

    Returns
    -------
    SimulatedDevice
    """
    at_s = float(np.rint(plan.seconds / 2 - device.clock.offset_s))
    episodes = draw_episodes(device.failures, plan, rng)
    sensed = sense(beats, cadence, episodes, plan, device, rng)
    stamp_ms = _ticks_ms(plan, device, at_s, rng)
    instant_s = _on_reference(stamp_ms / 1000.0, device, at_s)
    end_s = instant_s - device.delay_s
    start_s = end_s - device.averaging_s
    constant_s = device.averaging_s / 2 if device.smoothing == "exponential" else 0.0
    if constant_s > 0:
        value = sensed.smoothed(sensed.level_bpm, end_s, constant_s=constant_s)
    else:
        value = sensed.mean(sensed.level_bpm, start_s, end_s)
    value = np.clip(value + _noise(instant_s, device, rng), 25.0, 250.0)
    truth_bpm = window_rate(beats, start_s, end_s)
    state, also, pure = _states(sensed, beats, cadence, start_s, end_s, constant_s=constant_s)
    _spike(value, state, also, pure, device, rng)
    if device.round_to_bpm > 0:
        value = np.rint(value / device.round_to_bpm) * device.round_to_bpm
    _hold(value, state, also, pure, truth_bpm, instant_s, episodes)
    gone, marked, mark = _dropped(instant_s, episodes)
    value = np.where(marked, mark, value)
    state[marked], also[marked] = "missing", ""
    pure &= ~marked
    kept = ~gone
    if device.on_change:
        kept[kept] = _changes(value[kept], stamp_ms[kept], hold_s=device.hold_s)
    return SimulatedDevice(
        plan=device,
        stamp_ms=stamp_ms[kept],
        value_bpm=value[kept],
        start_s=start_s[kept],
        end_s=end_s[kept],
        truth_bpm=truth_bpm[kept],
        state=state[kept],
        also=also[kept],
        sentinel=marked[kept],
        pure=pure[kept],
        at_s=at_s,
        episodes=episodes,
    )
