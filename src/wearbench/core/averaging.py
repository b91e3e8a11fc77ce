"""How long a window a device's reading stands for, from the readings it got right.

For each averaging on a grid the reference is averaged the same way and compared; the loss is a robust log likelihood,
so that losses of sessions add and the study's sum decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running, values_over

__all__ = ["AVERAGING_GRID_S", "AveragingFit", "averaging_losses", "choose_averaging"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

AVERAGING_GRID_S: Final[tuple[float, ...]] = (
    1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 14.0, 16.0, 20.0, 24.0, 30.0, 36.0, 45.0, 60.0, 90.0, 120.0,
    180.0, 240.0, 300.0, 450.0, 600.0,
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class AveragingFit:
    """Averaging in seconds, with the range of the grid that fits nearly as well; ``n`` readings behind it."""

    averaging_s: float
    low_s: float
    high_s: float
    n: int
    method: str


def averaging_losses(reference: Running, centre_s: F64, tested: F64, good: B8, *, usual_s: float) -> tuple[F64, int]:
    """Loss of each averaging of the grid for one session.

    Parameters
    ----------
    reference : Running
        Doubtful stretches taken out.
    centre_s, tested : float64 arrays, shape (n,)
        Window centres on the reference's clock and values.
    good : bool array, shape (n,)
        Readings that follow the reference.
    usual_s : float
        Usual interval between readings.

    Returns
    -------
    losses : float64 array, shape (len(AVERAGING_GRID_S),)
        Half the effective number of readings times the log of the trimmed mean square; zero throughout when there is
        nothing to tell.
    n : int
        Readings used.
    """
    losses = np.zeros(len(AVERAGING_GRID_S))
    index = np.flatnonzero(good & np.isfinite(tested))
    if index.size < 20:
        return losses, 0
    if index.size > 3000:
        index = index[np.linspace(0, index.size - 1, 3000).astype(np.int64)]
    centre, value = centre_s[index], tested[index]
    moves = np.linspace(-3.0, 3.0, 7) if usual_s < 20 else np.linspace(-0.5, 0.5, 5) * usual_s
    longest = max(60.0, 2.0 * usual_s)
    grid = [a for a in AVERAGING_GRID_S if a <= longest]
    for i, averaging in enumerate(grid):
        best = math.inf
        for move in moves:
            window = values_over(reference, centre + move - 0.5 * averaging, centre + move + 0.5 * averaging)
            square = np.square(value - window.value)
            square = square[np.isfinite(square) & (window.covered >= 0.5)]
            if square.size < 20:
                continue
            keep = int(0.9 * square.size)
            best = min(best, float(np.partition(square, keep - 1)[:keep].mean()))
        losses[i] = math.log(best + 0.05) if math.isfinite(best) else 0.0
    losses[len(grid) :] = losses[len(grid) - 1] + 1.0
    effective = max(index.size * min(usual_s, 10.0) / 20.0, 1.0)
    return 0.5 * effective * (losses - losses.min()), int(index.size)


def choose_averaging(losses: F64, *, n: int, prior_s: float) -> AveragingFit:
    """Choose the averaging from summed losses and a prior around ``prior_s`` (log-normal, a factor of two).

    Parameters
    ----------
    losses : float64 array, shape (len(AVERAGING_GRID_S),)
        Summed over sessions.
    n : int
        Readings behind them.
    prior_s : float

    Returns
    -------
    AveragingFit
        The range holds every averaging within 1.92 of the best (a likelihood interval).
    """
    grid = np.array(AVERAGING_GRID_S)
    log_grid = np.log(grid)
    score = losses + 0.5 * np.square((log_grid - math.log(prior_s)) / math.log(2.0))
    at = int(np.argmin(score))
    averaging = float(grid[at])
    if 0 < at < grid.size - 1:
        x = log_grid[at - 1 : at + 2]
        y = score[at - 1 : at + 2]
        bend = np.polyfit(x - x[1], y, 2)
        if bend[0] > 0:
            averaging = math.exp(float(np.clip(x[1] - bend[1] / (2 * bend[0]), x[0], x[2])))
    near = grid[score <= score[at] + 1.92]
    return AveragingFit(
        averaging_s=averaging,
        low_s=float(near.min()),
        high_s=float(near.max()),
        n=n,
        method="estimated over the study from readings that follow the reference" if n else "assumed: nothing to tell",
    )
