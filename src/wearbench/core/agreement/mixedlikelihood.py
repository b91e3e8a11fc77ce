"""The restricted likelihood of a mixed model of differences, from cells, as a function of variance ratios.

The model is D = mean + participant + session in participant + activity + participant x activity + error. With ratios
r = variance/error variance and W the counts of the cells, each random term with indicator columns Z changes the
products B'V^-1 B of any columns B to

    B'V^-1 B - r B'V^-1 Z (I + r Z'V^-1 Z)^-1 Z'V^-1 B,   log|V| by log|I + r Z'V^-1 Z|

(Woodbury's identity; Henderson 1953, Biometrics 9:226-252). Sessions have Z'WZ diagonal, and every column still needed
after them is a sum of activity indicators: one matrix of activities x activities a participant carries it all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["TERMS", "Design", "Value", "criterion", "slopes"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Number = NDArray[np.inexact[Any]]

TERMS: Final = ("participant", "session", "activity", "participant x activity")
"""Random terms besides the error, in the order of the ratios."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Design:
    """Counts and totals of sessions x activities, sorted by participant.

    ``n`` and ``total`` have shape (sessions, activities); ``start`` holds the first session of each participant;
    ``square`` is sum n mean^2, ``inside`` the sum of squares inside cells, both in the unit of the totals squared.
    """

    n: F64
    total: F64
    start: I64
    square: float
    inside: float
    n_pairs: float
    fixed_activity: bool

    @property
    def rank(self) -> int:
        """Fixed effects: one mean, or one of each activity."""
        return self.n.shape[1] if self.fixed_activity else 1

    @property
    def df(self) -> float:
        """Pairs less fixed effects."""
        return self.n_pairs - self.rank


@dataclass(frozen=True, kw_only=True, slots=True)
class Value:
    """The parts of the criterion for each row of ratios, shape (rows,).

    ``log_determinants`` is log|V| + log|X'V^-1 X| at error variance 1, ``residual`` y'Py, ``deviance`` -2 log
    likelihood with the error variance profiled out, less its constant; ``mean`` is the estimated mean (with fixed
    activities: their plain average) and ``mean_variance`` its variance over the error variance.
    """

    log_determinants: Number
    residual: Number
    deviance: Number
    mean: Number
    mean_variance: Number
    cross: Number
    cross_total: Number


def _log_determinant(matrix: Number) -> Number:
    sign, size = np.linalg.slogdet(matrix)
    if np.iscomplexobj(matrix):
        return np.asarray(size + 1j * np.angle(sign))
    return np.asarray(size)


def _added(cross: Number, total: Number, square: Number, ratio: Number) -> tuple[Number, Number, Number, Number]:
    """Products after adding a random effect of each activity, and what log|V| gains."""
    eye = np.eye(cross.shape[-1])
    inner = eye + ratio[..., None, None] * cross
    solved = np.linalg.solve(inner, np.concatenate([cross, total[..., None]], axis=-1))
    new_total = solved[..., -1]
    new_square = square - ratio * np.sum(total * new_total, axis=-1)
    return solved[..., :-1], new_total, new_square, _log_determinant(inner)


