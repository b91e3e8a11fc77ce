"""Straight lines through differences and through the size of their residuals, with the covariance of both."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clusters import effective_df

__all__ = ["FEW_CLUSTERS", "DifferenceLines"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FEW_CLUSTERS: Final = 3
"""Below this many a slope cannot be tested."""


def _line(n: float, a: float, aa: float, y: float, ay: float) -> tuple[float, float]:
    """Least squares of y on a from sums: value at a = 0, and slope."""
    square = aa - a * a / n
    slope = (ay - a * y / n) / square if square > 1e-12 * aa else 0.0
    return (y - slope * a) / n, slope


class DifferenceLines:
    """Least squares of D on A and of |R| on A, for pairs that are independent or come in clusters.

    Five coefficients: value at the centre and slope of the line of D, the same of the line of |R|, and the residual SD
    with divisor n - 2, or n - 1 without a slope.
    """

    def __init__(self, a: F64, d: F64, code: I64 | None, count: int) -> None:
        self.a, self.d, self.count, self.n = a, d, count, a.size
        self.clustered = code is not None
        if code is None:
            self.scope = f"{count} pairs taken as independent"
            self.df = self.n - 2.0
            return
        self.code = code
        size = np.bincount(code, minlength=count)
        self.scope = f"{count} cluster{'s' if count != 1 else ''}"
        self.df = 0.0
        if count >= FEW_CLUSTERS:
            square = np.bincount(code, weights=a * a, minlength=count).astype(np.float64)
            self.df = min(effective_df(size.astype(np.float64)), effective_df(square))

    def fitted(self, *, sloping: bool) -> tuple[F64, F64]:
        """Five coefficients and their covariance, shape (5, 5), zero where it cannot be given."""
        value = self._coefficients(sloping=sloping)
        if not self.clustered:
            return value, self._least_squares(value, sloping=sloping)
        if self.count < FEW_CLUSTERS:
            return value, np.zeros((5, 5))
        away = self._without(value, sloping=sloping) - value
        return value, (self.count - 1) / self.count * (away.T @ away)

    def _coefficients(self, *, sloping: bool) -> F64:
        a, d = self.a, self.d
        n, sum_a, sum_aa, sum_d = a.size, float(np.sum(a)), float(np.dot(a, a)), float(np.sum(d))
        start, slope = _line(n, sum_a, sum_aa, sum_d, float(np.dot(a, d))) if sloping else (sum_d / n, 0.0)
        residual = d - start - slope * a
        size = np.abs(residual)
        line = _line(n, sum_a, sum_aa, float(np.sum(size)), float(np.dot(a, size)))
        sd = math.sqrt(float(np.dot(residual, residual)) / max(1, n - (2 if sloping else 1)))
        return np.array([start, slope, *line, sd])

    def _without(self, value: F64, *, sloping: bool) -> F64:
        """Coefficients leaving out one cluster each, shape (count, 5).

        As if fitted again, from sums of clusters: a residual that keeps its sign adds to the sums of |R| what is linear
        in the change of the line, and only those close to the line, which may change sign, are looked at one by one.
        """
        a = self.a
        residual = self.d - value[0] - value[1] * a
        sign = np.where(residual < 0, -1.0, 1.0)
        size = np.abs(residual)
        columns = (None, a, a * a, residual, a * residual, residual**2, sign, sign * a, sign * a * a, size, a * size)
        sums = np.stack([np.bincount(self.code, weights=w, minlength=self.count) for w in columns], axis=1)
        kept = np.sum(sums, axis=0) - sums
        near = np.argsort(size, kind="stable")
        size, farthest = size[near], float(np.max(np.abs(a)))
        out = np.empty((self.count, 5))
        for left_out, (n, sa, saa, sr, sar, srr, s, s_a, s_aa, sum_size, sum_a_size) in enumerate(kept.tolist()):
            start, slope = _line(n, sa, saa, sr, sar) if sloping else (sr / n, 0.0)
            close = near[: int(np.searchsorted(size, abs(start) + abs(slope) * farthest, side="right"))]
            close = close[self.code[close] != left_out]
            moved = residual[close] - start - slope * a[close]
            turned = np.abs(moved) - sign[close] * moved
            total = sum_size - start * s - slope * s_a + float(np.sum(turned))
            total_a = sum_a_size - start * s_a - slope * s_aa + float(np.dot(a[close], turned))
            line = _line(n, sa, saa, total, total_a)
            square = srr - 2 * (start * sr + slope * sar) + n * start**2 + 2 * start * slope * sa + slope**2 * saa
            sd = math.sqrt(max(0.0, square) / max(1.0, n - (2 if sloping else 1)))
            out[left_out] = (value[0] + start, value[1] + slope, *line, sd)
        return out

    def _least_squares(self, value: F64, *, sloping: bool) -> F64:
        out = np.zeros((5, 5))
        square = float(np.dot(self.a, self.a))
        residual = self.d - value[0] - value[1] * self.a
        size = np.abs(residual) - value[2] - value[3] * self.a
        variance = float(value[4]) ** 2
        size_variance = float(np.dot(size, size)) / max(1.0, self.n - 2.0)
        out[0, 0], out[2, 2] = variance / self.n, size_variance / self.n
        out[1, 1] = variance / square if sloping else 0.0
        out[3, 3] = size_variance / square
        out[4, 4] = variance / (2 * (self.n - (2 if sloping else 1)))
        return out

    def robust(self, value: F64, *, sloping: bool) -> F64:
        """Covariance of both lines of independent pairs where the spread is not constant (HC3), shape (5, 5)."""
        columns = np.stack([np.ones_like(self.a), self.a], axis=1)
        square = np.array([float(self.n), float(np.dot(self.a, self.a))])
        leverage = np.minimum(np.sum(columns**2 / square, axis=1), 1 - 1e-9)
        residual = self.d - value[0] - value[1] * self.a
        out = np.zeros((5, 5))
        for start, rest in ((0, residual), (2, np.abs(residual) - value[2] - value[3] * self.a)):
            moved = columns / square * (rest / (1 - leverage))[:, None]
            out[start : start + 2, start : start + 2] = moved.T @ moved
        if not sloping:
            out[1, :] = out[:, 1] = 0.0
        return out

    def slope_p(self, slope: float, variance: float) -> float | None:
        """Two-sided p of a t test that a slope is 0, None where it cannot be tested."""
        from scipy.special import stdtr

        if self.df < 1 or not variance > 0:
            return None
        return float(2 * stdtr(self.df, -abs(slope) / math.sqrt(variance)))
