"""What the optical sensor takes for the heart rate at each moment, before any averaging.

Failures that change the sensed rate act here, so that a window over the edge of one blends both sides by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.episodes import Episode
from wearbench.simulator.parameters import DevicePlan, SessionPlan
from wearbench.simulator.physiology import Course, correlated

__all__ = ["MODES", "Sensed", "sense", "window_rate"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

MODES: Final = ("faithful", "halved", "doubled", "off_ratio", "cadence_locked", "astray")
"""Modes of the sensor; an index into this tuple is the mode's code."""

_SPOT_S = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Sensed:
    """The sensed rate, constant between knots.

    Attributes
    ----------
    knot_s : float64 array, shape (n + 1,)
        Increasing, reference clock.
    level_bpm : float64 array, shape (n,)
    mode : int64 array, shape (n,)
        Index into `MODES`.
    weight : float64 array, shape (n,)
        How much of the level is the mode's; the rest is faithful.
    behind_s : float64 array, shape (n,)
        How far the sensor is behind the heart.
    cadence_multiple : float64 array, shape (n,)
        Multiple of the cadence it is locked to, else 1.
    """

    knot_s: F64
    level_bpm: F64
    mode: I64
    weight: F64
    behind_s: F64
    cadence_multiple: F64

    def share(self, code: int) -> F64:
        """How much of the level is a mode's, shape (n,)."""
        part: F64 = np.where(self.mode == code, self.weight, 0.0)
        return part if code else part + (1.0 - self.weight)

    def mean(self, column: F64, start_s: F64, end_s: F64) -> F64:
        """Mean of a column over windows, shape (m,); a window of no length gives the value there."""
        spot = end_s - start_s < _SPOT_S
        start_s = np.where(spot, start_s - _SPOT_S / 2, start_s)
        end_s = np.where(spot, end_s + _SPOT_S / 2, end_s)
        total = np.concatenate([[0.0], np.cumsum(column * np.diff(self.knot_s))])
        found = np.interp(end_s, self.knot_s, total) - np.interp(start_s, self.knot_s, total)
        mean: F64 = found / (end_s - start_s)
        return mean

    def smoothed(self, column: F64, end_s: F64, *, constant_s: float) -> F64:
        """Exponentially smoothed column at instants, shape (m,)."""
        steps = np.diff(self.knot_s)
        fade = np.exp(-steps / constant_s)
        at_knot = np.empty(self.knot_s.size)
        value = at_knot[0] = float(column[0])
        for i, (level, keep) in enumerate(zip(column.tolist(), fade.tolist(), strict=True)):
            value = level + (value - level) * keep
            at_knot[i + 1] = value
        which = np.clip(np.searchsorted(self.knot_s, end_s, side="right") - 1, 0, steps.size - 1)
        level_there = column[which]
        since = np.clip(end_s - self.knot_s[which], 0.0, None)
        smooth: F64 = level_there + (at_knot[which] - level_there) * np.exp(-since / constant_s)
        return smooth


def window_rate(beats: F64, start_s: F64, end_s: F64) -> F64:
    """True rate over windows from fractional beats, bpm, shape (m,); a window of no length gives the rate there."""
    spot = end_s - start_s < _SPOT_S
    start_s = np.where(spot, start_s - _SPOT_S / 2, start_s)
    end_s = np.where(spot, end_s + _SPOT_S / 2, end_s)
    count = np.arange(beats.size, dtype=np.float64)
    counted = np.interp(end_s, beats, count) - np.interp(start_s, beats, count)
    rate: F64 = 60.0 * counted / (end_s - start_s)
    return rate


def _late_onsets(plan: SessionPlan, device: DevicePlan, rng: np.random.Generator) -> tuple[F64, F64]:
    """Corners (time, seconds behind) of the sensor's lateness at onsets of effort."""
    lag = device.onset_late_s
    corners: list[tuple[float, float]] = []
    efforts = (0.0, *(bout.effort for bout in plan.bouts))
    for start, before, bout in zip(plan.bout_starts_s, efforts, plan.bouts, strict=False):
        drawn = rng.random() < device.onset_share
        free = not corners or start >= corners[-1][0]
        if lag > 0 and drawn and free and start > 0 and bout.effort > before + 0.1:
            full = start + lag / 0.9
            corners += [(start, 0.0), (full, lag), (full + 2.5 * lag, 0.0)]
    times = np.asarray([time for time, _ in corners])
    return times, np.asarray([behind for _, behind in corners])


def sense(
    beats: F64,
    cadence: Course,
    episodes: tuple[Episode, ...],
    plan: SessionPlan,
    device: DevicePlan,
    rng: np.random.Generator,
) -> Sensed:
    """Form the sensed rate of one device.

    Parameters
    ----------
    beats : float64 array, shape (n,)
        True beat times.
    cadence : Course
        True cadence.
    episodes : tuple of Episode
    plan : SessionPlan
    device : DevicePlan
    rng : numpy.random.Generator

    Returns
    -------
    Sensed
        From the first beat to the last.
    """
    first, last = float(beats[0]), float(beats[-1])
    corner_s, corner_behind = _late_onsets(plan, device, rng)
    corner_s = np.concatenate([[first], corner_s, [last]])
    corner_behind = np.concatenate([[0.0], corner_behind, [0.0]])
    seen_s = np.interp(beats, corner_s - corner_behind, corner_s)
    sensor = [e for e in episodes if e.failure.mode in MODES]
    edges = [edge for e in sensor for edge in (e.start_s, e.end_s)]
    knots = np.unique(np.concatenate([seen_s, edges, corner_s, cadence.time_s]))
    knots = knots[(knots >= first) & (knots <= last)]
    knots = knots[np.append(True, np.diff(knots) > 1e-9)]
    middle = (knots[:-1] + knots[1:]) / 2
    behind = np.interp(middle, corner_s, corner_behind)
    which = np.clip(np.searchsorted(beats, middle - behind, side="right") - 1, 0, beats.size - 2)
    level = 60.0 / np.diff(beats)[which]
    mode = np.zeros(middle.size, dtype=np.int64)
    weight = np.ones(middle.size)
    multiple = np.ones(middle.size)
    cadence_there = np.interp(middle, cadence.time_s, cadence.value)
    wander = correlated(cadence.time_s.size, step_s=1.0, corr_s=20.0, rng=rng)
    for episode in sensor:
        here = (middle >= episode.start_s) & (middle < episode.end_s)
        failure = episode.failure
        right = level.copy() if failure.edge_s > 0 else level
        if failure.mode == "cadence_locked":
            here &= cadence_there > 0
            level[here] = failure.ratio * cadence_there[here]
            multiple[here] = failure.ratio
        elif failure.mode == "astray":
            aim = rng.uniform(0.74, 0.86) if rng.random() < 0.5 else rng.uniform(1.16, 1.34)
            level[here] *= aim * (1.0 + 0.02 * np.interp(middle[here], cadence.time_s, wander))
        else:
            level[here] *= {"halved": 0.5, "doubled": 2.0}.get(failure.mode, failure.ratio)
        mode[here] = MODES.index(failure.mode)
        if failure.edge_s > 0:
            inside = np.minimum(middle[here] - episode.start_s, episode.end_s - middle[here])
            weight[here] = np.clip(inside / failure.edge_s, 0.0, 1.0)
            level[here] = right[here] + weight[here] * (level[here] - right[here])
    return Sensed(knot_s=knots, level_bpm=level, mode=mode, weight=weight, behind_s=behind, cadence_multiple=multiple)