def criterion(design: Design, ratios: Number) -> Value:
    """Restricted likelihood at rows of variance ratios.

    Parameters
    ----------
    design : Design
    ratios : float64 or complex128 array, shape (rows, len(TERMS))
        Variance of each term over the error variance; 0 leaves a term out. Complex ones for derivatives.

    Returns
    -------
    Value

    Notes
    -----
    Restricted likelihood after Patterson & Thompson 1971, Biometrika 58:545-554, with log|X'V^-1 X| and without
    log|X'X| (Harville 1974, Biometrika 61:383-385).
    """
    of = {name: ratios[:, place] for place, name in enumerate(TERMS)}
    size, sums = design.n.sum(axis=1), design.total.sum(axis=1)
    grown = 1.0 + of["session"][:, None] * size  # (rows, sessions)
    weight = of["session"][:, None] / grown
    log_v = np.sum(np.log(grown), axis=1)
    diagonal = np.add.reduceat(design.n, design.start, axis=0)
    outer = design.n[:, :, None] * design.n[:, None, :]
    cross = -np.add.reduceat(weight[..., None, None] * outer, design.start, axis=1)
    cross = cross + diagonal[:, :, None] * np.eye(design.n.shape[1])
    total = np.add.reduceat(design.total - (weight * sums)[..., None] * design.n, design.start, axis=1)
    square = design.square - np.sum(weight * sums**2, axis=1)

    one = cross.sum(axis=-1)  # products with the participant's own column
    grown = 1.0 + of["participant"][:, None] * one.sum(axis=-1)
    weight = of["participant"][:, None] / grown
    log_v = log_v + np.sum(np.log(grown), axis=1)
    held = total.sum(axis=-1)
    cross = cross - weight[..., None, None] * one[..., :, None] * one[..., None, :]
    total = total - (weight * held)[..., None] * one
    square = square - np.sum(weight * held**2, axis=1)

    if bool(np.any(of["participant x activity"] != 0)):
        ratio = np.broadcast_to(of["participant x activity"][:, None], cross.shape[:2])
        nothing = np.zeros(cross.shape[:2])
        cross, total, change, log_added = _added(cross, total, nothing, ratio)
        square = square + change.sum(axis=1)
        log_v = log_v + log_added.sum(axis=1)
    cross, total = cross.sum(axis=1), total.sum(axis=1)
    before, before_total = cross, total
    if bool(np.any(of["activity"] != 0)):
        cross, total, square, log_added = _added(cross, total, square, of["activity"])
        log_v = log_v + log_added

    if design.fixed_activity:
        count = cross.shape[-1]
        answers = np.concatenate([total[..., None], np.ones((*total.shape, 1))], axis=-1)
        solved = np.linalg.solve(cross, answers)
        mean, mean_variance = solved[..., 0].mean(axis=-1), solved[..., 1].sum(axis=-1) / count**2
        square = square - np.sum(total * solved[..., 0], axis=-1)
        log_x = _log_determinant(cross)
    else:
        precision = cross.sum(axis=(-2, -1))
        mean, mean_variance = total.sum(axis=-1) / precision, 1.0 / precision
        square = square - total.sum(axis=-1) * mean
        log_x = np.log(precision)
    residual = square + design.inside
    log_determinants = log_v + log_x
    return Value(
        log_determinants=log_determinants,
        residual=residual,
        deviance=log_determinants + design.df * np.log(residual),
        mean=mean,
        mean_variance=mean_variance,
        cross=before,
        cross_total=before_total,
    )


def slopes(design: Design, ratios: F64, terms: I64) -> tuple[F64, F64, F64]:
    """Derivatives by complex steps, exact to rounding.

    Parameters
    ----------
    design : Design
    ratios : float64 array, shape (rows, len(TERMS))
    terms : int64 array, shape (k,)
        Places in TERMS of the ratios to derive by.

    Returns
    -------
    tuple of float64 arrays, shape (rows, k)
        Derivatives with respect to each ratio of the deviance, of the log of the residual and of the log of the
        mean's variance (Squire & Trapp 1998, SIAM Rev 40:110-112).
    """
    step = 1e-30
    rows, count = ratios.shape[0], terms.size
    if count == 0:
        return np.zeros((rows, 0)), np.zeros((rows, 0)), np.zeros((rows, 0))
    moved = np.repeat(ratios, count, axis=0) + 1j * step * np.tile(np.eye(len(TERMS))[terms], (rows, 1))
    value = criterion(design, moved)
    parts = (value.deviance, np.log(value.residual), np.log(value.mean_variance))
    first, second, third = (np.imag(part).reshape(rows, count) / step for part in parts)
    return first, second, third
