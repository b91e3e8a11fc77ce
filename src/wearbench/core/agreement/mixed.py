"""Mixed model of differences with participants, sessions and activities, fitted to cells instead of pairs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement.mixedcells import Cells
from wearbench.core.agreement.mixedlikelihood import TERMS, Design, Value, criterion, slopes
from wearbench.errors import CannotTell, DataError

__all__ = ["ActivityEffect", "Component", "MixedFit", "fit_mixed"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
ActivityEffect = Literal["random", "fixed", "none"]

LARGEST: Final = 1e12
"""A variance ratio beyond this is taken as no error variance at all."""

ROUNDS: Final = 200


@dataclass(frozen=True, kw_only=True, slots=True)
class Component:
    """One variance of the model, in the unit of the differences squared; ``at_zero`` where the estimate is 0."""

    name: str
    variance: float
    at_zero: bool

    @property
    def sd(self) -> float:
        """Root of the variance, in the unit of the differences."""
        return math.sqrt(self.variance)


@dataclass(frozen=True, kw_only=True, slots=True)
class MixedFit:
    """A fitted mixed model of differences.

    Attributes
    ----------
    mean, mean_se, mean_df : float
        Estimated mean difference (the plain average of the activities' means where those are fixed), its standard
        error, and Satterthwaite's degrees of freedom, at most participants - 1.
    components : tuple of Component
        Random terms in the model and, last, the error.
    left_out : tuple of (str, str)
        Terms that the data cannot hold apart from others, each with the reason.
    activity_means, activity_ses : tuple of float
        Of each activity in ``cells.activity_names``: fixed effects, or predictions of the random ones; empty where
        activity is not in the model.
    log_likelihood : float
        Restricted, over all pairs.
    converged : bool
        Slopes vanish for positive variances, point outward for those at 0, and the curvature is that of a minimum.
    covariance : float64 array, shape (k, k)
        Of the logs of the positive variance ratios (in the order of ``components``) and of the error variance.
    """

    n_pairs: int
    n_participants: int
    n_sessions: int
    n_activities: int
    mean: float
    mean_se: float
    mean_df: float
    components: tuple[Component, ...]
    left_out: tuple[tuple[str, str], ...]
    activity_effect: ActivityEffect
    activity_means: tuple[float, ...]
    activity_ses: tuple[float, ...]
    log_likelihood: float
    converged: bool
    covariance: F64 = field(repr=False)
    cells: Cells = field(repr=False)
    design: Design = field(repr=False)
    ratios: F64 = field(repr=False)
    scale: float = field(repr=False)

    def variance(self, name: str) -> float:
        """Variance of one term, 0 where it is not in the model.

        Raises
        ------
        DataError
            If there is no such term.
        """
        if name not in (*TERMS, "error"):
            raise DataError(f"expected one of {', '.join((*TERMS, 'error'))}, got {name!r}")
        return next((part.variance for part in self.components if part.name == name), 0.0)


def fit_mixed(cells: Cells, *, activity: ActivityEffect = "random") -> MixedFit:
    """Fit a mixed model to the cells of differences by restricted maximum likelihood.

    Parameters
    ----------
    cells : Cells
        Of two participants or more, unbalanced as they come.
    activity : {"random", "fixed", "none"}
        Activities as a random term; as fixed effects; or not in the model. With either of the first two,
        participant x activity is a random term.

    Returns
    -------
    MixedFit
        D = mean + participant + session in participant + activity + participant x activity + error, all normal and
        independent (Parker et al. 2016, PLoS ONE 11(12):e0168321), restricted likelihood over variance ratios
        (Patterson & Thompson 1971, Biometrika 58:545-554). Terms that cannot be told apart from others are left out,
        with the reason. Satterthwaite's degrees of freedom are 2 E(v)^2/Var(v) of the mean's variance v, from the
        observed information (Giesbrecht & Burns 1985, Biometrics 41:477-486).

    Raises
    ------
    DataError
        If the activity effect is none of the three.
    CannotTell
        If there are fewer than two participants or pairs, or nothing varies.

    Notes
    -----
    Time and memory depend on the cells, not on the pairs.
    """
    if activity not in ("random", "fixed", "none"):
        raise DataError(f"expected the activity effect 'random', 'fixed' or 'none', got {activity!r}")
    count = len(cells.participant_names)
    if count < 2:
        raise CannotTell(f"a mixed model needs two participants, there {'is 1' if count else 'are 0'}")
    return _fitted(cells, activity=activity, start=None)


def refit(fit: MixedFit, cells: Cells) -> MixedFit:
    """The same model on other cells, begun at what was found before."""
    return _fitted(cells, activity=fit.activity_effect, start=fit.ratios)


def _groupings(cells: Cells, *, activity: ActivityEffect) -> tuple[I64, tuple[tuple[str, str], ...]]:
    """Terms that the data hold apart, as places in TERMS, and why the others are left out."""
    with_activity = activity != "none"
    code = {
        "participant": cells.participant,
        "session": cells.session,
        "activity": cells.activity,
        "participant x activity": cells.participant * (int(cells.activity.max()) + 1) + cells.activity,
    }
    asked = ["participant"]
    asked += ["session"] if "session" in cells.given else []
    asked += ["activity", "participant x activity"] if with_activity and "activity" in cells.given else []
    kept: list[str] = []
    left_out: list[tuple[str, str]] = []
    for name in asked:
        same = next((other for other in kept if _same(code[name], code[other])), None)
        single = bool(np.all(np.bincount(code[name], weights=cells.n) < 1.5))
        if name == "activity" and activity == "fixed" and len(cells.activity_names) > 1:
            kept.append(name)
        elif name not in ("participant", "session") and len(cells.activity_names) < 2:
            left_out.append((name, "there is one activity"))
        elif same is not None:
            left_out.append((name, f"it groups the pairs as {same} does"))
        elif single:
            left_out.append((name, "no two pairs share one: it cannot be told apart from the error"))
        else:
            kept.append(name)
    random = [name for name in kept if not (name == "activity" and activity == "fixed")]
    return np.array([TERMS.index(name) for name in random], dtype=np.int64), tuple(left_out)


def _same(first: I64, second: I64) -> bool:
    """Tell whether two codes group the cells alike."""
    a, b = (np.unique(codes, return_inverse=True)[1] for codes in (first, second))
    both = np.unique(np.stack([a, b]), axis=1).shape[1]
    return bool(both == int(a.max()) + 1 == int(b.max()) + 1)


def _design(cells: Cells, *, keep_sessions: bool, activity: ActivityEffect, centre: float, scale: float) -> Design:
    row = cells.session if keep_sessions else cells.participant
    names, row = np.unique(row, return_inverse=True)
    what = cells.activity if activity != "none" else np.zeros_like(cells.activity)
    shape = (names.size, int(what.max()) + 1)
    n, total = np.zeros(shape), np.zeros(shape)
    away = (cells.mean - centre) / scale
    np.add.at(n, (row, what), cells.n)
    np.add.at(total, (row, what), cells.n * away)
    middle = total / np.where(n > 0, n, 1.0)
    square = float(np.sum(total * middle))
    inside = float(np.sum(cells.m2)) / scale**2 + float(np.sum(cells.n * (away - middle[row, what]) ** 2))
    owner = np.zeros(names.size, dtype=np.int64)
    owner[row] = cells.participant
    start = np.flatnonzero(np.diff(owner, prepend=-1))
    return Design(
        n=n,
        total=total,
        start=start,
        square=square,
        inside=inside,
        n_pairs=float(cells.n.sum()),
        fixed_activity=activity == "fixed",
    )


def _fitted(cells: Cells, *, activity: ActivityEffect, start: F64 | None) -> MixedFit:
    n_pairs = float(cells.n.sum())
    if n_pairs < 2:
        raise CannotTell(f"a mixed model needs two pairs, there {'is 1' if n_pairs else 'are 0'}")
    pilot = float(cells.mean[0])
    centre = pilot + float(np.sum(cells.n * (cells.mean - pilot))) / n_pairs
    scale = math.sqrt((float(np.sum(cells.m2)) + float(np.sum(cells.n * (cells.mean - centre) ** 2))) / n_pairs)
    if not scale > 1e-12 * abs(centre):
        raise CannotTell(f"all {n_pairs:.0f} differences are alike, so no variance can be estimated")
    terms, left_out = _groupings(cells, activity=activity)
    effect: ActivityEffect = activity if len(cells.activity_names) > 1 else "none"
    design = _design(cells, keep_sessions=TERMS.index("session") in terms, activity=effect, centre=centre, scale=scale)
    if design.df < 1:
        raise CannotTell(f"{n_pairs:.0f} pairs cannot tell {design.rank} means and a variance")
    ratios, hessian, converged = _minimised(design, terms, start=start)
    value = criterion(design, ratios[None, :])
    residual = float(value.residual[0])
    if float(ratios.max()) >= LARGEST or not residual > 1e-13 * n_pairs:
        raise CannotTell("differences do not vary within the groups of the model, so no error can be estimated")
    error = residual / design.df  # of the scaled differences
    inside = terms[ratios[terms] > 0]
    covariance, df = _information(design, ratios, inside, hessian)
    means, ses = np.zeros(0), np.zeros(0)
    if effect != "none":
        means, ses = _activities(design, ratios, value)
    constant = design.df * (1 + math.log(2 * math.pi / design.df) + 2 * math.log(scale))
    unit = error * scale**2
    parts = [
        Component(name=TERMS[term], variance=float(ratios[term]) * unit, at_zero=bool(ratios[term] == 0))
        for term in terms
    ]
    return MixedFit(
        n_pairs=int(n_pairs),
        n_participants=len(cells.participant_names),
        n_sessions=np.unique(cells.session).size,
        n_activities=len(cells.activity_names),
        mean=centre + scale * float(value.mean[0]),
        mean_se=scale * math.sqrt(float(value.mean_variance[0]) * error),
        mean_df=min(df, float(max(1, len(cells.participant_names) - 1))),
        components=(*parts, Component(name="error", variance=unit, at_zero=False)),
        left_out=left_out,
        activity_effect=effect,
        activity_means=tuple((centre + scale * means).tolist()),
        activity_ses=tuple((scale * np.sqrt(ses * error)).tolist()),
        log_likelihood=-0.5 * (float(value.deviance[0]) + constant),
        converged=converged,
        covariance=covariance,
        cells=cells,
        design=design,
        ratios=ratios,
        scale=scale,
    )


def _activities(design: Design, ratios: F64, value: Value) -> tuple[F64, F64]:
    """Mean of each activity and its variance over the error variance: estimates, or predictions where random."""
    cross, total = value.cross[0].real, value.cross_total[0].real
    count = total.size
    if design.fixed_activity:
        inverse = np.linalg.inv(cross)
        return inverse @ total, np.diag(inverse).copy()
    ratio = float(ratios[TERMS.index("activity")])
    if ratio == 0:
        return np.full(count, float(value.mean[0])), np.full(count, 1.0 / float(cross.sum()))
    # Henderson's equations of the mean and the activities
    one = np.ones((count, 1))
    left = np.block([[one.T @ cross @ one, one.T @ cross], [cross @ one, cross + np.eye(count) / ratio]])
    inverse = np.linalg.inv(left)
    solved = inverse @ np.concatenate([[total.sum()], total])
    reach = np.concatenate([one, np.eye(count)], axis=1)
    return reach @ solved, np.einsum("ij,jk,ik->i", reach, inverse, reach)


def _information(design: Design, ratios: F64, inside: I64, hessian: F64) -> tuple[F64, float]:
    """Covariance of the logs of the ratios and of the error variance, and the mean's degrees of freedom."""
    size = inside.size
    _, residual, mean = (part[0] * ratios[inside] for part in slopes(design, ratios[None, :], inside))
    full = np.zeros((size + 1, size + 1))
    # the profiled hessian lacks what the error variance took: -(df) times the outer product of the residual's slopes
    full[:size, :size] = hessian + design.df * np.outer(residual, residual)
    full[:size, size] = full[size, :size] = -design.df * residual
    full[size, size] = design.df
    covariance = np.asarray(2.0 * np.linalg.pinv(full, hermitian=True), dtype=np.float64)
    gradient = np.append(mean, 1.0)
    spread = float(gradient @ covariance @ gradient)
    return covariance, (2.0 / spread if spread > 0 else math.inf)


def _minimised(design: Design, terms: I64, *, start: F64 | None) -> tuple[F64, F64, bool]:
    """Ratios of least deviance, the Hessian over the logs of the positive ones, and whether it is a minimum."""
    ratios = np.zeros(len(TERMS))
    if terms.size == 0:
        return ratios, np.zeros((0, 0)), True
    if start is None:
        ratios[terms] = 0.1
        for _ in range(min(2, terms.size)):
            for term in terms:
                ratios = _best_of(design, ratios, term)
    else:
        ratios[terms] = start[terms]
    now = float(criterion(design, ratios[None, :]).deviance[0])
    hessian, best_gain, kept = np.zeros((0, 0)), math.inf, ratios
    for _ in range(ROUNDS):
        inside = terms[ratios[terms] > 0]
        slope, hessian = _curvature(design, ratios, terms, inside)
        gradient = slope[inside] * ratios[inside]
        values, vectors = np.linalg.eigh(hessian)
        bent = bool(np.all(values > 0))
        floor = 1e-8 * max(1.0, float(np.max(np.abs(values), initial=0.0)))
        step = -vectors @ ((vectors.T @ gradient) / np.maximum(np.abs(values), floor))
        gain = -float(gradient @ step)
        if gain < 1e-10:
            if bent and gain < best_gain and float(np.max(np.abs(step), initial=0.0)) > 1e-12:
                # the deviance no longer tells better from worse, its slopes do
                best_gain, kept = gain, ratios
                ratios = ratios.copy()
                ratios[inside] *= np.exp(step)
                continue
            ratios = kept if gain > best_gain else ratios
            now = float(criterion(design, ratios[None, :]).deviance[0])
            ratios, now, moved = _settled(design, ratios, terms, now, slope)
            if not moved:
                return ratios, hessian, bent
            best_gain = math.inf
            continue
        ratios, now, moved = _stepped(design, ratios, inside, step, now)
        if not moved:
            ratios, now, moved = _settled(design, ratios, terms, now, slope)
            if not moved:
                return ratios, hessian, bent and gain < 1e-8
    return ratios, hessian, False


def _stepped(design: Design, ratios: F64, inside: I64, step: F64, now: float) -> tuple[F64, float, bool]:
    """The best of shortened Newton steps and of single ratios set to 0."""
    step = step * min(1.0, 4.0 / float(np.max(np.abs(step))))
    tried: list[F64] = []
    for part in (1.0, 0.5, 0.2, 0.05, 0.01):
        row = ratios.copy()
        row[inside] = np.minimum(ratios[inside] * np.exp(part * step), LARGEST)
        tried.append(row)
    for term, down in zip(inside, step, strict=True):
        if down < -0.3:
            row = ratios.copy()
            row[term] = 0.0
            tried.append(row)
    found = criterion(design, np.array(tried)).deviance.real
    best = int(np.argmin(found))
    if not float(found[best]) < now:
        return ratios, now, False
    return tried[best], float(found[best]), True


def _settled(design: Design, ratios: F64, terms: I64, now: float, slope: F64) -> tuple[F64, float, bool]:
    """Let a ratio at 0 move where the deviance falls beside it, and one beside 0 fall to it."""
    for term in terms:
        if ratios[term] == 0 and slope[term] < -1e-9:
            row = _best_of(design, ratios, term)
            found = float(criterion(design, row[None, :]).deviance[0])
            if found < now - 1e-10:
                return row, found, True
        elif 0 < ratios[term] < 1e-6:
            row = ratios.copy()
            row[term] = 0.0
            found = float(criterion(design, row[None, :]).deviance[0])
            if found <= now + 1e-10:
                return row, min(found, now), True
    return ratios, now, False


def _best_of(design: Design, ratios: F64, term: int) -> F64:
    """The best of 0 and widely spaced values of one ratio, the others held."""
    rows = np.repeat(ratios[None, :], 16, axis=0)
    rows[:, term] = np.concatenate([[0.0], np.geomspace(1e-7, 1e7, 15)])
    return np.asarray(rows[int(np.argmin(criterion(design, rows).deviance.real))])


def _curvature(design: Design, ratios: F64, terms: I64, inside: I64) -> tuple[F64, F64]:
    """Slopes over the ratios, and second derivatives over the logs of the positive ones by differences of slopes."""
    width, size = 1e-4, inside.size
    rows = np.repeat(ratios[None, :], 1 + 2 * size, axis=0)
    for place, term in enumerate(inside):
        rows[1 + 2 * place, term] *= math.exp(width)
        rows[2 + 2 * place, term] *= math.exp(-width)
    every = np.zeros(rows.shape)
    every[:, terms] = slopes(design, rows, terms)[0]
    gradient = every[1:, inside] * rows[1:, inside]
    hessian = (gradient[0::2] - gradient[1::2]) / (2 * width)
    return every[0], np.asarray((hessian + hessian.T) / 2)
