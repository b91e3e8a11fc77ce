"""All reasonable analyses of one device over the study, from what its sessions were judged to be under each choice.

Choices that are made within a session were worked out when it was finished; those about sessions (weak clocks, the
worst session, one person, old firmware) only leave sessions out. Nothing is computed again from readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import SUM_NAMES, Estimate, summarise
from wearbench.core.resample import ratio_interval, sessions_affected
from wearbench.recipe.rowparts import by_series, participant_of
from wearbench.recipe.sessionresult import Alternative, SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = [
    "ANALYSED",
    "Analysis",
    "StudyAlternatives",
    "WithinSession",
    "absolute_error",
    "asked_s",
    "is_affected",
    "study_alternatives",
]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

ANALYSED: Final = "as_analysed"
_LEAST_READINGS: Final = 2
_UNASKED: Final = "unjudged"

WithinSession = tuple[str, str]
"""What is done otherwise in words, and why somebody reasonable might."""

WITHIN: Final[dict[str, WithinSession]] = {
    "clock_early": ("clock at the early end of its interval", "the clock is only known to its interval"),
    "clock_late": ("clock at the late end of its interval", "the clock is only known to its interval"),
    "delay_shorter": ("values less late, by its interval", "how late values come is only known to its interval"),
    "delay_longer": ("values later, by its interval", "how late values come is only known to its interval"),
    "averaging_shorter": ("shorter averaging", "how long a value stands for is only known to its interval"),
    "averaging_longer": ("longer averaging", "how long a value stands for is only known to its interval"),
    "covered_half": ("windows covered by half count", "stricter rules drop hard stretches"),
    "covered_nearly_all": ("only windows covered by 95 %", "a reference with gaps may mislead"),
    "doubtful_kept": ("doubtful reference kept", "calling the reference doubtful may excuse the device"),
    "doubtful_strict": ("any doubt of the reference counts", "a reference in doubt should judge nobody"),
    "unmended": ("mended beats not used", "a mended beat is a guess"),
    "widths_narrower": ("states a quarter narrower", "how close counts as right is a choice"),
    "widths_wider": ("states a third wider", "how close counts as right is a choice"),
    "share_lower": ("a state from 70 % of a window", "where a blend ends is a choice"),
    "share_higher": ("a state from 90 % of a window", "where a blend ends is a choice"),
    "frozen_sooner": ("frozen from 3 bpm of movement", "how far it must move is a choice"),
    "frozen_later": ("frozen from 8 bpm of movement", "how far it must move is a choice"),
    "without_start": ("first two minutes left out", "sensors settle at the start"),
    "without_decisions": ("decisions by hand ignored", "decisions could have been made to please"),
    "without_rules": ("declared rules ignored too", "rules could leave out what matters"),
}
"""Choices made within a session, in the order shown."""

_OF_STATES: Final = ("widths_narrower", "widths_wider", "share_lower", "share_higher", "frozen_sooner", "frozen_later")
_OF_SILENCE: Final = ("without_start", "without_decisions", "without_rules")

ACROSS: Final[dict[str, WithinSession]] = {
    "good_clocks": ("only well known clocks", "a weak clock may pair the wrong moments"),
    "newest_firmware": ("only the newest firmware", "older firmware may be mended"),
    "worst_left_out": ("without the worst session", "one odd session may decide all"),
    "person_left_out": ("without the worst person", "one odd person may decide all"),
}
"""Choices of sessions, in the order shown."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Analysis:
    """One reasonable analysis: what is done otherwise and why, and each session under it, None for one left out."""

    name: str
    words: str
    reason: str
    picks: tuple[Alternative | None, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class StudyAlternatives:
    """All sessions of one device and quantity, as analysed and otherwise; all tuples in the order of the sessions.

    Attributes
    ----------
    device, quantity, unit : str
    sessions, participants, firmware, trust : tuple of str
    newest : str
        The firmware of the last session whose firmware is known; empty where there is none.
    strided : tuple of bool
        Whether a cadence was recorded, without which none can be followed.
    kept : tuple of tuple of Alternative
        Of each session, the analysis itself first.
    blocks_faithful, blocks_judged : float64 arrays
        Seconds in blocks of time, for the interval where there is one session.
    """

    device: str
    quantity: str
    unit: str
    sessions: tuple[str, ...]
    participants: tuple[str, ...]
    firmware: tuple[str, ...]
    trust: tuple[str, ...]
    newest: str
    strided: tuple[bool, ...]
    kept: tuple[tuple[Alternative, ...], ...]
    blocks_faithful: F64
    blocks_judged: F64

    @property
    def analysed(self) -> Analysis:
        """The analysis itself."""
        return Analysis(name=ANALYSED, words="as analysed", reason="", picks=tuple(kept[0] for kept in self.kept))

    def corners(self, at: int, *, pairs_only: bool = False) -> tuple[Alternative, ...]:
        """One session at every pair of clock and averaging within their intervals, the analysis itself first.

        Parameters
        ----------
        at : int
            Which session.
        pairs_only : bool
            Also where the pairs were told and not the states.
        """
        names = ("", "corner", "clock_early", "clock_late", "delay_shorter", "delay_longer")
        every = (a for a in self.kept[at] if a.name in (*names, "averaging_shorter", "averaging_longer"))
        return tuple(a for a in every if a.seconds or pairs_only)

    def named(self, name: str) -> tuple[Alternative | None, ...]:
        """What each session was judged to be under a choice, None where it was not made."""
        return tuple(next((a for a in kept if a.name == name), None) for kept in self.kept)

    def mean_error(self, picks: Sequence[Alternative | None]) -> float:
        """Mean absolute error over the pairs of all sessions; NaN without pairs."""
        blocks = [a.blocks for a in picks if a is not None and len(a.blocks)]
        if not blocks:
            return math.nan
        sums = np.concatenate(blocks)
        return float(sums[:, SUM_NAMES.index("sum_absolute")].sum() / sums[:, SUM_NAMES.index("n")].sum())

    def analyses(self, weight: Callable[[Alternative], float], *, claim: str) -> list[Analysis]:
        """Every other reasonable analysis that differs in at least one session and can bear on a claim.

        Parameters
        ----------
        weight : callable
            How much a session counts against the device, for leaving out the worst.
        claim : str
            States do not bear on "mae" and "bias"; when a value was expected bears on "missing", nothing else does.
        """
        within = [
            one
            for one in self._within()
            if not (claim in ("mae", "bias") and one.name in _OF_STATES)
            and not (claim == "missing" and one.name not in _OF_SILENCE)
        ]
        return [*within, *self._across(weight)]

    def _within(self) -> Iterator[Analysis]:
        for name, (words, reason) in WITHIN.items():
            found = self.named(name)
            if any(found):
                picks = tuple(a or kept[0] for a, kept in zip(found, self.kept, strict=True))
                yield Analysis(name=name, words=words, reason=reason, picks=picks)

    def _across(self, weight: Callable[[Alternative], float]) -> Iterator[Analysis]:
        against = np.array([weight(kept[0]) for kept in self.kept])
        n = len(self.sessions)
        chosen: dict[str, B8] = {"good_clocks": np.array([t in ("good", "declared") for t in self.trust])}
        if len({v for v in self.firmware if v}) > 1:
            chosen["newest_firmware"] = np.array([v == self.newest for v in self.firmware])
        if n > 1:
            chosen["worst_left_out"] = np.arange(n) != int(np.argmax(against))
        people = list(dict.fromkeys(self.participants))
        if len(people) > 1:
            of = np.array([people.index(p) for p in self.participants])
            stays = of != int(np.argmax(np.bincount(of, weights=against)))
            if int((~stays).sum()) > 1 or not np.array_equal(stays, chosen["worst_left_out"]):
                chosen["person_left_out"] = stays
        for name, (words, reason) in ACROSS.items():
            mask = chosen.get(name)
            if mask is not None and mask.any() and not mask.all():
                left = [s for s, stays in zip(self.sessions, mask.tolist(), strict=True) if not stays]
                told = f"{words} ({left[0]})" if name == "worst_left_out" else words
                picks = tuple(kept[0] if stays else None for kept, stays in zip(self.kept, mask.tolist(), strict=True))
                yield Analysis(name=name, words=told, reason=reason, picks=picks)

    def affected(self, picks: Sequence[Alternative | None], state: str, *, least_s: float) -> tuple[int, int]:
        """Sessions that surely held a state for so long, in two readings or more, and all that could have shown it."""
        k = n = 0
        for alternative, strided in zip(picks, self.strided, strict=True):
            if alternative is None or asked_s(alternative) <= 0:
                continue
            hit = is_affected(alternative, state, least_s=least_s)
            k += hit
            n += hit or strided or state != "cadence_locked"
        return k, n

    def affected_share(
        self, picks: Sequence[Alternative | None], state: str, *, least_s: float, settings: Settings
    ) -> Estimate:
        """Share of sessions affected, with the exact interval."""
        return sessions_affected(*self.affected(picks, state, least_s=least_s), confidence=settings.confidence)

    def tracking(self, picks: Sequence[Alternative | None], *, settings: Settings) -> Estimate:
        """Share of time right."""
        rows = [(a, p) for a, p in zip(picks, self.participants, strict=True) if a is not None and asked_s(a) > 0]
        whole = np.array([asked_s(a) for a, _ in rows])
        right = np.minimum(np.array([a.seconds.get("faithful", 0.0) for a, _ in rows]), whole)
        who = _codes([p for _, p in rows])
        if len(rows) == 1 and len(self.sessions) == 1 and picks[0] is self.kept[0][0]:
            codes = np.zeros(self.blocks_judged.size, dtype=np.int64)
            right = np.minimum(self.blocks_faithful, self.blocks_judged)
            return ratio_interval(
                right, self.blocks_judged, participant=codes, session=codes, blocks=True, confidence=settings.confidence
            )
        return ratio_interval(right, whole, participant=who, confidence=settings.confidence)

    def agreement(self, picks: Sequence[Alternative | None], *, settings: Settings) -> dict[str, Estimate]:
        """Bias and mean absolute error over all pairs, among the other statistics of agreement."""
        rows = [
            (a.blocks, k, p)
            for k, (a, p) in enumerate(zip(picks, self.participants, strict=True))
            if a is not None and len(a.blocks)
        ]
        sums = np.concatenate([blocks for blocks, _, _ in rows]) if rows else np.zeros((0, len(SUM_NAMES)))
        count = [len(blocks) for blocks, _, _ in rows]
        session = np.repeat(np.array([k for _, k, _ in rows], dtype=np.int64), count)
        who = np.repeat(_codes([p for _, _, p in rows]), count)
        return summarise(sums, session=session, participant=who, blocks=len(rows) == 1, confidence=settings.confidence)


def is_affected(alternative: Alternative, state: str, *, least_s: float) -> bool:
    """Whether a session surely held a state for so long, in two readings or more."""
    seconds = alternative.sure_s.get(state, 0.0)
    return seconds > 0 and seconds >= least_s - 1e-6 and alternative.readings.get(state, 0) >= _LEAST_READINGS


def absolute_error(alternative: Alternative) -> float:
    """Sum of the absolute differences of a session's pairs."""
    return float(alternative.blocks[:, SUM_NAMES.index("sum_absolute")].sum())


def asked_s(alternative: Alternative) -> float:
    """Judged and missing seconds of a session."""
    return sum(seconds for state, seconds in alternative.seconds.items() if state != _UNASKED)


def _codes(names: Sequence[str]) -> NDArray[np.int64]:
    order = {name: k for k, name in enumerate(dict.fromkeys(names))}
    return np.array([order[name] for name in names], dtype=np.int64)


def study_alternatives(ordered: list[SessionResult], study: Study) -> list[StudyAlternatives]:
    """Gather what sessions were judged to be under each choice.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study.
    study : Study
        Gives the participants.

    Returns
    -------
    list of StudyAlternatives
        One a device and quantity; sessions in which nothing was asked of the device are left out. Empty where the
        setting ``choices`` is off.
    """
    out = []
    for (device, quantity), group in by_series(ordered).items():
        rows = [(r, s) for r, s in group if s.alternatives and asked_s(s.alternatives[0]) > 0]
        if rows:
            out.append(_gathered(device, quantity, rows, study))
    return out


def _gathered(
    device: str, quantity: str, rows: list[tuple[SessionResult, SeriesResult]], study: Study
) -> StudyAlternatives:
    names = tuple(r.material.name for r, _ in rows)
    known = [(r.material.origin_ms, s.firmware) for r, s in rows if s.firmware]
    return StudyAlternatives(
        device=device,
        quantity=quantity,
        unit=rows[0][1].unit,
        sessions=names,
        participants=tuple(participant_of(study, name) for name in names),
        firmware=tuple(s.firmware for _, s in rows),
        trust=tuple(s.clock.trust for _, s in rows),
        newest=max(known)[1] if known else "",
        strided=tuple(bool(np.isfinite(s.cadence).any()) for _, s in rows),
        kept=tuple(s.alternatives for _, s in rows),
        blocks_faithful=rows[0][1].blocks_faithful,
        blocks_judged=rows[0][1].blocks_judged,
    )
