"""Where a clock may be: a mixture of normal distributions of its shift, and copies a whole number of quarters away."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["SLIP_S", "Mixture", "both_ways", "log_normal_density", "nearest_slips", "slip_log_share"]

F64 = NDArray[np.float64]

SLIP_S: Final = 900.0
_MOST_SLIPS: Final = 56
_KEPT: Final = 8
_STEPS: Final = np.arange(-_MOST_SLIPS, _MOST_SLIPS + 1, dtype=np.float64)


def _raw_share(slip: F64) -> F64:
    """Whole hours are slipped more often than halves, halves than quarters, one hour more than many."""
    whole = np.where(slip % 4 == 0, 8.0, np.where(slip % 2 == 0, 2.0, 1.0))
    share: F64 = np.where(slip == 0, 0.0, whole / (1.0 + np.abs(slip) / 4.0))
    return share


_TOTAL: Final = float(_raw_share(_STEPS).sum())


def nearest_slips(off_s: F64) -> F64:
    """The whole number of quarter hours, not none, that each shift is nearest to.

    Parameters
    ----------
    off_s : float64 array, shape (n,)

    Returns
    -------
    float64 array, shape (n,)
    """
    near = np.clip(np.round(off_s / SLIP_S), -_MOST_SLIPS, _MOST_SLIPS)
    out: F64 = np.where(near == 0, np.where(off_s < 0, -1.0, 1.0), near)
    return out


def slip_log_share(slip: F64) -> F64:
    """Log of how often, of all slips, it is by this many quarter hours (our own figures).

    Parameters
    ----------
    slip : float64 array, shape (n,)
        Whole numbers other than 0.

    Returns
    -------
    float64 array, shape (n,)
    """
    out: F64 = np.log(_raw_share(slip) / _TOTAL)
    return out


def log_normal_density(off_s: F64, variance: F64) -> F64:
    """Log density of normal distributions about 0.

    Parameters
    ----------
    off_s, variance : float64 arrays, of one shape

    Returns
    -------
    float64 array, of the same shape
    """
    out: F64 = -0.5 * (np.log(2 * math.pi * variance) + np.square(off_s) / variance)
    return out


@dataclass(frozen=True, kw_only=True, slots=True)
class Mixture:
    """Where a clock may be: normal distributions of its shift.

    Attributes
    ----------
    weight, mean_s, variance : float64 arrays, shape (k,)
    strange : float64 array, shape (k,)
        1 for what is unlike anything the device has done, 0 else.
    goes_on : bool array, shape (k,), or None
        Which came about by going on; None for all.
    slips : float
        Chance that it is a whole number of quarter hours beside all that.
    """

    weight: F64
    mean_s: F64
    variance: F64
    strange: F64
    goes_on: NDArray[np.bool_] | None = None
    slips: float = 0.0

    def log_density(self, shift_s: F64, *, sd_s: float = 0.0) -> F64:
        """Log density at shifts that are known to ``sd_s``, slips included; shape of ``shift_s``."""
        shift = np.atleast_1d(shift_s)[:, None]
        off, variance = shift - self.mean_s, np.broadcast_to(self.variance + sd_s**2, (shift.size, self.mean_s.size))
        with np.errstate(divide="ignore"):
            log_weight = np.log(self.weight)
            terms = log_weight + math.log1p(-self.slips) + log_normal_density(off, variance)
            if self.slips > 0:
                slip = nearest_slips(off)
                slipped = math.log(self.slips) + slip_log_share(slip)
                slipped = log_weight + slipped + log_normal_density(off - SLIP_S * slip, variance)
                terms = np.concatenate([terms, slipped], axis=1)
        top = terms.max(axis=1, keepdims=True)
        out: F64 = (top + np.log(np.exp(terms - top).sum(axis=1, keepdims=True)))[:, 0].reshape(np.shape(shift_s))
        return out

    def strangeness(self, shift_s: float, *, sd_s: float) -> float:
        """Chance that a clock found at this shift got there unlike anything the device has done."""
        odd = replace(self, weight=self.weight * self.strange)
        if not odd.weight.any():
            return 0.0
        here = np.array([shift_s])
        return float(np.exp(odd.log_density(here, sd_s=sd_s) - self.log_density(here, sd_s=sd_s))[0])

    def interval_s(self, *, confidence: float = 0.95) -> tuple[float, float]:
        """Central interval of the shift, slips included."""
        from scipy.special import ndtr

        weight, mean, sd = self.weight / self.weight.sum(), self.mean_s, np.sqrt(self.variance)
        if self.slips > 0:
            share = _raw_share(_STEPS) / _TOTAL * self.slips
            share[_MOST_SLIPS] = 1.0 - self.slips
            weight = (weight[:, None] * share[None, :]).reshape(-1)
            mean = (mean[:, None] + SLIP_S * _STEPS[None, :]).reshape(-1)
            sd = np.repeat(sd, _STEPS.size)

        def point(share: float) -> float:
            low, high = float((mean - 9 * sd).min()), float((mean + 9 * sd).max())
            while high - low > 1e-3:
                middle = 0.5 * (low + high)
                if float(np.dot(weight, ndtr((middle - mean) / sd))) < share:
                    low = middle
                else:
                    high = middle
            return 0.5 * (low + high)

        tail = 0.5 * (1.0 - confidence)
        return point(tail), point(1.0 - tail)

    def gone_on(self, *, by_s: float, variance: float, share: float, other: Mixture) -> Mixture:
        """What it is a while later: gone on with a chance, else as ``other`` has it."""
        total = float(self.weight.sum())
        n, m = self.weight.size, other.weight.size
        return Mixture(
            weight=np.concatenate([share * self.weight / total, (1.0 - share) * other.weight]),
            mean_s=np.concatenate([self.mean_s + by_s, other.mean_s]),
            variance=np.concatenate([self.variance + variance, other.variance]),
            strange=np.concatenate([np.zeros(n), other.strange]),
            goes_on=np.concatenate([np.ones(n, dtype=np.bool_), np.zeros(m, dtype=np.bool_)]),
        )

    def seen(self, answers: Mixture, *, wrong_density: float) -> Mixture:
        """What is known once a session's own answers are seen; they may all be wrong."""
        if answers.weight.size == 0:
            return self
        off = answers.mean_s[:, None] - self.mean_s[None, :]
        variance = answers.variance[:, None] + self.variance[None, :]
        slip = nearest_slips(off)
        with np.errstate(divide="ignore"):
            weight = np.log(answers.weight)[:, None] + np.log(self.weight)[None, :]
            plain = weight + math.log1p(-self.slips) + log_normal_density(off, variance)
            slipped = np.full_like(plain, -np.inf)
            if self.slips > 0:
                slipped = weight + math.log(self.slips) + slip_log_share(slip)
                slipped = slipped + log_normal_density(off - SLIP_S * slip, variance)
            wrong = np.log(max(1.0 - float(answers.weight.sum()), 1e-9) * wrong_density) + np.log(self.weight)
        gain = self.variance[None, :] / variance
        left = (gain * answers.variance[:, None]).reshape(-1)
        means = (self.mean_s + gain * off).reshape(-1)
        slid = (self.mean_s + SLIP_S * slip + gain * (off - SLIP_S * slip)).reshape(-1)
        log_weight = np.concatenate([plain.reshape(-1), slipped.reshape(-1), wrong])
        weights = np.exp(log_weight - log_weight.max())
        strange = np.broadcast_to(self.strange, off.shape).reshape(-1)
        return Mixture(
            weight=weights / weights.sum(),
            mean_s=np.concatenate([means, slid, self.mean_s]),
            variance=np.concatenate([left, left, self.variance]),
            strange=np.concatenate([strange, strange, self.strange]),
        )._heaviest()

    def _heaviest(self) -> Mixture:
        """The eight heaviest; those at the same place are one."""
        order = np.argsort(-self.weight, kind="stable")
        order = order[self.weight[order] > 1e-6 * self.weight[order[0]]]
        kept: list[int] = []
        weight = self.weight.copy()
        for i in order.tolist():
            near = (
                j
                for j in kept
                if abs(self.mean_s[i] - self.mean_s[j]) < 0.2 * math.sqrt(min(self.variance[i], self.variance[j]))
                and 0.5 < self.variance[i] / self.variance[j] < 2.0
                and self.strange[i] == self.strange[j]
            )
            same = next(near, None)
            if same is not None:
                weight[same] += weight[i]
            elif len(kept) < _KEPT:
                kept.append(i)
        at = np.array(kept, dtype=np.int64)
        return replace(
            self,
            weight=weight[at] / weight[at].sum(),
            mean_s=self.mean_s[at],
            variance=self.variance[at],
            strange=self.strange[at],
            goes_on=None if self.goes_on is None else self.goes_on[at],
        )


