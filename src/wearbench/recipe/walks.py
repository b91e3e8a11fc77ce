"""What a device's sessions say of each other's clocks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from wearbench.core.clock import ClockFit
from wearbench.core.clockcurves import normal_point
from wearbench.core.clockmixture import Mixture
from wearbench.core.clockwalk import fit_walk
from wearbench.settings import Settings

__all__ = ["LEAST_KNOWN", "SessionWalk", "WalkAnswer", "own_answers", "walk_of"]

LEAST_KNOWN: Final = 3
"""From fewer well known sessions nothing is said of another (our own figure)."""
_STRANGE: Final = 0.9
_RIVAL_SD_S: Final = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class WalkAnswer:
    """A session's own answer; ``move_s`` takes its centre shift to that of the study's main mode."""

    session: str
    origin_ms: int
    clock: ClockFit
    move_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionWalk:
    """What the other sessions of a device say of one session's clock.

    Attributes
    ----------
    session : str
    n : int
        Other sessions whose clock is known.
    weight, mean_s, variance, odd : tuple of float
        A mixture of normal distributions of its centre shift; ``odd`` is 1 for what is unlike the device.
    slips : float
        Chance that it is a whole number of quarter hours beside all that.
    low_s, high_s : float
        Interval.
    strange : bool
        Whether the session's own answer, good by itself, is unlike all the others'.
    """

    session: str
    n: int
    weight: tuple[float, ...]
    mean_s: tuple[float, ...]
    variance: tuple[float, ...]
    odd: tuple[float, ...]
    slips: float
    low_s: float
    high_s: float
    strange: bool = False

    @property
    def mixture(self) -> Mixture:
        """The same for computing."""
        return Mixture(
            weight=np.array(self.weight),
            mean_s=np.array(self.mean_s),
            variance=np.array(self.variance),
            strange=np.array(self.odd),
            slips=self.slips,
        )

    def moved(self, by_s: float) -> SessionWalk:
        """The same for centre shifts that are ``by_s`` greater."""
        if by_s == 0.0:
            return self
        mean = tuple(m + by_s for m in self.mean_s)
        return replace(self, mean_s=mean, low_s=self.low_s + by_s, high_s=self.high_s + by_s)


def walk_of(answers: Sequence[WalkAnswer], settings: Settings) -> tuple[SessionWalk, ...]:
    """What the other sessions say of each session whose clock is not known, or is known and unlike theirs.

    Parameters
    ----------
    answers : sequence of WalkAnswer
        Of all sessions of a device, the unknown ones too.
    settings : Settings

    Returns
    -------
    tuple of SessionWalk
        None where fewer than three other sessions are known.
    """
    answers = [one for one in answers if one.clock.trust != "declared"]
    known = sum(_is_known(one.clock) for one in answers)
    if known < LEAST_KNOWN:
        return ()
    z = normal_point(settings.confidence)
    own = [own_answers([one.clock], z=z) for one in answers]
    shape = (len(answers), max(mixture.weight.size for mixture in own))
    shift, error, weight = (np.full(shape, np.nan) for _ in range(3))
    for i, (one, mixture) in enumerate(zip(answers, own, strict=True)):
        k = mixture.weight.size
        shift[i, :k] = mixture.mean_s + one.move_s
        error[i, :k], weight[i, :k] = np.sqrt(mixture.variance), mixture.weight
    at = np.array([one.origin_ms / 1000.0 + one.clock.at_s for one in answers])
    walk = fit_walk(at, shift, error, weight=np.nan_to_num(weight), prior_drift_ppm=settings.prior_drift_ppm)
    out: list[SessionWalk] = []
    for i, (one, predicted) in enumerate(zip(answers, walk.predicted, strict=True)):
        strange = False
        others = known - _is_known(one.clock)
        if others < LEAST_KNOWN:
            continue
        if one.clock.trust == "good":
            strange = predicted.strangeness(float(shift[i, 0]), sd_s=float(error[i, 0])) > _STRANGE
            if not strange:
                continue
        low, high = predicted.interval_s(confidence=settings.confidence)
        out.append(
            SessionWalk(
                session=one.session,
                n=others,
                weight=tuple(predicted.weight.tolist()),
                mean_s=tuple(predicted.mean_s.tolist()),
                variance=tuple(predicted.variance.tolist()),
                odd=tuple(predicted.strange.tolist()),
                slips=float(predicted.slips),
                low_s=low,
                high_s=high,
                strange=strange,
            )
        )
    return tuple(out)


def _is_known(clock: ClockFit) -> bool:
    return clock.trust == "good"


def own_answers(fits: Sequence[ClockFit], *, z: float) -> Mixture:
    """What a session's own data answer: each fit by what its loss is worth, or one fit's candidates.

    Parameters
    ----------
    fits : sequence of ClockFit
        Around different starts, or one that looked everywhere.
    z : float
        Standard errors in half an interval.

    Returns
    -------
    Mixture
        Weights add up to what is left of one by the chance that none is right. Empty where the data say nothing.
    """
    told = [_answer(fit, z=z) for fit in fits]
    rows = [row for rows in told for row in rows]
    if not rows:
        return Mixture(weight=np.zeros(0), mean_s=np.zeros(0), variance=np.zeros(0), strange=np.zeros(0))
    mean, sd, cost = np.array(rows, dtype=np.float64).T
    weight = np.exp(-(cost - cost.min()))
    right = 0.99 if len(fits) == 1 and fits[0].trust == "good" else 0.9
    return Mixture(
        weight=right * weight / weight.sum(), mean_s=mean, variance=np.square(sd), strange=np.zeros(mean.size)
    )


def _answer(fit: ClockFit, *, z: float) -> list[tuple[float, float, float]]:
    """Shift, error and cost (loss in units of log likelihood) of each answer of a fit."""
    half = 0.5 * (fit.high_s - fit.low_s)
    if not fit.candidates or not math.isfinite(half) or math.isnan(fit.worth):
        return []
    best = fit.candidates[0]
    rows = [(fit.shift_s, max(half / z, 0.05), fit.worth * best.loss * best.n)]
    if fit.trust != "good":
        rows += [(c.shift_s, max(half / z, _RIVAL_SD_S), fit.worth * c.loss * c.n) for c in fit.candidates[1:]]
    return rows
