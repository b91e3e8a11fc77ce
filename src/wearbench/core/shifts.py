"""How much of an agreement would come by chance: the same values laid against the session at other times.

A device whose values lie near half the rate, or near the cadence, for some minutes may do so because it follows them,
or because its values happen to lie at that height. If what it is said to follow is shifted in time within the session,
the height stays and the following goes: as much agreement then tells of height alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.core.resample import generator_of
from wearbench.errors import DataError

__all__ = ["Chance", "agreement_by_shift", "chance_by_shift", "holding_by_shift"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_CELLS = 400_000
"""Comparisons made at a time: they stay in the processor's cache."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Chance:
    """Agreement as recorded, and with shifts drawn for every session.

    Attributes
    ----------
    observed_s : float
    expected_s : float
        Mean over the draws.
    p : float
        (1 + draws with at least as much) / (1 + draws).
    draws : int
    sessions : int
    """

    observed_s: float
    expected_s: float
    p: float
    draws: int
    sessions: int


def agreement_by_shift(log_tested: F64, seconds: F64, place: I64, targets: F64, *, width: float) -> F64:
    """Seconds in which values lie near any of the targets, for every shift of the targets around the session.

    Parameters
    ----------
    log_tested, seconds : float64 arrays, shape (m,)
        Of the readings asked about (the wrong ones), chosen without regard to the targets.
    place : int array, shape (m,)
        Their places in the session, 0 to n - 1.
    targets : float64 array, shape (t, n)
        Logarithm of what may be followed at each place; NaN where there is nothing to follow.
    width : float
        Largest distance that counts as near.

    Returns
    -------
    float64 array, shape (n,)
        For each number of places the targets are moved on; the first is as recorded.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    if targets.ndim != 2 or not log_tested.shape == seconds.shape == place.shape:
        raise DataError(f"expected targets of shape (t, n) and columns of one length, got {targets.shape}")
    n, m = targets.shape[1], log_tested.size
    out = np.zeros(n)
    if not m or not n:
        return out
    rows = max(1, _CELLS // m)
    twice = np.concatenate([targets, targets], axis=1)
    for start in range(0, n, rows):
        shift = np.arange(start, min(n, start + rows))
        at = place[None, :] + (n - shift[:, None]) % n
        near = np.zeros(at.shape, dtype=np.bool_)
        for target in twice:
            with np.errstate(invalid="ignore"):
                near |= np.abs(log_tested - target[at]) < width
        out[shift] = near @ seconds
    return out


def holding_by_shift(start: I64, length: I64, seconds: F64, reference: F64, *, moved: float) -> F64:
    """Seconds in which runs of one held value meet a reference that moves, for every shift of the reference.

    Parameters
    ----------
    start, length : int arrays, shape (r,)
        First reading and number of readings of each run.
    seconds : float64 array, shape (r,)
        How long each lasts.
    reference : float64 array, shape (n,)
        NaN where there is none.
    moved : float
        By how much the reference must range within the run.

    Returns
    -------
    float64 array, shape (n,)
        For each number of readings the reference is moved on; the first is as recorded.

    Raises
    ------
    DataError
        If the arrays do not fit.
    """
    if not start.shape == length.shape == seconds.shape:
        raise DataError(f"expected columns of one length, got {start.shape}, {length.shape} and {seconds.shape}")
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    n = reference.size
    out = np.zeros(n)
    if not n:
        return out
    known = np.isfinite(reference)
    highest, lowest = np.where(known, reference, -np.inf), np.where(known, reference, np.inf)
    for size in np.unique(length):
        # The window of ``size`` readings from each place on, around the end of the session.
        origin = -((int(size) - 1) // 2) - (0 if size % 2 else 1)
        top = maximum_filter1d(highest, int(size), mode="wrap", origin=origin)
        bottom = minimum_filter1d(lowest, int(size), mode="wrap", origin=origin)
        with np.errstate(invalid="ignore"):
            moves = (top - bottom > moved).astype(np.float64)
        for first, lasting in zip(start[length == size], seconds[length == size], strict=True):
            out += lasting * moves[(int(first) - np.arange(n)) % n]
    return out


def chance_by_shift(by_shift: Sequence[F64], *, seed: int, name: str, draws: int = 1_999) -> Chance | None:
    """Compare the agreement as recorded with that after shifts drawn for each session.

    Parameters
    ----------
    by_shift : sequence of float64 arrays
        Of each session, as `agreement_by_shift` returns.
    seed : int
    name : str
        What is asked; keys the generator.
    draws : int

    Returns
    -------
    Chance or None
        None without sessions. Every shift is as likely, none among them; so p holds for a session that could as well
        have begun at any of its instants (stationary), whatever the likeness of neighbouring readings.

    Raises
    ------
    DataError
        If there are no draws.
    """
    if draws < 1:
        raise DataError(f"expected at least one draw, got {draws}")
    parts = [part for part in by_shift if part.size]
    if not parts:
        return None
    generator = generator_of(seed, name)
    total = np.zeros(draws)
    for part in parts:
        total += part[generator.integers(0, part.size, size=draws)]
    observed = float(sum(part[0] for part in parts))
    slack = 1e-9 * max(1.0, observed)
    return Chance(
        observed_s=observed,
        expected_s=float(total.mean()),
        p=(1.0 + float(np.sum(total >= observed - slack))) / (1.0 + draws),
        draws=draws,
        sessions=len(parts),
    )
