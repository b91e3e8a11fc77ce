"""Time in which a device was not worn, or no value was to be expected: told by the study, or proposed from the data."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.pairing import rhythm
from wearbench.core.steps import ClockStep
from wearbench.core.unworn import Unworn, unworn_stretches
from wearbench.quantities import Quantity
from wearbench.recipe.material import Series
from wearbench.recipe.proposals import Proposal, moment_words
from wearbench.study import Session, Study
from wearbench.wording import duration, number

__all__ = ["Absent", "absent_spans", "overlap_s", "propose_unworn"]

F64 = NDArray[np.float64]
NOT_WORN = ("off", "charging")


@dataclass(frozen=True, kw_only=True, slots=True)
class Absent:
    """Spans on the reference's clock, shape (k, 2), that do not overlap: not worn, and worn but not recording."""

    not_worn: F64
    not_expected: F64

    @property
    def every(self) -> F64:
        """Both."""
        return np.concatenate([self.not_worn, self.not_expected])


def absent_spans(
    study: Study,
    session: Session,
    series: Series,
    clock: ClockFit,
    *,
    origin_ms: int,
    expected: tuple[float, float],
    silent: F64,
) -> Absent:
    """When wear.csv, decisions and marks say that no value was to be expected.

    Parameters
    ----------
    study : Study
        Its wear.csv (off, charging) and decisions of kind ``wear``.
    session : Session
        Its marks: before a device's "started" and after its "stopped" nothing is expected of it.
    series : Series
    clock : ClockFit
        Takes the device's own stamps to the reference's clock.
    origin_ms : int
        Second 0.
    expected : tuple of float
        Only what lies in this span is returned.
    silent : float64 array, shape (m, 2)
        Stretches without a value: a device that gave values before it was "started" was expected to.

    Returns
    -------
    Absent
        Time that is both counts as not worn.
    """

    def placed(stamp_s: float) -> float:
        return stamp_s + clock.shift_s + 1e-6 * clock.drift_ppm * (stamp_s - clock.at_s)

    worn: list[tuple[float, float]] = []
    for wear in study.wear:
        if wear.device == series.device and wear.what in NOT_WORN:
            low, high = ((ms - origin_ms) / 1000.0 for ms in (wear.start_ms, wear.end_ms))
            worn.append((placed(low), placed(high)))
    revoked = {d.revokes for d in study.decisions if d.kind == "revoke"}
    for decision in study.decisions:
        if decision.kind != "wear" or decision.id in revoked or decision.session != session.name:
            continue
        if decision.start is None or decision.end is None:
            continue
        low, high = (when.timestamp() - origin_ms / 1000.0 for when in (decision.start, decision.end))
        if decision.on == "reference":
            worn.append((low, high))
        elif decision.device in (None, series.device) and decision.quantity in (None, series.quantity):
            worn.append((placed(low), placed(high)))
    start_ms = origin_ms if session.start_ms is None else session.start_ms
    own = [m for m in session.marks if m.device == series.device]
    marks = [(m.kind, placed((m.time.at_ms(start_ms) - origin_ms) / 1000.0)) for m in own]
    started = [at for kind, at in marks if kind == "started"]
    stopped = [at for kind, at in marks if kind == "stopped"]
    idle: list[tuple[float, float]] = []
    if started:
        idle.append((expected[0], min(started)))
    if stopped and max(stopped) > max(started, default=-np.inf):
        idle.append((max(stopped), expected[1]))
    not_worn = _joined(worn, expected)
    quiet = _without(silent, _without(silent, _joined(idle, expected)))
    return Absent(not_worn=not_worn, not_expected=_without(quiet, not_worn))


def _joined(spans: list[tuple[float, float]], within: tuple[float, float]) -> F64:
    """Spans cut to a stretch, those that overlap made one."""
    out: list[list[float]] = []
    for low, high in sorted((max(a, within[0]), min(b, within[1])) for a, b in spans):
        if high <= low:
            continue
        if out and low <= out[-1][1]:
            out[-1][1] = max(out[-1][1], high)
        else:
            out.append([low, high])
    return np.array(out, dtype=np.float64).reshape(-1, 2)


def _without(spans: F64, taken: F64) -> F64:
    left = [(float(a), float(b)) for a, b in spans]
    for low, high in taken.tolist():
        left = [p for a, b in left for p in ((a, min(b, low)), (max(a, high), b)) if p[1] > p[0]]
    return np.array(left, dtype=np.float64).reshape(-1, 2)


def overlap_s(spans: F64, others: F64) -> float:
    """Seconds that two sets of spans share; within each set they do not overlap."""
    if spans.size == 0 or others.size == 0:
        return 0.0
    low = np.maximum(spans[:, :1], others[:, 0])
    high = np.minimum(spans[:, 1:], others[:, 1])
    return float(np.maximum(high - low, 0.0).sum())


_SAID = {
    "no_value": "no value",
    "impossible": "values that cannot be true in a person",
    "silent": "no readings at all",
}


def propose_unworn(
    series: Series,
    quantity: Quantity,
    clock: ClockFit,
    *,
    known: Absent,
    expected: tuple[float, float],
    zone: tzinfo | None,
    origin_ms: int,
    steps: tuple[ClockStep, ...] = (),
) -> tuple[Proposal, ...]:
    """Stretches in which the device was perhaps not worn, by its own readings only.

    Parameters
    ----------
    series : Series
    quantity : Quantity
    clock : ClockFit
        Only what lies in the session's time is proposed.
    known : Absent
        What the study says already is not proposed again.
    expected : tuple of float
    zone : tzinfo or None
        In which instants are said.
    origin_ms : int
        Second 0.
    steps : tuple of ClockStep
        A pause in the stamps at a step is no silence.

    Returns
    -------
    tuple of Proposal
        Of kind ``not_worn``; spans on the device's own stamps.
    """
    if clock.trust == "refused" or series.time_s.size < 2 or series.start_s is not None:
        return ()
    found = unworn_stretches(
        series.time_s,
        series.value,
        usual_s=rhythm(series.time_s, series.value),
        low=quantity.low,
        high=quantity.high,
        sentinels=quantity.sentinels,
    )
    out = []
    for one in found:
        span = np.array([clock.centre_s(np.array([one.from_s, one.to_s]))])
        if one.why == "silent" and any(min(abs(one.to_s - s.from_s), abs(one.from_s - s.to_s)) < 60.0 for s in steps):
            continue
        length = float(span[0, 1] - span[0, 0])
        if span[0, 1] <= expected[0] or span[0, 0] >= expected[1] or overlap_s(span, known.every) > 0.5 * length:
            continue
        when = moment_words(zone, origin_ms=origin_ms, at_s=one.from_s - series.after_stamp_s)
        out.append(_proposal(series, one, when=when))
    return tuple(out)


def _proposal(series: Series, one: Unworn, *, when: str) -> Proposal:
    what = f"one value ({number(one.value)})" if one.why == "constant" else _SAID[one.why]
    return Proposal(
        kind="not_worn",
        device=series.device,
        quantity=series.quantity,
        said=f"{what} for {duration(one.to_s - one.from_s)} from {when} (its own stamps): not worn?",
        from_s=one.from_s,
        to_s=one.to_s,
        evidence={"n": float(one.n), "seconds": one.to_s - one.from_s, "value": one.value},
    )
