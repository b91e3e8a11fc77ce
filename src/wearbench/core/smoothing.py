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
C128 = NDArray[np.complex128]
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
    knot_s : float64 array, shape (m,)
        For an exponential: window ends on an even grid. Else the reference's own knots.
    both : complex128 array, shape (m,)
        Amount and, as imaginary part, covered time: a second and smoothed for an exponential, running sums else.
    """

    reference: Running
    averaging_s: float
    shape: Shape
    knot_s: F64
    both: C128

    def at(self, centre_s: F64) -> tuple[F64, F64]:
        """Value (NaN where nothing is covered) and covered share at window centres, shape (n,)."""
        half = 0.5 * self.averaging_s
        if self.shape == "exponential":
            both = np.interp(centre_s + half, self.knot_s, self.both, left=0.0, right=0.0)
            amount, covered = both.real, both.imag
            share = covered
        else:
            both = np.interp(centre_s + half, self.knot_s, self.both)
            both -= np.interp(centre_s - half, self.knot_s, self.both)
            amount, covered = both.real, both.imag
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
    if shape == "boxcar" or reference.knot_s.size < 2:
        both = reference.amount + 1j * reference.covered_s
        return Smoothed(
            reference=reference, averaging_s=averaging_s, shape="boxcar", knot_s=reference.knot_s, both=both
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
        knot_s=edge[1:],
        both=smooth(reference.amount) + 1j * smooth(reference.covered_s),
    )
