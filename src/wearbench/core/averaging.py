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

from wearbench.core.running import Running
from wearbench.core.smoothing import Shape, smoothed

__all__ = ["AVERAGING_GRID_S", "AveragingFit", "averaging_losses", "choose_averaging"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

AVERAGING_GRID_S: Final[tuple[float, ...]] = (
    1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 14.0, 16.0, 20.0, 24.0, 30.0, 36.0, 45.0, 52.0, 60.0, 75.0,
    90.0, 105.0, 120.0, 150.0, 180.0, 210.0, 240.0, 300.0, 360.0, 450.0, 520.0, 600.0,
)  # fmt: skip


_ROUNDING: Final = 0.05
"""Square of a difference that means nothing, bpm^2."""
_CLEARLY: Final = 3.0
"""How much better an exponential must fit than a plain mean (log likelihood; our own figure)."""
_DROP: Final = 1.92
_NEVER_BETTER: Final = 0.03
"""No device smooths exactly as assumed (our own figure)."""
SHAPES: Final[tuple[Shape, ...]] = ("boxcar", "exponential")


@dataclass(frozen=True, kw_only=True, slots=True)
class AveragingFit:
    """Averaging in seconds, with the range of the grid that fits nearly as well; ``n`` readings behind it.

    ``shape`` is how the device smooths; an exponential is given as the boxcar of equal mean age. ``other_s`` is the
    best averaging of the other shape, where that fits about as well.
    """

    averaging_s: float
    low_s: float
    high_s: float
    n: int
    method: str
    shape: Shape = "boxcar"
    other_s: float | None = None


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
    losses : float64 array, shape (2, len(AVERAGING_GRID_S))
        For boxcar and exponential: half the effective number of readings times the log of the trimmed mean square;
        zero throughout when there is nothing to tell.
    n : int
        Readings used.
    """
    losses = np.zeros((2, len(AVERAGING_GRID_S)))
    index = np.flatnonzero(good & np.isfinite(tested))
    if index.size < 20:
        return losses, 0
    if index.size > 1500:
        index = index[np.linspace(0, index.size - 1, 1500).astype(np.int64)]
    centre, value = centre_s[index], tested[index]
    slow = usual_s >= 20.0

    def loss(averaging: float, shape: Shape) -> float:
        table = smoothed(reference, averaging_s=averaging, shape=shape)
        # What is compared is where the centre may lie; the longer the average, the less is known of that.
        reach = max(0.5 * usual_s if slow else 3.0, 0.25 * averaging)
        moves = np.linspace(-1.0, 1.0, 9) * reach
        squares = np.array([_trimmed_square(value, *table.at(centre + move)) for move in moves])
        if reach > 3.0 and np.isfinite(squares).any():
            # The square grows with the square of the distance; near its least it is looked at more closely.
            near = moves[int(np.argmin(squares))] + np.linspace(-1.0, 1.0, 5) * 0.25 * reach
            squares = np.array([_trimmed_square(value, *table.at(centre + move)) for move in near])
        return math.log(_lowest(squares) + _ROUNDING) if np.isfinite(squares).any() else math.inf

    longest = max(60.0, 2.0 * usual_s)
    n_tried = sum(averaging <= longest for averaging in AVERAGING_GRID_S)
    while True:
        for row, shape in enumerate(SHAPES):
            for i in range(n_tried):
                if losses[row, i] == 0.0:
                    losses[row, i] = loss(AVERAGING_GRID_S[i], shape)
        seen = losses[:, :n_tried]
        # Longer ones are looked at only where the longest so far fits best.
        if n_tried == len(AVERAGING_GRID_S) or not np.isfinite(seen).any() or int(np.argmin(seen.min(0))) < n_tried - 2:
            break
        n_tried = min(n_tried + 3, len(AVERAGING_GRID_S))
    told = np.isfinite(losses[:, :n_tried])
    if not told.any():
        return np.zeros_like(losses), 0
    # An averaging that leaves no covered windows cannot be told: no better than the worst that can.
    losses[~np.isfinite(losses)] = losses[:, :n_tried][told].max() + 1.0
    losses[:, n_tried:] = losses[:, n_tried - 1 : n_tried] + 1.0
    effective = max(index.size * min(usual_s, 10.0) / 20.0, 1.0)
    return 0.5 * effective * (losses - losses.min()), int(index.size)


def _trimmed_square(value: F64, reference: F64, covered: F64) -> float:
    """Mean square of the better nine tenths of the differences, apart from a constant error or ratio."""
    seen = np.isfinite(value - reference) & (covered >= 0.5) & (reference > 0)
    if int(seen.sum()) < 20:
        return math.inf
    value, reference = value[seen], reference[seen]
    # A device that is low or high throughout must not pass for one that averages otherwise.
    apart = (
        value - reference - _middle(value - reference),
        value - reference * _middle(value / reference),
    )
    keep = int(0.9 * value.size)
    return min(float(np.partition(np.square(d), keep - 1)[:keep].sum()) for d in apart) / keep


def _middle(values: F64) -> float:
    """Median of finite values, without the checks that cost more than it does."""
    at = values.size // 2
    part = np.partition(values, (at - 1, at))
    return float(part[at] if values.size % 2 else 0.5 * (part[at - 1] + part[at]))


def _lowest(values: F64) -> float:
    """Minimum of an evenly spaced curve, refined by the parabola through its neighbours."""
    at = int(np.argmin(values))
    if 0 < at < values.size - 1 and bool(np.isfinite(values[at - 1 : at + 2]).all()):
        left, mid, right = values[at - 1 : at + 2].tolist()
        bend = left - 2 * mid + right
        if bend > 1e-12:
            return max(float(mid - (left - right) ** 2 / (8 * bend)), 0.0)
    return float(values[at])


def choose_averaging(losses: F64, *, n: int, prior_s: float) -> AveragingFit:
    """Choose the averaging from summed losses and a prior around ``prior_s`` (log-normal, a factor of two).

    Parameters
    ----------
    losses : float64 array, shape (2, len(AVERAGING_GRID_S))
        Summed over sessions, for boxcar and exponential.
    n : int
        Readings behind them.
    prior_s : float

    Returns
    -------
    AveragingFit
        The range holds every averaging within 1.92 of the best (a likelihood interval), and is never narrower than 3 %
        to either side.
    """
    grid = np.array(AVERAGING_GRID_S)
    log_grid = np.log(grid)
    both = losses + 0.5 * np.square((log_grid - math.log(prior_s)) / math.log(2.0))
    # The simpler shape unless the data clearly say otherwise.
    row = 1 if float(both[1].min()) < float(both[0].min()) - _CLEARLY else 0
    score = both[row]
    at = int(np.argmin(score))
    averaging = float(grid[at])
    if 0 < at < grid.size - 1:
        x = log_grid[at - 1 : at + 2]
        y = score[at - 1 : at + 2]
        bend = np.polyfit(x - x[1], y, 2)
        if bend[0] > 0:
            averaging = math.exp(float(np.clip(x[1] - bend[1] / (2 * bend[0]), x[0], x[2])))
    low, high = _interval(log_grid, score, math.log(averaging))
    rival = both[1 - row]
    close = abs(float(rival.min()) - float(score.min())) < _CLEARLY
    return AveragingFit(
        averaging_s=averaging,
        low_s=min(math.exp(low), averaging / (1.0 + _NEVER_BETTER)),
        high_s=max(math.exp(high), averaging * (1.0 + _NEVER_BETTER)),
        n=n,
        method="estimated over the study from readings that follow the reference" if n else "assumed: nothing to tell",
        shape=SHAPES[row],
        other_s=float(grid[int(np.argmin(rival))]) if close else None,
    )


def _interval(log_grid: F64, score: F64, best: float) -> tuple[float, float]:
    """Where a likelihood, a parabola about ``best`` on either side, lies 1.92 below its top; the grid's end else."""
    least = float(score.min())
    above = score > least + _DROP
    out = []
    for side, end in (
        (np.flatnonzero(above & (log_grid < best))[::-1], 0),
        (np.flatnonzero(above & (log_grid > best)), -1),
    ):
        if not side.size:
            out.append(float(log_grid[end]))
            continue
        first = int(side[0])
        out.append(best + float(log_grid[first] - best) * math.sqrt(_DROP / float(score[first] - least)))
    return out[0], out[1]
