"""Sync marks in a session: the clock they give, whether the data agree, and what part of the shift is delay."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wearbench.core.clock import ClockFit
from wearbench.core.marks import MarkClock, MarkPairs, clock_of_marks
from wearbench.core.steps import ClockStep, outside_steps
from wearbench.errors import CannotTell
from wearbench.recipe.clocks import owned
from wearbench.recipe.delays import delay_in, interval_words
from wearbench.recipe.material import FileNote, ReferenceMaterial, Series, SessionMaterial, SyncMark
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, Session, Study, sync_pairs
from wearbench.wording import plural

__all__ = ["FROM_MARKS", "Marked", "agreed_clock", "checked_shared", "mark_note", "marked_series", "sync_marks"]

EARLIEST_S: Final = -5.0
LATEST_S: Final = 60.0
"""Delays a device can have: none shows a value a minute old, and early only by what smoothing hides."""
FROM_MARKS: Final = "from marks: the data cannot tell, and how late the device is, is not known"


@dataclass(frozen=True, kw_only=True, slots=True)
class Marked:
    """What a session's marks tell of a series.

    Attributes
    ----------
    pairs : MarkPairs or None
        None where there are none that fit one clock.
    agrees : bool
        Whether the data's own clock is consistent with them.
    own_windows : bool
        Whether readings come with a window of their own, so that stamps play no part.
    notes : tuple of FileNote
        What is to be said of the marks.
    """

    pairs: MarkPairs | None = None
    agrees: bool = True
    own_windows: bool = False
    notes: tuple[FileNote, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether the marks decide the clock."""
        return self.pairs is not None and self.agrees

    def clock(self, fit: ClockFit, settings: Settings) -> MarkClock:
        """The clock they give where and with what drift the data's own has; their own drift where that has none."""
        if self.pairs is None:
            raise CannotTell("there are no marks on both clocks")
        return clock_of_marks(
            self.pairs,
            at_s=fit.at_s,
            slack_s=settings.mark_slack_s,
            drift_ppm=fit.drift_ppm or None,
            max_drift_ppm=settings.max_drift_ppm,
            prior_drift_ppm=settings.prior_drift_ppm,
            confidence=settings.confidence,
        )


def sync_marks(
    session: Session,
    study: Study,
    references: Sequence[ReferenceMaterial],
    tested: Sequence[Series],
    *,
    origin_ms: int,
) -> tuple[SyncMark, ...]:
    """Bring the marks of a session onto its seconds, paired.

    Parameters
    ----------
    session : Session
    study : Study
    references : sequence of ReferenceMaterial
        In order of preference.
    tested : sequence of Series
    origin_ms : int
        Second 0.

    Returns
    -------
    tuple of SyncMark
        None for recordings without a start: their stamps are on no clock.
    """
    if not session.marks:
        return ()
    start_ms = origin_ms if session.start_ms is None else session.start_ms
    pairs: dict[tuple[str, str], bool] = {}
    for series in tested:
        reference = next((r for r in references if r.quantity == series.quantity), None)
        if reference is not None and reference.start_known and series.start_known:
            pairs[reference.device, series.device] = True
    return tuple(
        SyncMark(
            reference=reference,
            device=device,
            kind=ours.kind,
            reference_s=(ours.time.at_ms(start_ms) - origin_ms) / 1000.0,
            tested_s=(theirs.time.at_ms(start_ms) - origin_ms) / 1000.0,
            reference_unit_s=ours.resolution_s,
            tested_unit_s=theirs.resolution_s,
        )
        for reference, device in pairs
        for ours, theirs in sync_pairs(
            session.marks, _as_if_own(study, device), reference=reference, tested=device, start_ms=start_ms
        )
    )


def _as_if_own(study: Study, device: str) -> dict[str, DeviceConfig]:
    """The study's devices; one on the reference's clock as if it had its own, so that marks can contradict that."""
    devices = dict(study.config.devices)
    if owned(study.config, device).clock == "shared":
        devices[device] = replace(devices[device], clock="own")
    return devices


def marked_series(
    material: SessionMaterial,
    series: Series,
    reference: ReferenceMaterial,
    clock: ClockFit,
    settings: Settings,
    *,
    label: str,
    half_s: float,
    steps: tuple[ClockStep, ...],
    again: Callable[[float], ClockFit] | None,
) -> tuple[ClockFit, Marked]:
    """Weigh a session's marks and the data's own clock against each other.

    Parameters
    ----------
    material, series, reference
    clock : ClockFit
        As the data give it, or as declared.
    settings : Settings
    label : str
        What the device is called.
    half_s : float
        From stamp to window centre on a right clock without delay.
    steps : tuple of ClockStep
        Stretches on another clock; marks in them are left aside.
    again : callable or None
        Searches near a centre shift only; None where the clock is not searched for.

    Returns
    -------
    ClockFit
        The same where both agree. Where the data refuse an answer, theirs near the marks, else the marks' own. Where
        the two contradict each other, the data's with trust "weak".
    Marked
    """
    pairs = _pairs(material, series, reference, steps)
    own = series.start_s is not None
    if pairs is None:
        return clock, Marked()
    marked = Marked(pairs=pairs, own_windows=own)
    try:
        told = marked.clock(clock, settings)
    except CannotTell as error:
        said = f"{label}: its marks are not used: {error.message}"
        return clock, Marked(notes=(mark_note("marks-disagree", said),))
    if again is None:
        return _from_marks(clock, told, shift_s=clock.shift_s + told.offset_s), marked
    if clock.trust == "refused":
        start = told.offset_s + half_s
        near = again(start - 5.0)
        if near.trust != "refused" and _agrees(near, told, half_s):
            how = f"{near.method}, near the clock that {plural(told.n, 'sync mark')} give{'s' * (told.n == 1)}"
            return replace(near, method=how, candidates=clock.candidates), marked
        held = _from_marks(clock, told, shift_s=start)
        wide = held.low_s - LATEST_S, held.high_s - EARLIEST_S
        return replace(held, low_s=wide[0], high_s=wide[1], trust="weak", why=clock.why, method=FROM_MARKS), marked
    return _weighed(clock, marked, told, label=label, half_s=half_s)