def both_ways(before: Mixture, after: Mixture, prior: Mixture) -> Mixture:
    """Join what is known from before and from after: their product over what was known beforehand.

    Parameters
    ----------
    before, after : Mixture
        Each of parts that go on and parts that are the prior's.
    prior : Mixture

    Returns
    -------
    Mixture
    """
    a, b = (_going(one) for one in (before, after))
    rest_a, rest_b = 1.0 - float(a.weight.sum()), 1.0 - float(b.weight.sum())
    off = a.mean_s[:, None] - b.mean_s[None, :]
    variance = a.variance[:, None] + b.variance[None, :]
    share = a.variance[:, None] / variance
    mean = (a.mean_s[:, None] - share * off).reshape(-1)
    weight = a.weight[:, None] * b.weight[None, :] * np.exp(log_normal_density(off, variance))
    weight = weight.reshape(-1)
    if mean.size:
        weight = weight / np.exp(prior.log_density(mean))
    return Mixture(
        weight=np.concatenate([weight, rest_b * a.weight, rest_a * b.weight, rest_a * rest_b * prior.weight]),
        mean_s=np.concatenate([mean, a.mean_s, b.mean_s, prior.mean_s]),
        variance=np.concatenate([(share * b.variance[None, :]).reshape(-1), a.variance, b.variance, prior.variance]),
        strange=np.concatenate([np.zeros(mean.size + a.weight.size + b.weight.size), prior.strange]),
    )._heaviest()


def _going(one: Mixture) -> Mixture:
    """The parts that came about by going on; their weights add up to their share."""
    keep = np.zeros(one.weight.size, dtype=np.bool_) if one.goes_on is None else one.goes_on
    return replace(
        one, weight=one.weight[keep], mean_s=one.mean_s[keep], variance=one.variance[keep], strange=one.strange[keep],
        goes_on=None,
    )  # fmt: skip
