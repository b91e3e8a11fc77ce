"""How well a clock could be known from a session's readings at best: worked out before the program sees them.

    bound = noise SD x sqrt((1 + phi) / (1 - phi)) / sqrt(sum of squared slopes)

the Cramer-Rao bound for a time shift (Kay 1993, Fundamentals of Statistical Signal Processing I, ch. 3, from memory)
with an effective number of readings for correlated errors.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

F64 = NDArray[np.float64]

FEWEST = 30
FEWEST_FREE = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Bound:
    """One session's bound (s; infinite where nothing can be known), and what it is made of."""

    bound_s: float
    noise_sd_bpm: float
    phi: float
    slope_root: float
    n: int


def inflation(residual: F64, good: NDArray[np.bool_]) -> float:
    """Return (1 + phi) / (1 - phi): the larger of two honest answers.

    One is of a first-order autoregression with the lag-one correlation of neighbouring good readings. Rounding and
    white noise on top of slow errors make that too small; so the other is the integrated autocorrelation, 1 + twice
    the sum of the correlations up to where pairs of them cease to be positive (Geyer 1992, Statistical Science
    7:473-483, from memory).

    Parameters
    ----------
    residual : float64 array, shape (n,)
        Of readings in order; mean zero over the good ones.
    good : bool array, shape (n,)
    """
    masked = np.where(good, residual, 0.0)
    variance = float((masked**2).sum() / max(int(good.sum()), 1))
    if variance == 0.0:
        return 1.0

    def correlation(lag: int) -> float:
        both = good[lag:] & good[:-lag]
        products = masked[lag:] * masked[:-lag]
        return float(products.sum() / both.sum() / variance) if both.any() else 0.0

    first = float(np.clip(correlation(1), 0.0, 0.99)) if residual.size > 1 else 0.0
    total = 1.0
    for lag in range(1, min(residual.size // 4, 400), 2):
        pair = correlation(lag) + correlation(lag + 1)
        if pair <= 0.0:
            break
        total += 2.0 * pair
    return max((1 + first) / (1 - first), total)


def bound_of(shown: F64, reference: F64, slope: F64, good: NDArray[np.bool_]) -> Bound:
    """Return the bound of one session.

    Parameters
    ----------
    shown, reference : float64 arrays, shape (n,)
        Readings as written, rounding included, and the true rate over their true windows.
    slope : float64 array, shape (n,)
        Of the windowed true rate, bpm/s.
    good : bool array, shape (n,)
        Readings that are right through and through and in time.
    """
    good = good & np.isfinite(shown) & np.isfinite(reference) & np.isfinite(slope)
    n = int(good.sum())
    if n < FEWEST:
        return Bound(bound_s=np.inf, noise_sd_bpm=np.nan, phi=np.nan, slope_root=np.nan, n=n)
    residual = np.where(good, shown - reference, 0.0)
    residual = np.where(good, residual - residual[good].mean(), 0.0)
    times = inflation(residual, good)
    if n < FEWEST_FREE * times:  # too few of them are free of each other to say how large the noise is
        return Bound(bound_s=np.inf, noise_sd_bpm=np.nan, phi=np.nan, slope_root=np.nan, n=n)
    noise = float(np.sqrt((residual[good] ** 2).sum() / (n - times)))  # the mean took ``times`` readings' worth
    root = float(np.sqrt((slope[good] ** 2).sum()))
    return Bound(
        bound_s=noise * float(np.sqrt(times)) / root if root > 0 else np.inf,
        noise_sd_bpm=noise,
        phi=(times - 1) / (times + 1),
        slope_root=root,
        n=n,
    )


def write_bounds(folder: Path, bounds: dict[tuple[str, str], Bound]) -> None:
    """Write ``truth/bounds.csv``, one row a session and device."""
    rows = [
        {
            "session": session,
            "device": device,
            "bound_s": bound.bound_s,
            "noise_sd_bpm": bound.noise_sd_bpm,
            "phi": bound.phi,
            "slope_root": bound.slope_root,
            "n": bound.n,
        }
        for (session, device), bound in bounds.items()
    ]
    pl.DataFrame(rows).write_csv(folder / "truth" / "bounds.csv")
