"""A reference smoothed the way a device smooths: over a boxcar, or exponentially with the same mean age.

The centre of a window is where its mean age lies: the middle of a boxcar; one time constant before the end of an
exponential, whose boxcar of equal mean age is two time constants long.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running

__all__ = ["Shape", "Smoothed", "smoothed"]

F64 = NDArray[np.float64]
Shape = Literal["boxcar", "exponential"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Smoothed:
    """A reference ready to be read at any window centre.

    Attributes
    ----------
    reference : Running
    averaging_s : float
        Length of the boxcar, or of the boxcar of equal mean age.
    shape : {"boxcar", "exponential"}
    end_s, amount, covered : float64 arrays, shape (m,)
        For an exponential: smoothed amount and covered time a second, at window ends on an even grid.
    """

    reference: Running
    averaging_s: float
    shape: Shape
    end_s: F64
    amount: F64
    covered: F64

    def at(self, centre_s: F64) -> tuple[F64, F64]:
        """Value (NaN where nothing is covered) and covered share at window centres, shape (n,)."""
        half = 0.5 * self.averaging_s
        if self.shape == "exponential":
            amount = np.interp(centre_s + half, self.end_s, self.amount, left=0.0, right=0.0)
            covered = np.interp(centre_s + half, self.end_s, self.covered, left=0.0, right=0.0)
            share = covered
        else:
            knots, running = self.reference.knot_s, self.reference
            low, high = centre_s - half, centre_s + half
            covered = np.interp(high, knots, running.covered_s) - np.interp(low, knots, running.covered_s)
            amount = np.interp(high, knots, running.amount) - np.interp(low, knots, running.amount)
            share = covered / (2.0 * half)
        value = np.full(centre_s.shape, np.nan)
        np.divide(self.reference.scale * amount, covered, out=value, where=covered > 1e-9)
        return value, share

    def log_at(self, centre_s: F64, *, min_covered: float = 0.5) -> F64:
        """Log of the value, NaN where less than ``min_covered`` is covered; shape (n,)."""
        value, share = self.at(centre_s)
        good = (share >= min_covered) & (value > 0)
        out = np.full(centre_s.shape, np.nan)
        np.log(value, out=out, where=good)
        return out


def smoothed(reference: Running, *, averaging_s: float, shape: Shape = "boxcar") -> Smoothed:
    """Smooth a reference.

    Parameters
    ----------
    reference : Running
    averaging_s : float
        Length of the boxcar; an exponential gets the time constant ``averaging_s / 2``.
    shape : {"boxcar", "exponential"}

    Returns
    -------
    Smoothed
    """
    averaging_s = max(averaging_s, 1e-3)
    none = np.zeros(0)
    if shape == "boxcar" or reference.knot_s.size < 2:
        return Smoothed(
            reference=reference, averaging_s=averaging_s, shape="boxcar", end_s=none, amount=none, covered=none
        )
    constant = 0.5 * averaging_s
    step = min(0.5, constant / 6.0)
    first, last = float(reference.knot_s[0]), float(reference.knot_s[-1])
    edge: F64 = first + step * np.arange(int((last - first) / step) + 2, dtype=np.float64)
    weight = -np.expm1(-step / constant) * np.exp(-step / constant * np.arange(int(8.0 * constant / step) + 1))
    length = 1 << int(edge.size + weight.size).bit_length()
    spectrum = np.fft.rfft(weight, length)

    def smooth(column: F64) -> F64:
        density = np.diff(np.interp(edge, reference.knot_s, column)) / step
        out: F64 = np.fft.irfft(np.fft.rfft(density, length) * spectrum, length)[: density.size]
        return np.where(np.abs(out) < 1e-12, 0.0, out)

    return Smoothed(
        reference=reference,
        averaging_s=averaging_s,
        shape="exponential",
        end_s=edge[1:],
        amount=smooth(reference.amount),
        covered=smooth(reference.covered_s),
    )
