"""Concordance of repeated measurements from variance components: replicates, or readings at the same times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.columns import rectangle, too_few
from wearbench.core.agreement.differences import check_level, fixed
from wearbench.core.agreement.intervals import concordance_interval
from wearbench.core.clusters import Estimate, t_quantile
from wearbench.errors import CannotTell, DataError

__all__ = ["RepeatedConcordance", "repeated_ccc"]

F64 = NDArray[np.float64]
Design = Literal["replicates", "times"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RepeatedConcordance:
    """Concordance of repeated measurements with its variance components, in the unit squared.

    ``subject_time`` is 0 with replicates. ``method`` is the part of fixed differences between the methods (with times:
    of each time) after the correction for bias. ``floored`` names components that came out negative; they entered as 0
    where ``floor`` was set, and stand here as they came out.
    """

    coefficient: Estimate
    subject: float
    subject_time: float
    subject_method: float
    method: float
    error: float
    floored: tuple[str, ...]
    n_participants: int
    n_repeats: int


def repeated_ccc(
    tested: ArrayLike,
    reference: ArrayLike,
    *,
    design: Design = "replicates",
    floor: bool = True,
    confidence: float = 0.95,
) -> RepeatedConcordance:
    """Concordance correlation of repeated measurements, from variance components of a balanced design.

    Parameters
    ----------
    tested, reference : array-like, shape (n, r)
        One row a participant, one column a replicate or a time, nothing missing, in one unit.
    design : {"replicates", "times"}
        Columns are exchangeable replicates (not longitudinal), or the same times for both methods (longitudinal).
    floor : bool
        Negative components count as 0.
    confidence : float

    Returns
    -------
    RepeatedConcordance
        Replicates: S/(S + SM + M + E), M = (MS_method - MS_subject_method)/(n r) (Carrasco & Jover 2003, Biometrics
        59:849-858). Times: (S + ST)/(S + ST + SM + M + E), M = sum_t mean(D_t)^2/(2 r) - (SM + E)/n (Carrasco, King &
        Chinchilli 2009, J Biopharm Stat 19:90-105). Components by analysis of variance. With one replicate SM and E
        are one: 2 s_xy/(s_x^2 + s_y^2 + max(0, mean(D)^2 - s_D^2/n)). Interval: t(n - 1) on values leaving out one
        participant each, plain or on Fisher's scale, the wider arm each side.

    Raises
    ------
    DataError
        If the tables do not match, hold NaN, infinity or values too large, or there is no such design.
    CannotTell
        If there are fewer than two participants, fewer than two times, or nothing varies.
    """
    if design not in ("replicates", "times"):
        raise DataError(f"expected the design 'replicates' or 'times', got {design!r}")
    check_level(confidence, "a confidence")
    least = 2 if design == "times" else 1
    first, second = (
        rectangle(table, name=name, rows="participants", across=design, least=least, what="concordance")
        for name, table in (("tested", tested), ("reference", reference))
    )
    if first.shape != second.shape:
        raise DataError(f"expected tested and reference tables of one shape, got {first.shape} and {second.shape}")
    n, r = first.shape
    centre = first[0, 0]
    both = np.stack([first - centre, second - centre], axis=1)
    rounding = (4 * float(np.finfo(np.float64).eps) * float(max(np.max(np.abs(first)), np.max(np.abs(second))))) ** 2
    parts = _components(both, design)
    value = _coefficient(parts, floor=floor, rounding=rounding)
    if value is None:
        raise CannotTell("concordance needs values that vary, all are the same")
    why, ends = too_few(n, least=3, unit="participants"), None
    if why is None:
        left = [
            _coefficient(_components(np.delete(both, i, axis=0), design), floor=floor, rounding=rounding)
            for i in range(n)
        ]
        without = [one for one in left if one is not None]
        why = "without one participant nothing varies, or it does not vary between participants"
        if len(without) == n:
            ends = concordance_interval(value, np.array(without), t_quantile(0.5 + confidence / 2, n - 1.0))
    names = ("subject", "subject_time", "subject_method", "method", "error")
    return RepeatedConcordance(
        coefficient=fixed(value, ends, f"t({n - 1}) on jackknifed values of {n} participants", n, why),
        **dict(zip(names, parts, strict=True)),
        floored=tuple(name for name, part in zip(names, parts, strict=True) if part < 0) if floor else (),
        n_participants=n,
        n_repeats=r,
    )


def _coefficient(parts: tuple[float, ...], *, floor: bool, rounding: float) -> float | None:
    subject, subject_time, subject_method, method, error = (max(0.0, part) if floor else part for part in parts)
    total = subject + subject_time + subject_method + method + error
    return (subject + subject_time) / total if total > rounding else None


def _components(both: F64, design: Design) -> tuple[float, float, float, float, float]:
    """Subject, subject x time, subject x method, method and error, from a table of subjects by methods by repeats."""
    n, k, r = both.shape
    grand, by_subject, by_method = both.mean(), both.mean(axis=(1, 2)), both.mean(axis=(0, 2))
    cell = both.mean(axis=2)
    ms_s = k * r * float(np.sum((by_subject - grand) ** 2)) / (n - 1)
    inner = cell - by_subject[:, None] - by_method + grand
    ms_sm = r * float(np.sum(inner**2)) / ((n - 1) * (k - 1))
    if design == "replicates":
        ms_m = n * r * float(np.sum((by_method - grand) ** 2)) / (k - 1)
        ms_e = float(np.sum((both - cell[:, :, None]) ** 2)) / (n * k * (r - 1)) if r > 1 else 0.0
        subject_method = (ms_sm - ms_e) / r
        return (ms_s - ms_sm) / (k * r), 0.0, subject_method, (ms_m - ms_sm) / (n * r), ms_e
    by_time, at = both.mean(axis=(0, 1)), both.mean(axis=0)
    subject_time_means = both.mean(axis=1)
    crossed = subject_time_means - by_subject[:, None] - by_time + grand
    ms_st = k * float(np.sum(crossed**2)) / ((n - 1) * (r - 1))
    residual = both - subject_time_means[:, None, :] - cell[:, :, None] - at
    residual += by_subject[:, None, None] + by_method[:, None] + by_time - grand
    ms_e = float(np.sum(residual**2)) / ((n - 1) * (k - 1) * (r - 1))
    subject_method = (ms_sm - ms_e) / r
    off = at[0] - at[1]
    method = float(np.sum(off**2)) / (2 * r) - (subject_method + ms_e) / n
    return (ms_s - ms_st - ms_sm + ms_e) / (k * r), (ms_st - ms_e) / k, subject_method, method, ms_e
