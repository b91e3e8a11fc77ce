"""The clock of one device over its sessions: what the others say of each.

Between two sessions a device's clock goes on as it went, or is set anew, or is off by whole quarters of an hour from
then on, or jumps unlike anything seen. Which of these, and by how much, is learned from the sessions whose clock is
known; then each session's clock is predicted from all the others, before and after it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clockmixture import (
    SLIP_S,
    Mixture,
    both_ways,
    log_normal_density,
    nearest_slips,
    slip_log_share,
)
from wearbench.core.clusters import t_quantile
from wearbench.errors import DataError

__all__ = ["ClockWalk", "WalkRule", "fit_walk"]

F64 = NDArray[np.float64]

_ROUNDS: Final = 30
_USUAL_SPREAD_S: Final = 60.0
"""How far apart clocks lie that people set by hand or by a phone (our own figure; one setting's worth)."""
_USUAL_WANDER_S: Final = 0.2
"""How far a clock strays from an even drift in a day: some 2 parts per million (our own figure; worth two)."""
_LEAST_S: Final = 0.1
_WORTH: Final = np.array([1.0, 1.0, 0.05])
_SLIP_WORTH: Final = np.array([0.1, 4.0])
"""Before anything is seen: a clock goes on or is set as often as not; jumps and slips are rare (our own figures)."""
_WRONG: Final = 0.01
"""Share of sessions whose own answer is a wrong one although it looked good (our own figure)."""
_STRANGE: Final = 0.9
_MOST_STRANGE: Final = 0.34
_ENOUGH: Final = 8
_ANY_S: Final = 7200.0
_RANGE_S: Final = 100_800.0
_DAY_S: Final = 86_400.0
_NOTHING: Final = Mixture(weight=np.zeros(0), mean_s=np.zeros(0), variance=np.zeros(0), strange=np.zeros(0))


@dataclass(frozen=True, kw_only=True, slots=True)
class WalkRule:
    """How a device's clock behaves from one session to the next.

    Attributes
    ----------
    level_s, spread_s : float
        Where the clock is set to, and the standard deviation of a setting; ``n_set`` settings are behind it.
    drift_ppm, drift_sd_ppm : float
        How it goes on (shift gained a second), and how well that is known.
    wander_s : float
        Standard deviation from an even drift in a day.
    goes_on, is_set, jumps : float
        Shares of the three; they add up to one.
    slips : float
        Share of sessions before which the clock slipped by a multiple of a quarter of an hour.
    n : int
        Sessions it was learned from.
    """

    level_s: float
    spread_s: float
    n_set: float
    drift_ppm: float
    drift_sd_ppm: float
    wander_s: float
    goes_on: float
    is_set: float
    jumps: float
    slips: float
    n: int = 0

    def going_on_variance(self, gap_s: F64 | float) -> F64:
        """Variance of a shift after ``gap_s`` seconds of going on, s^2."""
        gap = np.abs(np.asarray(gap_s, dtype=np.float64))
        out: F64 = _LEAST_S**2 + self.wander_s**2 * gap / _DAY_S + (1e-6 * self.drift_sd_ppm * gap) ** 2
        return out

    @property
    def few(self) -> float:
        """How much wider a prediction from few sessions must be: t over z."""
        return min(t_quantile(0.975, max(self.n - 1.0, 1.0)) / 1.959964, 6.0)

    @property
    def setting(self) -> Mixture:
        """Where a clock is that did not go on: set anew, or anywhere. As wide as few settings make it."""
        wide = min(t_quantile(0.975, max(self.n_set - 1.0, 1.0)) / 1.959964, 6.0)
        wide = max(wide, self.few) * math.sqrt(1.0 + 1.0 / max(self.n_set, 1.0))
        away = self.is_set + self.jumps
        return Mixture(
            weight=np.array([self.is_set, self.jumps]) / away,
            mean_s=np.array([self.level_s, self.level_s]),
            variance=np.array([(wide * self.spread_s) ** 2 + _LEAST_S**2, _ANY_S**2]),
            strange=np.array([0.0, 1.0]),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockWalk:
    """What a device's sessions say of each other's clocks; tuples in the order of the sessions given.

    Attributes
    ----------
    rule : WalkRule
    predicted : tuple of Mixture
        Of each session from all others, its own answer left out.
    smoothed : tuple of Mixture
        The same with its own answer.
    n : int
        Sessions with an answer.
    """

    rule: WalkRule
    predicted: tuple[Mixture, ...]
    smoothed: tuple[Mixture, ...]
    n: int


def fit_walk(
    at_s: F64,
    shift_s: F64,
    sd_s: F64,
    *,
    weight: F64 | None = None,
    prior_drift_ppm: float = 20.0,
) -> ClockWalk:
    """Learn how a device's clock behaves over its sessions, and predict each session's from the others.

    Parameters
    ----------
    at_s : float64 array, shape (n,)
        When each session was, seconds; in any order.
    shift_s : float64 array, shape (n, k) or (n,)
        Answers that each session's own data give, NaN where there are none.
    sd_s : float64 array, of the same shape
        Their standard errors.
    weight : float64 array, of the same shape, optional
        How likely each answer is by the session's own data; a row adds up to at most one, and what is missing is the
        chance that none of them is right. 0.99 for a single answer by default.
    prior_drift_ppm : float
        Usual size of drift.

    Returns
    -------
    ClockWalk

    Raises
    ------
    DataError
        If the arrays differ in length.

    Notes
    -----
    A state-space model of the shift whose steps are a mixture: it goes on (drift shared by all sessions, and a random
    walk beside), is set (a normal distribution about one level), or jumps (within some hours); each may come with a
    slip of whole quarter hours. Its parameters are learned by expectation-maximisation over successive sessions with
    weak priors; then a forward and a backward filter of normal mixtures, the eight heaviest kept (Kitagawa 1994,
    Annals of the Institute of Statistical Mathematics 46:605-623), give each session's prediction as
    ``forward * backward / prior``.
    """
    if shift_s.ndim == 1:
        shift_s, sd_s = shift_s[:, None], sd_s[:, None]
        weight = None if weight is None else weight[:, None]
    if weight is None:
        weight = np.full(shift_s.shape, 1.0 - _WRONG)
    if not (shift_s.shape == sd_s.shape == weight.shape and at_s.shape == shift_s.shape[:1]):
        raise DataError(
            f"expected a time for each session and shifts, errors and weights alike, got shapes {at_s.shape}, "
            f"{shift_s.shape}, {sd_s.shape} and {weight.shape}"
        )
    there = np.isfinite(shift_s) & np.isfinite(sd_s) & (weight > 0)
    weight = np.where(there, weight, 0.0)
    order = np.argsort(at_s, kind="stable")
    time = at_s[order]
    seen = [_answers(shift_s[i], sd_s[i], weight[i]) for i in order]
    rule, predicted = _predicted(time, seen, seen, prior_drift_ppm=prior_drift_ppm)
    strange = [_strange(one, own) for one, own in zip(predicted, seen, strict=True)]
    if len(seen) >= _ENOUGH and 0 < sum(strange) <= _MOST_STRANGE * len(seen):
        # An answer that no other session bears out says nothing of how the clock behaves.
        heard = [_NOTHING if odd else own for odd, own in zip(strange, seen, strict=True)]
        rule, predicted = _predicted(time, seen, heard, prior_drift_ppm=prior_drift_ppm)
    rank = np.argsort(order, kind="stable")
    smoothed = [one.seen(own, wrong_density=1.0 / _RANGE_S) for one, own in zip(predicted, seen, strict=True)]
    return ClockWalk(
        rule=rule,
        predicted=tuple(predicted[i] for i in rank),
        smoothed=tuple(smoothed[i] for i in rank),
        n=sum(_main(one) is not None for one in seen),
    )


def _predicted(
    time_s: F64, seen: list[Mixture], heard: list[Mixture], *, prior_drift_ppm: float
) -> tuple[WalkRule, list[Mixture]]:
    """The rule and each session's prediction from those that are heard, before and after it."""
    main = [(at, told) for at, one in zip(time_s.tolist(), heard, strict=True) if (told := _main(one)) is not None]
    times, shifts, errors = np.array([(at, *told) for at, told in main], dtype=np.float64).reshape(-1, 3).T
    rule = _learned(times, shifts, errors, prior_drift_ppm=prior_drift_ppm)
    back = replace(rule, drift_ppm=-rule.drift_ppm)
    forward = _filtered(rule, time_s, heard)
    backward = _filtered(back, -time_s[::-1], heard[::-1])[::-1]
    setting = rule.setting
    both = [both_ways(a, b, setting) for a, b in zip(forward, backward, strict=True)]
    return rule, [replace(one, slips=rule.slips) for one in both]


def _main(one: Mixture) -> tuple[float, float] | None:
    """A session's answer and its error, where one is more likely than not."""
    if one.weight.max(initial=0.0) <= 0.5:
        return None
    at = int(np.argmax(one.weight))
    return float(one.mean_s[at]), math.sqrt(float(one.variance[at]))


def _strange(predicted: Mixture, own: Mixture) -> bool:
    told = _main(own)
    return told is not None and predicted.strangeness(told[0], sd_s=told[1]) > _STRANGE


def _answers(shift_s: F64, sd_s: F64, weight: F64) -> Mixture:
    keep = weight > 0
    return Mixture(
        weight=weight[keep],
        mean_s=shift_s[keep],
        variance=np.square(np.maximum(sd_s[keep], 0.02)),
        strange=np.zeros(int(keep.sum())),
    )


def _filtered(rule: WalkRule, time_s: F64, seen: list[Mixture]) -> list[Mixture]:
    """Prediction of each session from those before it in the order given (times ascend, or are turned round)."""
    out: list[Mixture] = []
    now = rule.setting
    setting = rule.setting
    for i, own in enumerate(seen):
        if i:
            gap = float(time_s[i] - time_s[i - 1])
            variance = rule.few**2 * float(rule.going_on_variance(gap))
            by_s = 1e-6 * rule.drift_ppm * gap
            now = now.gone_on(by_s=by_s, variance=variance, share=rule.goes_on, other=setting)
        out.append(now)
        now = replace(now, slips=rule.slips).seen(own, wrong_density=1.0 / _RANGE_S)
    return out


def _learned(time_s: F64, shift_s: F64, error_s: F64, *, prior_drift_ppm: float) -> WalkRule:
    """The rule that fits best, begun from an even level and from one that steps by whole quarter hours."""
    if shift_s.size == 0:
        return _start(0.0, _USUAL_SPREAD_S, prior_drift_ppm)
    level = float(np.median(shift_s))
    folded = shift_s - SLIP_S * np.round((shift_s - level) / SLIP_S)
    folded_level = float(np.median(folded))
    best = -math.inf, _start(level, _USUAL_SPREAD_S, prior_drift_ppm)
    for values, middle in ((shift_s, level), (folded, folded_level)):
        spread = 1.4826 * float(np.median(np.abs(values - middle))) if values.size > 2 else _USUAL_SPREAD_S
        rule = _start(middle, max(spread, 0.3), prior_drift_ppm)
        score = -math.inf
        for _ in range(_ROUNDS):
            new, rule = _round(rule, time_s, shift_s, error_s, prior_drift_ppm=prior_drift_ppm)
            if abs(new - score) < 1e-6 * abs(new):
                break
            score = new
        if score > best[0] + 1e-9:
            best = score, rule
    return replace(best[1], n=int(shift_s.size))


def _start(level_s: float, spread_s: float, prior_drift_ppm: float) -> WalkRule:
    share = _WORTH / _WORTH.sum()
    return WalkRule(
        level_s=level_s,
        spread_s=spread_s,
        n_set=1.0,
        drift_ppm=0.0,
        drift_sd_ppm=prior_drift_ppm,
        wander_s=_USUAL_WANDER_S,
        goes_on=float(share[0]),
        is_set=float(share[1]),
        jumps=float(share[2]),
        slips=float(_SLIP_WORTH[0] / _SLIP_WORTH.sum()),
    )


def _round(
    rule: WalkRule, time_s: F64, shift_s: F64, error_s: F64, *, prior_drift_ppm: float
) -> tuple[float, WalkRule]:
    """One round of expectation and maximisation over successive sessions: score before it, and the rule after it."""
    gap = np.diff(time_s)
    own = np.square(error_s)
    step = np.diff(shift_s)
    both = own[1:] + own[:-1]
    setting = rule.spread_s**2 + own
    onward = rule.going_on_variance(gap) + both
    rate = 1e-6 * rule.drift_ppm
    stays, slips = math.log1p(-rule.slips), math.log(rule.slips)
    slip_on, slip_set = nearest_slips(step - rate * gap), nearest_slips(shift_s - rule.level_s)
    none = np.full(1, -np.inf)
    kinds = np.array([
        np.append(none, math.log(rule.goes_on) + stays + log_normal_density(step - rate * gap, onward)),
        np.append(
            none,
            math.log(rule.goes_on) + slips + slip_log_share(slip_on)
            + log_normal_density(step - rate * gap - SLIP_S * slip_on, onward),
        ),
        math.log(rule.is_set) + stays + log_normal_density(shift_s - rule.level_s, setting),
        math.log(rule.is_set) + slips + slip_log_share(slip_set)
        + log_normal_density(shift_s - rule.level_s - SLIP_S * slip_set, setting),
        math.log(rule.jumps) + log_normal_density(shift_s - rule.level_s, np.full(shift_s.size, _ANY_S**2)),
    ])  # fmt: skip
    top = kinds.max(axis=0)
    each = np.exp(kinds - top)
    score = float(np.sum(top + np.log(each.sum(axis=0))))
    each /= each.sum(axis=0)
    onward_share, slipped_on, set_share, slipped_set, jumped = each
    # Settings.
    level, spread, n_set = _set(rule, shift_s, own, set_share, slipped_set, slip_set)
    # Going on: drift from all such steps together, what is left is wander.
    goes = (onward_share + slipped_on)[1:]
    left = step - SLIP_S * np.where(slipped_on[1:] > onward_share[1:], slip_on, 0.0)
    free = rule.wander_s**2 * gap / _DAY_S + both + _LEAST_S**2
    precision = float(np.sum(goes * np.square(gap) / free)) + (1e-6 * prior_drift_ppm) ** -2
    drift = float(np.sum(goes * gap * left / free)) / precision
    excess = np.maximum(np.square(left - drift * gap) - both, 0.0)
    days = np.maximum(gap, 60.0) / _DAY_S
    wander = (2.0 * _USUAL_WANDER_S**2 + float(np.sum(goes * excess / days))) / (2.0 + float(goes.sum()))
    counts = _WORTH + np.array([goes.sum(), (set_share + slipped_set)[1:].sum(), jumped[1:].sum()])
    shares = counts / counts.sum()
    n_slips = float((slipped_on + slipped_set).sum())
    return score, WalkRule(
        level_s=level,
        spread_s=spread,
        n_set=n_set,
        drift_ppm=1e6 * drift,
        drift_sd_ppm=1e6 / math.sqrt(precision),
        wander_s=math.sqrt(wander),
        goes_on=float(shares[0]),
        is_set=float(shares[1]),
        jumps=float(shares[2]),
        slips=(_SLIP_WORTH[0] + n_slips) / (float(_SLIP_WORTH.sum()) + shift_s.size),
    )


def _set(rule: WalkRule, shift_s: F64, own: F64, share: F64, slipped: F64, slip: F64) -> tuple[float, float, float]:
    """Level, spread and number of settings; the spread shrinks towards its usual size on a log scale."""
    value = np.where(slipped > share, shift_s - SLIP_S * slip, shift_s)
    weight = share + slipped
    n = float(weight.sum())
    if n < 1e-6:
        return rule.level_s, _USUAL_SPREAD_S, n
    precise = weight / (rule.spread_s**2 + own)
    level = float(np.sum(precise * value) / precise.sum())
    excess = float(np.sum(weight * np.maximum(np.square(value - level) - own, 0.0))) / max(n - 1.0, 0.5)
    spread = math.sqrt(max(excess, _LEAST_S**2))
    spread = math.exp((math.log(_USUAL_SPREAD_S) + n * math.log(spread)) / (1.0 + n))
    return level, spread, n
