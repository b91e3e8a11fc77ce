"""A device's constant error, found together with its clock so that it moves neither clock nor averaging.

Where the rate rises or falls over a session, a device that reads 4 beats a minute high looks like one that is early or
late. So the loss is computed for a row of constant errors (logs of a ratio), and at each shift the least counts. What
speaks against a large one is a Cauchy prior: it shrinks what cannot be seen, so that a session that hardly moves keeps
what its level tells, and leaves alone what can. It is 0.4 % wide, or as the device's other sessions have it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clockcurves import near_a_mode

__all__ = ["NO_BIAS", "BiasPrior", "at_least_bias", "bias_grid", "learned_bias", "least_over_bias"]

F64 = NDArray[np.float64]

_USUAL: Final = 0.004
"""Half a beat a minute at 125: what cutting to whole beats does (our own figure)."""
_LEAST: Final = 0.001
_MOST: Final = 0.1
_STEP: Final = 0.01
_BESIDE: Final = 0.03
_FEWEST: Final = 8
_ROUNDS: Final = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class BiasPrior:
    """What is expected of a constant error: a Cauchy distribution; both are logs of a ratio."""

    level: float = 0.0
    usual: float = _USUAL

    def cost(self, bias: F64, *, worth: float) -> F64:
        """What constant errors cost, in units of loss, where such a unit is worth ``worth`` of log likelihood."""
        cost: F64 = np.log1p(np.square((bias - self.level) / self.usual)) / worth
        return cost


NO_BIAS: Final = BiasPrior()


def learned_bias(bias: F64) -> BiasPrior:
    """What the constant errors of other sessions lead one to expect.

    Parameters
    ----------
    bias : float64 array, shape (n,)
        Logs of a ratio.

    Returns
    -------
    BiasPrior
        Medians over the sessions, and one session more without an error (spread 0.4 %, on a log scale).
    """
    n = bias.size
    if n == 0:
        return NO_BIAS
    level = n / (n + 1.0) * float(np.median(bias))
    spread = 1.4826 * float(np.median(np.abs(bias - level)))
    usual = math.exp((math.log(_USUAL) + n * math.log(max(spread, _LEAST))) / (n + 1.0))
    return BiasPrior(level=level, usual=usual)


def bias_grid(log_ratio: F64, *, scale: float, prior: BiasPrior) -> F64:
    """Constant errors worth a look: from the one expected to the median of the readings near a mode, and beyond both.

    Parameters
    ----------
    log_ratio : float64 array, shape (n,)
        Logs of tested to reference where the clock is thought to lie.
    scale : float
        Spread of the loss; the grid is no coarser than half of it.
    prior : BiasPrior

    Returns
    -------
    float64 array, shape (k,)
        Logs of a ratio, evenly spaced.
    """
    near, _ = near_a_mode(log_ratio)
    middle = float(np.clip(np.median(near), -_MOST, _MOST)) if near.size >= _FEWEST else prior.level
    step, beside = min(0.5 * scale, _STEP), min(scale, _BESIDE)
    first = np.floor((min(middle, prior.level) - beside) / step)
    last = np.ceil((max(middle, prior.level) + beside) / step)
    grid: F64 = step * np.arange(first, last + 1)
    return grid


def least_over_bias(total: F64, bias: F64, prior: BiasPrior, *, worth: float) -> tuple[F64, F64]:
    """Least loss over constant errors, the prior's cost counted, and the error it is reached with.

    Parameters
    ----------
    total : float64 array, shape (k, ...)
        Loss at ``k`` constant errors, three at least.
    bias : float64 array, shape (k,)
        These, evenly spaced.
    prior : BiasPrior
    worth : float
        Log likelihood that a unit of loss is worth.

    Returns
    -------
    least, found : float64 arrays, shape (...)

    Notes
    -----
    The loss is a parabola near its least, the Cauchy prior is met by majorising it (a few rounds of weighted means,
    begun from the data's own answer and from the one expected; the better of both counts).
    """
    step = float(bias[1] - bias[0])
    at = np.clip(np.argmin(total, axis=0), 1, bias.size - 2)
    left, mid, right = _beside(total, at)
    bend = np.maximum(left - 2 * mid + right, 1e-12)
    own = bias[at] + np.clip(0.5 * (left - right) / bend, -1.0, 1.0) * step
    steep = bend / step**2
    answers = []
    for found in (own, np.full_like(own, prior.level)):
        for _ in range(_ROUNDS):
            pull = 2.0 / (worth * (prior.usual**2 + np.square(found - prior.level)))
            found = (steep * own + pull * prior.level) / (steep + pull)
        answers.append((_between(total, bias, found) + prior.cost(found, worth=worth), found))
    (one, one_at), (other, other_at) = answers
    return np.minimum(one, other), np.where(one <= other, one_at, other_at)


def at_least_bias(curves: F64, bias: F64, prior: BiasPrior, *, worth: float) -> tuple[F64, F64]:
    """Curves by block at the constant error that is best over all blocks at each shift, and which that is.

    Parameters
    ----------
    curves : float64 array, shape (k, n_blocks, m)
    bias, prior, worth
        As in `least_over_bias`.

    Returns
    -------
    curves : float64 array, shape (n_blocks, m)
        The cost is shared out evenly: their sum over blocks is `least_over_bias` of all.
    found : float64 array, shape (m,)
    """
    _, found = least_over_bias(curves.sum(axis=1), bias, prior, worth=worth)
    dear: F64 = _between(curves, bias, np.broadcast_to(found, curves.shape[1:]))
    return dear + prior.cost(found, worth=worth) / curves.shape[1], found


def _beside(total: F64, at: NDArray[np.int64]) -> tuple[F64, F64, F64]:
    """Values at indices along the first axis, and at their neighbours."""
    left, mid, right = (np.take_along_axis(total, at[None] + step, axis=0)[0] for step in (-1, 0, 1))
    return left, mid, right


def _between(total: F64, bias: F64, found: F64) -> F64:
    """Values at constant errors beside those of the grid, by the parabola through the nearest three."""
    step = float(bias[1] - bias[0])
    at = np.clip(np.rint((found - bias[0]) / step).astype(np.int64), 1, bias.size - 2)
    left, mid, right = _beside(total, at)
    part = (found - bias[at]) / step
    out: F64 = mid + 0.5 * part * (right - left) + 0.5 * np.square(part) * (left - 2 * mid + right)
    return out