def checked_shared(
    material: SessionMaterial,
    series: Series,
    reference: ReferenceMaterial,
    clock: ClockFit,
    settings: Settings,
    *,
    label: str,
) -> tuple[ClockFit, Marked]:
    """Check with a session's marks what study.toml says: that a device is on the reference's clock.

    Parameters
    ----------
    material, series, reference
    clock : ClockFit
        As the data give it, or as declared.
    settings : Settings
    label : str
        What the device is called.

    Returns
    -------
    ClockFit
        The same, or with trust "weak" where the marks leave out an offset of 0; the declaration is kept.
    Marked
        With what is to be said; the marks decide nothing.
    """
    pairs = _pairs(material, series, reference, ())
    if pairs is None:
        return clock, Marked()
    try:
        told = Marked(pairs=pairs).clock(clock, settings)
    except CannotTell as error:
        return clock, Marked(notes=(mark_note("marks-disagree", f"{label}: its marks are not used: {error.message}"),))
    if told.low_s <= 0.0 <= told.high_s:
        return clock, Marked()
    marks = interval_words(told.offset_s, told.low_s, told.high_s)
    said = f"study.toml says that {label} is on the reference's clock, {plural(told.n, 'sync mark')} put it at {marks}"
    note = mark_note("marks-disagree", f"{said}: the first is used and trust is weak")
    return replace(clock, trust="weak", why=f"{said}: they contradict each other"), Marked(notes=(note,))


def agreed_clock(
    clock: ClockFit, marked: Marked, settings: Settings, *, label: str, half_s: float
) -> tuple[ClockFit, Marked]:
    """Weigh a session's marks against the clock that was settled on.

    Parameters
    ----------
    clock : ClockFit
    marked : Marked
        Of the first pass.
    settings : Settings
    label : str
    half_s : float
        From stamp to window centre on a right clock without delay.

    Returns
    -------
    ClockFit
        The same, or with trust "weak" where the marks contradict it.
    Marked
    """
    if marked.pairs is None or clock.trust not in ("good", "weak"):
        return clock, marked
    try:
        told = marked.clock(clock, settings)
    except CannotTell as error:
        return clock, Marked(notes=(mark_note("marks-disagree", f"{label}: its marks are not used: {error.message}"),))
    return _weighed(clock, replace(marked, agrees=True, notes=()), told, label=label, half_s=half_s)


def _weighed(clock: ClockFit, marked: Marked, told: MarkClock, *, label: str, half_s: float) -> tuple[ClockFit, Marked]:
    if _agrees(clock, told, half_s):
        return clock, marked
    marks = interval_words(told.offset_s, told.low_s, told.high_s)
    data = interval_words(clock.shift_s - half_s, clock.low_s - half_s, clock.high_s - half_s)
    acts = plural(told.n, "sync mark")
    said = f"{acts} put the clock of {label} at {marks}, the data put clock less delay at {data}"
    doubt = replace(clock, trust="weak", why=f"{said}: they contradict each other")
    note = mark_note("marks-disagree", f"{said}: no delay explains both, the data's is used and trust is weak")
    return doubt, replace(marked, agrees=False, notes=(note,))


def _pairs(
    material: SessionMaterial, series: Series, reference: ReferenceMaterial, steps: tuple[ClockStep, ...]
) -> MarkPairs | None:
    held = [m for m in material.marks if (m.reference, m.device) == (reference.device, series.device)]
    if not held:
        return None
    columns = np.array([[m.reference_s, m.tested_s, m.reference_unit_s, m.tested_unit_s] for m in held])
    columns[:, :2] += 0.5 * columns[:, 2:]
    if steps:
        columns = columns[outside_steps(columns[:, 1], steps)]
    if not columns.size:
        return None
    ours, theirs, our_unit, their_unit = columns.T
    return MarkPairs(reference_s=ours, tested_s=theirs, reference_unit_s=our_unit, tested_unit_s=their_unit)


def _from_marks(clock: ClockFit, told: MarkClock, *, shift_s: float) -> ClockFit:
    half = 0.5 * (told.high_s - told.low_s)
    return replace(
        clock,
        shift_s=shift_s,
        low_s=shift_s - half,
        high_s=shift_s + half,
        drift_ppm=told.drift_ppm,
        drift_low_ppm=told.drift_low_ppm,
        drift_high_ppm=told.drift_high_ppm,
        method=f"from {plural(told.n, 'sync mark')}: only a heart rate is searched for",
        half_shifts_s=(math.nan, math.nan),
    )


def _agrees(clock: ClockFit, told: MarkClock, half_s: float) -> bool:
    """Whether some delay a device can have explains both."""
    delay = delay_in(clock, told, half_s=half_s)
    return delay.high_s >= EARLIEST_S and delay.low_s <= LATEST_S


def mark_note(slug: str, said: str) -> FileNote:
    """Something said of marks.csv."""
    return FileNote(slug=slug, said=said, file="marks.csv")
