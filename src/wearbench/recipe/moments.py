"""All time a device was asked about in a session, piece by piece: what it did, and under which conditions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.pairing import REASONS
from wearbench.core.running import Running, values_over
from wearbench.core.states import STATES
from wearbench.recipe.affected import is_sure
from wearbench.recipe.judging import cadence_over
from wearbench.recipe.places import places_of
from wearbench.recipe.rowparts import participant_of
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.recipe.statetimes import pieces_of
from wearbench.study import Session, Study

__all__ = ["MISSING", "Moments", "Words", "moments_of"]

F64 = NDArray[np.float64]
I8 = NDArray[np.int8]
I32 = NDArray[np.int32]

MISSING: Final = len(STATES)
"""State of a moment without a value."""

_SIDE_S: Final = 30.0
"""The reference before and after a moment is compared over so much on either side."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A text for each moment: ``names[code]``, and no text for a code below 0."""

    names: tuple[str, ...]
    code: I32

    def is_(self, name: str) -> I8:
        """1 where the text is this one, 0 where it is another, -1 where there is none."""
        wanted = self.names.index(name) if name in self.names else -2
        return np.where(self.code < 0, -1, self.code == wanted).astype(np.int8)


@dataclass(frozen=True, kw_only=True, slots=True)
class Moments:
    """Moments of one tested series in one session, in order of time; arrays of shape (n,).

    Attributes
    ----------
    session : Session
        Its bouts on the reference's clock.
    participant, firmware, wear_site : str
        Empty where not known.
    time_s, seconds : float64
        Middle, and how long it counts for.
    state : int8
        Index into ``STATES``, or ``MISSING``; readings of an episode that is not sure count as ``between``.
    tested, reference, cadence : float64
        NaN where there is none; cadence only while a stride is credible.
    change : float64
        How fast the reference changes, units a minute.
    activity, intensity, bout : Words
    has_cadence : bool
        Whether a cadence was recorded in the session at all.
    """

    session: Session
    participant: str
    firmware: str
    wear_site: str
    time_s: F64
    seconds: F64
    state: I8
    tested: F64
    reference: F64
    cadence: F64
    change: F64
    activity: Words
    intensity: Words
    bout: Words
    has_cadence: bool

    @property
    def valued(self) -> NDArray[np.bool_]:
        """Moments in which the device gave a value."""
        mask: NDArray[np.bool_] = self.state != MISSING
        return mask

    def telling(self, state: str) -> NDArray[np.bool_]:
        """Moments in which a state could show: silence always, a lock only beside a cadence, others with a value."""
        if state == "missing":
            return np.ones(self.state.size, dtype=np.bool_)
        return self.valued & np.isfinite(self.cadence) if state == "cadence_locked" else self.valued

    @property
    def elapsed_s(self) -> F64:
        """Time since the first moment."""
        found: F64 = self.time_s - (self.time_s[0] if self.time_s.size else 0.0)
        return found


def moments_of(result: SessionResult, series: SeriesResult, study: Study, *, sure_from: float) -> Moments:
    """Judged readings and missing time of a series, in order of time.

    Parameters
    ----------
    result : SessionResult
    series : SeriesResult
        One of it.
    study : Study
    sure_from : float
        Mean posterior probability from which an episode is sure.

    Returns
    -------
    Moments
    """
    material, pairs = result.material, series.pairs
    session = result.session or next(s for s in study.sessions if s.name == material.name)
    told = (series.states.state >= 0) & (pairs.seconds > 0) & np.isfinite(pairs.tested)
    told &= pairs.reason != REASONS.index("not_worn")
    rows = np.flatnonzero(told)
    spans = np.array([(e.start_s, e.end_s) for e in series.episodes if e.state == "missing"]).reshape(-1, 2)
    gone, lengths = pieces_of(spans)
    places = places_of(session, material.origin_ms, gone)
    reference = material.reference_for(series.quantity)
    near = np.full(gone.size, np.nan)
    if reference is not None and gone.size:
        window = values_over(reference.running, gone - 2.5, gone + 2.5)
        near = np.where(window.covered >= 0.5, window.value, np.nan)
    time_s = np.concatenate([0.5 * (pairs.start_s + pairs.end_s)[rows], gone])
    order = np.argsort(time_s, kind="stable")
    time_s = time_s[order]

    def joined(here: NDArray[Any], there: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([here[rows], there])[order]

    cadence = cadence_over(material.context, gone, gone)
    return Moments(
        session=session,
        participant=participant_of(study, material.name),
        firmware=series.firmware,
        wear_site=series.wear_site,
        time_s=time_s,
        seconds=joined(pairs.seconds, lengths),
        state=joined(_sure_states(series, sure_from), np.full(gone.size, MISSING)).astype(np.int8),
        tested=joined(pairs.tested, np.full(gone.size, np.nan)),
        reference=joined(pairs.reference, near),
        cadence=joined(series.cadence, cadence),
        change=np.full(time_s.size, np.nan) if reference is None else _change(reference.running, time_s),
        activity=_words(joined(series.places.activity, places.activity)),
        intensity=_words(joined(series.places.intensity, places.intensity)),
        bout=_words(joined(series.places.bout, places.bout)),
        has_cadence=any(one.quantity == "cadence" and one.time_s.size >= 5 for one in material.context),
    )


def _sure_states(series: SeriesResult, sure_from: float) -> I8:
    doubtful = [int(e.id.rpartition("-E")[2]) for e in series.episodes if not is_sure(e, sure_from)]
    unsure = np.isin(series.episode, doubtful)
    return np.where(unsure, STATES.index("between"), series.states.state).astype(np.int8)


def _change(running: Running, time_s: F64) -> F64:
    """How fast the reference changes at each moment, a minute: the half minute after it less the one before."""
    if time_s.size == 0:
        return np.zeros(0)
    grid = np.arange(float(time_s[0]) - 2.5, float(time_s[-1]) + 5.0, 5.0)
    before, after = (values_over(running, grid - back, grid - back + _SIDE_S) for back in (_SIDE_S, 0.0))
    known = (before.covered >= 0.5) & (after.covered >= 0.5)
    change = np.where(known, (after.value - before.value) * (60.0 / _SIDE_S), np.nan)
    found: F64 = change[np.clip(np.rint((time_s - grid[0]) / 5.0).astype(np.int64), 0, grid.size - 1)]
    return found


def _words(texts: NDArray[Any]) -> Words:
    codes: dict[str, int] = {}
    code = np.array([codes.setdefault(t, len(codes)) if t else -1 for t in texts.tolist()], dtype=np.int32)
    return Words(names=tuple(codes), code=code)
