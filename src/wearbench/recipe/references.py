"""Makes the reference of a quantity from a recording: beats, or a level."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.beats import Beats, beats_from_ecg, running_from_beats
from wearbench.core.doubt import Doubt
from wearbench.core.pairing import rhythm
from wearbench.core.peaks import EcgSegment
from wearbench.core.ratedoubt import doubt_of_rate
from wearbench.core.running import Running, running_from_level
from wearbench.errors import CannotTell
from wearbench.formats import Intervals, Signal
from wearbench.quantities import Quantity
from wearbench.recipe.material import DoubtSpan, ReferenceMaterial
from wearbench.recipe.pieces import Recording
from wearbench.recipe.testedseries import beats_of
from wearbench.study import DeviceConfig, Session

__all__ = ["inside_session", "make_reference"]

F64 = NDArray[np.float64]
_RATE_MAX_GAP_S = 15.0


def make_reference(
    device: DeviceConfig, quantity: Quantity, recording: Recording, *, origin_ms: int
) -> ReferenceMaterial | None:
    """Form a reference of a quantity from a recording.

    Parameters
    ----------
    device : DeviceConfig
    quantity : Quantity
        What is to be referred to.
    recording : Readings, Intervals or Signal
        RR intervals or an ECG become beats; readings become a level.
    origin_ms : int
        Second 0.

    Returns
    -------
    ReferenceMaterial or None
        None when the recording holds nothing.
    """
    made_from = recording.quantity
    shift = origin_ms if recording.start_known else 0
    if isinstance(recording, Intervals):
        try:
            beats = beats_of(device, recording, origin_ms=origin_ms)
        except CannotTell:
            # Sampled intervals: a rate, not beats.
            if recording.stamp_ms is None:
                raise
            with np.errstate(divide="ignore", invalid="ignore"):
                rate = 60_000.0 / recording.interval_ms
            time_s = (recording.stamp_ms - shift) / 1000.0
            return _level(device, quantity, time_s, rate, "rr_sampled", start_known=recording.start_known)
        return _from_beats(device, quantity, beats, made_from, start_known=recording.start_known)
    if isinstance(recording, Signal):
        segments = [
            EcgSegment(start_s=(s.start_ms - shift) / 1000.0, rate_hz=s.rate_hz, values=s.values)
            for s in recording.segments
        ]
        beats = beats_from_ecg(segments)
        return _from_beats(device, quantity, beats, made_from, start_known=recording.start_known)
    time_s = (recording.time_ms - shift) / 1000.0
    return _level(device, quantity, time_s, recording.value, made_from, start_known=recording.start_known)


def _from_beats(
    device: DeviceConfig, quantity: Quantity, beats: Beats, made_from: str, *, start_known: bool
) -> ReferenceMaterial | None:
    if beats.time_s.size < 2:
        return None
    running = running_from_beats(beats)
    return ReferenceMaterial(
        device=device.name,
        quantity=quantity.name,
        unit=quantity.unit,
        made_from=made_from,
        running=running,
        first_s=float(beats.time_s[0]),
        last_s=float(beats.time_s[-1]),
        doubts=tuple(DoubtSpan(start_s=d.start_s, end_s=d.end_s, why=d.why) for d in beats.doubts),
        counts={
            "beats": float(beats.time_s.size),
            "seconds": float(running.covered_s[-1]),
            "missed": float(beats.n_missed),
            "extra": float(beats.n_extra),
            "ectopic": float(beats.n_ectopic),
            "long": float(beats.n_long),
            "short": float(beats.n_short),
            "unreadable": float(beats.n_unreadable),
            "mended_share": float(np.nan_to_num(beats.mended_share)),
        },
        start_known=start_known,
    )


def _level(
    device: DeviceConfig, quantity: Quantity, time_s: F64, value: F64, made_from: str, *, start_known: bool
) -> ReferenceMaterial | None:
    good = np.isfinite(value) & (value >= quantity.low) & (value <= quantity.high)
    for sentinel in quantity.sentinels:
        good &= value != sentinel
    if not good.any():
        return None
    time_s, value = time_s[good], value[good]
    distinct = np.concatenate([np.diff(time_s) > 0, [True]])
    time_s, value = time_s[distinct], value[distinct]
    usual = rhythm(time_s, value)
    hold = device.hold_s or max(1.5 * float(np.median(usual)), 1.0)
    running = running_from_level(
        time_s, value, hold_s=hold, stands_for=device.stands_for, scale=60.0 if quantity.state_model else 1.0
    )
    doubts: tuple[Doubt, ...] = ()
    if quantity.state_model and float(np.median(usual)) <= _RATE_MAX_GAP_S:
        doubts = doubt_of_rate(time_s, value)
    return ReferenceMaterial(
        device=device.name,
        quantity=quantity.name,
        unit=quantity.unit,
        made_from=made_from,
        running=_with_doubts(running, doubts),
        first_s=float(running.knot_s[0]),
        last_s=float(running.knot_s[-1]),
        doubts=tuple(DoubtSpan(start_s=d.start_s, end_s=d.end_s, why=d.why) for d in doubts),
        counts={"readings": float(time_s.size), "seconds": float(running.covered_s[-1])},
        start_known=start_known,
    )


def _with_doubts(running: Running, doubts: tuple[Doubt, ...]) -> Running:
    if not doubts:
        return running
    middle = 0.5 * (running.knot_s[1:] + running.knot_s[:-1])
    inside = np.zeros(middle.size, dtype=np.bool_)
    for doubt in doubts:
        inside |= (middle >= doubt.start_s) & (middle <= doubt.end_s)
    steps = np.where(inside, np.diff(running.covered_s), 0.0)
    return replace(running, doubtful_s=np.concatenate([[0.0], np.cumsum(steps)]))


def inside_session(reference: ReferenceMaterial, session: Session, origin_ms: int) -> ReferenceMaterial:
    """Keep the part of a reference inside the session's times, where sessions.csv gives them."""
    if not reference.start_known or (session.start_ms is None and session.end_ms is None):
        return reference
    low = -math.inf if session.start_ms is None else (session.start_ms - origin_ms) / 1000.0
    high = math.inf if session.end_ms is None else (session.end_ms - origin_ms) / 1000.0
    running = reference.running
    outside = (running.knot_s[1:] <= low) | (running.knot_s[:-1] >= high)
    if not outside.any():
        return reference

    def cut(column: F64) -> F64:
        out: F64 = np.concatenate([[0.0], np.cumsum(np.where(outside, 0.0, np.diff(column)))])
        return out

    return replace(
        reference,
        running=replace(
            running,
            amount=cut(running.amount),
            covered_s=cut(running.covered_s),
            mended_s=cut(running.mended_s),
            doubtful_s=cut(running.doubtful_s),
        ),
        first_s=max(reference.first_s, low),
        last_s=min(reference.last_s, high),
    )
